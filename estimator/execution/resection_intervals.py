"""A resection's numbers with 95 % intervals, and how likely it frees enough and keeps every limit.

Seeded execution errors are simulated (`executed_resection`), each worked out exactly and in full; borders that cannot
be shifted sample by sample join as independent normal noise (`border_causes`). Every sample is drawn in to what the
numbers can be, so intervals are as lopsided as the samples are, and hold the plan's own number.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from canalwise.estimator.execution.border_causes import border_causes
from canalwise.estimator.execution.executed_resection import NORMALS, displacement_of, executed_resection
from canalwise.estimator.execution.resection_numbers import FREED, Bounds, WorkedOut, bounds_of, numbers_of
from canalwise.estimator.execution.uncertainty_values import (
    EXECUTION,
    EachExecution,
    ExecutionTrial,
    ResectionChances,
    ResectionIntervals,
)
from canalwise.estimator.interval import ENDS, Interval
from canalwise.estimator.outcome.cost import cost_of_resection
from canalwise.estimator.outcome.freed import far_reach, freed_by
from canalwise.estimator.outcome.outcome_values import LimitCheck
from canalwise.estimator.outcome.verdict import all_measured, filled_by_unknown, limit_checks
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Mask
from canalwise.recon.parallel import side_by_side

STILL = 1e-9
"""A spread below this is none."""


@dataclass(frozen=True, eq=False)
class _Sample:
    numbers: Mapping[str, float]
    checks: tuple[LimitCheck, ...]


def resection_intervals(
    found: WorkedOut, trial: ExecutionTrial | None = None, each: EachExecution = lambda: None
) -> ResectionIntervals:
    """Intervals and chances of what an approach comes to.

    `each` is called before every execution is worked out; what it raises ends the trial and is raised here.
    """
    trial = trial or ExecutionTrial()
    samples, own = _samples(found, trial, each), numbers_of(found.cost, found.freed, found.reach)
    bounds = bounds_of(found)
    borders = {name: causes for name, causes in border_causes(found).items() if name in own}
    noise = _noise(own, borders, trial)
    drawn = {name: _disturbed(name, samples, own[name], noise, bounds[name]) for name in own}
    intervals = {
        name: _interval(
            own[name],
            [s.numbers.get(name, own[name]) for s in samples],
            drawn[name],
            borders.get(name, {}),
            bounds[name],
        )
        for name in own
    }
    return ResectionIntervals(intervals, _chances(found, samples, drawn, noise), trial)


def _samples(found: WorkedOut, trial: ExecutionTrial, each: EachExecution) -> list[_Sample]:
    """What each simulated execution comes to: the plan itself, not worked out again, where all errors are nil."""
    normals = np.random.default_rng(trial.seed).standard_normal((trial.samples, NORMALS))
    if all(record.value == 0 for record in trial.errors.records.values()):
        plan = _Sample(numbers_of(found.cost, found.freed, found.reach), found.checks)
        return [plan] * trial.samples
    approach, prepared = found.resection.approach, found.prepared
    # read once, before several threads ask for them
    _ = prepared.pars_and_base_samples, prepared.faces, found.freed

    def one(row: Float) -> _Sample:
        each()
        executed = executed_resection(found.resection, displacement_of(approach, trial.errors, row))
        cost = cost_of_resection(prepared, executed, with_contact=False)
        numbers = numbers_of(cost, freed_by(executed), far_reach(executed))
        return _Sample(numbers, limit_checks(executed, cost, prepared.limits))

    return list(side_by_side(one, normals))


def _noise(
    own: Mapping[str, float], borders: Mapping[str, Mapping[str, float]], trial: ExecutionTrial
) -> dict[str, Float]:
    """Name -> (N,) array: what borders add to each sample."""
    # a stream of its own: what borders add does not depend on how many numbers an execution draws
    rng = np.random.default_rng([trial.seed, 1])
    drawn = dict(zip(own, rng.standard_normal((len(own), trial.samples)), strict=True))
    sds = {name: float(np.linalg.norm(list(borders.get(name, {}).values()))) for name in own}
    return {name: sds[name] * drawn[name] for name in own}


def _disturbed(name: str, samples: list[_Sample], own: float, noise: Mapping[str, Float], bounds: Bounds) -> Float:
    """(N,) array: a number of every sample, borders included."""
    values = np.array([sample.numbers.get(name, own) for sample in samples]) + noise[name]
    return np.asarray(np.clip(values, *bounds))


def _interval(
    value: float, by_execution: list[float], drawn: Float, borders: Mapping[str, float], bounds: Bounds
) -> Interval:
    """The interval of one number; without causes where it is not a number or nothing moves it."""
    executed = float(np.sqrt(np.mean((np.array(by_execution) - value) ** 2)))
    causes = {cause: sd for cause, sd in borders.items() if sd > STILL} | (
        {EXECUTION: executed} if executed > STILL else {}
    )
    if np.isnan(value) or not causes:
        return Interval(value, {}, *bounds)
    # between the r-th least and greatest of N lie 1 - 2 r / (N + 1) of further draws: plotting positions of Weibull
    low, high = np.quantile(drawn, ENDS, method="weibull")
    return Interval(value, causes, *bounds, (min(float(low) - value, 0.0), max(float(high) - value, 0.0)))


def _chances(
    found: WorkedOut, samples: list[_Sample], drawn: Mapping[str, Float], noise: Mapping[str, Float]
) -> ResectionChances:
    enough = found.resection.at.rules.value("freed_enough_frac")
    pressed = [side for side in SIDES if not np.isnan(found.freed.by_side[side])]
    freed: Mask = np.ones(len(samples), dtype=bool)
    for side in pressed:
        freed &= drawn[f"{side} {FREED}"] >= enough
    # a plan is no likelier to free what nobody has seen than its verdict says
    freed &= not filled_by_unknown(found.freed.areas, found.freed.sac_seen)
    limits = {check.name: _limit_kept(n, check, samples, noise) for n, check in enumerate(found.checks)}
    known = [flags for flags in limits.values() if flags is not None]
    kept = np.all(known, axis=0) if known else np.ones(len(samples), dtype=bool)
    measured = all_measured(found.checks)
    return ResectionChances(
        float(freed.mean()),
        float(kept.mean()) if measured else None,
        float((freed & kept).mean()) if measured else None,
        {name: None if flags is None else float(flags.mean()) for name, flags in limits.items()},
        len(samples),
    )


def _limit_kept(n: int, plan: LimitCheck, samples: list[_Sample], noise: Mapping[str, Float]) -> Mask | None:
    """(N,) array: does each sample keep the n-th limit? None where its number could not be measured."""
    if plan.met is None:
        return None
    checks = [sample.checks[n] for sample in samples]
    values = np.array([check.value for check in checks]) + noise.get(plan.quantity, np.zeros(len(samples)))
    untouched = np.array([check.untouched for check in checks])
    return np.asarray(plan.rule.kept(values, plan.limit.value) | untouched)
