"""Many approaches to numbers: what each takes, keeps and reaches, fast enough to ask tens of thousands.

The geometry is that of the exact estimate (`estimator.geometry`); bone is counted by mass points of one cell instead of
sub-voxel samples. `estimator.estimate` gives the exact numbers of one approach.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from estimator.approach_table import ApproachTable, packed_phases
from estimator.batch_kernels import keepings, reaches, removals, work_for
from estimator.isthmus import SAMPLE_MM
from estimator.prepared import PreparedLevel
from estimator.scene import F32, F64, Rows, Scene
from recon.grid import Float
from recon.labels import Part, label_of

BLOCK = 64
"""Approaches handed to a thread at a time."""


@dataclass(frozen=True, eq=False)
class Shifts:
    """Errors laid on each of A approaches beside those of its own numbers; (A,) arrays of mm.

    `sac_mm` widens the berth about the sac; `targets_mm` moves all targets away from the midline.
    """

    sac_mm: Float
    targets_mm: Float


@dataclass(frozen=True, eq=False)
class Taken:
    """What A approaches take, per bucket of the scene.

    `weight` (A, B): mm3 of bone or pressing tissue, mm2 of the disc-level plane; `per_mm` (A, B): how much less for
    each mm by which all bone borders lie further in; `lateral_mm` (A,): farthest from the midline that bone is mostly
    taken.
    """

    scene: Scene
    weight: F64
    per_mm: F64
    lateral_mm: F64

    @property
    def bone_mm3(self) -> F64:
        """(A,) array: all bone."""
        return np.asarray(self.weight[:, np.array(self.scene.buckets) >= 100].sum(axis=1))

    @property
    def bone_per_mm(self) -> F64:
        """(A,) array: all bone, per mm of border."""
        return np.asarray(self.per_mm[:, np.array(self.scene.buckets) >= 100].sum(axis=1))

    def of(self, *buckets: int) -> F64:
        """(A,) array: sum over some buckets; those the scene lacks count nothing."""
        return np.asarray(self.weight[:, np.isin(self.scene.buckets, buckets)].sum(axis=1))


@dataclass(frozen=True, eq=False)
class Outcomes:
    """What A approaches take, keep and reach; sides in the order left, right.

    Parameters
    ----------
    taken : bone and pressing tissue
    facet_area_frac, facet_width_frac : (A, 2) arrays, NaN where a joint is not in view
    pars_mm : (A, 2) array, least width left
    undercut_frac, bridge_mm : (A,) arrays
    reached_frac : (A, 2, S) array, share of each side's target set that is touched; sets as in the scene
    lateral_mm : (A, 2) array, farthest touched at disc level
    clearance_mm : (A, 2) array, least distance of tool to sac; NaN where nothing is touched
    """

    taken: Taken
    facet_area_frac: F64
    facet_width_frac: F64
    pars_mm: F64
    undercut_frac: F64
    bridge_mm: F64
    reached_frac: F64
    lateral_mm: F64
    clearance_mm: F64


def taken_by_all(prepared: PreparedLevel, table: ApproachTable, shifts: Shifts | None = None) -> Taken:
    """What each approach of a table takes."""
    return _taken(prepared.scene, packed_phases(table), _berths(prepared.scene, table, shifts))


def outcomes(prepared: PreparedLevel, table: ApproachTable, shifts: Shifts | None = None) -> Outcomes:
    """What each approach of a table takes, keeps and reaches."""
    scene, phases = prepared.scene, packed_phases(table)
    berths = _berths(scene, table, shifts)
    outward = np.zeros(len(table)) if shifts is None else shifts.targets_mm
    taken = _taken(scene, phases, berths)
    kept, run, left = _kept(scene, phases, berths)
    counts, told = _reached(scene, phases, berths, outward)
    whole = kept_whole_mm2(scene)
    base = np.isin(scene.buckets, label_of(prepared.level.upper, Part.SPINOUS_BASE))
    with np.errstate(invalid="ignore", divide="ignore"):
        shares = kept / whole
        undercut = taken.weight[:, base].sum(axis=1) / scene.bucket_whole[base].sum()
        reached = counts / _targets_there(scene)
    return Outcomes(
        taken,
        shares[:, :, 0],
        shares[:, :, 1],
        _pars_mm(scene, run),
        np.clip(undercut, 0.0, 1.0),
        bridge_mm(scene.base, left),
        reached,
        told[:, :, 0],
        np.where(np.isfinite(told[:, :, 1]), told[:, :, 1] + scene.clearance_mm, np.nan),
    )


def _berths(scene: Scene, table: ApproachTable, shifts: Shifts | None) -> F32:
    wider = 0.0 if shifts is None else shifts.sac_mm
    return np.asarray(scene.clearance_mm + table.tool_mm / 2 + wider, dtype=np.float32)


def _in_blocks(count: int, task: Callable[[slice], None]) -> None:
    """Runs a task over all blocks of rows, on as many threads as there are processors."""
    blocks = [slice(start, start + BLOCK) for start in range(0, count, BLOCK)]
    if len(blocks) == 1:
        task(blocks[0])
        return
    with ThreadPoolExecutor(len(os.sched_getaffinity(0))) as pool:
        list(pool.map(task, blocks))


def _taken(scene: Scene, phases: F32, berths: F32) -> Taken:
    shape = (len(phases), len(scene.buckets))
    weight, per_mm, lateral = np.zeros(shape), np.zeros(shape), np.zeros((len(phases), 1))
    cell = np.float32(scene.cell_mm)

    def task(b: slice) -> None:
        work = work_for(scene.cloud, phases.shape[1])
        removals(scene.cloud, phases[b], berths[b], cell, work, weight[b], per_mm[b], lateral[b])

    _in_blocks(len(phases), task)
    return Taken(scene, weight, per_mm, lateral[:, 0])


def _kept(scene: Scene, phases: F32, berths: F32) -> tuple[F64, F32, F32]:
    kept = np.zeros((len(phases), 2, 2))
    run = np.zeros((len(phases), len(scene.pars.plane)), np.float32)
    left = np.zeros((len(phases), len(scene.base.plane)), np.float32)
    cell = np.float32(scene.cell_mm)
    _in_blocks(len(phases), lambda b: keepings(scene.pairs, scene.pars, scene.base, phases[b], berths[b],
                                               cell, kept[b], run[b], left[b]))  # fmt: skip
    return kept, run, left


def _reached(scene: Scene, phases: F32, berths: F32, outward: Float) -> tuple[F64, F64]:
    counts, told = np.zeros((len(phases), 2, len(scene.sets))), np.zeros((len(phases), 2, 2))
    moved = np.asarray(outward, dtype=np.float32)
    _in_blocks(len(phases), lambda b: reaches(scene.goals, scene.shade, phases[b], berths[b], moved[b], counts[b],
                                              told[b]))  # fmt: skip
    return counts, told


def kept_whole_mm2(scene: Scene) -> F64:
    """(2, 2) array: whole joint surface of each side, all and in the disc-level slice; 0 where not in view."""
    whole = np.zeros((2, 2))
    np.add.at(whole[:, 0], scene.pairs.side, scene.pairs.leaf_area)
    np.add.at(whole[:, 1], scene.pairs.side, scene.pairs.leaf_width)
    return whole


def _targets_there(scene: Scene) -> F64:
    """(2, S) array: number of targets of each side and set."""
    there = np.zeros((2, len(scene.sets)))
    np.add.at(there, (scene.goals.side, scene.goals.set), 1.0)
    return there


def _pars_mm(scene: Scene, run: F32) -> F64:
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


def bridge_mm(base: Rows, left: F32) -> npt.NDArray[np.float64]:
    """(A,) array: mean thickness left in the sagittal section with most bone; NaN where no base is in view."""
    if len(base.plane) == 0:
        return np.full(len(left), np.nan)
    starts = np.flatnonzero(np.diff(base.plane, prepend=-1))
    area = np.add.reduceat(left, starts, axis=1)
    height = np.add.reduceat(left >= 0.5, starts, axis=1, dtype=np.int64)
    best = area.argmax(axis=1)[:, None]
    most, tall = np.take_along_axis(area, best, axis=1)[:, 0], np.take_along_axis(height, best, axis=1)[:, 0]
    return np.asarray(most / np.maximum(tall, 1) * SAMPLE_MM, dtype=float)
