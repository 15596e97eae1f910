"""Which lines to go, so that all that can be taken is taken and the least weighted bone goes with it.

A cover with shared costs: each line takes some of the set at its tip and bone on its path, and bone that one line has
taken is free for the next. The least of these is hard to find (set cover is a special case), so it is approached:

1. Greedy: of all lines the one with the least bone still to pay for each mm3 of the set that it is the first to take.
   It ends where a mm3 would cost more bone than it is worth (the record `bone_per_tissue`).
2. Improve: each line in turn, and then each with its neighbours, is lifted out; what they alone took is covered anew as
   cheaply as the others leave it, the cell that fewest tips can take first, or left where that is not worth its bone.
   The cheaper of both is kept; rounds end when one brings nothing. A line whose tissue others take is dropped so too.
3. More than one greedy beginning is tried, and the cheapest end kept.
4. A zone at a time (the sac's section, recesses, foramina): lines of an earlier zone stay, so that a broader room
   never takes less than a narrower one.

What each tip would gain and each line cost is kept current through indices from cells to tips and lines
(`cover`), so that an exchange touches only what shares cells with it. A line that could not be exchanged is not
tried again before one that ends near it was.

Ties fall to the line that was listed first. `estimator.resection.bound` says how far from the least it can be.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from canalwise.estimator.resection.cover import (
    ChoiceState,
    Cover,
    affordable_cost,
    begun,
    given_up_cell,
    gone,
    lifted_out,
    repriced,
    restored_cell,
)
from canalwise.estimator.resection.line_values import Tunnels
from canalwise.recon.grid import Float

Numbers = Any
"""An array of any kind of number; the compiler makes a version for each."""

Lines = npt.NDArray[np.int32]


class ChoiceEffort(NamedTuple):
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


THOROUGH = ChoiceEffort((0.5,), (1, 3), 3)
"""For the resection of one approach."""

LEAST_GAIN_MM3 = 1e-6
"""Less than this is rounding, not tissue."""

LEAST_COST_MM3 = 0.05
"""Added to a line's cost when lines are exchanged: among those that cost nothing the one that takes most is best."""

LEAST_SAVED = 1.0
"""An exchange of lines must save more weighted mm3 than this: a thousandth of a resection, so rounds end early."""

NEAR_MM = 10.0
"""Lines whose tips lie nearer than this to those exchanged are tried again: two bites and a tip's step."""


def lines_of_zone(
    cover: Cover,
    weight: Float,
    places_mm: Float,
    most: float,
    chosen: Lines,
    effort: ChoiceEffort = THOROUGH,
    kept: int | None = None,
    state: ChoiceState | None = None,
) -> Lines:
    """(n,) array: the lines to go, those of some lines that stay first, in the order in which they were found.

    Parameters
    ----------
    weight : (C,) array, tissue of each cell of the set
    places_mm : (T, 3) array, of the tips
    most : weighted bone that a cubic millimetre of tissue is worth
    chosen : lines gone already
    kept : so many of these stay whatever is found; all where left out
    state : with those lines gone, where it is known; it is used up
    """
    stay = len(chosen) if kept is None else kept
    groups = np.array(effort.groups, dtype=np.int64)

    def found(start_mm3: float, state: ChoiceState) -> tuple[Lines, float]:
        order, spent, left = found_from(
            cover, weight, places_mm, chosen, state, (stay, groups, effort.rounds), (most, start_mm3)
        )
        return order, spent + left

    # a choice uses its state up: the one that is known serves the first, the others begin anew
    states = [begun(cover, weight, chosen) if n or state is None else state for n in range(len(effort.starts_mm3))]
    every = [found(start_mm3, each) for start_mm3, each in zip(effort.starts_mm3, states, strict=True)]
    return every[int(np.argmin([spent for _, spent in every]))][0]


def completed(
    cover: Cover, weight: Float, places_mm: Float, chosen: Lines, most: float, state: ChoiceState | None = None
) -> Lines:
    """(n,) array: some lines, and after them the cheapest ones to all that they leave and that is worth its bone.

    `state` is as for `lines_of_zone`.
    """
    effort = ChoiceEffort((LEAST_COST_MM3,), (), 0)
    return lines_of_zone(cover, weight, places_mm, most, chosen, effort, state=state)


