"""What a page is told of charts, searches and comparisons: the estimator's own numbers, ended when asked to."""

from __future__ import annotations

import json
from threading import Event

import cattrs
import numpy as np
import pytest

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.table import table_of
from canalwise.estimator.batch.outcomes import outcomes
from canalwise.estimator.batch.outcomes_by_relation import outcomes_by_relation, wanted_of_task
from canalwise.estimator.charts.tilt_chart import tilt_chart
from canalwise.estimator.estimate.estimate import estimate_of
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.estimator.planning.skin_entry import skin_entry_of
from canalwise.estimator.search.best_approach import search
from canalwise.estimator.search.strategies import SearchTask
from canalwise.recon.case.folder import Case
from canalwise.recon.errors import WrongUse
from canalwise.recon.labels import SIDES
from canalwise.recon.serialization import json_text
from canalwise.workbench.console.json_results import searched_json
from canalwise.workbench.rehearsal.handlers.charts import (
    PlanChartRequest,
    TiltChartRequest,
    angles,
    entries,
    instruments,
)
from canalwise.workbench.rehearsal.handlers.compare import PlanTableRequest, plan_table_answer
from canalwise.workbench.rehearsal.handlers.search import AccessesRequest, SearchRequest, found, ways
from canalwise.workbench.rehearsal.session.request import Cancelled, Json, RequestJob
from canalwise.workbench.rehearsal.session.session import Session
from tests.workbench import toy

LEVEL, TASK = "L3-L4", ("ipsilateral recess", "contralateral canal wall")
"""Both targets can be had on the made-up segment."""

ENTRY_TOL_MM = 1.0
"""A voxel: the skin has steps of that height."""


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Session:
    return Session(Case(toy.scan(), toy.anatomy(), tmp_path_factory.mktemp("case")))


@pytest.fixture(scope="module")
def plan() -> Approach:
    return default_approach(toy.anatomy(), LEVEL, "left")


@pytest.fixture(scope="module")
def tilts(session: Session, plan: Approach) -> Json:
    return angles(session, TiltChartRequest(plan, "over the top", TASK), RequestJob())


@pytest.fixture(scope="module")
def prepared(session: Session) -> PreparedLevel:
    return session.prepared(LEVEL)


def plan_of(data: Json) -> Approach:
    return cattrs.structure(data, Approach)


def bone_mm3(prepared: PreparedLevel, data: Json) -> float:
    approach = plan_of(data)
    return float(
        outcomes_by_relation(prepared.level, approach.side, outcomes(prepared.scene, table_of([approach]))).bone_mm3[0]
    )


def stopped() -> RequestJob:
    stop = Event()
    stop.set()
    return RequestJob(stop=stop)


def test_charts_are_json_without_not_a_number(tilts: Json) -> None:
    assert json.loads(json.dumps(tilts, allow_nan=False)) == json.loads(json.dumps(tilts))


def test_an_angle_chart_is_the_estimators(
    tilts: Json, session: Session, plan: Approach, prepared: PreparedLevel
) -> None:
    chart = tilt_chart(prepared, plan, "over the top", wanted_of_task(TASK))
    assert tilts["bone_mm3"] == chart.by_relation.bone_mm3.tolist()
    assert tilts["feasible"] == chart.feasible.tolist()
    assert tilts["reach_mm"] == chart.by_relation.reach_mm["contralateral"].tolist()
    assert np.sum(list(tilts["layers_mm3"].values()), axis=0) == pytest.approx(chart.by_relation.bone_mm3, abs=30.0)
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


def test_an_entry_map_stands_for_its_plans(session: Session, plan: Approach, prepared: PreparedLevel) -> None:
    chart = entries(session, PlanChartRequest(plan, TASK), RequestJob())
    json.dumps(chart, allow_nan=False)
    rows, columns = np.shape(chart["bone_mm3"])
    assert (rows, columns) == (len(chart["cranial_mm"]), len(chart["lateral_mm"]))
    seen = 0
    for row, column in np.ndindex(rows, columns):
        bone, reason = chart["bone_mm3"][row][column], chart["reason"][row][column]
        assert (bone is None) == (reason >= 0)
        data = chart["plans"][row][column]
        reported = chart["reached_bone_mm3"][row][column]
        if reported is None or (row + column) % 5:
            continue
        assert bone_mm3(prepared, data) == pytest.approx(reported, rel=1e-3)
        exact = estimate_of(prepared, plan_of(data))
        entry = skin_entry_of(prepared.anatomy, exact.approach, exact.phases[0], prepared.air_in_view)
        assert entry.lateral_mm == pytest.approx(chart["lateral_mm"][column], abs=ENTRY_TOL_MM)
        assert entry.cranial_mm == pytest.approx(chart["cranial_mm"][row], abs=ENTRY_TOL_MM)
        seen += 1
    assert seen > 3


