"""What the channel must not touch: the dural sac less its allowed retraction, and labelled roots."""

from __future__ import annotations

from dataclasses import dataclass

import edt
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from estimator.kernels import least_field_along
from recon.anatomy import Anatomy
from recon.errors import AnatomyNotFound
from recon.grid import Float, Grid
from recon.labels import Mask, Tissue

FIELD_SPACING_MM = 0.4
"""Finest spacing of the distance field; half of this is the worst error of its zero."""

FIELD_MARGIN_MM = 8.0
"""How far round the sac the field reaches; beyond it sight counts as clear."""


@dataclass(frozen=True, eq=False)
class KeepOut:
    """A distance field about what must be kept out of, and how near the tool's axis may come.

    Parameters
    ----------
    grid : of the field
    distance_mm : (nx, ny, nz) array, unsigned distance to the retracted sac and roots, 0 within
    berth_mm : clearance plus tool radius
    """

    grid: Grid
    distance_mm: npt.NDArray[np.float32]
    berth_mm: float

    def sight_mm(
        self, pivot_mm: Float, points_mm: Float, *, short_of_mm: float = 0.0, give_up_mm: float = -2.0
    ) -> Float:
        """By how much each straight line pivot -> point clears the berth, mm; negative = blocked.

        Parameters
        ----------
        pivot_mm, points_mm : (3,) and (N, 3) arrays of RAS mm
        short_of_mm : the line ends this far before the point
        give_up_mm : lines blocked by more than this are not measured further
        """
        way = points_mm - pivot_mm
        length = np.linalg.norm(way, axis=1)
        share = np.maximum(length - short_of_mm, 0.0) / np.maximum(length, 1e-9)
        ends = self.grid.index_of(pivot_mm + way * share[:, None])
        least = least_field_along(
            self.distance_mm, self.grid.index_of(pivot_mm), ends, length * share, self.berth_mm + give_up_mm
        )
        return np.asarray(least) - self.berth_mm


def signed_distance_mm(mask: Mask, spacing_mm: npt.ArrayLike) -> npt.NDArray[np.float32]:
    """(same shape) array: distance to the mask's border, negative inside, mm.

    The border runs half a voxel outside the outermost voxel centres; a light smoothing
    takes the voxel steps off.
    """
    spacing = [float(s) for s in np.asarray(spacing_mm)]
    half = float(np.mean(spacing)) / 2
    outside = edt.edt(~mask, anisotropy=spacing, parallel=1)
    inside = edt.edt(mask, anisotropy=spacing, parallel=1)
    signed = np.where(mask, half - inside, outside - half).astype(np.float32)
    return np.asarray(ndimage.gaussian_filter(signed, 0.7), dtype=np.float32)


def keep_out_of(anatomy: Anatomy, centre_ras_mm: Float, rules_mm: tuple[float, float, float]) -> KeepOut:
    """The keep-out about one level.

    Parameters
    ----------
    centre_ras_mm : (3,) array; only what lies within 45 mm of it is looked at
    rules_mm : (retraction, clearance, tool radius)

    Raises
    ------
    AnatomyNotFound : no sac in the label map near the level
    """
    retraction_mm, clearance_mm, tool_radius_mm = rules_mm
    corner = np.full(3, 45.0)
    near = anatomy.grid.box_around(np.array([centre_ras_mm - corner, centre_ras_mm + corner]))
    labels = anatomy.labels[near]
    if not (labels == Tissue.SAC).any():
        raise AnatomyNotFound(
            "dural sac",
            "must be labelled or modelled at the level",
            do="Build the case again with --mr or a label map.",
        )
    found = np.argwhere((labels == Tissue.SAC) | (labels == Tissue.ROOT))
    pad = np.ceil(FIELD_MARGIN_MM / anatomy.grid.spacing_mm).astype(int)
    low, high = found.min(axis=0) - pad, found.max(axis=0) + pad + 1
    padded, grid = _window(labels, anatomy.grid.cropped(near), low, high)
    sac = signed_distance_mm(padded == Tissue.SAC, grid.spacing_mm)
    fine, fine_grid = _refined(sac, grid)
    blocked = fine < -retraction_mm
    if (padded == Tissue.ROOT).any():
        blocked |= _refined(signed_distance_mm(padded == Tissue.ROOT, grid.spacing_mm), grid)[0] < 0
    distance = edt.edt(~blocked, anisotropy=[float(s) for s in fine_grid.spacing_mm], parallel=1)
    # The signed field is finer than a voxel count but ignores corners that the retraction has
    # rounded off; the voxel distance knows them but only to a voxel. Neither exceeds the truth.
    distance = np.maximum(distance - float(fine_grid.spacing_mm.max()), fine + retraction_mm)
    return KeepOut(fine_grid, np.maximum(distance, 0.0).astype(np.float32), clearance_mm + tool_radius_mm)


def _window(
    labels: npt.NDArray[np.uint16], grid: Grid, low: npt.NDArray[np.int_], high: npt.NDArray[np.int_]
) -> tuple[npt.NDArray[np.uint16], Grid]:
    """labels[low:high] and its grid; what hangs over the array is filled with zeros."""
    before = np.maximum(-low, 0)
    after = np.maximum(high - labels.shape, 0)
    inner = tuple(slice(int(max(a, 0)), int(b)) for a, b in zip(low, high, strict=True))
    padded = np.pad(labels[inner], list(zip(before, after, strict=True)))
    affine = grid.affine_ras_mm.copy()
    affine[:3, 3] = grid.world_mm(low)
    i, j, k = padded.shape
    return padded, Grid((i, j, k), affine)


def _refined(field: npt.NDArray[np.float32], grid: Grid) -> tuple[npt.NDArray[np.float32], Grid]:
    """The field interpolated so that no spacing exceeds FIELD_SPACING_MM."""
    steps = np.maximum(np.ceil(grid.spacing_mm / FIELD_SPACING_MM - 1e-6), 1).astype(int)
    shape = (np.array(field.shape) - 1) * steps + 1
    fine = ndimage.zoom(field, shape / np.array(field.shape), order=1, grid_mode=False)
    affine = grid.affine_ras_mm.copy()
    affine[:3, :3] /= steps
    i, j, k = fine.shape
    return fine.astype(np.float32), Grid((i, j, k), affine)
