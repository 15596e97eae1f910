"""Mask of the voxels inside a closed surface.

Method: a line runs through every column of voxel centres; each triangle that it crosses changes inside to outside or
back, so a centre lies inside where the crossings below it are odd in number (parity rule; textbook). Lines run a hair
beside the centres, the same hair for all, so that none meets an edge or a corner and is counted twice.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from canalwise.recon.grid import Float
from canalwise.recon.image.isosurface import Faces
from canalwise.recon.labels import Mask

HAIR = (1.3e-7, 2.9e-7)
"""How far beside the centres a line runs along the first two axes, voxels: two numbers without a common measure, far
below any scan's accuracy."""


def filled(corners: Float, faces: Faces, shape: tuple[int, int, int]) -> Mask:
    """(nx, ny, nz) array: does a voxel's centre lie inside a closed surface?

    Parameters
    ----------
    corners : (N, 3) array, in voxels: (0, 0, 0) is the first voxel's centre
    faces : (M, 3) array of numbers of corners

    >>> corners = np.array([[0.4, 0.4, 0.4], [5.0, 0.4, 0.4], [0.4, 5.0, 0.4], [0.4, 0.4, 5.0]])
    >>> faces = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]])
    >>> int(filled(corners, faces, (4, 4, 4)).sum())  # i, j, k >= 1 with i + j + k <= 5.4
    10
    """
    crossed = np.zeros(shape, dtype=np.uint8)
    _cross(np.asarray(corners, dtype=np.float64), np.asarray(faces, dtype=np.int64), crossed)
    return np.asarray(np.bitwise_xor.accumulate(crossed, axis=2) > 0)


@njit(cache=True, nogil=True)
def _cross(corners: Float, faces: npt.NDArray[np.int64], crossed: npt.NDArray[np.uint8]) -> None:
    """Change each column's parity at the first centre beyond every crossing (in place)."""
    nx, ny, nz = crossed.shape
    for f in range(len(faces)):
        a, b, c = corners[faces[f, 0]], corners[faces[f, 1]], corners[faces[f, 2]]
        area = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
        if area == 0.0:
            continue
        low_i = max(int(np.ceil(min(a[0], b[0], c[0]) - HAIR[0])), 0)
        high_i = min(int(np.floor(max(a[0], b[0], c[0]) - HAIR[0])), nx - 1)
        low_j = max(int(np.ceil(min(a[1], b[1], c[1]) - HAIR[1])), 0)
        high_j = min(int(np.floor(max(a[1], b[1], c[1]) - HAIR[1])), ny - 1)
        for i in range(low_i, high_i + 1):
            x = i + HAIR[0]
            for j in range(low_j, high_j + 1):
                y = j + HAIR[1]
                # shares of the corners at the place where the line passes (barycentric coordinates)
                of_a = ((b[0] - x) * (c[1] - y) - (b[1] - y) * (c[0] - x)) / area
                of_b = ((c[0] - x) * (a[1] - y) - (c[1] - y) * (a[0] - x)) / area
                of_c = 1.0 - of_a - of_b
                if of_a < 0.0 or of_b < 0.0 or of_c < 0.0:
                    continue
                k = max(int(np.ceil(of_a * a[2] + of_b * b[2] + of_c * c[2])), 0)
                if k < nz:
                    crossed[i, j, k] ^= 1
