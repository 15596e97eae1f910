"""Straight lines along which an instrument can bring a tool's tip from its entry window to a place.

A line from a pivot to a tip can be gone where

1. its tilts and its length lie within the window's and the instrument's bounds;
2. every point of it keeps the clearance and the tool's radius (the scope's, where the scope is) from the retracted sac
   and roots, and the same radius from bone that is never taken;
3. dorsal of the laminae sleeve and scope pass beside bone: they may press on it by the contact allowed, on a spinous
   process not at all. Ventral of the laminae's dorsal surface the burr clears their path, which costs bone.

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
from canalwise.estimator.geometry.cone_formulas import SMALLEST_STEP_MM, span_in_box, trilinear
from canalwise.estimator.level.keep_out import KeepOut
from canalwise.estimator.resection.line_values import EntryWindow, ToolLines
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
    stopped = np.empty(len(pivots), dtype=np.uint8)
    look, half = _looker(window, cells, keep_out, how, toward_other_side), len(pivots) // 2
    both(
        lambda: _stopped_pairs(pivots[:half], tips[:half], look, stopped[:half]),
        lambda: _stopped_pairs(pivots[half:], tips[half:], look, stopped[half:]),
    )
    return np.asarray(stopped == 0)


def nearest_clear(
    window: EntryWindow,
    tips_mm: Float,
    near_mm: Float,
    cells: LevelCells,
    keep_out: KeepOut,
    how: tuple[Frame, Channel, ResectionRules],
    toward_other_side: float,
) -> npt.NDArray[np.int64]:
    """(T,) array: of the window's pivots the one nearest to each of (T, 3) places from which the tip of that number
    can be reached; -1 where none is."""
    away = np.linalg.norm(window.pivots_mm[:, None] - near_mm[None], axis=2)
    order, out = np.argsort(away, axis=0, kind="stable"), np.empty(len(tips_mm), dtype=np.int64)
    look = _looker(window, cells, keep_out, how, toward_other_side)
    _nearest_clear(window.pivots_mm, np.ascontiguousarray(tips_mm), np.ascontiguousarray(order.T), look, out)
    return out


def _looker(
    window: EntryWindow,
    cells: LevelCells,
    keep_out: KeepOut,
    how: tuple[Frame, Channel, ResectionRules],
    toward_other_side: float,
) -> Numbers:
    """What the compiled loops look at: one tuple."""
    frame, channel, rules = how
    bounds = [rules.value(f"{name}_tilt_deg") for name in ("least_medial", "greatest_medial", "greatest_cranial")]
    # a line leads ventral, whatever a user's bounds allow
    tilts = np.radians(np.clip(bounds, -89.9, 89.9))
    numbers = np.array([
        *np.tan(tilts[:2]), np.sin(tilts[2]), channel.working_length_mm, rules.value("tool_beyond_scope_mm"),
        channel.tool_radius_mm, channel.scope_radius_mm, channel.sleeve_radius_mm,
        keep_out.clearance_radius_mm, toward_other_side,
    ])  # fmt: skip
    turn = np.ascontiguousarray((np.linalg.inv(keep_out.grid.affine_ras_mm) @ frame.matrix_ras)[:3])
    plane = np.array([*window.outward, window.beside_from_mm])
    passing, protected = cells.passing_mm, cells.protected_distance_mm
    return cells.origin_mm, passing, protected, keep_out.distance_mm, turn, plane, numbers


@njit(cache=True)
def _nearer(
    field: Numbers, start: Numbers, path: Numbers, length: float, ends: tuple[float, float], berths: tuple[float, float]
) -> bool:
    """Does a line come nearer to what a field is the distance to than one berth up to one share of it, then another?

    The first berth is no narrower, so how far a value lies above it is a step that cannot miss anything.
    """
    (i, j, k), (u, v, w), (middle, end), (wide, narrow) = start, path, ends, berths
    t, leave = span_in_box(field, i, j, k, u, v, w)
    leave = min(leave, end)
    while t <= leave:
        berth = wide if t <= middle and middle > 0 else narrow
        value = trilinear(field, i + t * u, j + t * v, k + t * w) - berth
        if value < 0:
            return True
        if t == leave:
            break
        stop = middle if t < middle < leave else leave
        t = min(stop, t + max(value, SMALLEST_STEP_MM) / length)
    return False


@njit(cache=True, nogil=True)
def _why(px: float, py: float, pz: float, x: float, y: float, z: float, look: Numbers) -> int:
    """What stops the line from a pivot to a tip that lies (x, y, z) from it: quick tests first."""
    origin, bone, protected, sac, m, plane, numbers = look
    length = np.sqrt(x * x + y * y + z * z)
    # tilts as a tangent and a sine: bounds lie within a quarter turn of straight ventral
    if y >= 0 or not (numbers[0] * -y <= numbers[9] * x <= numbers[1] * -y and abs(z) <= numbers[2] * length):
        return 1
    if length > numbers[3]:
        return 2
    tool, scope, aside, clearance = numbers[5], numbers[6], numbers[7], numbers[8]
    i, j, k = (px - origin[0]) / CELL_MM, (py - origin[1]) / CELL_MM, (pz - origin[2]) / CELL_MM
    u, v, w = x / CELL_MM, y / CELL_MM, z / CELL_MM
    scope_end = max(1.0 - numbers[4] / length, 0.0)
    height, fall = (
        plane[0] * px + plane[1] * py + plane[2] * pz - plane[3],
        -(plane[0] * x + plane[1] * y + plane[2] * z),
    )
    beside = min(scope_end, max(height, 0.0) / fall) if fall > 0 else scope_end
    if beside > 0 and _nearer(bone, (i, j, k), (u, v, w), length, (beside, beside), (aside, aside)):
        return 5
    if _nearer(protected, (i, j, k), (u, v, w), length, (scope_end, 1.0), (scope, tool)):
        return 4
    i = m[0, 0] * px + m[0, 1] * py + m[0, 2] * pz + m[0, 3]
    j = m[1, 0] * px + m[1, 1] * py + m[1, 2] * pz + m[1, 3]
    k = m[2, 0] * px + m[2, 1] * py + m[2, 2] * pz + m[2, 3]
    u = m[0, 0] * x + m[0, 1] * y + m[0, 2] * z
    v = m[1, 0] * x + m[1, 1] * y + m[1, 2] * z
    w = m[2, 0] * x + m[2, 1] * y + m[2, 2] * z
    if _nearer(sac, (i, j, k), (u, v, w), length, (scope_end, 1.0), (clearance - tool + scope, clearance)):
        return 3
    return 0


@njit(cache=True, nogil=True)
def _stopped(pivots: Numbers, tips: Numbers, look: Numbers, out: npt.NDArray[np.uint8]) -> None:
    for p in range(len(pivots)):
        x, y, z = pivots[p, 0], pivots[p, 1], pivots[p, 2]
        for t in range(len(tips)):
            out[p, t] = _why(x, y, z, tips[t, 0] - x, tips[t, 1] - y, tips[t, 2] - z, look)


@njit(cache=True, nogil=True)
def _nearest_clear(pivots: Numbers, tips: Numbers, order: Numbers, look: Numbers, out: Numbers) -> None:
    for t in range(len(tips)):
        out[t] = -1
        for p in order[t]:
            x, y, z = pivots[p, 0], pivots[p, 1], pivots[p, 2]
            if _why(x, y, z, tips[t, 0] - x, tips[t, 1] - y, tips[t, 2] - z, look) == 0:
                out[t] = p
                break


@njit(cache=True, nogil=True)
def _stopped_pairs(pivots: Numbers, tips: Numbers, look: Numbers, out: npt.NDArray[np.uint8]) -> None:
    """The same for pairs, (L,)."""
    for n in range(len(pivots)):
        x, y, z = pivots[n, 0], pivots[n, 1], pivots[n, 2]
        out[n] = _why(x, y, z, tips[n, 0] - x, tips[n, 1] - y, tips[n, 2] - z, look)
