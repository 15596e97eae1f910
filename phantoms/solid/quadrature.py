"""Volumes of labelled regions by a two-level lattice: coarse cells inside, fine ones where labels meet.

The midpoint rule on an indicator errs at random at the border only; refining border
cells by n per edge brings the error of a part of volume V to about
0.3 h^1.5 S^0.5 V^-1 (h the fine step, S the surface), far below 0.1 % for parts of a
vertebra. `Volumes.error_frac` reports the change between two refinements.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.phantoms.solid.point_batch import Box
from canalwise.phantoms.solid.pose import turn
from canalwise.recon.grid import Float, Grid

COARSE_MM = 0.9
"""Edge of the coarse cells; features thinner than this may be missed."""

FINE, CHECK = 5, 4
"""Subdivisions per edge of a border cell: for the answer and for its check."""

BLOCK_CELLS = 16
Ask = Callable[[Float], npt.NDArray[np.uint16]]
"""(N, 3) array of RAS mm -> (N,) array of labels; 0 is counted as outside."""


@dataclass(frozen=True)
class Volumes:
    """Volume by label, and the relative change of each when border cells are refined differently."""

    by_label_mm3: dict[int, float]
    error_frac: dict[int, float]

    def total_mm3(self, labels: npt.ArrayLike | None = None) -> float:
        """Sum over some labels, all by default."""
        wanted = self.by_label_mm3 if labels is None else [int(n) for n in np.atleast_1d(np.asarray(labels))]
        return float(sum(self.by_label_mm3.get(int(n), 0.0) for n in wanted))


def label_volumes(
    ask: Ask, box: Box, *, coarse_mm: float = COARSE_MM, fine: int = FINE, check: int | None = CHECK
) -> Volumes:
    """Volume of every label inside a world box.

    Parameters
    ----------
    ask : tells labels of points; called with spatially compact batches
    fine, check : subdivisions of border cells; `check=None` skips the second pass (error reported as NaN)

    >>> ball = lambda p: (np.linalg.norm(p, axis=1) < 10).astype(np.uint16)
    >>> volumes = label_volumes(ball, (np.full(3, -11.0), np.full(3, 11.0)))
    >>> abs(volumes.by_label_mm3[1] / (4 / 3 * np.pi * 1000) - 1) < 1e-3
    True
    """
    grid = _tilted_grid(box, coarse_mm)
    sums: list[dict[int, float]] = [{}, {}]
    for start in product(*(range(0, n, BLOCK_CELLS) for n in grid.shape)):
        part = grid.cropped(tuple(slice(s, min(s + BLOCK_CELLS, n)) for s, n in zip(start, grid.shape, strict=True)))  # type: ignore[arg-type]
        _add_block(ask, part, fine, check, sums)
    answer, second = sums
    errors = {
        label: abs(second.get(label, 0.0) / volume - 1.0) if check else float("nan") for label, volume in answer.items()
    }
    return Volumes(answer, errors)


def _tilted_grid(box: Box, step_mm: float) -> Grid:
    """A lattice that covers a box, tilted so that no flat face of a part runs along it."""
    axes = turn(0, 21.0) @ turn(1, 33.0) @ turn(2, 27.0)
    corners = np.array(list(product(*zip(*box, strict=True)))) @ axes.T
    low, high = corners.min(axis=0), corners.max(axis=0)
    affine = np.eye(4)
    affine[:3, :3], affine[:3, 3] = axes.T * step_mm, low @ axes
    i, j, k = (int(n) for n in np.ceil((high - low) / step_mm) + 1)
    return Grid((i, j, k), affine)


def _add_block(ask: Ask, part: Grid, fine: int, check: int | None, sums: list[dict[int, float]]) -> None:
    """Add one block's volumes: inner cells whole, border cells refined."""
    rimmed = _with_rim(part)
    labels = ask(rimmed.voxel_centres_mm().reshape(-1, 3)).reshape(rimmed.shape)
    if labels.min() == labels.max() == 0:
        return
    border = (ndimage.maximum_filter(labels, 3) != ndimage.minimum_filter(labels, 3))[1:-1, 1:-1, 1:-1]
    inner = labels[1:-1, 1:-1, 1:-1][~border]
    index = np.argwhere(border)
    for total, count in zip(sums, (fine, check), strict=True):
        if count:
            _tally(total, inner, part.voxel_mm3)
            if len(index):
                _tally(total, ask(_refined_mm(part, index, count)), part.voxel_mm3 / count**3)


def _with_rim(grid: Grid) -> Grid:
    affine = grid.affine_ras_mm.copy()
    affine[:3, 3] = grid.world_mm([-1, -1, -1])
    i, j, k = (n + 2 for n in grid.shape)
    return Grid((i, j, k), affine)


def _refined_mm(grid: Grid, index: npt.NDArray[np.intp], count: int) -> Float:
    """(N * count^3, 3) array: midpoints of the sub-cells of some cells."""
    steps = (np.arange(count) + 0.5) / count - 0.5
    offsets = np.array(list(product(steps, steps, steps)))
    return grid.world_mm((index[:, None, :] + offsets).reshape(-1, 3))


def _tally(total: dict[int, float], labels: npt.NDArray[np.uint16], each_mm3: float) -> None:
    for label, count in zip(*np.unique(labels, return_counts=True), strict=True):
        if label:
            total[int(label)] = total.get(int(label), 0.0) + float(count) * each_mm3
