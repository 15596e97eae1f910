"""Voxels as a file holds them, before they become a `Scan`: whole numbers, axis order, right angles."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.recon.errors import BadFile, BadGeometry
from canalwise.recon.grid import ORTHOGONAL_TOL, Float
from canalwise.recon.image.nifti_library import orientations
from canalwise.recon.modality import ModalityName

Voxels = npt.NDArray[Any]

BUDGET_MB = 2500.0
"""Default memory budget for the voxels: about 600 million of them, four times a 512 x 512 x 600 series."""

BYTES_PER_VOXEL = 4
"""What reading holds for each voxel: the stored number and its int16 copy in patient order."""

STRIP = 32
"""Rows of a plane copied at a time."""

FARTHEST_MM = 1e5
"""No scanner places a voxel further from its origin than 100 m; a place beyond it is a damaged number (choice)."""

EDGES_MM = (1e-3, 100.0)
"""No voxel of a patient's scan has a shorter or longer edge (choice)."""

LEAST_VOLUME_FRAC = 1e-3
"""Three axes that span less than this share of a right-angled box lie in one plane."""

MOST_TILT_DEG = 35.0
"""Gantries tilt by up to 30 deg (common practice, no source); a stack that leans further is no tilted one."""

INT16 = np.iinfo(np.int16)


@dataclass(frozen=True, eq=False)
class Volume:
    """Voxels and where they lie, not yet judged fit for a plan.

    Parameters
    ----------
    voxels : (nx, ny, nz) array
    affine_ras_mm : (4, 4) array, voxel index -> RAS mm of its centre; may be sheared
    modality : what the file claims, None when it cannot say
    provenance : what may be stated of the source, without identity
    warnings : sentences for people
    """

    voxels: Voxels
    affine_ras_mm: Float
    modality: ModalityName | None = None
    provenance: dict[str, str] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()

    @property
    def spacing_mm(self) -> Float:
        """(3,) array, lengths of the three index steps.

        >>> Volume(np.zeros((1, 1, 1), np.int16), np.diag([0.5, 0.5, 3.0, 1.0])).spacing_mm.tolist()
        [0.5, 0.5, 3.0]
        """
        return np.linalg.norm(self.affine_ras_mm[:3, :3], axis=0)


def check_budget(shape: tuple[int, ...], budget_mb: float) -> None:
    """Refuse a volume too large for the stated memory before any voxel is read; raises BadFile.

    >>> check_budget((512, 512, 400), 2500)
    """
    needed_mb = float(np.prod([float(n) for n in shape])) * BYTES_PER_VOXEL / 1e6
    if needed_mb > budget_mb:
        raise BadFile(
            "the scan",
            f"must fit the memory budget of {budget_mb:g} MB",
            got=f"{shape}: {needed_mb:.0f} MB",
            do="Crop it to the lumbar spine, or raise the budget.",
        )


def volume_shape(shape: tuple[int, ...]) -> tuple[int, int, int]:
    """The three counts of a shape; trailing single frames are dropped, anything else is refused.

    >>> volume_shape((64, 64, 20, 1))
    (64, 64, 20)
    """
    if len(shape) < 3 or min(shape) < 1 or any(n != 1 for n in shape[3:]):
        raise BadGeometry(
            "the scan",
            "must be one volume of three axes",
            got=shape,
            do="Export a single volume: one phase, one echo, one channel.",
        )
    return int(shape[0]), int(shape[1]), int(shape[2])


