"""A planned resection executed with errors of entry, registration, tilt, sight and depth.

The planned lines are executed, displaced; no better lines are chosen anew, for the surgeon does not see the
plan's bone but the tissue that is to go:

1. Docking: the entry window lies off by the error at the bone, and by the tilt about the docking point. All pivots move
   alike, for skin and fascia hold the instrument.
2. The line nearest the docking axis is the first: it is entered blind, displaced and tilted as a whole.
3. All other lines are steered by sight: their pivots lie where they now lie, their tips are brought to the tissue seen,
   but for a residual. It is one for each place of work (near and far, canal and recess, in which the surgeon looks for
   one border), drawn anew for each, so that places do not err in unison.
4. The keep-out holds: a line that would come too near the sac, or through bone that must stay, is not taken so. The tip
   goes to its planned place instead, or from another place of the window; where none is clear it is left out.
5. What then still stands of the tissue that the plan takes is seen, and the surgeon goes on until it is gone: by the
   cheapest further lines from anywhere in the window as it now lies. What cannot be reached from there stays, and shows
   as freed less.

So bone and joints vary, mostly toward more bone than the least, and the freed share falls only where a line is lost;
it hardly rises above the plan's. Without errors the plan itself comes out, line for line.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from canalwise.estimator.approach.approach import Approach, axis_level
from canalwise.estimator.approach.execution_errors import ExecutionErrors
from canalwise.estimator.decompression.room_needed import CENTRAL
from canalwise.estimator.resection.bite import joined_tips, rows_of, some_tips
from canalwise.estimator.resection.choice import completed
from canalwise.estimator.resection.cover import cover_begun
from canalwise.estimator.resection.line_values import EntryWindow, Tips, ToolLines, entry_window
from canalwise.estimator.resection.resection_level import Resection
from canalwise.estimator.resection.taken_tissue import taken_along
from canalwise.estimator.resection.tool_lines import nearest_clear, tool_lines
from canalwise.estimator.resection.tunnels import LineRegion, tunnels_of
from canalwise.recon.grid import Float
from canalwise.recon.labels import Mask

PLACES_OF_WORK = 4
"""Near and far, each in the sac's section and in recess and foramen."""

NORMALS = 7 + 3 * PLACES_OF_WORK
"""Numbers drawn: entry (lateral, cranial), registration (3), tilt (medial, cranial), then for each place of work two
across the line and one along it."""


CLOSE_PLACES = (5, 9)
"""Pivots across and along the window from which the surgeon goes on: surgeons are not bound to the plan's lattice."""


@dataclass(frozen=True, eq=False)
class ExecutionDisplacement:
    """One execution's errors, in the level frame.

    Parameters
    ----------
    docking_mm : (3,) array, of the docking point
    pivot_mm : (3,) array, of the pivot: that, and what tilting about the docking point adds
    turn : (3, 3) array, rotation of the first line about the docking point
    residual_mm : (PLACES_OF_WORK, 3) array: lateral and cranial of the tip, and along its line
    """

    docking_mm: Float
    pivot_mm: Float
    turn: Float
    residual_mm: Float


@dataclass(frozen=True, eq=False)
class ExecutedTips:
    """(n, 3) tips, level frame, and (n,) pivots of the window from which each is reached."""

    places_mm: Float
    pivot: npt.NDArray[np.int32]


def displacement_of(approach: Approach, errors: ExecutionErrors, normals: Float) -> ExecutionDisplacement:
    """Errors of one execution from (NORMALS,) numbers in standard deviations.

    >>> from canalwise.estimator.approach.approach import Phase
    >>> plan = Approach("L3-L4", "left", (8.0, 12.0, 0.0), 50.0, (Phase("ipsilateral", 0.0),))
    >>> displacement_of(plan, ExecutionErrors(), np.eye(NORMALS)[0]).pivot_mm.tolist()
    [1.5, 0.0, 0.0]
    """
    first = approach.phases[0]
    docking = errors.value("registration_sd_mm") * normals[2:5]
    docking[[0, 2]] += errors.value("entry_sd_mm") * normals[:2]
    medial = errors.value("medial_tilt_sd_deg") * normals[5]
    cranial = errors.value("cranial_tilt_sd_deg") * normals[6]
    planned = axis_level(approach.side, first.medial_tilt_deg, first.cranial_tilt_deg)
    tilted = axis_level(approach.side, first.medial_tilt_deg + medial, first.cranial_tilt_deg + cranial)
    sds = np.array([errors.value("sight_sd_mm"), errors.value("sight_sd_mm"), errors.value("depth_sd_mm")])
    return ExecutionDisplacement(
        docking,
        docking + approach.pivot_distance_mm * (planned - tilted),
        _rotation(planned, tilted),
        normals[7:].reshape(PLACES_OF_WORK, 3) * sds,
    )


