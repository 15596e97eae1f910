"""One skin entry for two neighbouring levels, where it serves.

The channel's pivot, where skin and fascia hold it, is looked for between the two levels' own pivots: along the line
that joins them and lateral of it. From each candidate the channel is aimed at either level's docking point, and the
resection of both is worked out on the coarse lattice; a candidate serves where both levels are freed on both sides and
the channel leans no further than its bounds. Of those that serve the one of least weighted bone is taken; where none
does, the one whose worst side is freed most. A lattice first, then ever smaller steps about the best.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from canalwise.estimator.approach.approach import Approach, axis_level, other_side, placed_phases, tilts_deg
from canalwise.estimator.planning.default_approach import (
    FAR_PIVOT_SHIFT_MM,
    SWEEP_DEG,
    depths_mm,
    middle_mm,
    recess_mm,
    turned_to_hold,
)
from canalwise.estimator.resection.coarse import coarse_resections
from canalwise.estimator.resection.resection_level import ResectionLevel
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Float, triple

ALONG = (0.2, 0.35, 0.5, 0.65, 0.8)
"""Where the lattice's candidates lie between the cranial level's own pivot and the caudal one's."""

LATERAL_MM = (-6.0, 0.0, 6.0)
"""And how far lateral of the line between them, toward the side of the approach."""

STEPS = ((0.075, 3.0), (0.0375, 1.5))
"""Along and lateral steps of the rounds about the best (choice)."""


@dataclass(frozen=True)
class EntryCandidate:
    """A pivot for two levels.

    Parameters
    ----------
    along : 0 at the cranial level's own pivot, 1 at the caudal one's
    lateral_mm : of the line between them
    plans : for the cranial and the caudal level
    weighted_mm3 : bone of both at its price, coarsely
    worst_freed_frac : the least share freed of either level and side, coarsely
    leans_deg : the greatest tilt along the spine of the two
    serves : are both levels freed, and no bound passed?
    """

    along: float
    lateral_mm: float
    plans: tuple[Approach, Approach]
    weighted_mm3: float
    worst_freed_frac: float
    leans_deg: float
    serves: bool

    @property
    def rank(self) -> tuple[bool, float, float]:
        """Less is better."""
        return (not self.serves, self.weighted_mm3 if self.serves else -self.worst_freed_frac, abs(self.lateral_mm))


@dataclass(frozen=True, eq=False)
class SharedEntry:
    """The best candidate, and how many were looked at."""

    best: EntryCandidate
    looked_at: int


def shared_entry(levels: Sequence[ResectionLevel], own: Sequence[Approach]) -> SharedEntry:
    """One entry for two neighbouring levels approached from one side.

    Parameters
    ----------
    levels : the cranial and the caudal one
    own : the plan of each from an entry of its own

    Raises
    ------
    WrongUse : levels that are no neighbours, or plans from different sides
    """
    check_neighbours(levels, own)
    seen: dict[tuple[float, float], EntryCandidate] = {}

    def best_of(places: Iterator[tuple[float, float]]) -> EntryCandidate:
        for place in places:
            if place not in seen:
                seen[place] = candidate_at(levels, own, *place)
        return min(seen.values(), key=lambda one: one.rank)

    best = best_of((along, lateral) for along in ALONG for lateral in LATERAL_MM)
    for along_step, lateral_step in STEPS:
        best = best_of(_about(best, along_step, lateral_step))
    return SharedEntry(best, len(seen))


def check_neighbours(levels: Sequence[ResectionLevel], own: Sequence[Approach]) -> None:
    """Refuses what cannot share an entry."""
    if len(levels) != 2 or levels[0].level.lower != levels[1].level.upper:
        got = ", ".join(at.level.name for at in levels)
        raise WrongUse("a shared entry", "must be for two neighbouring levels, cranial to caudal", got=got)
    if own[0].side != own[1].side:
        raise WrongUse("a shared entry", "must be on one side", got=", ".join(plan.side for plan in own))


def _about(best: EntryCandidate, along_step: float, lateral_step: float) -> Iterator[tuple[float, float]]:
    for a in (-1, 0, 1):
        for b in (-1, 0, 1):
            yield min(max(best.along + a * along_step, 0.0), 1.0), best.lateral_mm + b * lateral_step


def candidate_at(
    levels: Sequence[ResectionLevel], own: Sequence[Approach], along: float, lateral_mm: float
) -> EntryCandidate:
    """The candidate at one place: plans from it, and what they free and take coarsely."""
    pivot = pivot_ras_mm(levels, own, along, lateral_mm)
    plans = [approach_from(at, plan, pivot) for at, plan in zip(levels, own, strict=True)]
    found = [coarse_resections(at, [plan]) for at, plan in zip(levels, plans, strict=True)]
    worst = min(float(one.freed_frac[side][0]) for one in found for side in one.freed_frac)
    leans = max(abs(plan.phases[0].cranial_tilt_deg) for plan in plans)
    rules = levels[0].rules
    serves = worst >= rules.value("freed_enough_frac") and leans <= rules.value("greatest_cranial_tilt_deg")
    weighted = float(sum(one.weighted_mm3[0] for one in found))
    return EntryCandidate(along, lateral_mm, (plans[0], plans[1]), weighted, worst, leans, serves)


def pivot_ras_mm(levels: Sequence[ResectionLevel], own: Sequence[Approach], along: float, lateral_mm: float) -> Float:
    """(3,) array, RAS: a place between the pivots of two plans, shifted lateral toward their side."""
    ends = [placed_phases(plan, at.level.frame)[0].pivot_ras_mm for at, plan in zip(levels, own, strict=True)]
    sign = 1.0 if own[0].side == "left" else -1.0
    lateral = [at.level.frame.direction_ras(np.array([sign, 0.0, 0.0])) for at in levels]
    aside = (1 - along) * lateral[0] + along * lateral[1]
    return np.asarray((1 - along) * ends[0] + along * ends[1] + lateral_mm * aside / np.linalg.norm(aside))


def approach_from(at: ResectionLevel, plan: Approach, pivot_ras: Float) -> Approach:
    """A plan of the same level, docking point and instrument, its phases aimed anew from another pivot.

    `pivot_ras` (3,) array, RAS mm.
    """
    level, docking = at.level, np.array(plan.docking_point_mm)
    pivot = level.frame.to_level_mm(pivot_ras)
    far_side = other_side(plan.side)
    distance = float(np.linalg.norm(docking - pivot))
    sign = 1.0 if plan.side == "left" else -1.0
    far_pivot = pivot + np.array([sign * FAR_PIVOT_SHIFT_MM, 0.0, 0.0])
    aims: list[tuple[Float, Callable[[], Float]]] = [
        (pivot, lambda: docking - pivot),
        (far_pivot, lambda: turned_to_hold(middle_mm(level, far_side) - far_pivot,
                                           recess_mm(level, far_side) - far_pivot, SWEEP_DEG)),
    ]  # fmt: skip
    phases = []
    for phase, (start, aim), side in zip(plan.phases[:2], aims, (plan.side, far_side), strict=False):
        medial, cranial = tilts_deg(plan.side, aim())
        axis = axis_level(plan.side, medial, cranial)
        sleeve, tip = depths_mm(level, side, start, axis, plan.channel.working_distance_mm, distance)
        phases.append(
            replace(
                phase,
                medial_tilt_deg=medial,
                cranial_tilt_deg=cranial,
                sleeve_past_lamina_mm=float(sleeve),
                tip_past_lamina_mm=float(tip),
                pivot_shift_mm=triple(start - pivot),
            )
        )
    return replace(plan, pivot_distance_mm=distance, phases=tuple(phases))
