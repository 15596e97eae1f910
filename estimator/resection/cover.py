"""Which line takes which cells of the set, and which bone it passes through: a covering problem as flat arrays.

Beside it what some lines gone come to, kept current as one goes or is lifted out: tissue covered, bone taken, gains,
costs. Bone that several lines take is taken once, as far as the one that takes most of a cell. The lines gone that run
through a bone cell hang in a list of it, so that what is left when one is lifted out needs a look at these alone.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from canalwise.estimator.resection.line_values import Tips, ToolLines, Tunnels
from canalwise.recon.parallel import both

Numbers = Any
"""An array of any kind of number; the compiler makes a version for each."""

Index = npt.NDArray[np.int64]

Pattern = tuple[Index, npt.NDArray[np.int32]]

Transposed = tuple[Index, npt.NDArray[np.int32], npt.NDArray[np.float32]]


class Cover(NamedTuple):
    """The whole question as flat arrays; a `by_` is (starts, rows) of a transposed matrix.

    Parameters
    ----------
    tip : (L,) array, of each line
    tip_starts, takes : cells of the set that each tip takes
    by_cell : tips that take each cell of the set
    by_tip : lines to each tip
    starts, cells, share : bone cells each line runs through
    price : of each bone cell
    through : lines that run through each bone cell, with their shares
    """

    tip: npt.NDArray[np.int32]
    tip_starts: Index
    takes: npt.NDArray[np.int32]
    by_cell: Pattern
    by_tip: Pattern
    starts: Index
    cells: npt.NDArray[np.int32]
    share: npt.NDArray[np.float32]
    price: npt.NDArray[np.float32]
    through: Transposed


def cover_of(lines: ToolLines, tunnels: Tunnels, tips: Tips, cells: int) -> Cover:
    """The question for a number of cells of the set."""
    return _without_through(lines, tunnels, tips, cells)._replace(through=_through(tunnels))


def cover_begun(
    lines: ToolLines, tunnels: Tunnels, tips: Tips, weight: npt.NDArray[np.float64], chosen: npt.NDArray[np.int32]
) -> tuple[Cover, ChoiceState]:
    """The question for some tissue, and its state when some lines are gone; both at once, for they share little.

    Parameters
    ----------
    weight : (C,) array, tissue of each cell of the set, mm3
    chosen : (n,) array, numbers of the lines gone
    """
    cover = _without_through(lines, tunnels, tips, len(weight))
    through, state = both(lambda: _through(tunnels), lambda: begun(cover, weight, chosen))
    return cover._replace(through=through), state


def _without_through(lines: ToolLines, tunnels: Tunnels, tips: Tips, cells: int) -> Cover:
    nothing = np.zeros(1, dtype=np.int64), np.zeros(0, dtype=np.int32), np.zeros(0, dtype=np.float32)
    return Cover(
        tip=lines.tip, tip_starts=tips.starts, takes=tips.takes,
        by_cell=pattern(tips.starts, tips.takes, cells),
        by_tip=pattern(np.arange(len(lines.tip) + 1), lines.tip, len(tips.places_mm)),
        starts=tunnels.starts, cells=tunnels.cells, share=tunnels.share, price=tunnels.price, through=nothing,
    )  # fmt: skip


def _through(tunnels: Tunnels) -> Transposed:
    return transposed(tunnels.starts, tunnels.cells, tunnels.share, len(tunnels.price))


@njit(cache=True, nogil=True)
def _begins(columns: npt.NDArray[np.int32], count: int) -> Index:
    """(count + 1,) array: where each column's entries begin when they are put side by side."""
    where = np.zeros(count + 1, dtype=np.int64)
    for c in columns:
        where[c + 1] += 1
    for c in range(count):
        where[c + 1] += where[c]
    return where


@njit(cache=True, nogil=True)
def pattern(starts: Numbers, columns: npt.NDArray[np.int32], count: int) -> Pattern:
    """Where a sparse matrix, given by rows, is not 0, by its columns.

    Parameters
    ----------
    starts : (R + 1,) array; row r holds the entries starts[r]:starts[r + 1]
    columns : (K,) array, column of each entry
    count : of columns

    Returns
    -------
    where : (count + 1,) array, where each column's entries begin
    rows : (K,) array, row of each entry, column after column
    """
    where = _begins(columns, count)
    rows, at = np.empty(len(columns), dtype=np.int32), where[:-1].copy()
    for n in range(len(starts) - 1):
        for e in range(starts[n], starts[n + 1]):
            rows[at[columns[e]]] = n
            at[columns[e]] += 1
    return where, rows


