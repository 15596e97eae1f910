"""Resections of many approaches at once, for search and charts: the same choice on a coarser lattice.

The set and the price of bone are gathered in cells of twice the edge, lines are improved once and stay on the lattice,
and nothing is counted on the scan's voxels. What can be freed and the weighted bone follow the fine form from the dear
side (`tests/estimator/resection/test_coarse.py` holds them together); a find is worked out anew by `resection_of`.

Approaches share what they can (`pivot_lines`): their pivots are moved to a lattice, along their own axes to planes and
then sideways to the nearest place, and the lines from each such pivot, with the bone they take and where they first
come too near to bone beside them, are found once. Of these an approach picks those that pass beside its own laminae.
A compiled loop goes through many approaches; each one's numbers are its own, however many there are and in however
many threads.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Protocol

import numpy as np
import numpy.typing as npt

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.resection.bite import set_cells, tips_of
from canalwise.estimator.resection.choice import ChoiceEffort
from canalwise.estimator.resection.line_values import SetCells, Tips, dorsal_surface_mm, entry_axis
from canalwise.estimator.resection.pivot_lines import LinePool, PivotSite, lines_from, resected
from canalwise.estimator.resection.resection_level import ResectionLevel
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Side
from canalwise.recon.parallel import both

COARSE_CELLS = 2
"""Edge of a cell of price and set, in cells of the fine lattice."""

PLANE_MM = 8.0
"""Pivots are moved along their axes to planes so far apart: by 4 mm at most of some 50."""

ALONG_MM = 2.5
"""Pivots are moved to multiples of this along the spine. At 5 mm more are shared, but on a phantom the rank of bone
among plans fell from 0.47 to 0.30 (`scripts/why_search.py`)."""

DIRECTION_STEP = 0.02
"""The laminae's dorsal surface is found anew for directions so far apart: about 1 deg."""

GREEDY = ChoiceEffort((0.05,), (), 0)
"""Lines as they are first found."""

QUICK = ChoiceEffort((0.05,), (1,), 1)
"""Each line is exchanged once."""


@dataclass(frozen=True)
class CoarseForm:
    """How coarse.

    Parameters
    ----------
    step_mm : between tips; a bite of 4 mm still takes everything between eight of them at 2.5 mm
    places : pivots across and along the window
    effort : how hard lines are looked for
    """

    step_mm: float
    places: tuple[int, int]
    effort: ChoiceEffort


SCREEN = CoarseForm(2.5, (4, 3), GREEDY)
"""Tells what cannot free enough (scripts/why_search.py); exchanging lines costs half as much again, tells no more of
what is freed, and ranks bone no better."""

CLOSE = CoarseForm(2.0, (5, 5), QUICK)
"""Ranks what may: the fine form's tips and as many pivots, before lines are moved off the lattice."""


class Chooser(Protocol):
    """What chooses the lines of approaches: `pivot_lines.resected`, or a graphics card."""

    def __call__(
        self, site: PivotSite, pool: LinePool, numbers: npt.NDArray[np.int64], planes: Float, effort: ChoiceEffort,
        out: Float,
    ) -> None:  # fmt: skip
        """As `pivot_lines.resected`."""


def in_halves(
    site: PivotSite, pool: LinePool, numbers: npt.NDArray[np.int64], planes: Float, effort: ChoiceEffort, out: Float
) -> None:
    """As `pivot_lines.resected`, on two processors at once."""
    half = len(numbers) // 2

    def some(rows: slice) -> None:
        resected(site, pool, numbers[rows], planes[rows], effort, out[rows])

    both(lambda: some(slice(None, half)), lambda: some(slice(half, None)))


LEVELS_KEPT = 8
"""Levels, sides and instruments kept ready."""

POOL_MB = 96.0
"""Lines kept of each; beyond it they are found anew."""


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