def bone_of(chosen: Lines, tunnels: Tunnels) -> float:
    """Weighted mm3 that lines take together.

    Parameters
    ----------
    chosen : (n,) array, numbers of lines, 0 to L - 1
    tunnels : of all L
    """
    return float(_union_cost(chosen, tunnels.starts, tunnels.cells, tunnels.share, tunnels.price))


@njit(cache=True, nogil=True)
def _union_cost(chosen: Lines, starts: Numbers, cells: Numbers, share: Numbers, price: Numbers) -> float:
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
def found_from(
    cover: Cover,
    weight: Numbers,
    places: Numbers,
    chosen: Lines,
    state: ChoiceState,
    effort: tuple[int, Numbers, int],
    prices: tuple[float, float],
) -> tuple[Lines, float, float]:
    """Lines found from those chosen, their weighted bone, and what the tissue that they leave would be worth.

    Parameters
    ----------
    weight : (C,) array, tissue of each cell of the set, mm3
    places : (T, 3) array of the tips, level frame, mm
    chosen : (n,) array, lines gone already
    state : of the lines chosen, and then of those found
    effort : how many of the chosen stay, the sizes of groups, and the rounds
    prices : what a mm3 of tissue is worth, and what is added to each line's cost, weighted mm3
    """
    kept, groups, rounds = effort
    order = _greedy(cover, weight, state, chosen, prices)
    for group in groups:
        tried = np.zeros(len(cover.tip), dtype=np.bool_)
        for _ in range(rounds):
            before = len(order)
            changed, order = _improved(cover, weight, state, (order, kept, tried), (places, group), prices[0])
            if not changed and len(order) == before:
                break
    spent = _union_cost(order, cover.starts, cover.cells, cover.share, cover.price)
    left = 0.0
    for c in range(len(weight)):
        if state.covered[c] == 0 and cover.by_cell[0][c + 1] > cover.by_cell[0][c]:
            left += weight[c]
    return order, spent, prices[0] * left if left > 0 else 0.0


@njit(cache=True, nogil=True)
def _greedy(cover: Cover, weight: Numbers, state: ChoiceState, fixed: Lines, prices: tuple[float, float]) -> Lines:
    """The fixed lines and the cheapest for each mm3, one after the other, until none is worth its bone."""
    most, start_mm3 = prices
    count = len(fixed)
    order = np.empty(count + len(cover.tip), dtype=np.int32)
    order[:count] = fixed
    while True:
        best, least = -1, np.inf
        for n in range(len(cover.tip)):
            got = state.gain[cover.tip[n]]
            # rounding leaves a hair of gain where nothing is left to take
            if got > LEAST_GAIN_MM3:
                spent = state.cost[n]
                if spent + start_mm3 < least * got and spent <= most * got:
                    best, least = n, (spent + start_mm3) / got
        if best < 0:
            return order[:count].copy()
        order[count] = best
        count += 1
        gone(cover, weight, best, state)
        repriced(cover, best, state)


@njit(cache=True, nogil=True)
def _improved(
    cover: Cover,
    weight: Numbers,
    state: ChoiceState,
    lines: tuple[Lines, int, Numbers],
    near: tuple[Numbers, int],
    worth: float,
) -> tuple[bool, Lines]:
    """One round: each line beyond the first `kept`, with those whose tips lie nearest, replaced by what is cheapest.

    `lines` are those gone, how many of them stay, and (L,) which were tried since lines near them changed.
    """
    order, kept, tried = lines
    places, group = near
    changed, position = False, kept
    while position < len(order):
        if tried[order[position]]:
            position += 1
            continue
        tried[order[position]] = True
        lifted = _nearest(cover, order, kept, position, places, group)
        together, others = order[lifted], order[~lifted]
        freed = 0.0
        for n in together:
            freed += lifted_out(cover, weight, n, state)
        allowed = freed - LEAST_SAVED
        added, more, left = _refilled(cover, weight, together, state, (worth, allowed))
        fewer = LEAST_SAVED if len(added) < len(together) and left == 0 else 0.0
        if more < 0 or more + left > allowed + fewer:
            for n in added:
                lifted_out(cover, weight, n, state)
            for n in together:
                gone(cover, weight, n, state)
            position += 1
            continue
        for n in together:
            repriced(cover, n, state)
            _try_again(cover, order, places, n, tried)
        for n in added:
            repriced(cover, n, state)
            _try_again(cover, order, places, n, tried)
        joined = np.empty(len(added), dtype=np.int32)
        for a in range(len(added)):
            joined[a] = added[a]
            tried[added[a]] = False
        order, changed = np.concatenate((others, joined)), True
    return changed, order


