"""A level of which only the targets that a task asks for are looked at, by an approach from one side."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from canalwise.estimator.approach.approach import other_side
from canalwise.estimator.geometry.level_arrays import LevelArrays
from canalwise.estimator.level.level_bone import LevelBone
from canalwise.estimator.level.target_names import AT_DISC, FROM_TARGETS, MIDLINE
from canalwise.estimator.limits import Limits
from canalwise.recon.anatomy import Anatomy, Level
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Side


@dataclass(frozen=True, eq=False)
class TaskLevel:
    """What an approach from one side to some sets of targets is scored on.

    Parameters
    ----------
    anatomy, level, limits, level_bone : what the targets lie in, whatever the task
    side : of the approach
    requested_mm : name -> (N, 3) array, level frame, only sets that are in view
    scene : whose targets are those sets alone, each under its own name
    """

    anatomy: Anatomy
    level: Level
    limits: Limits
    level_bone: LevelBone
    side: Side
    requested_mm: Mapping[str, Float]
    scene: LevelArrays

    @property
    def side_of_set(self) -> list[int]:
        """Which side of the patient each asked set counts to, 0 left, 1 right; the midline's to the approach's own."""
        return side_of_sets(self.side, self.requested_mm)

    def seen_by(self, far: bool) -> Float:
        """(N, 3) array, level frame: the points for which the near or the far phase must be deep enough."""
        mine = [points for name, points in self.requested_mm.items() if _is_across(name) == far]
        # a task on one side only still has two phases: the other is laid as deep
        return np.concatenate(mine or list(self.requested_mm.values()))


def side_of_sets(side: Side, names: Mapping[str, Float]) -> list[int]:
    """Which side of the patient each set counts to for an approach from `side`: 0 left, 1 right.

    >>> side_of_sets("left", {"contralateral recess": np.zeros((1, 3)), "roof": np.zeros((1, 3))})
    [1, 0]
    """
    return [SIDES.index(other_side(side) if _is_across(name) else side) for name in names]


def scene_of_task(scene: LevelArrays, side: Side, requested_mm: Mapping[str, Float]) -> LevelArrays:
    """The scene with some sets of (N, 3) points of the level frame as its only targets."""
    names, sizes = list(requested_mm), [len(points) for points in requested_mm.values()]
    points = np.ascontiguousarray(np.concatenate(list(requested_mm.values())).T, dtype=np.float32)
    at_disc = [name in FROM_TARGETS and FROM_TARGETS[name][1] in AT_DISC for name in names]
    goals = scene.goals._replace(
        xyz=points,
        side=np.repeat(side_of_sets(side, requested_mm), sizes).astype(np.int32),
        set=np.repeat(np.arange(len(names)), sizes).astype(np.int32),
        at_disc=np.repeat(at_disc, sizes).astype(bool),
    )
    return replace(scene, goals=goals, sets=tuple(names))


def scene_of_all_targets(scene: LevelArrays, midline_mm: Mapping[str, Float]) -> LevelArrays:
    """The scene with the sets of the midline, name -> (N, 3) array of the level frame; they count to the left."""
    points = [midline_mm[name] for name in MIDLINE]
    numbers, more = len(scene.sets) + np.arange(len(MIDLINE)), np.concatenate(points)
    goals = scene.goals._replace(
        xyz=np.ascontiguousarray(np.concatenate([scene.goals.xyz, more.T], axis=1), dtype=np.float32),
        side=np.append(scene.goals.side, np.zeros(len(more))).astype(np.int32),
        set=np.append(scene.goals.set, np.repeat(numbers, [len(each) for each in points])).astype(np.int32),
        at_disc=np.append(scene.goals.at_disc, np.zeros(len(more), dtype=bool)),
    )
    return replace(scene, goals=goals, sets=(*scene.sets, *MIDLINE))


def _is_across(name: str) -> bool:
    return name in FROM_TARGETS and FROM_TARGETS[name][0]
