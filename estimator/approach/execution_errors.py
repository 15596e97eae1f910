"""How far the hand lays an approach from its plan: errors as records, and disturbed copies of an approach.

A copy's pivot is moved by the error of entry and docking and by the residual of registration (plan against patient),
alike for all phases, for skin and fascia hold it; each phase is then tilted about its own pivot and driven too deep or
not deep enough, independently of the others, for each is laid anew.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.table import ApproachTable, axes_level, table_of
from canalwise.estimator.limits import Limit
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Float

ASSUMED = "assumption: common practice, no figure for this approach could be read anywhere"

DEFAULTS: Mapping[str, Limit] = MappingProxyType(
    {
        "entry_sd_mm": Limit(1.5, "mm", f"entry and docking, lateral and cranial each; {ASSUMED}", "PRACTICE"),
        "medial_tilt_sd_deg": Limit(2.0, "deg", f"each phase; {ASSUMED}", "PRACTICE"),
        "cranial_tilt_sd_deg": Limit(2.0, "deg", f"each phase; {ASSUMED}", "PRACTICE"),
        "depth_sd_mm": Limit(1.0, "mm", f"sleeve and tool together, each phase; {ASSUMED}", "PRACTICE"),
        "registration_sd_mm": Limit(0.7, "mm", f"plan against patient, each axis; {ASSUMED}", "PRACTICE"),
    }
)
"""Standard deviations of normal errors of mean 0."""

ENTRY, REGISTRATION, TILT, DEPTH = "entry", "registration", "tilt", "depth"
BY_HAND = (ENTRY, REGISTRATION, TILT, DEPTH)
"""Causes that leave a plan's own numbers alone, and only part it from what is carried out."""

COMMON, PER_PHASE = (ENTRY, ENTRY, REGISTRATION, REGISTRATION, REGISTRATION), (TILT, TILT, DEPTH)
"""Cause of each number drawn: entry (lateral, cranial), registration (left, dorsal, cranial), then per phase medial
tilt, cranial tilt and depth."""


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
        """Other values for named errors; their source then reads 'set by the user'."""
        if unknown := set(values) - set(self.records):
            raise WrongUse("execution errors", f"must be among {', '.join(self.records)}", got=sorted(unknown))
        changed = {n: replace(self.records[n], value=v, source="set by the user") for n, v in values.items()}
        return ExecutionErrors(dict(self.records) | changed)


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
    tilted = replace(
        plan,
        medial_deg=plan.medial_deg + errors.value("medial_tilt_sd_deg") * normals[:, first::3],
        cranial_deg=plan.cranial_deg + errors.value("cranial_tilt_sd_deg") * normals[:, first + 1 :: 3],
        sleeve_past_mm=plan.sleeve_past_mm + depth_mm,
        tip_past_mm=plan.tip_past_mm + depth_mm,
    )
    shift_mm = errors.value("registration_sd_mm") * normals[:, 2:5]
    shift_mm[:, [0, 2]] += errors.value("entry_sd_mm") * normals[:, :2]
    # a table lays its pivot behind the docking point along the first axis: tilting about the pivot moves that point
    turned = axes_level(tilted)[:, 0] - axes_level(plan)[:, 0]
    return replace(tilted, docking_mm=plan.docking_mm + shift_mm + plan.pivot_distance_mm[:, None] * turned)


def carried_out(approach: Approach, errors: ExecutionErrors, count: int, rng: np.random.Generator) -> ApproachTable:
    """So many copies of an approach as a hand might carry it out."""
    return disturbed(approach, errors, rng.standard_normal((count, len(causes_of(len(approach.phases))))))
