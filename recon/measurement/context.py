"""What measurements are taken from, and how one is recorded with its band and source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from canalwise.recon.anatomy import Joint, Measurement, Window
from canalwise.recon.grid import Float
from canalwise.recon.labels import Side
from canalwise.recon.level.resampled_level import ResampledLevel
from canalwise.recon.severity_bands import SCALES, SeverityScale

AT_PEDICLE, AT_DISC, SAC_AT_DISC = "canal at pedicle", "canal at disc", "dural sac at disc"
"""Slice types of canal and sac; never compared with each other (docs/published-values.md#conflicts)."""


@dataclass(frozen=True, eq=False)
class MeasurementContext:
    """What a level's measurements are taken from.

    Parameters
    ----------
    view : the level resampled into its frame
    landmarks_mm : name -> (3,) level mm
    canal_source, sac_source, flavum_source : how each was obtained ('measured', 'given', 'modelled', 'automatic')
    """

    view: ResampledLevel
    landmarks_mm: Mapping[str, Float]
    joints: Mapping[Side, Joint]
    windows: Mapping[Side, Window]
    canal_source: str = "automatic"
    sac_source: str = "modelled"
    flavum_source: str = "modelled"

    def height_mm(self, landmark: str) -> float | None:
        """Level z of a landmark; None when it is not there."""
        point = self.landmarks_mm.get(landmark)
        return None if point is None else float(point[2])


def banded(
    name: str,
    value: float | None,
    unit: str,
    structure: str,
    at: str,
    *,
    scale: SeverityScale | str | None = None,
    source: str = "",
) -> tuple[Measurement, ...]:
    """One measurement with its band, or none when there is no value.

    `scale` is a scale or a key of SCALES; the measurement's `source` tells how the structure was obtained and, after a
    semicolon, where the band's limits come from.

    >>> banded("area", 90.0, "mm2", "dural sac", SAC_AT_DISC, scale="dural sac area")[0].band
    'central stenosis'
    """
    if value is None:
        return ()
    found = SCALES[scale] if isinstance(scale, str) else scale
    band = found.band(value) if found else ""
    origin = "; ".join(part for part in (source, f"bands: {found.source}" if found else "") if part)
    return (Measurement(name, float(value), unit, structure, at, band, origin),)
