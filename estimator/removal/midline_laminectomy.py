"""Region of a midline laminectomy: the reference for one-sided accesses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canalwise.estimator.geometry.region_protocol import SignedRegion
from canalwise.estimator.level.compression import canal_extent_mm
from canalwise.estimator.level.target_points import all_points_mm
from canalwise.recon.anatomy import Anatomy, Frame, Level
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES

LAMINECTOMY_CAUDAL_MM, LAMINECTOMY_CRANIAL_MM = 5.0, 5.0
"""A midline laminectomy reaches this far past both lamina edges and all targets (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class BoxRegion(SignedRegion):
    """A right-angled block in the level frame, (low, high) corners in mm."""

    frame: Frame
    low_mm: Float
    high_mm: Float

    def depth_mm(self, points_mm: Float) -> Float:
        """(N,) array of signed depths of (N, 3) RAS points.

        >>> block = BoxRegion(Frame(np.zeros(3), np.eye(3)), np.array([-2.0, 0, -5]), np.array([2.0, 9, 5]))
        >>> block.depth_mm(np.array([[0.0, 1, 0], [4.0, 1, 0]])).tolist()
        [-1.0, 2.0]
        """
        local = self.frame.to_level_mm(points_mm)
        return np.asarray(np.maximum(self.low_mm - local, local - self.high_mm).max(axis=-1))


def laminectomy(anatomy: Anatomy, level: Level) -> BoxRegion:
    """The block a midline laminectomy takes: the canal's roof as wide as the pedicles stand, past edges and targets."""
    half_width, _, _ = canal_extent_mm(anatomy, level)
    heights = _lamina_edges_mm(level) + [
        float(z) for targets in level.targets.values() for z in level.frame.to_level_mm(all_points_mm(targets))[:, 2]
    ]
    if not heights:
        raise AnatomyNotFound(f"lamina edges of {level.name}", "must be in view to lay out a laminectomy")
    low = np.array([-half_width, 0.0, min(heights) - LAMINECTOMY_CAUDAL_MM])
    return BoxRegion(level.frame, low, np.array([half_width, 100.0, max(heights) + LAMINECTOMY_CRANIAL_MM]))


def _lamina_edges_mm(level: Level) -> list[float]:
    """Cranial level coordinate of every lamina edge of the window that is in view."""
    names = [f"{n}_{side}" for n in ("upper_lamina_caudal_edge", "lower_lamina_cranial_edge") for side in SIDES]
    marks = level.landmarks_ras_mm
    return [float(level.frame.to_level_mm(marks[name])[2]) for name in names if name in marks]
