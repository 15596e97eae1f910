"""Where each structure of a label map lies: one pass over the map, so that later work keeps to small boxes."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from canalwise.recon.grid import Box
from canalwise.recon.labels import Labels, Part

FIRST, NUMBERS = 100, 2**16 - 100
"""The least label of a vertebra, and how many there can be."""


def label_boxes(labels: Labels) -> dict[int, Box]:
    """Label -> its index box, of the parts and discs in a (nx, ny, nz) map.

    >>> label_boxes(np.array([[[0, 2201, 0, 2201, 2250]]], dtype=np.uint16))[2201]
    (slice(0, 1, None), slice(0, 1, None), slice(1, 4, None))
    """
    ends = np.zeros((NUMBERS, 6), dtype=np.int64)
    ends[:, :3] = max(labels.shape)
    _find_ends(labels, ends)
    return {
        int(n) + FIRST: (slice(a, b), slice(c, d), slice(e, f))
        for n in np.flatnonzero(ends[:, 5])
        for a, c, e, b, d, f in [ends[n].tolist()]
    }


def vertebra_boxes(labels: Labels) -> dict[int, Box]:
    """Vertebra's number -> the index box of its bone in a (nx, ny, nz) map.

    >>> vertebra_boxes(np.array([[[0, 2201, 0, 2206, 2250]]], dtype=np.uint16))
    {22: (slice(0, 1, None), slice(0, 1, None), slice(1, 4, None))}
    """
    found: dict[int, Box] = {}
    for label, (i, j, k) in label_boxes(labels).items():
        if label % 100 < Part.DISC:
            a, b, c = found.get(label // 100, (i, j, k))
            found[label // 100] = _joined(a, i), _joined(b, j), _joined(c, k)
    return found


def _joined(one: slice, other: slice) -> slice:
    return slice(min(one.start, other.start), max(one.stop, other.stop))


@njit(cache=True, nogil=True)
def _find_ends(labels: Labels, ends: npt.NDArray[np.int64]) -> None:
    for i in range(labels.shape[0]):
        for j in range(labels.shape[1]):
            for k in range(labels.shape[2]):
                n = int(labels[i, j, k]) - FIRST
                if n >= 0:
                    own = ends[n]
                    own[0], own[1], own[2] = min(own[0], i), min(own[1], j), min(own[2], k)
                    own[3], own[4], own[5] = max(own[3], i + 1), max(own[4], j + 1), max(own[5], k + 1)
