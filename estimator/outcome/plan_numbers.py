"""The numbers of plans of one level.

A `DecompressedLevel` holds every line that could be gone, some megabytes; of many plans only the numbers are kept.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.outcome.decompressed import DecompressedLevel, decompressed
from canalwise.estimator.outcome.plan_values import PlanNumbers, numbers_from
from canalwise.estimator.resection.resection import resection_level_of
from canalwise.estimator.resection.resection_level import ResectionLevel
from canalwise.recon.parallel import WORKERS


def plan_numbers(found: DecompressedLevel) -> PlanNumbers:
    """The numbers of one plan."""
    costs, reach = found.cost, found.reach.lateral_mm
    return numbers_from(found.verdict, found.checks, found.resection.weighted_mm3, costs, found.freed, reach)


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
        yield plan_numbers(decompressed(prepared, plans[0], ready))  # finds what all plans share, before threads ask
        plans = plans[1:]
    with ThreadPoolExecutor(WORKERS) as pool:
        yield from pool.map(lambda plan: plan_numbers(decompressed(prepared, plan, ready)), plans)
