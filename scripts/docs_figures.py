#!/usr/bin/env python3
"""Draw the figures of docs/numbers.md from a case, such as the one that `canalwise demo` leaves, into docs/pictures.

    python3 scripts/docs_figures.py CASE [--level L3-L4] [--side left]

The same case gives the same bytes.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from scipy import ndimage

import canalwise as cw
from canalwise.estimator.approach.approach import PlacedPhase, placed_phases
from canalwise.estimator.geometry.signed_distance import cone_distance_mm
from canalwise.recon.grid import Float
from canalwise.recon.labels import bone_mask, canal_mask
from canalwise.workbench.charts.plan_charts import figure_of
from canalwise.workbench.style.data_uris import drawing_style, svg_bytes
from canalwise.workbench.style.palette import BONE, CANAL, INK, PALE_BONE, REMOVED, phase_colour

PICTURES = Path(__file__).resolve().parents[1] / "docs" / "pictures"

LEFT_MM, DORSAL_MM = np.arange(-30.0, 30.1, 0.5), np.arange(-12.0, 70.1, 0.5)
"""The axial plane that is drawn, level mm."""

SWEPT_STEP_MM = 0.25
"""Lattice on which the swept region's border is found."""


def frame_and_tilts(anatomy: cw.Anatomy, plan: cw.Approach) -> Figure:
    """The level's axial plane with canal and bone, and each phase's axis from its pivot."""
    level = anatomy.level(plan.level)
    figure = Figure(figsize=(5.2, 5.6), layout="constrained")
    axes = _axial(figure, "The level frame: x to the patient's left, y dorsal")
    x, y = np.meshgrid(LEFT_MM, DORSAL_MM)
    world = level.frame.to_world_mm(np.stack([x, y, np.zeros_like(x)], axis=-1))
    index = np.moveaxis(anatomy.grid.index_of(world), -1, 0)
    labels = ndimage.map_coordinates(anatomy.labels, index, order=0, mode="nearest")
    for mask, fill, line in ((bone_mask(labels), PALE_BONE, BONE), (canal_mask(labels), CANAL, BONE)):
        axes.contourf(x, y, mask.astype(float), levels=[0.5, 1.5], colors=[fill])
        axes.contour(x, y, mask.astype(float), levels=[0.5], colors=[line], linewidths=0.6)
    for number, phase in enumerate(placed_phases(plan, level.frame)):
        _draw_axis(axes, level.frame, phase, plan.phases[number].medial_tilt_deg, phase_colour(number))
    axes.axvline(0.0, color=INK, linewidth=0.5, linestyle=":")
    axes.legend(loc="upper left", fontsize=7)
    return figure


def _draw_axis(axes: Axes, frame: Any, phase: PlacedPhase, tilt_deg: float, colour: str) -> None:
    pivot, axis = frame.to_level_mm(phase.pivot_ras_mm), frame.direction_level(phase.axis_ras)
    tip = pivot + (phase.tip_depth_mm + phase.tool_radius_mm) * axis
    axes.plot(
        [pivot[0], tip[0]], [pivot[1], tip[1]], color=colour, label=f"{phase.name}: medial tilt {tilt_deg:.0f} deg"
    )
    axes.plot([pivot[0], pivot[0]], [pivot[1], pivot[1] - 20.0], color=colour, linewidth=0.7, linestyle="--")
    axes.plot(*pivot[:2], "o", color=colour, markersize=5)


def swept_region(anatomy: cw.Anatomy, plan: cw.Approach) -> Figure:
    """The last phase's cones, and the same grown by the radii of sleeve and tool, in a plane of the axis."""
    phase = placed_phases(plan, anatomy.level(plan.level).frame)[-1]
    along, away = np.arange(-8.0, phase.tip_depth_mm + 8.0, SWEPT_STEP_MM), np.arange(-14.0, 14.1, SWEPT_STEP_MM)
    across = np.linalg.svd(phase.axis_ras[None])[2][1]
    figure = Figure(figsize=(6.4, 2.9), layout="constrained")
    axes = figure.subplots()
    axes.set(xlabel="along the axis from the pivot, mm", ylabel="away from it, mm", aspect="equal")
    axes.set_title(f"{phase.name}: solid cones (dashed), grown by the radii (solid)", fontsize=8, loc="left")
    points = phase.pivot_ras_mm + along[:, None, None] * phase.axis_ras + away[:, None] * across
    for length, radius, colour in (
        (phase.sleeve_depth_mm, phase.sleeve_radius_mm, phase_colour(0)),
        (phase.tip_depth_mm, phase.tool_radius_mm, REMOVED),
    ):
        depth: Float = cone_distance_mm(points.reshape(-1, 3), phase, length).reshape(len(along), len(away)).T
        axes.contour(along, away, depth, levels=[0.0], colors=[colour], linewidths=0.8, linestyles="--")
        axes.contour(along, away, depth, levels=[radius], colors=[colour], linewidths=1.2)
        axes.plot([], [], color=colour, label=f"radius {radius:g} mm, to {length:.0f} mm")
    axes.legend(loc="upper left", fontsize=7)
    return figure


def tilt_chart(anatomy: cw.Anatomy, plan: cw.Approach) -> Figure:
    """What tilting the last phase costs, keeps and reaches."""
    return figure_of(cw.tilt_chart(cw.prepared_level(anatomy, plan.level), plan))


def _axial(figure: Figure, title: str) -> Axes:
    axes = figure.subplots()
    axes.set(aspect="equal", xlabel="left, mm", ylabel="dorsal, mm", xlim=(LEFT_MM[0], LEFT_MM[-1]))
    axes.set_title(title, fontsize=8, loc="left")
    return axes


FIGURES: dict[str, Callable[[cw.Anatomy, cw.Approach], Figure]] = {
    "frame-and-tilts": frame_and_tilts,
    "swept-region": swept_region,
    "tilt-chart": tilt_chart,
}


def main() -> int:
    """0 when all figures are drawn."""
    parser = argparse.ArgumentParser(description="Draw the figures of docs/numbers.md.")
    parser.add_argument("case", type=Path)
    parser.add_argument("--level", default="L3-L4")
    parser.add_argument("--side", default="left", choices=("left", "right"))
    options = parser.parse_args()
    anatomy = cw.read_case(options.case).anatomy
    plan = cw.default_approach(anatomy, options.level, options.side)
    PICTURES.mkdir(parents=True, exist_ok=True)
    for name, draw in FIGURES.items():
        with drawing_style():
            (PICTURES / f"{name}.svg").write_bytes(svg_bytes(draw(anatomy, plan)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
