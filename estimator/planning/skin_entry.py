"""Skin entry of a plan, relative to landmarks found by palpation and under an image intensifier."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canalwise.estimator.approach.approach import Approach, PlacedPhase
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.image.skin import skin_point_mm


@dataclass(frozen=True)
class SkinEntry:
    """`lateral_mm`: from the mid-sagittal plane toward the side of the approach; `cranial_mm`: cranial
    (+) or caudal (-) of the caudal edge of the upper lamina on that side; `depth_mm`: skin to docking depth;
    `at`: 'skin', or 'pivot' when no skin is in view."""

    lateral_mm: float
    cranial_mm: float
    depth_mm: float
    at: str


def skin_entry_of(anatomy: Anatomy, approach: Approach, phase: PlacedPhase, shows_air: bool | None = None) -> SkinEntry:
    """The entry of the first phase's axis through the skin.

    `shows_air` : does the map tell where the skin is? Worked out where left out.
    """
    level = anatomy.level(approach.level)
    docked = phase.pivot_ras_mm + approach.pivot_distance_mm * phase.axis_ras
    skin = skin_point_mm(anatomy.labels, anatomy.grid, docked, -phase.axis_ras, shows_air=shows_air)
    entry = phase.pivot_ras_mm if skin is None else skin
    x, _, z = level.frame.to_level_mm(entry)
    landmark = level.landmarks_ras_mm.get(f"upper_lamina_caudal_edge_{approach.side}")
    reference_z = 0.0 if landmark is None else float(level.frame.to_level_mm(landmark)[2])
    toward_side = x if approach.side == "left" else -x
    depth = float(np.linalg.norm(entry - docked))
    return SkinEntry(float(toward_side), float(z - reference_z), depth, "pivot" if skin is None else "skin")
