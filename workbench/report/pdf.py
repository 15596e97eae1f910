"""The report as a PDF, made without a browser: the same facts, tables and pictures as the page."""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, KeepTogether, PageBreak, SimpleDocTemplate, Spacer

from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.proposed_levels import levels_proposal
from canalwise.workbench.console.search_tables import ACCESS_COLUMNS
from canalwise.workbench.report import confidence_section as report_sure
from canalwise.workbench.report import plan_section as report_plan
from canalwise.workbench.report import summary as report_glance
from canalwise.workbench.report import tables as report_facts
from canalwise.workbench.report.facts import JOB, ReportFacts
from canalwise.workbench.report.picture import ReportPicture
from canalwise.workbench.report.pictures import charts
from canalwise.workbench.report.what_if_section import what_if_pictures
from canalwise.workbench.style.data_uris import chart_pixels_uri
from canalwise.workbench.style.pdf import (
    boxed,
    letters,
    pairs_table,
    picture_bytes,
    pictures_row,
    rows_table,
    style,
    text,
    tiles_table,
)
from canalwise.workbench.style.stamp import SIGNATURE, STICKER

MARGIN_MM, FOOT_MM, WIDTH_MM = 13.0, 16.0, 184.0

SHORT_CAUTION = "Rehearsal only. Not a medical device; not for intra-operative guidance."
"""At the foot of every page; the whole caution stands on the first."""

STRUCTURE_COLUMNS = ("structure", "confidence", "border, standard deviation")

Body = list[Flowable]


@dataclass(frozen=True, eq=False)
class IllustratedReport:
    """A report's facts and its charts."""

    reported: ReportFacts
    charts: Mapping[str, ReportPicture]

    @property
    def estimate(self) -> Mapping[str, Any]:
        """The estimate's JSON data."""
        return self.reported.estimate


def report_pdf(reported: ReportFacts) -> bytes:
    """The report; the same bytes for the same case."""
    letters()
    planned = reported.planned
    drawn = IllustratedReport(reported, charts(planned, reported.estimate, reported.comparison, chart_pixels_uri))
    where = f"{planned.level.name}, {planned.approach.side}"
    buffer = io.BytesIO()
    document = SimpleDocTemplate(
        buffer, pagesize=A4, invariant=1, lang="en", title=f"canalwise: {where}", author="canalwise",
        creator="canalwise", subject=SHORT_CAUTION, displayDocTitle=1, leftMargin=MARGIN_MM * mm,
        rightMargin=MARGIN_MM * mm, topMargin=MARGIN_MM * mm, bottomMargin=FOOT_MM * mm,
    )  # fmt: skip
    story = [flowable for section in SECTIONS for flowable in section(drawn)]

    def foot(canvas: Canvas, _: Any) -> None:
        canvas.setFont(letters(), 7)
        canvas.drawString(MARGIN_MM * mm, 9 * mm, SHORT_CAUTION)
        canvas.drawRightString(A4[0] - MARGIN_MM * mm, 9 * mm, f"{where}   {canvas.getPageNumber()}")

    document.build(story, onFirstPage=foot, onLaterPages=foot)
    return buffer.getvalue()


def _heading(words: str) -> Flowable:
    return text(words, style(12, heavy=True, after=3))


def _note(words: str) -> Flowable:
    return text(words, style(7, quiet=True, after=4))


def _notes(sentences: Sequence[str]) -> Body:
    return [text(f"\u2022 {sentence}", style(7.6, after=1.5)) for sentence in sentences]


def _picture_rows(pictures: Sequence[ReportPicture], columns: int, highest_mm: float = 240.0) -> Body:
    """Pictures in rows of so many."""
    wide = WIDTH_MM / columns
    reported = [(picture_bytes(p.uri), p.caption) for p in pictures]
    rows = [reported[start : start + columns] for start in range(0, len(reported), columns)]
    return [pictures_row(row, [wide] * len(row), highest_mm) for row in rows]


