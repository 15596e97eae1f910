"""Pictures turned into text that sits inside a page: the same picture gives the same bytes.

The drawing library is loaded by what draws with it: a server that only sends pictures needs none.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
from PIL import Image

from canalwise.workbench.style.palette import INK, QUIET, RULE

if TYPE_CHECKING:
    from matplotlib.figure import Figure

STYLE: dict[str, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 9.0,
    "text.color": INK,
    "axes.labelcolor": INK,
    "axes.edgecolor": QUIET,
    "xtick.color": QUIET,
    "ytick.color": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.linewidth": 0.7,
    "grid.color": RULE,
    "grid.linewidth": 0.6,
    "legend.frameon": False,
    "svg.hashsalt": "canalwise",
    "svg.fonttype": "path",
}
"""Settings of every chart; the fixed salt keeps the identifiers inside an SVG the same from run to run."""

NO_MAKER: dict[str, Any] = {"Software": None}
"""Keeps the drawing library's name and version out of a PNG, so that an update of it does not change the bytes."""

SLICE_DPI = 170
"""Dots per inch of pictures that hold a slice; 100 mm of patient are then about 600 dots across."""


SLICE_QUALITY = 90
"""Of slices as JPEG: no trace of it is seen at the size of the page (choice)."""

CHART_DPI, CHART_COLOURS = 150, 64
"""Of charts kept as pixels: sharp on paper, and all the colours that a chart with smooth edges needs."""


def data_uri(content: bytes, media_type: str) -> str:
    """The bytes as an address that needs no other file.

    >>> data_uri(b"abc", "text/plain")
    'data:text/plain;base64,YWJj'
    """
    return f"data:{media_type};base64,{base64.b64encode(content).decode('ascii')}"


@contextmanager
def drawing_style() -> Iterator[None]:
    """Charts made and saved inside look the same, whatever settings the user's own matplotlib has."""
    from matplotlib import rc_context, rcParamsDefault

    # rcParamsDefault also names a backend, which must not be switched while drawing
    plain: dict[Any, Any] = {key: value for key, value in rcParamsDefault.items() if not key.startswith("backend")}
    with rc_context(plain | STYLE):
        yield


def chart_uri(figure: Figure) -> str:
    """A chart as an SVG address; call inside `drawing_style`."""
    return data_uri(svg_bytes(figure), "image/svg+xml")


def slice_uri(figure: Figure) -> str:
    """A figure that holds a slice as a JPEG address, a third of its size as PNG; call inside `drawing_style`."""
    buffer = io.BytesIO()
    with Image.open(io.BytesIO(png_bytes(figure))) as whole:
        # colours as finely as greys: the lines drawn on a slice are thin
        whole.convert("RGB").save(buffer, format="jpeg", quality=SLICE_QUALITY, subsampling=0, optimize=True)
    return data_uri(buffer.getvalue(), "image/jpeg")


def svg_bytes(figure: Figure) -> bytes:
    """A figure as SVG; call inside `drawing_style`."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    return buffer.getvalue()


def png_bytes(figure: Figure) -> bytes:
    """A figure as PNG; call inside `drawing_style`."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=SLICE_DPI, metadata=NO_MAKER)
    return buffer.getvalue()


def chart_pixels_uri(figure: Figure) -> str:
    """A chart of many lines as a PNG address, a fraction of its size as SVG; call inside `drawing_style`."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=CHART_DPI, metadata=NO_MAKER)
    few = io.BytesIO()
    with Image.open(buffer) as whole:
        whole.convert("RGB").quantize(CHART_COLOURS, dither=Image.Dither.NONE).save(few, format="png", optimize=True)
    return data_uri(few.getvalue(), "image/png")


def picture_uri(picture: npt.NDArray[np.uint8]) -> str:
    """A (rows, columns, 3) picture as a PNG address."""
    from matplotlib.image import imsave

    buffer = io.BytesIO()
    imsave(buffer, picture, format="png", metadata=NO_MAKER)
    return data_uri(buffer.getvalue(), "image/png")
