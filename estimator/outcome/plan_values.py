"""What a plan comes to as plain numbers, which many plans can be ranked, drawn and written by."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from canalwise.estimator.outcome.outcome_values import DecompressionVerdict, Freed, LimitCheck, ResectionCost
from canalwise.recon.labels import SIDES, Side

AREAS = ("before", "needed", "after")


@dataclass(frozen=True, eq=False)
class PlanNumbers:
    """What an approach, or two, frees, takes and keeps; sides are the patient's.

    Parameters
    ----------
    verdict, checks : freed and kept, and every limit held against it
    weighted_mm3 : bone at its price; NaN for what was not chosen by price
    bone_mm3, by_structure_mm3 : bone taken
    facet_area_frac, facet_width_frac, pars_mm : side -> what stays; joints not in view are missing
    bridge_mm, undercut_frac : of the spinous base
    lateral_mm, contact_mm3 : farthest bone taken from the midline, and spinous process pressed on
    freed_frac, freed_by_side : share of what presses that is freed, NaN where nothing presses
    least_area_mm2, at_disc_area_mm2 : 'before', 'needed', 'after' -> free canal, its least and at the disc
    reach_mm : how far across tissue is taken; NaN where there is no far side
    """

    verdict: DecompressionVerdict
    checks: tuple[LimitCheck, ...]
    weighted_mm3: float
    bone_mm3: float
    by_structure_mm3: Mapping[str, float]
    facet_area_frac: Mapping[Side, float]
    facet_width_frac: Mapping[Side, float]
    pars_mm: Mapping[Side, float]
    bridge_mm: float
    undercut_frac: float
    lateral_mm: float
    contact_mm3: float
    freed_frac: float
    freed_by_side: Mapping[Side, float]
    least_area_mm2: Mapping[str, float]
    at_disc_area_mm2: Mapping[str, float]
    reach_mm: float

    @property
    def broken(self) -> tuple[str, ...]:
        """Names of the limits that are not kept."""
        return tuple(check.name for check in self.checks if check.met is False)

    @property
    def good(self) -> bool:
        """Freed and kept?"""
        return self.verdict.freed and self.verdict.kept

    @property
    def least_freed_frac(self) -> float:
        """Share freed on the side that is freed less; 1 where nothing presses."""
        return float(np.nan_to_num([*self.freed_by_side.values()], nan=1.0).min())

    @property
    def least_facet_frac(self) -> float:
        """The least that stays of a joint, surface or width, either side; 1 where none is in view."""
        shares = [*self.facet_area_frac.values(), *self.facet_width_frac.values()]
        return float(np.nan_to_num(shares, nan=1.0).min(initial=1.0))


def rank_of(numbers: PlanNumbers) -> tuple[int, float, float]:
    """Better plans come first: freed and kept by least weighted bone; then kept, by most freed; then the others.

    Of those that break limits what breaks fewest comes first, then what frees most: a plan within limits that frees
    too little says what can be had.
    """
    if numbers.good:
        return (0, numbers.weighted_mm3, 0.0)
    return (1 + len(numbers.broken), -numbers.least_freed_frac, numbers.weighted_mm3)


def numbers_from(
    verdict: DecompressionVerdict,
    checks: tuple[LimitCheck, ...],
    weighted_mm3: float,
    cost: ResectionCost,
    freed: Freed,
    reach_mm: float = float("nan"),
) -> PlanNumbers:
    """The numbers of any access."""
    areas = freed.areas
    curves = dict(zip(AREAS, (areas.before_mm2, areas.needed_mm2, areas.after_mm2), strict=True))
    return PlanNumbers(
        verdict,
        checks,
        weighted_mm3,
        cost.total_mm3,
        cost.by_structure_mm3,
        {side: kept.area_frac for side, kept in cost.facets.items()},
        {side: kept.width_frac for side, kept in cost.facets.items()},
        {side: cost.pars[side].residual_mm for side in SIDES},
        cost.base.bridge_mm,
        cost.base.undercut_frac,
        cost.lateral_mm,
        cost.contact_mm3,
        freed.share,
        dict(freed.by_side),
        {name: float(curve.min()) for name, curve in curves.items()},
        {name: float(curve[freed.at_disc]) for name, curve in curves.items()},
        reach_mm,
    )
