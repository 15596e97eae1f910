"""Places in space grouped in bricks with a bounding ball each, so that most are decided a brick at a time."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from canalwise.recon.grid import Float, Grid

BRICK_MM = 2.0
"""Edge of a brick: smaller ones cost more tests of bricks, larger ones more of what is in them."""

SAMPLES_PER_EDGE = 3
"""Sub-voxel samples along each edge of a voxel at the region's border (scripts/why_coverage_samples.py)."""


class Bricks(NamedTuple):
    """N places in B bricks; a place is a point, or a voxel given by its samples.

    Parameters
    ----------
    order : (N,) array; place n was number order[n] when it came
    points_mm : (3, N) array, RAS mm, places of one brick side by side
    starts : (B + 1,) array; brick b holds the places starts[b]:starts[b + 1]
    centres_mm, radii_mm : (B, 3) and (B,) arrays, a ball about all samples of a brick
    half_mm : no sample lies further than this from its place
    samples_mm : (3, M) array, offsets of a place's samples
    """

    order: npt.NDArray[np.intp]
    points_mm: Float
    starts: npt.NDArray[np.int64]
    centres_mm: Float
    radii_mm: Float
    half_mm: float
    samples_mm: Float


def bricks_of_voxels(grid: Grid, index: npt.NDArray[np.intp], groups: npt.NDArray[np.integer] | None = None) -> Bricks:
    """Bricks of the (N, 3) voxels of `index`, each with SAMPLES_PER_EDGE^3 samples; no brick holds two `groups`.

    >>> cube = Grid((4, 4, 4), np.eye(4))
    >>> bricks = bricks_of_voxels(cube, np.argwhere(np.ones(cube.shape)))
    >>> bricks.points_mm.shape, bricks.samples_mm.shape
    ((3, 64), (3, 27))
    """
    edge = np.maximum(np.rint(BRICK_MM / grid.spacing_mm), 1).astype(np.int64)
    steps = (np.arange(SAMPLES_PER_EDGE) + 0.5) / SAMPLES_PER_EDGE - 0.5
    offsets = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)
    samples = np.ascontiguousarray(grid.affine_ras_mm[:3, :3] @ offsets.T)
    return _placed(grid.world_mm(index), _keys(index // edge, groups), samples)


def bricks_of_points(points_mm: Float) -> Bricks:
    """Bricks of (N, 3) points, RAS mm.

    >>> bricks_of_points(np.array([[0.0, 0, 0], [9.0, 0, 0], [1.0, 0, 0]])).radii_mm.tolist()
    [0.5, 0.0]
    """
    points = np.asarray(points_mm, dtype=float).reshape(-1, 3)
    cells = np.floor((points - points.min(axis=0, initial=np.inf)) / BRICK_MM).astype(np.int64)
    return _placed(points, _keys(cells, None), np.zeros((3, 1)))


def _keys(cells: npt.NDArray[np.integer], groups: npt.NDArray[np.integer] | None) -> npt.NDArray[np.int64]:
    """(N,) array: one number per group and cell."""
    i, j, k = cells.T.astype(np.int64)
    _, nj, nk = (int(axis.max(initial=0)) + 1 for axis in (i, j, k))
    key = (i * nj + j) * nk + k
    return key if groups is None else key + groups.astype(np.int64) * ((int(i.max(initial=0)) + 1) * nj * nk)


def _placed(points_mm: Float, keys: npt.NDArray[np.int64], samples_mm: Float) -> Bricks:
    # a hair more than the farthest sample, so that rounding never decides a place for a sample
    half_mm = float(np.linalg.norm(samples_mm, axis=0).max()) * (1 + 1e-9)
    order = np.argsort(keys, kind="stable")
    points, sorted_keys = points_mm[order], keys[order]
    first = np.flatnonzero(np.diff(sorted_keys, prepend=-1))
    starts = np.append(first, len(points)).astype(np.int64)
    if len(points) == 0:
        return Bricks(order, points.T, np.zeros(1, dtype=np.int64), points, np.zeros(0), half_mm, samples_mm)
    centres = (np.minimum.reduceat(points, first) + np.maximum.reduceat(points, first)) / 2
    away = np.linalg.norm(points - np.repeat(centres, np.diff(starts), axis=0), axis=1)
    radii = np.maximum.reduceat(away, first) + half_mm
    return Bricks(order, np.ascontiguousarray(points.T), starts, centres, radii, half_mm, samples_mm)
