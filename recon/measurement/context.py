"""Input of the measurements of a level."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from canalwise.recon.anatomy import Joint, Window
from canalwise.recon.grid import Float
from canalwise.recon.labels import Side
from canalwise.recon.level.resampled_level import ResampledLevel


@dataclass(frozen=True, eq=False)
class MeasurementContext:
    """Input of a level's measurements.

    Parameters
    ----------
    view : the level resampled into its frame
    landmarks_mm : name -> (3,) level mm
    lamina_strips_mm : (vertebra, side) -> (N, 3) level mm, bone of the lamina's middle strip; N = 0 without a lamina
    skin_depth_mm : side -> depth of the upper lamina's caudal edge under the skin, where both are in view
    canal_source, sac_source, flavum_source : how each was obtained ('measured', 'given', 'modelled', 'automatic')
    longest_mm : longest voxel edge that the image was taken with; 0 without an image
    """

    view: ResampledLevel
    landmarks_mm: Mapping[str, Float]
    joints: Mapping[Side, Joint]
    windows: Mapping[Side, Window]
    lamina_strips_mm: Mapping[tuple[str, Side], Float] = field(default_factory=dict)
    skin_depth_mm: Mapping[Side, float] = field(default_factory=dict)
    canal_source: str = "automatic"
    sac_source: str = "modelled"
    flavum_source: str = "modelled"
    longest_mm: float = 0.0

    def height_mm(self, landmark: str) -> float | None:
        """Level z of a landmark; None when it is not there."""
        point = self.landmarks_mm.get(landmark)
        return None if point is None else float(point[2])
