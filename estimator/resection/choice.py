"""Which lines to go, so that all that can be taken is taken and the least weighted bone goes with it.

A cover with shared costs: each line takes some of the set at its tip and bone on its way, and bone that one line has
taken is free for the next. The least of these is hard to find (set cover is a special case), so it is approached:

1. Greedy: of all lines the one with the least bone still to pay for each mm3 of the set that it is the first to take;
   costs are kept current through an index from cells to the lines that run through them. It ends where a mm3 would
   cost more bone than it is worth (the record `bone_per_tissue`).
2. Improve: each line in turn, and then each with its neighbours, is lifted out; what they alone took is covered anew as
   cheaply as the others leave it, the cell that fewest tips can take first, or left where that is not worth its bone.
   The cheaper of both is kept; rounds end when one brings nothing. A line whose tissue others take is dropped so too.
3. More than one greedy beginning is tried, and the cheapest end kept.
4. A zone at a time (the sac's section, recesses, foramina): lines of an earlier zone stay, so that a broader room
   never takes less than a narrower one.

Ties fall to the line that was listed first. `estimator.resection.bound` says how far from the least it can be.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from canalwise.estimator.resection.cover import Cover
from canalwise.estimator.resection.line_values import Tunnels
from canalwise.recon.grid import Float

Numbers = Any
"""An array of any kind of number; the compiler makes a version for each."""


class Effort(NamedTuple):
    """How hard a choice is looked for (scripts/why_resection.py).

    Parameters
    ----------
    starts_mm3 : added to a line's cost, so that among lines that cost little the one that takes most goes first: one
        choice begins with each, the cheapest is kept
    groups : so many neighbouring lines are lifted together, one size after the other
    rounds : most rounds with each size
    """

    starts_mm3: tuple[float, ...]
    groups: tuple[int, ...]
    rounds: int


THOROUGH = Effort((0.05, 2.0), (1, 3), 3)
"""For the resection of one approach."""

QUICK = Effort((0.05,), (1,), 1)
"""For many."""

LEAST_GAIN_MM3 = 1e-6
"""Less than this is rounding, not tissue."""

LEAST_COST_MM3 = 0.05
"""Added to a line's cost when lines are exchanged: among those that cost nothing the one that takes most is best."""

GIVEN_UP = 1 << 40
"""Added to how often a cell is covered while lines are exchanged without it."""

LEAST_SAVED = 1.0
"""An exchange of lines must save more weighted mm3 than this: a thousandth of a resection, so rounds end early."""


def chosen_lines(
    cover: Cover, wanted_mm3: Float, zone: npt.NDArray[np.uint8], places_mm: Float, most: float, effort: Effort
) -> npt.NDArray[np.int32]:
    """(n,) array: the lines to go, in the order they were found.

    Parameters
    ----------
    wanted_mm3, zone : (C,) arrays, tissue and zone of each cell of the set
    places_mm : (T, 3) array, of the tips
    most : weighted bone that a cubic millimetre of tissue is worth
    """
    chosen = np.zeros(0, dtype=np.int32)
    for z in np.unique(zone):
        chosen = lines_of_zone(cover, np.where(zone <= z, wanted_mm3, 0.0), places_mm, most, chosen, effort)
    return chosen


def lines_of_zone(
    cover: Cover,
    weight: Float,
    places_mm: Float,
    most: float,
    chosen: npt.NDArray[np.int32],
    effort: Effort = THOROUGH,
) -> npt.NDArray[np.int32]:
    """(n,) array: some lines, all of which stay, and those that take what is missing of the (C,) weighted cells."""
    found = []
    for start_mm3 in effort.starts_mm3:
        begun = _greedy(cover, weight, chosen, most, start_mm3)
        found.append(improved_lines(cover, weight, places_mm, most, begun, len(chosen), effort))
    if len(found) == 1:
        return found[0]
    return found[int(np.argmin([_spent_and_left(cover, weight, each, most) for each in found]))]


def improved_lines(
    cover: Cover,
    weight: Float,
    places_mm: Float,
    most: float,
    chosen: npt.NDArray[np.int32],
    kept: int,
    effort: Effort,
) -> npt.NDArray[np.int32]:
    """(n,) array: some lines, all but the first `kept` of them exchanged for cheaper ones."""
    for group in effort.groups:
        for _ in range(effort.rounds):
            changed, chosen = _improved(cover, weight, chosen, kept, places_mm, group, most)
            if not changed:
                break
    return np.asarray(chosen)


def completed(cover: Cover, weight: Float, chosen: npt.NDArray[np.int32], most: float) -> npt.NDArray[np.int32]:
    """(n,) array: some lines, and after them the cheapest ones to all that they leave and that is worth its bone."""
    return np.asarray(_greedy(cover, weight, chosen, most, LEAST_COST_MM3))


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
def _greedy(
    cover: Cover, weight: Numbers, fixed: npt.NDArray[np.int32], most: float, start_mm3: float
) -> npt.NDArray[np.int32]:
    """The fixed lines and the cheapest for each mm3, one after the other, until none is worth its bone."""
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
            got = gain[cover.tip[n]]
            if got > LEAST_GAIN_MM3 and cost[n] <= most * got:
                ratio = (cost[n] + start_mm3) / got
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
def _spent_and_left(cover: Cover, weight: Numbers, chosen: npt.NDArray[np.int32], most: float) -> float:
    """Weighted bone of some lines, and what the tissue they leave would be worth."""
    covered = np.zeros(len(weight), dtype=np.bool_)
    for n in chosen:
        t = cover.tip[n]
        for e in range(cover.tip_starts[t], cover.tip_starts[t + 1]):
            covered[cover.takes[e]] = True
    left = 0.0
    for c in range(len(weight)):
        if not covered[c] and cover.by_cell[0][c + 1] > cover.by_cell[0][c]:
            left += weight[c]
    return _union_cost(chosen, cover.starts, cover.cells, cover.share, cover.price) + (most * left if left > 0 else 0.0)


