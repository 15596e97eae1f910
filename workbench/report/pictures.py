"""Every picture of the report, as addresses that sit inside the page."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from canalwise.estimator.approach.approach import other_side
from canalwise.workbench.charts.estimate_charts import bone_chart, comparison_chart, facet_chart, reach_chart
from canalwise.workbench.images.names_picture import names_figure
from canalwise.workbench.images.planned_case import PlannedCase
from canalwise.workbench.images.slices import cuts_of, cuts_to_look_at, key_figure, outline_figure, slice_figure
from canalwise.workbench.images.solids import views_of
from canalwise.workbench.report.mr_overview import overview_figure
from canalwise.workbench.report.picture import ReportPicture
from canalwise.workbench.style.data_uris import chart_uri, drawing_style, picture_uri, slice_uri

Json = Mapping[str, Any]

OVERVIEW_CAPTION = (
    "All levels on the MR: from the side along the sac's middle, and across the sac where each level is narrowest. "
    "Blue: dural sac. Yellow: ligamentum flavum."
)


@dataclass(frozen=True)
class PlanPictures:
    """Pictures that scan and plan alone decide: through the channel, of what is to be checked, of all levels, in 3D."""

    slices: Sequence[ReportPicture]
    key: ReportPicture
    look: Sequence[ReportPicture]
    overview: Sequence[ReportPicture]
    solids: Sequence[ReportPicture]


def plan_pictures(planned: PlannedCase) -> PlanPictures:
    """The pictures of a plan."""
    with drawing_style():
        return PlanPictures(
            slice_pictures(planned),
            ReportPicture(slice_uri(key_figure(planned)), "Key to the slices"),
            pictures_to_look_at(planned),
            overview_pictures(planned),
            solid_pictures(planned),
        )


def slice_pictures(planned: PlannedCase) -> list[ReportPicture]:
    """The slices through the channel; call inside `drawing_style`."""
    return [
        ReportPicture(slice_uri(slice_figure(planned, cut)), caption)
        for caption, cut in cuts_of(planned.approach).items()
    ]


def pictures_to_look_at(planned: PlannedCase) -> list[ReportPicture]:
    """The slices of a level marked to be checked by eye, with and without outlines; call inside `drawing_style`."""
    sure, naming = planned.level.confidence, planned.anatomy.naming
    names = [] if naming is None or naming.confirmed else [
        ReportPicture(slice_uri(names_figure(planned.scan, naming)), "Level names are NOT CONFIRMED: count on this")
    ]  # fmt: skip
    if sure is None or not sure.check_by_eye:
        return names
    return names + [
        ReportPicture(
            slice_uri(outline_figure(planned, cut, outlines=outlines)), f"{caption}{'' if outlines else ', bare'}"
        )
        for caption, cut in cuts_to_look_at(planned.level).items()
        for outlines in (True, False)
    ]


def overview_pictures(planned: PlannedCase) -> list[ReportPicture]:
    """All levels of an MR from the side and across; none of a CT. Call inside `drawing_style`."""
    figure = overview_figure(planned.scan, planned.anatomy)
    return [] if figure is None else [ReportPicture(slice_uri(figure), OVERVIEW_CAPTION)]


def solid_pictures(planned: PlannedCase) -> list[ReportPicture]:
    """The bone in 3D, planned and afterwards, from both sides."""
    return [ReportPicture(picture_uri(view), caption) for caption, view in views_of(planned).items()]


def charts(
    planned: PlannedCase, estimate: Json, comparison: Json, uri: Callable[[Figure], str] = chart_uri
) -> dict[str, ReportPicture]:
    """The charts by their place on the page; `uri` keeps each, as drawing or as pixels."""
    cone, least, reach = (
        estimate["cone"],
        estimate.get("resection") or estimate["task"],
        estimate["contralateral_reach"],
    )
    limit_frac = planned_limit(estimate, "facet_area_kept_frac")
    with drawing_style():
        made = {
            "bone": (
                bone_chart(least["bone_removed_mm3"], cone["bone_removed_mm3"]),
                "Bone removed by structure, mm\u00b3",
            ),
            "facets": (
                facet_chart(least["facet_preserved"], estimate["facet_preserved"], limit_frac),
                "What stays of both facet joints, percent",
            ),
            "compare": (comparison_chart(comparison["rows"]), "Bone removed and joints kept for each access"),
        }
        if reach is not None:
            made["reach"] = (reach_chart(reach, far_wall_mm(planned)), "Reach past the midline, mm")
        return {place: ReportPicture(uri(figure), caption) for place, (figure, caption) in made.items()}


def planned_limit(estimate: Json, name: str) -> float:
    """The value of one limit in force, from the estimate's own list.

    >>> planned_limit({"limits": [{"name": "pars_residual_mm", "value": 5.0}]}, "pars_residual_mm")
    5.0
    """
    return float(next(record["value"] for record in estimate["limits"] if record["name"] == name))


def far_wall_mm(planned: PlannedCase) -> float | None:
    """How far from the midline the canal's far wall lies at disc level, mm; None when it is not among the targets."""
    targets = planned.level.targets.get(other_side(planned.approach.side))
    points = None if targets is None else targets.points_ras_mm.get("canal wall")
    if points is None or len(points) == 0:
        return None
    return float(np.abs(planned.level.frame.to_level_mm(points)[:, 0]).max())