@dataclass(eq=False)
class CoarseLevel:
    """A level, a side and an instrument made ready for coarse resections; lines are added as pivots are needed.

    Parameters
    ----------
    wanted : the set in coarse cells
    tips : of the instrument's tool
    pool : lines of the pivots needed so far; an approach's choice is made among these
    """

    at: ResectionLevel
    channel: Channel
    form: CoarseForm
    side: Side
    wanted: SetCells
    tips: Tips
    pool: LinePool
    site: PivotSite
    surfaces: dict[tuple[int, ...], float] = field(default_factory=dict)

    @property
    def across_mm(self) -> float:
        """Between pivots across the window."""
        return self.at.rules.value("window_lateral_mm") / (self.form.places[0] - 1)

    def windows(self, approaches: Sequence[Approach]) -> tuple[npt.NDArray[np.int64], Float]:
        """(A, P, 3) array of pivots' places on the lattice; (A, 4) array, direction outward and dorsal surface."""
        axes = [entry_axis(approach) for approach in approaches]
        docking, pivot, outward = (np.array(each) for each in zip(*axes, strict=True))
        plane = np.rint(pivot[:, 1] / PLANE_MM)
        moved = pivot + outward * ((plane * PLANE_MM - pivot[:, 1]) / outward[:, 1])[:, None]
        steps = np.array([self.across_mm, PLANE_MM, ALONG_MM])
        middle = np.stack([np.rint(moved[:, 0] / steps[0]), plane, np.rint(moved[:, 2] / steps[2])], axis=-1)
        toward, (across, along) = 1 if self.side == "left" else -1, self.form.places
        rise = self.at.rules.value("window_along_mm") / ALONG_MM
        shifts = [(toward * x, 0, int(np.rint(z))) for x in range(across) for z in np.linspace(-rise, rise, along)]
        docked = (docking * outward).sum(axis=1)
        surface = np.maximum([self._surface_mm(each) for each in outward], docked)
        nodes = middle.astype(np.int64)[:, None] + np.array(shifts, dtype=np.int64)
        return nodes, np.concatenate([outward, surface[:, None]], axis=1)

    def _surface_mm(self, outward: Float) -> float:
        lamina = self.at.lamina_mm(self.side)
        if not len(lamina):
            return -np.inf
        key = tuple(np.rint(outward / DIRECTION_STEP).astype(int).tolist())
        if key not in self.surfaces:
            # that of the rounded direction, so that the answer does not depend on which approach came first
            direction = np.array(key) * DIRECTION_STEP
            self.surfaces[key] = dorsal_surface_mm(lamina, direction / np.linalg.norm(direction))
        return self.surfaces[key]

    def resections(self, approaches: Sequence[Approach], on: Chooser = in_halves) -> Float:
        """(A, 3) array: weighted bone, and mm3 of the set taken on the left and on the right."""
        nodes, planes = self.windows(approaches)
        pool = self.pool
        found = pool.with_pivots(np.unique(nodes.reshape(-1, 3), axis=0), lambda new: lines_from(self.site, new))
        self.pool = found if found.size_mb < POOL_MB else LinePool.empty(found.steps_mm)
        out = np.empty((len(approaches), 3))
        on(self.site, found, found.numbers(nodes), planes, self.form.effort, out)
        return out


@lru_cache(LEVELS_KEPT)
def coarse_level_of(
    at: ResectionLevel, channel: Channel, form: CoarseForm = SCREEN, side: Side = "left"
) -> CoarseLevel:
    """A level made ready for coarse resections from one side with one instrument, once."""
    wanted, keep_out = set_cells(at.wanted, COARSE_CELLS * at.cells.priced.edge_mm), at.keep_out(channel.tool_radius_mm)
    sizes = (at.rules.value("bite_mm"), channel.tool_radius_mm, form.step_mm)
    tips = tips_of(wanted, at.cells, at.solid, keep_out, at.level.frame, sizes)
    site = PivotSite.of(at, channel, side, wanted, tips)
    across_mm = at.rules.value("window_lateral_mm") / (form.places[0] - 1)
    return CoarseLevel(at, channel, form, side, wanted, tips, LinePool.empty((across_mm, PLANE_MM, ALONG_MM)), site)


def coarse_resections(
    at: ResectionLevel, approaches: Sequence[Approach], form: CoarseForm = SCREEN, on: Chooser = in_halves
) -> CoarseResections:
    """What each approach to a level would take and free, coarsely.

    Parameters
    ----------
    on : what chooses the lines; `estimator.batch.coarse_gpu.GpuChoice()` has a graphics card choose those of SCREEN
    """
    ready = [coarse_level_of(at, approach.channel, form, approach.side) for approach in approaches]
    found, whole = np.empty((len(ready), 3)), np.empty((len(ready), 2))
    # those of one side and instrument together: they share pivots, and a compiled loop goes through them
    for level in dict.fromkeys(ready):
        mine = [n for n, each in enumerate(ready) if each is level]
        found[mine] = level.resections([approaches[n] for n in mine], on)
        whole[mine] = level.site.sides_mm3.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        freed = np.where(whole > 0, found[:, 1:] / whole, np.nan)
    return CoarseResections(found[:, 0], {side: freed[:, s] for s, side in enumerate(SIDES)})
