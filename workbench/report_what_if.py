"""The report's section 'What if': other tilts, entries and instruments about the plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from estimator.approach import Approach
from estimator.prepared import PreparedLevel
from estimator.told import wanted_of_task
from estimator.what_if import Chart, charts_of
from recon.errors import AnatomyNotFound, WrongUse
from workbench.embed import chart_pixels_uri, drawing_style
from workbench.report_pictures import Picture
from workbench.what_if import caption_of, figure_of

EFFORT = 0.5
"""Share of the usual number of approaches that the report spends, a few seconds (choice)."""

@dataclass(frozen=True, eq=False)
class WhatIf:
    """Charts by name, or why there are none."""

    charts: Mapping[str, Chart] = field(default_factory=dict)
    because: str = ""


NOT_ASKED = WhatIf()


def what_if(prepared: PreparedLevel, plan: Approach, task: Sequence[str]) -> WhatIf:
    """The charts about a plan; none, and the reason, where its phases or the targets in view do not allow them."""
    try:
        return WhatIf(charts_of(prepared, plan, wanted=wanted_of_task(task), effort=EFFORT))
    except (AnatomyNotFound, WrongUse) as problem:
        return WhatIf(because=str(problem))


def what_if_pictures(asked: WhatIf) -> list[Picture]:
    """A picture of each chart, as pixels: they hold many lines and words."""
    with drawing_style():
        return [Picture(chart_pixels_uri(figure_of(chart)), caption_of(chart)) for chart in asked.charts.values()]
