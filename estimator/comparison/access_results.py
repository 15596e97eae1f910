"""Each way in on its best plan, and all of them together."""

from __future__ import annotations

from dataclasses import dataclass

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.batch.success_probability import SuccessProbability
from canalwise.estimator.estimate.estimate import Cost
from canalwise.estimator.interval import ends95
from canalwise.estimator.removal.canal_area import CanalAreaChange
from canalwise.recon.grid import Float

BOTH, MIDLINE = "both sides", "midline laminectomy"


@dataclass(frozen=True, eq=False)
class AccessResult:
    """One way in on its best plan.

    Parameters
    ----------
    plans : the approaches it consists of; none for a midline laminectomy
    cost, freed : of the whole sweep, exact
    reached_frac : mean over the asked sets of the share touched; NaN where the way is not through a channel
    bone_mm3 : (N,) array, bone taken in each of the samples that all ways share, centred on the exact number
    success_by_execution : chances under errors of the hand; None where the way is not through a channel
    """

    name: str
    plans: tuple[Approach, ...]
    cost: Cost
    freed: CanalAreaChange
    reached_frac: float
    bone_mm3: Float
    success_by_execution: SuccessProbability | None

    @property
    def total_mm3(self) -> float:
        """Bone taken, exact."""
        return self.cost.removal.total_mm3

    @property
    def interval95_mm3(self) -> tuple[float, float]:
        """Between which 95 % of the samples lie; the number itself is never left out."""
        return ends95(self.bone_mm3, self.total_mm3)


@dataclass(frozen=True, eq=False)
class AccessComparison:
    """The ways in at one level, for the same targets; `task` names them, `stopped` tells of a search cut short."""

    level: str
    task: tuple[str, ...]
    ways: tuple[AccessResult, ...]
    stopped: bool

    def __repr__(self) -> str:
        ended = ", stopped early" if self.stopped else ""
        return f"<AccessComparison {self.level}: {', '.join(way.name for way in self.ways)}{ended}>"

    def way(self, name: str) -> AccessResult | None:
        """The way of that name; None where the anatomy does not allow it."""
        return next((way for way in self.ways if way.name == name), None)
