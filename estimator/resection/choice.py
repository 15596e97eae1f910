"""Which lines to go, so that all that can be taken is taken and the least weighted bone goes with it.

A cover with shared costs: each line takes some of the set at its tip and bone on its way, and bone that one line has
taken is free for the next. The least of these is hard to find (set cover is a special case), so it is approached:

1. Greedy: of all lines the one with the least bone still to pay for each mm3 of the set that it is the first to take;
   costs are kept current through an index from cells to the lines that run through them.
2. Prune: lines whose tissue others take are dropped, the dearest first.
3. Improve: each line in turn is lifted out and what it alone took is covered anew, as cheaply as the others leave it.
   The cheaper of both is kept; rounds end when one brings nothing.
4. A zone at a time (the sac's section, recesses, foramina): lines of an earlier zone stay, so that a broader room
   never takes less than a narrower one.

Ties fall to the line that was listed first. `estimator.resection.bound` tells how far from the least it can be.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from canalwise.estimator.resection.bite import Tips
from canalwise.estimator.resection.cover import Cover, cover_of
from canalwise.estimator.resection.line_values import ToolLines
from canalwise.estimator.resection.tunnels import Tunnels
from canalwise.recon.grid import Float

Numbers = Any
"""An array of any kind of number; the compiler makes a version for each."""

ROUNDS = 3
"""Most rounds of improvement (scripts/why_resection.py)."""

FREE_MM3 = 0.05
"""Added to a line's cost, so that among lines that cost nothing the one that takes most goes first."""

LEAST_GAIN_MM3 = 1e-6
"""Less than this is rounding, not tissue."""

LEAST_SAVED = 1.0
"""An exchange of lines must save more weighted mm3 than this: a thousandth of a resection, so rounds end early."""


def chosen_lines(
    lines: ToolLines,
    tunnels: Tunnels,
    tips: Tips,
    wanted_mm3: Float,
    zone: npt.NDArray[np.uint8],
    rounds: int = ROUNDS,
) -> npt.NDArray[np.int32]:
    """(n,) array: the lines to go, in the order they were found.

    Parameters
    ----------
    wanted_mm3, zone : (C,) arrays, tissue and zone of each cell of the set
    """
    cover = cover_of(lines, tunnels, tips, len(wanted_mm3))
    chosen = np.zeros(0, dtype=np.int32)
    for z in np.unique(zone):
        weight = np.where(zone <= z, wanted_mm3, 0.0)
        kept, chosen = len(chosen), _greedy(cover, weight, chosen)
        for _ in range(rounds):
            changed, chosen = _improved(cover, weight, chosen, kept)
            if not changed:
                break
    return chosen


def completed_lines(
    lines: ToolLines,
    tunnels: Tunnels,
    tips: Tips,
    wanted_mm3: Float,
    gone: npt.NDArray[np.int32],
) -> npt.NDArray[np.int32]:
    """(n,) array: the lines already gone, and after them the cheapest ones to all that they leave; arrays as above."""
    return np.asarray(_greedy(cover_of(lines, tunnels, tips, len(wanted_mm3)), wanted_mm3, gone))


def bone_of(chosen: npt.NDArray[np.int32], tunnels: Tunnels) -> float:
    """Weighted mm3 that lines take together."""
    return float(_union_cost(chosen, tunnels.starts, tunnels.cells, tunnels.share, tunnels.price))


@njit(cache=True, nogil=True)
def _union_cost(
    chosen: npt.NDArray[np.int32], starts: Numbers, cells: Numbers, share: Numbers, price: Numbers
) -> float:
    taken = np.zeros(len(price), dtype=np.float32)
    total = 0.0
    for n in chosen:
        for e in range(starts[n], starts[n + 1]):
            c = cells[e]
            if share[e] > taken[c]:
                total += (share[e] - taken[c]) * price[c]
                taken[c] = share[e]
    return total


@njit(cache=True, nogil=True)
def _extra(cover: Cover, n: int, taken: Numbers, most: float = np.inf) -> float:
    """What line n costs when some bone is taken already; where it is beyond `most`, only that it is."""
    total = 0.0
    for e in range(cover.starts[n], cover.starts[n + 1]):
        c = cover.cells[e]
        more = cover.share[e] - taken[c]
        if more > 0:
            total += more * cover.price[c]
            if total > most:
                break
    return total


@njit(cache=True, nogil=True)
def _go(cover: Cover, n: int, taken: Numbers, covered: Numbers) -> None:
    """Line n is gone: its bone is taken and its tip's cells are covered once more."""
    t = cover.tip[n]
    for e in range(cover.tip_starts[t], cover.tip_starts[t + 1]):
        covered[cover.takes[e]] += 1
    for e in range(cover.starts[n], cover.starts[n + 1]):
        taken[cover.cells[e]] = max(taken[cover.cells[e]], cover.share[e])


@njit(cache=True, nogil=True)
def _gains(cover: Cover, weight: Numbers, covered: Numbers) -> Numbers:
    """(T,) array: mm3 that each tip would be the first to take."""
    gain = np.zeros(len(cover.tip_starts) - 1)
    for t in range(len(gain)):
        for e in range(cover.tip_starts[t], cover.tip_starts[t + 1]):
            if covered[cover.takes[e]] == 0:
                gain[t] += weight[cover.takes[e]]
    return gain


