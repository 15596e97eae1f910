"""The planes of an image series, and how values on a case's grid are placed on them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from pydicom.dataset import Dataset

from canalwise.recon.errors import BadGeometry
from canalwise.recon.grid import Float, Grid

RAS_TO_LPS = np.array([-1.0, -1.0, 1.0])

ON_VOXEL_TOL = 0.02
"""A case cut from a series has its voxel centres on that series's pixel centres within this share of a voxel."""

SLICE_AXES = {
    0: ((1, -1), (2, -1), (0, 1)),
    1: ((0, -1), (2, -1), (1, 1)),
    2: ((0, -1), (1, -1), (2, 1)),
}
"""Axis across the slices -> axis and direction of columns, rows and slices: columns run toward the patient's left or
back, rows toward the back or feet, as slices are shown."""


@dataclass(frozen=True, eq=False)
class FrameStack:
    """The planes of one image series.

    Parameters
    ----------
    grid : axes are column, row and slice
    headers : for each slice the image's header without pixels and without identity
    """

    grid: Grid
    headers: tuple[Dataset, ...]

    def placed_on_frames(self, values: npt.NDArray[Any], own: Grid) -> npt.NDArray[Any]:
        """(slices, rows, columns) array of values on a grid cut from the planes, 0 beyond it.

        Raises BadGeometry where the grid's voxels do not lie on the planes' pixels.
        """
        return placed_on_planes(values, own, self.grid)


def placed_on_planes(values: npt.NDArray[Any], own: Grid, planes: Grid) -> npt.NDArray[Any]:
    """(slices, rows, columns) array of values on `own`, on the grid of planes that holds it.

    >>> own = Grid((1, 2, 3), np.diag([1.0, 2.0, 3.0, 1.0]))
    >>> placed_on_planes(np.arange(6).reshape(1, 2, 3), own, slice_grid(own)).tolist()
    [[[3], [0]], [[4], [1]], [[5], [2]]]
    """
    turn, start = _turn(own, planes)
    axes = np.abs(turn).argmax(axis=1)
    permuted = values.transpose(axes)
    first = np.minimum(start, start + turn @ (np.array(own.shape) - 1))
    flips = tuple(slice(None, None, int(turn[k, axes[k]])) for k in range(3))
    out = np.zeros(planes.shape, dtype=values.dtype)
    out[tuple(slice(int(a), int(a) + n) for a, n in zip(first, permuted.shape, strict=True))] = permuted[flips]
    return np.ascontiguousarray(out.transpose(2, 1, 0))


def _turn(own: Grid, planes: Grid) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """(3, 3) array of 0 and +-1 and (3,) array: index on `own` -> index on `planes`."""
    step = np.linalg.inv(planes.affine_ras_mm[:3, :3]) @ own.affine_ras_mm[:3, :3]
    start = planes.index_of(own.affine_ras_mm[:3, 3])
    turn, whole = np.rint(step).astype(int), np.rint(start).astype(int)
    last = np.array(own.shape) - 1
    off = np.abs(step - turn).max(axis=0) @ last + np.abs(start - whole).max()
    ends = np.stack([whole, whole + turn @ last])
    inside = (ends >= 0).all() and (ends < planes.shape).all()
    if off > ON_VOXEL_TOL or not inside or (np.abs(turn).sum(axis=0) != 1).any():
        raise BadGeometry(
            "the case",
            "must lie voxel for voxel on the series",
            got=f"{off:.2f} voxels off it" if inside else "a part beyond it",
            do="Give the series that the case was built from; a resampled (tilted) one cannot be referred to.",
        )
    return turn, whole


def slice_grid(grid: Grid) -> Grid:
    """A case's grid as planes: slices across its coarsest axis, axial where all are alike.

    >>> slice_grid(Grid((2, 3, 4), np.diag([3.0, 1.0, 1.0, 1.0]))).shape
    (3, 4, 2)
    """
    spacing = np.round(grid.spacing_mm, 3)
    axis = 2 if spacing[2] >= spacing.max() else int(spacing.argmax())
    affine = np.eye(4)
    corner = np.zeros(3)
    for place, (which, direction) in enumerate(SLICE_AXES[axis]):
        affine[:3, place] = direction * grid.affine_ras_mm[:3, which]
        corner[which] = 0 if direction > 0 else grid.shape[which] - 1
    affine[:3, 3] = grid.world_mm(corner)
    columns, rows, slices = (grid.shape[which] for which, _ in SLICE_AXES[axis])
    return Grid((columns, rows, slices), affine)


def add_plane(made: Dataset, grid: Grid, number: int) -> None:
    """Adds where plane `number` lies: position, orientation, pixel spacing (PS3.3 C.7.6.2)."""
    made.ImagePositionPatient = decimals(grid.world_mm([0, 0, number]) * RAS_TO_LPS)
    made.ImageOrientationPatient = decimals(directions_lps(grid))
    # between rows first, then between columns
    made.PixelSpacing = decimals(grid.spacing_mm[[1, 0]])
    made.SliceThickness = decimals(grid.spacing_mm[[2]])[0]


def directions_lps(grid: Grid) -> Float:
    """(6,) array: unit directions along a row and down a column, LPS.

    >>> directions_lps(Grid((2, 2, 2), np.eye(4))).tolist()
    [-1.0, -0.0, 0.0, -0.0, -1.0, 0.0]
    """
    axes = grid.affine_ras_mm[:3, :2] / grid.spacing_mm[:2] * RAS_TO_LPS[:, None]
    return np.asarray(axes.T.reshape(6))


def decimals(values: npt.ArrayLike) -> list[str]:
    """Numbers as DS values of at most 16 characters (PS3.5 6.2).

    >>> decimals([1 / 3, -0.0, 1e-12, -123.4567890123456])
    ['0.3333333333', '0.0', '0.0', '-123.4567890123']
    """
    numbers = (float(value) for value in np.atleast_1d(np.asarray(values)))
    # sign, point and whole part leave room for the rest
    return [repr(round(value, min(10, 13 - len(str(int(abs(value)))) + 1)) + 0.0)[:16] for value in numbers]
