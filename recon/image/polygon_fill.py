"""Mask of the pixel centres inside closed polygons, by the even-odd rule."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from canalwise.recon.grid import Float
from canalwise.recon.labels import Mask


def even_odd(polygons: Sequence[Float], shape: tuple[int, int]) -> Mask:
    """(rows, columns) array: is the pixel's centre inside an odd number of the polygons?

    Parameters
    ----------
    polygons : (N, 2) arrays of (column, row), closed from last to first; whole numbers are pixel centres

    A line that runs out and back over itself, as in a keyhole, counts twice and so changes nothing. A centre on a line
    belongs to what lies toward higher columns and rows, so that polygons side by side share none.

    >>> square = np.array([[0.5, 0.5], [2.5, 0.5], [2.5, 1.5], [0.5, 1.5]])
    >>> even_odd([square], (3, 4)).astype(int).tolist()
    [[0, 0, 0, 0], [0, 1, 1, 0], [0, 0, 0, 0]]
    """
    rows, columns = shape
    # Each crossing of a row of centres turns all pixels to its right from out to in, or back.
    turns = np.zeros((rows, columns + 1), dtype=np.int64)
    for polygon in polygons:
        _, row, column = row_crossings(polygon, np.roll(polygon, -1, axis=0), rows)
        np.add.at(turns, (row, np.clip(np.ceil(column), 0, columns).astype(np.int64)), 1)
    inside: Mask = np.cumsum(turns, axis=1)[:, :columns] % 2 > 0
    return inside


def row_crossings(start: Float, end: Float, rows: int) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], Float]:
    """Where straight sides cross rows of centres: number of the side, row, and column of each crossing.

    Parameters
    ----------
    start, end : (N, 2) arrays of (column, row)

    A row through a corner meets one of its two sides only.

    >>> [found.tolist() for found in row_crossings(np.array([[0.0, 0.0]]), np.array([[4.0, 2.0]]), 5)]
    [[0, 0], [0, 1], [0.0, 2.0]]
    """
    upper, lower = np.minimum(start[:, 1], end[:, 1]), np.maximum(start[:, 1], end[:, 1])
    first = np.clip(np.ceil(upper), 0, rows).astype(np.int64)
    last = np.clip(np.ceil(lower), 0, rows).astype(np.int64)
    count = np.maximum(last - first, 0)
    side = np.repeat(np.arange(len(start)), count)
    row = np.arange(len(side)) - np.repeat(np.cumsum(count) - count, count) + first[side]
    share = (row - start[side, 1]) / (end[side, 1] - start[side, 1])
    return side, row, start[side, 0] + share * (end[side, 0] - start[side, 0])