def _head(drawn: IllustratedReport) -> Body:
    planned, estimate = drawn.reported.planned, drawn.estimate
    level = planned.level
    title = f"{level.name}, from the patient's {planned.approach.side.upper()}"
    outside = report_facts.findings(level)
    return [
        text("canalwise rehearsal report", style(8, quiet=True)),
        text(title, style(20, heavy=True, after=4)),
        text(JOB, style(8, after=3)),
        text(drawn.reported.stamp.words, style(8, after=3)),
        text(f"{STICKER}: ______________________________    {SIGNATURE}: ____________________", style(8, after=3)),
        *_notes(report_sure.corrected_sentences(planned.anatomy)),
        boxed(CAUTION, WIDTH_MM, 7.6),
        Spacer(0, 6),
        _heading("At a glance"),
        text(_outcome(estimate), style(10.5, heavy=True, after=4)),
        *([text(alone, style(9, heavy=True, after=3))] if (alone := report_glance.from_mr_alone(estimate)) else []),
        *_tiles(estimate),
        Spacer(0, 4),
        text(report_sure.sure_sentence(level), style(9, heavy=True, after=2)),
        *_notes(report_sure.weak_sentences(level)),
        _note(
            "Bone to remove: the least that lets a tool take what presses on sac and roots; this is what to carry to "
            "theatre. Task: only what must go for a straight, rigid tool to touch the targets it can reach. Sweep "
            "(cone): all bone the channel takes when it is moved through its whole sweep. Numbers in brackets: 95 % "
            "intervals, from uncertain borders and execution errors."
        ),
        *([_heading(f"Measured at {level.name}, outside the normal band"), *_notes(outside)] if outside else []),
        *([_heading("Read with these in mind"), *_notes(estimate["warnings"])] if estimate["warnings"] else []),
    ]


def _overview(drawn: IllustratedReport) -> Body:
    """All levels of an MR and which of them it speaks for; nothing of a CT."""
    if not drawn.reported.pictures.overview:
        return []
    anatomy = drawn.reported.planned.anatomy
    proposal = levels_proposal(anatomy.levels, anatomy.sources)
    ranked = [f"{each.rank}. {each.level}: {'; '.join(each.reasons)}" for each in proposal.levels]
    return [
        _heading("All levels on the MR"),
        *_picture_rows(drawn.reported.pictures.overview, 1, 120),
        text(proposal.sentence, style(8, after=2)),
        *_notes(ranked),
        *([_note(proposal.caution)] if ranked else []),
    ]


TILES_A_ROW = 4


def _tiles(estimate: Mapping[str, Any]) -> Body:
    """The tiles in rows of the same width."""
    tiles = report_glance.glance(estimate)
    tiles += [("", "", "")] * (-len(tiles) % TILES_A_ROW)
    widths = [WIDTH_MM / TILES_A_ROW] * TILES_A_ROW
    return [tiles_table(tiles[n : n + TILES_A_ROW], widths, 10.5) for n in range(0, len(tiles), TILES_A_ROW)]


def _outcome(estimate: Mapping[str, Any]) -> str:
    said = report_glance.limits_sentence(estimate).replace("NOT FREED. ", "")
    return f"{report_glance.outcome_words(estimate)}: {said} {report_glance.outcome_chance(estimate)}".strip()


def _plan(drawn: IllustratedReport) -> Body:
    planned = drawn.reported.planned
    columns = ("phase", "medial tilt", "cranial tilt", "sweep", "pivot moved", "sleeve past docking depth",
               "tool past docking depth")  # fmt: skip
    return [
        _heading("The plan"),
        pairs_table(report_plan.plan_facts(planned, drawn.estimate), (40, WIDTH_MM - 40)),
        Spacer(0, 4),
        rows_table(columns, report_plan.phase_rows(planned), (24, 42, 26, 16, 32, 22, 22)),
        _note(
            "Tilts are given in the level's own frame: medial tilt in the axial plane along the disc, from straight "
            "ventral (0\u00b0); cranial tilt out of that plane. Under the image intensifier, line the beam up with "
            f"the disc of {planned.level.name} first."
        ),
    ]


