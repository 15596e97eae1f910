"""Probability that an approach, executed with errors on borders known from a scan, keeps each limit and its targets.

Each sample of the whole sweep is held against the limits and the wanted targets, centred on the exact estimate.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from canalwise.estimator.approach.approach import other_side
from canalwise.estimator.batch.outcomes_by_relation import ENOUGH_FRAC, USUAL_WANTED
from canalwise.estimator.estimate.estimate import Estimate
from canalwise.estimator.estimate.limit_checks import Verdict, verdicts_of
from canalwise.estimator.estimate.monte_carlo import SampledChanges
from canalwise.estimator.level.target_names import FROM_TARGETS, MIDLINE, NAMES
from canalwise.estimator.limit_rules import FACET_AREA, FACET_WIDTH, PARS, is_across, rule_of
from canalwise.recon.labels import Mask, Side


@dataclass(frozen=True)
class Chances:
    """Probabilities, 0 to 1, as shares of the samples.

    Parameters
    ----------
    limits : verdict's name -> chance that it is kept; None where its number could not be measured
    targets : name of a requested set -> chance that `enough_frac` of it is touched; None where not in view
    wanted : the sets that count in `all_targets`
    all_limits, all_targets, all : together in one sample; None where one of them is not known
    """

    limits: Mapping[str, float | None]
    targets: Mapping[str, float | None]
    wanted: tuple[str, ...]
    enough_frac: float
    all_limits: float | None
    all_targets: float | None
    all: float | None


@dataclass(frozen=True, eq=False)
class Successes:
    """Success of each sample, (N,) arrays; names and None as in `Chances`."""

    limits: Mapping[str, Mask | None]
    targets: Mapping[str, Mask | None]
    wanted: tuple[str, ...]

    @property
    def all_limits(self) -> Mask | None:
        """(N,) array: all limits together; None where what is left of a joint is not known.

        Any other number that is nowhere to be measured belongs to bone that is not there and cannot be broken.
        """
        if any(flags is None and rule_of(name) in (FACET_AREA, FACET_WIDTH) for name, flags in self.limits.items()):
            return None
        return _together([flags for flags in self.limits.values() if flags is not None])

    @property
    def all_targets(self) -> Mask | None:
        """(N,) array: all that is wanted together; a target that is not in view cannot be reached."""
        wanted = [self.targets[name] for name in self.wanted]
        return None if any(flags is None for flags in wanted) else _together(wanted)

    @property
    def all(self) -> Mask | None:
        """(N,) array: both together; None where either is not known."""
        kept, reached = self.all_limits, self.all_targets
        return None if kept is None or reached is None else kept & reached


def successes_of(estimate: Estimate, spread: SampledChanges, wanted: Sequence[str] | None = None) -> Successes:
    """Success of each sample of an estimate by limit and by target.

    `wanted` : of the requested sets, those that count together; as `wanted_of` them where left out.
    """
    limits = {verdict.name: _kept(estimate, verdict, spread) for verdict in verdicts_of(estimate)}
    targets = {name: _reached(estimate, name, spread) for name in estimate.task_targets_ras_mm}
    return Successes(limits, targets, wanted_of(tuple(targets)) if wanted is None else tuple(wanted))


def chances_of(estimate: Estimate, spread: SampledChanges) -> Chances:
    """The chances of an estimate from its samples."""
    found = successes_of(estimate, spread)
    return Chances(
        {name: _share(flags) for name, flags in found.limits.items()},
        {name: _share(flags) for name, flags in found.targets.items()},
        found.wanted,
        ENOUGH_FRAC,
        _share(found.all_limits),
        _share(found.all_targets),
        _share(found.all),
    )


def wanted_of(requested: Sequence[str]) -> tuple[str, ...]:
    """Sets that must be reached: the requested ones; where nothing was chosen, what the operation is made for.

    >>> wanted_of(NAMES), wanted_of(["roof"])
    (('ipsilateral recess', 'contralateral recess'), ('roof',))
    """
    return USUAL_WANTED if tuple(requested) == NAMES else tuple(requested)


def _kept(estimate: Estimate, verdict: Verdict, spread: SampledChanges) -> Mask | None:
    """(N,) array: is the limit kept in each sample? None where its number could not be measured."""
    rule, side = rule_of(verdict.name), _side(estimate, is_across(verdict.name))
    name = f"{side} {rule.quantity}" if rule.both_sides else rule.quantity
    if verdict.met is None or name not in spread.change or np.isnan(spread.change[name]).any():
        return None
    kept = rule.kept(verdict.value + spread.change[name], verdict.limit)
    # as in the verdicts: a pars that was thin before and loses nothing is the patient's, not the plan's
    return kept | spread.pars_untouched[side] if rule is PARS else kept


def _reached(estimate: Estimate, name: str, spread: SampledChanges) -> Mask | None:
    """(N,) array: is enough of the set touched in each sample? None for sets that the samples do not hold."""
    sampled = sampled_name(estimate, name)
    if sampled not in spread.change:
        return None
    share = estimate.task_reached_frac[name] + spread.change[sampled]
    return None if np.isnan(share).any() else np.asarray(share >= ENOUGH_FRAC - SHARE_TOL)


def sampled_name(estimate: Estimate, name: str) -> str:
    """Name of a set of the task among the samples, which know the patient's sides only."""
    across, which = FROM_TARGETS.get(name, (False, name))
    return name if name in MIDLINE else f"{_side(estimate, across)} {which}"


SHARE_TOL = 1e-9
"""Rounding of a share of points."""


def _side(estimate: Estimate, across: bool) -> Side:
    side = estimate.approach.side
    return other_side(side) if across else side


def _together(flags: Sequence[Mask | None]) -> Mask | None:
    known = [each for each in flags if each is not None]
    return np.asarray(np.all(known, axis=0)) if known else None


def _share(flags: Mask | None) -> float | None:
    return None if flags is None else float(flags.mean())
