"""Charts as files that stand alone: a picture for the eye, a drawing for print, the numbers for others."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from canalwise.estimator.charts.all_charts import Chart
from canalwise.recon.serialization import write_bytes_atomic, write_json_atomic
from canalwise.workbench.charts.plan_charts import captioned_figure
from canalwise.workbench.style.data_uris import drawing_style, png_bytes, svg_bytes


def write_chart(folder: Path, name: str, chart: Chart, beside: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """Writes NAME.png, NAME.svg and NAME.json, each whole or not at all; returns the JSON data with `beside`."""
    with drawing_style():
        figure = captioned_figure(chart)
        pictures = {"png": png_bytes(figure), "svg": svg_bytes(figure)}
    document = {**chart.as_json(), **(beside or {})}
    for ending, content in pictures.items():
        write_bytes_atomic(folder / f"{name}.{ending}", content)
    write_json_atomic(folder / f"{name}.json", document)
    return document
