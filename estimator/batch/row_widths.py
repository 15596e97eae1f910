"""Widths of the pars and thickness of the spinous bridge from what is left of rows of samples."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from canalwise.estimator.geometry.level_arrays import F32, F64, LevelArrays, SampleRows
from canalwise.estimator.level.sample_spacing import SAMPLE_MM


def pars_mm(scene: LevelArrays, run: F32) -> F64:
    """(A, 2) array: the least over planes of the longest run in each; NaN where no pars is in view."""
    planes, widest = sum(scene.pars_planes), np.full((len(run), 2), np.nan)
    if planes == 0:
        return widest
    starts = np.searchsorted(scene.pars.plane, np.arange(planes))
    of_plane = np.maximum.reduceat(run, starts, axis=1) * SAMPLE_MM
    for side, (first, count) in enumerate(((0, scene.pars_planes[0]), scene.pars_planes)):
        if count:
            widest[:, side] = of_plane[:, first : first + count].min(axis=1)
    return widest


def bridge_mm(base: SampleRows, left: F32) -> npt.NDArray[np.float64]:
    """(A,) array: mean thickness left in the sagittal section with most bone; NaN where no base is in view."""
    if len(base.plane) == 0:
        return np.full(len(left), np.nan)
    starts = np.flatnonzero(np.diff(base.plane, prepend=-1))
    area = np.add.reduceat(left, starts, axis=1)
    height = np.add.reduceat(left >= 0.5, starts, axis=1, dtype=np.int64)
    best = area.argmax(axis=1)[:, None]
    most, tall = np.take_along_axis(area, best, axis=1)[:, 0], np.take_along_axis(height, best, axis=1)[:, 0]
    return np.asarray(most / np.maximum(tall, 1) * SAMPLE_MM, dtype=float)
