"""Charts, searches and comparisons as a page gets them: the estimator's own numbers, ended on request."""

from __future__ import annotations

import json
from threading import Event

import cattrs
import numpy as np
import pytest

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.charts.tilt_chart import tilt_chart
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.outcome.decompressed import decompressed
from canalwise.estimator.outcome.plan_values import PlanNumbers
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.estimator.search.best_approach import search
from canalwise.estimator.search.search_task import SearchTask
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
from canalwise.workbench.rehearsal.handlers.search import AccessesRequest, SearchRequest, accesses, found
from canalwise.workbench.rehearsal.session.request import Cancelled, Json, RequestJob
from canalwise.workbench.rehearsal.session.session import Session
from tests.workbench import toy

LEVEL, TASK, BUDGET = "L3-L4", ("ipsilateral recess", "contralateral recess"), 40


@pytest.fixture(scope="module", autouse=True)
def few(few_chart_points: None) -> None:
    """Wide steps, so that the tests stay quick."""


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Session:
    return Session(Case(toy.scan(), toy.pressed_anatomy(), tmp_path_factory.mktemp("case")))


@pytest.fixture(scope="module")
def plan() -> Approach:
    return default_approach(toy.pressed_anatomy(), LEVEL, "left")


@pytest.fixture(scope="module")
def tilts(session: Session, plan: Approach) -> Json:
    return angles(session, TiltChartRequest(plan), RequestJob())


@pytest.fixture(scope="module")
def prepared(session: Session) -> PreparedLevel:
    return session.prepared(LEVEL)


def plan_of(data: Json) -> Approach:
    return cattrs.structure(data, Approach)


def numbers_of_plan(prepared: PreparedLevel, data: Json) -> PlanNumbers:
    return decompressed(prepared, plan_of(data)).numbers


def stopped() -> RequestJob:
    stop = Event()
    stop.set()
    return RequestJob(stop=stop)


def test_charts_are_json_without_not_a_number(tilts: Json) -> None:
    assert json.loads(json.dumps(tilts, allow_nan=False)) == json.loads(json.dumps(tilts))


def test_an_angle_chart_is_the_estimators(tilts: Json, plan: Approach, prepared: PreparedLevel) -> None:
    chart = tilt_chart(prepared, plan)
    assert tilts["bone_mm3"] == chart.numbers.bone_mm3.tolist()
    assert tilts["feasible"] == chart.feasible.tolist()
    assert tilts["reach_mm"] == chart.numbers.reach_mm.tolist()
    assert tilts["targets_frac"]["contralateral side"] == chart.numbers.freed_frac["contralateral"].tolist()
    assert np.sum(list(tilts["layers_mm3"].values()), axis=0) == pytest.approx(chart.numbers.bone_mm3, abs=30.0)
    assert [not broken for broken in tilts["breaks"]] == chart.numbers.kept.tolist()


def test_every_point_of_an_angle_chart_stands_for_its_plan(
    tilts: Json, plan: Approach, prepared: PreparedLevel
) -> None:
    assert plan_of(tilts["plans"][tilts["plan"]]) == plan
    for row in (0, len(tilts["plans"]) - 1):
        alone = numbers_of_plan(prepared, tilts["plans"][row])
        assert alone.bone_mm3 == tilts["bone_mm3"][row]
        assert alone.good == tilts["feasible"][row]


def test_an_entry_map_stands_for_its_plans(session: Session, plan: Approach, prepared: PreparedLevel) -> None:
    chart = entries(session, PlanChartRequest(plan, TASK), RequestJob())
    json.dumps(chart, allow_nan=False)
    rows, columns = np.shape(chart["bone_mm3"])
    assert (rows, columns) == (len(chart["cranial_mm"]), len(chart["lateral_mm"]))
    seen = 0
    for row, column in np.ndindex(rows, columns):
        bone, reason = chart["bone_mm3"][row][column], chart["reason"][row][column]
        assert (bone is None) == (reason >= 0)
        reported = chart["reached_bone_mm3"][row][column]
        if reported is not None:
            alone = numbers_of_plan(prepared, chart["plans"][row][column])
            assert alone.bone_mm3 == reported
            assert alone.good == (bone is not None)
            seen += 1
    assert seen > 1


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
            assert [numbers_of_plan(prepared, one).bone_mm3 for one in (held, best)] == reported


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


def search_request(**change: object) -> SearchRequest:
    usual = {"level": LEVEL, "sides": SIDES, "instruments": ("8 mm",), "budget": BUDGET, "seed": 0}
    return cattrs.structure(usual | change, SearchRequest)


def test_a_search_is_the_estimators(session: Session, prepared: PreparedLevel) -> None:
    reported: list[tuple[int, int, str]] = []
    document = found(session, search_request(), RequestJob(lambda *sign: reported.append(sign)))
    same = searched_json(search(prepared, SearchTask(budget=BUDGET)))
    assert json_text(document) == json_text(same)
    assert reported[-1][0] == BUDGET
    assert {total for _, total, _ in reported} == {BUDGET}


def test_one_side_only_is_searched_where_one_is_requested(session: Session) -> None:
    document = found(session, search_request(sides=("right",), instruments=("12 mm",)), RequestJob())
    assert {row["approach"]["side"] for row in document["pareto"]} == {"right"}
    assert {row["instrument"] for row in document["pareto"]} == {"12 mm"}


def test_a_search_that_is_stopped_tells_what_it_found(session: Session) -> None:
    document = found(session, search_request(budget=9_000), stopped())
    assert document["stopped"]
    assert 0 < document["evaluated"] < 300
    assert document["best"]["approach"]["level"] == LEVEL


def test_comparisons_that_are_stopped_tell_what_they_found(session: Session) -> None:
    document = accesses(session, AccessesRequest(LEVEL, 9_000, 0), stopped())
    assert document["stopped"]
    assert [row["name"] for row in document["rows"]] == ["left", "right", "both sides", "midline laminectomy"]


@pytest.mark.parametrize(
    "change", [{"budget": 10}, {"budget": 10**7}, {"breadth": "moon"}, {"instruments": ("spoon",)}, {"sides": ()}]
)
def test_what_cannot_be_searched_for_is_refused(session: Session, change: dict[str, object]) -> None:
    with pytest.raises(WrongUse):
        found(session, search_request(**change), RequestJob())


def test_pinned_plans_are_reported_row_by_row(session: Session, plan: Approach) -> None:
    reported: list[tuple[int, int, str]] = []
    message = PlanTableRequest(
        (plan, default_approach(toy.pressed_anatomy(), LEVEL, "right")), TASK[:1], midline=True, both=False
    )
    document = plan_table_answer(session, message, RequestJob(lambda *sign: reported.append(sign)))
    json.dumps(document, allow_nan=False)
    assert [row["name"] for row in document["rows"]] == ["left", "right", "midline laminectomy"]
    assert [sign[:2] for sign in reported] == [(1, 3), (2, 3), (3, 3)]
    with pytest.raises(Cancelled):
        plan_table_answer(session, message, stopped())
