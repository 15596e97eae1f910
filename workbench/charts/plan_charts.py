"""Figures of what another tilt, entry or instrument would cost, keep and reach."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import singledispatch
from textwrap import fill

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch, Rectangle

from canalwise.estimator.charts.chart_numbers import RELATIONS, ChartNumbers, wanted_words
from canalwise.estimator.charts.entry_map import EntryMap
from canalwise.estimator.charts.instrument_chart import DiameterCurve, InstrumentChart
from canalwise.estimator.charts.tilt_chart import TiltChart
from canalwise.estimator.limits import Limit
from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.grid import Float
from canalwise.workbench.style.palette import (
    FEASIBLE,
    INK,
    IPSILATERAL,
    LEAST_STACKED_MM3,
    LIMIT,
    OVER_THE_TOP,
    PAPER,
    QUIET,
    STACK,
    STRUCTURES,
)
from canalwise.workbench.style.phrases import EVIDENCE, amount, joined, number

WIDTH_IN = 7.2
"""Inches; that of every chart of the page."""

COLOURS = dict(zip(RELATIONS, (IPSILATERAL, OVER_THE_TOP), strict=True))

HATCHES = ("////", "....", "\\\\\\\\", "xxxx", "----", "||||", "oooo", "++++")
"""Of the reasons why an entry fails, distinguished without colour."""

DARK_FRAC = 0.55
"""Cells darker than this share of the scale carry light numbers."""

CAPTION_COLUMNS = 108


@singledispatch
def figure_of(chart: object) -> Figure:
    """The figure of an angle chart, an entry map or an instrument chart; call inside `drawing_style`.

    >>> figure_of("a chart")
    Traceback (most recent call last):
    TypeError: str has no figure
    """
    raise TypeError(f"{type(chart).__name__} has no figure")


@singledispatch
def caption_of(chart: object) -> str:
    """What the figure shows, and where its limits come from.

    >>> caption_of("a chart")
    Traceback (most recent call last):
    TypeError: str has no caption
    """
    raise TypeError(f"{type(chart).__name__} has no caption")


def captioned_figure(chart: TiltChart | EntryMap | InstrumentChart) -> Figure:
    """The figure with caption and caution, for a file of its own; call inside `drawing_style`."""
    figure = figure_of(chart)
    width, height = figure.get_size_inches()
    caption = "\n".join(fill(text, CAPTION_COLUMNS) for text in (caption_of(chart), CAUTION))
    figure.set_size_inches(width, height + 0.19 * (caption.count("\n") + 2))
    figure.supxlabel(caption, x=0.01, ha="left", fontsize=9, color=QUIET)
    figure.suptitle(f"{chart.level}, entry on the patient's {chart.side}", x=0.01, ha="left", fontsize=9)
    return figure


def limits_words(limits: Mapping[str, Limit]) -> str:
    """The limits that are drawn, each with its evidence class.

    >>> from canalwise.estimator.limits import DEFAULTS
    >>> limits_words(DEFAULTS)[:42]
    'Limits: joint kept 50 % (published), pars '
    """
    named = {
        "facet_area_kept_frac": "joint kept", "pars_residual_mm": "pars", "spinous_bridge_mm": "bony bridge",
        "lateral_removal_mm": "bone taken no further from the midline than",
    }  # fmt: skip
    by_relation = [
        f"{words} {amount(limits[n].value, limits[n].unit)} ({EVIDENCE[limits[n].evidence]})"
        for n, words in named.items()
    ]
    return f"Limits: {', '.join(by_relation)}."


@figure_of.register
def _angle_figure(chart: TiltChart) -> Figure:
    figure = Figure(figsize=(WIDTH_IN, 6.6), layout="constrained")
    panels = figure.subplots(5, 1, sharex=True, height_ratios=(1.1, 1.6, 1.0, 1.0, 0.8))
    tilt, numbers, limits = chart.medial_tilt_deg, chart.numbers, chart.limits
    _by_relation(panels[0], tilt, numbers.freed_frac, "freed", 100.0)
    _limit_line(panels[0], 100.0 * chart.enough_frac, "enough")
    panels[0].set(ylim=(0, 105), ylabel="freed\n%")
    _stacked(panels[1], tilt, numbers)
    _by_relation(panels[2], tilt, numbers.facet_area_frac, "surface", 100.0)
    _by_relation(panels[2], tilt, numbers.facet_width_frac, "width", 100.0, dashed=True)
    _limit_line(panels[2], 100.0 * limits["facet_area_kept_frac"].value, "limit")
    panels[2].set(ylim=(0, 105), ylabel="joint kept\n%")
    _by_relation(panels[3], tilt, numbers.pars_mm, "pars")
    panels[3].plot(tilt, numbers.bridge_mm, color=INK, label="least bridge of the spinous base")
    _limit_line(panels[3], limits["pars_residual_mm"].value, "pars")
    _limit_line(panels[3], limits["spinous_bridge_mm"].value, "bridge")
    panels[3].set(ylim=(0, None), ylabel="remaining\nmm")
    panels[4].plot(tilt, numbers.reach_mm, color=OVER_THE_TOP, label="tissue taken across")
    panels[4].set(ylim=(0, None), ylabel="reach\nmm")
    panels[4].set_xlabel("medial tilt of the entry, deg (0 = straight ventral)")
    figure.align_ylabels()
    for axes in panels:
        _banded(axes, chart.bands_deg, float(tilt[chart.plan]))
        axes.set_xlim(tilt[0], tilt[-1])
        axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.05), fontsize=9, handlelength=1.8)
    panels[0].annotate(f"plan {number(float(tilt[chart.plan]))}\u00b0", (tilt[chart.plan], 1.0), fontsize=9.5,
                       xycoords=("data", "axes fraction"), ha="center", va="bottom", annotation_clip=False)  # fmt: skip
    return figure


@caption_of.register
def _angle_caption(chart: TiltChart) -> str:
    bands = joined([f"{number(a)} to {number(b)}\u00b0" for a, b in chart.bands_deg]) or "none"
    return (
        f"The entry tilted about its docking point, all else as planned; the least bone of each tilt's resection. "
        f"Shaded: {wanted_words(chart.enough_frac)}, all limits kept ({bands}). {limits_words(chart.limits)}"
    )


def _stacked(axes: Axes, across: Float, numbers: ChartNumbers) -> None:
    groups = {name: sum(numbers.structure_mm3[part] for part in parts) for name, parts in STACK.items()}
    shown = {name: layer for name, layer in groups.items() if np.max(layer) >= LEAST_STACKED_MM3 or name == "other"}
    colours = [STRUCTURES[list(STACK).index(name)] for name in shown]
    axes.stackplot(across, *shown.values(), labels=list(shown), colors=colours, edgecolor=PAPER, linewidth=0.4)
    axes.set(ylim=(0, None), ylabel="bone removed\nmm\u00b3")


def _by_relation(
    axes: Axes, across: Float, values: Mapping[str, Float], words: str, scale: float = 1.0, dashed: bool = False
) -> None:
    for relation in RELATIONS:
        label = f"{words}, {relation}" if words else relation
        style = (0, (4, 2)) if dashed else "solid"
        axes.plot(across, scale * values[relation], color=COLOURS[relation], linestyle=style, label=label)


def _limit_line(axes: Axes, value: float, words: str) -> None:
    axes.axhline(value, color=LIMIT, linewidth=1.0, linestyle=(0, (2, 2)))
    axes.annotate(words, (0.002, value), xycoords=("axes fraction", "data"), fontsize=9, va="bottom")


def _banded(axes: Axes, bands: Iterable[tuple[float, float]], plan: float) -> None:
    """The feasible bands shaded, a lone value as a line, and the plan marked."""
    for low, high in bands:
        axes.axvspan(low, high, facecolor=FEASIBLE, edgecolor=QUIET, linewidth=0.8, zorder=-2)
    axes.axvline(plan, color=INK, linewidth=1.2, linestyle="dashed")
    axes.grid(axis="y")
    axes.set_axisbelow(True)


@figure_of.register
def _entry_figure(chart: EntryMap) -> Figure:
    figure = Figure(figsize=(WIDTH_IN, 5.2), layout="constrained")
    axes = figure.subplots()
    step = float(chart.cranial_mm[1] - chart.cranial_mm[0])
    edges = [np.append(values - step / 2, values[-1] + step / 2) for values in (chart.lateral_mm, chart.cranial_mm)]
    if chart.best_place is not None:
        shown = axes.pcolormesh(*edges, np.ma.masked_invalid(chart.bone_mm3), cmap="cividis_r", edgecolors=PAPER)
        figure.colorbar(shown, ax=axes, label="least bone that frees enough within limits, mm\u00b3", shrink=0.8)
    elif np.isfinite(chart.freed_frac).any():
        share = np.ma.masked_invalid(100.0 * chart.freed_frac)
        shown = axes.pcolormesh(*edges, share, cmap="cividis_r", edgecolors=PAPER, vmin=0, vmax=100)
        figure.colorbar(shown, ax=axes, label="freed on the side freed less, %", shrink=0.8)
    keys: list[Artist] = [_failing(axes, chart, edges, index) for index in range(len(chart.reasons))]
    _write_cells(axes, chart)
    lateral, cranial = chart.plan_entry_mm
    plan = axes.plot(lateral, cranial, marker="D", markersize=8, color=PAPER, markeredgecolor=INK, markeredgewidth=1.5,
                     linestyle="none", label="the plan's entry")  # fmt: skip
    keys += plan
    if chart.best_place is not None:
        row, column = chart.best_place
        corner = (chart.lateral_mm[column] - step / 2, chart.cranial_mm[row] - step / 2)
        keys.append(axes.add_patch(_square(corner, step)))
    axes.legend(handles=keys, loc="upper left", bbox_to_anchor=(0.0, -0.1), fontsize=9, ncols=2, handleheight=1.6)
    axes.set(aspect="equal", xlabel=f"mm lateral of the midline, toward the patient's {chart.side}")
    axes.set_ylabel(f"mm cranial of the\n{chart.landmark}")
    if chart.side == "left":  # as seen in theatre, prone, head up: the patient's left on the left
        axes.invert_xaxis()
    return figure


def _square(corner: tuple[float, float], step: float) -> Patch:
    return Rectangle(corner, step, step, fill=False, edgecolor=INK, linewidth=2.4, label="least bone")


def _failing(axes: Axes, chart: EntryMap, edges: list[Float], index: int) -> Patch:
    """The cells of one reason, hatched; and its key."""
    hatch = HATCHES[index % len(HATCHES)]
    mine = np.ma.masked_where(chart.reason != index, np.zeros(chart.reason.shape))
    cells = axes.pcolor(*edges, mine, hatch=hatch, alpha=0.0)
    cells.set(edgecolor=QUIET, linewidth=0.0, alpha=None)
    cells.set_facecolor("none")
    return Patch(facecolor=PAPER, edgecolor=QUIET, hatch=hatch, label=chart.reasons[index])


def _write_cells(axes: Axes, chart: EntryMap) -> None:
    """Bone where an entry succeeds, else the share that it frees; with its bone if none succeeds."""
    success = chart.best_place is not None
    low, high = (float(f(chart.bone_mm3)) if success else 0.0 for f in (np.nanmin, np.nanmax))
    at = [values.tolist() for values in (chart.lateral_mm, chart.cranial_mm)]
    for (row, column), bone in np.ndenumerate(chart.bone_mm3):
        share = chart.freed_frac[row, column]
        failed = "" if np.isnan(share) else f"{round(100 * float(share))}%"
        if failed and not success and chart.exact[row, column]:  # then the bone of it is the next thing to know
            failed += f"\n{chart.freed_bone_mm3[row, column]:.0f}"
        dark = np.isfinite(bone) and (bone - low) > DARK_FRAC * max(high - low, 1.0)
        words = axes.text(at[0][column], at[1][row], failed if np.isnan(bone) else f"{bone:.0f}",
                          ha="center", va="center", fontsize=9, color=PAPER if dark else INK)  # fmt: skip
        if np.isnan(bone) and failed:
            words.set_bbox({"facecolor": PAPER, "edgecolor": "none", "pad": 0.6})


@caption_of.register
def _entry_caption(chart: EntryMap) -> str:
    height = "skin" if chart.at == "skin" else "pivot's plane (no skin in view)"
    if chart.best_place is None:
        return (
            f"No entry through the {height} has {wanted_words(chart.enough_frac)} within all limits. In each: what is "
            f"freed on the side freed less, %, and its bone, mm\u00b3; hatch: what prevents success. "
            f"{chart.evaluated} approaches looked at. {limits_words(chart.limits)}"
        )
    return (
        f"For each entry through the {height}: the bone, mm\u00b3, of the plan of least weighted bone with "
        f"{wanted_words(chart.enough_frac)}, all limits kept; seen from dorsal, head up. Hatched: not possible, with "
        f"what prevents success and what is freed on the side freed less. {chart.evaluated} approaches looked at. "
        f"{limits_words(chart.limits)}"
    )


@figure_of.register
def _instrument_figure(chart: InstrumentChart) -> Figure:
    figure = Figure(figsize=(WIDTH_IN, 5.2), layout="constrained")
    grid = figure.subplots(3, 2, sharex="col", sharey="row")
    for column, curve in enumerate(chart.curves):
        _diameter_panels(grid[:, column], curve, chart)
    for row, words in enumerate(("bone removed\nmm\u00b3", "joint surface\nkept, %", "freed\n%")):
        grid[row, 0].set(ylabel=words, ylim=(0, None if row == 0 else 105))
        grid[row, 1].legend(loc="upper left", bbox_to_anchor=(1.0, 1.05), fontsize=9)
    return figure


def _diameter_panels(panels: Sequence[Axes], curve: DiameterCurve, chart: InstrumentChart) -> None:
    mm, best = curve.diameter_mm, curve.best
    panels[0].plot(mm, curve.held.bone_mm3, color=QUIET, linestyle=(0, (4, 2)), label="plan, other instrument")
    panels[0].plot(mm, best.bone_mm3, color=INK, label="entered anew, least bone")
    _by_relation(panels[1], mm, best.facet_area_frac, "", 100.0)
    _limit_line(panels[1], 100.0 * chart.limits["facet_area_kept_frac"].value, "limit")
    _by_relation(panels[2], mm, best.freed_frac, "", 100.0)
    _limit_line(panels[2], 100.0 * chart.enough_frac, "enough")
    panels[2].set_xlabel(f"{curve.part} diameter, mm")
    for axes in panels:
        _banded(axes, curve.bands_mm, curve.plan_mm)
        axes.set_xlim(mm[0], mm[-1])
        if curve.stops_mm is not None:
            axes.axvline(curve.stops_mm, color=INK, linewidth=2.0)
    if curve.stops_mm is not None:
        late = curve.stops_mm > 0.5 * (mm[0] + mm[-1])  # words beside the line that would leave the axes
        panels[0].annotate(f"frees too little\nfrom {curve.stops_mm:g} mm", (curve.stops_mm, 0.96), fontsize=9,
                           xycoords=("data", "axes fraction"), xytext=(-4 if late else 4, 0),
                           textcoords="offset points", ha="right" if late else "left", va="top")  # fmt: skip
    if not curve.bands_mm:
        panels[0].annotate("none frees enough\nwithin the limits", (0.98, 0.04), xycoords="axes fraction", fontsize=9,
                           ha="right")  # fmt: skip
    panels[0].annotate("plan", (curve.plan_mm, 1.0), xycoords=("data", "axes fraction"), fontsize=9.5, ha="center",
                       va="bottom", annotation_clip=False)  # fmt: skip


@caption_of.register
def _instrument_caption(chart: InstrumentChart) -> str:
    return (
        f"Sleeve and tool diameter, the other as planned (what no longer fits is made thinner). Shaded: entered anew, "
        f"{wanted_words(chart.enough_frac)}, all limits kept. Joints and what is freed are those of the plan entered "
        f"anew. {chart.evaluated} approaches looked at. {limits_words(chart.limits)}"
    )
