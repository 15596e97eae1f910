"""Lines from pivots of a lattice, found once for all approaches that share them, and resections chosen among them.

Of each line is kept which tip it leads to, where along it a sleeve first comes too near to bone beside it, and which
coarse cells of bone it takes. None of that depends on the approach: how far the sleeve passes beside bone is decided
when an approach says where its laminae's dorsal surface lies. Bone dorsal of that surface is counted with the line's,
as far as a sleeve may press on it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.geometry.cone_formulas import SMALLEST_STEP_MM, trilinear
from canalwise.estimator.resection.choice import ChoiceEffort, found_from
from canalwise.estimator.resection.cover import Cover, begun, pattern, transposed, widened
from canalwise.estimator.resection.line_values import EntryWindow, SetCells, Tips, dorsal_surface_mm
from canalwise.estimator.resection.resection_level import ResectionLevel
from canalwise.estimator.resection.tool_lines import tool_lines
from canalwise.estimator.resection.tunnels import tunnels_of
from canalwise.recon.grid import Float
from canalwise.recon.labels import Side
from canalwise.recon.parallel import both

Numbers = Any
"""An array of any kind of number; the compiler makes a version for each."""

FULL = 255.0
"""A cell taken whole, as its share is kept."""

BEYOND_MM = 1e4
"""Further outward than any pivot: sleeve and scope then pass beside nothing."""


@dataclass(frozen=True, eq=False)
class LinePool:
    """The lines from N pivots of a lattice, L of them.

    Parameters
    ----------
    steps_mm : between the lattice's places, lateral, dorsal and along the spine
    place_of : place on the lattice -> number of the pivot
    starts : (N + 1,) array; pivot n has the lines starts[n]:starts[n + 1]
    tip : (L,) array
    met : (L,) array, share of the length at which bone beside first comes too near; beyond 1 where it never is
    begins : (L + 1,) array; line l takes of the cells cells[begins[l]:begins[l + 1]]
    cells, share : (K,) arrays, the share in 255ths
    pivots_mm : (N, 3) array
    """

    steps_mm: tuple[float, float, float]
    place_of: dict[tuple[int, ...], int]
    starts: npt.NDArray[np.int64]
    tip: npt.NDArray[np.int32]
    met: npt.NDArray[np.float32]
    begins: npt.NDArray[np.int64]
    cells: npt.NDArray[np.int32]
    share: npt.NDArray[np.uint8]
    pivots_mm: Float

    @staticmethod
    def empty(steps_mm: tuple[float, float, float]) -> LinePool:
        """No pivot yet."""
        return LinePool(
            steps_mm, {}, np.zeros(1, dtype=np.int64), np.zeros(0, dtype=np.int32), np.zeros(0, dtype=np.float32),
            np.zeros(1, dtype=np.int64), np.zeros(0, dtype=np.int32), np.zeros(0, dtype=np.uint8), np.zeros((0, 3)),
        )  # fmt: skip

    @property
    def size_mb(self) -> float:
        """Of the cells, which are most of it."""
        return 5e-6 * len(self.cells)

    def numbers(self, places: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """(A, P) array: numbers of the pivots at (A, P, 3) places."""
        rows = [self.place_of[tuple(place)] for place in places.reshape(-1, 3).tolist()]
        return np.array(rows, dtype=np.int64).reshape(places.shape[:2])

    def with_pivots(self, places: npt.NDArray[np.int64], found: Callable[[Float], LinePool]) -> LinePool:
        """The pool with the pivots at (M, 3) places; those it has not are found."""
        missing = [place for place in map(tuple, places.tolist()) if place not in self.place_of]
        if not missing:
            return self
        new = found(np.array(missing) * np.array(self.steps_mm))
        place_of = dict(self.place_of)
        place_of.update({place: len(place_of) + n for n, place in enumerate(missing)})
        return LinePool(
            self.steps_mm, place_of, _after(self.starts, new.starts), np.concatenate([self.tip, new.tip]),
            np.concatenate([self.met, new.met]), _after(self.begins, new.begins),
            np.concatenate([self.cells, new.cells]), np.concatenate([self.share, new.share]),
            np.concatenate([self.pivots_mm, new.pivots_mm]),
        )  # fmt: skip


def _after(starts: npt.NDArray[np.int64], more: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    return np.concatenate([starts, starts[-1] + more[1:]])


@dataclass(frozen=True, eq=False)
class PivotSite:
    """What all lines of a level, a side and an instrument share.

    Parameters
    ----------
    window : none in particular: the laminae's dorsal surface lies across the dorsal axis
    zones_mm3 : (Z, C) array, the set's tissue in each zone and those before it
    sides_mm3 : (C, 2) array, the set's tissue left and right
    by_cell : tips that take each cell of the set
    """

    at: ResectionLevel
    channel: Channel
    side: Side
    tips: Tips
    window: EntryWindow
    zones_mm3: Float
    sides_mm3: Float
    by_cell: tuple[npt.NDArray[np.int64], npt.NDArray[np.int32]]

    @staticmethod
    def of(at: ResectionLevel, channel: Channel, side: Side, wanted: SetCells, tips: Tips) -> PivotSite:
        """The site of a level."""
        outward, lamina = np.array([0.0, 1.0, 0.0]), at.lamina_mm(side)
        surface = dorsal_surface_mm(lamina, outward) if len(lamina) else 0.0
        zones = np.unique(wanted.zone) if len(wanted.zone) else [0]
        on_left = np.clip(0.5 + wanted.centres_mm[:, 0] / wanted.edge_mm, 0.0, 1.0)
        return PivotSite(
            at, channel, side, tips, EntryWindow(np.zeros((0, 3)), outward, surface),
            np.array([np.where(wanted.zone <= zone, wanted.mm3, 0.0) for zone in zones]),
            wanted.mm3[:, None] * np.stack([on_left, 1 - on_left], axis=-1),
            pattern(tips.starts, tips.takes, len(wanted.mm3)),
        )  # fmt: skip


def lines_from(site: PivotSite, pivots_mm: Float) -> LinePool:
    """The lines from (N, 3) pivots that can be gone but for bone beside the sleeve."""
    at, channel, tips = site.at, site.channel, site.tips
    how, across = (at.level.frame, channel, at.rules), -1.0 if site.side == "left" else 1.0
    # a surface beyond all pivots: bone beside the sleeve stops no line yet, for that depends on the approach
    anywhere = replace(site.window, pivots_mm=np.ascontiguousarray(pivots_mm), beside_from_mm=BEYOND_MM)
    lines = tool_lines(anywhere, tips.places_mm, at.cells, at.keep_out(channel.tool_radius_mm), how, across)
    tunnels = tunnels_of(lines, site.window, at.coarse_price, channel, at.rules)
    met, half = np.empty(len(lines.tip), dtype=np.float32), len(lines.tip) // 2
    beyond = at.rules.value("tool_beyond_scope_mm")

    def look(some: slice) -> None:
        _first_met(
            lines.pivots_mm, tips.places_mm, lines.pivot[some], lines.tip[some], at.cells.origin_mm,
            at.cells.passing_mm, np.array([at.cells.priced.edge_mm, beyond, channel.sleeve_radius_mm]), met[some],
        )  # fmt: skip

    both(lambda: look(slice(None, half)), lambda: look(slice(half, None)))
    starts = np.searchsorted(lines.pivot, np.arange(len(pivots_mm) + 1)).astype(np.int64)
    # a byte each: these shares are most of what a pool keeps, and its size bounds how many lines are kept
    share = np.rint(FULL * tunnels.share).astype(np.uint8)
    return LinePool(
        (0.0, 0.0, 0.0), {}, starts, lines.tip, met, tunnels.starts, tunnels.cells, share, anywhere.pivots_mm
    )


@njit(cache=True, nogil=True)
def _first_met(
    pivots: Numbers,
    tips: Numbers,
    pivot: Numbers,
    tip: Numbers,
    origin: Numbers,
    passing: Numbers,
    sizes: Numbers,
    out: Numbers,
) -> None:
    """Share of each line at which bone beside first comes nearer than the sleeve's radius, as far as the scope goes."""
    edge, beyond, aside = sizes[0], sizes[1], sizes[2]
    top = np.array([passing.shape[0] - 1.0, passing.shape[1] - 1.0, passing.shape[2] - 1.0])
    for n in range(len(pivot)):
        p, q = pivots[pivot[n]], tips[tip[n]]
        x, y, z = q[0] - p[0], q[1] - p[1], q[2] - p[2]
        length = np.sqrt(x * x + y * y + z * z)
        last, t = max(1.0 - beyond / length, 0.0), 0.0
        out[n] = 2.0
        while t < last:
            i, j, k = (
                (p[0] + t * x - origin[0]) / edge,
                (p[1] + t * y - origin[1]) / edge,
                (p[2] + t * z - origin[2]) / edge,
            )
            value = np.float32(SMALLEST_STEP_MM)
            if 0.0 <= i <= top[0] and 0.0 <= j <= top[1] and 0.0 <= k <= top[2]:
                value = trilinear(passing, i, j, k) - np.float32(aside)
                if value < 0:
                    out[n] = t
                    break
            t += max(value, SMALLEST_STEP_MM) / length


