"""Which line takes which cells of the set, and which bone it passes through: a covering problem as flat arrays."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from canalwise.estimator.resection.line_values import Tips, ToolLines, Tunnels

Numbers = Any
"""An array of any kind of number; the compiler makes a version for each."""

Index = npt.NDArray[np.int64]

Transposed = tuple[Index, npt.NDArray[np.int32], npt.NDArray[np.float32]]


class Cover(NamedTuple):
    """The whole question as flat arrays; a `by_` or `through` is (starts, rows, shares) of a transposed matrix.

    Parameters
    ----------
    tip : (L,) array, of each line
    tip_starts, takes : cells of the set that each tip takes
    by_cell : tips that take each cell of the set
    by_tip : lines to each tip
    starts, cells, share : bone cells each line runs through
    price : of each bone cell
    through : lines that run through each bone cell
    """

    tip: npt.NDArray[np.int32]
    tip_starts: Index
    takes: npt.NDArray[np.int32]
    by_cell: Transposed
    by_tip: Transposed
    starts: Index
    cells: npt.NDArray[np.int32]
    share: npt.NDArray[np.float32]
    price: npt.NDArray[np.float32]
    through: Transposed


def cover_of(lines: ToolLines, tunnels: Tunnels, tips: Tips, cells: int) -> Cover:
    """The question for a number of cells of the set."""
    of_line, of_tip = np.ones(len(lines.tip), dtype=np.float32), np.ones(len(tips.takes), dtype=np.float32)
    return Cover(
        tip=lines.tip, tip_starts=tips.starts, takes=tips.takes,
        by_cell=_transposed(tips.starts, tips.takes, of_tip, cells),
        by_tip=_transposed(np.arange(len(lines.tip) + 1), lines.tip, of_line, len(tips.places_mm)),
        starts=tunnels.starts, cells=tunnels.cells, share=tunnels.share, price=tunnels.price,
        through=_transposed(tunnels.starts, tunnels.cells, tunnels.share, len(tunnels.price)),
    )  # fmt: skip


@njit(cache=True, nogil=True)
def _transposed(
    starts: Numbers, columns: npt.NDArray[np.int32], values: npt.NDArray[np.float32], count: int
) -> Transposed:
    """A sparse matrix, given by rows, by its columns."""
    where = np.zeros(count + 1, dtype=np.int64)
    for c in columns:
        where[c + 1] += 1
    for c in range(count):
        where[c + 1] += where[c]
    rows, moved = np.empty(len(columns), dtype=np.int32), np.empty(len(columns), dtype=np.float32)
    at = where[:-1].copy()
    for n in range(len(starts) - 1):
        for e in range(starts[n], starts[n + 1]):
            rows[at[columns[e]]], moved[at[columns[e]]] = n, values[e]
            at[columns[e]] += 1
    return where, rows, moved
