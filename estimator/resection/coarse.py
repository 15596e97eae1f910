"""Resections of many approaches at once, for search and charts: the same choice on a coarser lattice.

The set and the price of bone are gathered in cells of twice the edge, lines are improved once and stay on the lattice,
and nothing is counted on the scan's voxels; to screen, tips and pivots lie further apart too (`CoarseForm`). Where
lines can be gone is asked on the fine lattice, for there a millimetre counts. What can be freed and the weighted bone
follow the fine form from the dear side (`tests/estimator/resection/test_coarse.py` holds them together); a find is
worked out anew by `resection_of`.

Approaches share all that an instrument has at a level (`CoarseLevel`), and are gone through on several processors;
each one's numbers are its own, so they are the same however many there are.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.decompression.level_cells import PricedCells
from canalwise.estimator.level.keep_out import KeepOut
from canalwise.estimator.resection.bite import set_cells, tips_of
from canalwise.estimator.resection.choice import QUICK, bone_of, chosen_lines
from canalwise.estimator.resection.cover import cover_of
from canalwise.estimator.resection.entry_window import entry_window
from canalwise.estimator.resection.line_values import SetCells, Tips
from canalwise.estimator.resection.resection_level import ResectionLevel
from canalwise.estimator.resection.tool_lines import tool_lines
from canalwise.estimator.resection.tunnels import tunnels_of
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Side
from canalwise.recon.parallel import WORKERS

COARSE_CELLS = 2
"""Edge of a cell of price and set, in cells of the fine lattice."""


@dataclass(frozen=True)
class CoarseForm:
    """How coarse.

    Parameters
    ----------
    step_mm : between tips; a bite of 4 mm still takes everything between eight of them at 2.5 mm
    places : pivots across and along the window
    """

    step_mm: float
    places: tuple[int, int]


SCREEN = CoarseForm(2.5, (4, 3))
"""Tells what cannot free enough: it frees 0.06 less than the fine form in the mean, 0.25 at most, for a third more
bone, in the order of its bone (rank correlation 0.88, 24 plans of two levels; scripts/why_search.py)."""

CLOSE = CoarseForm(2.0, (5, 5))
"""Ranks what may: the fine form's tips and pivots before lines are moved off the lattice. It frees 0.02 less in the
mean, 0.11 at most, for a quarter more bone (rank correlation 0.84 on the same plans)."""

LEVELS_KEPT = 8
"""Levels and instruments kept ready."""


@dataclass(frozen=True, eq=False)
class CoarseResections:
    """A approaches.

    Parameters
    ----------
    weighted_mm3 : (A,) array, bone at its price
    freed_frac : side of the patient -> (A,) array, share of the set of that side that is taken; NaN where it has none
    """

    weighted_mm3: Float
    freed_frac: dict[Side, Float]

    def near(self, approaches: Sequence[Approach]) -> Float:
        """(A,) array: share freed on each approach's own side."""
        left = np.array([approach.side == "left" for approach in approaches])
        return np.where(left, self.freed_frac["left"], self.freed_frac["right"])

    def far(self, approaches: Sequence[Approach]) -> Float:
        """(A,) array: share freed across."""
        left = np.array([approach.side == "left" for approach in approaches])
        return np.where(left, self.freed_frac["right"], self.freed_frac["left"])

    @property
    def least_frac(self) -> Float:
        """(A,) array: share freed on the side that is freed less; 1 where nothing stands in the room."""
        shares = np.stack([np.nan_to_num(share, nan=1.0) for share in self.freed_frac.values()])
        return np.asarray(shares.min(axis=0))


@dataclass(frozen=True, eq=False)
class CoarseLevel:
    """A level and an instrument made ready for coarse resections.

    Parameters
    ----------
    wanted : the set in coarse cells
    tips, keep_out : of the instrument's tool
    priced : bone in coarse cells
    """

    at: ResectionLevel
    channel: Channel
    form: CoarseForm
    wanted: SetCells
    tips: Tips
    keep_out: KeepOut
    priced: PricedCells

    def one(self, approach: Approach) -> tuple[float, npt.NDArray[np.bool_]]:
        """Weighted bone, and which cells of the set are taken."""
        at, channel = self.at, self.channel
        window = entry_window(approach, at.lamina_mm(approach.side), at.rules, self.form.places)
        across = -1.0 if approach.side == "left" else 1.0
        how = (at.level.frame, channel, at.rules)
        lines = tool_lines(window, self.tips.places_mm, at.cells, self.keep_out, how, across, halves=False)
        tunnels = tunnels_of(lines, window, self.priced, channel, at.rules, halves=False)
        wanted, tips, most = self.wanted, self.tips, at.rules.value("bone_per_tissue")
        cover = cover_of(lines, tunnels, tips, len(wanted.mm3))
        chosen = chosen_lines(cover, wanted.mm3, wanted.zone, tips.places_mm, most, QUICK)
        return bone_of(chosen, tunnels), self._taken_by(lines.tip[chosen])

    def _taken_by(self, gone: npt.NDArray[np.int32]) -> npt.NDArray[np.bool_]:
        taken, tips = np.zeros(len(self.wanted.mm3), dtype=bool), self.tips
        for tip in gone:
            taken[tips.takes[tips.starts[tip] : tips.starts[tip + 1]]] = True
        return taken


@lru_cache(LEVELS_KEPT)
def coarse_level_of(at: ResectionLevel, channel: Channel, form: CoarseForm = SCREEN) -> CoarseLevel:
    """A level made ready for coarse resections with one instrument, once."""
    wanted, keep_out = set_cells(at.wanted, COARSE_CELLS * at.cells.priced.edge_mm), at.keep_out(channel.tool_radius_mm)
    sizes = (at.rules.value("bite_mm"), channel.tool_radius_mm, form.step_mm)
    tips = tips_of(wanted, at.cells, at.solid, keep_out, at.level.frame, sizes)
    return CoarseLevel(at, channel, form, wanted, tips, keep_out, at.cells.priced.gathered(COARSE_CELLS))


def coarse_resections(
    at: ResectionLevel, approaches: Sequence[Approach], form: CoarseForm = SCREEN
) -> CoarseResections:
    """What each approach to a level would take and free, coarsely."""
    ready = [coarse_level_of(at, approach.channel, form) for approach in approaches]
    for side in {approach.side for approach in approaches}:
        at.lamina_mm(side)  # found once, before threads ask for it
    with ThreadPoolExecutor(WORKERS) as pool:
        found = list(pool.map(lambda level, approach: level.one(approach), ready, approaches))
    freed = np.array([_shares(level.wanted, taken) for level, (_, taken) in zip(ready, found, strict=True)])
    freed = freed.reshape(len(found), len(SIDES))
    return CoarseResections(
        np.array([weighted for weighted, _ in found]), {side: freed[:, s] for s, side in enumerate(SIDES)}
    )


def _shares(wanted: SetCells, taken: npt.NDArray[np.bool_]) -> list[float]:
    """Share taken of the set on the patient's left and right."""
    on_left = np.clip(0.5 + wanted.centres_mm[:, 0] / COARSE_CELLS, 0.0, 1.0)
    whole = [float(wanted.mm3 @ mine) for mine in (on_left, 1 - on_left)]
    part = [float(wanted.mm3[taken] @ mine[taken]) for mine in (on_left, 1 - on_left)]
    return [got / of if of > 0 else float("nan") for got, of in zip(part, whole, strict=True)]
