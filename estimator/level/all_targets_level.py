"""A prepared level whose samples look at every set a task may ask for: of both sides, and of the midline."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from canalwise.estimator.geometry.level_arrays import LevelArrays
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.level.target_names import MIDLINE


@dataclass(frozen=True, eq=False, kw_only=True)
class AllTargetsLevel(PreparedLevel):
    """`base` with the sets of the midline among its targets; they count to the patient's left."""

    base: PreparedLevel

    @cached_property
    def scene(self) -> LevelArrays:
        """The base's scene with these targets."""
        scene, to_level_mm = self.base.scene, self.base.level.frame.to_level_mm
        points = [to_level_mm(self.base.task_targets.midline_ras_mm[name]) for name in MIDLINE]
        numbers, more = len(scene.sets) + np.arange(len(MIDLINE)), np.concatenate(points)
        goals = scene.goals._replace(
            xyz=np.ascontiguousarray(np.concatenate([scene.goals.xyz, more.T], axis=1), dtype=np.float32),
            side=np.append(scene.goals.side, np.zeros(len(more))).astype(np.int32),
            set=np.append(scene.goals.set, np.repeat(numbers, [len(each) for each in points])).astype(np.int32),
            at_disc=np.append(scene.goals.at_disc, np.zeros(len(more), dtype=bool)),
        )
        return replace(scene, goals=goals, sets=(*scene.sets, *MIDLINE))


def all_targets_level(prepared: PreparedLevel) -> AllTargetsLevel:
    """The level with every set."""
    return AllTargetsLevel(prepared.anatomy, prepared.level, prepared.limits, base=prepared)