def rescaled(stored: Voxels, slope: float, intercept: float) -> Voxels:
    """(same shape) array of ``slope * stored + intercept``: int16 where that is exact, else float32.

    >>> rescaled(np.array([0, 1024], dtype=np.uint16), 1.0, -1024.0)
    array([-1024,     0], dtype=int16)
    """
    if stored.dtype == np.int16 and (slope, intercept) == (1.0, 0.0):
        return stored
    ends = np.array([stored.min(), stored.max()], dtype=float) * slope + intercept
    whole = float(slope).is_integer() and float(intercept).is_integer() and _all_whole(stored)
    if not whole or not (np.isfinite(ends).all() and ends.min() >= INT16.min and ends.max() <= INT16.max):
        return (stored * np.float32(slope) + np.float32(intercept)).astype(np.float32)
    if stored.dtype.kind == "f":
        return (stored * slope + intercept).astype(np.int16)
    # Arithmetic modulo 2**16 is exact here, because the result itself fits.
    factor, shift = (np.array([slope, intercept]).astype(np.int64) & 0xFFFF).astype(np.uint16).view(np.int16)
    return stored.astype(np.int16) * factor + shift


def _all_whole(stored: Voxels) -> bool:
    if stored.dtype.kind != "f":
        return True
    return bool(np.isfinite(stored).all()) and bool((np.rint(stored) == stored).all())


def canonical(volume: Volume) -> Volume:
    """The same voxels with array axes permuted and flipped to run nearest to R+, A+, S+; lossless.

    >>> flipped = Volume(np.arange(8).reshape(2, 2, 2), np.diag([-1.0, 1.0, 1.0, 1.0]))
    >>> canonical(flipped).voxels[:, 0, 0].tolist(), canonical(flipped).affine_ras_mm[0].tolist()
    ([4, 0], [1.0, 0.0, 0.0, -1.0])
    """
    _check_placed(volume.affine_ras_mm)
    axes = orientations.io_orientation(volume.affine_ras_mm)
    voxels = row_major(orientations.apply_orientation(volume.voxels, axes))
    affine = volume.affine_ras_mm @ orientations.inv_ornt_aff(axes, volume.voxels.shape)
    stored_axes = "".join(str(code) for code in orientations.aff2axcodes(volume.affine_ras_mm))
    return replace(
        volume, voxels=voxels, affine_ras_mm=affine + 0.0, provenance={**volume.provenance, "stored_axes": stored_axes}
    )


def row_major(voxels: Voxels) -> Voxels:
    """(same shape) array, a copy with its last axis contiguous, whatever the order of the memory before.

    >>> row_major(np.zeros((2, 3, 4), order="F")).strides
    (96, 32, 8)
    """
    # Strips of a plane stay in the processor's cache: ten times faster than one copy of a whole transposed scan.
    out = np.empty(voxels.shape, voxels.dtype)
    for i in range(0, voxels.shape[0], STRIP):
        for j in range(voxels.shape[1]):
            out[i : i + STRIP, j] = voxels[i : i + STRIP, j]
    return out


def _check_placed(affine_ras_mm: Float) -> None:
    affine = np.asarray(affine_ras_mm, dtype=float)
    if not np.isfinite(affine).all() or np.abs(affine).max() > FARTHEST_MM:
        raise BadGeometry(
            "the scan",
            f"must have voxel edges and a place within {FARTHEST_MM / 1000:g} m",
            got=affine.tolist(),
            do="Export it again; its placement is damaged.",
        )
    edges = np.linalg.norm(affine[:3, :3], axis=0)
    if not (edges.min() >= EDGES_MM[0] and edges.max() <= EDGES_MM[1]):
        raise BadGeometry(
            "the scan",
            f"must have voxel edges from {EDGES_MM[0]:g} to {EDGES_MM[1]:g} mm",
            got=edges.tolist(),
            do="Export it again, lengths in mm.",
        )
    if abs(np.linalg.det(affine[:3, :3] / edges)) < LEAST_VOLUME_FRAC:
        raise BadGeometry(
            "the scan",
            "must have three axes that point three ways",
            got=affine.tolist(),
            do="Export it again; its orientation is damaged.",
        )


def tilt_deg(affine_ras_mm: Float) -> float:
    """Angle between the third axis and the normal of the first two: the tilt of a gantry.

    >>> sheared = np.eye(4); sheared[1, 2] = 1.0
    >>> round(tilt_deg(sheared), 6)
    45.0
    """
    along = affine_ras_mm[:3, :3] / np.linalg.norm(affine_ras_mm[:3, :3], axis=0)
    normal = np.cross(along[:, 0], along[:, 1])
    sine = float(np.linalg.norm(np.cross(along[:, 2], normal / np.linalg.norm(normal))))
    return float(np.degrees(np.arcsin(min(sine, 1.0))))


