"""The batch's three questions on the processor: compiled loops over blocks of approaches, a block to a thread."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from canalwise.estimator.batch.row_widths import bridge_mm, pars_mm
from canalwise.estimator.geometry.batch_loops import keepings, reaches, removals, work_for
from canalwise.estimator.geometry.level_arrays import F32, F64, LevelArrays
from canalwise.recon.parallel import thread_count

BLOCK = 64
"""Approaches handed to a thread at a time; a quarter of it where there are few, as in a search's generation of 64, so
that all processors are busy (smaller blocks cost 5 % more)."""


class Cpu:
    """Answers with numba on as many threads as there are processors (`estimator.batch.outcomes.Device`)."""

    def removals(self, scene: LevelArrays, phases: F32, clearance_radii_mm: F32) -> tuple[F64, F64, F64]:
        """(A, B) weight and weight per mm taken of each bucket, (A,) farthest lateral, mm."""
        shape = (len(phases), len(scene.buckets))
        weight, per_mm, lateral = np.zeros(shape), np.zeros(shape), np.zeros((len(phases), 1))
        cell = np.float32(scene.cell_mm)

        def task(b: slice) -> None:
            work = work_for(scene.cloud, phases.shape[1])
            removals(scene.cloud, phases[b], clearance_radii_mm[b], cell, work, weight[b], per_mm[b], lateral[b])

        _in_blocks(len(phases), task)
        return weight, per_mm, lateral[:, 0]

    def keepings(self, scene: LevelArrays, phases: F32, clearance_radii_mm: F32) -> tuple[F64, F64, F64]:
        """(A, 2, 2) mm2 of joint surface kept, (A, 2) least width of the pars and (A,) thickness of the bridge, mm."""
        kept = np.zeros((len(phases), 2, 2))
        run = np.zeros((len(phases), len(scene.pars.plane)), np.float32)
        left = np.zeros((len(phases), len(scene.base.plane)), np.float32)
        cell = np.float32(scene.cell_mm)
        _in_blocks(len(phases), lambda b: keepings(scene.pairs, scene.pars, scene.base, phases[b],
        clearance_radii_mm[b],
                                                   cell, kept[b], run[b], left[b]))  # fmt: skip
        return kept, pars_mm(scene, run), bridge_mm(scene.base, left)

    def reaches(self, scene: LevelArrays, phases: F32, clearance_radii_mm: F32, outward_mm: F32) -> tuple[F64, F64]:
        """(A, 2, S) targets touched; (A, 2, 2) farthest at the disc and least clearance beyond the berth, mm."""
        counts, reported = np.zeros((len(phases), 2, len(scene.sets))), np.zeros((len(phases), 2, 2))
        _in_blocks(len(phases), lambda b: reaches(scene.goals, scene.shade, phases[b], clearance_radii_mm[b],
        outward_mm[b],
                                                  counts[b], reported[b]))  # fmt: skip
        return counts, reported


CPU = Cpu()


def _in_blocks(count: int, task: Callable[[slice], None]) -> None:
    """Runs a task over all blocks of rows, on as many threads as there are processors."""
    size = BLOCK if count >= 8 * BLOCK else max(BLOCK // 4, 1)
    blocks = [slice(start, start + size) for start in range(0, count, size)]
    if len(blocks) == 1:
        task(blocks[0])
        return
    with ThreadPoolExecutor(thread_count(len(os.sched_getaffinity(0)))) as pool:
        list(pool.map(task, blocks))
