"""The vertebral body and the disc: kidney-shaped sections with a waist."""

from __future__ import annotations

import numpy as np

from canalwise.phantoms.solid.canal_section import floor_y_mm
from canalwise.phantoms.solid.dimensions import VertebraSize
from canalwise.phantoms.solid.signed_distance import smooth_max, smooth_step
from canalwise.phantoms.solid.spine_curve import plate_z_mm
from canalwise.recon.grid import Float

SECTION_POWER = 2.5
"""Exponent of the section's superellipse (2 = ellipse; choice)."""

DORSAL_STRETCH = 1.24
"""The dorsal half-axis over the ventral one: gives the flat back of the kidney shape (choice)."""

WAIST_FRAC = 0.09
"""By how much the section narrows at mid-height (choice)."""

RIM_MM = 2.0

BEHIND_FLOOR_MM = 0.6
"""The body reaches this far behind the canal's floor, and the canal cuts it: no slit is left between them."""

PLATE_HOLLOW_MM = 0.8

SPUR_BASE_MM = 4.0
"""Osteophytes fade out this far from the end plate along the body's wall (choice)."""

SPUR_LIP_FRAC = 0.25
"""By how much of its height a spur also rises beyond the end plate (choice)."""

SPUR_EVEN_FRAC, SPURS_ROUND, SPUR_PHASE = 0.4, 1.5, 0.7
"""Share of a spur that runs all round; the rest swells and ebbs this often in a half turn, from this phase (choice)."""


def section_mm(
    x_mm: Float, y_mm: Float, half_width_mm: Float | float, depth_mm: Float | float, back_mm: Float | float
) -> Float:
    """(N,) array: signed distance bound to a kidney-shaped section whose dorsal wall lies at y = back."""
    half_depth = np.asarray(depth_mm) / 2
    y = y_mm + half_depth
    half_axis = np.where(y > 0, half_depth * DORSAL_STRETCH, half_depth)
    scaled = (np.abs(x_mm / half_width_mm) ** SECTION_POWER + np.abs(y / half_axis) ** SECTION_POWER) ** (
        1 / SECTION_POWER
    )
    return smooth_max((scaled - 1.0) * 0.85 * half_depth, y_mm - back_mm, 3.0)


def body_mm(size: VertebraSize, local_mm: Float) -> Float:
    """(N,) array: signed distance bound to a vertebral body in the vertebra's frame."""
    x, y, z = local_mm.T
    up = np.clip(z / size.height_mm + 0.5, 0.0, 1.0)
    waist = 1.0 - WAIST_FRAC * (1.0 - (2 * up - 1) ** 2)
    half_width = waist * (size.width_lower_mm + up * (size.width_upper_mm - size.width_lower_mm)) / 2
    depth = waist * (size.depth_lower_mm + up * (size.depth_upper_mm - size.depth_lower_mm))
    spur = spur_mm(size, local_mm)
    section = section_mm(x, y, half_width, depth, floor_y_mm(x) + BEHIND_FLOOR_MM) - spur
    hollow = PLATE_HOLLOW_MM * np.exp(-((x / (size.width_upper_mm / 3)) ** 2) - ((y / size.depth_mm + 0.5) / 0.3) ** 2)
    plates = np.abs(z) - plate_z_mm(size, y, True) + hollow - SPUR_LIP_FRAC * spur
    return smooth_max(section, plates, RIM_MM)


def spur_mm(size: VertebraSize, local_mm: Float) -> Float:
    """(N,) array: how far osteophytes stand out of the section, most at the rims of the end plates.

    They swell and ebb round the rim and fade out dorsally, where the canal is.

    >>> from canalwise.phantoms.spec import SpineSpec
    >>> from canalwise.phantoms.solid.dimensions import vertebra_size
    >>> spur_mm(vertebra_size(SpineSpec(), "L3"), np.zeros((2, 3))).tolist()
    [0.0, 0.0]
    """
    if not size.spur_upper_mm and not size.spur_lower_mm:
        return np.zeros(len(local_mm))
    x, y, z = local_mm.T
    to_rim = np.abs(z) - plate_z_mm(size, y, True)
    around = np.arctan2(y + size.depth_mm / 2, x)
    swell = SPUR_EVEN_FRAC + (1.0 - SPUR_EVEN_FRAC) * np.cos(SPURS_ROUND * around + SPUR_PHASE) ** 2
    height = np.where(z > 0, size.spur_upper_mm, size.spur_lower_mm)
    found: Float = (
        height * swell * np.exp(-((np.minimum(to_rim, 0.0) / SPUR_BASE_MM) ** 2)) * smooth_step(-y, 2.0, 10.0)
    )
    return found


def disc_mm(upper: VertebraSize, lower: VertebraSize, height_mm: float, bulge_mm: float, disc_local_mm: Float) -> Float:
    """(N,) array: signed distance bound to the column a disc fills between its end plates, in the disc's frame.

    It runs a few mm into both bodies, which take precedence; its dorsal border reaches
    past the bulge, and the canal takes precedence there.
    """
    x, y, z = disc_local_mm.T
    width = (upper.width_lower_mm + lower.width_upper_mm) / 4 + 0.5
    depth = (upper.depth_lower_mm + lower.depth_upper_mm) / 2 + 1.0
    section = section_mm(x, y, width, depth, bulge_mm + 1.5)
    found: Float = np.maximum(section, np.abs(z) - (height_mm / 2 + 5.0))
    return found
