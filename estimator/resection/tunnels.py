"""The bone each line takes, cell by cell: the hollow of its tool, and of its scope where the burr clears the path.

A line is two round tubes: the tool's from the scope's end to the tip, and the scope's from the dorsal surface of the
laminae to its end, where that lies beyond. Dorsal of that `tool_lines` keeps the scope beside bone. A cell's share is
read from its signed depth in the tube, so borders are not stepped.

`LineRegion` is the same part of space as a region in which the scan's bone and joints are counted. What stands between
tubes and is narrower than the tool belongs to it, which a burr does not leave standing. Sight plays no part: every line
was chosen clear of the keep-out by its own radius.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.decompression.level_cells import PricedCells
from canalwise.estimator.decompression.rules import ResectionRules
from canalwise.estimator.removal.tunnel_region import DIRECTIONS, TunnelArrays, TunnelRegion
from canalwise.estimator.resection.line_values import EntryWindow, ToolLines, Tunnels
from canalwise.recon.anatomy import Frame
from canalwise.recon.grid import Float
from canalwise.recon.parallel import both

Numbers = Any
"""An array of any kind of number; the compiler makes a version for each."""

CELLS_A_LINE = 160
"""Room that is first set aside for each line; more is found when it is needed."""

SHORTEST_MM = 1e-6
"""A scope that passes the docking depth by less has no tube."""


@dataclass(frozen=True, eq=False)
class Tubes:
    """The tubes of L lines, level frame.

    Parameters
    ----------
    tool_from_mm, tool_to_mm : (L, 3) arrays
    scope_from_mm, scope_to_mm : (L, 3) arrays, the same point where the scope stays dorsal of what the burr clears
    tool_radius_mm, scope_radius_mm : of the tubes
    """

    tool_from_mm: Float
    tool_to_mm: Float
    scope_from_mm: Float
    scope_to_mm: Float
    tool_radius_mm: float
    scope_radius_mm: float


def tubes_of(pivots_mm: Float, tips_mm: Float, window: EntryWindow, channel: Channel, rules: ResectionRules) -> Tubes:
    """The tubes of lines from (L, 3) pivots to (L, 3) tips."""
    path = tips_mm - pivots_mm
    length = np.linalg.norm(path, axis=1)
    scope_end = np.maximum(1.0 - rules.value("tool_beyond_scope_mm") / length, 0.0)
    height = pivots_mm @ window.outward - window.beside_from_mm
    fall = -(path @ window.outward)
    cleared_from = np.clip(height / np.maximum(fall, 1e-9), 0.0, 1.0)
    ends = pivots_mm + scope_end[:, None] * path
    scope_from = pivots_mm + np.minimum(cleared_from, scope_end)[:, None] * path
    return Tubes(ends, tips_mm, scope_from, ends, channel.tool_radius_mm, channel.scope_radius_mm)


@dataclass(frozen=True, eq=False)
class LineRegion(TunnelRegion):
    """The tubes of lines.

    Parameters
    ----------
    frame : of the level
    window : where they come from
    pivots_mm, tips_mm : (n, 3) arrays, level frame, of each line
    channel, rules : the instrument
    """

    frame: Frame
    window: EntryWindow
    pivots_mm: Float
    tips_mm: Float
    channel: Channel
    rules: ResectionRules

    @cached_property
    def tubes(self) -> Tubes:
        """Of each line, level frame."""
        return tubes_of(self.pivots_mm, self.tips_mm, self.window, self.channel, self.rules)

    @cached_property
    def tunnels(self) -> TunnelArrays:
        """The tool's tubes and the scopes'."""
        tubes, world = self.tubes, self.frame.to_world_mm
        deep = np.linalg.norm(tubes.scope_to_mm - tubes.scope_from_mm, axis=1) > SHORTEST_MM
        scope = world(tubes.scope_from_mm[deep]), world(tubes.scope_to_mm[deep])
        return TunnelArrays.between(world(tubes.tool_from_mm), world(tubes.tool_to_mm), tubes.tool_radius_mm).joined(
            TunnelArrays.between(*scope, tubes.scope_radius_mm)
        )

    @property
    def gap_radius_mm(self) -> float:
        """Of the tool, as the record says."""
        return self.rules.value("gap_of_tool") * self.channel.tool_radius_mm

    @cached_property
    def gap_directions(self) -> Float:
        """(D, 3) array of unit vectors, RAS: those of the level's own axes."""
        return self.frame.direction_ras(DIRECTIONS)


@dataclass(frozen=True, eq=False)
class SleeveRegion(TunnelRegion):
    """The sleeve's tube of every line, from the pivot to where the burr begins or the scope ends."""

    lines: LineRegion

    @cached_property
    def tunnels(self) -> TunnelArrays:
        """One for each line."""
        lines, radius = self.lines, self.lines.channel.sleeve_radius_mm
        path = lines.tubes.scope_from_mm - lines.pivots_mm
        length = np.linalg.norm(path, axis=1)
        # the sleeve's end is flat: the ball at its end is left out
        flat = np.maximum(length - radius, 0.0) / np.maximum(length, SHORTEST_MM)
        world = lines.frame.to_world_mm
        return TunnelArrays.between(world(lines.pivots_mm), world(lines.pivots_mm + flat[:, None] * path), radius)


