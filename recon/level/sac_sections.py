"""Sections across the dural sac along a level, at right angles to the sac itself.

An axial plane of the level cuts a sac that leans obliquely and overstates its area by one over the cosine; and the
narrowest place need not lie at the disc.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import compress

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.recon.grid import Float
from canalwise.recon.labels import Tissue, canal_mask
from canalwise.recon.level.resampled_level import Float32, ResampledLevel, antialiased

STATION_MM = 1.0
"""Distance of the sections along the level."""

SMOOTH_MM = 4.0
"""Deviation of the blur of the sac's middle line along it: its direction is that of a centimetre, not of a voxel."""

MEAN_OVER_MM = 1.0
"""Deviation of the blur of the areas along the sac: the least of many noisy sections lies below the least true one."""

HALF_MM, PIXEL_MM = 20.0, 0.5
"""Half the edge of a section, wider than any sac, and its pixels."""

LEAST_MM2 = 5.0
"""Layers of a level with less are no sac (choice)."""

LEAST_CANAL_MM2 = 30.0
"""Where the sac is interrupted and a canal of this size goes on, it is pressed shut; with less of a canal the labels
have a gap (choice)."""


@dataclass(frozen=True, eq=False)
class SacSections:
    """Sections of the sac: (N,) heights and areas, (N, 3) middles and unit normals, all in the level frame."""

    heights_mm: Float
    areas_mm2: Float
    middles_mm: Float
    normals: Float

    @property
    def narrowest(self) -> int:
        """The section with the least area.

        >>> SacSections(np.array([0.0, 1.0]), np.array([90.0, 70.0]), np.zeros((2, 3)), np.zeros((2, 3))).narrowest
        1
        """
        return int(self.areas_mm2.argmin())


def sac_sections(view: ResampledLevel, low_mm: float, high_mm: float) -> SacSections | None:
    """The sections between two heights of a level, as far as sac is seen above and below; None without any.

    Where the sac is pressed shut sections of (nearly) no area stand between those of what is seen of it.
    """
    sac = view.labels == Tissue.SAC
    z = view.low_mm[2] + np.arange(sac.shape[2]) * view.step_mm
    seen = sac.sum(axis=(0, 1)) * view.step_mm**2 >= LEAST_MM2
    layers = np.flatnonzero((z >= low_mm - HALF_MM) & (z <= high_mm + HALF_MM) & seen)
    if len(layers) < 2:
        return None
    line = _line_mm(view, layers)
    heights = np.arange(max(low_mm, line[0, 2]), min(high_mm, line[-1, 2]) + 1e-6, STATION_MM)
    if not len(heights):
        return None
    middles = np.column_stack([np.interp(heights, line[:, 2], line[:, axis]) for axis in range(3)])
    slope = np.gradient(line[:, :2], line[:, 2], axis=0)
    normals = np.column_stack(
        [*(np.interp(heights, line[:, 2], slope[:, axis]) for axis in (0, 1)), np.ones(len(heights))]
    )
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    share, room = antialiased(sac), antialiased(canal_mask(view.labels))
    sections = list(zip(middles, normals, strict=True))
    areas = np.array([_area_mm2(view, share, m, n) for m, n in sections])
    shut = areas < LEAST_MM2
    shut[shut] = [_area_mm2(view, room, *section) >= LEAST_CANAL_MM2 for section in compress(sections, shut)]
    whole = np.array([_in_view(view, m, n) for m, n in sections]) & ((areas >= LEAST_MM2) | shut)
    if not whole.any():
        return None
    smooth = ndimage.gaussian_filter1d(areas[whole], MEAN_OVER_MM / STATION_MM, mode="nearest")
    return SacSections(heights[whole], smooth, middles[whole], normals[whole])


def narrowest_mm2(view: ResampledLevel, low_mm: float, high_mm: float) -> float | None:
    """The least area of the sac between two heights; None where it is not in view."""
    found = sac_sections(view, low_mm, high_mm)
    return None if found is None else float(found.areas_mm2.min())


def _line_mm(view: ResampledLevel, layers: npt.NDArray[np.intp]) -> Float:
    """(N, 3) smooth middle line of the sac through some layers."""
    sac = view.labels[:, :, layers] == Tissue.SAC
    count = sac.sum(axis=(0, 1))
    x, y = (view.low_mm[axis] + np.arange(sac.shape[axis]) * view.step_mm for axis in (0, 1))
    middle = np.column_stack([x @ sac.sum(axis=1) / count, y @ sac.sum(axis=0) / count])
    smooth = ndimage.gaussian_filter1d(middle, SMOOTH_MM / view.step_mm, axis=0, mode="nearest")
    return np.column_stack([smooth, view.low_mm[2] + layers * view.step_mm])


def plane_directions(normal: Float) -> Float:
    """(2, 3) array: unit left and dorsal directions of the plane across a normal near to cranial.

    >>> plane_directions(np.array([0.0, 0.0, 1.0])).tolist()
    [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]
    """
    left = np.array([1.0, 0.0, 0.0]) - normal * normal[0]
    left /= np.linalg.norm(left)
    return np.stack([left, np.cross(normal, left)])


def _plane_mm(middle: Float, normal: Float, half_mm: float = HALF_MM, step_mm: float = PIXEL_MM) -> Float:
    """(n, n, 3) level points of a section."""
    left, dorsal = plane_directions(normal)
    at = np.arange(-half_mm, half_mm + step_mm / 2, step_mm)
    return np.asarray(middle + at[:, None, None] * left + at[None, :, None] * dorsal)


def _area_mm2(view: ResampledLevel, share: Float32, middle: Float, normal: Float) -> float:
    """Area of the sac's section: its shares summed, so that borders count within a pixel."""
    return float(view.at(share, _plane_mm(middle, normal)).sum() * PIXEL_MM**2)


def _in_view(view: ResampledLevel, middle: Float, normal: Float) -> bool:
    """Does the scan hold the plane about the sac, so that no part of it is cut off?"""
    rim = _plane_mm(middle, normal, 12.0, 12.0)
    return bool(view.grid.contains(view.frame.to_world_mm(rim)).all())
