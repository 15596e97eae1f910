"""Tool lines as values: from which pivot to which tip, what they take of the set and what of the bone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from canalwise.recon.grid import Float


@dataclass(frozen=True, eq=False)
class ToolLines:
    """Lines that can be gone, L of them.

    Parameters
    ----------
    pivots_mm, tips_mm : (P, 3) and (T, 3) arrays, level frame
    pivot, tip : (L,) arrays, indices into these
    blocking_structures : (p, t) array, why each pair of the first pivots and tips, those of the lattice, cannot be
        gone: 0 it can, 1 window, 2 length, 3 sac, 4 protected bone, 5 bone beside sleeve or scope
    """

    pivots_mm: Float
    tips_mm: Float
    pivot: npt.NDArray[np.int32]
    tip: npt.NDArray[np.int32]
    blocking_structures: npt.NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class SetCells:
    """The set in C cells.

    Parameters
    ----------
    centres_mm : (C, 3) array, centroids of the tissue in each cell, level frame
    mm3 : (C,) array
    zone : (C,) array, the zone it lies in
    of_voxel : (N,) array, cell of each of the set's voxels
    edge_mm : of a cell
    first : (3,) array, the least index of any cell; index times edge is its centre, level frame
    columns : (nx, ny, 2) array; of the cells with an index (x, y) beyond the first, which lie side by side from caudal
        to cranial, the first and the one after the last
    """

    centres_mm: Float
    mm3: Float
    zone: npt.NDArray[np.uint8]
    of_voxel: npt.NDArray[np.intp]
    edge_mm: float
    first: npt.NDArray[np.int64]
    columns: npt.NDArray[np.int32]


@dataclass(frozen=True, eq=False)
class Tips:
    """Where a tip may stand, T of them, and what it takes from there.

    Parameters
    ----------
    places_mm : (T, 3) array, level frame
    starts : (T + 1,) array; tip t takes the cells takes[starts[t]:starts[t + 1]]
    takes : (K,) array, cells
    """

    places_mm: Float
    starts: npt.NDArray[np.int64]
    takes: npt.NDArray[np.int32]


@dataclass(frozen=True, eq=False)
class Tunnels:
    """What L lines take of the cells' bone.

    Parameters
    ----------
    price : (C,) array, weighted mm3 of the cells that any line takes
    starts : (L + 1,) array; line l takes of the cells cells[starts[l]:starts[l + 1]]
    cells, share : (K,) arrays
    """

    price: npt.NDArray[np.float32]
    starts: npt.NDArray[np.int64]
    cells: npt.NDArray[np.int32]
    share: npt.NDArray[np.float32]