def resected(
    site: PivotSite,
    pool: LinePool,
    numbers: npt.NDArray[np.int64],
    planes: Float,
    effort: ChoiceEffort,
    out: Float,
) -> None:
    """Fills (A, 3) `out` with weighted bone and what is taken left and right, by approaches with (A, P) pivots.

    `planes` (A, 4) are the direction outward and the dorsal surface of the laminae of each.
    """
    tips = (site.tips.places_mm, site.tips.starts, site.tips.takes, site.by_cell)
    lines = (pool.pivots_mm, pool.starts, pool.tip, pool.met, pool.begins, pool.cells, pool.share)
    tissue = (site.zones_mm3, site.sides_mm3)
    how = (np.array(effort.groups, dtype=np.int64), effort.rounds, effort.starts_mm3[0])
    most = site.at.rules.value("bone_per_tissue")
    _resected(tips, lines, tissue, site.at.coarse_price.bone.price, numbers, planes, (*how, most), out)


@njit(cache=True, nogil=True)
def _resected(
    tips: Numbers,
    lines: Numbers,
    tissue: Numbers,
    price: Numbers,
    numbers: Numbers,
    planes: Numbers,
    how: Numbers,
    out: Numbers,
) -> None:
    places, tip_starts, takes, _ = tips
    zones, sides = tissue
    groups, rounds, start_mm3, most = how
    for a in range(len(numbers)):
        cover = _cover(tips, lines, price, numbers[a], planes[a])
        chosen, spent = np.zeros(0, dtype=np.int32), 0.0
        state = begun(cover, zones[0], chosen)
        for z in range(len(zones)):
            if z > 0:
                widened(cover, zones[z - 1], zones[z], state)
            effort = (len(chosen), groups, rounds)
            chosen, spent, _ = found_from(cover, zones[z], places, chosen, state, effort, (most, start_mm3))
        out[a, 0], out[a, 1], out[a, 2] = spent, 0.0, 0.0
        taken = np.zeros(len(sides), dtype=np.bool_)
        for n in chosen:
            for e in range(tip_starts[cover.tip[n]], tip_starts[cover.tip[n] + 1]):
                c = takes[e]
                if not taken[c]:
                    taken[c] = True
                    out[a, 1] += sides[c, 0]
                    out[a, 2] += sides[c, 1]


