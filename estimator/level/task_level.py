"""The scene of a level with every set of targets that a task may ask for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from canalwise.estimator.geometry.level_arrays import LevelArrays
from canalwise.estimator.level.target_names import MIDLINE
from canalwise.recon.grid import Float


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
