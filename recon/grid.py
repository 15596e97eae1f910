"""The voxel grid without the voxels: a shape and where it lies in the patient.

One world frame inside: patient RAS+ millimetres, voxel *centres* at integer
indices (the NIfTI-1 convention). Array axis 0 runs nearest to patient right->left
or left->right, axis 1 to posterior-anterior, axis 2 to inferior-superior only after
`Grid.canonical_axes`; nothing here assumes it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from canalwise.recon.errors import BadGeometry

Float = npt.NDArray[np.float64]
Index3 = tuple[int, int, int]
Box = tuple[slice, slice, slice]

ORTHOGONAL_TOL = 1e-3
"""Largest cosine between two grid axes that still counts as a right angle (0.06 deg)."""

SAME_GRID_TOL_MM = 1e-2
"""Two grids whose corners all agree within this are the same grid."""


@dataclass(frozen=True, eq=False)
class Grid:
    """A regular, right-angled voxel grid placed in patient space.

    Parameters
    ----------
    shape : three voxel counts, each >= 1
    affine_ras_mm : (4, 4) array, voxel index (i, j, k, 1) -> RAS mm of its centre

    Raises
    ------
    BadGeometry : not finite, singular, sheared, or a shape that is not three positive counts

    >>> grid = Grid((4, 4, 4), np.diag([0.5, 0.5, 2.0, 1.0]))
    >>> grid.spacing_mm.tolist(), grid.voxel_mm3
    ([0.5, 0.5, 2.0], 0.5)
    """

    shape: Index3
    affine_ras_mm: Float

    def __repr__(self) -> str:
        voxels, edges = (" x ".join(f"{n:.3g}" for n in each) for each in (self.shape, self.spacing_mm))
        return f"<Grid {voxels} voxels of {edges} mm>"

    def __post_init__(self) -> None:
        shape = tuple(int(n) for n in self.shape)
        if len(shape) != 3 or min(shape) < 1:
            raise BadGeometry("'shape'", "must be three positive voxel counts", got=self.shape)
        affine = np.array(self.affine_ras_mm, dtype=float)
        if affine.shape != (4, 4) or not np.isfinite(affine).all() or not np.allclose(affine[3], (0, 0, 0, 1)):
            raise BadGeometry("'affine_ras_mm'", "must be a finite 4x4 matrix ending in 0 0 0 1", got=affine.tolist())
        spacing = np.linalg.norm(affine[:3, :3], axis=0)
        if spacing.min() <= 0:
            raise BadGeometry("'affine_ras_mm'", "must have three axes of positive length", got=spacing.tolist())
        axes = affine[:3, :3] / spacing
        skew = float(np.abs(axes.T @ axes - np.eye(3)).max())
        if skew > ORTHOGONAL_TOL:
            raise BadGeometry(
                "'affine_ras_mm'",
                f"must have right-angled axes (cosine <= {ORTHOGONAL_TOL})",
                got=skew,
                do="Resample the scan to a right-angled grid first.",
            )
        affine.setflags(write=False)
        object.__setattr__(self, "shape", shape)
        object.__setattr__(self, "affine_ras_mm", affine)

    @property
    def spacing_mm(self) -> Float:
        """(3,) array of voxel edge lengths along the array axes, mm.

        >>> Grid((2, 2, 2), np.diag([-0.5, 0.6, 2.0, 1.0])).spacing_mm.tolist()
        [0.5, 0.6, 2.0]
        """
        return np.linalg.norm(self.affine_ras_mm[:3, :3], axis=0)

    @property
    def voxel_mm3(self) -> float:
        """Volume of one voxel.

        >>> Grid((2, 2, 2), np.diag([0.5, 0.5, 3.0, 1.0])).voxel_mm3
        0.75
        """
        return float(np.prod(self.spacing_mm))

    def world_mm(self, index: npt.ArrayLike) -> Float:
        """(..., 3) array of RAS mm for a (..., 3) array of (fractional) voxel indices.

        >>> Grid((4, 4, 4), np.diag([0.5, 0.5, 2.0, 1.0])).world_mm([[1, 1, 1], [0, 0, 2.5]]).tolist()
        [[0.5, 0.5, 2.0], [0.0, 0.0, 5.0]]
        """
        return np.asarray(index, dtype=float) @ self.affine_ras_mm[:3, :3].T + self.affine_ras_mm[:3, 3]

    def index_of(self, world_mm: npt.ArrayLike) -> Float:
        """(..., 3) array of fractional voxel indices for a (..., 3) array of RAS mm.

        >>> Grid((4, 4, 4), np.diag([0.5, 0.5, 2.0, 1.0])).index_of([0.25, 0.5, 5.0]).tolist()
        [0.5, 1.0, 2.5]
        """
        inverse = np.linalg.inv(self.affine_ras_mm)
        return np.asarray(world_mm, dtype=float) @ inverse[:3, :3].T + inverse[:3, 3]

    def voxel_centres_mm(self) -> Float:
        """(nx, ny, nz, 3) array of RAS mm; large, so for small grids only.

        >>> Grid((1, 1, 2), np.diag([0.5, 0.5, 2.0, 1.0])).voxel_centres_mm()[0, 0].tolist()
        [[0.0, 0.0, 0.0], [0.0, 0.0, 2.0]]
        """
        return self.world_mm(np.moveaxis(np.indices(self.shape), 0, -1))

    def isotropic(self, edge_mm: float) -> Grid:
        """The grid of cubic voxels over the same space with the same axes.

        >>> Grid((4, 4, 2), np.diag([0.5, 0.5, 2.0, 1.0])).isotropic(1.0).shape
        (2, 2, 4)
        """
        ratio = edge_mm / self.spacing_mm
        affine = self.affine_ras_mm.copy()
        affine[:3, :3] *= ratio
        affine[:3, 3] = self.world_mm((ratio - 1) / 2)
        i, j, k = (max(int(n), 1) for n in np.rint(np.array(self.shape) / ratio))
        return Grid((i, j, k), affine)

    def cropped(self, box: tuple[slice, slice, slice]) -> Grid:
        """The grid of `array[box]` (unit steps, non-negative starts).

        >>> inner = Grid((9, 9, 9), np.eye(4)).cropped((slice(2, 5), slice(None), slice(4, 6)))
        >>> inner.shape, inner.world_mm([0, 0, 0]).tolist()
        ((3, 9, 2), [2.0, 0.0, 4.0])
        """
        start = np.array([s.start or 0 for s in box])
        stop = np.array([n if s.stop is None else min(s.stop, n) for s, n in zip(box, self.shape, strict=True)])
        affine = self.affine_ras_mm.copy()
        affine[:3, 3] = self.world_mm(start)
        i, j, k = (int(n) for n in stop - start)
        return Grid((i, j, k), affine)

    def box_around(self, points_mm: npt.ArrayLike, margin_mm: float = 0.0) -> tuple[slice, slice, slice]:
        """The index box that holds the (N, 3) world points and a margin, clipped to the grid.

        >>> Grid((9, 9, 9), np.eye(4)).box_around([[3, 3, 3], [4, 3, 30]], margin_mm=1.0)
        (slice(2, 6, None), slice(2, 5, None), slice(2, 9, None))
        """
        index = self.index_of(points_mm).reshape(-1, 3)
        margin = margin_mm / self.spacing_mm
        low = np.clip(np.floor(index.min(axis=0) - margin), 0, np.array(self.shape) - 1).astype(int)
        high = np.clip(np.ceil(index.max(axis=0) + margin) + 1, low + 1, self.shape).astype(int)
        i, j, k = (slice(int(a), int(b)) for a, b in zip(low, high, strict=True))
        return i, j, k

    def contains(self, points_mm: npt.ArrayLike) -> npt.NDArray[np.bool_]:
        """(...,) array: does each world point lie within half a voxel of the grid?

        >>> Grid((4, 4, 4), np.eye(4)).contains([[3.4, 0, 0], [3.6, 0, 0]]).tolist()
        [True, False]
        """
        index = self.index_of(points_mm)
        return np.asarray(((index >= -0.5) & (index <= np.array(self.shape) - 0.5)).all(axis=-1))

    def same_as(self, other: Grid) -> bool:
        """Are both grids of one shape, with every corner within SAME_GRID_TOL_MM?

        >>> one, other = Grid((2, 2, 2), np.eye(4)), Grid((2, 2, 2), np.diag([1.0, 1.0, 1.001, 1.0]))
        >>> one.same_as(other), one.same_as(Grid((2, 2, 3), np.eye(4)))
        (True, False)
        """
        if self.shape != other.shape:
            return False
        corners = np.stack(np.meshgrid(*[(0, n - 1) for n in self.shape], indexing="ij"), axis=-1).reshape(-1, 3)
        return bool(np.abs(self.world_mm(corners) - other.world_mm(corners)).max() <= SAME_GRID_TOL_MM)


def box_of(mask: npt.NDArray[np.bool_], margin: npt.ArrayLike = 0) -> Box | None:
    """The index box that holds a mask and a margin in voxels, clipped to the array; None for an empty mask.

    >>> box_of(np.array([[[False, True, True, False]]]), 1)
    (slice(0, 1, None), slice(0, 1, None), slice(0, 4, None))
    """
    margins = np.broadcast_to(np.asarray(margin, dtype=int), 3)
    spans = []
    for axis, wide in enumerate(margins):
        index = np.flatnonzero(mask.any(axis=tuple(a for a in range(3) if a != axis)))
        if not len(index):
            return None
        spans.append(slice(max(int(index[0] - wide), 0), min(int(index[-1] + wide) + 1, mask.shape[axis])))
    return spans[0], spans[1], spans[2]


def isotropic_grid(low_mm: npt.ArrayLike, high_mm: npt.ArrayLike, spacing_mm: float) -> Grid:
    """The axis-aligned RAS grid with voxel centres from low to at least high.

    >>> isotropic_grid([0, 0, 0], [2, 2, 4], 1.0).shape
    (3, 3, 5)
    """
    low, high = np.asarray(low_mm, dtype=float), np.asarray(high_mm, dtype=float)
    affine = np.diag([spacing_mm] * 3 + [1.0])
    affine[:3, 3] = low
    i, j, k = (int(n) for n in np.ceil((high - low) / spacing_mm - 1e-9) + 1)
    return Grid((i, j, k), affine)


def triple(point_mm: Float) -> tuple[float, float, float]:
    """A (3,) array as three of Python's own numbers, as values and files hold a place.

    >>> triple(np.array([1.0, 2.0, 0.5]))
    (1.0, 2.0, 0.5)
    """
    x, y, z = (float(v) for v in point_mm)
    return x, y, z
