"""A case laid open for rehearsal, with what is worth keeping between questions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from estimator.approach import Approach
from estimator.estimate import Estimate, estimate_of
from estimator.prepared import PreparedLevel, prepared_level
from recon.case import Case
from workbench.radiograph import Radiograph, RadiographView
from workbench.rehearsal.lately import Lately
from workbench.rehearsal.made import Made

PREPARED = 2
"""Levels kept prepared at a time: what one surgeon goes back and forth between, in bounded memory."""

ESTIMATES = 4
"""Exact estimates kept: numbers, removal and picture of one plan are asked for one after the other."""


@dataclass(eq=False)
class Desk:
    """An opened case; its parts may be asked for from any thread."""

    case: Case
    _prepared: Lately[str, PreparedLevel] = field(default_factory=lambda: Lately(PREPARED))
    _estimates: Lately[tuple[Approach, tuple[str, ...]], Estimate] = field(default_factory=lambda: Lately(ESTIMATES))
    frames: Lately[tuple[str, str], bytes] = field(default_factory=lambda: Lately(2 * PREPARED))
    radiographs: Lately[tuple[str, RadiographView], Radiograph] = field(default_factory=lambda: Lately(3 * PREPARED))
    made: Made = field(default_factory=Made)

    def prepared(self, level: str) -> PreparedLevel:
        """The level, made ready for exact estimates once; raises LevelNotInView where there is none."""
        return self._prepared.found(level, lambda: prepared_level(self.case.anatomy, level).ready())

    def exact(self, plan: Approach, task: Sequence[str]) -> Estimate:
        """The estimate of a plan; raises as `estimator.estimate.estimate`."""
        prepared = self.prepared(plan.level)
        return self._estimates.found((plan, tuple(task)), lambda: estimate_of(prepared, plan, task))
