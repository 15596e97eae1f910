"""Outcomes of many approaches by relation to the approach side: ipsilateral and contralateral, limits, targets."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt

from canalwise.estimator.approach.approach import other_side
from canalwise.estimator.batch.outcomes import Outcomes
from canalwise.estimator.batch.row_widths import pars_mm
from canalwise.estimator.geometry.level_arrays import LevelArrays
from canalwise.estimator.level.target_names import FROM_TARGETS, NAMES
from canalwise.estimator.limit_rules import FACET_AREA, FACET_WIDTH, OF_THE_MIDLINE, PARS, RELATIONS
from canalwise.estimator.limits import Limits
from canalwise.estimator.removal.structure_names import OTHER, structures_of
from canalwise.recon.anatomy import Level
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Side

ENOUGH_FRAC = 0.8
"""A set of targets counts as reached from this share of its points on: the rest lies within a few millimetres of them
and is freed by the tool's own width and by manual work (choice, no source)."""

USUAL_WANTED = ("ipsilateral recess", "contralateral recess")
"""What the operation is made for: both lateral recesses."""


@dataclass(frozen=True)
class RequiredTargets:
    """Target sets of `estimator.level.target_names` that must be reached, and the share of each that is enough.

    >>> RequiredTargets(("contralateral recess",), 1.0).enough_frac
    1.0
    """

    names: tuple[str, ...] = USUAL_WANTED
    enough_frac: float = ENOUGH_FRAC

    def __post_init__(self) -> None:
        if not self.names or (unknown := set(self.names) - set(FROM_TARGETS)):
            names = sorted(unknown) if self.names else "none"
            raise WrongUse("what is wanted", f"must be among {', '.join(FROM_TARGETS)}", got=names)
        if not 0 < self.enough_frac <= 1:
            raise WrongUse("'enough_frac'", "must be in (0, 1]", got=self.enough_frac)


def wanted_of_task(task: Sequence[str]) -> RequiredTargets:
    """What a task asks for, as far as charts can judge it; both recesses where it asks for everything or for none such.

    >>> wanted_of_task(("contralateral disc border", "roof")).names
    ('contralateral disc border',)
    """
    requested = tuple(name for name in task if name in FROM_TARGETS)
    return RequiredTargets() if not requested or set(task) == set(NAMES) else RequiredTargets(requested)


@dataclass(frozen=True, eq=False)
class OutcomesByRelation:
    """Outcomes of A approaches from one side: taken, kept, reached; every array is (A,), NaN where not in view.

    Parameters
    ----------
    bone_mm3 : all bone the whole sweep takes; `structure_mm3` the same by structure, summing to it
    facet_area_frac, facet_width_frac, pars_mm : what stays, by relation to the approach
    undercut_frac, bridge_mm : of the spinous base; lateral_removal_mm : farthest bone taken from the midline
    reach_mm : farthest touched from the midline at disc level; clearance_mm : least of the tool to the sac
    targets_frac : share of each target set that is touched, such as 'contralateral recess'
    """

    bone_mm3: Float
    structure_mm3: dict[str, Float]
    facet_area_frac: dict[str, Float]
    facet_width_frac: dict[str, Float]
    pars_mm: dict[str, Float]
    undercut_frac: Float
    bridge_mm: Float
    lateral_removal_mm: Float
    reach_mm: dict[str, Float]
    clearance_mm: dict[str, Float]
    targets_frac: dict[str, Float]

    def __len__(self) -> int:
        return len(self.bone_mm3)

    def rows(self, which: npt.NDArray[np.intp] | npt.NDArray[np.bool_] | slice) -> OutcomesByRelation:
        """The same of some of the approaches, by index, mask or slice.

        `which` indexes the (A,) approaches: (K,) integers, an (A,) mask, or a slice.
        """
        return OutcomesByRelation(**{f.name: _rows(getattr(self, f.name), which) for f in fields(OutcomesByRelation)})

    def followed_by(self, other: OutcomesByRelation) -> OutcomesByRelation:
        """These approaches and then the other ones."""
        return OutcomesByRelation(
            **{f.name: _followed(getattr(self, f.name), getattr(other, f.name)) for f in fields(OutcomesByRelation)}
        )

    def short_frac(self, wanted: RequiredTargets) -> Float:
        """(A,) array: by how much the wanted sets fall short of enough, summed; 0 where all are reached."""
        short = [wanted.enough_frac - np.nan_to_num(self.targets_frac[name], nan=0.0) for name in wanted.names]
        return np.asarray(np.clip(short, 0.0, None).sum(axis=0))

    def wanted_frac(self, wanted: RequiredTargets) -> Float:
        """(A,) array: the least share touched among the wanted sets."""
        return np.asarray(np.min([np.nan_to_num(self.targets_frac[name], nan=0.0) for name in wanted.names], axis=0))


