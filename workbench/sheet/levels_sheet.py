"""The sheet of several levels: one page with each level's entry, what they take together, and a sagittal overview."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from canalwise.estimator.approach.approach import Approach, placed_phases
from canalwise.estimator.levels.levels_plan import LevelsPlan
from canalwise.estimator.levels.several_levels import SeveralLevels
from canalwise.estimator.planning.skin_entry import skin_entry_of
from canalwise.recon.grid import Float
from canalwise.recon.scan import Scan
from canalwise.workbench.console.levels_tables import bridge_lines, level_row, pattern_row, vertebra_row
from canalwise.workbench.style.data_uris import drawing_style, slice_uri
from canalwise.workbench.style.palette import PAPER, REMOVED, phase_colour
from canalwise.workbench.style.phrases import amount
from canalwise.workbench.style.templates import resource, template

if TYPE_CHECKING:
    from matplotlib.axes import Axes

OVERVIEW_IN = 4.2
"""Width of the overview."""

MARGIN_MM = 25.0
"""Shown beyond the pivots and the removed bone."""

HALF = 0.5
"""A voxel is drawn as taken where at least this share of it is."""


def levels_sheet(scan: Scan, plan: LevelsPlan, document: Mapping[str, Any]) -> str:
    """The sheet's HTML; `document` is the plan's JSON data."""
    return template("sheet/levels_sheet.html.j2").render(
        caution=document["caution"],
        style=resource("report/report.css"),
        document=document,
        entries=[entry_row(plan, name) for name in plan.order],
        patterns=[pattern_row(one) for one in document["patterns"]],
        levels=[level_row(one) for one in document["each_level"]],
        vertebrae=[vertebra_row(one) for one in document["vertebrae"]],
        bridges=bridge_lines(document["bridges"]),
        overview=overview_uri(scan, plan.best, plan.order),
    )


def entry_row(plan: LevelsPlan, level: str) -> tuple[str, ...]:
    """Where to go in for a level, in the order of the operation."""
    one = next(one for one in plan.best.found if one.prepared.level.name == level)
    approach = one.resection.approach
    phase = placed_phases(approach, one.prepared.level.frame)[0]
    entry = skin_entry_of(one.prepared.anatomy, approach, phase, one.prepared.air_in_view)
    tilts = ", then ".join(f"{amount(p.medial_tilt_deg, 'deg', 0)} medial, {amount(p.cranial_tilt_deg, 'deg', 0)} "
                           "cranial" for p in approach.phases)  # fmt: skip
    return (
        f"{plan.order.index(level) + 1}",
        level,
        approach.side.upper(),
        f"{amount(entry.lateral_mm, 'mm', 0)} lateral, {amount(abs(entry.cranial_mm), 'mm', 0)} "
        f"{'cranial' if entry.cranial_mm >= 0 else 'caudal'} of the upper "
        f"lamina's edge (at the {entry.at})",
        amount(entry.depth_mm, "mm", 0),
        tilts,
    )


def overview_uri(scan: Scan, levels: SeveralLevels, order: Sequence[str]) -> str:
    """A sagittal slice near the docking points, each channel's first axis on it, and the bone taken at any depth."""
    from matplotlib.figure import Figure

    with drawing_style():
        ends = [_ends_ras_mm(one.resection.approach, one.prepared.level.frame) for one in levels.found]
        low, high = _frame_mm(np.concatenate([np.stack(pair) for pair in ends]))
        figure = Figure(figsize=(OVERVIEW_IN, OVERVIEW_IN * float((high[2] - low[2]) / (high[1] - low[1]))))
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        at = round(float(np.mean([scan.grid.index_of(dock)[0] for _, dock in ends])))
        _draw_slice(axes, scan, min(max(at, 0), scan.grid.shape[0] - 1))
        _draw_taken(axes, levels)
        for one, (pivot, dock) in zip(levels.found, ends, strict=True):
            name, number = one.prepared.level.name, order.index(one.prepared.level.name)
            axes.plot([pivot[1], dock[1]], [pivot[2], dock[2]], color=phase_colour(number), linewidth=3, zorder=4)
            axes.annotate(f"{number + 1}: {name} {one.resection.approach.side}", (pivot[1], pivot[2]), (2, 4),
                          textcoords="offset points", fontsize=9, color=PAPER, ha="left")  # fmt: skip
        # head up, dorsal to the right, as on a lateral film of a patient who looks left
        axes.set(xlim=(high[1], low[1]), ylim=(low[2], high[2]))
        axes.set_axis_off()
        return slice_uri(figure)


def _ends_ras_mm(approach: Approach, frame: Any) -> tuple[Float, Float]:
    """Pivot and docking point of the first phase."""
    phase = placed_phases(approach, frame)[0]
    return phase.pivot_ras_mm, frame.to_world_mm(np.array(approach.docking_point_mm))


def _draw_slice(axes: Axes, scan: Scan, at: int) -> None:
    _, ny, nz = scan.grid.shape
    y, z = np.meshgrid(np.arange(ny), np.arange(nz), indexing="ij")
    points = scan.grid.world_mm(np.stack([np.full_like(y, at), y, z], axis=-1).reshape(-1, 3)).reshape(ny, nz, 3)
    low, high = scan.kind.display_window(scan.voxels)
    axes.pcolormesh(
        points[..., 1], points[..., 2], scan.voxels[at], cmap="gray", vmin=low, vmax=high, shading="gouraud",
        rasterized=True,
    )  # fmt: skip


def _draw_taken(axes: Axes, levels: SeveralLevels) -> None:
    together = levels.together
    mostly = together.voxels[together.share >= HALF]
    places = levels.anatomy.grid.world_mm(np.stack(np.unravel_index(mostly, together.shape), axis=-1))
    axes.scatter(places[:, 1], places[:, 2], s=5.0, color=REMOVED, alpha=0.4, linewidths=0, rasterized=True)


def _frame_mm(points_ras_mm: Float) -> tuple[Float, Float]:
    """(3,) arrays, RAS: the least and greatest place shown about some points; twice the margin ventral of them."""
    low, high = points_ras_mm.min(axis=0) - MARGIN_MM, points_ras_mm.max(axis=0) + MARGIN_MM
    high[1] += MARGIN_MM
    return low, high