def executed_resection(resection: Resection, errors: ExecutionDisplacement) -> Resection:
    """What an execution makes of a planned resection: its lines, what they take and the bone that goes."""
    if not len(resection.chosen):
        return resection
    window = replace(resection.window, pivots_mm=resection.window.pivots_mm + errors.pivot_mm)
    pivots, tips = _executed_lines(resection, window, errors)
    at, channel = resection.at, resection.approach.channel
    region = LineRegion(at.level.frame, window, pivots, tips.places_mm, channel, at.rules)
    taken = taken_along(at, region, tips, np.arange(len(pivots), dtype=np.int32))
    return replace(resection, window=window, region=region, taken_frac=taken.taken_frac, removal=taken.removal)


def _executed_lines(resection: Resection, window: EntryWindow, errors: ExecutionDisplacement) -> tuple[Float, Tips]:
    """Pivots of all lines executed, and their tips with what each takes."""
    at, channel = resection.at, resection.approach.channel
    # those of the window's lattice and those that the planned lines have off it
    own = replace(window, pivots_mm=resection.lines.pivots_mm + errors.pivot_mm)
    executed = _executed_tips(resection, own, errors)
    first = at.takes_at(executed.places_mm, channel)
    left = _taken_cells(resection)
    left[first.takes] = False
    further = _tips_to(resection.tips, left)
    if not len(further.places_mm):
        return own.pivots_mm[executed.pivot], first
    close = _with_more_pivots(resection, window, errors)
    onward = _lines_between(close, resection, further.places_mm)
    tips, count, owned = joined_tips(first, further), len(executed.pivot), np.int32(len(own.pivots_mm))
    lines = ToolLines(
        np.concatenate([own.pivots_mm, close.pivots_mm]),
        tips.places_mm,
        np.concatenate([executed.pivot, onward.pivot + owned]),
        np.concatenate([np.arange(count, dtype=np.int32), onward.tip + np.int32(count)]),
        onward.blocking_structures,
    )
    # further lines are many and only rank each other; what they take is counted on the scan's voxels in the end
    tunnels = tunnels_of(lines, window, at.coarse_price, channel, at.rules, halves=False)
    wanted_mm3, most = np.where(left, at.set_cells.mm3, 0.0), at.rules.value("bone_per_tissue")
    cover, state = cover_begun(lines, tunnels, tips, wanted_mm3, np.arange(count, dtype=np.int32))
    gone = completed(cover, wanted_mm3, tips.places_mm, np.arange(count, dtype=np.int32), most, state)
    return lines.pivots_mm[lines.pivot[gone]], some_tips(tips, lines.tip[gone])


def _with_more_pivots(resection: Resection, window: EntryWindow, errors: ExecutionDisplacement) -> EntryWindow:
    """The displaced window with more places in it."""
    at, approach = resection.at, resection.approach
    close = entry_window(approach, at.lamina_mm(approach.side), at.rules, CLOSE_PLACES).pivots_mm + errors.pivot_mm
    return replace(window, pivots_mm=close)


def _taken_cells(resection: Resection) -> Mask:
    """(C,) array: the cells of the set that the plan's tips take."""
    taken = np.zeros(len(resection.at.set_cells.mm3), dtype=bool)
    taken[some_tips(resection.tips, resection.lines.tip[resection.chosen]).takes] = True
    return taken


