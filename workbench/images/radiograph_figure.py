"""A digitally reconstructed radiograph as a figure, with the plan and the directions drawn on it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patheffects import Normal, Stroke

from canalwise.workbench.images.planned_case import PlannedCase
from canalwise.workbench.images.radiograph_overlay import RadiographMark, marks_of
from canalwise.workbench.images.radiograph_projection import radiograph_of
from canalwise.workbench.images.radiograph_view import Radiograph, views_of
from canalwise.workbench.style.palette import MARK, MARK_RIM, phase_colour

NEEDLE = LINE = MARK
"""On a grey picture needle and level's own lines are white with a dark rim, told apart by their weight and dashes."""

POINTS: Mapping[str, dict[str, Any]] = {
    "skin entry": {"marker": "o", "color": NEEDLE, "fillstyle": "none"},
    "pivot": {"marker": "o", "color": NEEDLE, "fillstyle": "none"},
    "docking point": {"marker": "x", "color": NEEDLE},
}
"""How points are drawn; the window's centre is a white plus."""

WIDTH_INCH = 3.6

EDGE_PT = 16.0
"""Words at the edges, points: read where the picture is printed at half its size."""


def radiograph_figures(planned: PlannedCase, entry: Mapping[str, Any]) -> dict[str, Figure]:
    """Caption -> figure, AP first; `entry` is the estimate's `skin_entry`. Call inside `drawing_style`."""
    level, approach = planned.level, planned.approach
    made = [radiograph_of(planned.scan, planned.anatomy, level.name, view) for view in views_of(approach.side)]
    return {caption_of(m): radiograph_figure(m, marks_of(m.view, level, approach, entry)) for m in made}


def caption_of(radiograph: Radiograph) -> str:
    """What the picture is, for beneath it."""
    return f"Digitally reconstructed radiograph, {radiograph.view.name}: {radiograph.made_from}"


def radiograph_figure(radiograph: Radiograph, marks: Sequence[RadiographMark]) -> Figure:
    """The picture with its marks, words at its edges."""
    figure = Figure(figsize=(WIDTH_INCH, WIDTH_INCH))
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    rows, columns = radiograph.grey.shape
    axes.imshow(radiograph.grey, cmap="gray", vmin=0, vmax=255, interpolation="bilinear")
    for mark in marks:
        _draw(axes, mark)
    _write(axes, radiograph.view.words)
    axes.set(xlim=(-0.5, columns - 0.5), ylim=(rows - 0.5, -0.5))
    axes.set_axis_off()
    return figure


def _draw(axes: Axes, mark: RadiographMark) -> None:
    across, down = mark.pixels.T
    if mark.kind == "point":
        how = POINTS.get(mark.name, {"marker": "+", "color": LINE})
        axes.plot(across, down, linestyle="none", markersize=7, markeredgewidth=1.4, path_effects=_rim(1.4), **how)
    elif mark.kind == "outline":
        axes.fill(across, down, fill=False, edgecolor=phase_colour(mark.phase), linewidth=1.3, path_effects=_rim(1.3))
    else:
        needle = mark.name == "needle"
        axes.plot(across, down, color=NEEDLE if needle else LINE, linewidth=1.3 if needle else 0.9,
                  linestyle="solid" if needle else (0, (5, 3)), path_effects=_rim(1.0))  # fmt: skip


def _rim(width: float) -> list[Any]:
    """A dark edge round a light line, so that it is seen on both bone and air."""
    return [Stroke(linewidth=width + 1.4, foreground=MARK_RIM), Normal()]


def _write(axes: Axes, words: Sequence[str]) -> None:
    boxed: dict[str, Any] = {
        "color": "white",
        "fontsize": EDGE_PT,
        "fontweight": "bold",
        "bbox": {"facecolor": "black", "alpha": 0.6, "edgecolor": "none", "pad": 1.5},
        "transform": axes.transAxes,
    }
    left, right, up, down = words
    axes.text(0.015, 0.5, left, rotation=90, va="center", ha="left", **boxed)
    axes.text(0.985, 0.5, right, rotation=270, va="center", ha="right", **boxed)
    axes.text(0.5, 0.985, up, va="top", ha="center", **boxed)
    axes.text(0.5, 0.015, down, va="bottom", ha="center", **boxed)
