"""Charts as people see them: drawn without a complaint, said in words, kept as files, shown in a notebook."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from canalwise.estimator.charts import all_charts
from canalwise.estimator.charts.all_charts import charts_of
from canalwise.estimator.charts.entry_map import entry_map_of_json
from canalwise.estimator.comparison.accesses import compared_accesses
from canalwise.estimator.estimate.estimate import estimate
from canalwise.estimator.level.prepared_level import prepared_level
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.estimator.search.best_approach import search
from canalwise.estimator.search.search_task import SearchTask
from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.serialization import json_text
from canalwise.workbench import notebook
from canalwise.workbench.charts.chart_files import write_chart
from canalwise.workbench.charts.plan_charts import caption_of, captioned_figure, figure_of
from canalwise.workbench.commands.main import main
from canalwise.workbench.notebook import html_of, shown, teach
from canalwise.workbench.report.what_if_section import WhatIfCharts, what_if, what_if_pictures
from canalwise.workbench.style.data_uris import drawing_style, svg_bytes
from canalwise.workbench.style.phrases import EVIDENCE
from tests.workbench import toy

NAMES = ("angle", "entry", "instrument")


@pytest.fixture(scope="module")
def prepared():
    return prepared_level(toy.pressed_anatomy(), "L3-L4")


@pytest.fixture(scope="module")
def plan(prepared):
    return default_approach(prepared.anatomy, "L3-L4", "left")


@pytest.fixture(scope="module")
def few():
    """Wide steps, so that the tests stay quick."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(all_charts, "SPARING_STEP_MM", 16.0)
        patch.setattr(all_charts, "SPARING_STEP_DEG", 15.0)
        yield


@pytest.fixture(scope="module")
def charts(prepared, plan, few):
    """One set in which entries succeed."""
    return charts_of(prepared, plan, sparing=True)


@pytest.fixture(scope="module")
def hopeless(few):
    """And one in which none does."""
    prepared = prepared_level(toy.pressed_anatomy(-7.0), "L3-L4")
    start = default_approach(prepared.anatomy, "L3-L4", "left")
    return charts_of(prepared, start, ("entry", "instrument"), sparing=True)


def test_one_chart_of_each_kind(charts):
    assert tuple(charts) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_the_same_chart_is_the_same_drawing(charts, name):
    """Drawn twice, with warnings as errors."""
    with drawing_style():
        once, again = (svg_bytes(captioned_figure(charts[name])) for _ in range(2))
    assert once == again


def drawn_words(figure):
    return " ".join(text.get_text() for text in figure.findobj(lambda artist: hasattr(artist, "get_text")))


def test_feasible_bands_and_the_plan_are_drawn(charts):
    chart = charts["angle"]
    with drawing_style():
        figure = figure_of(chart)
    words = drawn_words(figure)
    assert "plan" in words
    assert {"limit", "pars", "bridge", "enough"} <= set(words.split())
    panel = figure.axes[0]
    spans = [patch.get_extents().transformed(panel.transData.inverted()) for patch in panel.patches]
    assert [(span.x0, span.x1) for span in spans] == [pytest.approx(band) for band in chart.bands_deg]


def test_captions_name_the_evidence_of_limits(charts):
    for chart in charts.values():
        said = caption_of(chart)
        assert all(f"({EVIDENCE[kind]})" in said for kind in ("READ", "MEM", "PRACTICE"))
        assert "freed" in said
        with drawing_style():
            assert " ".join(CAUTION.split()) in " ".join(drawn_words(captioned_figure(chart)).split())


def test_every_entry_carries_its_bone_or_what_it_frees(charts, hopeless):
    for chart in (charts["entry"], hopeless["entry"]):
        with drawing_style():
            words = drawn_words(figure_of(chart))
        assert all(f"{bone:.0f}" in words for bone in chart.bone_mm3[np.isfinite(chart.bone_mm3)])
        assert all(reason in words for reason in chart.reasons)
    assert hopeless["entry"].best_place is None
    assert "No entry" in caption_of(hopeless["entry"])
    with drawing_style():
        assert "none frees enough" in drawn_words(figure_of(hopeless["instrument"]))


