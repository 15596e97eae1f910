"""Straight lines along which an instrument can bring a tool's tip from its entry window to a place.

A line from a pivot to a tip can be gone where

1. its tilts and its length lie within the window's and the instrument's bounds;
2. every point of it keeps the clearance and the tool's radius (the scope's, where the scope is) from the retracted sac
   and roots, and the same radius from bone that is never taken;
3. dorsal of the laminae sleeve and scope pass beside bone: they may press on it by the contact allowed, on a spinous
   process not at all. Ventral of the laminae's dorsal surface the burr clears their way, which costs bone.

The thin tool passes `tool_beyond_scope_mm` beyond the scope, so the scope's end lies that far short of the tip.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.decompression.level_cells import CELL_MM, LevelCells
from canalwise.estimator.decompression.rules import ResectionRules
from canalwise.estimator.geometry.cone_formulas import least_below
from canalwise.estimator.level.keep_out import KeepOut
from canalwise.estimator.resection.entry_window import EntryWindow
from canalwise.estimator.resection.line_values import ToolLines
from canalwise.recon.anatomy import Frame
from canalwise.recon.grid import Float
from canalwise.recon.parallel import both

Numbers = Any
"""An array of any kind of number; the compiler makes a version for each."""


STOPPED_BY = ("nothing", "entry window", "working length", "sac", "protected bone", "bone beside sleeve and scope")
"""Words for `ToolLines.blocking_structures`."""


def tool_lines(
    window: EntryWindow,
    tips_mm: Float,
    cells: LevelCells,
    keep_out: KeepOut,
    how: tuple[Frame, Channel, ResectionRules],
    toward_other_side: float,
    halves: bool = True,
) -> ToolLines:
    """All pairs of a pivot of the window and a tip that can be gone.

    Parameters
    ----------
    tips_mm : (T, 3) array, level frame
    keep_out : with the tool's berth
    how : the level's frame, the instrument, the rules
    toward_other_side : 1 for an approach from the right, -1 from the left: the sign of x across the midline
    halves : two halves at once, unless the caller has other work for the processors
    """
    stopped = np.empty((len(window.pivots_mm), len(tips_mm)), dtype=np.uint8)
    look, half = _looker(window, cells, keep_out, how, toward_other_side), len(window.pivots_mm) // 2

    def some(pivots: slice) -> None:
        _stopped(window.pivots_mm[pivots], tips_mm, look, stopped[pivots])

    if halves:
        both(lambda: some(slice(None, half)), lambda: some(slice(half, None)))
    else:
        some(slice(None))
    pivot, tip = np.nonzero(stopped == 0)
    return ToolLines(window.pivots_mm, tips_mm, pivot.astype(np.int32), tip.astype(np.int32), stopped)


def clear_pairs(
    window: EntryWindow,
    ends_mm: tuple[Float, Float],
    cells: LevelCells,
    keep_out: KeepOut,
    how: tuple[Frame, Channel, ResectionRules],
    toward_other_side: float,
) -> npt.NDArray[np.bool_]:
    """(L,) array: can the line from each of (L, 3) pivots to the tip of that number be gone? Else as `tool_lines`."""
    pivots, tips = ends_mm
    stopped = np.empty((len(pivots), 1), dtype=np.uint8)
    look, half = _looker(window, cells, keep_out, how, toward_other_side), len(pivots) // 2
    both(
        lambda: _stopped_pairs(pivots[:half], tips[:half], look, stopped[:half]),
        lambda: _stopped_pairs(pivots[half:], tips[half:], look, stopped[half:]),
    )
    return np.asarray(stopped[:, 0] == 0)


def _looker(
    window: EntryWindow,
    cells: LevelCells,
    keep_out: KeepOut,
    how: tuple[Frame, Channel, ResectionRules],
    toward_other_side: float,
) -> Numbers:
    """What the compiled loops look at: one tuple."""
    frame, channel, rules = how
    numbers = np.array([
        rules.value("least_medial_tilt_deg"), rules.value("greatest_medial_tilt_deg"),
        rules.value("greatest_cranial_tilt_deg"), channel.working_length_mm, rules.value("tool_beyond_scope_mm"),
        channel.tool_radius_mm, channel.scope_radius_mm, channel.sleeve_radius_mm,
        keep_out.clearance_radius_mm, toward_other_side,
    ])  # fmt: skip
    turn = np.ascontiguousarray((np.linalg.inv(keep_out.grid.affine_ras_mm) @ frame.matrix_ras)[:3])
    plane = np.array([*window.outward, window.beside_from_mm])
    passing, protected = cells.passing_mm, cells.protected_distance_mm
    return cells.origin_mm, passing, protected, keep_out.distance_mm, turn, plane, numbers


@njit(cache=True, nogil=True)
def _near(field: Numbers, at: Numbers, way: Numbers, length: float, end: float, least: float) -> bool:
    """Does at + t way, t in 0..end, both in a distance field's indices, come nearer than `least`?"""
    if end <= 0:
        return False
    found = least_below(
        field, at[0], at[1], at[2], end * way[0], end * way[1], end * way[2], length * end, least, least
    )
    return bool(found < least)


