"""The vertebral body and the disc: kidney-shaped sections with a waist."""

from __future__ import annotations

import numpy as np

from phantoms.curve import plate_z_mm
from phantoms.shapes import smooth_max
from phantoms.tube import floor_y_mm
from phantoms.vertebra import VertebraSize
from recon.grid import Float

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
    section = section_mm(x, y, half_width, depth, floor_y_mm(x) + BEHIND_FLOOR_MM)
    hollow = PLATE_HOLLOW_MM * np.exp(-((x / (size.width_upper_mm / 3)) ** 2) - ((y / size.depth_mm + 0.5) / 0.3) ** 2)
    plates = np.abs(z) - plate_z_mm(size, y, True) + hollow
    return smooth_max(section, plates, RIM_MM)


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
