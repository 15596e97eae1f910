"""The section the dural sac would have if nothing pressed on it, at every station of a level.

1. At each vertebra the sac is looked at along the pedicle, between the ligaments of two levels, where it is widest.
2. There its section in the axial plane is a radius over the angle about its centroid, from the areas of narrow
   sectors (so that the whole keeps its area), smoothed to a few harmonics: ellipse, trefoil and what lies between.
3. Centroid and squared radius are interpolated between the two vertebrae, so that the area runs straight from the one
   to the other. Where only one is in view, its section is used throughout.
4. Where neither is, an ellipse of published area is placed about the sac that is there.
"""

from __future__ import annotations

import numpy as np

from canalwise.estimator.decompression.room import SECTORS, SacSection
from canalwise.estimator.decompression.stations import PEDICLE_REACH_MM
from canalwise.recon.anatomy import Level
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES

HARMONICS = 4
"""Harmonics of the squared radius that are kept (choice): four tell a trefoil from an ellipse."""

SLAB_MM = 2.0
"""Thickness of the slab in which a section is read: thick slices hold at least one layer."""

WIDER_THAN_DEEP = 1.3
"""Width over depth of the ellipse that stands for a sac not in view (from memory)."""

FEWEST_VOXELS = 20
"""A slab with fewer voxels of sac has no section."""


def sac_section(level: Level, sac_mm: Float, voxel: tuple[float, float], published_mm2: float) -> SacSection:
    """The unpressed section of a level.

    Parameters
    ----------
    sac_mm : (N, 3) array, level frame, every voxel of sac near the level; not empty
    voxel : its volume, mm3, and half its extent along the level's axis, mm
    published_mm2 : area used where no pedicle is in view
    """
    bands = [band for band in (_band(level, "lower"), _band(level, "upper")) if band is not None]
    known = [found for found in (_widest(sac_mm, voxel, band) for band in bands) if found is not None]
    if not known:
        return _published(sac_mm, published_mm2)
    heights, centres, squared = zip(*sorted(known, key=lambda found: found[0]), strict=True)
    return SacSection(np.array(heights), np.array(centres), np.array(squared), "own")


def _band(level: Level, place: str) -> tuple[float, float] | None:
    """Level z of the pedicle of one vertebra, from its known edge over its height; None where no edge is in view."""
    name = "lower_pedicle_upper_edge" if place == "lower" else "upper_pedicle_lower_edge"
    marks = [level.landmarks_ras_mm.get(f"{name}_{side}") for side in SIDES]
    found = [float(level.frame.to_level_mm(mark)[2]) for mark in marks if mark is not None]
    if not found:
        return None
    edge = float(np.mean(found))
    return (edge - 1.5 * PEDICLE_REACH_MM, edge) if place == "lower" else (edge - 2.0, edge + 1.5 * PEDICLE_REACH_MM)


def _widest(sac_mm: Float, voxel: tuple[float, float], band: tuple[float, float]) -> tuple[float, Float, Float] | None:
    """(level z, centroid, squared radii) of the slab of a band that holds most sac."""
    voxel_mm3, half_mm = voxel
    heights = np.arange(band[0] + SLAB_MM / 2, band[1] - SLAB_MM / 2 + 1e-6, 0.5)
    shares = [_share_in_slab(sac_mm[:, 2], half_mm, z) for z in heights]
    held = [float(share.sum()) for share in shares]
    if not held or max(held) < FEWEST_VOXELS:
        return None
    best = int(np.argmax(held))
    share = shares[best]
    centre = np.average(sac_mm[:, :2], axis=0, weights=share)
    offset = sac_mm[:, :2] - centre
    # a voxel counts for the two sectors whose middles it lies between: one on a border falls to neither alone
    place = np.mod(np.arctan2(offset[:, 1], offset[:, 0]), 2 * np.pi) / (2 * np.pi) * SECTORS - 0.5
    first = np.floor(place).astype(int)
    held_by = (
        np.bincount(sector % SECTORS, weights=share * part, minlength=SECTORS)
        for sector, part in ((first, 1 + first - place), (first + 1, place - first))
    )
    area = np.asarray(sum(held_by), dtype=np.float64) * (voxel_mm3 / SLAB_MM)
    return float(heights[best]), centre, _smoothed(2 * area / (2 * np.pi / SECTORS))


def _share_in_slab(z_mm: Float, half_mm: float, middle_mm: float) -> Float:
    """(N,) array: how much of each voxel's height lies in a slab; counting centres would be off by whole layers."""
    low, high = middle_mm - SLAB_MM / 2, middle_mm + SLAB_MM / 2
    overlap = np.minimum(z_mm + half_mm, high) - np.maximum(z_mm - half_mm, low)
    return np.asarray(np.clip(overlap / (2 * half_mm), 0.0, 1.0))


def _smoothed(squared: Float) -> Float:
    """Squared radii with their first harmonics only; their mean, hence the area, stays."""
    spectrum = np.fft.rfft(squared)
    spectrum[HARMONICS + 1 :] = 0
    smooth = np.fft.irfft(spectrum, SECTORS)
    return np.asarray(np.maximum(smooth, 0.1 * squared.mean()))


def _published(sac_mm: Float, area_mm2: float) -> SacSection:
    """An ellipse of the published area about the sac in the disc's mid-plane, its ventral border kept."""
    slab = sac_mm[np.abs(sac_mm[:, 2]) <= SLAB_MM]
    slab = slab if len(slab) else sac_mm
    deep = np.sqrt(area_mm2 / np.pi / WIDER_THAN_DEEP)
    wide = deep * WIDER_THAN_DEEP
    centre = np.array([slab[:, 0].mean(), slab[:, 1].min() + deep])
    angle = (np.arange(SECTORS) + 0.5) / SECTORS * 2 * np.pi
    squared = 1.0 / ((np.cos(angle) / wide) ** 2 + (np.sin(angle) / deep) ** 2)
    squared *= area_mm2 / np.pi / squared.mean()
    return SacSection(np.zeros(1), centre[None], squared[None], "published")
