"""The limit that breaks first as the sweep widens, held against exact estimates."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.estimate.estimate import Estimate, estimate_of
from canalwise.estimator.estimate.first_limit import STEP_DEG, FirstLimit, first_broken, first_limit, margin_frac
from canalwise.estimator.estimate.limit_checks import Verdict, verdicts_of
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.limits import Limits
from tests.laws.scenes import Scene, ready_level


def widened(approach: Approach, by_deg: float) -> Approach:
    """Every phase swept wider."""
    phases = (replace(p, sweep_half_angle_deg=p.sweep_half_angle_deg + by_deg) for p in approach.phases)
    return replace(approach, phases=tuple(phases))


def broken(estimate: Estimate) -> set[str]:
    """Names of the limits not kept."""
    return {verdict.name for verdict in verdicts_of(estimate) if verdict.met is False}


@pytest.fixture(scope="module")
def prepared(plain: Scene) -> PreparedLevel:
    return ready_level(plain.anatomy)


def under(prepared: PreparedLevel, limits: Limits) -> PreparedLevel:
    """The level with other limits in force."""
    return replace(prepared, limits=limits).ready()


@pytest.mark.parametrize(
    ("limits", "name"),
    [
        # the usual approach keeps 0.82 of the near joint's surface and 7.2 mm of the bridge
        (Limits(), "ipsilateral facet width kept"),
        (Limits().changed(facet_area_kept_frac=0.8), "ipsilateral facet area kept"),
        (Limits().changed(lateral_removal_mm=30.0, spinous_bridge_mm=6.5), "spinous base bridge remaining"),
    ],
)
def test_it_breaks_there_and_nothing_breaks_before(
    prepared: PreparedLevel, plain: Scene, limits: Limits, name: str
) -> None:
    level = under(prepared, limits)
    first = first_limit(estimate_of(level, plain.approach))
    assert first is not None
    assert first.name == name
    assert first.wider_deg > STEP_DEG
    before = estimate_of(level, widened(plain.approach, first.wider_deg - STEP_DEG))
    after = estimate_of(level, widened(plain.approach, first.wider_deg + STEP_DEG))
    assert broken(before) == set()
    assert first.name in broken(after)


def test_what_the_plan_breaks_itself_breaks_at_once(prepared: PreparedLevel, plain: Scene) -> None:
    level = under(prepared, Limits().changed(lateral_removal_mm=5.0))
    first = first_limit(estimate_of(level, plain.approach))
    assert first == FirstLimit("farthest bone taken from the midline", 0.0)


def test_none_breaks_where_no_limit_can(prepared: PreparedLevel, plain: Scene) -> None:
    loose = Limits().changed(
        facet_area_kept_frac=0.0, facet_width_kept_frac=0.0, pars_residual_mm=0.0, spinous_undercut_frac=2.0,
        spinous_bridge_mm=0.0, lateral_removal_mm=500.0,
    )  # fmt: skip
    level = under(prepared, loose)
    assert first_limit(estimate_of(level, plain.approach)) is None


def test_margins_that_were_not_measured_break_nothing() -> None:
    sweeps = np.array([0.0, 1.0])
    assert first_broken(sweeps, {"a": np.array([np.nan, np.nan])}) is None
    assert first_broken(sweeps, {"a": np.array([0.5, 0.0])}) is None
    assert first_broken(sweeps, {"a": np.array([-0.1, -1.0]), "b": np.array([-0.2, -1.0])}) == FirstLimit("b", 0.0)


@pytest.mark.parametrize(
    ("name", "value", "met", "margin"),
    [
        ("ipsilateral facet area kept", 0.75, True, 0.5),
        ("ipsilateral facet area kept", 0.25, False, -0.5),
        ("spinous base undercut", 0.75, False, -0.5),
        # thin before, and nothing taken from it
        ("ipsilateral pars width remaining", 0.4, True, 0.0),
        ("ipsilateral facet area kept", float("nan"), None, float("nan")),
    ],
)
def test_margins_follow_the_verdict(name: str, value: float, met: bool | None, margin: float) -> None:
    verdict = Verdict(name, value, 0.5, "fraction", met, "", "MEM")
    assert margin_frac(verdict) == pytest.approx(margin, nan_ok=True)
