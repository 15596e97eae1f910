"""What our PDFs are put together from: one family of letters, paragraphs, tables, pictures; always the same bytes."""

from __future__ import annotations

import base64
import io
from collections.abc import Iterable, Sequence
from functools import cache
from pathlib import Path
from xml.sax.saxutils import escape

from matplotlib import get_data_path
from reportlab.lib.colors import HexColor
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import registerFont, registerFontFamily
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import Image, Paragraph, Table, TableStyle

from canalwise.workbench.style.palette import INK, RULE

QUIET_INK, WASH = "#4d5761", "#f5f6f4"
"""Quiet text (7 : 1 on white) and the background of tiles."""

LETTERS, HEAVY = "canalwise", "canalwise-bold"

LEADING = 1.25
"""Line height over letter height."""


@cache
def letters() -> str:
    """Registers the family (DejaVu Sans, which comes with matplotlib and has every sign we write); gives its name."""
    folder = Path(get_data_path(), "fonts", "ttf")
    registerFont(TTFont(LETTERS, folder / "DejaVuSans.ttf"))
    registerFont(TTFont(HEAVY, folder / "DejaVuSans-Bold.ttf"))
    registerFontFamily(LETTERS, normal=LETTERS, bold=HEAVY, italic=LETTERS, boldItalic=HEAVY)
    return LETTERS


def style(size: float, *, heavy: bool = False, quiet: bool = False, after: float = 0.0) -> ParagraphStyle:
    """A paragraph's style: letter height in points, weight, colour, and the gap after it in points."""
    return ParagraphStyle(
        f"{size}{heavy}{quiet}{after}",
        fontName=HEAVY if heavy else letters(),
        fontSize=size,
        leading=size * LEADING,
        textColor=HexColor(QUIET_INK if quiet else INK),
        spaceAfter=after,
    )


def text(words: str, how: ParagraphStyle) -> Paragraph:
    """A paragraph of plain words: nothing in them is taken for markup."""
    letters()
    return Paragraph(escape(words), how)


def picture_bytes(uri: str) -> bytes:
    """The bytes of a picture kept as a data address.

    >>> picture_bytes("data:image/png;base64,YWJj")
    b'abc'
    """
    return base64.b64decode(uri.partition(",")[2])


def image(content: bytes, width_mm: float, highest_mm: float = 240.0) -> Image:
    """A picture of that width, or narrower where it would be too high."""
    made = Image(io.BytesIO(content))
    scale = min(width_mm * mm / made.imageWidth, highest_mm * mm / made.imageHeight)
    made.drawWidth, made.drawHeight = made.imageWidth * scale, made.imageHeight * scale
    return made


def rows_table(
    head: Sequence[str], body: Iterable[Sequence[str]], widths_mm: Sequence[float], size: float = 7.2
) -> Table:
    """A table with a head that is repeated on every page; BREACHED and totals stand out."""
    plain, heavy, quiet = style(size), style(size, heavy=True), style(size - 0.4, heavy=True, quiet=True)
    reported = [
        [text(cell, heavy if "BREACHED" in cell or row[0].startswith("total") else plain) for cell in row]
        for row in body
    ]
    table = Table([[text(cell, quiet) for cell in head], *reported], [w * mm for w in widths_mm], repeatRows=1)
    table.setStyle(
        TableStyle(
            [
                ("LINEBELOW", (0, 0), (-1, 0), 0.8, HexColor(INK)),
                ("LINEBELOW", (0, 1), (-1, -1), 0.3, HexColor(RULE)),
                *TIGHT,
            ]
        )
    )
    return table


TIGHT = [
    ("VALIGN", (0, 0), (-1, -1), "TOP"),
    ("LEFTPADDING", (0, 0), (-1, -1), 0),
    ("RIGHTPADDING", (0, 0), (-1, -1), 4),
    ("TOPPADDING", (0, 0), (-1, -1), 1),
    ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
]


def pairs_table(body: Iterable[tuple[str, str]], widths_mm: tuple[float, float], size: float = 7.2) -> Table:
    """Terms and what they are."""
    cells = [[text(term, style(size, heavy=True)), text(value, style(size))] for term, value in body]
    table = Table(cells, [w * mm for w in widths_mm])
    table.setStyle(TableStyle([("LINEBELOW", (0, 0), (-1, -1), 0.3, HexColor(RULE)), *TIGHT]))
    return table


def tiles_table(tiles: Sequence[tuple[str, str, str]], widths_mm: Sequence[float], size: float = 13) -> Table:
    """Tiles side by side: what, its value in large letters, a remark."""
    quiet, loud = style(6.6, quiet=True), style(size, heavy=True)
    cells = [[text(what, quiet), text(value, loud), text(remark, quiet)] for what, value, remark in tiles]
    table = Table([cells], [w * mm for w in widths_mm])
    table.setStyle(
        TableStyle(
            [
                ("BACKGROUND", (0, 0), (-1, -1), HexColor(WASH)),
                ("BOX", (0, 0), (-1, -1), 0.5, HexColor(RULE)),
                ("INNERGRID", (0, 0), (-1, -1), 2.5, HexColor("#ffffff")),
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                *((f"{side}PADDING", (0, 0), (-1, -1), 4) for side in ("LEFT", "RIGHT", "TOP", "BOTTOM")),
            ]
        )
    )
    return table


def boxed(words: str, width_mm: float, size: float = 7.0) -> Table:
    """Words in a frame, as the caution is shown."""
    table = Table([[text(words, style(size, heavy=True))]], [width_mm * mm])
    table.setStyle(TableStyle([("BOX", (0, 0), (-1, -1), 1.0, HexColor(INK))]))
    return table


def pictures_row(pictures: Sequence[tuple[bytes, str]], widths_mm: Sequence[float], highest_mm: float = 240.0) -> Table:
    """Pictures side by side, each with its caption beneath."""
    quiet = style(6.6, quiet=True)
    rows = [[image(c, w - 2, highest_mm) for (c, _), w in zip(pictures, widths_mm, strict=True)],
             [text(caption, quiet) for _, caption in pictures]]  # fmt: skip
    table = Table(rows, [w * mm for w in widths_mm])
    table.setStyle(TableStyle([*TIGHT, ("NOSPLIT", (0, 0), (-1, -1))]))
    return table
