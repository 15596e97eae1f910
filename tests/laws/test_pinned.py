"""The mirror image of the patient, entered from the other side, compares the same, left and right exchanged."""

from __future__ import annotations

from dataclasses import replace

import pytest

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.batch.outcomes_by_relation import USUAL_WANTED
from canalwise.estimator.comparison.plan_rows import PlanRow, PlanTableTask
from canalwise.estimator.comparison.plan_table import pinned
from canalwise.estimator.comparison.quantities import QUANTITIES
from canalwise.estimator.level.target_names import NAMES
from canalwise.recon.anatomy import Anatomy
from tests.laws.scenes import Scene, mirror_image, mirrored, ready_level

TOLERANCE = {"mm": 0.25, "mm2": 3.0, "mm3": 30.0, "fraction": 0.08}
"""Voxels and frame are mirrored, samples within voxels are not: 0.02 mm, 0.5 mm2, 8 mm3, one target in 42 differed."""

FACET_TOL = 0.01

Pair = tuple[tuple[PlanRow, ...], tuple[PlanRow, ...]]


def flatter(plan: Approach) -> Approach:
    """The plan tilted further over the top."""
    near, far = plan.phases
    return replace(plan, phases=(near, replace(far, medial_tilt_deg=far.medial_tilt_deg + 9.0)))


def compared(anatomy: Anatomy, plan: Approach) -> tuple[PlanRow, ...]:
    pinning = PlanTableTask((plan, flatter(plan), mirrored(plan)), USUAL_WANTED, midline=True, both=True)
    return pinned(ready_level(anatomy), pinning)


@pytest.fixture(scope="module")
def pair(plain: Scene) -> Pair:
    return compared(plain.anatomy, plain.approach), compared(mirror_image(plain.anatomy), mirrored(plain.approach))


def across(name: str) -> str:
    """The same quantity of the other side of the patient."""
    side, _, rest = name.partition("_")
    return {"left": f"right_{rest}", "right": f"left_{rest}"}.get(side, name)


RESECTION_TOL_MM3 = 30.0
"""8 % of some 375 mm3, as of charts: lines chosen are a local best, and which one depends on rounding, so on the
processor. Ten tilts differed by 4 % at most, these plans by 9 mm3; another processor exceeded 15 mm3, a bite or two."""


def tolerance(name: str) -> float:
    if name == "resection_bone":
        return RESECTION_TOL_MM3
    return FACET_TOL if name.endswith("facet") else TOLERANCE[QUANTITIES[name].unit]


def test_mirroring_the_patient_exchanges_left_and_right(pair: Pair) -> None:
    for here, there in zip(*pair, strict=True):
        assert set(there.values) == {across(name) for name in here.values}
        for name, value in here.values.items():
            assert there.values[across(name)] == pytest.approx(value, abs=tolerance(name)), name


def test_differences_are_mirrored_too(pair: Pair) -> None:
    reported = 0
    for here, there in zip(pair[0][1:], pair[1][1:], strict=True):
        for name in QUANTITIES:
            mine, theirs = here.difference(pair[0][0], name), there.difference(pair[1][0], across(name))
            assert (mine is None) == (theirs is None)
            if mine is not None and theirs is not None:
                reported += 1
                assert theirs[0] == pytest.approx(mine[0], abs=2 * tolerance(name)), (here.name, name)
    assert reported > 30


def test_a_plan_against_itself_differs_by_nothing_at_all(plain: Scene) -> None:
    again = PlanTableTask((plain.approach, plain.approach), USUAL_WANTED)
    first, second = pinned(ready_level(plain.anatomy), again)
    assert {second.difference(first, name) for name in QUANTITIES} == {(0.0, (0.0, 0.0))}


@pytest.mark.thorough
def test_both_sides_are_given_the_task_of_the_plans(plain: Scene) -> None:
    """Where nothing was chosen, the recesses count for both sides too, and not every set there is."""
    prepared, plans = ready_level(plain.anatomy), (plain.approach, mirrored(plain.approach))
    everything, recesses = (
        pinned(prepared, PlanTableTask(plans, task, both=True))[-1] for task in (NAMES, USUAL_WANTED)
    )
    assert everything.values["all_targets"] == recesses.values["all_targets"] > 0
    assert everything.values["reached"] < recesses.values["reached"]


def test_left_and_right_are_distinguished(pair: Pair) -> None:
    """Else a table that swaps sides would pass."""
    flat = pair[0][1].values
    assert flat["left_facet"] - flat["right_facet"] > 2 * FACET_TOL
