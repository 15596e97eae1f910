"""How many approaches at a time stand against the limits, and what they reach of what is asked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from canalwise.estimator.approach.search_bounds import ENTRY_LATERAL_MM
from canalwise.estimator.approach.table import ApproachTable, pivots_level_mm
from canalwise.estimator.batch.outcomes import Outcomes
from canalwise.estimator.batch.outcomes_by_relation import (
    ENOUGH_FRAC,
    margins_frac,
    outcomes_by_relation,
    pars_before_mm,
)
from canalwise.estimator.level.task_level import TaskLevel
from canalwise.estimator.limit_rules import rule_of
from canalwise.recon.grid import Float
from canalwise.recon.labels import Mask

SHARE_TOL = 1e-9
"""Rounding of a share of points."""


@dataclass(frozen=True, eq=False)
class Score:
    """What a search weighs of A approaches.

    Parameters
    ----------
    bone_mm3 : (A,) array
    reach_frac : (A,) array, mean over the asked sets in view of the share touched
    missed_frac : (A,) array, by how much the asked sets fall short of ENOUGH_FRAC, summed; 0 where all are reached
    facet_frac : (A,) array, the least that stays of a joint, surface or width, either side; 1 where none is in view
    broken : (A,) array, by how much limits are broken, each as a share of itself, summed; 0 where all are kept
    """

    bone_mm3: Float
    reach_frac: Float
    missed_frac: Float
    facet_frac: Float
    broken: Float

    def rows(self, which: Mask | slice) -> Score:
        """Those of some of the approaches."""
        return Score(*(getattr(self, field.name)[which] for field in fields(self)))

    @property
    def kept(self) -> Mask:
        """(A,) array: are all limits kept?"""
        return np.asarray(self.broken == 0.0)


def joined_scores(many: Sequence[Score]) -> Score:
    """One after the other; of none an empty one."""
    columns = [field.name for field in fields(Score)]
    return Score(*(np.concatenate([np.empty(0), *(getattr(one, name) for one in many)]) for name in columns))


def guarded_score(task_level: TaskLevel, table: ApproachTable, found: Outcomes) -> Score:
    """How approaches of a search stand: limits kept with the guard of each rule, entries within ENTRY_LATERAL_MM."""
    return _standing(task_level, found, _broken(task_level, found, guarded=True) + _outside_entry(task_level, table))


def score_in_force(task_level: TaskLevel, found: Outcomes) -> Score:
    """How approaches stand against the limits as they are."""
    return _standing(task_level, found, _broken(task_level, found, guarded=False))


def _standing(task_level: TaskLevel, found: Outcomes, broken: Float) -> Score:
    facets = np.nan_to_num(np.concatenate([found.facet_area_frac, found.facet_width_frac], axis=1), nan=1.0)
    shares = set_shares(task_level, found)
    missed = np.maximum(ENOUGH_FRAC - SHARE_TOL - shares, 0.0).sum(axis=1)
    return Score(found.taken.bone_mm3, shares.mean(axis=1), missed, facets.min(axis=1), broken)


def set_shares(task_level: TaskLevel, found: Outcomes) -> Float:
    """(A, S) array: share touched of each asked set."""
    return np.asarray(found.reached_frac[:, task_level.side_of_set, np.arange(len(task_level.requested_mm))])


def _broken(task_level: TaskLevel, found: Outcomes, guarded: bool) -> Float:
    """(A,) array: by how much limits are broken, each as a share of it; what could not be measured breaks none."""
    margins = margins_frac(
        outcomes_by_relation(task_level.level, task_level.side, found),
        task_level.limits,
        pars_before_mm(task_level.scene, task_level.side),
    )
    kept = [margin - (rule_of(name).batch_guard_frac if guarded else 0.0) for name, margin in margins.items()]
    return np.asarray(np.nan_to_num(np.maximum(-np.array(kept), 0.0), nan=0.0).sum(axis=0))


def _outside_entry(task_level: TaskLevel, table: ApproachTable) -> Float:
    """(A,) array: how far pivots lie outside ENTRY_LATERAL_MM, as a share of its width."""
    lateral = pivots_level_mm(table)[:, :, 0] * (1.0 if task_level.side == "left" else -1.0)
    bound = ENTRY_LATERAL_MM
    outside = np.maximum(np.maximum(bound.low - lateral, lateral - bound.high), 0.0)
    return np.asarray(outside.sum(axis=1) / (bound.high - bound.low))