def _slices(drawn: IllustratedReport) -> Body:
    slices, name = drawn.reported.pictures.slices, drawn.reported.planned.level.name
    return [
        PageBreak(),
        _heading("Slices through the channel"),
        *_picture_rows(slices[:2], 2),
        *_picture_rows([drawn.reported.pictures.key], 1),
        *_picture_rows(slices[2:], 3),
        _note(
            "Axial slices are shown as in theatre: patient prone, dorsal up, seen from the feet, so the patient's left "
            f"is on the left. Slices follow the disc of {name}, not the scanner. Channel outlines show the whole sweep "
            "of each phase; dashed lines its axis."
        ),
    ]


def _solids(drawn: IllustratedReport) -> Body:
    sac = drawn.reported.planned.anatomy.sources.get("sac", "source not stated")
    return [
        PageBreak(),
        _heading("The bone in 3D"),
        *_picture_rows(drawn.reported.pictures.solids, 2),
        _note(
            "Seen from behind, head up, a little from below. Orange: bone the task takes. Blue: dural sac or canal "
            f"({sac}). Translucent: the channel along the axis of each phase, without its sweep."
        ),
    ]


def _bone(drawn: IllustratedReport) -> Body:
    columns = ("structure", "task, mm\u00b3", "share of the structure", "whole sweep, mm\u00b3")
    return [
        PageBreak(),
        _heading("Bone removed"),
        *_picture_rows([drawn.charts["bone"]], 1, 90),
        rows_table(columns, report_facts.bone_rows(drawn.estimate), (70, 40, 36, 38)),
    ]


def _stays(drawn: IllustratedReport) -> Body:
    columns = ("limit", "value", "limit", "", "chance kept", "source of the limit", "evidence")
    return [
        PageBreak(),
        _heading("What must stay"),
        *_picture_rows([drawn.charts["facets"]], 1, 80),
        pairs_table(report_facts.weak_place_facts(drawn.estimate), (40, WIDTH_MM - 40)),
        Spacer(0, 4),
        rows_table(columns, report_facts.limit_rows(drawn.estimate), (38, 17, 16, 24, 16, 53, 20)),
        _note(
            "Within error: the limit lies inside the number's 95 % interval. Chance kept: share of samples, borders "
            "and execution varied at random, in which the limit holds. Evidence: published = seen in an abstract, "
            "standard or package; computed = from stated inputs; assumption = from memory; common practice = no source."
        ),
    ]


def _reach(drawn: IllustratedReport) -> Body:
    estimate, charts = drawn.estimate, drawn.charts
    touched = ("target touched by the tool's tip", "ipsilateral", "contralateral")
    columns = ("requested targets", "touched", "chance of enough")
    return [
        PageBreak(),
        _heading("Reach and decompression"),
        *(_picture_rows([charts["reach"]], 1, 60) if "reach" in charts else []),
        *_pairs(report_facts.reach_facts(drawn.reported.planned, estimate)),
        rows_table(touched, report_facts.target_rows(estimate), (84, 50, 50)),
        Spacer(0, 4),
        rows_table(columns, report_facts.requested_rows(estimate), (84, 50, 50)),
        *map(_note, report_facts.chance_sentences(estimate)),
        *_pairs(report_facts.freed_facts(estimate)),
    ]


def _pairs(facts: Sequence[tuple[str, str]]) -> Body:
    return [pairs_table(facts, (44, WIDTH_MM - 44)), Spacer(0, 4)] if facts else []


def _audit(drawn: IllustratedReport) -> Body:
    audit = drawn.reported.audit
    if audit is None:
        return []
    pictures = [] if audit.picture is None else _picture_rows([audit.picture], 1, 130)
    body = [PageBreak(), _heading("What was done"), text(audit.sentence, style(9, heavy=True, after=3)), *pictures]
    for shown in audit.tables:
        count = len(shown.columns)
        widths = [62.0, *[(WIDTH_MM - 62.0) / (count - 1)] * (count - 1)]
        body += [text(shown.title, style(9, heavy=True, after=2)), rows_table(shown.columns, shown.rows, widths)]
        body.append(Spacer(0, 4))
    return [*body, *_notes(audit.sentences)]


