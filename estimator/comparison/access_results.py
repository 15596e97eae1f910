"""Each way in on its best plan, and all of them together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.interval import ends95
from canalwise.estimator.outcome.plan_values import PlanNumbers
from canalwise.recon.grid import Float
from canalwise.recon.labels import Side

BOTH, MIDLINE = "both sides", "midline laminectomy"


@dataclass(frozen=True)
class WayChances:
    """Shares of hands that free enough, keep every limit, and do both, as in `estimator.search.chance`."""

    freed: float
    kept: float | None
    both: float


@dataclass(frozen=True, eq=False)
class AccessResult:
    """One way in on its best plan.

    Parameters
    ----------
    plans : the approaches it consists of; none for a midline laminectomy
    told_from : side from which the structures of `numbers` are told
    numbers : what it frees, takes and keeps, exact
    bone_mm3 : (N,) array, bone in each trial of a hand; the number itself alone where the way is not through a channel
    by_hand : None where the way is not through a channel
    """

    name: str
    plans: tuple[Approach, ...]
    told_from: Side
    numbers: PlanNumbers
    bone_mm3: Float
    by_hand: WayChances | None

    @property
    def total_mm3(self) -> float:
        """Bone taken, exact."""
        return self.numbers.bone_mm3

    @property
    def interval95_mm3(self) -> tuple[float, float]:
        """Between which 95 % of the trials lie; the number itself is never left out."""
        return ends95(self.bone_mm3, self.total_mm3)


@dataclass(frozen=True, eq=False)
class AccessComparison:
    """The ways in at one level for the same room needed; `stopped` tells of a search cut short."""

    level: str
    breadth: str
    enough_frac: float
    ways: tuple[AccessResult, ...]
    stopped: bool

    def __repr__(self) -> str:
        ended = ", stopped early" if self.stopped else ""
        return f"<AccessComparison {self.level}: {', '.join(way.name for way in self.ways)}{ended}>"

    def way(self, name: str) -> AccessResult | None:
        """The way of that name; None where the anatomy does not allow it."""
        return next((way for way in self.ways if way.name == name), None)


def winner(ways: Sequence[AccessResult]) -> AccessResult | None:
    """The way through channels that takes least weighted bone of those that free enough within limits; None if none."""
    good = [way for way in ways if way.name != MIDLINE and way.numbers.good]
    return min(good, key=lambda way: way.numbers.weighted_mm3, default=None)


def reference(ways: Sequence[AccessResult]) -> AccessResult:
    """What the others are told against: the winner, or where there is none the way that frees most within limits."""
    best = winner(ways)
    if best is not None:
        return best
    channels = [way for way in ways if way.name != MIDLINE]
    return min(channels, key=lambda way: (len(way.numbers.broken), -way.numbers.least_freed_frac, way.total_mm3))
