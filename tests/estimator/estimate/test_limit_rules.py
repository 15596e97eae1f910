"""The table of limit rules: from which side each is kept, the worse removal counts, and no name passes unknown."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from canalwise.estimator.batch.outcomes_by_relation import ENOUGH_FRAC
from canalwise.estimator.estimate.estimate import Cost, Estimate, estimate
from canalwise.estimator.estimate.limit_checks import limits_broken, verdicts_of, warnings_of
from canalwise.estimator.estimate.monte_carlo import SampledChanges
from canalwise.estimator.estimate.probabilities import sampled_name, successes_of
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.limit_rules import OF_BOTH_SIDES, OF_THE_MIDLINE, rule_of
from canalwise.estimator.limits import DEFAULTS, Limits
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.estimator.removal.bone_removal import farthest_taken_mm
from canalwise.recon.errors import WrongUse
from canalwise.recon.labels import Side
from tests.workbench import toy

RULES = (*OF_BOTH_SIDES, *OF_THE_MIDLINE)
LOWER_LIMITS = {"facet_area_kept_frac", "facet_width_kept_frac", "pars_residual_mm", "spinous_bridge_mm"}
UPPER_LIMITS = {"spinous_undercut_frac", "lateral_removal_mm"}
"""What must stay, and what may be taken at most (common practice, no source; half of the joint: Britspine 2010)."""


@cache
def found() -> Estimate:
    return estimate(toy.anatomy(), default_approach(toy.anatomy(), "L3-L4", "left"))


def under(exact: Estimate, **limits: float) -> Estimate:
    """The estimate held against other limits."""
    prepared = PreparedLevel(exact.anatomy, exact.level, Limits().changed(**limits))
    return replace(exact, prepared=prepared)


def value_of(exact: Estimate, check: str) -> float:
    return next(verdict.value for verdict in verdicts_of(exact) if verdict.name == check)


def untouched(count: int) -> dict[Side, np.ndarray]:
    return {"left": np.zeros(count, bool), "right": np.zeros(count, bool)}


def test_what_must_stay_has_a_least_and_what_may_go_a_greatest_limit() -> None:
    assert {rule.limit for rule in RULES if rule.direction == "at least"} == LOWER_LIMITS
    assert {rule.limit for rule in RULES if rule.direction == "at most"} == UPPER_LIMITS
    assert {name for name in DEFAULTS if not name.startswith("sac_")} == LOWER_LIMITS | UPPER_LIMITS


def test_an_unknown_check_is_refused_and_not_left_unguarded() -> None:
    for name in (
        "pars width",
        "left pars width remaining",
        "ipsilateral spinous base undercut",
        "bone taken from the midline",
    ):
        with pytest.raises(WrongUse, match="a limit check"):
            rule_of(name)


@pytest.mark.parametrize(
    ("check", "limit", "sampled", "kept"),
    [
        ("spinous base undercut", "spinous_undercut_frac", "undercut_frac", [True, True, False]),
        ("farthest bone taken from the midline", "lateral_removal_mm", "lateral_removal_mm", [True, True, False]),
        ("spinous base bridge remaining", "spinous_bridge_mm", "bridge_mm", [False, True, True]),
        ("ipsilateral facet area kept", "facet_area_kept_frac", "left area_frac", [False, True, True]),
        ("contralateral facet width kept", "facet_width_kept_frac", "right width_frac", [False, True, True]),
    ],
)
def test_samples_on_either_side_of_a_limit(check: str, limit: str, sampled: str, kept: list[bool]) -> None:
    """A number that sits on its limit keeps it; less breaks what must stay, more breaks what may go."""
    exact = under(found(), **{limit: value_of(found(), check)})
    spread = SampledChanges({sampled: np.array([-0.01, 0.0, 0.01])}, {}, untouched(3))
    flags = successes_of(exact, spread).limits[check]
    assert flags is not None
    assert flags.tolist() == kept


def test_a_sample_that_touches_more_reaches_and_one_that_touches_less_does_not() -> None:
    exact = found()
    name, share = next((n, s) for n, s in exact.task_reached_frac.items() if s == s)
    changes = np.array([ENOUGH_FRAC + 0.05 - share, ENOUGH_FRAC - 0.05 - share])
    spread = SampledChanges({sampled_name(exact, name): changes}, {}, untouched(2))
    flags = successes_of(exact, spread).targets[name]
    assert flags is not None
    assert flags.tolist() == [True, False]


def with_base(cost: Cost, undercut_frac: float, bridge_mm: float) -> Cost:
    return replace(cost, spinous_base=replace(cost.spinous_base, undercut_frac=undercut_frac, bridge_mm=bridge_mm))


def with_joints(cost: Cost, area_frac: float, width_frac: float) -> Cost:
    joints = {s: replace(kept, area_frac=area_frac, width_frac=width_frac) for s, kept in cost.facets.items()}
    return replace(cost, facets=joints)


@pytest.mark.parametrize("swapped", [False, True])
def test_the_worse_of_both_removals_is_held_against_the_limit(swapped: bool) -> None:
    cone, task = with_base(found().cone, 0.3, 2.0), with_base(found().task, 0.6, 7.0)
    cone, task = with_joints(cone, 0.9, 0.2), with_joints(task, 0.4, 0.8)
    both = replace(found(), cone=task, task=cone) if swapped else replace(found(), cone=cone, task=task)
    values = {verdict.name: verdict.value for verdict in verdicts_of(both)}
    assert values["spinous base undercut"] == 0.6
    assert values["spinous base bridge remaining"] == 2.0
    for relation in ("ipsilateral", "contralateral"):
        assert values[f"{relation} facet area kept"] == 0.4
        assert values[f"{relation} facet width kept"] == 0.2


def test_broken_are_the_limits_whose_verdict_says_no() -> None:
    loose, tight = (under(found(), spinous_undercut_frac=limit) for limit in (1.0, 0.0))
    assert value_of(found(), "spinous base undercut") > 0
    assert "spinous base undercut" in limits_broken(tight)
    assert "spinous base undercut" not in limits_broken(loose)
    assert limits_broken(tight) == tuple(v.name for v in verdicts_of(tight) if v.met is not None and not v.met)


def test_nothing_taken_lies_at_the_midline() -> None:
    removal = found().cone.removal
    nothing = replace(removal, voxels=removal.voxels[:0], share=removal.share[:0])
    assert farthest_taken_mm(nothing, found().level) == 0.0
    assert farthest_taken_mm(removal, found().level) > 0.5


@pytest.mark.parametrize(("source", "warned"), [("modelled", True), ("given", False)])
def test_a_sac_that_was_not_seen_is_warned_of_and_one_that_was_is_not(source: str, warned: bool) -> None:
    anatomy = replace(found().anatomy, sources={**found().anatomy.sources, "sac": source})
    said = warnings_of(replace(found(), prepared=PreparedLevel(anatomy, found().level)))
    assert any("sac was not seen" in sentence for sentence in said) is warned


@pytest.mark.parametrize(("at", "warned"), [("pivot", True), ("skin", False)])
def test_an_entry_without_skin_in_view_is_warned_of(at: str, warned: bool) -> None:
    said = warnings_of(replace(found(), skin_entry=replace(found().skin_entry, at=at)))
    assert any("No skin is in view" in sentence for sentence in said) is warned
