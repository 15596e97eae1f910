"""Results of each access on its best plan, and of all accesses together."""

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
class AccessChances:
    """Shares of executions that free enough, keep every limit, and do both, as in `estimator.search.chance`."""

    freed: float
    kept: float | None
    both: float


@dataclass(frozen=True, eq=False)
class AccessResult:
    """One access on its best plan.

    Parameters
    ----------
    plans : the approaches it consists of; none for a midline laminectomy
    reference_side : side relative to which the structures of `numbers` are named
    numbers : what it frees, takes and keeps, exact
    bone_mm3 : (N,) array, bone in each simulated execution; of a midline laminectomy the exact number alone
    as_executed : chances under execution errors; None where the access is not through a channel
    estimated95_mm3 : 95 % interval of the bone by the estimate of its plan, where it is one plan
    """

    name: str
    plans: tuple[Approach, ...]
    reference_side: Side
    numbers: PlanNumbers
    bone_mm3: Float
    as_executed: AccessChances | None
    estimated95_mm3: tuple[float, float] | None = None

    @property
    def total_mm3(self) -> float:
        """Bone taken, exact."""
        return self.numbers.bone_mm3

    @property
    def interval95_mm3(self) -> tuple[float, float]:
        """The estimate's own, else between which 95 % of the trials lie; the number itself is never left out."""
        return self.estimated95_mm3 or ends95(self.bone_mm3, self.total_mm3)


@dataclass(frozen=True, eq=False)
class AccessComparison:
    """The accesses at one level for the same room needed; `stopped` states that the search was cut short."""

    level: str
    breadth: str
    enough_frac: float
    accesses: tuple[AccessResult, ...]
    stopped: bool

    def __repr__(self) -> str:
        ended = ", stopped early" if self.stopped else ""
        return f"<AccessComparison {self.level}: {', '.join(access.name for access in self.accesses)}{ended}>"

    def access(self, name: str) -> AccessResult | None:
        """The access of that name; None where the anatomy does not allow it."""
        return next((access for access in self.accesses if access.name == name), None)


def winner(accesses: Sequence[AccessResult]) -> AccessResult | None:
    """The channel access that takes least weighted bone of those that free enough within limits; None if none."""
    good = [access for access in accesses if access.name != MIDLINE and access.numbers.good]
    return min(good, key=lambda access: access.numbers.weighted_mm3, default=None)


def reference(accesses: Sequence[AccessResult]) -> AccessResult:
    """What the others are compared with: the winner, or where there is none what frees most within limits."""
    best = winner(accesses)
    if best is not None:
        return best
    channels = [access for access in accesses if access.name != MIDLINE]
    return min(channels, key=lambda one: (len(one.numbers.broken), -one.numbers.least_freed_frac, one.total_mm3))