def test_left_lies_on_the_left_as_in_theatre(charts):
    with drawing_style():
        axes = figure_of(charts["entry"]).axes[0]
        other = figure_of(replace(charts["entry"], side="right")).axes[0]
    assert axes.xaxis_inverted()
    assert not other.xaxis_inverted()


def test_files_stand_alone_and_read_back(charts, tmp_path):
    document = write_chart(tmp_path, "map", charts["entry"])
    assert {path.name for path in tmp_path.iterdir()} == {"map.png", "map.svg", "map.json"}
    assert (tmp_path / "map.png").read_bytes().startswith(b"\x89PNG")
    kept = json.loads((tmp_path / "map.json").read_text())
    assert json_text(kept) == json_text(document)
    assert json_text(entry_map_of_json(kept).as_json()) == json_text(document)


def test_results_show_themselves(charts, prepared, plan):
    for chart in charts.values():
        assert html_of(chart).startswith('<figure><img src="data:image/svg+xml')
    by_relation = shown(estimate(prepared.anatomy, plan))._repr_html_()
    assert "<table>" in by_relation
    assert "ipsilateral facet surface kept" in by_relation
    assert CAUTION in by_relation
    assert html_of(3) == "<pre>3</pre>"


def test_a_search_shows_its_picks_and_its_reason(prepared):
    found = search(prepared, SearchTask(sides=("left",), budget=30))
    by_relation = html_of(found)
    assert "<th>least bone</th>" in by_relation
    assert "From the left" in by_relation


@pytest.mark.thorough
def test_a_comparison_shows_its_accesses_and_its_conclusion(prepared):
    by_relation = html_of(compared_accesses(prepared, SearchTask(budget=30)))
    assert all(f"<td>{access}" in by_relation for access in ("left", "right", "both sides", "midline"))
    assert "<th>chance as executed</th>" in by_relation


def test_a_notebook_is_taught_every_kind():
    taught = {}

    class Formatter:
        def for_type(self, kind, function):
            taught[kind.__name__] = function

    teach(Formatter())
    assert {"TiltChart", "EntryMap", "InstrumentChart", "Estimate", "SearchResult", "AccessComparison"} <= set(taught)
    assert "object" not in taught
    assert set(taught.values()) == {notebook.html_of}


def test_the_report_says_why_there_are_no_charts():
    bare = prepared_level(toy.anatomy(), "L3-L4")
    section = what_if(bare, default_approach(bare.anatomy, "L3-L4", "left"))
    assert not section.charts
    assert "ligament" in section.because
    assert what_if_pictures(section) == []


def test_the_report_draws_every_chart(charts):
    drawn = what_if_pictures(WhatIfCharts(charts))
    assert [picture.uri[:22] for picture in drawn] == ["data:image/png;base64,"] * 3


def test_chart_verb_writes_files_and_prints_only_json(case, capsys, tmp_path):
    start = ["chart", str(case), "--level", "L3-L4", "--side", "left", "--kind", "angle"]
    assert main([*start, "--json", "--out", str(tmp_path / "charts")]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["schema"] == "canalwise.charts/1"
    assert {kind: chart["schema"] for kind, chart in document["charts"].items()} == {"angle": "canalwise.angle-chart/2"}
    assert len(list((tmp_path / "charts").iterdir())) == 3


@pytest.mark.parametrize("wrong", [["--kind", "tilt"], ["--task", "everything"], []])
def test_chart_verb_refuses_what_it_cannot_mean(case, wrong, capsys):
    given = ["--level", "L3-L4", "--side", "left"] if wrong else []
    assert main(["chart", str(case), *given, *wrong]) == 2
    assert "canalwise" in capsys.readouterr().err
