"""A straight round canal whose sac is pressed by half a ring of ligament, under a flat roof of bone: all by formula."""

from __future__ import annotations

import numpy as np

from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.recon.anatomy import Anatomy, Frame, Level
from canalwise.recon.grid import Grid
from canalwise.recon.labels import Part, Tissue, label_of
from tests.estimator.toys import LEVEL_AXES, oblique_grid

FREE_MM, PRESSED_MM, CANAL_MM = 7.0, 5.0, 9.0
"""Radii of the sac where it is free and where it is pressed, and of the canal."""

HALF_MM = 8.0
"""The ligament reaches this far cranial and caudal of the disc."""

ROOF_MM = (10.0, 14.0)
"""The roof lies between these heights dorsal of the canal's axis."""


def toy_labels(grid: Grid, frame: Frame, *, ligament: bool = True, sac: bool = True) -> np.ndarray:
    """The label map."""
    x, y, z = np.moveaxis(frame.to_level_mm(grid.voxel_centres_mm()), -1, 0)
    rho, inside = np.hypot(x, y), np.abs(z) <= HALF_MM
    labels = np.full(grid.shape, int(Tissue.SOFT), dtype=np.uint16)
    labels[rho < CANAL_MM] = Tissue.CANAL
    if sac:
        labels[rho < np.where(inside, PRESSED_MM, FREE_MM)] = Tissue.SAC
    if ligament:
        labels[inside & (y > 0) & (rho >= PRESSED_MM) & (rho < CANAL_MM)] = Tissue.FLAVUM
    roof = (y >= ROOF_MM[0]) & (y <= ROOF_MM[1])
    for upper, vertebra in ((True, "L3"), (False, "L4")):
        for left, part in ((True, Part.LAMINA_LEFT), (False, Part.LAMINA_RIGHT)):
            labels[roof & ((z >= 0) == upper) & ((x >= 0) == left)] = label_of(vertebra, part)
        labels[(y < -CANAL_MM - 1) & ((z >= 0) == upper) & (np.abs(z) > 4)] = label_of(vertebra, Part.BODY)
    return labels


def toy_level(
    spacing_mm: float = 0.5, turn_deg: tuple[float, float, float] = (0, 0, 0), **parts: bool
) -> PreparedLevel:
    """The canal on a grid that may be turned against it."""
    count = round(60 / spacing_mm)
    grid = oblique_grid((count, count, count), (spacing_mm,) * 3, turn_deg)
    frame = Frame(np.zeros(3), LEVEL_AXES)
    marks = {f"{name}_{side}": frame.to_world_mm(np.array([sign * 12.0, 0.0, z]))
             for side, sign in (("left", 1), ("right", -1))
             for name, z in (("lower_pedicle_upper_edge", -6.0), ("upper_pedicle_lower_edge", 9.0),
                             ("lower_pedicle_medial", -12.0), ("upper_pedicle_medial", 14.0))}  # fmt: skip
    marks |= {f"lower_pedicle_medial_{side}": frame.to_world_mm(np.array([sign * CANAL_MM, 0.0, -12.0]))
              for side, sign in (("left", 1), ("right", -1))}  # fmt: skip
    labels = toy_labels(grid, frame, **parts)
    bone = ((labels >= 100) & (labels % 100 != Part.DISC)).astype(np.float32)
    level = Level("L3-L4", "L3", "L4", frame, {}, {}, {}, marks)
    return PreparedLevel(Anatomy(grid, labels, bone, (level,), {"sac": "given"}), level)


def half_ring_mm2() -> float:
    """Ligament inside the free sac's section: half a ring."""
    return float(np.pi * (FREE_MM**2 - PRESSED_MM**2) / 2)
