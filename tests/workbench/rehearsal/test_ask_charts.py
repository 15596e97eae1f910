"""What a page is told of charts, searches and comparisons: the estimator's own numbers, ended when asked to."""

from __future__ import annotations

import json
from threading import Event

import cattrs
import numpy as np
import pytest

from estimator.angle_chart import angle_chart
from estimator.approach import Approach
from estimator.approach_table import table_of
from estimator.batch import outcomes
from estimator.estimate import estimate_of
from estimator.plan import default_approach
from estimator.prepared import PreparedLevel
from estimator.search import search
from estimator.search_json import search_as_json
from estimator.search_ways import Question
from estimator.skin_entry import skin_entry_of
from estimator.told import told_of, wanted_of_task
from recon.case import Case
from recon.errors import WrongUse
from recon.labels import SIDES
from recon.records import json_text
from tests.workbench import toy
from workbench.rehearsal.ask_charts import AskAngles, AskChart, angles, entries, instruments
from workbench.rehearsal.ask_compare import AskPinned, held_together
from workbench.rehearsal.ask_search import AskSearch, AskWays, found, ways
from workbench.rehearsal.asks import CalledOff, Job, Json
from workbench.rehearsal.desk import Desk

LEVEL, TASK = "L3-L4", ("ipsilateral recess", "contralateral canal wall")
"""Both targets can be had on the made-up segment."""

ENTRY_TOL_MM = 1.0
"""A voxel: the skin has steps of that height."""


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    return Desk(Case(toy.scan(), toy.anatomy(), tmp_path_factory.mktemp("case")))


@pytest.fixture(scope="module")
def plan() -> Approach:
    return default_approach(toy.anatomy(), LEVEL, "left")


@pytest.fixture(scope="module")
def tilts(desk: Desk, plan: Approach) -> Json:
    return angles(desk, AskAngles(plan, "over the top", TASK), Job())


@pytest.fixture(scope="module")
def prepared(desk: Desk) -> PreparedLevel:
    return desk.prepared(LEVEL)


def plan_of(data: Json) -> Approach:
    return cattrs.structure(data, Approach)


def bone_mm3(prepared: PreparedLevel, data: Json) -> float:
    approach = plan_of(data)
    return float(told_of(prepared, approach.side, outcomes(prepared, table_of([approach]))).bone_mm3[0])


def stopped() -> Job:
    stop = Event()
    stop.set()
    return Job(stop=stop)


def test_charts_are_json_without_not_a_number(tilts: Json) -> None:
    assert json.loads(json.dumps(tilts, allow_nan=False)) == json.loads(json.dumps(tilts))


def test_an_angle_chart_is_the_estimators(tilts: Json, desk: Desk, plan: Approach, prepared: PreparedLevel) -> None:
    chart = angle_chart(prepared, plan, "over the top", wanted_of_task(TASK))
    assert tilts["bone_mm3"] == chart.told.bone_mm3.tolist()
    assert tilts["feasible"] == chart.feasible.tolist()
    assert tilts["reach_mm"] == chart.told.reach_mm["contralateral"].tolist()
    assert np.sum(list(tilts["layers_mm3"].values()), axis=0) == pytest.approx(chart.told.bone_mm3, abs=30.0)
    kept = [not broken for broken in tilts["breaks"]]
    assert kept == chart.within_limits.tolist()
    assert any(kept)
    assert not all(kept)


def test_every_point_of_an_angle_chart_stands_for_its_plan(
    tilts: Json, plan: Approach, prepared: PreparedLevel
) -> None:
    assert plan_of(tilts["plans"][tilts["plan"]]) == plan
    for row in (0, 30, len(tilts["plans"]) - 1):
        data = tilts["plans"][row]
        assert data["phases"][1]["medial_tilt_deg"] == tilts["tilts_deg"][row]
        assert bone_mm3(prepared, data) == pytest.approx(tilts["bone_mm3"][row], rel=1e-3)


def test_an_entry_map_stands_for_its_plans(desk: Desk, plan: Approach, prepared: PreparedLevel) -> None:
    chart = entries(desk, AskChart(plan, TASK), Job())
    json.dumps(chart, allow_nan=False)
    rows, columns = np.shape(chart["bone_mm3"])
    assert (rows, columns) == (len(chart["cranial_mm"]), len(chart["lateral_mm"]))
    seen = 0
    for row, column in np.ndindex(rows, columns):
        bone, reason = chart["bone_mm3"][row][column], chart["reason"][row][column]
        assert (bone is None) == (reason >= 0)
        data = chart["plans"][row][column]
        told = chart["reached_bone_mm3"][row][column]
        if told is None or (row + column) % 5:
            continue
        assert bone_mm3(prepared, data) == pytest.approx(told, rel=1e-3)
        exact = estimate_of(prepared, plan_of(data))
        entry = skin_entry_of(prepared, exact.approach, exact.phases[0])
        assert entry.lateral_mm == pytest.approx(chart["lateral_mm"][column], abs=ENTRY_TOL_MM)
        assert entry.cranial_mm == pytest.approx(chart["cranial_mm"][row], abs=ENTRY_TOL_MM)
        seen += 1
    assert seen > 3


