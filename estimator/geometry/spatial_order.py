"""An order of points in which each run of 4, 16 and 256 lies close together."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from canalwise.recon.grid import Float

SIZES = (4, 16, 256)


def close_order(xyz: Float) -> npt.NDArray[np.intp]:
    """(N,) array: an order of (N, 3) points, made by halving along the longest edge again and again.

    Halves are whole runs of the largest of SIZES that fits, so that runs do not straddle a cut.

    >>> close_order(np.array([[3.0, 0, 0], [0, 0, 0], [2, 0, 0], [1, 0, 0], [9, 0, 0]])).tolist()[-1]
    4
    """
    return np.asarray(_order(np.ascontiguousarray(xyz, dtype=np.float64)))


@njit(cache=True)
def _order(xyz: Float) -> npt.NDArray[np.intp]:
    order = np.arange(len(xyz))
    stack = [(0, len(xyz))]
    while len(stack) > 0:
        low, high = stack.pop()
        count, size = high - low, 0
        for candidate in (4, 16, 256):
            if count > candidate:
                size = candidate
        if size == 0:
            continue
        mine = order[low:high].copy()
        longest, widest = 0, -1.0
        for axis in range(3):
            values = xyz[mine, axis]
            width = values.max() - values.min()
            if width > widest:
                longest, widest = axis, width
        order[low:high] = mine[np.argsort(xyz[mine, longest], kind="mergesort")]
        cut = low + max((count // 2 + size // 2) // size, 1) * size
        stack.append((low, cut))
        stack.append((cut, high))
    return order
