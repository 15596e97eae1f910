"""The bone each line takes, cell by cell: the hollow of its tool, and of its scope where the burr clears its way.

A line is two round tubes: the tool's from the scope's end to the tip, and the scope's from the dorsal surface of the
laminae to its end, where that lies beyond. Dorsal of that `tool_lines` keeps the scope beside bone. A cell's share is
read from its signed depth in the tube, so borders are not stepped.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.decompression.level_cells import PricedCells
from canalwise.estimator.decompression.rules import ResectionRules
from canalwise.estimator.resection.entry_window import EntryWindow
from canalwise.estimator.resection.line_values import ToolLines, Tunnels
from canalwise.recon.grid import Float
from canalwise.recon.parallel import both

Numbers = Any
"""An array of any kind of number; the compiler makes a version for each."""

CELLS_A_LINE = 160
"""Room that is first set aside for each line; more is found when it is needed."""


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
    way = tips_mm - pivots_mm
    length = np.linalg.norm(way, axis=1)
    scope_end = np.maximum(1.0 - rules.value("tool_beyond_scope_mm") / length, 0.0)
    height = pivots_mm @ window.outward - window.beside_from_mm
    fall = -(way @ window.outward)
    cleared_from = np.clip(height / np.maximum(fall, 1e-9), 0.0, 1.0)
    ends = pivots_mm + scope_end[:, None] * way
    scope_from = pivots_mm + np.minimum(cleared_from, scope_end)[:, None] * way
    return Tubes(ends, tips_mm, scope_from, ends, channel.tool_radius_mm, channel.scope_radius_mm)


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

    def look(some: slice) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int32], npt.NDArray[np.float32]]:
        return _taken(
            tubes.tool_from_mm[some],
            tubes.tool_to_mm[some],
            tubes.scope_from_mm[some],
            radii,
            cells.origin_mm,
            cells.price,
            cells.edge_mm,
            CELLS_A_LINE,
        )

    if not halves:
        return Tunnels(cells.price.reshape(-1), *look(slice(None)))
    first, second = both(lambda: look(slice(None, half)), lambda: look(slice(half, None)))
    starts = np.concatenate([first[0], second[0][1:] + first[0][-1]])
    return Tunnels(
        cells.price.reshape(-1), starts, np.concatenate([first[1], second[1]]), np.concatenate([first[2], second[2]])
    )


@njit(cache=True, nogil=True)
def _grown(array: Any, size: int) -> Any:
    """The same numbers with room for more."""
    out = np.empty(size, dtype=array.dtype)
    out[: len(array)] = array
    return out


@njit(cache=True, nogil=True, inline="always")
def _depth(dx: float, dy: float, dz: float, wx: float, wy: float, wz: float, squared: float, radius: float) -> float:
    """How far inside a tube about a way w, of that squared length, a point lies; d is its offset from the start."""
    t = min(max((dx * wx + dy * wy + dz * wz) / squared, 0.0), 1.0)
    dx, dy, dz = dx - t * wx, dy - t * wy, dz - t * wz
    return radius - np.sqrt(dx * dx + dy * dy + dz * dz)


@njit(cache=True, nogil=True)
def _taken(
    tool_from: Numbers,
    tool_to: Numbers,
    scope_from: Numbers,
    radii: Numbers,
    origin: Numbers,
    price: Numbers,
    edge: float,
    guess: int,
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int32], npt.NDArray[np.float32]]:
    """Layer by layer of y, along which every line runs: cells of some price within either tube."""
    count = len(tool_from)
    nx, ny, nz = price.shape
    ox, oy, oz = origin[0], origin[1], origin[2]
    thin, thick, half = radii[0], radii[1], 0.5 * edge
    starts = np.zeros(count + 1, dtype=np.int64)
    cells, share = np.empty(count * guess + 1, dtype=np.int32), np.empty(count * guess + 1, dtype=np.float32)
    end = 0
    for n in range(count):
        fx, fy, fz = tool_from[n, 0], tool_from[n, 1], tool_from[n, 2]
        tx, ty, tz = tool_to[n, 0], tool_to[n, 1], tool_to[n, 2]
        sx, sy, sz = scope_from[n, 0], scope_from[n, 1], scope_from[n, 2]
        wx, wy, wz, ux, uy, uz = tx - fx, ty - fy, tz - fz, fx - sx, fy - sy, fz - sz
        squared, scope_squared = wx * wx + wy * wy + wz * wz, ux * ux + uy * uy + uz * uz
        deep = scope_squared > 1e-9
        slope_x, slope_z = (tx - sx) / (ty - sy), (tz - sz) / (ty - sy)
        longer = np.sqrt(1.0 + slope_x**2 + slope_z**2)
        wide = thick if deep else thin
        first = max(int(np.ceil((ty - thin - half - oy) / edge)), 0)
        last = min(int(np.floor((sy + wide + half - oy) / edge)), ny - 1)
        for j in range(first, last + 1):
            y = oy + j * edge
            reach = ((thick if deep and y >= fy - thick else thin) + half) * longer
            on_line = min(max(y, ty), sy) - ty
            x0, z0 = tx + slope_x * on_line, tz + slope_z * on_line
            k0 = max(int(np.ceil((z0 - reach - oz) / edge)), 0)
            k1 = min(int(np.floor((z0 + reach - oz) / edge)), nz - 1)
            i0 = max(int(np.ceil((x0 - reach - ox) / edge)), 0)
            i1 = min(int(np.floor((x0 + reach - ox) / edge)), nx - 1)
            if end + (i1 - i0 + 1) * (k1 - k0 + 1) > len(cells):
                cells, share = _grown(cells, 2 * len(cells) + 10000), _grown(share, 2 * len(share) + 10000)
            for i in range(i0, i1 + 1):
                x = ox + i * edge
                for k in range(k0, k1 + 1):
                    if price[i, j, k] <= 0:
                        continue
                    z = oz + k * edge
                    depth = _depth(x - fx, y - fy, z - fz, wx, wy, wz, squared, thin)
                    if deep:
                        depth = max(depth, _depth(x - sx, y - sy, z - sz, ux, uy, uz, scope_squared, thick))
                    held = min(0.5 + depth / edge, 1.0)
                    if held > 0:
                        cells[end] = (i * ny + j) * nz + k
                        share[end] = held
                        end += 1
        starts[n + 1] = end
    return starts, cells[:end].copy(), share[:end].copy()
