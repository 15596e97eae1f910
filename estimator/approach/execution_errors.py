"""Execution errors of an approach as records of their standard deviations, and disturbed copies of an approach.

1. Errors act at the bone: the docking point is moved by the error of entry and by the residual of registration
   (plan against patient), alike for all phases, for skin and fascia hold the instrument.
2. The first phase is tilted about the docking point, so that the pivot moves and the bone met does not.
3. Later phases are steered by sight: from the pivot as it then lies each aims at the place that was planned, which is
   seen, and misses it by a residual of its own.
4. Each phase is driven too deep or not deep enough, independently of the others, for each is set up anew.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.error_presets import PRESETS, USUAL, preset_records
from canalwise.estimator.approach.table import ApproachTable, axes_level, pivots_level_mm, table_of
from canalwise.estimator.limits import Limit
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Float

DEFAULTS: Mapping[str, Limit] = PRESETS[USUAL]
"""Standard deviations of normal errors of mean 0: those of the usual guidance and experience."""

ENTRY, REGISTRATION, TILT, DEPTH = "entry", "registration", "tilt", "depth"
BY_EXECUTION = (ENTRY, REGISTRATION, TILT, DEPTH)
"""Causes that leave a plan's own numbers alone, and only part it from what is carried out."""

COMMON, PER_PHASE = (ENTRY, ENTRY, REGISTRATION, REGISTRATION, REGISTRATION), (TILT, TILT, DEPTH)
"""Cause of each number drawn: entry (lateral, cranial), registration (left, dorsal, cranial), then per phase medial
tilt, cranial tilt and depth; what misses a later phase's aim counts as tilt."""


@dataclass(frozen=True)
class ExecutionErrors:
    """The errors in force.

    >>> ExecutionErrors().value("entry_sd_mm"), ExecutionErrors().changed(entry_sd_mm=3.0).value("entry_sd_mm")
    (1.5, 3.0)
    """

    records: Mapping[str, Limit] = field(default_factory=lambda: DEFAULTS)

    def __post_init__(self) -> None:
        if unknown := set(self.records) ^ set(DEFAULTS):
            raise WrongUse("execution errors", f"must hold exactly {', '.join(DEFAULTS)}", got=sorted(unknown))
        if bad := [name for name, record in self.records.items() if not record.value >= 0]:
            raise WrongUse("execution errors", "must be standard deviations of 0 or more", got=bad)

    def value(self, name: str) -> float:
        """The standard deviation in its own unit."""
        return self.records[name].value

    def changed(self, **values: float) -> ExecutionErrors:
        """Other values for named errors; their source then reads 'set by the user'.

        >>> ExecutionErrors().changed(depth_sd_mm=2.0).value("depth_sd_mm")
        2.0
        """
        if unknown := set(values) - set(self.records):
            raise WrongUse("execution errors", f"must be among {', '.join(self.records)}", got=sorted(unknown))
        changed = {n: replace(self.records[n], value=v, source="set by the user") for n, v in values.items()}
        return ExecutionErrors(dict(self.records) | changed)


def execution_errors_of(guidance: str, experience: str) -> ExecutionErrors:
    """The errors of a guidance and an experience (`estimator.approach.error_presets`), by name.

    >>> execution_errors_of("free-hand", "trainee").value("entry_sd_mm")
    4.2
    """
    return ExecutionErrors(preset_records(guidance, experience))


def causes_of(phases: int) -> tuple[str, ...]:
    """Cause of each of the numbers that disturb an approach of so many phases.

    >>> len(causes_of(2)), causes_of(1)[-1]
    (11, 'depth')
    """
    return COMMON + phases * PER_PHASE


def disturbed(approach: Approach, errors: ExecutionErrors, normals: Float) -> ApproachTable:
    """Copies of an approach, one per row of (A, K) numbers in standard deviations, K as in `causes_of`.

    >>> from canalwise.estimator.approach.approach import Phase
    >>> plan = Approach("L3-L4", "left", (8.0, 12.0, 0.0), 50.0, (Phase("ipsilateral", 0.0),))
    >>> moved = disturbed(plan, ExecutionErrors(), np.array([[1.0, 0, 0, 0, 0, 0, 0, 0]]))
    >>> moved.docking_mm.tolist()
    [[9.5, 12.0, 0.0]]
    """
    plan = table_of([approach]).rows(np.zeros(len(normals), dtype=np.intp))
    first = len(COMMON)
    depth_mm = errors.value("depth_sd_mm") * normals[:, first + 2 :: 3]
    shift_mm = errors.value("registration_sd_mm") * normals[:, 2:5]
    shift_mm[:, [0, 2]] += errors.value("entry_sd_mm") * normals[:, :2]
    medial, cranial = plan.medial_deg.copy(), plan.cranial_deg.copy()
    medial[:, 0] += errors.value("medial_tilt_sd_deg") * normals[:, first]
    cranial[:, 0] += errors.value("cranial_tilt_sd_deg") * normals[:, first + 1]
    docked = replace(
        plan,
        docking_mm=plan.docking_mm + shift_mm,
        medial_deg=medial,
        cranial_deg=cranial,
        sleeve_past_mm=plan.sleeve_past_mm + depth_mm,
        tip_past_mm=plan.tip_past_mm + depth_mm,
    )
    return _steered_by_sight(plan, docked, errors.value("sight_sd_mm") * normals[:, first:])


def _steered_by_sight(plan: ApproachTable, docked: ApproachTable, residual_mm: Float) -> ApproachTable:
    """Phases after the first turned from their present pivots to the planned tips, but for (A, 3 P) residuals."""
    if len(plan.phase_names) == 1:
        return docked
    length = plan.pivot_distance_mm[:, None] + plan.tip_past_mm
    pivots = pivots_level_mm(docked)
    direction = (pivots_level_mm(plan) - pivots) + length[..., None] * axes_level(plan)
    toward_other_side = np.where(plan.from_left, -1.0, 1.0)[:, None]
    # an untouched phase keeps its very angles
    turned = np.abs(pivots - pivots_level_mm(plan)).max(axis=-1) > 0
    medial = np.where(
        turned, np.degrees(np.arctan2(toward_other_side * direction[..., 0], -direction[..., 1])), plan.medial_deg
    )
    cranial = np.where(
        turned, np.degrees(np.arcsin(direction[..., 2] / np.linalg.norm(direction, axis=-1))), plan.cranial_deg
    )
    medial = medial + np.degrees(residual_mm[:, 0::3] / length)
    cranial = cranial + np.degrees(residual_mm[:, 1::3] / length)
    medial[:, 0], cranial[:, 0] = docked.medial_deg[:, 0], docked.cranial_deg[:, 0]
    return replace(docked, medial_deg=medial, cranial_deg=cranial)


def executed_approaches(
    approach: Approach, errors: ExecutionErrors, count: int, rng: np.random.Generator
) -> ApproachTable:
    """So many copies of an approach, each with random execution errors.

    >>> from canalwise.estimator.approach.approach import Phase
    >>> plan = Approach("L3-L4", "left", (8.0, 12.0, 0.0), 50.0, (Phase("ipsilateral", 0.0),))
    >>> len(executed_approaches(plan, ExecutionErrors(), 100, np.random.default_rng(1)))
    100
    """
    return disturbed(approach, errors, rng.standard_normal((count, len(causes_of(len(approach.phases))))))
