"""All that an approach comes to when it is used to free a level, of one plan or of many.

A `DecompressedLevel` holds every line that could be gone, some megabytes; of many plans only the numbers are kept.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.geometry.region_protocol import Region
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.outcome.cost import cost_of_resection
from canalwise.estimator.outcome.freed import far_reach, freed_by
from canalwise.estimator.outcome.outcome_values import (
    DecompressionVerdict,
    FarReach,
    Freed,
    LimitCheck,
    ResectionCost,
)
from canalwise.estimator.outcome.plan_values import PlanNumbers, numbers_from
from canalwise.estimator.outcome.steps import Step, steps_of
from canalwise.estimator.outcome.verdict import limit_checks, verdict_of
from canalwise.estimator.removal.bone_removal import Removal
from canalwise.estimator.removal.facet_preservation import facet_kept
from canalwise.estimator.resection.resection import least_weighted_mm3, resection_level_of, resection_of
from canalwise.estimator.resection.resection_level import Resection, ResectionLevel
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.parallel import WORKERS


@dataclass(frozen=True, eq=False)
class DecompressedLevel:
    """An approach's resection and what it comes to; each part is found when first needed."""

    prepared: PreparedLevel
    resection: Resection

    @cached_property
    def freed(self) -> Freed:
        """Freed areas and shares."""
        return freed_by(self.resection)

    @cached_property
    def reach(self) -> FarReach:
        """Farthest tissue taken across the midline."""
        return far_reach(self.resection)

    @cached_property
    def cost(self) -> ResectionCost:
        """Bone taken and structures kept."""
        return cost_of_resection(self.prepared, self.resection)

    @cached_property
    def steps(self) -> tuple[Step, ...]:
        """In the order of the operation."""
        return steps_of(self.resection)

    @cached_property
    def checks(self) -> tuple[LimitCheck, ...]:
        """Every limit held against it."""
        return limit_checks(self.resection, self.cost, self.prepared.limits)

    @cached_property
    def numbers(self) -> PlanNumbers:
        """The same as plain numbers, which many plans can be ranked, drawn and written by."""
        weighted_mm3, reach_mm = self.resection.weighted_mm3, self.reach.lateral_mm
        return numbers_from(self.verdict, self.checks, weighted_mm3, self.cost, self.freed, reach_mm)

    @cached_property
    def least_weighted_mm3(self) -> float:
        """Lower bound of the weighted bone; it takes longer than the resection itself."""
        return least_weighted_mm3(self.resection)

    @property
    def gap_to_bound_frac(self) -> float:
        """By how much the weighted bone exceeds its lower bound, as a share of itself; 0 where none is taken."""
        weighted_mm3 = self.resection.weighted_mm3
        return max(0.0, 1.0 - self.least_weighted_mm3 / weighted_mm3) if weighted_mm3 > 0 else 0.0

    def settled(self) -> DecompressedLevel:
        """The same with its lower bound worked out, and without all lines' tunnels: half of its memory."""
        light = replace(self, resection=self.resection.without_tunnels())
        vars(light)["least_weighted_mm3"] = self.least_weighted_mm3
        return light

    def cost_with(self, removal: Removal, region: Region) -> ResectionCost:
        """Bone taken and structures kept if `removal` were carried out instead, as with other levels' beside its own.

        Joint surfaces are counted in `region`; contact along the path is this approach's own.
        """
        prepared, level = self.prepared, self.prepared.level
        cost = cost_of_resection(prepared, replace(self.resection, removal=removal), with_contact=False)
        facets = {s: facet_kept(level, s, region, removal, prepared.faces[s]) for s in prepared.resolved_joints}
        return replace(cost, facets=facets, contact_mm3=self.cost.contact_mm3)

    def checks_of(self, cost: ResectionCost) -> tuple[LimitCheck, ...]:
        """Every limit held against a cost."""
        return limit_checks(self.resection, cost, self.prepared.limits)

    @cached_property
    def verdict(self) -> DecompressionVerdict:
        """Freed and kept."""
        return verdict_of(self.resection, self.freed, self.checks)


def decompressed(prepared: PreparedLevel, approach: Approach, at: ResectionLevel | None = None) -> DecompressedLevel:
    """An approach's resection at a prepared level and its outcome.

    Parameters
    ----------
    at : the level made ready for another breadth, other rules or an edited set; the usual one where left out

    Raises
    ------
    AnatomyNotFound : no dural sac or no ligament there
    """
    return DecompressedLevel(prepared, resection_of(at or resection_level_of(prepared), approach))


def decompressed_or_none(prepared: PreparedLevel, approach: Approach) -> DecompressedLevel | None:
    """As `decompressed`; None at a level of which that cannot be said."""
    try:
        return decompressed(prepared, approach)
    except AnatomyNotFound:
        return None


def numbers_of_plans(
    prepared: PreparedLevel, plans: Sequence[Approach], at: ResectionLevel | None = None
) -> Iterator[PlanNumbers]:
    """The numbers of plans of one level, in their order, several processors at work.

    Raises
    ------
    AnatomyNotFound : no dural sac or no ligament there
    """
    ready = at or resection_level_of(prepared)
    if len(plans) > 1:
        yield decompressed(prepared, plans[0], ready).numbers  # finds what all plans share, before threads ask
        plans = plans[1:]
    with ThreadPoolExecutor(WORKERS) as pool:
        yield from pool.map(lambda plan: decompressed(prepared, plan, ready).numbers, plans)