@njit(cache=True, nogil=True)
def _improved(
    cover: Cover,
    weight: Numbers,
    order: npt.NDArray[np.int32],
    kept: int,
    places: Numbers,
    group: int,
    worth: float,
) -> tuple[bool, npt.NDArray[np.int32]]:
    """One round: each line beyond the first `kept`, with those whose tips lie nearest, replaced by what is cheapest."""
    best_cost = _union_cost(order, cover.starts, cover.cells, cover.share, cover.price)
    changed, position = False, kept
    taken, covered = np.zeros(len(cover.price), dtype=np.float32), np.zeros(len(weight), dtype=np.int64)
    while position < len(order):
        lifted = _nearest(cover, order, kept, position, places, group)
        others, together = order[~lifted], order[lifted]
        _clear(cover, order, taken, covered)
        spent = 0.0
        for n in others:
            spent += _extra(cover, n, taken)
            _go(cover, n, taken, covered)
        allowed = best_cost - spent - LEAST_SAVED
        added, more, left = _refilled(cover, together, (weight, covered, worth), (taken, allowed))
        _clear(cover, np.array(added, dtype=np.int32), taken, covered)
        if more < 0 or more + left > allowed + (LEAST_SAVED if len(added) < len(together) and left == 0 else 0.0):
            position += 1
            continue
        joined = np.empty(len(added), dtype=np.int32)
        for a in range(len(added)):
            joined[a] = added[a]
        order, best_cost, changed = np.concatenate((others, joined)), spent + more, True
    _clear(cover, order, taken, covered)
    return changed, order


@njit(cache=True, nogil=True)
def _nearest(
    cover: Cover, order: npt.NDArray[np.int32], kept: int, position: int, places: Numbers, group: int
) -> npt.NDArray[np.bool_]:
    """(n,) array: the line at a position and those with the tips nearest to its own, so many together."""
    lifted = np.zeros(len(order), dtype=np.bool_)
    lifted[position] = True
    own = places[cover.tip[order[position]]]
    for _ in range(group - 1):
        best, least = -1, np.inf
        for n in range(kept, len(order)):
            if not lifted[n]:
                away = ((places[cover.tip[order[n]]] - own) ** 2).sum()
                if away < least:
                    best, least = n, away
        if best >= 0:
            lifted[best] = True
    return lifted


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
    cover: Cover, lifted: npt.NDArray[np.int32], tissue: tuple[Numbers, Numbers, float], bone: tuple[Numbers, float]
) -> tuple[list[Any], float, float]:
    """The lines that cover what some lifted ones alone took, what they cost, and what the tissue they leave is worth.

    The cell that fewest tips can take leads. A negative cost where it is beyond what may be spent.
    """
    weight, covered, worth = tissue
    taken, allowed = bone
    added, given_up = [np.int32(n) for n in range(0)], [np.int32(n) for n in range(0)]
    spent = 0.0
    while spent <= allowed + LEAST_SAVED:
        lead = _hardest(cover, lifted, weight, covered)
        if lead < 0:
            left = 0.0
            for c in given_up:
                covered[c] -= GIVEN_UP
                if covered[c] == 0:
                    left += weight[c]
            return added, spent, worth * left if left > 0 else 0.0
        best, price, got = _cheapest_to(cover, lead, (weight, covered), taken)
        if best < 0 or price > worth * got:
            covered[lead] += GIVEN_UP
            given_up.append(np.int32(lead))
            continue
        spent += price
        _go(cover, best, taken, covered)
        added.append(np.int32(best))
    for c in given_up:
        covered[c] -= GIVEN_UP
    return added, -1.0, 0.0


@njit(cache=True, nogil=True)
def _hardest(cover: Cover, lifted: npt.NDArray[np.int32], weight: Numbers, covered: Numbers) -> int:
    """Of the bare cells that lifted lines took, the one that fewest tips can take; -1 where none is bare."""
    lead, fewest = -1, 2**31
    for n in lifted:
        t = cover.tip[n]
        for e in range(cover.tip_starts[t], cover.tip_starts[t + 1]):
            c = cover.takes[e]
            if covered[c] == 0 and weight[c] > 0:
                options = cover.by_cell[0][c + 1] - cover.by_cell[0][c]
                if options < fewest:
                    lead, fewest = c, options
    return lead


@njit(cache=True, nogil=True)
def _cheapest_to(cover: Cover, cell: int, tissue: tuple[Numbers, Numbers], taken: Numbers) -> tuple[int, float, float]:
    """The line to a cell with the least bone for each mm3 it is the first to take, that bone, and those mm3."""
    weight, covered = tissue
    best, least, price, most_got = -1, np.inf, 0.0, 0.0
    for k in range(cover.by_cell[0][cell], cover.by_cell[0][cell + 1]):
        t = cover.by_cell[1][k]
        got = 0.0
        for e in range(cover.tip_starts[t], cover.tip_starts[t + 1]):
            if covered[cover.takes[e]] == 0:
                got += weight[cover.takes[e]]
        for q in range(cover.by_tip[0][t], cover.by_tip[0][t + 1]):
            n = cover.by_tip[1][q]
            extra = _extra(cover, n, taken, least * got)
            if (extra + LEAST_COST_MM3) / got < least:
                best, least, price, most_got = n, (extra + LEAST_COST_MM3) / got, extra, got
    return best, price, most_got
