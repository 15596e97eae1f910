"""The space a search goes through: coordinates in [0, 1] to approaches, many at a time."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from canalwise.estimator.approach.approach import PHASE_RELATION
from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.approach.search_bounds import BOUNDS
from canalwise.estimator.approach.table import ApproachTable, axes_level, pivots_level_mm
from canalwise.estimator.level.task_level import TaskLevel
from canalwise.estimator.planning.docking import DockingMap, docking_map
from canalwise.estimator.planning.pivot_constraint import one_phase
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Float
from canalwise.recon.image.skin import skin_point_mm

DIMENSIONS = len(BOUNDS)

SPARE_MM = 0.5
"""Tips are driven this much past the deepest target, so that no target is touched or missed by rounding alone."""


@dataclass(frozen=True, eq=False)
class SearchSpace:
    """All approaches within BOUNDS from one side with one instrument.

    Parameters
    ----------
    task_level : the level, its side and what is to be touched
    channel : the instrument
    near_only : the ipsilateral phase alone; the coordinates of the other then mean nothing
    """

    task_level: TaskLevel
    channel: Channel
    near_only: bool = False

    @cached_property
    def docking(self) -> DockingMap:
        """Where its sleeve comes to rest."""
        return docking_map(
            self.task_level.level, self.task_level.level_bone, self.task_level.side, self.channel.sleeve_radius_mm
        )

    @cached_property
    def ends(self) -> Float:
        """(2, D) array: the least and the greatest of each coordinate; no pivot lies outside the skin."""
        ends = np.array([[bound.low, bound.high] for bound in BOUNDS.values()]).T
        deepest = self._skin_depth_mm()
        pivot = list(BOUNDS).index("pivot_distance_mm")
        ends[:, pivot] = np.minimum(ends[:, pivot], deepest)
        return ends

    def _skin_depth_mm(self) -> float:
        anatomy, frame, docking = self.task_level.anatomy, self.task_level.level.frame, self.docking
        start = frame.to_world_mm(docking.points_mm(np.array([docking.toward_side * docking.centre_mm[0]]),
                                                    np.zeros(1))[0])  # fmt: skip
        skin = skin_point_mm(anatomy.labels, anatomy.grid, start, frame.direction_ras(docking.normal))
        return np.inf if skin is None else float(np.linalg.norm(skin - start))

    def approaches(self, unit: Float) -> ApproachTable:
        """The approaches at (A, D) coordinates in [0, 1], each coordinate running through its bound.

        Both phases' tips lie SPARE_MM deeper than the deepest of the points asked of them, and the scope is held
        `working_distance_mm` short of that, but not short of the docking depth.
        """
        if unit.ndim != 2 or unit.shape[1] != DIMENSIONS:
            raise WrongUse("'unit'", f"must have {DIMENSIONS} columns", got=unit.shape)
        low, high = self.ends
        value = dict(zip(BOUNDS, (low + np.clip(unit, 0.0, 1.0) * (high - low)).T, strict=True))
        shallow = self._without_depths(value)
        tip = np.stack([self._deepest_mm(shallow, p) for p in range(2)], axis=1)
        sleeve = np.maximum(tip - self.channel.working_distance_mm, 0.0)
        whole = replace(shallow, tip_past_mm=tip, sleeve_past_mm=sleeve)
        return one_phase(whole, 0) if self.near_only else whole

    def _without_depths(self, value: dict[str, Float]) -> ApproachTable:
        count, channel, toward_side = len(value["sweep_deg"]), self.channel, self.docking.toward_side
        shift = np.zeros((count, 2, 3))
        shift[:, 1, 0] = toward_side * value["far_shift_mm"]

        def both(name: str) -> Float:
            return np.stack([value[name], value[f"far_{name}"]], axis=1)

        return ApproachTable(
            level=self.task_level.level.name,
            phase_names=tuple(PHASE_RELATION),
            from_left=np.full(count, self.task_level.side == "left"),
            docking_mm=self.docking.points_mm(value["docking_lateral_mm"], value["docking_cranial_mm"]),
            pivot_distance_mm=value["pivot_distance_mm"],
            medial_deg=both("medial_tilt_deg"),
            cranial_deg=both("cranial_tilt_deg"),
            sweep_deg=both("sweep_deg"),
            sleeve_past_mm=np.zeros((count, 2)),
            tip_past_mm=np.zeros((count, 2)),
            shift_mm=shift,
            sleeve_mm=np.full(count, channel.sleeve_diameter_mm),
            scope_mm=np.full(count, channel.scope_diameter_mm),
            tool_mm=np.full(count, channel.tool_diameter_mm),
            working_length_mm=np.full(count, channel.working_length_mm),
            working_distance_mm=np.full(count, channel.working_distance_mm),
        )

    def _deepest_mm(self, table: ApproachTable, phase: int) -> Float:
        """(A,) array: how far past the docking depth a phase's tip must lie along its axis."""
        axis, pivot = axes_level(table)[:, phase], pivots_level_mm(table)[:, phase]
        along = axis @ self.task_level.seen_by(far=phase == 1).T
        return np.asarray(along.max(axis=1) - np.einsum("ad,ad->a", axis, pivot) - table.pivot_distance_mm + SPARE_MM)