def test_an_instrument_chart_stands_for_its_plans(desk: Desk, plan: Approach, prepared: PreparedLevel) -> None:
    chart = instruments(desk, AskChart(plan, TASK), Job())
    assert [curve["part"] for curve in chart["curves"]] == ["sleeve", "tool"]
    for curve in chart["curves"]:
        for mm, held, best, *told in zip(
            curve["diameter_mm"], curve["held_plans"], curve["best_plans"],
            curve["held"]["bone_mm3"], curve["best"]["bone_mm3"], strict=True,
        ):  # fmt: skip
            assert held["channel"][f"{curve['part']}_diameter_mm"] == mm
            assert held["phases"] == json.loads(json.dumps(chart_phases(plan)))
            assert [bone_mm3(prepared, one) for one in (held, best)] == pytest.approx(told, rel=1e-3)


def chart_phases(plan: Approach) -> list[Json]:
    unstructured: list[Json] = cattrs.unstructure(plan.phases)
    return unstructured


def test_the_lens_is_kept(desk: Desk, plan: Approach) -> None:
    data = cattrs.unstructure(plan)
    data["channel"]["lens_angle_deg"] = 30.0
    chart = angles(desk, AskAngles(plan_of(data), "ipsilateral", TASK), Job())
    assert {one["channel"]["lens_angle_deg"] for one in chart["plans"]} == {30.0}


@pytest.mark.parametrize("ask", [entries, instruments])
def test_a_chart_that_is_called_off_ends(desk: Desk, plan: Approach, ask: object) -> None:
    assert callable(ask)
    with pytest.raises(CalledOff):
        ask(desk, AskChart(plan, TASK), stopped())


def test_progress_grows_to_its_end(desk: Desk, plan: Approach) -> None:
    told: list[tuple[int, int, str]] = []
    entries(desk, AskChart(plan, TASK), Job(lambda *sign: told.append(sign)))
    done = [sign[0] for sign in told]
    assert done == sorted(done)
    assert done[0] == 0
    assert len(done) >= 3
    assert all(done <= total for done, total, _ in told)


def asked(**change: object) -> AskSearch:
    usual = {"level": LEVEL, "sides": SIDES, "instruments": ("interlaminar",), "task": TASK, "budget": 3000, "seed": 0}
    return cattrs.structure(usual | change, AskSearch)


def test_a_search_is_the_estimators(desk: Desk, prepared: PreparedLevel) -> None:
    told: list[tuple[int, int, str]] = []
    document = found(desk, asked(), Job(lambda *sign: told.append(sign)))
    assert json_text(document) == json_text(search_as_json(search(prepared, Question(task=TASK, budget=3000))))
    assert told[-1][0] > 2000
    assert {total for _, total, _ in told} == {3000}


def test_one_side_only_is_searched_where_one_is_asked_for(desk: Desk) -> None:
    document = found(desk, asked(sides=("right",), instruments=("stenosis",)), Job())
    assert {row["approach"]["side"] for row in document["pareto"]} == {"right"}
    assert {row["instrument"] for row in document["pareto"]} == {"stenosis"}


def test_a_search_that_is_stopped_tells_what_it_found(desk: Desk) -> None:
    document = found(desk, asked(budget=100_000), stopped())
    assert document["stopped"]
    assert 0 < document["evaluated"] < 50_000
    assert document["best"]["approach"]["level"] == LEVEL


def test_ways_that_are_stopped_tell_what_they_found(desk: Desk) -> None:
    document = ways(desk, AskWays(LEVEL, ("ipsilateral recess", "contralateral recess"), 100_000, 0), stopped())
    assert document["stopped"]
    assert [row["name"] for row in document["rows"]] == ["left", "right", "both sides", "midline laminectomy"]


@pytest.mark.parametrize(
    "change", [{"budget": 10}, {"budget": 10**7}, {"task": ("moon",)}, {"instruments": ("spoon",)}, {"sides": ()}]
)
def test_what_cannot_be_searched_for_is_refused(desk: Desk, change: dict[str, object]) -> None:
    with pytest.raises(WrongUse):
        found(desk, asked(**change), Job())


def test_pinned_plans_are_told_row_by_row(desk: Desk, plan: Approach) -> None:
    told: list[tuple[int, int, str]] = []
    message = AskPinned((plan, default_approach(toy.anatomy(), LEVEL, "right")), TASK[:1], midline=True, both=False)
    document = held_together(desk, message, Job(lambda *sign: told.append(sign)))
    json.dumps(document, allow_nan=False)
    assert [row["name"] for row in document["rows"]] == ["left", "right", "midline laminectomy"]
    assert [sign[:2] for sign in told] == [(1, 3), (2, 3), (3, 3)]
    with pytest.raises(CalledOff):
        held_together(desk, message, stopped())
