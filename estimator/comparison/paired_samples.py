"""Samples of borders and execution errors drawn once for all compared plans, and the plans disturbed by them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.execution_errors import ExecutionErrors, causes_of, disturbed
from canalwise.estimator.approach.table import ApproachTable, pivots_level_mm
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.planning.pivot_constraint import repeated, with_pivots
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Side

SAMPLES = 512
"""Samples of execution errors and borders, the same for every access."""


@dataclass(frozen=True, eq=False)
class PairedSamples:
    """What all accesses share: execution errors and positions of borders, in standard deviations.

    `execution_normals_of` (N, K) for the entry on that side; `border_mm`, `sac_mm`, `canal_mm` (N,) how much further in
    all bone borders, how much nearer the sac and how much further out the canal's wall lie; `seed` of all these.
    """

    execution_normals_of: dict[Side, Float]
    border_mm: Float
    sac_mm: Float
    canal_mm: Float
    seed: int


def samples_of(prepared: PreparedLevel, seed: int, phases: int = 2) -> PairedSamples:
    """SAMPLES draws for so many phases; the two sides' errors are independent, for each is entered anew."""
    rng, border_uncertainty = np.random.default_rng(seed), prepared.border_uncertainty
    execution = {side: rng.standard_normal((SAMPLES, len(causes_of(phases)))) for side in SIDES}
    border, sac = rng.standard_normal((2, SAMPLES))
    canal = rng.standard_normal(SAMPLES)
    return PairedSamples(
        execution,
        border * border_uncertainty.bone_mm,
        sac * border_uncertainty.sac_mm,
        canal * border_uncertainty.canal_here_mm,
        seed,
    )


def copies_of(
    plans: Sequence[Approach], errors: ExecutionErrors, execution_normals_of: Mapping[Side, Float]
) -> ApproachTable:
    """A plan, or the first phases of a left and a right one together, disturbed by each sample's errors.

    `execution_normals_of` (N, K) arrays in standard deviations; the answer has N rows.
    """
    entries = [
        disturbed(one, errors, execution_normals_of[one.side][:, : len(causes_of(len(one.phases)))]) for one in plans
    ]
    return entries[0] if len(entries) == 1 else both_entries(entries[0], entries[1])


def joined_plans(plans: Sequence[Approach]) -> ApproachTable:
    """One row: a plan, or the first phases of a left and a right one together."""
    tables = [repeated(plan, 1) for plan in plans]
    return tables[0] if len(tables) == 1 else both_entries(tables[0], tables[1])


def both_entries(left: ApproachTable, right: ApproachTable) -> ApproachTable:
    """Approaches of one phase from the left, and of one from the right, as approaches of two phases.

    The second phase is given as from the left: its medial tilt changes sign, its pivot keeps its place, and its depths
    are counted from the first one's pivot distance.
    """
    deeper = (right.pivot_distance_mm - left.pivot_distance_mm)[:, None]
    pivots = np.concatenate([pivots_level_mm(left), pivots_level_mm(right)], axis=1)
    columns = {
        "medial_deg": [left.medial_deg, -right.medial_deg],
        "cranial_deg": [left.cranial_deg, right.cranial_deg],
        "sweep_deg": [left.sweep_deg, right.sweep_deg],
        "sleeve_past_mm": [left.sleeve_past_mm, right.sleeve_past_mm + deeper],
        "tip_past_mm": [left.tip_past_mm, right.tip_past_mm + deeper],
    }
    both: dict[str, Any] = {name: np.concatenate(pair, axis=1) for name, pair in columns.items()}
    names = ("from the left", "from the right")
    return with_pivots(replace(left, phase_names=names, shift_mm=np.zeros_like(pivots), **both), pivots)