@njit(cache=True, nogil=True)
def _to_index(turn: Numbers, x: float, y: float, z: float, out: Numbers) -> None:
    for a in range(3):
        out[a] = turn[a, 0] * x + turn[a, 1] * y + turn[a, 2] * z + turn[a, 3]


@njit(cache=True, nogil=True)
def _stopped(pivots: Numbers, tips: Numbers, look: Numbers, out: npt.NDArray[np.uint8]) -> None:
    """Quick tests first; each line is left at the first that stops it."""
    origin, bone, protected, sac, turn, plane, numbers = look
    low, high, along, longest, beyond, tool, scope, aside, clearance_radius_mm, across = numbers
    begin, step, start, end, turned = np.empty(3), np.empty(3), np.empty(3), np.empty(3), np.empty(3)
    for p in range(len(pivots)):
        _to_index(turn, pivots[p, 0], pivots[p, 1], pivots[p, 2], start)
        height = plane[0] * pivots[p, 0] + plane[1] * pivots[p, 1] + plane[2] * pivots[p, 2] - plane[3]
        for t in range(len(tips)):
            x, y, z = tips[t, 0] - pivots[p, 0], tips[t, 1] - pivots[p, 1], tips[t, 2] - pivots[p, 2]
            length = np.sqrt(x * x + y * y + z * z)
            medial, cranial = np.degrees(np.arctan2(across * x, -y)), np.degrees(np.arcsin(z / length))
            if not (low <= medial <= high and abs(cranial) <= along):
                out[p, t] = 1
                continue
            if length > longest:
                out[p, t] = 2
                continue
            for a in range(3):
                begin[a], step[a] = (pivots[p, a] - origin[a]) / CELL_MM, (tips[t, a] - pivots[p, a]) / CELL_MM
            scope_end = max(1.0 - beyond / length, 0.0)
            fall = -(plane[0] * x + plane[1] * y + plane[2] * z)
            beside = min(scope_end, max(height, 0.0) / fall) if fall > 0 else scope_end
            _to_index(turn, tips[t, 0], tips[t, 1], tips[t, 2], end)
            for a in range(3):
                turned[a] = end[a] - start[a]
            wide = clearance_radius_mm - tool + scope
            if _near(bone, begin, step, length, beside, aside):
                out[p, t] = 5
            elif _near(protected, begin, step, length, 1.0, tool) or _near(
                protected, begin, step, length, scope_end, scope
            ):
                out[p, t] = 4
            elif _near(sac, start, turned, length, 1.0, clearance_radius_mm) or _near(
                sac, start, turned, length, scope_end, wide
            ):
                out[p, t] = 3
            else:
                out[p, t] = 0


@njit(cache=True, nogil=True)
def _stopped_pairs(pivots: Numbers, tips: Numbers, look: Numbers, out: npt.NDArray[np.uint8]) -> None:
    """The same for pairs, (L, 1)."""
    for n in range(len(pivots)):
        _stopped(pivots[n : n + 1], tips[n : n + 1], look, out[n : n + 1])
