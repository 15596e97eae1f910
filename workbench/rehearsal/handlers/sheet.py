"""Radiographs of the current plan, and the printed pages: the theatre sheet and the report."""

from __future__ import annotations

import io
from dataclasses import asdict, dataclass

from PIL import Image

from canalwise.estimator.approach.approach import Approach, placed_phases
from canalwise.estimator.planning.skin_entry import skin_entry_of
from canalwise.workbench.images.radiograph_overlay import RadiographMark, marks_of
from canalwise.workbench.images.radiograph_projection import radiograph_of
from canalwise.workbench.images.radiograph_view import Grey, Radiograph, RadiographView, views_of
from canalwise.workbench.rehearsal.session.request import Cancelled, Json, RequestJob, RequestKind
from canalwise.workbench.rehearsal.session.session import Session
from canalwise.workbench.style.data_uris import data_uri
from canalwise.workbench.style.stamp import stamp_now
from canalwise.workbench.surfaces.endoscope_png import png_pixels


@dataclass(frozen=True)
class RadiographsRequest:
    """A plan to be drawn on AP and lateral."""

    plan: Approach


def radiographs(session: Session, message: RadiographsRequest, job: RequestJob) -> Json:
    """AP and lateral of the plan's level, with the plan drawn on them."""
    del job
    plan, prepared = message.plan, session.prepared(message.plan.level)
    entry = asdict(
        skin_entry_of(prepared.anatomy, plan, placed_phases(plan, prepared.level.frame)[0], prepared.air_in_view)
    )
    reported = [
        radiograph_json(_picture(session, plan.level, view), marks_of(view, prepared.level, plan, entry))
        for view in views_of(plan.side)
    ]
    return {"ap": reported[0], "lateral": reported[1]}


def _picture(session: Session, level: str, view: RadiographView) -> Radiograph:
    """The bare picture, which depends on level and side but not on the plan."""
    case = session.case
    return session.radiographs.found((level, view), lambda: radiograph_of(case.scan, case.anatomy, level, view))


def radiograph_json(radiograph: Radiograph, marks: tuple[RadiographMark, ...]) -> Json:
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
class SheetRequest:
    """A plan to be printed, with its name; `scope` is the endoscope's first view as a PNG data URL, or empty."""

    plan: Approach
    task: tuple[str, ...]
    scope: str
    name: str = ""


def sheet(session: Session, message: SheetRequest, job: RequestJob) -> Json:
    """Makes the theatre sheet; gives the address of a page to print."""
    from canalwise.workbench.sheet.sheet import sheet_html, sheet_of

    first_view = png_pixels(message.scope)
    job.tell(0, 2, "estimating")
    found = session.exact(message.plan, message.task)
    _go_on(job)
    job.tell(1, 2, "drawing the sheet")
    html = sheet_html(
        sheet_of(session.case.scan, found, first_view, stamp_now(session.case.anatomy_sha256, message.name))
    )
    return {"url": f"made/{session.made.put('text/html', html.encode())}"}


@dataclass(frozen=True)
class ReportRequest:
    """A plan to be reported, as a page or as PDF."""

    plan: Approach
    task: tuple[str, ...]
    pdf: bool
    name: str = ""


def report(session: Session, message: ReportRequest, job: RequestJob) -> Json:
    """Makes the report; gives the address of the page or PDF."""
    from canalwise.workbench.report.facts import facts_of
    from canalwise.workbench.report.pdf import report_pdf
    from canalwise.workbench.report.report import page_of

    job.tell(0, 2, "estimating, and comparing the accesses")
    case = session.case
    stamp = stamp_now(case.anatomy_sha256, message.name)
    reported = facts_of(case.scan, case.anatomy, message.plan, message.task, stamp)
    _go_on(job)
    job.tell(1, 2, "drawing the report")
    if message.pdf:
        return {"url": f"made/{session.made.put('application/pdf', report_pdf(reported))}"}
    return {"url": f"made/{session.made.put('text/html', page_of(reported).encode())}"}


def _go_on(job: RequestJob) -> None:
    if job.stop.is_set():
        raise Cancelled


ASKS: dict[str, RequestKind] = {
    "radiographs": RequestKind(RadiographsRequest, radiographs, newest_only=True),
    "sheet": RequestKind(SheetRequest, sheet, long=True),
    "report": RequestKind(ReportRequest, report, long=True),
}
