"""Many approaches to numbers: what each takes, keeps and reaches, fast enough to ask tens of thousands.

The geometry is that of the exact estimate (`estimator.geometry.cone_formulas`); bone is counted by mass points of one
cell instead of sub-voxel samples. `estimator.estimate.estimate` gives the exact numbers of one approach.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from canalwise.estimator.approach.table import ApproachTable, packed_phases
from canalwise.estimator.batch.cpu import CPU
from canalwise.estimator.geometry.level_arrays import F32, F64, LevelArrays
from canalwise.recon.grid import Float


class Device(Protocol):
    """What counts a batch: the processor (`estimator.batch.cpu.CPU`) or a graphics card (`estimator.batch.gpu.Gpu`).

    Of all that it counts: `phases` (A, P, 14), packed phases (`estimator.approach.table.packed_phases`);
    `clearance_radii_mm` (A,), clearance of the sac and the tool's radius; `outward_mm` (A,), by how much all targets
    lie further from the midline.
    """

    def removals(self, scene: LevelArrays, phases: F32, clearance_radii_mm: F32) -> tuple[F64, F64, F64]:
        """Bone that is taken.

        Returns
        -------
        weight : (A, B) array, what is taken of each bucket of the scene
        per_mm : (A, B) array, how much less for each mm by which all bone borders lie further in
        lateral_mm : (A,) array, farthest from the midline that bone is mostly taken
        """

    def keepings(self, scene: LevelArrays, phases: F32, clearance_radii_mm: F32) -> tuple[F64, F64, F64]:
        """Joints, partes and spinous base that are kept.

        Returns
        -------
        joints_mm2 : (A, 2, 2) array, by side (left, right): joint surface kept, all and in the disc-level slice
        pars_mm : (A, 2) array, by side: least width kept
        bridge_mm : (A,) array, thickness kept of the spinous base
        """

    def reaches(self, scene: LevelArrays, phases: F32, clearance_radii_mm: F32, outward_mm: F32) -> tuple[F64, F64]:
        """Targets that are reached.

        Returns
        -------
        counts : (A, 2, S) array, by side: targets of each set that are touched
        by_side : (A, 2, 2) array, by side, mm: farthest touched at disc level, and least clearance beyond the berth
        """


@dataclass(frozen=True, eq=False)
class ErrorShifts:
    """Errors added to each of A approaches beside those of its own numbers; (A,) arrays of mm.

    `sac_mm` widens the berth about the sac; `targets_mm` moves all targets away from the midline.
    """

    sac_mm: Float
    targets_mm: Float


@dataclass(frozen=True, eq=False)
class RemovedBone:
    """Bone that A approaches take, per bucket of the scene.

    `weight` (A, B): mm3 of bone, mm2 of the disc-level plane; `per_mm` (A, B): how much less for
    each mm by which all bone borders lie further in; `lateral_mm` (A,): farthest from the midline that bone is mostly
    taken.
    """

    scene: LevelArrays
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
    """Outcomes of A approaches: taken, kept, reached; sides in the order left, right.

    Parameters
    ----------
    taken : bone, and what is freed of the disc-level plane
    facet_area_frac, facet_width_frac : (A, 2) arrays, NaN where a joint is not in view
    pars_mm : (A, 2) array, least width left
    undercut_frac, bridge_mm : (A,) arrays
    reached_frac : (A, 2, S) array, share of each side's target set that is touched; sets as in the scene
    lateral_mm : (A, 2) array, farthest touched at disc level
    clearance_mm : (A, 2) array, least distance of tool to sac; NaN where nothing is touched
    """

    taken: RemovedBone
    facet_area_frac: F64
    facet_width_frac: F64
    pars_mm: F64
    undercut_frac: F64
    bridge_mm: F64
    reached_frac: F64
    lateral_mm: F64
    clearance_mm: F64


def taken_by_all(
    scene: LevelArrays, table: ApproachTable, shifts: ErrorShifts | None = None, on: Device = CPU
) -> RemovedBone:
    """Bone that each approach of a table takes."""
    return RemovedBone(scene, *on.removals(scene, packed_phases(table), _clearance_radii_mm(scene, table, shifts)))


def reached_by_all(
    scene: LevelArrays, table: ApproachTable, shifts: ErrorShifts | None = None, on: Device = CPU
) -> tuple[F64, F64]:
    """Targets that each approach of a table reaches.

    (A, 2, S) share of each side's target set that is touched, (A, 2, 2) farthest touched at disc level and least
    clearance beyond the berth, mm.

    Returns
    -------
    reached_frac : (A, 2, S) array, by side (left, right): share of each target set that is touched
    by_side : (A, 2, 2) array, by side, mm: farthest touched at disc level, and least clearance beyond the berth
    """
    outward = np.zeros(len(table)) if shifts is None else shifts.targets_mm
    clearance_radii_mm = _clearance_radii_mm(scene, table, shifts)
    counts, by_relation = on.reaches(
        scene, packed_phases(table), clearance_radii_mm, np.asarray(outward, dtype=np.float32)
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        return counts / _targets_there(scene), by_relation


def outcomes(scene: LevelArrays, table: ApproachTable, shifts: ErrorShifts | None = None, on: Device = CPU) -> Outcomes:
    """Outcomes of each approach of a table: taken, kept, reached."""
    phases = packed_phases(table)
    clearance_radii_mm = _clearance_radii_mm(scene, table, shifts)
    taken = RemovedBone(scene, *on.removals(scene, phases, clearance_radii_mm))
    kept, pars_mm, bridge_mm = on.keepings(scene, phases, clearance_radii_mm)
    reached, by_relation = reached_by_all(scene, table, shifts, on)
    whole = kept_whole_mm2(scene)
    base = np.isin(scene.buckets, scene.base_label)
    with np.errstate(invalid="ignore", divide="ignore"):
        shares = kept / whole
        undercut = taken.weight[:, base].sum(axis=1) / scene.bucket_whole[base].sum()
    return Outcomes(
        taken,
        shares[:, :, 0],
        shares[:, :, 1],
        pars_mm,
        np.clip(undercut, 0.0, 1.0),
        bridge_mm,
        reached,
        by_relation[:, :, 0],
        np.where(np.isfinite(by_relation[:, :, 1]), by_relation[:, :, 1] + scene.clearance_mm, np.nan),
    )


def _clearance_radii_mm(scene: LevelArrays, table: ApproachTable, shifts: ErrorShifts | None) -> F32:
    wider = 0.0 if shifts is None else shifts.sac_mm
    return np.asarray(scene.clearance_mm + table.tool_mm / 2 + wider, dtype=np.float32)


def kept_whole_mm2(scene: LevelArrays) -> F64:
    """(2, 2) array: whole joint surface of each side, all and in the disc-level slice; 0 where not in view."""
    whole = np.zeros((2, 2))
    np.add.at(whole[:, 0], scene.pairs.side, scene.pairs.leaf_area)
    np.add.at(whole[:, 1], scene.pairs.side, scene.pairs.leaf_width)
    return whole


def _targets_there(scene: LevelArrays) -> F64:
    """(2, S) array: number of targets of each side and set."""
    there = np.zeros((2, len(scene.sets)))
    np.add.at(there, (scene.goals.side, scene.goals.set), 1.0)
    return there
