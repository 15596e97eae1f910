"""A prepared level from which only the targets a task asks for are looked at, by an approach from one side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from canalwise.estimator.approach.approach import other_side
from canalwise.estimator.geometry.level_arrays import LevelArrays
from canalwise.estimator.level.pars_and_base_samples import ParsAndBaseSamples
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.level.target_names import AT_DISC, FROM_TARGETS, NAMES
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Side


@dataclass(frozen=True, eq=False, kw_only=True)
class TaskLevel(PreparedLevel):
    """A prepared level whose scene holds the asked sets alone, each under its own name.

    Parameters
    ----------
    base : the level that was prepared; all else is taken from it
    side : of the approach
    requested_mm : name -> (N, 3) array, level frame, only sets that are in view
    """

    base: PreparedLevel
    side: Side
    requested_mm: dict[str, Float] = field(default_factory=dict)

    @property
    def side_of_set(self) -> list[int]:
        """Which side of the patient each asked set counts to, 0 left, 1 right; the midline's to the approach's own."""
        return [SIDES.index(other_side(self.side) if _is_across(name) else self.side) for name in self.requested_mm]

    @cached_property
    def scene(self) -> LevelArrays:
        """The base's scene with these targets."""
        names, sizes = list(self.requested_mm), [len(points) for points in self.requested_mm.values()]
        points = np.ascontiguousarray(np.concatenate(list(self.requested_mm.values())).T, dtype=np.float32)
        at_disc = [name in FROM_TARGETS and FROM_TARGETS[name][1] in AT_DISC for name in names]
        goals = self.base.scene.goals._replace(
            xyz=points,
            side=np.repeat(self.side_of_set, sizes).astype(np.int32),
            set=np.repeat(np.arange(len(names)), sizes).astype(np.int32),
            at_disc=np.repeat(at_disc, sizes).astype(bool),
        )
        return replace(self.base.scene, goals=goals, sets=tuple(names))

    @cached_property
    def pars_and_base_samples(self) -> ParsAndBaseSamples:
        """The base's."""
        return self.base.pars_and_base_samples

    def seen_by(self, far: bool) -> Float:
        """(N, 3) array, level frame: the points for which the near or the far phase must be deep enough."""
        mine = [points for name, points in self.requested_mm.items() if _is_across(name) == far]
        # a task on one side only still has two phases: the other is laid as deep
        return np.concatenate(mine or list(self.requested_mm.values()))


def _is_across(name: str) -> bool:
    return name in FROM_TARGETS and FROM_TARGETS[name][0]


def level_for_task(prepared: PreparedLevel, side: Side, task: Sequence[str] = NAMES) -> TaskLevel:
    """The level with what a task asks of an approach from that side; AnatomyNotFound where none of it is in view."""
    to_level_mm = prepared.level.frame.to_level_mm
    task_level = prepared.task_targets.seen_from(side, task)
    in_view = {name: to_level_mm(points) for name, points in task_level.items() if len(points)}
    if not in_view:
        raise AnatomyNotFound(
            f"targets of {prepared.level.name}",
            "must be in view to search for a way to them",
            do="Ask for other targets with --task, or correct the labels of this level.",
        )
    return TaskLevel(prepared.anatomy, prepared.level, prepared.limits, base=prepared, side=side, requested_mm=in_view)
