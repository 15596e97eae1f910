"""A plan of three phases, where the usual one has two: estimate, verdict, JSON, tables, chart, file and moves."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from rich.console import Console

from canalwise.estimator.approach.approach import Phase
from canalwise.estimator.approach.plan_file import plan_of, plan_text
from canalwise.estimator.charts.tilt_chart import tilt_chart, tilted_plans
from canalwise.estimator.estimate.estimate import estimate
from canalwise.estimator.estimate.estimate_json import estimate_as_json
from canalwise.estimator.estimate.intervals import no_intervals
from canalwise.estimator.level.prepared_level import prepared_level
from canalwise.estimator.outcome.decompressed import decompressed
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.workbench.charts.plan_charts import figure_of
from canalwise.workbench.console.json_results import with_decompression
from canalwise.workbench.console.tables import estimate_lines
from canalwise.workbench.rehearsal.handlers.moves import docked, entered
from tests.workbench import toy

FURTHER = Phase("far foramen", 30.0, 6.0, 2.0, 4.0, 22.0, (2.0, 0.0, 3.0))
NAMES = ["ipsilateral", "over the top", "far foramen"]


@pytest.fixture(scope="module")
def prepared():
    return prepared_level(toy.pressed_anatomy(), "L3-L4")


@pytest.fixture(scope="module")
def two(prepared):
    return default_approach(prepared.anatomy, "L3-L4", "left")


@pytest.fixture(scope="module")
def plan(two):
    return replace(two, phases=(*two.phases, FURTHER))


@pytest.fixture(scope="module")
def estimated(prepared, plan):
    freed = decompressed(prepared, plan)
    vars(freed)["least_weighted_mm3"] = 0.0  # takes longest, and knows of no phase
    found = estimate(toy.pressed_anatomy(), plan)
    return with_decompression(estimate_as_json(found, no_intervals(found)), prepared, plan, None, freed), freed


def names_of(plan):
    return [phase.name for phase in plan.phases]


def test_estimate_and_json_hold_every_phase(estimated):
    document, freed = estimated
    assert [phase["name"] for phase in document["geometry"]["phases"]] == NAMES
    assert names_of(freed.resection.approach) == NAMES
    # what is beyond the midline is gone over the top, however many phases follow that one
    assert {line["phase"] for line in document["geometry"]["lines"]} <= {"ipsilateral", "over the top"}


def test_a_further_phase_changes_nothing_of_the_resection(prepared, two, estimated):
    _, freed = estimated
    usual = decompressed(prepared, two)
    assert (freed.verdict, freed.cost.total_mm3) == (usual.verdict, usual.cost.total_mm3)


def test_tables_show_it(estimated):
    document, _ = estimated
    written = io.StringIO()
    console = Console(file=written, width=140)
    for line in estimate_lines(document):
        console.print(line)
    assert document["verdict"]["sentence"] in " ".join(written.getvalue().split())


def test_a_chart_tilts_the_usual_phases_and_keeps_the_further_one(prepared, plan):
    tilts = np.array([0.0, 10.0])
    assert [names_of(one) for one in tilted_plans(prepared.level, plan, tilts)] == [NAMES, NAMES]
    chart = tilt_chart(prepared, plan, tilts)
    assert names_of(chart.approach) == NAMES
    assert figure_of(chart) is not None


def test_the_plan_file_keeps_it(plan):
    assert plan_of(plan_text(plan)) == plan


@pytest.mark.parametrize("change", ["entered", "docked"])
def test_a_moved_plan_keeps_its_phases_as_they_lie_about_the_first(prepared, plan, two, change):
    def moved(one):
        if change == "docked":
            return docked(prepared.anatomy, one, np.array([9.0, 12.0, 1.0]))
        return entered(prepared, one, (12.0, -3.0))

    three, usual = moved(plan), moved(two)
    assert names_of(three) == NAMES
    assert three.phases[:2] == usual.phases
    assert three.phases[2].sweep_half_angle_deg == FURTHER.sweep_half_angle_deg