@njit(cache=True, nogil=True)
def transposed(
    starts: Numbers, columns: npt.NDArray[np.int32], values: npt.NDArray[np.float32], count: int
) -> Transposed:
    """A sparse matrix, given by rows, by its columns.

    Parameters
    ----------
    starts : (R + 1,) array; row r holds the entries starts[r]:starts[r + 1]
    columns : (K,) array, column of each entry
    values : (K,) array
    count : of columns

    Returns
    -------
    where : (count + 1,) array, where each column's entries begin
    rows, moved : (K,) arrays, row and value of each entry, column after column
    """
    where = _begins(columns, count)
    rows, moved = np.empty(len(columns), dtype=np.int32), np.empty(len(columns), dtype=np.float32)
    at = where[:-1].copy()
    for n in range(len(starts) - 1):
        for e in range(starts[n], starts[n + 1]):
            place = at[columns[e]]
            rows[place], moved[place] = n, values[e]
            at[columns[e]] = place + 1
    return where, rows, moved


GIVEN_UP = 1 << 20
"""Added to how often a cell is covered while lines are exchanged without it."""


class ChoiceState(NamedTuple):
    """Of some lines gone, of L lines to T tips, for C cells of the set and P of bone.

    Parameters
    ----------
    covered : (C,) array, how many lines gone take each cell of the set
    gain : (T,) array, mm3 that each tip would be the first to take
    taken : (P,) array, share of each bone cell that is taken
    first, following : (P,) and (K,) arrays, entries of the lines gone in each bone cell, as lists; -1 ends one
    cost : (L,) array, what each line costs beside what was taken when it was last priced
    priced : (P,) array, share of each bone cell that was taken then
    """

    covered: npt.NDArray[np.int32]
    gain: npt.NDArray[np.float64]
    taken: npt.NDArray[np.float32]
    first: npt.NDArray[np.int32]
    following: npt.NDArray[np.int32]
    cost: npt.NDArray[np.float64]
    priced: npt.NDArray[np.float32]


@njit(cache=True, nogil=True)
def begun(cover: Cover, weight: Numbers, chosen: npt.NDArray[np.int32]) -> ChoiceState:
    """The state when some lines are gone, all lines priced.

    Parameters
    ----------
    weight : (C,) array, tissue of each cell of the set, mm3
    chosen : (n,) array, numbers of the lines gone
    """
    tips, bone = len(cover.tip_starts) - 1, len(cover.price)
    gain = np.zeros(tips)
    for t in range(tips):
        for e in range(cover.tip_starts[t], cover.tip_starts[t + 1]):
            gain[t] += weight[cover.takes[e]]
    state = ChoiceState(
        np.zeros(len(weight), dtype=np.int32), gain, np.zeros(bone, dtype=np.float32),
        np.full(bone, -1, dtype=np.int32), np.empty(len(cover.cells), dtype=np.int32),
        np.empty(len(cover.tip)), np.zeros(bone, dtype=np.float32),
    )  # fmt: skip
    for n in chosen:
        gone(cover, weight, n, state)
    state.priced[:] = state.taken
    for n in range(len(cover.tip)):
        state.cost[n] = affordable_cost(cover, n, state, np.inf)
    return state


@njit(cache=True, nogil=True)
def widened(cover: Cover, before: Numbers, after: Numbers, state: ChoiceState) -> None:
    """The (C,) tissue to be taken grows."""
    for c in range(len(after)):
        if after[c] > before[c] and state.covered[c] == 0:
            for k in range(cover.by_cell[0][c], cover.by_cell[0][c + 1]):
                state.gain[cover.by_cell[1][k]] += after[c] - before[c]


