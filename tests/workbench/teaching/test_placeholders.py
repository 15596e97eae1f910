"""What a lesson tells of a plan: every placeholder, held against the estimate's own numbers."""

from __future__ import annotations

from dataclasses import replace

import pytest

from canalwise.estimator.estimate.estimate import Estimate, estimate, estimate_of
from canalwise.estimator.estimate.estimate_json import estimate_as_json
from canalwise.estimator.estimate.intervals import no_intervals
from canalwise.estimator.planning.clock_positions import far_clock, near_clock
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.recon.labels import SIDES
from canalwise.workbench.console.json_results import with_decompression
from canalwise.workbench.style.phrases import amount, clock_words, percent
from canalwise.workbench.teaching.placeholders import (
    CAUSES,
    FACTS,
    HELD_BACK,
    NO_NUMBERS,
    NOT_IN_VIEW,
    PlanFacts,
    filled,
)
from tests.workbench import toy

LEVEL = "L3-L4"


@pytest.fixture(scope="module", params=SIDES)
def facts(request: pytest.FixtureRequest) -> PlanFacts:
    return PlanFacts(estimate(toy.anatomy(), default_approach(toy.anatomy(), LEVEL, request.param)))


@pytest.mark.parametrize("name", FACTS)
def test_every_placeholder_says_something_or_that_it_is_not_in_view(facts, name):
    reported = filled(f"({{{name}}})", facts)
    assert reported.startswith("(")
    assert not {"{", "}"} & set(reported)
    assert "nan" not in reported.lower()
    assert "none" not in reported.lower() or name == "limit:first"
    assert len(reported) > 2


def test_what_the_plan_is_about(facts):
    side, other = facts.side, next(side for side in SIDES if side != facts.side)
    reported = filled("{level} {upper} {lower} {side} {other side} {sac}", facts)
    assert reported == f"L3-L4 L3 L4 {side} {other} modelled"


def test_bone_is_that_of_the_estimate_and_its_parts_sum_to_the_whole(facts):
    plain = estimate_as_json(facts.estimate, no_intervals(facts.estimate))
    document = with_decompression(plain, facts.estimate.prepared, facts.estimate.approach, None)
    least = document["resection"] or document["task"]
    for kind, prefix, own in ((least, "mm3", facts.task_mm3), (document["cone"], "sweep mm3", facts.sweep_mm3)):
        bone = kind["bone_removed_mm3"]
        assert own == pytest.approx(bone["by_structure"] | {"total": bone["total"]})
        for name, mm3 in own.items():
            assert facts.reported(f"{prefix}:{name}") in (None, amount(mm3, "mm3", 0))
        assert facts.reported(f"{prefix}:total") == amount(bone["total"], "mm3", 0)


def test_what_is_kept_and_reached_is_that_of_the_estimate(facts):
    document = estimate_as_json(facts.estimate, no_intervals(facts.estimate))
    far, base = document["contralateral_reach"], document["spinous_base"]
    expected = {
        "facet:ipsilateral": percent(document["facet_preserved"]["ipsilateral"]["area_frac"]),
        "facet:contralateral": percent(document["facet_preserved"]["contralateral"]["area_frac"]),
        "spinous base:undercut": percent(base["undercut_frac"]),
        "spinous base:bridge": amount(base["bridge_mm"], "mm"),
        "canal:before": amount(document["decompression"]["canal_area_mm2"]["before"], "mm2", 0),
        "canal:after": amount(document["decompression"]["canal_area_mm2"]["after"], "mm2", 0),
        "reach:far": amount(far["lateral_mm"], "mm"),
        "reach:near": amount(document["ipsilateral_reach"]["lateral_mm"], "mm"),
        "reach:stops": CAUSES[far["limited_by"]],
        "reached:contralateral recess": percent(far["targets"]["lateral recess"]),
        "reached:contralateral disc border": percent(far["targets"]["disc border"]),
        "reached:ipsilateral canal wall": percent(document["ipsilateral_reach"]["targets"]["canal wall"]),
        "entry:depth": amount(document["skin_entry"]["depth_mm"], "mm", 0),
        "diameter:tool": "3.5 mm",
    }
    assert {name: facts.reported(name) for name in expected} == expected


def test_hours_are_those_of_the_clock(facts):
    prepared, approach = facts.estimate.prepared, facts.estimate.approach
    for prefix, hours in (("clock", near_clock(prepared, approach)), ("far clock", far_clock(prepared, approach))):
        reported = {name.partition(":")[2] for name in FACTS if name.partition(":")[0] == prefix}
        assert set(hours) <= reported
        for name in reported:
            expected = clock_words(hours[name]) if name in hours else None
            assert facts.reported(f"{prefix}:{name}") == expected


def test_held_back_facts_do_not_show(facts):
    text = "Reach {reach:far}, stopped by {reach:stops}."
    expected = f"Reach {HELD_BACK}, stopped by {facts.reported('reach:stops')}."
    assert filled(text, facts, frozenset({"reach:far"})) == expected


def without(found: Estimate, **parts: object) -> PlanFacts:
    """The facts on a level that lacks some parts."""
    level = replace(found.level, **parts)
    anatomy = replace(found.anatomy, levels=(level,))
    return PlanFacts(estimate_of(replace(found.prepared, anatomy=anatomy, level=level).ready(), found.approach))


def test_what_the_case_does_not_show_is_said_so(facts):
    joints = without(facts.estimate, joints={})
    assert filled("{facet:ipsilateral}", joints) == NOT_IN_VIEW
    windows = without(facts.estimate, windows={}, landmarks_ras_mm={})
    for name in ("window:width", "docking:from window", "clock:upper lamina"):
        assert filled(f"{{{name}}}", windows) == NOT_IN_VIEW
    targets = without(facts.estimate, targets={})
    for name in ("reach:far", "reach:stops", "reached:contralateral recess", "far clock:disc"):
        assert filled(f"{{{name}}}", targets) == NOT_IN_VIEW


def test_what_a_blind_lesson_may_tell_is_the_same_for_every_tilt(facts):
    """Of the plan, only level and side; hours about the window do not depend on how the far phase is placed."""
    approach = facts.estimate.approach
    first, last = approach.phases
    steeper = replace(approach, phases=(first, replace(last, medial_tilt_deg=last.medial_tilt_deg + 8.0)))
    other = PlanFacts(estimate_of(facts.estimate.prepared, steeper))
    plain = [name for name in NO_NUMBERS if not name.startswith("far clock:")]
    assert {name: facts.reported(name) for name in plain} == {name: other.reported(name) for name in plain}
