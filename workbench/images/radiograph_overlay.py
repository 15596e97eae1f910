"""Overlay of a digitally reconstructed radiograph: the plan, projected by the picture's own projection."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from scipy.spatial import ConvexHull

from canalwise.estimator.approach.approach import Approach, PlacedPhase, placed_phases
from canalwise.estimator.planning.canal_entry import canal_entry_of
from canalwise.recon.anatomy import Level
from canalwise.recon.grid import Float
from canalwise.recon.labels import Side
from canalwise.workbench.images.radiograph_view import RadiographView

OUTSIDE_MM = 45.0
"""The needle is drawn this far out of the skin, sleeves this far out of the pivot."""

LINES: Mapping[str, Mapping[str, tuple[tuple[float, float, float], tuple[float, float, float]]]] = {
    "AP": {
        "disc plane": ((-26.0, -20.0, 0.0), (26.0, -20.0, 0.0)),
        "midline": ((0.0, 30.0, -60.0), (0.0, 30.0, 60.0)),
    },
    "lateral": {"disc plane": ((0.0, -46.0, 0.0), (0.0, -2.0, 0.0))},
}
"""Lines of the level itself in each view, from end to end in the level frame: the disc's mid-plane, about as wide as a
vertebra, and the mid-sagittal plane, which the spinous processes follow."""

RIM_POINTS = 48
"""Points on the rim of a ball's shadow: the polygon stays within 0.3 % of its radius."""

Kind = Literal["point", "line", "outline"]


@dataclass(frozen=True, eq=False)
class RadiographMark:
    """One thing drawn.

    Parameters
    ----------
    name : in words
    kind : a point, a line through its points, or a closed outline
    pixels : (N, 2) array of column and row
    phase : the place in the plan of the phase it belongs to; -1 for none
    """

    name: str
    kind: Kind
    pixels: Float
    phase: int = -1


def marks_of(
    view: RadiographView, level: Level, approach: Approach, entry: Mapping[str, Any]
) -> tuple[RadiographMark, ...]:
    """Every mark of one view; `entry` is the estimate's `skin_entry`."""
    phases = placed_phases(approach, level.frame)
    outlines = [
        RadiographMark(name, "outline", pixels, place)
        for place, phase in enumerate(phases)
        for name, pixels in _channel(view, level, phase).items()
    ]
    lines = [RadiographMark(name, "line", view.on_picture(ends)) for name, ends in LINES[view.name].items()]
    return (*lines, *outlines, *_needle(view, level, approach, entry), *_canal_entry(view, level, approach.side))


def _needle(view: RadiographView, level: Level, approach: Approach, entry: Mapping[str, Any]) -> list[RadiographMark]:
    """Line from the estimate's skin entry to the docking point, and on out of the skin."""
    first, docked = placed_phases(approach, level.frame)[0], np.array(approach.docking_point_mm)
    # the entry lies on the first phase's own axis, which its shift may have moved beside the docking point
    beyond_mm = approach.pivot_distance_mm - entry["depth_mm"]
    skin = level.frame.to_level_mm(first.pivot_ras_mm + beyond_mm * first.axis_ras)
    outer = skin + OUTSIDE_MM * (skin - docked) / np.linalg.norm(skin - docked)
    return [
        RadiographMark("needle", "line", view.on_picture([outer, docked])),
        RadiographMark("skin entry" if entry["at"] == "skin" else "pivot", "point", view.on_picture([skin])),
        RadiographMark("docking point", "point", view.on_picture([docked])),
    ]


def _canal_entry(view: RadiographView, level: Level, side: Side) -> list[RadiographMark]:
    canal_entry = canal_entry_of(level, side)
    if canal_entry is None:
        return []
    name = "window centre" if canal_entry.open else "middle of the lamina edges"
    return [RadiographMark(name, "point", view.on_picture([canal_entry.centre_mm]))]


def _channel(view: RadiographView, level: Level, phase: PlacedPhase) -> dict[str, Float]:
    """The outlines of sleeve and tool lying along the phase's axis, without the sweep."""
    pivot = level.frame.to_level_mm(phase.pivot_ras_mm)
    axis = level.frame.direction_level(phase.axis_ras)
    outer, end, tip = (pivot + mm * axis for mm in (-OUTSIDE_MM, phase.sleeve_depth_mm, phase.tip_depth_mm))
    return {
        f"sleeve, {phase.name}": _shadow(view, (outer, end), phase.sleeve_radius_mm),
        f"tool, {phase.name}": _shadow(view, (end, tip), phase.tool_radius_mm),
    }


def _shadow(view: RadiographView, ends_mm: tuple[Float, Float], radius_mm: float) -> Float:
    """(N, 2) array: the outline of a capsule's shadow, which is the hull of the shadows of the balls at its ends."""
    rims = view.on_picture(np.concatenate([_rim(view.source_mm, end, radius_mm) for end in ends_mm]))
    return np.asarray(rims[ConvexHull(rims).vertices])


def _rim(source_mm: Float, centre_mm: Float, radius_mm: float) -> Float:
    """(RIM_POINTS, 3) array: where rays from a point touch a ball."""
    toward = centre_mm - source_mm
    far = float(np.linalg.norm(toward))
    toward = toward / far
    one = np.cross(toward, np.eye(3)[np.argmin(np.abs(toward))])
    one /= np.linalg.norm(one)
    turn = np.linspace(0, 2 * np.pi, RIM_POINTS, endpoint=False)[:, None]
    round_mm = radius_mm * np.sqrt(1 - (radius_mm / far) ** 2)
    middle = centre_mm - radius_mm**2 / far * toward
    return np.asarray(middle + round_mm * (np.cos(turn) * one + np.sin(turn) * np.cross(toward, one)))
