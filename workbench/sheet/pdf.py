"""The theatre sheet as a PDF of one page, made without a browser."""

from __future__ import annotations

import io

from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Table, TableStyle

from canalwise.recon.disclaimer import CAUTION
from canalwise.workbench.report.plan_section import phase_rows
from canalwise.workbench.report.summary import glance, limits_sentence, outcome_chance, outcome_words
from canalwise.workbench.sheet import tables as sheet_facts
from canalwise.workbench.sheet.sheet import TheatreSheet
from canalwise.workbench.style.palette import INK, phase_colour_word
from canalwise.workbench.style.pdf import (
    HEAVY,
    TIGHT,
    boxed,
    letters,
    pictures_row,
    rows_table,
    style,
    text,
    tiles_table,
)
from canalwise.workbench.style.stamp import SIGNATURE, STICKER

MARGIN_MM, WIDTH_MM = 10.0, 190.0

GAP_MM = 1.6
"""Between one band of the page and the next."""

FILM_MM, VIEW_MM = 64.0, 49.0
"""Widths of the radiographs, and of the two pictures below them."""


def sheet_pdf(sheet: TheatreSheet) -> bytes:
    """One A4 page; the same bytes for the same case and view."""
    buffer = io.BytesIO()
    canvas = Canvas(buffer, pagesize=A4, invariant=1, lang="en")
    level, side = sheet.planned.level.name, sheet.planned.approach.side
    canvas.setTitle(f"canalwise theatre sheet: {level}, {side}")
    canvas.setAuthor("canalwise")
    canvas.setCreator("canalwise")
    canvas.setSubject("For rehearsal, teaching and research. Not a medical device.")
    canvas.setViewerPreference("DisplayDocTitle", "true")
    top = _header(canvas, level, side)
    for band in _bands(sheet):
        top = _placed(canvas, band, top)
    canvas.showPage()
    canvas.save()
    return buffer.getvalue()


def _placed(canvas: Canvas, band: Flowable, top_mm: float) -> float:
    """Draws a band below `top_mm`; gives where the next one starts."""
    _, height = band.wrapOn(canvas, WIDTH_MM * mm, A4[1])
    band.drawOn(canvas, MARGIN_MM * mm, top_mm * mm - height)
    return float(top_mm - height / mm - GAP_MM)


def _header(canvas: Canvas, level: str, side: str) -> float:
    """Level and side in letters to be read across a room, and the boxes to tick; gives where the next band starts."""
    letters()
    base = A4[1] / mm - 20.0
    canvas.setFillColor(HexColor(INK))
    canvas.setStrokeColor(HexColor(INK))
    canvas.setFont(HEAVY, 30)
    canvas.drawString(MARGIN_MM * mm, base * mm, level)
    across = MARGIN_MM * mm + canvas.stringWidth(f"{level} ", HEAVY, 30)
    wide = canvas.stringWidth(side.upper(), HEAVY, 30)
    canvas.drawString(across + 2 * mm, base * mm, side.upper())
    canvas.setLineWidth(1.8)
    canvas.rect(across, (base - 2.2) * mm, wide + 4 * mm, 11.8 * mm)
    canvas.setFont(letters(), 8)
    canvas.drawString(MARGIN_MM * mm, (base - 6.5) * mm, sheet_facts.subtitle(side))
    canvas.setLineWidth(0.9)
    for row, words in enumerate(sheet_facts.CONFIRM):
        at = base + 7.2 - 5.6 * row
        canvas.rect(133 * mm, (at - 2.6) * mm, 3.4 * mm, 3.4 * mm)
        canvas.setFont(letters(), 5.6)
        canvas.drawString(137.5 * mm, (at - 1.8) * mm, words)
    _handwritten_fields(canvas, base)
    canvas.setLineWidth(1.5)
    canvas.line(MARGIN_MM * mm, (base - 8.5) * mm, (MARGIN_MM + WIDTH_MM) * mm, (base - 8.5) * mm)
    return base - 8.5 - GAP_MM


def _handwritten_fields(canvas: Canvas, base_mm: float) -> None:
    """A frame for the patient's sticker and one for the signature."""
    canvas.setLineWidth(0.6)
    canvas.setFont(letters(), 5.6)
    for words, at, high in ((STICKER, base_mm - 1.5, 11.5), (SIGNATURE, base_mm - 7.5, 5.5)):
        canvas.rect(82 * mm, at * mm, 48 * mm, high * mm)
        canvas.drawString(83 * mm, (at + high - 2.3) * mm, words)


def _bands(sheet: TheatreSheet) -> list[Flowable]:
    planned, estimate = sheet.planned, sheet.estimate
    entry, sure = sheet_facts.entry_tiles(planned, estimate), sheet_facts.confidence_tile(planned)
    tiles = [*entry, sure, sheet_facts.instrument_tile(planned)]
    said = limits_sentence(estimate).replace("NOT FREED. ", "")
    outcome = f"{outcome_words(estimate)}: {said} {outcome_chance(estimate)}"
    return [
        text(sheet.stamp.words, style(7)),
        boxed(CAUTION, WIDTH_MM, 6.8),
        boxed(outcome, WIDTH_MM, 8.6),
        tiles_table(tiles, (33, 38, 33, 36, 50), 13),
        rows_table(sheet_facts.PHASE_COLUMNS, phase_rows(planned), (24, 46, 26, 15, 37, 22, 20)),
        _films(sheet),
        _views(sheet),
        rows_table(sheet_facts.LIMIT_COLUMNS, sheet_facts.limit_rows(estimate, sheet.limit_ends), (66, 45, 22, 37, 20)),
        text("Keep in mind: " + " ".join(sheet_facts.warning_sentences(planned, estimate)), style(7)),
    ]


def _films(sheet: TheatreSheet) -> Table:
    films = pictures_row([(p.png, p.caption) for p in sheet.pictures[:2]], (FILM_MM + 2, FILM_MM + 2))
    words = [text("Drawn on them", style(8, heavy=True, after=2))]
    words += [text(line, style(7, after=2)) for line in _key(sheet)]
    return _beside(films, words, 2 * FILM_MM + 4)


def _key(sheet: TheatreSheet) -> list[str]:
    phases = [f"{phase_colour_word(n)}: sleeve and tool, {p.name}" for n, p in enumerate(sheet.planned.phases)]
    at = "skin" if sheet.estimate["skin_entry"]["at"] == "skin" else "pivot"
    return [
        f"yellow: needle, ring at the {at}, cross at the docking point",
        *phases,
        "plus: middle of the window",
        "dashed: disc plane, midline",
        sheet_facts.BEAM,
    ]


def _views(sheet: TheatreSheet) -> Table:
    radiographs = sheet.pictures[2:]
    views = pictures_row([(p.png, p.caption) for p in radiographs], [VIEW_MM + 2] * len(radiographs), VIEW_MM)
    words = [text("Predicted (95 % interval)", style(8, heavy=True, after=2))]
    words += [text(f"{what}: {value}; {remark}", style(7, after=1.5)) for what, value, remark in glance(sheet.estimate)]
    return _beside(views, words, (VIEW_MM + 2) * len(radiographs))


def _beside(pictures: Table, words: list[Flowable], width_mm: float) -> Table:
    table = Table([[pictures, words]], [width_mm * mm, (WIDTH_MM - width_mm) * mm])
    table.setStyle(TableStyle(TIGHT))
    return table
