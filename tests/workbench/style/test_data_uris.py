"""Pictures as bytes: the same each time, whatever the user's own settings are."""

from __future__ import annotations

import base64

import numpy as np
from matplotlib import rcParams
from matplotlib.figure import Figure

from canalwise.workbench.charts.estimate_charts import bone_chart, comparison_chart, facet_chart, reach_chart
from canalwise.workbench.style.data_uris import chart_uri, drawing_style, picture_uri

BONE = {"total": 30.0, "by_structure": {"spinous base": 20.0, "upper lamina ipsilateral": 10.0}}


def chart():
    with drawing_style():
        return chart_uri(bone_chart(BONE, BONE))


def test_chart_is_the_same_bytes_under_other_settings():
    first = chart()
    before = rcParams["font.size"]
    rcParams["font.size"] = 30.0
    try:
        assert chart() == first
        assert rcParams["font.size"] == 30.0
    finally:
        rcParams["font.size"] = before


def test_chart_carries_no_date_and_no_maker():
    text = base64.b64decode(chart().partition(",")[2]).decode()
    assert "dc:date" not in text
    assert "Matplotlib" not in text


def test_picture_carries_no_maker_and_keeps_its_pixels():
    uri = picture_uri(np.full((4, 5, 3), 128, np.uint8))
    assert uri.startswith("data:image/png;base64,")
    assert b"matplotlib" not in base64.b64decode(uri.partition(",")[2]).lower()


def words(figure: Figure) -> set[str]:
    return {text.get_text() for axes in figure.axes for text in axes.texts}


def test_facet_chart_prints_what_stays_and_the_limit():
    whole = {"area_frac": 0.97, "width_frac": 1.0, "volume_frac": 0.9, "interval95": [0.9, 1.0]}
    cone = {"ipsilateral": whole | {"area_frac": 0.42}, "contralateral": None}
    assert {"42 %", "limit 50 %", "not known"} <= words(facet_chart(cone, {"ipsilateral": whole}, 0.5))


def test_reach_chart_copes_with_no_wall_and_no_reach():
    assert "0.0 mm" in words(reach_chart({"lateral_mm": 0.0, "interval95": None}, None))
    assert "canal wall" in words(reach_chart({"lateral_mm": 9.0, "interval95": [8.0, 10.0]}, 11.0))


def test_comparison_chart_says_when_there_is_no_value():
    rows = [
        {
            "name": "left",
            "bone_removed_mm3": 1200.0,
            "facet_left_frac": 0.8,
            "facet_right_frac": None,
            "reached_frac": None,
        }
    ]
    assert {" 1200", " 80", " \u2013"} <= words(comparison_chart(rows))
