"""The limit that breaks first as the sweep of the channel is widened."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.estimate.estimate import Estimate, estimate_of
from canalwise.estimator.estimate.limit_checks import Verdict, verdicts_of
from canalwise.estimator.limit_rules import rule_of
from canalwise.recon.grid import Float

STEP_DEG = 0.25
"""How finely the sweep at which a limit breaks is known; within a step a margin is taken to run straight."""

WIDEST_DEG = 12.0
"""By so much each phase's half-angle is widened at most: far past what skin and fascia allow (choice)."""

UNDER_DEG = 44.9
"""No sweep is wider (`estimator.approach.approach.Phase`)."""


@dataclass(frozen=True)
class FirstLimit:
    """The verdict's name, and by how much wider a sweep breaks it; 0 where the plan itself breaks it."""

    name: str
    wider_deg: float


def first_limit(estimate: Estimate) -> FirstLimit | None:
    """The first limit to break as every phase's sweep is widened alike; None where none does up to WIDEST_DEG.

    Of those that the plan itself breaks, the one broken by the greatest share of its limit. A wider sweep never takes
    less, so that the sweep is halved toward where the first limit breaks; each one tried is estimated exactly.
    """
    low, below = 0.0, margins_of(estimate)
    if _any_broken(below):
        return first_broken(np.zeros(1), {name: np.array([margin]) for name, margin in below.items()})
    approach = estimate.approach
    high = min(WIDEST_DEG, UNDER_DEG - max(phase.sweep_half_angle_deg for phase in approach.phases))
    above = _widened_margins(estimate, high)
    if not _any_broken(above):
        return None
    while high - low > STEP_DEG:
        middle = (low + high) / 2
        margins = _widened_margins(estimate, middle)
        if _any_broken(margins):
            high, above = middle, margins
        else:
            low, below = middle, margins
    return first_broken(np.array([low, high]), {name: np.array([below[name], above[name]]) for name in below})


def margins_of(estimate: Estimate) -> dict[str, float]:
    """Verdict's name -> by which share of its limit it is kept."""
    return {verdict.name: margin_frac(verdict) for verdict in verdicts_of(estimate)}


def _any_broken(margins: dict[str, float]) -> bool:
    return any(margin < 0 for margin in margins.values())


def _widened_margins(estimate: Estimate, by_deg: float) -> dict[str, float]:
    task = tuple(estimate.task_targets_ras_mm)
    return margins_of(estimate_of(estimate.prepared, _widened(estimate.approach, by_deg), task))


def margin_frac(verdict: Verdict) -> float:
    """By which share of the limit a verdict is kept; negative broken, NaN not measured.

    >>> margin_frac(Verdict("spinous base undercut", 0.25, 0.5, "fraction", True, "", "MEM"))
    0.5
    """
    if verdict.met is None:
        return float("nan")
    share = (verdict.value - verdict.limit) / max(abs(verdict.limit), 1e-9)
    # what is kept because nothing was taken from it may measure less than the limit
    return abs(share) * (1 if verdict.met else -1) if _within(verdict) else 0.0


def _within(verdict: Verdict) -> bool:
    """Does the number stand on the side of the limit that the verdict tells?"""
    return verdict.met == bool(rule_of(verdict.name).kept(verdict.value, verdict.limit))


def first_broken(wider_deg: Float, margins: dict[str, Float]) -> FirstLimit | None:
    """The limit whose margin first falls below zero along rising sweeps; NaN margins were not measured.

    Parameters
    ----------
    wider_deg : (K,) array, rising, added to every phase's half-angle of sweep
    margins : name of a limit -> (K,) array, by which share of it that sweep keeps it

    >>> first_broken(np.array([0.0, 1.0, 2.0]), {"a": np.array([1.0, 0.5, -0.5]), "b": np.array([1.0, 1.0, -1.0])})
    FirstLimit(name='a', wider_deg=1.5)
    """
    if at_once := {name: float(margin[0]) for name, margin in margins.items() if margin[0] < 0}:
        return FirstLimit(min(at_once, key=lambda name: at_once[name]), 0.0)
    found = [FirstLimit(name, _crossing(wider_deg, margin)) for name, margin in margins.items() if np.any(margin < 0)]
    return min(found, key=lambda limit: limit.wider_deg, default=None)


def _crossing(wider_deg: Float, margin: Float) -> float:
    """Where a margin first falls through zero, which it does, but not at once."""
    at = int(np.flatnonzero(margin < 0)[0])
    share = margin[at - 1] / (margin[at - 1] - margin[at])
    return float(wider_deg[at - 1] + share * (wider_deg[at] - wider_deg[at - 1]))


def _widened(approach: Approach, by_deg: float) -> Approach:
    phases = (replace(p, sweep_half_angle_deg=p.sweep_half_angle_deg + by_deg) for p in approach.phases)
    return replace(approach, phases=tuple(phases))
