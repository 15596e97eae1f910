"""Compiled looks into voxel arrays: finer samples of them, runs in those, and labels met along lines."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from canalwise.estimator.geometry.cone_formulas import trilinear
from canalwise.recon.grid import Float
from canalwise.recon.labels import Labels, Mask

Share = npt.NDArray[np.float32]

PROTECTED_STEP_MM = 0.4
"""Spacing of the samples at which a path is checked for protected bone."""


@njit(cache=True, nogil=True)
def resampled(field: Share, start: Float, steps: Float, limits: Float, out: Share) -> None:
    """Fill `out` (nx, ny, nz) with a field's values at the fractional indices start + (x, y, z) @ steps.

    Beyond the `limits` (2, 3) of indices there is 0.
    """
    for x in range(out.shape[0]):
        for y in range(out.shape[1]):
            for z in range(out.shape[2]):
                i = start[0] + x * steps[0, 0] + y * steps[1, 0] + z * steps[2, 0]
                j = start[1] + x * steps[0, 1] + y * steps[1, 1] + z * steps[2, 1]
                k = start[2] + x * steps[0, 2] + y * steps[1, 2] + z * steps[2, 2]
                out[x, y, z] = 0.0
                if (
                    limits[0, 0] <= i <= limits[1, 0]
                    and limits[0, 1] <= j <= limits[1, 1]
                    and limits[0, 2] <= k <= limits[1, 2]
                ):
                    out[x, y, z] = trilinear(field, i, j, k)


@njit(cache=True, nogil=True)
def take_from(frac: Share, voxels: npt.NDArray[np.int64], share: Share, near: Mask) -> None:
    """Take a share (n,) of each of the (3, n) voxels out of `frac`, and mark the cells that have one for a corner.

    `near` (shape of `frac`, False before) tells a cell by its first corner.

    >>> left, near = np.ones((2, 2, 2), np.float32), np.zeros((2, 2, 2), bool)
    >>> take_from(left, np.array([[1], [1], [1]]), np.float32([0.25]), near)
    >>> float(left[1, 1, 1]), int(near.sum())
    (0.75, 8)
    """
    for n in range(voxels.shape[1]):
        i, j, k = voxels[0, n], voxels[1, n], voxels[2, n]
        frac[i, j, k] *= np.float32(1.0) - share[n]
        # a voxel's centre is a corner of the eight cells around it
        near[max(i - 1, 0) : i + 1, max(j - 1, 0) : j + 1, max(k - 1, 0) : k + 1] = True


@njit(cache=True, nogil=True)
def resampled_near(field: Share, near: Mask, start: Float, steps: Float, out: Share, lost: Float) -> None:
    """The same only where `out` is not 0 and the sample's cell, named by its first corner, is marked in `near`.

    `lost` (nx,), zeros before, is by how much each plane of `out` falls.
    """
    for x in range(out.shape[0]):
        for y in range(out.shape[1]):
            i0 = start[0] + x * steps[0, 0] + y * steps[1, 0]
            j0 = start[1] + x * steps[0, 1] + y * steps[1, 1]
            k0 = start[2] + x * steps[0, 2] + y * steps[1, 2]
            for z in range(out.shape[2]):
                if out[x, y, z] != 0.0:
                    i, j, k = i0 + z * steps[2, 0], j0 + z * steps[2, 1], k0 + z * steps[2, 2]
                    if near[int(max(i, 0.0)), int(max(j, 0.0)), int(max(k, 0.0))]:
                        value = np.float32(trilinear(field, i, j, k))
                        lost[x] += np.float64(out[x, y, z]) - np.float64(value)
                        out[x, y, z] = value


@njit(cache=True, nogil=True)
def longest_runs(bone: npt.NDArray[np.float32], least: float, out: npt.NDArray[np.int64]) -> None:
    """Fill `out` (nz,), zeros before, with the longest unbroken run along x of values of at least `least` per plane.

    >>> bone, longest = np.float32([1, 1, 0, 1]).reshape(4, 1, 1), np.zeros(1, dtype=np.int64)
    >>> longest_runs(bone, 0.5, longest)
    >>> longest.tolist()
    [2]
    """
    for z in range(bone.shape[2]):
        for y in range(bone.shape[1]):
            run = 0
            for x in range(bone.shape[0]):
                run = run + 1 if bone[x, y, z] >= least else 0
                out[z] = max(out[z], run)


@njit(cache=True, nogil=True)
def labels_along_line(
    labels: Labels, to_index: Float, pivot: Float, points: Float, short_of: float, kinds: Mask, out: Mask
) -> None:
    """Fill `out` (N,): does the line from the pivot to `short_of` each (N, 3) point run through a label of a kind?

    `kinds` (65536,) says which labels are. The label is that of the nearest voxel, looked at every PROTECTED_STEP_MM;
    outside the outermost voxels' centres there is none.
    """
    m, (nx, ny, nz) = to_index, labels.shape
    for n in range(len(points)):
        wx, wy, wz = points[n, 0] - pivot[0], points[n, 1] - pivot[1], points[n, 2] - pivot[2]
        length = np.sqrt(wx * wx + wy * wy + wz * wz)
        out[n], step = False, 0
        while step * PROTECTED_STEP_MM <= length - short_of and not out[n]:
            share = step * PROTECTED_STEP_MM / max(length, 1e-9)
            x, y, z = pivot[0] + wx * share, pivot[1] + wy * share, pivot[2] + wz * share
            i = m[0, 0] * x + m[0, 1] * y + m[0, 2] * z + m[0, 3]
            j = m[1, 0] * x + m[1, 1] * y + m[1, 2] * z + m[1, 3]
            k = m[2, 0] * x + m[2, 1] * y + m[2, 2] * z + m[2, 3]
            if 0 <= i <= nx - 1 and 0 <= j <= ny - 1 and 0 <= k <= nz - 1:
                # no index is negative here, so that cutting off rounds to the nearest
                out[n] = kinds[labels[int(i + 0.5), int(j + 0.5), int(k + 0.5)]]
            step += 1


@njit(cache=True, nogil=True)
def above_half(field: Share, steps: npt.NDArray[np.int64], out: Mask) -> None:
    """Fill `out` (nx, ny, nz): is a field, refined by whole `steps` (3,) along its axes, above 0.5?

    The first and last samples are the field's own; between them it is taken as trilinear, in double precision.
    """
    for i in range(out.shape[0]):
        x = min(i // steps[0], field.shape[0] - 2)
        u = i / steps[0] - x
        for j in range(out.shape[1]):
            y = min(j // steps[1], field.shape[1] - 2)
            v = j / steps[1] - y
            for k in range(out.shape[2]):
                z = min(k // steps[2], field.shape[2] - 2)
                w = k / steps[2] - z
                low = (1 - u) * ((1 - v) * field[x, y, z] + v * field[x, y + 1, z])
                low += u * ((1 - v) * field[x + 1, y, z] + v * field[x + 1, y + 1, z])
                high = (1 - u) * ((1 - v) * field[x, y, z + 1] + v * field[x, y + 1, z + 1])
                high += u * ((1 - v) * field[x + 1, y, z + 1] + v * field[x + 1, y + 1, z + 1])
                out[i, j, k] = np.float32((1 - w) * low + w * high) > 0.5
