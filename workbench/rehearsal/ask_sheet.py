"""Radiographs of the plan under the hand, and the pages a person prints: the theatre sheet and the report."""

from __future__ import annotations

import io
from dataclasses import asdict, dataclass

from PIL import Image

from estimator.approach import Approach, placed_phases
from estimator.skin_entry import skin_entry_of
from workbench.data_uri import data_uri
from workbench.radiograph import Grey, Radiograph, RadiographView, radiograph_of, views_of
from workbench.radiograph_marks import Mark, marks_of
from workbench.rehearsal.asks import Ask, CalledOff, Job, Json
from workbench.rehearsal.desk import Desk
from workbench.rehearsal.scope_png import png_pixels


@dataclass(frozen=True)
class Radiographs:
    """A plan to be drawn on AP and lateral."""

    plan: Approach


def radiographs(desk: Desk, message: Radiographs, job: Job) -> Json:
    """AP and lateral of the plan's level, with the plan drawn on them."""
    del job
    plan, prepared = message.plan, desk.prepared(message.plan.level)
    entry = asdict(skin_entry_of(prepared, plan, placed_phases(plan, prepared.level.frame)[0]))
    told = [
        radiograph_json(_picture(desk, plan.level, view), marks_of(view, prepared.level, plan, entry))
        for view in views_of(plan.side)
    ]
    return {"ap": told[0], "lateral": told[1]}


def _picture(desk: Desk, level: str, view: RadiographView) -> Radiograph:
    """The bare picture, which depends on level and side but not on the plan."""
    case = desk.case
    return desk.radiographs.found((level, view), lambda: radiograph_of(case.scan, case.anatomy, level, view))


def radiograph_json(radiograph: Radiograph, marks: tuple[Mark, ...]) -> Json:
    """A radiograph and its marks as the page's Radiograph."""
    view = radiograph.view
    edges = ("left_word", "right_word", "up_word", "down_word")
    return {
        "name": view.name,
        "made_from": radiograph.made_from,
        "png": data_uri(_png(radiograph.grey), "image/png"),
        "width": view.pixels,
        "height": view.pixels,
        "level_to_pixel": view.level_to_pixel.ravel().tolist(),
        **dict(zip(edges, view.words, strict=True)),
        "marks": [
            {"name": m.name, "kind": m.kind, "phase": m.phase, "pixels": m.pixels.round(2).tolist()} for m in marks
        ],
    }


def _png(grey: Grey) -> bytes:
    buffer = io.BytesIO()
    Image.fromarray(grey).save(buffer, format="png")
    return buffer.getvalue()


@dataclass(frozen=True)
class Sheet:
    """A plan to be printed; `scope` is the endoscope's first view as a PNG data URL, or empty."""

    plan: Approach
    task: tuple[str, ...]
    scope: str


def sheet(desk: Desk, message: Sheet, job: Job) -> Json:
    """Makes the theatre sheet; gives the address of a page to print."""
    from workbench.theatre_sheet import sheet_html, sheet_of  # here: it brings the libraries that draw on paper

    first_view = png_pixels(message.scope)
    job.tell(0, 2, "estimating")
    found = desk.exact(message.plan, message.task)
    _go_on(job)
    job.tell(1, 2, "drawing the sheet")
    html = sheet_html(sheet_of(desk.case.scan, found, first_view))
    return {"url": f"made/{desk.made.put('text/html', html.encode())}"}


@dataclass(frozen=True)
class Report:
    """A plan to be reported, as a page or as PDF."""

    plan: Approach
    task: tuple[str, ...]
    pdf: bool


def report(desk: Desk, message: Report, job: Job) -> Json:
    """Makes the report; gives the address of the page or PDF."""
    from workbench.report import facts_of, page_of
    from workbench.report_pdf import report_pdf

    job.tell(0, 2, "estimating, and comparing the ways in")
    case = desk.case
    told = facts_of(case.scan, case.anatomy, message.plan, message.task)
    _go_on(job)
    job.tell(1, 2, "drawing the report")
    if message.pdf:
        return {"url": f"made/{desk.made.put('application/pdf', report_pdf(told))}"}
    return {"url": f"made/{desk.made.put('text/html', page_of(told).encode())}"}


def _go_on(job: Job) -> None:
    if job.stop.is_set():
        raise CalledOff


ASKS: dict[str, Ask] = {
    "radiographs": Ask(Radiographs, radiographs, newest_only=True),
    "sheet": Ask(Sheet, sheet, long=True),
    "report": Ask(Report, report, long=True),
}
