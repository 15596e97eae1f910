"""A bound from below on the bone that frees what a resection frees: no choice of lines can take less.

1. As a linear programme: every cell of the set is taken by lines that sum to one, and a bone cell is paid for by as
   much as any one cell of the set runs its lines through it. Every choice of lines is a solution, so its least value
   lies below the least bone.
2. Its dual shares each bone cell's price out among the cells of the set. Whatever the shares, the sum over the set of
   each one's cheapest line, at its own share of the prices, is a bound; better shares make a better one.
3. A few cells of the set, far from each other, are enough: freeing some never takes more than freeing all.
4. The shares are found by mirror ascent: where a cell's cheapest line runs, its share of the price grows, which makes
   it dearer; shares of one bone cell are a distribution over the set's cells, so they stay feasible throughout.

The gap between this and what a resection takes is at most what a better choice could save.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from canalwise.estimator.resection.cover import Cover, cover_of
from canalwise.estimator.resection.line_values import SetCells, Tips, ToolLines, Tunnels
from canalwise.recon.grid import Float

Numbers = Any
"""An array of any kind of number; the compiler makes a version for each."""

WITNESSES = 150
"""Cells of the set that make up the bound (scripts/why_resection.py)."""

STEPS = 60
"""Steps of the ascent."""

RATE = 4.0
"""First step's exponent; it falls with the root of the steps."""


def least_bone(
    lines: ToolLines, tunnels: Tunnels, tips: Tips, wanted: SetCells, taken: npt.NDArray[np.integer]
) -> float:
    """Weighted mm3 below which no choice of these lines takes the cells of the set numbered in `taken`.

    Parameters
    ----------
    wanted : the set in C cells
    taken : (M,) array, numbers of the cells that must be taken, 0 to C - 1
    """
    if not len(taken):
        return 0.0
    cover = cover_of(lines, tunnels, tips, len(wanted.mm3))
    witnesses = taken[_far_apart(wanted.centres_mm[taken], min(WITNESSES, len(taken)))]
    cells, local = np.unique(tunnels.cells, return_inverse=True)
    return float(_ascent(cover, witnesses.astype(np.int64), local.astype(np.int32), tunnels.price[cells], STEPS, RATE))


def _far_apart(points_mm: Float, count: int) -> npt.NDArray[np.intp]:
    """(count,) array: points chosen one by one, each farthest from those before, from the one farthest out."""
    first = int(np.linalg.norm(points_mm - points_mm.mean(axis=0), axis=1).argmax())
    chosen, away = [first], np.linalg.norm(points_mm - points_mm[first], axis=1)
    for _ in range(count - 1):
        chosen.append(int(away.argmax()))
        away = np.minimum(away, np.linalg.norm(points_mm - points_mm[chosen[-1]], axis=1))
    return np.array(chosen)


@njit(cache=True, nogil=True)
def _ascent(cover: Cover, witnesses: Numbers, local: Numbers, price: Numbers, steps: int, rate: float) -> float:
    """Best bound over some steps; `local` are the bone cells of every line, numbered from 0.

    Shares of a bone cell are worked out anew only where a line ran through it, and the line that was a witness's
    cheapest before is looked at first: it lets most of the others be given up early.
    """
    count, cells = len(witnesses), len(price)
    score = np.zeros((count, cells), dtype=np.float32)
    part = np.full((count, cells), 1.0 / count, dtype=np.float32)
    paid, before = np.empty(len(local), dtype=np.float32), np.full(count, -1)
    for e in range(len(local)):
        paid[e] = cover.share[e] * price[local[e]]
    best = 0.0
    for step in range(steps):
        total, moved = 0.0, rate / np.sqrt(step + 1.0)
        touched = np.zeros(cells, dtype=np.bool_)
        for w in range(count):
            line, least, mine = before[w], np.inf, part[w]
            if line >= 0:
                least = _share_of_line(cover, line, local, paid, mine, np.inf)
            cell = witnesses[w]
            for k in range(cover.by_cell[0][cell], cover.by_cell[0][cell + 1]):
                t = cover.by_cell[1][k]
                for q in range(cover.by_tip[0][t], cover.by_tip[0][t + 1]):
                    n = int(cover.by_tip[1][q])
                    cost = _share_of_line(cover, n, local, paid, mine, least)
                    if cost < least:
                        line, least = n, cost
            before[w] = line
            if line >= 0:
                total += least
                for e in range(cover.starts[line], cover.starts[line + 1]):
                    score[w, local[e]] += moved * cover.share[e]
                    touched[local[e]] = True
        best = max(best, total)
        for c in range(cells):
            if touched[c]:
                # the greatest is taken off first, so that no exponential overflows
                top, whole = score[:, c].max(), 0.0
                for w in range(count):
                    part[w, c] = np.exp(score[w, c] - top)
                    whole += part[w, c]
                for w in range(count):
                    part[w, c] /= whole
    return best


@njit(cache=True, nogil=True, inline="always")
def _share_of_line(cover: Cover, n: int, local: Numbers, paid: Numbers, part: Numbers, enough: float) -> float:
    """What one witness pays of a line; where it is at least `enough`, only that it is."""
    e, end, cost = cover.starts[n], cover.starts[n + 1], np.float32(0.0)
    # four at a time: sums that do not wait for each other, and one question for all of them
    while e + 4 <= end:
        one = paid[e] * part[local[e]] + paid[e + 1] * part[local[e + 1]]
        cost += one + (paid[e + 2] * part[local[e + 2]] + paid[e + 3] * part[local[e + 3]])
        if cost >= enough:
            return float(cost)
        e += 4
    while e < end:
        cost += paid[e] * part[local[e]]
        e += 1
    return float(cost)