@njit(cache=True, nogil=True)
def _greedy(cover: Cover, weight: Numbers, fixed: npt.NDArray[np.int32]) -> npt.NDArray[np.int32]:
    """The fixed lines and the cheapest for each mm3, one after the other, until no line takes more."""
    taken = np.zeros(len(cover.price), dtype=np.float32)
    covered = np.zeros(len(weight), dtype=np.int64)
    for n in fixed:
        _go(cover, n, taken, covered)
    gain = _gains(cover, weight, covered)
    cost = np.array([_extra(cover, n, taken) for n in range(len(cover.tip))])
    chosen = [n for n in fixed]
    while True:
        best, least = -1, np.inf
        for n in range(len(cost)):
            if gain[cover.tip[n]] > LEAST_GAIN_MM3:
                ratio = (cost[n] + FREE_MM3) / gain[cover.tip[n]]
                if ratio < least:
                    best, least = n, ratio
        if best < 0:
            break
        chosen.append(np.int32(best))
        _pay(cover, best, (weight, covered, gain), (taken, cost))
    return np.array(chosen, dtype=np.int32)


@njit(cache=True, nogil=True)
def _pay(cover: Cover, n: int, tissue: tuple[Numbers, Numbers, Numbers], bone: tuple[Numbers, Numbers]) -> None:
    """Line n is gone, and what is still to gain and to pay elsewhere follows."""
    weight, covered, gain = tissue
    taken, cost = bone
    t = cover.tip[n]
    for e in range(cover.tip_starts[t], cover.tip_starts[t + 1]):
        c = cover.takes[e]
        covered[c] += 1
        if covered[c] == 1:
            for k in range(cover.by_cell[0][c], cover.by_cell[0][c + 1]):
                gain[cover.by_cell[1][k]] -= weight[c]
    for e in range(cover.starts[n], cover.starts[n + 1]):
        c = cover.cells[e]
        before, now = taken[c], cover.share[e]
        if now > before:
            taken[c] = now
            for k in range(cover.through[0][c], cover.through[0][c + 1]):
                paid = min(cover.through[2][k], now) - before
                if paid > 0:
                    cost[cover.through[1][k]] -= paid * cover.price[c]


@njit(cache=True, nogil=True)
def _improved(
    cover: Cover, weight: Numbers, order: npt.NDArray[np.int32], kept: int
) -> tuple[bool, npt.NDArray[np.int32]]:
    """One round: every line beyond the first `kept` lifted out and replaced by what is cheapest."""
    best_cost = _union_cost(order, cover.starts, cover.cells, cover.share, cover.price)
    changed, position = False, kept
    taken, covered = np.zeros(len(cover.price), dtype=np.float32), np.zeros(len(weight), dtype=np.int64)
    while position < len(order):
        others = np.concatenate((order[:position], order[position + 1 :]))
        _clear(cover, order, taken, covered)
        spent = 0.0
        for n in others:
            spent += _extra(cover, n, taken)
            _go(cover, n, taken, covered)
        added, more = _refilled(cover, order[position], (weight, covered), (taken, best_cost - spent - LEAST_SAVED))
        _clear(cover, np.array(added, dtype=np.int32), taken, covered)
        if more < 0:
            position += 1
            continue
        joined = np.empty(len(added), dtype=np.int32)
        for a in range(len(added)):
            joined[a] = added[a]
        order, best_cost, changed = np.concatenate((others, joined)), spent + more, True
    _clear(cover, order, taken, covered)
    return changed, order


@njit(cache=True, nogil=True)
def _clear(cover: Cover, lines: npt.NDArray[np.int32], taken: Numbers, covered: Numbers) -> None:
    """Nothing is taken yet, where these lines run."""
    for n in lines:
        for e in range(cover.starts[n], cover.starts[n + 1]):
            taken[cover.cells[e]] = 0.0
        t = cover.tip[n]
        for e in range(cover.tip_starts[t], cover.tip_starts[t + 1]):
            covered[cover.takes[e]] = 0


@njit(cache=True, nogil=True)
def _refilled(
    cover: Cover, lifted: int, tissue: tuple[Numbers, Numbers], bone: tuple[Numbers, float]
) -> tuple[list[Any], float]:
    """The lines that cover what `lifted` alone took, and what they cost; a negative cost where it is beyond `most`."""
    weight, covered = tissue
    taken, most = bone
    added = [np.int32(n) for n in range(0)]
    spent, t = 0.0, cover.tip[lifted]
    first = cover.tip_starts[t]
    while True:
        # the cells of one tip lie side by side: the first one still bare leads
        while first < cover.tip_starts[t + 1] and (covered[cover.takes[first]] > 0 or weight[cover.takes[first]] <= 0):
            first += 1
        if first == cover.tip_starts[t + 1]:
            # a line that is not needed is dropped, whatever it costs
            return added, spent if spent <= most or len(added) == 0 else -1.0
        if spent > most:
            return added, -1.0
        best, price = _cheapest_to(cover, cover.takes[first], tissue, taken)
        if best < 0:
            return added, -1.0
        spent += price
        _go(cover, best, taken, covered)
        added.append(np.int32(best))


@njit(cache=True, nogil=True)
def _cheapest_to(cover: Cover, cell: int, tissue: tuple[Numbers, Numbers], taken: Numbers) -> tuple[int, float]:
    """The line that takes a cell at the least for each mm3 that is still bare, and what it costs."""
    weight, covered = tissue
    best, least, price = -1, np.inf, 0.0
    for k in range(cover.by_cell[0][cell], cover.by_cell[0][cell + 1]):
        t = cover.by_cell[1][k]
        got = 0.0
        for e in range(cover.tip_starts[t], cover.tip_starts[t + 1]):
            if covered[cover.takes[e]] == 0:
                got += weight[cover.takes[e]]
        for q in range(cover.by_tip[0][t], cover.by_tip[0][t + 1]):
            n = cover.by_tip[1][q]
            extra = _extra(cover, n, taken, least * got)
            if (extra + FREE_MM3) / got < least:
                best, least, price = n, (extra + FREE_MM3) / got, extra
    return best, price
