"""Vertebral bodies and discs from a scan: basins between the bright sheets of end plates and cortex.

Old bodies are as dark as discs and noisy; what separates them is the thin bright sheet between. A watershed
flooded from the middle of each body, each disc, the canal and the tissue around meets at the crests of these sheets.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import SimpleITK as sitk  # noqa: N813
from scipy import ndimage

from canalwise.recon.grid import Grid
from canalwise.recon.labels import Mask
from canalwise.recon.spine.axial_profile import SpineProfile
from canalwise.recon.spine.canal_coordinates import SpineField

CORE_HALF_WIDTH_MM, CORE_BACK_MM, CORE_FRONT_MM = 11.0, -5.0, -22.0
"""Middle of every lumbar body and disc: half its width, and depths from the posterior wall."""

PLATE_CLEAR_MM = 3.5
"""A body's middle keeps this far from the profile's end plates, as these are hollow and tilted."""

DISC_HALF_MM = 1.0
"""Half the height of a disc's marker."""

AROUND_SIDE_MM, AROUND_FRONT_MM = 34.0, -50.0
"""Beyond these no body reaches: half of the widest, 50 mm, and the deepest, 36 mm, with a margin."""

SHEET_MM = 1.6
"""Bright voxels this near a body's basin are its cortex: from the crest to the outer edge, blur included."""

BLUR_MM = 0.7
"""Blur of the landscape that is flooded."""

AROUND, CANAL, DISC = 200, 201, 100
"""Marker numbers; bodies are 1, 2, .. and discs DISC + 1, DISC + 2, .."""


def bodies(
    field: SpineField, value_hu: npt.NDArray[np.generic], wall: Mask, profile: SpineProfile
) -> npt.NDArray[np.uint8]:
    """(nx, ny, nz) array: 1.. body of the n-th vertebra from the caudal end, cortex included; 0 elsewhere."""
    markers = _markers(field, profile)
    basins = flooded(ndimage.gaussian_filter(value_hu.astype(np.float32), BLUR_MM / field.grid.spacing_mm), markers)
    grown = _with_cortex(np.where(basins < DISC, basins, 0).astype(np.uint8), wall & (field.back_mm <= 2.0), field.grid)
    return grown


def flooded(landscape: npt.NDArray[np.float32], markers: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """Watershed of a landscape from markers (0 = not marked): every voxel gets the marker that floods it first.

    Parameters
    ----------
    landscape, markers : (nx, ny, nz) arrays; the lowest is flooded first

    Returns
    -------
    marker : (nx, ny, nz) array

    >>> crest = np.array([[[0, 1, 9, 1, 0]]], np.float32)
    >>> flooded(crest, np.array([[[1, 0, 0, 0, 2]]], np.uint8))[0, 0, [0, 1, 3, 4]].tolist()
    [1, 1, 2, 2]
    """
    image, seeds = sitk.GetImageFromArray(landscape), sitk.GetImageFromArray(markers)
    return np.asarray(sitk.GetArrayFromImage(sitk.MorphologicalWatershedFromMarkers(image, seeds, False, False)))


def _markers(field: SpineField, profile: SpineProfile) -> npt.NDArray[np.uint8]:
    markers = np.zeros(field.grid.shape, dtype=np.uint8)
    around = (field.back_mm < AROUND_FRONT_MM) | (np.abs(field.left_mm) > AROUND_SIDE_MM) | (field.back_mm > 3.0)
    markers[around] = AROUND
    markers[(field.back_mm > 1.5) & (field.beside_mm < -1.0)] = CANAL
    depth = field.back_mm
    core = (np.abs(field.left_mm) <= CORE_HALF_WIDTH_MM) & (depth <= CORE_BACK_MM) & (depth >= CORE_FRONT_MM)
    for n in range(profile.count):
        low, high = profile.body_span_mm(n)
        inside = (field.along_mm >= low + PLATE_CLEAR_MM) & (field.along_mm <= high - PLATE_CLEAR_MM)
        markers[core & inside] = n + 1
    for n, (low, high) in enumerate(profile.discs_mm):
        markers[core & (np.abs(field.along_mm - (low + high) / 2) <= DISC_HALF_MM)] = DISC + 1 + n
    return markers


def _with_cortex(basins: npt.NDArray[np.uint8], wall: Mask, grid: Grid) -> npt.NDArray[np.uint8]:
    """Basins joined by the wall voxels within SHEET_MM of them, each to the nearest."""
    near, index = ndimage.distance_transform_edt(basins == 0, grid.spacing_mm, return_indices=True)
    cortex = (basins == 0) & wall & (near <= SHEET_MM + 0.5 * float(grid.spacing_mm.max()))
    grown = basins.copy()
    grown[cortex] = basins[tuple(i[cortex] for i in index)]
    return grown


def discs(field: SpineField, vertebrae: npt.NDArray[np.uint8], profile: SpineProfile) -> npt.NDArray[np.uint8]:
    """(nx, ny, nz) array: n where the disc above the n-th vertebra lies, between both bodies along the canal."""
    found = np.zeros(vertebrae.shape, dtype=np.uint8)
    # Columns along the canal, wider than a voxel: 128 across, 128 deep, those far off gathered at the border.
    edge = 1.5 * float(field.grid.spacing_mm.max())
    across = np.clip(np.floor(field.left_mm / edge).astype(int) + 64, 0, 127)
    column = across * 128 + np.clip(np.floor(field.back_mm / edge).astype(int) + 80, 0, 127)
    for n, (low, high) in enumerate(profile.discs_mm, start=1):
        near = (field.along_mm >= low - 8.0) & (field.along_mm <= high + 8.0) & (field.back_mm <= 1.0)
        floor = _column_extreme(column, field.along_mm, near & (vertebrae == n), np.maximum, -np.inf)
        roof = _column_extreme(column, field.along_mm, near & (vertebrae == n + 1), np.minimum, np.inf)
        both = np.isfinite(floor) & np.isfinite(roof)
        where = near & (vertebrae == 0)
        at = column[where]
        between = both[at] & (field.along_mm[where] > floor[at]) & (field.along_mm[where] < roof[at])
        found[where] = np.where(between, n, found[where])
    return found


def _column_extreme(
    column: npt.NDArray[np.intp], along_mm: npt.NDArray[np.float32], where: Mask, pick: np.ufunc, start: float
) -> npt.NDArray[np.float32]:
    extreme = np.full(128 * 128, start, dtype=np.float32)
    pick.at(extreme, column[where], along_mm[where])
    return extreme