def right_angled(volume: Volume, *, accept_tilt: bool, background: float, budget_mb: float = BUDGET_MB) -> Volume:
    """The volume as it is when its stack is upright; refused or, on request, resampled when it leans.

    Each slice keeps its plane and is moved within it by linear interpolation, so nothing
    blurs across slices; the grid is widened to hold every slice and padded with `background`.

    Raises
    ------
    BadGeometry : it leans and that is not accepted, or by more than MOST_TILT_DEG
    BadFile : the widened grid is over the budget

    >>> leaning = Volume(np.ones((2, 2, 3)), np.array([[1.0, 0, 0.5, 0], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]]))
    >>> right_angled(leaning, accept_tilt=True, background=0.0).voxels[:, 0, :].tolist()
    [[1.0, 0.0, 0.0], [1.0, 1.0, 1.0], [0.0, 0.5, 1.0]]
    """
    _check_placed(volume.affine_ras_mm)
    lean_deg = tilt_deg(volume.affine_ras_mm)
    if np.sin(np.radians(lean_deg)) <= ORTHOGONAL_TOL:
        return volume
    if lean_deg > MOST_TILT_DEG:
        raise BadGeometry(
            "the slices",
            f"must lean by at most {MOST_TILT_DEG:g} deg",
            got=f"{lean_deg:.1f} deg",
            do="No gantry tilts so far: export the original series again.",
        )
    if not accept_tilt:
        raise BadGeometry(
            "the slices",
            "must be stacked at right angles to their planes",
            got=f"a stack that leans by {lean_deg:.1f} deg (gantry tilt)",
            do="Scan or export without tilt, or accept the tilt to have it resampled.",
        )
    return _sheared_back(volume, background, budget_mb)


def _sheared_back(volume: Volume, background: float, budget_mb: float) -> Volume:
    steps, affine = volume.affine_ras_mm[:3, :3], volume.affine_ras_mm.copy()
    normal = np.cross(steps[:, 0], steps[:, 1])
    normal /= np.linalg.norm(normal)
    across_mm = float(steps[:, 2] @ normal)
    # Drift per slice, in voxels of the two in-plane axes.
    drift = np.linalg.lstsq(steps[:, :2], steps[:, 2] - across_mm * normal, rcond=None)[0]
    offsets = np.arange(volume.voxels.shape[2])[:, None] * drift
    low = np.floor(offsets.min(axis=0) + 1e-9).astype(int)
    extra = np.ceil(offsets.max(axis=0) - 1e-9).astype(int) - low
    columns, rows, count = (int(n) for n in volume.voxels.shape)
    check_budget((columns + int(extra[0]), rows + int(extra[1]), count), budget_mb)
    # Low is negative where slices drift backwards: the grid starts that much earlier.
    affine[:3, 2] = across_mm * normal
    affine[:3, 3] += steps[:, :2] @ low
    slices = [_moved(volume.voxels[:, :, k], offsets[k] - low, extra, background) for k in range(len(offsets))]
    warning = f"The gantry leant by {tilt_deg(volume.affine_ras_mm):.1f} deg; its slices were moved back in plane."
    return replace(
        volume,
        voxels=np.stack(slices, axis=2),
        affine_ras_mm=affine,
        warnings=(*volume.warnings, warning),
        provenance={**volume.provenance, "resampling": "gantry tilt undone, linear in plane"},
    )


def _moved(plane: Voxels, offset: Float, extra: npt.NDArray[np.int_], background: float) -> Voxels:
    padded = np.pad(plane, [(0, int(n)) for n in extra], constant_values=background)
    moved = ndimage.shift(padded.astype(np.float32), offset, order=1, mode="constant", cval=background)
    return np.rint(moved).astype(plane.dtype) if plane.dtype.kind in "iu" else moved.astype(plane.dtype)