@njit(cache=True, nogil=True)
def _cover(tips: Numbers, lines: Numbers, price: Numbers, numbers: Numbers, plane: Numbers) -> Cover:
    """The question of one approach: the lines from its pivots that pass beside its laminae."""
    places, tip_starts, takes, by_cell = tips
    pivots, starts, tip, met, begins, cells, share = lines
    count, most = 0, 0
    for p in numbers:
        count += starts[p + 1] - starts[p]
    own, size = np.empty(count, dtype=np.int64), 0
    for p in numbers:
        height = plane[0] * pivots[p, 0] + plane[1] * pivots[p, 1] + plane[2] * pivots[p, 2]
        for n in range(starts[p], starts[p + 1]):
            q = places[tip[n]]
            fall = height - (plane[0] * q[0] + plane[1] * q[1] + plane[2] * q[2])
            # bone beside counts only dorsal of the approach's own laminae, which the line passes at height over fall
            if met[n] > 1.0 or (fall > 0.0 and met[n] * fall >= max(height - plane[3], 0.0)):
                own[size] = n
                size += 1
                most += begins[n + 1] - begins[n]
    tip_of, first = np.empty(size, dtype=np.int32), np.zeros(size + 1, dtype=np.int64)
    mine, part = np.empty(most, dtype=np.int32), np.empty(most, dtype=np.float32)
    end = 0
    for n in range(size):
        tip_of[n] = tip[own[n]]
        for e in range(begins[own[n]], begins[own[n] + 1]):
            mine[end], part[end] = cells[e], share[e] * np.float32(1.0 / FULL)
            end += 1
        first[n + 1] = end
    by_tip = pattern(np.arange(size + 1), tip_of, len(places))
    through = transposed(first, mine, part, len(price))
    return Cover(tip_of, tip_starts, takes, by_cell, by_tip, first, mine, part, price, through)
