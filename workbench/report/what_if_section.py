"""The report's section 'What if': other tilts, entries and instruments about the plan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.charts.all_charts import Chart, charts_of
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.recon.errors import AnatomyNotFound, WrongUse
from canalwise.workbench.charts.plan_charts import caption_of, figure_of
from canalwise.workbench.report.picture import ReportPicture
from canalwise.workbench.style.data_uris import chart_pixels_uri, drawing_style


@dataclass(frozen=True, eq=False)
class WhatIfCharts:
    """Charts by name, or why there are none."""

    charts: Mapping[str, Chart] = field(default_factory=dict)
    because: str = ""


NO_CHARTS = WhatIfCharts()


def what_if(prepared: PreparedLevel, plan: Approach) -> WhatIfCharts:
    """The charts about a plan, with wide steps; none, and the reason, where what is in view does not allow them."""
    try:
        return WhatIfCharts(charts_of(prepared, plan, sparing=True))
    except (AnatomyNotFound, WrongUse) as problem:
        return WhatIfCharts(because=str(problem))


def what_if_pictures(section: WhatIfCharts) -> list[ReportPicture]:
    """A picture of each chart, as pixels: they hold many lines and words."""
    with drawing_style():
        return [
            ReportPicture(chart_pixels_uri(figure_of(chart)), caption_of(chart)) for chart in section.charts.values()
        ]
