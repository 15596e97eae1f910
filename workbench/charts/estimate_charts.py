"""Charts of the report: bone by structure, what stays of the joints, reach, canal area, comparison."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from canalwise.workbench.style.palette import INK, IPSILATERAL, KEPT, LIMIT, OVER_THE_TOP, PAPER, QUIET, REMOVED, RULE
from canalwise.workbench.style.phrases import percent

Json = Mapping[str, Any]

FACET_MEASURES = (
    ("area_frac", "joint surface"),
    ("width_frac", "joint width at the disc"),
    ("volume_frac", "processes' volume"),
)
"""The three definitions of facet preservation, in the order of the report."""

LEAST_SHOWN_MM3 = 0.5
"""Structures that lose less are left out of the bar chart (they stay in the table)."""

NOT_KNOWN = "\u2013"
"""Stands for a value that there is none of."""

INSIDE_BAR_FRAC = 0.25
"""A bar longer than this share of the axis carries its number inside."""


def bone_chart(planned: Json, cone: Json) -> Figure:
    """Bone removed by structure: what is planned as bars, the whole sweep (cone) as open bars behind."""
    # open bars behind filled ones: the gap between them is what careless sweeping would cost
    least = planned["by_structure"]
    most = cone.get("by_structure", {})
    structures = [n for n in least if max(least[n], most.get(n, 0.0)) >= LEAST_SHOWN_MM3] or list(least)[:1]
    structures.sort(key=lambda name: -least[name])
    figure = Figure(figsize=(7.2, 0.55 + 0.27 * len(structures)), layout="constrained")
    axes = figure.subplots()
    places = range(len(structures))
    if most:
        axes.barh(
            places,
            [most.get(n, 0.0) for n in structures],
            height=0.72,
            facecolor="none",
            edgecolor=QUIET,
            linewidth=0.8,
            label="what the whole sweep would take",
        )
    axes.barh(places, [least[n] for n in structures], height=0.46, color=REMOVED, label="bone to remove")
    axes.set_yticks(places, structures)
    axes.invert_yaxis()
    axes.set_xlabel("bone removed, mm\u00b3")
    axes.grid(axis="x")
    axes.set_axisbelow(True)
    axes.legend(loc="lower right", fontsize=9)
    return figure


def facet_chart(planned: Json, cone: Json, limit_frac: float) -> Figure:
    """What stays of both joints, by all three definitions, as gauges with the limit drawn on each.

    The bar is what stays after the planned removal, the diamond what would stay after the whole sweep.
    """
    figure = Figure(figsize=(7.2, 1.75), layout="constrained")
    pair = figure.subplots(1, 2, sharey=True)
    for axes, relation, colour in zip(pair, ("ipsilateral", "contralateral"), (IPSILATERAL, OVER_THE_TOP), strict=True):
        _facet_gauges(axes, planned.get(relation) or {}, cone.get(relation) or {}, colour)
        axes.axvline(100 * limit_frac, color=LIMIT, linewidth=1.4)
        axes.annotate(
            f"limit {percent(limit_frac)}",
            (100 * limit_frac, -0.62),
            fontsize=9,
            ha="center",
            va="bottom",
            annotation_clip=False,
        )
        axes.set_title(f"{relation} joint", fontsize=9.5, pad=14, loc="left", fontweight="bold")
    return figure


def _facet_gauges(axes: Axes, kept: Json, after_sweep: Json, colour: str) -> None:
    for row, (key, _) in enumerate(FACET_MEASURES):
        axes.barh(row, 100, height=0.5, color=RULE)
        value = kept.get(key)
        if value is None:
            axes.text(2, row, "not known", va="center", fontsize=9)
            continue
        axes.barh(row, 100 * value, height=0.5, color=colour)
        axes.text(104, row, percent(value), va="center", fontsize=9, fontweight="bold")
        if after_sweep.get(key) is not None:
            axes.plot(
                100 * after_sweep[key], row, marker="D", markersize=4, color=PAPER, markeredgecolor=INK, clip_on=False
            )
    # the interval belongs to the joint surface, the first gauge
    if ends := kept.get("interval95"):
        axes.plot([100 * e for e in ends], [0, 0], color=INK, linewidth=1.2, marker="|", markersize=6)
    axes.set(xlim=(0, 120), ylim=(2.5, -0.6), xticks=(0, 25, 50, 75, 100), xlabel="kept, %")
    axes.set_yticks(range(len(FACET_MEASURES)), [words for _, words in FACET_MEASURES])
    axes.tick_params(axis="y", length=0)


def reach_chart(reach: Json, wall_mm: float | None) -> Figure:
    """How far past the midline the tool tip gets at disc level, against the far wall of the canal."""
    value, ends = reach["lateral_mm"], reach.get("interval95")
    figure = Figure(figsize=(7.2, 0.95), layout="constrained")
    axes = figure.subplots()
    far = max([v for v in (value, wall_mm, *(ends or ())) if v is not None and v == v] + [10.0])
    axes.barh(0, far * 1.15, height=0.5, color=RULE)
    axes.barh(0, max(value, 0.0), height=0.5, color=OVER_THE_TOP)
    inside = value > INSIDE_BAR_FRAC * far
    axes.text(
        max(value, 0.0) + far * (-0.01 if inside else 0.01),
        0,
        f"{value:.1f} mm",
        va="center",
        ha="right" if inside else "left",
        fontsize=9,
        fontweight="bold",
    )
    if ends:
        axes.plot(ends, [0.36, 0.36], color=INK, linewidth=1.2, marker="|", markersize=5)
    if wall_mm is not None:
        axes.axvline(wall_mm, color=LIMIT, linewidth=1.4)
        axes.annotate("canal wall", (wall_mm, -0.32), fontsize=9, ha="center", va="bottom", annotation_clip=False)
    axes.set(
        xlim=(0, far * 1.15), ylim=(0.5, -0.45), yticks=(), xlabel="mm past the midline, contralateral, at disc level"
    )
    axes.spines["left"].set_visible(False)
    return figure


def comparison_chart(rows: Sequence[Json]) -> Figure:
    """The accesses side by side: bone removed, what stays of each joint, and what is freed."""
    names = [str(row["name"]) for row in rows]
    figure = Figure(figsize=(7.2, 0.75 + 0.3 * len(names)), layout="constrained")
    panels = (
        ("bone_removed_mm3", 1.0, "bone removed, mm\u00b3", REMOVED),
        ("facet_left_frac", 100.0, "left joint kept, %", KEPT),
        ("facet_right_frac", 100.0, "right joint kept, %", KEPT),
        ("freed_frac", 100.0, "side freed less, %", KEPT),
    )
    for axes, (key, scale, words, colour) in zip(figure.subplots(1, len(panels), sharey=True), panels, strict=True):
        values = [row.get(key) for row in rows]
        axes.barh(range(len(names)), [scale * (v or 0.0) for v in values], color=colour, height=0.55)
        for place, value in enumerate(values):
            axes.text(
                0 if value is None else scale * value,
                place,
                f" {NOT_KNOWN}" if value is None else f" {scale * value:.0f}",
                va="center",
                fontsize=9,
            )
        axes.set_xlabel(words)
        axes.set_xlim(0, 1.25 * scale * max([v or 0.0 for v in values] + [0.01]) if scale == 1.0 else 128)
        axes.set_yticks(range(len(names)), names)
    axes.invert_yaxis()
    return figure
