"""Plans like a given one from another pivot: tilted about its docking point, or through another skin entry.

The usual phases are aimed anew from there; further ones keep their tilts and how far their pivot lies from the first.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from canalwise.estimator.approach.approach import Approach, axis_level, tilts_deg
from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.approach.table import pivots_level_mm, table_of
from canalwise.estimator.planning.default_approach import entered_approach
from canalwise.recon.anatomy import Level
from canalwise.recon.grid import Float


@dataclass(frozen=True, eq=False)
class PlanEntry:
    """Where a plan enters, level frame: docking point and the first phase's pivot.

    >>> from canalwise.estimator.approach.approach import Phase
    >>> plan = Approach("L3-L4", "left", (8.0, 12.0, 0.0), 50.0, (Phase("ipsilateral", 20.0),))
    >>> entry = entry_of(plan)
    >>> round(entry.medial_tilt_deg, 6), round(entry.distance_mm, 6)
    (20.0, 50.0)
    """

    plan: Approach
    docking_mm: Float
    pivot_mm: Float

    @property
    def distance_mm(self) -> float:
        """Pivot to docking point.

        >>> PlanEntry(None, np.zeros(3), np.array([0.0, 40.0, 30.0])).distance_mm
        50.0
        """
        return float(np.linalg.norm(self.docking_mm - self.pivot_mm))

    @property
    def medial_tilt_deg(self) -> float:
        """Of the direction from the pivot to the docking point."""
        return tilts_deg(self.plan.side, self.docking_mm - self.pivot_mm)[0]

    @property
    def cranial_tilt_deg(self) -> float:
        """Of the same."""
        return tilts_deg(self.plan.side, self.docking_mm - self.pivot_mm)[1]

    def tilted(self, level: Level, medial_deg: float) -> Approach:
        """The plan with its pivot turned about the docking point to another medial tilt, planned anew."""
        axis = axis_level(self.plan.side, medial_deg, self.cranial_tilt_deg)
        return self._planned(level, self.docking_mm, self.docking_mm - self.distance_mm * axis)

    def through(self, level: Level, entry_mm: Float, docking_mm: Float) -> Approach:
        """The plan through another (3,) entry to a docking point: its pivot lies between both, as far out as now."""
        direction = entry_mm - docking_mm
        length = float(np.linalg.norm(direction))
        return self._planned(level, docking_mm, docking_mm + min(self.distance_mm / length, 1.0) * direction)

    def moved(self, level: Level, shift_mm: Float, channel: Channel) -> Approach:
        """The plan with its pivot (3,) mm elsewhere, with some instrument."""
        other = replace(self, plan=replace(self.plan, channel=channel))
        return other._planned(level, self.docking_mm, self.pivot_mm + shift_mm)

    def _planned(self, level: Level, docking_mm: Float, pivot_mm: Float) -> Approach:
        planned = entered_approach(level, self.plan.side, docking_mm, pivot_mm, self.plan.channel)
        usual = {phase.name for phase in planned.phases}
        return replace(planned, phases=(*planned.phases, *(p for p in self.plan.phases if p.name not in usual)))


def entry_of(plan: Approach) -> PlanEntry:
    """Where a plan enters.

    >>> from canalwise.estimator.approach.approach import Phase
    >>> plan = Approach("L3-L4", "left", (8.0, 12.0, 0.0), 50.0, (Phase("ipsilateral", 0.0),))
    >>> entry_of(plan).pivot_mm.round(6).tolist()
    [8.0, 62.0, 0.0]
    """
    return PlanEntry(plan, np.array(plan.docking_point_mm), pivots_level_mm(table_of([plan]))[0, 0])
