"""Plans held against tasks to explore: marked by the estimator's own numbers."""

from __future__ import annotations

from dataclasses import replace

import pytest

from canalwise.estimator.estimate.estimate import Estimate, estimate_of
from canalwise.estimator.level.prepared_level import prepared_level
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.recon.labels import SIDES
from canalwise.workbench.teaching.explorations import EXPLORATIONS, exploration_words, explored
from canalwise.workbench.teaching.placeholders import PlanFacts, decompressed_by
from tests.workbench import toy


@pytest.fixture(scope="module")
def plans() -> dict[str, Estimate]:
    """The usual start from either side."""
    prepared = prepared_level(toy.pressed_anatomy(), "L3-L4")
    return {side: estimate_of(prepared, default_approach(prepared.anatomy, "L3-L4", side)) for side in SIDES}


def test_both_sides_are_marked_by_their_own_verdicts(plans):
    first, *rest = explored("both sides", list(plans.values()))
    assert first.met
    verdicts = [decompressed_by(plan).verdict for plan in plans.values()]
    assert [mark.met for mark in rest] == [v.freed and v.kept is not False for v in verdicts]
    assert all(v.sentence in mark.words for v, mark in zip(verdicts, rest, strict=True))
    assert not explored("both sides", [plans["left"]])[0].met


def test_a_thin_and_a_thick_tool_must_differ_and_come_from_one_side(plans):
    left = plans["left"]
    thin = replace(left.approach, channel=replace(left.approach.channel, tool_diameter_mm=2.5))
    pair = [left, estimate_of(left.prepared, thin)]
    marks = explored("thin and thick tool", pair)
    assert marks[0].met
    assert [mark.name for mark in marks[1:]] == [
        f"the {word} tool reaches the far recess" for word in ("thin", "thick")
    ]
    assert not explored("thin and thick tool", [left])[0].met
    assert not explored("thin and thick tool", [pair[1], plans["right"]])[0].met


@pytest.mark.parametrize("kind", EXPLORATIONS)
def test_the_task_is_stated_in_the_words_of_the_plan(plans, kind):
    assert "left" in exploration_words(kind, PlanFacts(plans["left"]))
    assert exploration_words("", PlanFacts(plans["left"])) == ""