@njit(cache=True, nogil=True)
def _try_again(cover: Cover, order: Lines, places: Numbers, line: int, tried: Numbers) -> None:
    """Lines whose tips lie near that of one that changed are to be tried again."""
    x, y, z = places[cover.tip[line]]
    for n in order:
        u, v, w = places[cover.tip[n]]
        if (u - x) ** 2 + (v - y) ** 2 + (w - z) ** 2 < NEAR_MM**2:
            tried[n] = False


@njit(cache=True, nogil=True)
def _nearest(
    cover: Cover, order: Lines, kept: int, position: int, places: Numbers, group: int
) -> npt.NDArray[np.bool_]:
    """(n,) array: the line at a position and those with the tips nearest to its own, so many together."""
    lifted = np.zeros(len(order), dtype=np.bool_)
    lifted[position] = True
    x, y, z = places[cover.tip[order[position]]]
    for _ in range(group - 1):
        best, least = -1, np.inf
        for n in range(kept, len(order)):
            if not lifted[n]:
                u, v, w = places[cover.tip[order[n]]]
                away = (u - x) ** 2 + (v - y) ** 2 + (w - z) ** 2
                if away < least:
                    best, least = n, away
        if best >= 0:
            lifted[best] = True
    return lifted


@njit(cache=True, nogil=True)
def _refilled(
    cover: Cover, weight: Numbers, lifted: Lines, state: ChoiceState, bounds: tuple[float, float]
) -> tuple[list[Any], float, float]:
    """The lines that cover what some lifted ones alone took, what they cost, and what the tissue they leave is worth.

    The cell that fewest tips can take leads. A negative cost where it is beyond what may be spent.
    """
    worth, allowed = bounds
    added, given_up = [np.int32(n) for n in range(0)], [np.int32(n) for n in range(0)]
    spent = 0.0
    while True:
        lead = _hardest(cover, weight, lifted, state)
        if lead < 0:
            break
        best, price = _cheapest_to(cover, lead, state)
        if best < 0 or price > worth * state.gain[cover.tip[best]]:
            given_up_cell(cover, weight, lead, state)
            given_up.append(np.int32(lead))
            continue
        spent += price
        added.append(np.int32(best))
        gone(cover, weight, best, state)
        if spent > allowed + LEAST_SAVED:
            spent = -1.0
            break
    left = 0.0
    for c in given_up:
        if restored_cell(cover, weight, int(c), state):
            left += weight[c]
    return added, spent, worth * left if left > 0 else 0.0


@njit(cache=True, nogil=True)
def _hardest(cover: Cover, weight: Numbers, lifted: Lines, state: ChoiceState) -> int:
    """Of the bare cells that lifted lines took, the one that fewest tips can take; -1 where none is bare."""
    lead, fewest = -1, 2**31
    for n in lifted:
        t = cover.tip[n]
        for e in range(cover.tip_starts[t], cover.tip_starts[t + 1]):
            c = cover.takes[e]
            if state.covered[c] == 0 and weight[c] > 0:
                options = cover.by_cell[0][c + 1] - cover.by_cell[0][c]
                if options < fewest:
                    lead, fewest = c, options
    return lead


@njit(cache=True, nogil=True)
def _cheapest_to(cover: Cover, cell: int, state: ChoiceState) -> tuple[int, float]:
    """The line to a cell with the least bone for each mm3 it is the first to take, and that bone."""
    best, least, price = -1, np.inf, 0.0
    for k in range(cover.by_cell[0][cell], cover.by_cell[0][cell + 1]):
        t = cover.by_cell[1][k]
        got = state.gain[t]
        for q in range(cover.by_tip[0][t], cover.by_tip[0][t + 1]):
            n = int(cover.by_tip[1][q])
            # with lines lifted out a line costs at least what it costs beside all of them
            if (state.cost[n] + LEAST_COST_MM3) >= least * got:
                continue
            extra = affordable_cost(cover, n, state, least * got)
            if (extra + LEAST_COST_MM3) < least * got:
                best, least, price = n, (extra + LEAST_COST_MM3) / got, extra
    return best, price