def _what_if(drawn: IllustratedReport) -> Body:
    what_if = drawn.reported.what_if
    if not (what_if.charts or what_if.because):
        return []
    because = [text(f"Not charted: {what_if.because}", style(8, after=3))] if what_if.because else []
    return [
        PageBreak(),
        _heading("What if"),
        *because,
        *_picture_rows(what_if_pictures(what_if), 1, 105),
        _note(
            "Each value is an exact estimate of the resection of a plan of its own; where the entry map shows a share "
            "and no bone, the share is that of a coarser form."
        ),
    ]


def _others(drawn: IllustratedReport) -> Body:
    comparison = drawn.reported.comparison
    return [
        PageBreak(),
        _heading("Other accesses, same room needed"),
        *_picture_rows([drawn.charts["compare"]], 1, 90),
        text(comparison["conclusion"], style(8, after=3)),
        rows_table(ACCESS_COLUMNS, report_facts.compared_rows(comparison), (30, 17, 17, 26, 26, 17, 17, 17, 18)),
        _note(
            "Each row is the plan of least weighted bone that frees enough, as a short search found it for that "
            "access; it may differ from the plan above. Midline laminectomy: a reference, not a plan. Chance as "
            "executed: how often enough is freed with every limit kept under execution errors."
        ),
    ]


def _sure(drawn: IllustratedReport) -> Body:
    planned = drawn.reported.planned
    naming, sure = planned.anatomy.naming, planned.level.confidence
    names = [report_sure.names_sentence(naming, planned.level.name)] if naming else []
    if naming and naming.transitional:
        names.append("Transitional anatomy is possible: count on the images.")
    reported = [_heading("How sure"), *(text(words, style(8, after=3)) for words in names)]
    if sure is None:
        return [*reported, text("Not judged.", style(8, after=3))]
    answers = report_sure.question_rows(naming, drawn.reported.estimate["probabilities"])
    if answers:
        reported += [rows_table(("probability that", "", "from"), answers, (60, 16, WIDTH_MM - 76)), Spacer(0, 4)]
    return [
        *reported,
        rows_table(("looked at", "confidence", "why"), report_sure.reason_rows(sure), (44, 22, WIDTH_MM - 66)),
        Spacer(0, 4),
        *_picture_rows(drawn.reported.pictures.look, 2, 80),
        rows_table(STRUCTURE_COLUMNS, report_sure.structure_rows(sure), (84, 50, 50)),
    ]


def _case(drawn: IllustratedReport) -> Body:
    planned = drawn.reported.planned
    scan, level = planned.scan, planned.level
    columns = ("quantity", "value", "structure and slice", "severity", "note")
    notes = [f"{n + 1}. {note}" for n, note in enumerate(report_facts.level_notes(level))]
    measured = [
        text(f"{level.name}, measured", style(9, heavy=True, after=2)),
        rows_table(columns, report_facts.level_rows(level), (50, 26, 62, 36, 10)),
        *map(_note, notes),
    ]
    return [
        PageBreak(),
        _heading("The case"),
        *_pairs(list(planned.anatomy.sources.items())),
        *_pairs([("modality", scan.modality), *scan.provenance.items()]),
        *_notes(scan.warnings),
        *(measured if level.measurements else []),
        KeepTogether(
            [
                _note(
                    "The report carries no name, date or identifier of the patient. Check level and side against the "
                    "original images."
                ),
                boxed(CAUTION, WIDTH_MM, 7.6),
            ]
        ),
    ]


SECTIONS: tuple[Callable[[IllustratedReport], Body], ...] = (
    _head, _overview, _plan, _slices, _solids, _bone, _stays, _reach, _audit, _what_if, _others, _sure, _case,
)  # fmt: skip
"""In the order of the page."""