def _executed_tips(resection: Resection, window: EntryWindow, errors: ExecutionDisplacement) -> ExecutedTips:
    """Where the planned lines' tips come to, and from which pivot; lines that nothing clear leads to are left out.

    `window` holds the displaced pivots of all lines that the plan looked at.
    """
    at, channel = resection.at, resection.approach.channel
    near_mm = window.pivots_mm[resection.lines.pivot[resection.chosen]]

    def pivots_of(aims_mm: Float, places_mm: Float) -> npt.NDArray[np.int64]:
        across = -1.0 if resection.approach.side == "left" else 1.0
        how, keep_out = (at.level.frame, channel, at.rules), at.keep_out(channel.tool_radius_mm)
        return nearest_clear(window, aims_mm, places_mm, at.cells, keep_out, how, across)

    aims = _displaced_tips(resection, errors)
    pivot = pivots_of(aims, near_mm)
    lost = np.flatnonzero(pivot < 0)
    # where the tip cannot be brought to where it is seen, the planned place may still be clear
    aims[lost], pivot[lost] = resection.tips_mm[lost], pivots_of(resection.tips_mm[lost], near_mm[lost])
    left = pivot >= 0
    return ExecutedTips(np.ascontiguousarray(aims[left]), pivot[left].astype(np.int32))


def _lines_between(window: EntryWindow, resection: Resection, aims_mm: Float) -> ToolLines:
    """Which pivots of a window can be joined to which (T, 3) tips."""
    at, channel = resection.at, resection.approach.channel
    across = -1.0 if resection.approach.side == "left" else 1.0
    how = (at.level.frame, channel, at.rules)
    aims = np.ascontiguousarray(aims_mm)
    return tool_lines(window, aims, at.cells, at.keep_out(channel.tool_radius_mm), how, across)


def _tips_to(tips: Tips, bare: Mask) -> Tips:
    """Those of the tips that take any of the bare cells, (C,)."""
    hits = np.add.reduceat(np.append(bare[tips.takes], False).astype(np.int64), tips.starts[:-1])
    return some_tips(tips, np.flatnonzero(hits * (np.diff(tips.starts) > 0)))


def _displaced_tips(resection: Resection, errors: ExecutionDisplacement) -> Float:
    """(n, 3) array: where tips are brought, the opening line's blind, the others' by sight."""
    tips = resection.tips_mm
    path = tips - resection.pivots_mm
    along = path / np.linalg.norm(path, axis=1, keepdims=True)
    residual = errors.residual_mm[_places_of_work(resection)]
    moved = tips + residual[:, 2:] * along
    moved[:, [0, 2]] += residual[:, :2]
    first, docking = _opening(resection), np.array(resection.approach.docking_point_mm)
    moved[first] = tips[first] + errors.docking_mm + (errors.turn - np.eye(3)) @ (tips[first] - docking)
    return moved


def _places_of_work(resection: Resection) -> npt.NDArray[np.intp]:
    """(n,) array: the place of work of each line, by the side of its tip and the zone of most that it takes."""
    tips, cells = resection.tips, resection.at.set_cells
    gone = resection.lines.tip[resection.chosen]
    starts, entries = rows_of(tips.starts, gone)
    mm3, outside = cells.mm3[tips.takes[entries]], cells.zone[tips.takes[entries]] != CENTRAL
    line = np.repeat(np.arange(len(gone)), np.diff(starts))
    whole = np.bincount(line, mm3, len(gone))
    beyond = np.bincount(line, mm3 * outside, len(gone)) > whole / 2
    near = (resection.tips_mm[:, 0] >= 0) == (resection.approach.side == "left")
    return np.asarray(2 * (~near).astype(np.intp) + beyond.astype(np.intp))


def _opening(resection: Resection) -> int:
    """The line that passes nearest the docking point: the first to be executed."""
    docking = np.array(resection.approach.docking_point_mm)
    path = resection.tips_mm - resection.pivots_mm
    offset = docking - resection.pivots_mm
    share = np.clip((offset * path).sum(axis=1) / (path**2).sum(axis=1), 0.0, 1.0)
    return int(np.linalg.norm(offset - share[:, None] * path, axis=1).argmin())


def _rotation(start: Float, end: Float) -> Float:
    """(3, 3) array: the least rotation that turns one unit vector to another not opposite it."""
    cross = np.cross(start, end)
    x, y, z = cross
    skew = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    return np.asarray(np.eye(3) + skew + skew @ skew / (1.0 + float(start @ end)))
