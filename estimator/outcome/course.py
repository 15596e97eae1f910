"""The course of a resection: when each voxel goes, if the steps are gone through one after the other.

Time counts steps: 0 before the first, 1 when it is done, and so on. Within the first step bone goes from dorsal to
ventral, as a burr thins the lamina; within the others from the approach's side across to the far one. The share of a
step that is done is the share of its bone and tissue that has gone. Only the end of each step is the plan's; the course
between two of them is drawn to be looked at, and says nothing about how an operation has to be done.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from canalwise.estimator.approach.approach import other_side
from canalwise.estimator.limit_rules import RELATIONS
from canalwise.estimator.outcome.outcome_values import ResectionCost
from canalwise.estimator.outcome.steps import NEAR, STEP_NAMES, area_of_each_mm2, removed_level_mm, step_of_each
from canalwise.estimator.resection.resection_level import Resection
from canalwise.recon.grid import Float
from canalwise.recon.labels import Part, Side

INSTANTS_A_STEP = 10
"""Running numbers are given this often within a step."""


JOINT_PARTS: dict[Side, tuple[Part, ...]] = {
    "left": (Part.INFERIOR_ARTICULAR_LEFT, Part.SUPERIOR_ARTICULAR_LEFT),
    "right": (Part.INFERIOR_ARTICULAR_RIGHT, Part.SUPERIOR_ARTICULAR_RIGHT),
}
"""The processes whose bone stands for a joint while the steps run."""


@dataclass(frozen=True, eq=False)
class Course:
    """When everything goes, in steps done.

    Parameters
    ----------
    removed_at : (n,) array, of the removal's voxels
    taken_at : (N,) array, of the decompression set's
    instants : (m,) array, at which the running numbers are given, from 0 to the number of steps
    bone_mm3, area_mm2 : (m,) arrays, bone taken and mean area gained until then
    joint_frac : for each relation (m,) array, how much of what goes of that joint's processes has gone
    """

    removed_at: Float
    taken_at: Float
    instants: Float
    bone_mm3: Float
    area_mm2: Float
    joint_frac: dict[str, Float]


def course_of(resection: Resection) -> Course:
    """The course of a resection; the numbers at the end of each step are those of `steps_of`, summed up."""
    of_bone, of_tissue = step_of_each(resection)
    place, bone = removed_level_mm(resection), resection.removal.taken_mm3.astype(float)
    area, side = area_of_each_mm2(resection), resection.approach.side
    removed_at = _times(resection, of_bone, place, bone)
    taken_at = _times(resection, of_tissue, resection.at.wanted.level_mm, area)
    instants = np.linspace(0.0, len(STEP_NAMES), len(STEP_NAMES) * INSTANTS_A_STEP + 1)
    parts, joints = resection.removal.labels % 100, {}
    for relation, s in zip(RELATIONS, (side, other_side(side)), strict=True):
        done = _until(instants, removed_at, bone * np.isin(parts, JOINT_PARTS[s]))
        joints[relation] = done / done[-1] if done[-1] > 0 else np.zeros_like(done)
    sums = _until(instants, removed_at, bone), _until(instants, taken_at, area)
    return Course(removed_at, taken_at, instants, *sums, joints)


def course_as_json(course: Course, cost: ResectionCost, side: Side) -> dict[str, Any]:
    """Steps and running numbers; of a joint, its loss in proportion to how much of what goes of its bone has gone."""
    kept = {r: cost.facets.get(s) for r, s in zip(RELATIONS, (side, other_side(side)), strict=True)}
    return {
        "steps": list(STEP_NAMES),
        "instants": course.instants.tolist(),
        "bone_mm3": course.bone_mm3.tolist(),
        "area_gained_mm2": course.area_mm2.tolist(),
        "facet_kept_frac": {
            r: None
            if one is None or np.isnan(one.area_frac)
            else (1.0 - (1.0 - one.area_frac) * course.joint_frac[r]).tolist()
            for r, one in kept.items()
        },
    }


def _times(resection: Resection, step: np.ndarray, level_mm: Float, weight: Float) -> Float:
    """(n,) array: the step, and how much of it is done when each place goes."""
    toward = 1.0 if resection.approach.side == "left" else -1.0
    order = np.where(step == NEAR, -level_mm[:, 1], -toward * level_mm[:, 0])
    out = step.astype(float)
    for each in range(len(STEP_NAMES)):
        mine = np.flatnonzero(step == each)
        rank = mine[np.argsort(order[mine], kind="stable")]
        done = np.cumsum(weight[rank])
        if len(rank) and done[-1] > 0:
            out[rank] += done / done[-1]
    return out


def _until(instants: Float, at: Float, amount: Float) -> Float:
    """(m,) array: what has gone by each instant."""
    order = np.argsort(at, kind="stable")
    total = np.concatenate([[0.0], np.cumsum(amount[order])])
    return np.asarray(total[np.searchsorted(at[order], instants + 1e-9, side="right")])