@njit(cache=True, nogil=True, inline="always")
def affordable_cost(cover: Cover, n: int, state: ChoiceState, most: float) -> float:
    """What line n costs beside the bone taken; where it is beyond `most`, only that it is."""
    total = 0.0
    for e in range(cover.starts[n], cover.starts[n + 1]):
        c = cover.cells[e]
        more = cover.share[e] - state.taken[c]
        if more > 0:
            total += more * cover.price[c]
            if total > most:
                break
    return total


@njit(cache=True, nogil=True)
def gone(cover: Cover, weight: Numbers, n: int, state: ChoiceState) -> None:
    """Line n goes; nothing is priced anew.

    Parameters
    ----------
    weight : (C,) array, tissue of each cell of the set, mm3
    state : changed
    """
    t = cover.tip[n]
    for e in range(cover.tip_starts[t], cover.tip_starts[t + 1]):
        c = cover.takes[e]
        state.covered[c] += 1
        if state.covered[c] == 1:
            _gains_less(cover, weight, c, state)
    for e in range(cover.starts[n], cover.starts[n + 1]):
        c = cover.cells[e]
        state.following[e] = state.first[c]
        state.first[c] = e
        if cover.share[e] > state.taken[c]:
            state.taken[c] = cover.share[e]


@njit(cache=True, nogil=True)
def lifted_out(cover: Cover, weight: Numbers, n: int, state: ChoiceState) -> float:
    """Line n is lifted out: the weighted bone that it alone took. Nothing is priced anew.

    Parameters
    ----------
    weight : (C,) array, tissue of each cell of the set, mm3
    state : changed
    """
    t = cover.tip[n]
    for e in range(cover.tip_starts[t], cover.tip_starts[t + 1]):
        c = cover.takes[e]
        state.covered[c] -= 1
        if state.covered[c] == 0:
            _gains_more(cover, weight, c, state)
    freed = 0.0
    for e in range(cover.starts[n], cover.starts[n + 1]):
        c = cover.cells[e]
        # what stays taken of a cell is the most that any other line gone takes of it: only those hang in its list
        most, before, k = np.float32(0.0), -1, state.first[c]
        while k >= 0:
            after = state.following[k]
            if k == e:
                if before < 0:
                    state.first[c] = after
                else:
                    state.following[before] = after
            else:
                most, before = max(most, cover.share[k]), k
            k = after
        if most < state.taken[c]:
            freed += (state.taken[c] - most) * cover.price[c]
            state.taken[c] = most
    return freed


@njit(cache=True, nogil=True)
def repriced(cover: Cover, n: int, state: ChoiceState) -> None:
    """All lines that share bone cells with line n are priced by what is taken of these now."""
    for e in range(cover.starts[n], cover.starts[n + 1]):
        c = cover.cells[e]
        before, now = state.priced[c], state.taken[c]
        # a line pays for what it takes beyond the widest tunnel gone; where that stays, its price does too
        if before != now:
            state.priced[c] = now
            for k in range(cover.through[0][c], cover.through[0][c + 1]):
                share = cover.through[2][k]
                paid = max(share - before, np.float32(0.0)) - max(share - now, np.float32(0.0))
                if paid != 0:
                    state.cost[cover.through[1][k]] -= paid * cover.price[c]


@njit(cache=True, nogil=True)
def given_up_cell(cover: Cover, weight: Numbers, c: int, state: ChoiceState) -> None:
    """A bare cell counts as covered for now."""
    state.covered[c] += GIVEN_UP
    _gains_less(cover, weight, c, state)


@njit(cache=True, nogil=True)
def restored_cell(cover: Cover, weight: Numbers, c: int, state: ChoiceState) -> bool:
    """That ends; is the cell still bare?"""
    state.covered[c] -= GIVEN_UP
    if state.covered[c] == 0:
        _gains_more(cover, weight, c, state)
        return True
    return False


@njit(cache=True, nogil=True)
def _gains_less(cover: Cover, weight: Numbers, c: int, state: ChoiceState) -> None:
    for k in range(cover.by_cell[0][c], cover.by_cell[0][c + 1]):
        state.gain[cover.by_cell[1][k]] -= weight[c]


@njit(cache=True, nogil=True)
def _gains_more(cover: Cover, weight: Numbers, c: int, state: ChoiceState) -> None:
    for k in range(cover.by_cell[0][c], cover.by_cell[0][c + 1]):
        state.gain[cover.by_cell[1][k]] += weight[c]
