"""The theatre sheet: one page to print with what the team needs within reach, from one approach and its estimate."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from canalwise.estimator.estimate.estimate import Estimate
from canalwise.estimator.estimate.estimate_json import estimate_as_json
from canalwise.estimator.estimate.intervals import intervals_of
from canalwise.estimator.estimate.limit_intervals import verdict_intervals
from canalwise.estimator.outcome.decompressed import decompressed_or_none
from canalwise.estimator.planning.canal_entry import canal_entry_of
from canalwise.estimator.planning.clock_positions import docking_clock
from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.scan import Scan
from canalwise.workbench.charts.clock_figure import clock_figure
from canalwise.workbench.console.json_results import with_decompression
from canalwise.workbench.images.planned_case import PlannedCase, planned_removal
from canalwise.workbench.images.radiograph_figure import NEEDLE, radiograph_figures
from canalwise.workbench.images.slices import along_channel, slice_figure
from canalwise.workbench.report import confidence_section as report_sure
from canalwise.workbench.report import plan_section as report_plan
from canalwise.workbench.report import summary as report_glance
from canalwise.workbench.sheet import tables as sheet_facts
from canalwise.workbench.style.data_uris import data_uri, drawing_style, png_bytes
from canalwise.workbench.style.palette import phase_colour, phase_colour_word
from canalwise.workbench.style.stamp import NO_STAMP, SIGNATURE, STICKER, Stamp
from canalwise.workbench.style.templates import resource, template


@dataclass(frozen=True)
class SheetPicture:
    """A picture of the sheet and what it shows, in words."""

    png: bytes
    caption: str

    @property
    def uri(self) -> str:
        """The picture as an address that needs no other file."""
        return data_uri(self.png, "image/png")


@dataclass(frozen=True, eq=False)
class TheatreSheet:
    """Content of the theatre sheet.

    Parameters
    ----------
    limit_ends : name of a verdict -> ends of the 95 % interval of its number, None where it has none
    pictures : AP, lateral, axial, and the first view where it is known
    stamp : of which plan and case it was made, and when
    """

    planned: PlannedCase
    estimate: Mapping[str, Any]
    limit_ends: Mapping[str, Sequence[float] | None]
    pictures: tuple[SheetPicture, ...]
    stamp: Stamp = NO_STAMP


def sheet_of(scan: Scan, found: Estimate, first_view: bytes = b"", stamp: Stamp = NO_STAMP) -> TheatreSheet:
    """The sheet about an estimate; `first_view` is a PNG of the endoscope's view, where there is one."""
    reported = intervals_of(found)
    resected = decompressed_or_none(found.prepared, found.approach)
    document = with_decompression(estimate_as_json(found, reported), found.prepared, found.approach, known=resected)
    intervals = verdict_intervals(reported, found.approach.side)
    ends = {name: list(i.ends) if i.sd_by_cause else None for name, i in intervals.items()}
    planned = PlannedCase(scan, found.anatomy, found.level, found.approach, planned_removal(found, resected))
    return TheatreSheet(planned, document, ends, _pictures(planned, document, first_view), stamp)


def _pictures(planned: PlannedCase, estimate: Mapping[str, Any], first_view: bytes) -> tuple[SheetPicture, ...]:
    with drawing_style():
        drawn = radiograph_figures(planned, estimate["skin_entry"])
        pictures = [SheetPicture(png_bytes(figure), caption) for caption, figure in drawn.items()]
        axial = slice_figure(planned, along_channel(planned.approach))
        pictures.append(SheetPicture(png_bytes(axial), "Axial along the channel, dorsal up"))
        if first_view:
            pictures.append(SheetPicture(first_view, "First view down the channel, from the page"))
        elif canal_entry_of(planned.level, planned.approach.side) is not None:
            pictures.append(SheetPicture(png_bytes(_clock(planned)), "First view down the channel, as a clock"))
    return tuple(pictures)


def _clock(planned: PlannedCase) -> Any:
    first, side = planned.approach.phases[0], planned.approach.side
    tilts_deg = (first.medial_tilt_deg, first.cranial_tilt_deg)
    return clock_figure(docking_clock(planned.anatomy, planned.level, side, tilts_deg), side, tilts_deg)


def sheet_html(sheet: TheatreSheet) -> str:
    """The sheet as one page without any other file, the same bytes for the same case and view."""
    planned = sheet.planned
    phases = [(phase_colour(n), phase_colour_word(n), p.name) for n, p in enumerate(planned.approach.phases)]
    return template("sheet/theatre_sheet.html.j2").render(
        caution=CAUTION,
        style=resource("sheet/theatre_sheet.css"),
        sheet=sheet,
        level=planned.level,
        approach=planned.approach,
        facts=sheet_facts,
        head=report_glance,
        sure=report_sure,
        sticker=STICKER,
        signature=SIGNATURE,
        phase_rows=report_plan.phase_rows(planned),
        phases=phases,
        needle=NEEDLE,
    )