def _rows(value: Any, which: Any) -> Any:
    return {name: array[which] for name, array in value.items()} if isinstance(value, dict) else value[which]


def _followed(value: Any, other: Any) -> Any:
    if isinstance(value, dict):
        return {name: np.concatenate([array, other[name]]) for name, array in value.items()}
    return np.concatenate([value, other])


def outcomes_by_relation(level: Level, side: Side, outcomes: Outcomes) -> OutcomesByRelation:
    """The outcomes of approaches that all come from one side; the sweep is costed, not the task."""
    near = SIDES.index(side)
    sides = dict(zip(RELATIONS, (near, 1 - near), strict=True))
    taken, total = outcomes.taken, outcomes.taken.bone_mm3
    by_structure = {name: taken.of(*labels) for name, labels in structures_of(level, side).items()}
    rest = total - np.sum(list(by_structure.values()), axis=0)
    sets = taken.scene.sets
    return OutcomesByRelation(
        bone_mm3=total,
        structure_mm3=by_structure | {OTHER: np.maximum(rest, 0.0)},
        facet_area_frac=_by_relation(outcomes.facet_area_frac, sides),
        facet_width_frac=_by_relation(outcomes.facet_width_frac, sides),
        pars_mm=_by_relation(outcomes.pars_mm, sides),
        undercut_frac=outcomes.undercut_frac,
        bridge_mm=outcomes.bridge_mm,
        lateral_removal_mm=taken.lateral_mm,
        reach_mm=_by_relation(outcomes.lateral_mm, sides),
        clearance_mm=_by_relation(outcomes.clearance_mm, sides),
        targets_frac={set_name(relation, name): np.asarray(outcomes.reached_frac[:, s, sets.index(name)], dtype=float)
                      if name in sets else np.full(len(total), np.nan)
                      for relation, s in sides.items() for name in TARGET_SETS},
    )  # fmt: skip


def _by_relation(values: Float, sides: Mapping[str, int]) -> dict[str, Float]:
    return {relation: np.asarray(values[:, s], dtype=float) for relation, s in sides.items()}


TARGET_SETS = tuple(dict.fromkeys(name for _, name in FROM_TARGETS.values()))
"""Names of a side's target sets."""


def set_name(relation: str, target_set: str) -> str:
    """The name of one side's set as `estimator.level.target_names` has it.

    >>> set_name("contralateral", "lateral recess")
    'contralateral recess'
    """
    return f"{relation} {target_set.removeprefix('lateral ')}"


def pars_before_mm(scene: LevelArrays, side: Side) -> dict[str, float]:
    """Relation -> least width of the pars before any removal, as the batch counts it, mm; NaN where not in view.

    The batch's rows lie elsewhere than the exact answer's samples, so only its own count tells what was lost.
    """
    before = dict(zip(SIDES, pars_mm(scene, scene.pars.before_run[None])[0], strict=True))
    return {relation: float(before[s]) for relation, s in zip(RELATIONS, (side, other_side(side)), strict=True)}


def margins_frac(by_relation: OutcomesByRelation, limits: Limits, pars_before: Mapping[str, float]) -> dict[str, Float]:
    """Name of each check -> (A,) array: by which share of its limit it is kept; negative broken, NaN not measured.

    The rules are those of `estimator.limit_rules`, held against the whole sweep. A pars that loses nothing breaks none.
    """
    kept: dict[str, Float] = {}
    for relation in RELATIONS:
        for rule, values in (
            (FACET_AREA, by_relation.facet_area_frac),
            (FACET_WIDTH, by_relation.facet_width_frac),
            (PARS, by_relation.pars_mm),
        ):
            kept[f"{relation} {rule.name}"] = rule.margin_frac(values[relation], limits.value(rule.limit))
        pars = f"{relation} {PARS.name}"
        untouched = by_relation.pars_mm[relation] >= pars_before[relation]
        kept[pars] = np.where(untouched, np.maximum(kept[pars], 0.0), kept[pars])
    for rule in OF_THE_MIDLINE:
        kept[rule.name] = rule.margin_frac(getattr(by_relation, rule.quantity), limits.value(rule.limit))
    return kept