def test_an_instrument_chart_stands_for_its_plans(session: Session, plan: Approach, prepared: PreparedLevel) -> None:
    chart = instruments(session, PlanChartRequest(plan, TASK), RequestJob())
    assert [curve["part"] for curve in chart["curves"]] == ["sleeve", "tool"]
    for curve in chart["curves"]:
        for mm, held, best, *reported in zip(
            curve["diameter_mm"], curve["held_plans"], curve["best_plans"],
            curve["held"]["bone_mm3"], curve["best"]["bone_mm3"], strict=True,
        ):  # fmt: skip
            assert held["channel"][f"{curve['part']}_diameter_mm"] == mm
            assert held["phases"] == json.loads(json.dumps(chart_phases(plan)))
            assert [bone_mm3(prepared, one) for one in (held, best)] == pytest.approx(reported, rel=1e-3)


def chart_phases(plan: Approach) -> list[Json]:
    unstructured: list[Json] = cattrs.unstructure(plan.phases)
    return unstructured


def test_the_lens_is_kept(session: Session, plan: Approach) -> None:
    data = cattrs.unstructure(plan)
    data["channel"]["lens_angle_deg"] = 30.0
    chart = angles(session, TiltChartRequest(plan_of(data), "ipsilateral", TASK), RequestJob())
    assert {one["channel"]["lens_angle_deg"] for one in chart["plans"]} == {30.0}


@pytest.mark.parametrize("ask", [entries, instruments])
def test_a_chart_that_is_called_off_ends(session: Session, plan: Approach, ask: object) -> None:
    assert callable(ask)
    with pytest.raises(Cancelled):
        ask(session, PlanChartRequest(plan, TASK), stopped())


def test_progress_grows_to_its_end(session: Session, plan: Approach) -> None:
    reported: list[tuple[int, int, str]] = []
    entries(session, PlanChartRequest(plan, TASK), RequestJob(lambda *sign: reported.append(sign)))
    done = [sign[0] for sign in reported]
    assert done == sorted(done)
    assert done[0] == 0
    assert len(done) >= 3
    assert all(done <= total for done, total, _ in reported)


def asked(**change: object) -> SearchRequest:
    usual = {"level": LEVEL, "sides": SIDES, "instruments": ("interlaminar",), "task": TASK, "budget": 3000, "seed": 0}
    return cattrs.structure(usual | change, SearchRequest)


def test_a_search_is_the_estimators(session: Session, prepared: PreparedLevel) -> None:
    reported: list[tuple[int, int, str]] = []
    document = found(session, asked(), RequestJob(lambda *sign: reported.append(sign)))
    same = searched_json(prepared, search(prepared, SearchTask(task=TASK, budget=3000)))
    assert json_text(document) == json_text(same)
    assert reported[-1][0] > 2000
    assert {total for _, total, _ in reported} == {3000}


def test_one_side_only_is_searched_where_one_is_asked_for(session: Session) -> None:
    document = found(session, asked(sides=("right",), instruments=("stenosis",)), RequestJob())
    assert {row["approach"]["side"] for row in document["pareto"]} == {"right"}
    assert {row["instrument"] for row in document["pareto"]} == {"stenosis"}


def test_a_search_that_is_stopped_tells_what_it_found(session: Session) -> None:
    document = found(session, asked(budget=100_000), stopped())
    assert document["stopped"]
    assert 0 < document["evaluated"] < 50_000
    assert document["best"]["approach"]["level"] == LEVEL


def test_ways_that_are_stopped_tell_what_they_found(session: Session) -> None:
    document = ways(
        session, AccessesRequest(LEVEL, ("ipsilateral recess", "contralateral recess"), 100_000, 0), stopped()
    )
    assert document["stopped"]
    assert [row["name"] for row in document["rows"]] == ["left", "right", "both sides", "midline laminectomy"]


@pytest.mark.parametrize(
    "change", [{"budget": 10}, {"budget": 10**7}, {"task": ("moon",)}, {"instruments": ("spoon",)}, {"sides": ()}]
)
def test_what_cannot_be_searched_for_is_refused(session: Session, change: dict[str, object]) -> None:
    with pytest.raises(WrongUse):
        found(session, asked(**change), RequestJob())


def test_pinned_plans_are_told_row_by_row(session: Session, plan: Approach) -> None:
    reported: list[tuple[int, int, str]] = []
    message = PlanTableRequest(
        (plan, default_approach(toy.anatomy(), LEVEL, "right")), TASK[:1], midline=True, both=False
    )
    document = plan_table_answer(session, message, RequestJob(lambda *sign: reported.append(sign)))
    json.dumps(document, allow_nan=False)
    assert [row["name"] for row in document["rows"]] == ["left", "right", "midline laminectomy"]
    assert [sign[:2] for sign in reported] == [(1, 3), (2, 3), (3, 3)]
    with pytest.raises(Cancelled):
        plan_table_answer(session, message, stopped())
