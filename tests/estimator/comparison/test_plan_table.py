"""Plans held against each other: the numbers are each plan's own, and what they share cancels in the difference."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.batch.outcomes_by_relation import USUAL_WANTED
from canalwise.estimator.comparison.access_results import BOTH, MIDLINE
from canalwise.estimator.comparison.plan_rows import PlanRow, PlanTableTask
from canalwise.estimator.comparison.plan_table import pinned, share95, with_freed
from canalwise.estimator.comparison.plan_table_json import plan_table_as_json
from canalwise.estimator.comparison.quantities import QUANTITIES
from canalwise.estimator.estimate.estimate import estimate_of
from canalwise.estimator.estimate.estimate_json import estimate_as_json
from canalwise.estimator.level.prepared_level import prepared_level
from canalwise.estimator.limit_rules import RELATIONS
from canalwise.estimator.outcome.joined_outcome import midline
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.estimator.resection.resection import resection_level_of
from canalwise.recon.errors import WrongUse
from canalwise.recon.labels import SIDES
from canalwise.recon.serialization import json_text
from tests.workbench import toy

LEVEL = "L3-L4"

NOT_IN_THE_TOY = {"left_pars", "right_pars"}
FREED = {"freed", "area_after", "resection_bone"}
"""Of these the toy has no number, for it has no ligament."""


@cache
def prepared():
    return prepared_level(toy.anatomy(), LEVEL)


@cache
def plan(side="left", steeper_deg=0.0):
    usual = default_approach(toy.anatomy(), LEVEL, side)
    near, far = usual.phases
    return replace(usual, phases=(near, replace(far, medial_tilt_deg=far.medial_tilt_deg + steeper_deg)))


@cache
def pinning():
    return PlanTableTask((plan(), plan(steeper_deg=4.0), plan("right"), plan()), USUAL_WANTED, midline=True, both=True)


@cache
def rows():
    return pinned(prepared(), pinning())


def row(name, values, samples):
    """An access of which one number is known."""
    return PlanRow(
        name, (), {"cone_bone": values}, {"cone_bone": None}, {"cone_bone": np.asarray(samples, dtype=float)}
    )


def test_a_plan_against_itself_differs_by_nothing_at_all():
    again, first = rows()[3], rows()[0]
    reported = {name: again.difference(first, name) for name in QUANTITIES}
    assert {name for name, difference in reported.items() if difference is None} == NOT_IN_THE_TOY | FREED
    assert all(difference == (0.0, (0.0, 0.0)) for difference in reported.values() if difference is not None)


def test_what_is_freed_stands_in_a_row_and_its_difference_is_exact():
    prepared_here = prepared_level(toy.pressed_anatomy(), "L3-L4")
    numbers = midline(prepared_here, resection_level_of(prepared_here))
    one, other = (with_freed(row(name, 1.0, [1.0]), lambda: numbers) for name in ("one", "other"))
    assert one.values["freed"] == numbers.least_freed_frac >= 0.99
    assert one.values["resection_bone"] == numbers.bone_mm3
    assert one.difference(other, "area_after") == (0.0, (0.0, 0.0))


def test_every_number_is_the_one_that_estimate_prints():
    for one, names in ((rows()[0], RELATIONS), (rows()[2], RELATIONS[::-1])):
        relations = dict(zip(SIDES, names, strict=True))
        document = estimate_as_json(estimate_of(prepared(), one.plans[0], USUAL_WANTED))
        bones = {kind: document[kind]["bone_removed_mm3"] for kind in ("cone", "task")}
        facets, pars, base = document["facet_preserved"], document["pars_residual_mm"], document["spinous_base"]
        reach, areas, chances = document["contralateral_reach"], document["decompression"], document["chances"]
        printed = {
            **{f"{kind}_bone": (bone["total"], bone["interval95"]) for kind, bone in bones.items()},
            **{f"{s}_facet": (facets[r]["area_frac"], facets[r]["interval95"]) for s, r in relations.items()},
            **{f"{s}_pars": (pars[r], pars["interval95"][r]) for s, r in relations.items()},
            "bridge": (base["bridge_mm"], base["bridge_interval95"]),
            "reach": (reach["lateral_mm"], reach["interval95"]),
            "canal_after": (areas["canal_area_mm2"]["after"], areas["canal_area_mm2"]["interval95"]["after"]),
        }  # fmt: skip
        for name, (value, ends) in printed.items():
            assert one.values.get(name) == value, name
            assert ends is None or list(one.ends[name]) == ends, name
        assert {name for name, (value, _) in printed.items() if value is None} == NOT_IN_THE_TOY
        assert {name: one.values[name] for name in ("all", "all_limits", "all_targets")} == {
            name: chances[name] for name in ("all", "all_limits", "all_targets")}  # fmt: skip
        assert one.values["reached"] == pytest.approx(np.mean(list(document["task"]["targets"].values())))


def test_what_two_plans_share_cancels():
    """The near phase is the same in both, so nothing of the near joint may differ, however unsure it is."""
    steeper, first = rows()[1], rows()[0]
    assert np.ptp(first.samples["left_facet"]) > 0
    assert steeper.difference(first, "left_facet") == (0.0, (0.0, 0.0))
    low, high = steeper.difference(first, "cone_bone")[1]
    ends = [one.ends["cone_bone"] for one in (steeper, first)]
    assert high - low < min(b - a for a, b in ends)


def test_execution_errors_of_two_sides_vary_apart_and_borders_together():
    left, right = rows()[0], rows()[2]
    low, high = right.difference(left, "cone_bone")[1]
    apart = np.hypot(*(np.ptp(np.quantile(one.samples["cone_bone"], [0.025, 0.975])) for one in (left, right)))
    assert 0.5 * apart < high - low < 1.5 * apart


def test_an_interval_holds_the_number_it_is_of():
    for one in rows():
        for name, ends in one.ends.items():
            assert ends is None or name not in one.values or ends[0] <= one.values[name] <= ends[1], (one.name, name)
        for name in QUANTITIES:
            reported = one.difference(rows()[0], name)
            assert reported is None or reported[1][0] <= reported[0] <= reported[1][1], (one.name, name)


def test_the_tasks_samples_spread_as_its_interval_says():
    """Both come from the same steps; the interval takes each cause by its larger end, the samples by both."""
    first = rows()[0]
    low, high = first.ends["task_bone"]
    middle = np.quantile(first.samples["task_bone"], [0.025, 0.975])
    assert middle[0] >= low - 1.0
    assert middle[1] <= high + 0.1 * (high - low)
    assert np.ptp(middle) > 0.25 * (high - low)


def test_both_sides_and_the_laminectomy_come_last():
    assert [one.name for one in rows()] == ["left", "left", "right", "left", BOTH, MIDLINE]
    both, midline = rows()[-2:]
    assert [len(half.phases) for half in both.plans] == [1, 1]
    assert "reach" not in both.values
    assert midline.values["cone_bone"] > max(one.values["cone_bone"] for one in rows()[:-1])
    assert {"task_bone", "reach", "reached", "all"}.isdisjoint(midline.values)


def test_json_tells_the_same_and_is_the_same_again():
    document = plan_table_as_json(LEVEL, pinning(), rows())
    assert json_text(document) == json_text(plan_table_as_json(LEVEL, pinning(), pinned(prepared(), pinning())))
    assert document["rows"][0]["differences"] is None
    reported = document["rows"][-1]["differences"]
    assert reported["reach"] is None
    assert reported["cone_bone"]["value"] == rows()[-1].values["cone_bone"] - rows()[0].values["cone_bone"]
    assert "more" in document["rows"][-1]["words"]
    assert document["rows"][3]["words"].startswith("No difference")


@pytest.mark.parametrize(("samples", "ends"), [([700.0, 700.0], (100.0, 100.0)), ([400.0, 800.0], (-190.0, 190.0))])
def test_a_difference_is_that_of_samples_pair_by_pair(samples, ends):
    first, other = row("left", 600.0, [600.0, 600.0]), row("right", 700.0, samples)
    value, between = other.difference(first, "cone_bone")
    assert value == 100.0
    assert between == pytest.approx(ends)


def test_progress_is_reported_of_every_row():
    seen = []
    pinned(prepared(), PlanTableTask((plan(), plan("right")), USUAL_WANTED), seen.append)
    assert seen == [1, 2]


@pytest.mark.parametrize(
    ("change", "reported"),
    [
        ({"plans": ()}, "must be 1 to 4"),
        ({"plans": 5 * (plan(),)}, "must be 1 to 4"),
        ({"plans": (plan(), replace(plan(), level="L4-L5"))}, "one level"),
        ({"plans": (plan(),), "both": True}, "from the left and one from the right"),
        ({"plans": (plan(), replace(plan("right"), channel=Channel(9.0))), "both": True}, "one instrument"),
        ({"task": ("disc",)}, "must be chosen from"),
    ],
)
def test_what_cannot_be_held_against_each_other_is_refused(change, reported):
    with pytest.raises(WrongUse, match=reported):
        replace(pinning(), **{"both": False} | change)


def test_both_sides_need_a_target_that_both_have():
    only_across = PlanTableTask((plan(), plan("right")), ("contralateral foramen entrance",), both=True)
    with pytest.raises(WrongUse, match="lie on both sides"):
        pinned(prepared(), only_across)


def test_a_chance_is_as_sure_as_its_samples():
    few, many = (np.arange(n) % 2 == 0 for n in (20, 2000))
    assert np.ptp(share95(few)) > 5 * np.ptp(share95(many))
