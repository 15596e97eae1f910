"""A virtual cohort: made-up narrow spines, each operated from the left, from the right and from both sides.

Every spine has the usual plan, carried out with errors drawn from one of the presets of guidance and experience, each
preset in turn. From both sides, each entry frees its own half, by errors of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import product

import numpy as np

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.error_presets import EXPERIENCES, GUIDANCES
from canalwise.estimator.approach.execution_errors import ExecutionErrors, execution_errors_of
from canalwise.estimator.execution.executed_resection import NORMALS, displacement_of, executed_resection
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.outcome.decompressed import DecompressedLevel
from canalwise.estimator.outcome.freed import freed_with
from canalwise.estimator.outcome.joined_outcome import joined_removal
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.estimator.resection.resection import resection_level_of, resection_of
from canalwise.estimator.resection.resection_level import Resection, ResectionLevel, with_set
from canalwise.recon.labels import SIDES
from canalwise.workbench.validation.published_resections import lost_frac, numbers, prepared_case

SEED = 31
PRESETS = tuple(product(GUIDANCES, EXPERIENCES))

GAINED, FROM_BOTH = "room of the sac gained at the disc, mm2", "room gained at the disc from both sides, mm2"
DIFFERENCE = "room gained from both sides less from one, mm2"
SIDE_DIFFERENCE = "room gained from the left less from the right, mm2"
JOINTS_FROM_BOTH = "facet volume kept from both sides, %"


def operated_spine(seed: int, spacing_mm: float) -> list[dict[str, float]]:
    """The numbers of a spine's operations: from the left, from the right, and what from both sides compares with them.

    Parameters
    ----------
    seed : of the spine (`phantoms.cases.stenotic`) and of its errors
    spacing_mm : edge of its voxels

    Raises
    ------
    CanalwiseError : a level that cannot be planned
    """
    prepared, rng = prepared_case(seed, spacing_mm), np.random.default_rng([SEED, seed])
    errors, at = execution_errors_of(*PRESETS[seed % len(PRESETS)]), resection_level_of(prepared)
    plans = [default_approach(prepared.anatomy, prepared.level.name, side) for side in SIDES]
    rows = [numbers(DecompressedLevel(prepared, _executed(at, plan, errors, rng))) for plan in plans]
    halves = [
        _executed(with_set(at, at.wanted.half(side)), plan, errors, rng)
        for side, plan in zip(SIDES, plans, strict=True)
    ]
    left, right = (row[GAINED] for row in rows)
    both = from_both_sides(prepared, at, halves)
    return [*rows, both | {DIFFERENCE: both[FROM_BOTH] - (left + right) / 2, SIDE_DIFFERENCE: left - right}]


def _executed(at: ResectionLevel, plan: Approach, errors: ExecutionErrors, rng: np.random.Generator) -> Resection:
    """A plan's resection, carried out with errors."""
    return executed_resection(resection_of(at, plan), displacement_of(plan, errors, rng.standard_normal(NORMALS)))


def from_both_sides(prepared: PreparedLevel, at: ResectionLevel, halves: Sequence[Resection]) -> dict[str, float]:
    """The numbers of a left and a right resection together, each of its own half of the set."""
    taken = np.zeros(len(at.wanted.voxels))
    for side, half in zip(SIDES, halves, strict=True):
        taken[at.wanted.on_side(side)] = half.taken_frac
    freed = freed_with(at, taken)
    removal = joined_removal(at.level_bone, [half.removal for half in halves])
    joined = DecompressedLevel(prepared, replace(halves[0], removal=removal))
    kept = [100 * (1 - lost_frac(joined, side)[1]) for side in SIDES]
    areas, disc = freed.areas, freed.at_disc
    return {
        FROM_BOTH: float(areas.sac_after_mm2[disc] - areas.sac_before_mm2[disc]),
        JOINTS_FROM_BOTH: float(np.mean(kept)),
    }
