"""Stacks of one MR examination of a phantom: slices of any direction, thickness and gap, coil and noise.

The patient is painted once on fine isotropic voxels, and every stack is a reading of that: the mean over each slice's
profile, sampled on the stack's pixels, brightened toward the coil, with the noise of a magnitude image. The truth is
the label map on the fine voxels.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.phantoms.anatomy.intensities import Material, share_of
from canalwise.phantoms.anatomy.spine_model import Spine
from canalwise.phantoms.imaging.mr_signal import T2_WEIGHTED, SpinEcho, signal_table
from canalwise.phantoms.imaging.render import painted
from canalwise.phantoms.imaging.scanner import FWHM_PER_SIGMA
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Float, Grid
from canalwise.recon.labels import Labels, Mask

Image = npt.NDArray[np.float32]

ROOTLET_MM = (1.0, 1.0, 12.0)
"""Deviations of the field whose crests are the rootlets: thin across the sac, long along it (choice)."""

SETTLED_DENSITY_FRAC = 0.85
"""Share of the section that rootlets fill where they have settled (choice)."""


@dataclass(frozen=True, eq=False)
class MagneticPatient:
    """A phantom painted for MR.

    Parameters
    ----------
    labels : (nx, ny, nz) uint16 array, the truth
    signal : (nx, ny, nz) float32 array, without coil and noise
    grid : of both, isotropic
    """

    labels: Labels
    signal: Image
    grid: Grid


@dataclass(frozen=True)
class SliceStack:
    """How a stack is taken.

    Parameters
    ----------
    across : axis of the patient that its slices lie across: 0 sagittal, 1 coronal, 2 axial
    thickness_mm : full width at half maximum of the slice's profile
    apart_mm : distance of slices; more than the thickness leaves gaps
    pixel_mm : edge of the pixels
    turn_deg : of the stack about the left-right axis, so that axial slices lie along a disc
    """

    across: int
    thickness_mm: float = 4.0
    apart_mm: float = 4.0
    pixel_mm: float = 0.8
    turn_deg: float = 0.0

    def __post_init__(self) -> None:
        if self.across not in (0, 1, 2) or min(self.thickness_mm, self.apart_mm, self.pixel_mm) <= 0:
            raise WrongUse("a stack", "must lie across axis 0, 1 or 2 and have lengths over 0", got=self)


@dataclass(frozen=True)
class Coil:
    """What the receiver adds: noise in either channel, and by how much signal falls off away from the back.

    Parameters
    ----------
    noise : standard deviation of each channel, in the signal's unit
    fall_off_mm : depth over which brightness falls e-fold; None is even
    seed : of the noise
    """

    noise: float = 12.0
    fall_off_mm: float | None = 250.0
    seed: int = 0


def magnetic_patient(
    spine: Spine,
    grid: Grid,
    sequence: SpinEcho = T2_WEIGHTED,
    *,
    rootlets_frac: float = 0.3,
    settled_depth_frac: float = 0.0,
    seed: int = 0,
) -> MagneticPatient:
    """A phantom painted on a fine grid, its sac holding rootlets in a share of its section.

    `settled_depth_frac` : up to this share of the sac's depth, from the back, rootlets lie close together, as in a
    patient on the back whose sac is wide: the sedimentation sign (Barz et al., Spine 2010;35:892, from memory)
    """
    tables = np.stack([signal_table(sequence), share_of(Material.FLUID)])
    labels, (signal, fluid) = painted(spine, grid, tables)
    root = float(signal_table(sequence)[Material.ROOT])
    field = ndimage.gaussian_filter(
        np.random.default_rng([seed, 3]).standard_normal(grid.shape, dtype=np.float32), ROOTLET_MM / grid.spacing_mm
    )
    inside = fluid > 0.99
    for frac, where in (
        (rootlets_frac, inside),
        (SETTLED_DENSITY_FRAC, _back_part(inside, grid, settled_depth_frac)),
    ):
        if where.any() and frac > 0:
            crest = field >= np.quantile(field[inside], 1.0 - frac)
            signal = np.where(where & crest, np.float32(root), signal)
    return MagneticPatient(labels, np.asarray(signal, dtype=np.float32), grid)


def _back_part(sac: Mask, grid: Grid, depth_frac: float) -> Mask:
    """(same shape) array: the hindmost share of every layer of the sac's depth; the grid's axis 1 is front to back."""
    y = (np.arange(grid.shape[1]) * np.sign(grid.affine_ras_mm[1, 1]))[None, :, None]
    far = grid.shape[1]
    back, front = np.where(sac, y, far).min(axis=(0, 1)), np.where(sac, y, -far).max(axis=(0, 1))
    return np.asarray(sac & (y < back + depth_frac * (front - back)))


def stack_grid(grid: Grid, stack: SliceStack) -> Grid:
    """The grid of a stack over the middle of a patient's, its axes those of the patient but for the turn.

    >>> stack_grid(Grid((80, 80, 80), np.eye(4)), SliceStack(0)).shape
    (20, 100, 100)
    """
    step = np.full(3, stack.pixel_mm)
    step[stack.across] = stack.apart_mm
    size = np.array(grid.shape) * grid.spacing_mm
    i, j, k = (max(int(n), 1) for n in np.floor(size / step + 1e-6))
    cos, sin = np.cos(np.radians(stack.turn_deg)), np.sin(np.radians(stack.turn_deg))
    turn = np.array([[1.0, 0, 0], [0, cos, -sin], [0, sin, cos]])
    affine = np.eye(4)
    affine[:3, :3] = grid.affine_ras_mm[:3, :3] / grid.spacing_mm @ turn * step
    middle = grid.world_mm((np.array(grid.shape) - 1) / 2)
    affine[:3, 3] = middle - affine[:3, :3] @ ((np.array([i, j, k]) - 1) / 2)
    return Grid((i, j, k), affine)


def stack_of(patient: MagneticPatient, stack: SliceStack, coil: Coil = Coil()) -> tuple[npt.NDArray[np.int16], Grid]:
    """(voxels, grid) of one stack as a scanner writes it: magnitudes, whole numbers."""
    grid = stack_grid(patient.grid, stack)
    mean = _through_slices(_with_coil(patient, coil.fall_off_mm), patient.grid, grid, stack)
    rng = np.random.default_rng([coil.seed, stack.across])
    real, other = (coil.noise * rng.standard_normal(grid.shape, dtype=np.float32) for _ in range(2))
    # the magnitude of a complex signal with normal noise in both channels is Rician
    return np.rint(np.hypot(mean + real, other)).astype(np.int16), grid


def _with_coil(patient: MagneticPatient, fall_off_mm: float | None) -> Image:
    """The signal, brighter toward the back."""
    if fall_off_mm is None:
        return patient.signal
    y = patient.grid.world_mm(np.column_stack([np.zeros(n := patient.grid.shape[1]), np.arange(n), np.zeros(n)]))[:, 1]
    gain = np.exp(-(y - y.mean()) / fall_off_mm).astype(np.float32)
    return np.asarray(patient.signal * gain[None, :, None], dtype=np.float32)


def _through_slices(signal: Image, fine: Grid, grid: Grid, stack: SliceStack) -> Image:
    """Means over each slice's profile: several readings across it, weighed as a Gaussian of its thickness."""
    sigma = stack.thickness_mm / FWHM_PER_SIGMA
    offsets = np.linspace(-1.5, 1.5, 7) * sigma
    weights = np.exp(-0.5 * (offsets / sigma) ** 2)
    normal = grid.affine_ras_mm[:3, stack.across] / grid.spacing_mm[stack.across]
    pixels = _pixel_blurred(signal, fine, stack)
    total = np.zeros(grid.shape, dtype=np.float32)
    for offset, weight in zip(offsets, weights / weights.sum(), strict=True):
        to_index = np.linalg.inv(fine.affine_ras_mm)
        matrix = to_index[:3, :3] @ grid.affine_ras_mm[:3, :3]
        start = fine.index_of(grid.affine_ras_mm[:3, 3] + offset * normal)
        total += np.float32(weight) * ndimage.affine_transform(pixels, matrix, start, grid.shape, order=1)
    return total


def _pixel_blurred(signal: Image, fine: Grid, stack: SliceStack) -> Image:
    """The signal blurred to the stack's pixels, where these are longer than the fine voxels."""
    excess: Float = np.sqrt(np.maximum((stack.pixel_mm / fine.spacing_mm) ** 2 - 1.0, 0.0)) / FWHM_PER_SIGMA
    return np.asarray(ndimage.gaussian_filter(signal, excess), dtype=np.float32)
