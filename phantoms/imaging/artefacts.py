"""Image artefacts: patchy marrow is the patient's, streaks of metal and padding are theirs."""

from __future__ import annotations

import warnings

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from skimage.transform import iradon, radon

from canalwise.recon.grid import Grid

Image = npt.NDArray[np.float32]

PATCH_MM = 2.2
"""Correlation length of marrow density (sigma of its filter; choice)."""

STREAK_ANGLES = 120
"""Projections of the streak model over half a turn."""

METAL_LEAST_MM2 = 2.0
"""Less metal than this in a slice leaves no streaks."""

HARDENING_HU_PER_MM = 80.0
"""By how much a ray through metal is read too low, per mm of metal squared (tuned so that the bands between two
titanium screws reach some hundred HU; choice)."""

STARVED_MM, STARVED_HU_MM = 9.0, 260.0
"""A ray's noise grows e-fold per this much metal, from this much (choice)."""


def patches(grid: Grid, deviation_hu: float, seed: int) -> Image:
    """(grid shape) array: marrow density about its mean, of a given standard deviation, smooth over PATCH_MM.

    >>> grid = Grid((30, 30, 30), np.diag([1.0, 1, 1, 1]))
    >>> float(patches(grid, 40.0, 1).std().round(3))
    40.0
    """
    noise = np.random.default_rng([seed, 1]).standard_normal(grid.shape, dtype=np.float32)
    smooth = ndimage.gaussian_filter(noise, PATCH_MM / grid.spacing_mm, mode="wrap")
    return np.asarray(smooth * np.float32(deviation_hu / max(float(smooth.std()), 1e-9)), dtype=np.float32)


def streaks_hu(metal: Image, grid: Grid, seed: int) -> Image:
    """(nx, ny, nz) array: HU that metal adds and takes away in its slices (across the third axis).

    Parameters
    ----------
    metal : (nx, ny, nz) array, share of metal

    Each slice's metal is projected; what a polychromatic, photon-starved ray reads too low grows with the square of
    its path through metal, and its noise exponentially; the errors are projected back with a ramp filter. Pixels are
    taken as square.
    """
    found = np.zeros(metal.shape, dtype=np.float32)
    pixel_mm = float(grid.spacing_mm[:2].mean())
    for k in range(metal.shape[2]):
        if float(metal[:, :, k].sum()) * pixel_mm**2 >= METAL_LEAST_MM2:
            found[:, :, k] = _slice_streaks(metal[:, :, k], pixel_mm, np.random.default_rng([seed, 2, k]))
    return found


def _slice_streaks(metal: Image, pixel_mm: float, rng: np.random.Generator) -> Image:
    angles = np.linspace(0.0, 180.0, STREAK_ANGLES, endpoint=False)
    size = int(np.ceil(np.hypot(*metal.shape))) + 2
    low = [(size - n) // 2 for n in metal.shape]
    square = np.zeros((size, size))
    inner = tuple(slice(a, a + n) for a, n in zip(low, metal.shape, strict=True))
    square[inner] = metal
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # the square is padded, so nothing lies outside its circle
        path_mm = radon(square, angles, circle=True) * pixel_mm
    noise = STARVED_HU_MM * np.expm1(path_mm / STARVED_MM) * rng.standard_normal(path_mm.shape)
    error_hu_mm = noise - HARDENING_HU_PER_MM * path_mm**2
    back = iradon(error_hu_mm / pixel_mm, angles, filter_name="hann", circle=True)
    return np.asarray(back[inner], dtype=np.float32)


def outside_circle(grid: Grid, radius_mm: float) -> npt.NDArray[np.bool_]:
    """(nx, ny, 1) array: columns farther than a radius from the middle of the first two axes.

    >>> outside_circle(Grid((5, 5, 1), np.eye(4)), 2.0)[:, 2, 0].tolist()
    [False, False, False, False, False]
    """
    i, j = ((np.arange(n) - (n - 1) / 2) * s for n, s in zip(grid.shape[:2], grid.spacing_mm[:2], strict=True))
    far: npt.NDArray[np.bool_] = np.hypot(i[:, None], j[None, :]) > radius_mm
    return far[:, :, None]
