"""Lines moved off their lattice: each chosen line's neighbours are looked at, closer and closer.

A resection on a lattice depends on how the patient happens to lie in it: a tip a millimetre further on frees a cell
more, a pivot a degree aside passes beside a lamina where the lattice's own would have to go through it. So

1. lines are chosen on the lattice, zone after zone (`choice`);
2. about every line chosen for a zone, tips a step aside in each direction and pivots between those of the window are
   looked at, with what they take and the bone on their path;
3. lines are exchanged for such neighbours as long as that saves bone, and what only neighbours can take is added;
4. the same about the lines found, at half the step.

Lines of earlier zones stay, so a broader room still takes no less than a narrower one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

import numpy as np
import numpy.typing as npt

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.resection.bite import joined_tips, rows_of, some_tips
from canalwise.estimator.resection.choice import LEAST_COST_MM3, THOROUGH, ChoiceEffort, lines_of_zone
from canalwise.estimator.resection.cover import cover_begun
from canalwise.estimator.resection.line_values import EntryWindow, Tips, ToolLines, Tunnels
from canalwise.estimator.resection.resection_level import ResectionLevel
from canalwise.estimator.resection.tool_lines import clear_pairs
from canalwise.estimator.resection.tunnels import tunnels_of
from canalwise.recon.grid import Float

STEPS_MM = (1.0, 0.5)
"""How far aside neighbouring tips lie, round after round (scripts/why_resection.py)."""

PIVOT_STEPS_MM = (2.0, 1.0)
"""How far aside neighbouring pivots lie, lateral; along the spine twice as far."""

AMONG_NEIGHBOURS = ChoiceEffort((LEAST_COST_MM3,), (1, 3), 2)
"""How hard lines are exchanged for neighbours."""

Lines = npt.NDArray[np.int32]


@dataclass(frozen=True, eq=False)
class Candidates:
    """Lines that can be gone, with what they take of bone and of the set."""

    lines: ToolLines
    tunnels: Tunnels
    tips: Tips


@dataclass(frozen=True, eq=False)
class LineSite:
    """Where lines are looked for: a level, an approach to it and its entry window."""

    at: ResectionLevel
    approach: Approach
    window: EntryWindow

    @property
    def most(self) -> float:
        """Weighted bone that a cubic millimetre of tissue is worth."""
        return self.at.rules.value("bone_per_tissue")

    def clear(self, pivots_mm: Float, tips_mm: Float) -> npt.NDArray[np.bool_]:
        """(L,) array: which lines from (L, 3) pivots to (L, 3) tips can be gone."""
        at, channel = self.at, self.approach.channel
        how = (at.level.frame, channel, at.rules)
        across = -1.0 if self.approach.side == "left" else 1.0
        keep_out = at.keep_out(channel.tool_radius_mm)
        return clear_pairs(self.window, (pivots_mm, tips_mm), at.cells, keep_out, how, across)

    def tunnels(self, lines: ToolLines) -> Tunnels:
        """What lines take of the bone."""
        return tunnels_of(lines, self.window, self.at.cells.priced, self.approach.channel, self.at.rules)


def chosen_and_refined(
    site: LineSite, lattice: Candidates, steps_mm: tuple[float, ...] = STEPS_MM
) -> tuple[Candidates, Lines]:
    """The lines gone, chosen on the lattice and moved off it.

    Parameters
    ----------
    lattice : L candidates
    steps_mm : how far aside neighbouring tips lie, round after round

    Returns
    -------
    candidates : those of the lattice, and after them the n lines gone
    gone : (n,) array, which these are
    """
    wanted, gone = site.at.set_cells, some_candidates(lattice, np.zeros(0, dtype=np.int32))
    for zone in np.unique(wanted.zone):
        weight, kept = np.where(wanted.zone <= zone, wanted.mm3, 0.0), len(gone.lines.tip)
        # lines of earlier zones stay: a broader room then never takes less than a narrower one
        gone = _exchanged(site, gone, _useful(lattice, gone, weight), weight, kept, THOROUGH)
        for step_mm, aside_mm in zip(steps_mm, PIVOT_STEPS_MM, strict=False):
            if len(gone.lines.tip) == kept:
                break
            own = some_candidates(gone, np.arange(kept, len(gone.lines.tip), dtype=np.int32))
            beside = neighbours(site, own, weight, (step_mm, aside_mm))
            gone = _exchanged(site, gone, beside, weight, kept, AMONG_NEIGHBOURS)
    count = len(lattice.lines.tip)
    return joined(lattice, gone), np.arange(count, count + len(gone.lines.tip), dtype=np.int32)


def _exchanged(
    site: LineSite, gone: Candidates, others: Candidates, weight: Float, kept: int, effort: ChoiceEffort
) -> Candidates:
    """The lines gone when those beyond the first `kept` may be exchanged for others, and others added."""
    every = joined(gone, others)
    first = np.arange(len(gone.lines.tip), dtype=np.int32)
    cover, state = cover_begun(every.lines, every.tunnels, every.tips, weight, first)
    found = lines_of_zone(cover, weight, every.tips.places_mm, site.most, first, effort, kept, state)
    return some_candidates(every, found)


def _useful(candidates: Candidates, gone: Candidates, weight: Float) -> Candidates:
    """Those that take anything that lines gone leave: no other can be chosen beside them."""
    if not len(gone.lines.tip):
        return candidates
    left = weight.copy()
    left[gone.tips.takes] = 0.0
    useful = np.flatnonzero(_gains(candidates.tips, left)[candidates.lines.tip] > 0)
    return some_candidates(candidates, useful.astype(np.int32))


def _gains(tips: Tips, weight: Float) -> Float:
    """(T,) array: how much of the (C,) weights each tip takes."""
    so_far = np.concatenate([[0.0], np.cumsum(weight[tips.takes])])
    return np.asarray(so_far[tips.starts[1:]] - so_far[tips.starts[:-1]])


def neighbours(site: LineSite, some: Candidates, weight: Float, steps_mm: tuple[float, float]) -> Candidates:
    """The lines beside some, tips and pivots a step aside in every direction.

    Parameters
    ----------
    some : the lines beside which others are looked for
    weight : (C,) array, tissue of each cell of the set, mm3; tips that take none are left out
    steps_mm : how far aside tips and pivots lie
    """
    at, channel = site.at, site.approach.channel
    step_mm, aside_mm = steps_mm
    pivots, tips = some.lines.pivots_mm[some.lines.pivot], some.lines.tips_mm[some.lines.tip]
    # tips stand near each other: most of their neighbours are shared, and are looked at once
    places, which = _moved_by(tips, step_mm * np.array(list(product((-1, 0, 1), repeat=3))), step_mm / 2)
    takers = at.takes_at(places, channel, standing=True)
    useful = _gains(takers, weight) > 1e-9
    ends = site.window.within(_moved_places(pivots, _aside(aside_mm)))
    pairs = np.array(list(product(range(which.shape[1]), range(ends.shape[1]))))
    tip = which[:, pairs[:, 0]].reshape(-1)
    pivot_mm = ends[:, pairs[:, 1]].reshape(-1, 3)
    rows = np.flatnonzero(useful[tip])
    # pivots drawn in to the window's bounds fall together, and so do their lines to one tip
    _, first = np.unique(
        _keys(np.concatenate([0.25 * tip[rows, None], pivot_mm[rows]], axis=1), 0.25), return_index=True
    )
    rows = rows[np.sort(first)]
    tip, pivot_mm = tip[rows], np.ascontiguousarray(pivot_mm[rows])
    clear = site.clear(pivot_mm, np.ascontiguousarray(places[tip]))
    tip, pivot_mm = tip[clear], pivot_mm[clear]
    used, own = np.unique(tip, return_inverse=True)
    found = some_tips(takers, used)
    lines = ToolLines(
        pivot_mm, found.places_mm, np.arange(len(pivot_mm), dtype=np.int32), own.astype(np.int32),
        np.zeros((0, 0), dtype=np.uint8),
    )  # fmt: skip
    return Candidates(lines, site.tunnels(lines), found)


def _aside(aside_mm: float) -> Float:
    return np.array([(x * aside_mm, 0.0, 2 * z * aside_mm) for x, z in product((-1, 0, 1), repeat=2)])


def _moved_places(places_mm: Float, by_mm: Float) -> Float:
    return places_mm[:, None] + by_mm[None]


def _moved_by(places_mm: Float, by_mm: Float, edge_mm: float) -> tuple[Float, npt.NDArray[np.intp]]:
    """All (T, 3) places moved by each of (M, 3) vectors, each once, and an (N, M) array of which each is."""
    moved = _moved_places(places_mm, by_mm)
    keys = _keys(moved.reshape(-1, 3), edge_mm / 2)
    _, first, which = np.unique(keys, return_index=True, return_inverse=True)
    return np.ascontiguousarray(moved.reshape(-1, 3)[first]), which.reshape(moved.shape[:2])


def _keys(rows: Float, step: float) -> npt.NDArray[np.int64]:
    """(N,) array: one number for each (N, M) row, the same for rows that are the same to the nearest step."""
    index = np.rint(rows / step).astype(np.int64)
    index -= index.min(axis=0, initial=2**31)
    return np.asarray(np.ravel_multi_index(tuple(index.T), tuple(index.max(axis=0, initial=0) + 1)), dtype=np.int64)


def some_candidates(candidates: Candidates, which: Lines) -> Candidates:
    """Those lines alone.

    Parameters
    ----------
    which : (n,) array, numbers of lines
    """
    lines, tunnels = candidates.lines, candidates.tunnels
    tips, tip = np.unique(lines.tip[which], return_inverse=True)
    pivots, pivot = np.unique(lines.pivot[which], return_inverse=True)
    starts, entries = rows_of(tunnels.starts, which)
    return Candidates(
        ToolLines(lines.pivots_mm[pivots], lines.tips_mm[tips], pivot.astype(np.int32), tip.astype(np.int32),
                  lines.blocking_structures[:0]),
        replace(tunnels, starts=starts, cells=tunnels.cells[entries], share=tunnels.share[entries]),
        some_tips(candidates.tips, tips),
    )  # fmt: skip


def joined(one: Candidates, other: Candidates) -> Candidates:
    """The lines of both, in that order; what is known of lines that cannot be gone is the first one's."""
    a, b, p, q = one.lines, other.lines, one.tunnels, other.tunnels
    lines = ToolLines(
        np.concatenate([a.pivots_mm, b.pivots_mm]),
        np.concatenate([a.tips_mm, b.tips_mm]),
        np.concatenate([a.pivot, b.pivot + np.int32(len(a.pivots_mm))]),
        np.concatenate([a.tip, b.tip + np.int32(len(a.tips_mm))]),
        a.blocking_structures,
    )
    tunnels = replace(
        p,
        starts=np.concatenate([p.starts, p.starts[-1] + q.starts[1:]]),
        cells=np.concatenate([p.cells, q.cells]),
        share=np.concatenate([p.share, q.share]),
    )
    return Candidates(lines, tunnels, joined_tips(one.tips, other.tips))
