"""The scanner model: point spread, noise and reconstruction circle applied to noiseless images."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.phantoms.imaging.artefacts import outside_circle
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Grid
from canalwise.recon.labels import Labels, Tissue

NOISE_GRAIN_MM = 0.7
"""Correlation length of CT noise (sigma of its filter; typical of a soft-to-bone kernel; choice)."""


FWHM_PER_SIGMA = 2.0 * np.sqrt(2.0 * np.log(2.0))


@dataclass(frozen=True, eq=False)
class PhantomScan:
    """What a scanner would give of a phantom, with its truth.

    Parameters
    ----------
    ct_hu : (nx, ny, nz) int16 array
    mr : (nx, ny, nz) int16 array, T2-like, arbitrary units
    labels : (nx, ny, nz) uint16 array of `recon.labels`, by voxel centre
    grid : of all three
    """

    ct_hu: npt.NDArray[np.int16]
    mr: npt.NDArray[np.int16]
    labels: Labels
    grid: Grid


@dataclass(frozen=True)
class Scanner:
    """How a scan is taken.

    Parameters
    ----------
    seed : of the noise
    noise_hu : standard deviation of CT noise
    point_spread_fwhm_mm : of the CT, isotropic
    mr_noise : standard deviation of MR noise in either channel
    streaks : do metal implants leave streaks in the CT?
    circle_mm : radius of the reconstruction about the middle of the slices; None fills them
    padding_hu : what is written outside it
    """

    seed: int = 0
    noise_hu: float = 20.0
    point_spread_fwhm_mm: float = 0.7
    mr_noise: float = 15.0
    streaks: bool = False
    circle_mm: float | None = None
    padding_hu: int = -1024

    def __post_init__(self) -> None:
        if min(self.noise_hu, self.point_spread_fwhm_mm, self.mr_noise) < 0:
            raise WrongUse("scanner", "must have non-negative noise and point spread", got=self)


def finished_scan(
    ct_hu: npt.NDArray[np.float32], mr: npt.NDArray[np.float32], labels: Labels, grid: Grid, scanner: Scanner
) -> PhantomScan:
    """A scan from noiseless, unblurred images: point spread, noise, whole numbers."""
    rng = np.random.default_rng(scanner.seed)
    sigma = scanner.point_spread_fwhm_mm / FWHM_PER_SIGMA / grid.spacing_mm
    ct = ndimage.gaussian_filter(ct_hu, sigma, mode="nearest")
    ct += _grain(grid, rng, scanner.noise_hu)
    real = ndimage.gaussian_filter(mr, sigma, mode="nearest") + _grain(grid, rng, scanner.mr_noise, 0.0)
    magnitude = np.hypot(real, _grain(grid, rng, scanner.mr_noise, 0.0))
    hu = np.clip(np.rint(ct), -1024, 3071).astype(np.int16)
    if scanner.circle_mm is not None:
        cut = np.broadcast_to(outside_circle(grid, scanner.circle_mm), grid.shape)
        hu[cut], labels = scanner.padding_hu, np.where(cut, np.uint16(Tissue.OUTSIDE), labels)
    return PhantomScan(hu, np.rint(magnitude).astype(np.int16), labels, grid)


def _grain(
    grid: Grid, rng: np.random.Generator, deviation: float, grain_mm: float = NOISE_GRAIN_MM
) -> npt.NDArray[np.float32]:
    """Gaussian noise of a given deviation, correlated over `grain_mm`."""
    noise = rng.standard_normal(grid.shape, dtype=np.float32)
    if grain_mm:
        noise = ndimage.gaussian_filter(noise, grain_mm / grid.spacing_mm, mode="wrap")
        noise /= max(float(noise.std()), 1e-9)
    return noise * np.float32(deviation)