def tunnels_of(
    lines: ToolLines,
    window: EntryWindow,
    cells: PricedCells,
    channel: Channel,
    rules: ResectionRules,
    halves: bool = True,
) -> Tunnels:
    """What every line takes; in two halves at once, unless the caller has other work for the processors."""
    tubes = tubes_of(lines.pivots_mm[lines.pivot], lines.tips_mm[lines.tip], window, channel, rules)
    radii, half = np.array([tubes.tool_radius_mm, tubes.scope_radius_mm]), len(lines.tip) // 2
    place = (cells.origin_mm, cells.edge_mm, cells.bone.number, cells.bone.spans)

    def look(some: slice) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int32], npt.NDArray[np.float32]]:
        return _taken(tubes.tool_from_mm[some], tubes.tool_to_mm[some], tubes.scope_from_mm[some], radii, place)

    if not halves:
        return Tunnels(cells.bone.price, *look(slice(None)))
    first, second = both(lambda: look(slice(None, half)), lambda: look(slice(half, None)))
    starts = np.concatenate([first[0], second[0][1:] + first[0][-1]])
    return Tunnels(
        cells.bone.price, starts, np.concatenate([first[1], second[1]]), np.concatenate([first[2], second[2]])
    )


@njit(cache=True, nogil=True)
def _grown(array: Any, size: int) -> Any:
    """The same numbers with room for more."""
    out = np.empty(size, dtype=array.dtype)
    out[: len(array)] = array
    return out


@njit(cache=True, nogil=True)
def _taken(
    tool_from: Numbers, tool_to: Numbers, scope_from: Numbers, radii: Numbers, place: Numbers
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int32], npt.NDArray[np.float32]]:
    """Cells of some price within either tube, layer by layer of y, along which every line runs; lengths in cells.

    Both tubes lie about one axis. A point at o from the tip lies at t = o . d along it and sqrt(o . o - t^2) aside; a
    root is only drawn for cells on a tube's border.
    """
    origin, edge, number, spans = place
    count, (nx, ny, nz) = len(tool_from), number.shape
    thin, thick = radii[0] / edge, radii[1] / edge
    thin_in, thin_out, thick_in, thick_out = (
        (thin - 0.5) ** 2,
        (thin + 0.5) ** 2,
        (thick - 0.5) ** 2,
        (thick + 0.5) ** 2,
    )
    starts = np.zeros(count + 1, dtype=np.int64)
    cells = np.empty(count * CELLS_A_LINE + 1, dtype=np.int32)
    share = np.empty(len(cells), dtype=np.float32)
    end = 0
    for n in range(count):
        tx, ty, tz = tool_to[n, 0], tool_to[n, 1], tool_to[n, 2]
        wx, wy, wz = (tool_from[n, 0] - tx) / edge, (tool_from[n, 1] - ty) / edge, (tool_from[n, 2] - tz) / edge
        tool = np.sqrt(wx * wx + wy * wy + wz * wz)
        dx, dy, dz = wx / tool, wy / tool, wz / tool
        wx, wy, wz = (scope_from[n, 0] - tx) / edge, (scope_from[n, 1] - ty) / edge, (scope_from[n, 2] - tz) / edge
        whole = np.sqrt(wx * wx + wy * wy + wz * wz)
        tx, ty, tz = (tx - origin[0]) / edge, (ty - origin[1]) / edge, (tz - origin[2]) / edge
        deep = whole - tool > 1e-5
        across, along = dx / dy, dz / dy
        longer_x, longer_z = np.sqrt(1.0 + across * across), np.sqrt(1.0 + along * along)
        wide = (thick if deep else thin) + 0.5
        first, last = max(int(np.ceil(ty - thin - 0.5)), 0), min(int(np.floor(ty + wy + wide)), ny - 1)
        most = (last - first + 1) * int((2 * wide * longer_x + 2) * (2 * wide * longer_z + 2))
        if end + most > len(cells):
            cells, share = _grown(cells, 2 * len(cells) + most), _grown(share, 2 * len(share) + most)
        for j in range(first, last + 1):
            b = j - ty
            radius = (thick if deep and b >= tool * dy - thick - 0.5 else thin) + 0.5
            up = min(max(b, 0.0), whole * dy)
            middle, level = tx + across * up, tz + along * up
            i0, i1 = max(int(middle - radius * longer_x) + 1, 0), min(int(middle + radius * longer_x), nx - 1)
            low, high = max(int(level - radius * longer_z) + 1, 0), min(int(level + radius * longer_z), nz - 1)
            for i in range(i0, i1 + 1):
                a = i - tx
                s, square = a * dx + b * dy, a * a + b * b
                for k in range(max(spans[i, j, 0], low), min(spans[i, j, 1], high) + 1):
                    cell = number[i, j, k]
                    if cell < 0:
                        continue
                    c = k - tz
                    t = s + c * dz
                    aside = square + c * c - t * t
                    over = max(-t, max(t - tool, 0.0))
                    away, held = aside + over * over, 0.0
                    if away < thin_out:
                        held = 1.0 if away < thin_in else 0.5 + thin - np.sqrt(away)
                    if deep and held < 1.0:
                        over = max(tool - t, max(t - whole, 0.0))
                        away = aside + over * over
                        if away < thick_out:
                            held = 1.0 if away < thick_in else max(held, 0.5 + thick - np.sqrt(away))
                    if held > 0.0:
                        cells[end], share[end] = cell, held
                        end += 1
        starts[n + 1] = end
    return starts, cells[:end].copy(), share[:end].copy()
