"""Samples of borders and execution errors: closed forms of slabs, the same bytes for any threads, certain chances."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from canalwise.estimator.approach.approach import Approach, Phase
from canalwise.estimator.approach.execution_errors import DEPTH, TILT, ExecutionErrors
from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.batch import cpu as batch_cpu
from canalwise.estimator.estimate.estimate import Estimate, estimate, estimate_of
from canalwise.estimator.estimate.intervals import intervals_of
from canalwise.estimator.estimate.monte_carlo import MonteCarloOptions, SampledChanges, spread_of, with_noise
from canalwise.estimator.estimate.probabilities import chances_of
from canalwise.estimator.interval import SD_OF_95
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.limits import Limits
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Float
from canalwise.recon.labels import Tissue, label_of, sided
from tests.closed_forms import grown_cone_mm3
from tests.estimator.toys import oblique_grid, toy_level
from tests.workbench import toy

NO_ERROR = ExecutionErrors().changed(**dict.fromkeys(ExecutionErrors().records, 0.0))
DERIVATIVE_TOL = 0.03
"""Bone is counted by cells of 1 mm whose share falls evenly over a millimetre; a step of depth is 2 mm long."""

SAMPLED_TOL = 0.1
"""Four standard errors of the standard deviation of 1000 normal samples."""

SLAB_MM = (12.0, 40.0)


@cache
def slab() -> PreparedLevel:
    """A slab of lamina across the channel, far dorsal of a thin sac; no joint, no target is near."""
    grid = oblique_grid((57, 109, 57), (0.5, 0.5, 0.5))
    x, y, _ = np.moveaxis(toy_level(5.0).frame.to_level_mm(grid.voxel_centres_mm()), -1, 0)
    labels = np.full(grid.shape, int(Tissue.SOFT), dtype=np.uint16)
    bone = (y >= SLAB_MM[0]) & (y <= SLAB_MM[1])
    labels[bone] = label_of("L3", sided("lamina", "left"))
    labels[np.hypot(x, y + 20.0) < 3.0] = Tissue.SAC
    labels[-1, -1, -1] = label_of("L4", sided("lamina", "left"))
    level = replace(toy_level(5.0), joints={}, windows={})
    return PreparedLevel(Anatomy(grid, labels, bone.astype(np.float32), (level,), {"sac": "given"}), level)


def into_slab(sweep_deg: float) -> Approach:
    """Straight down, sleeve and tool alike, its tip in the middle of the slab."""
    channel = Channel(6.0, 6.0, 6.0)
    phase = Phase("ipsilateral", 0.0, sweep_half_angle_deg=sweep_deg, sleeve_past_lamina_mm=9.0,
                  tip_past_lamina_mm=9.0)  # fmt: skip
    return Approach("L3-L4", "left", (0.0, 26.0, 0.0), 40.0, (phase,), channel)


@pytest.mark.parametrize("sweep_deg", [0.0, 4.0])
def test_bone_by_depth_is_the_grown_cones_growth(sweep_deg: float) -> None:
    """What a longer cone takes more of an endless slab it takes at its base: the derivative of Steiner's formula."""
    trial = MonteCarloOptions(1000, 3, NO_ERROR.changed(depth_sd_mm=1.0))
    spread = spread_of(slab(), into_slab(sweep_deg), trial)
    length, step = 40.0 + 9.0 - 3.0, SD_OF_95
    more = grown_cone_mm3(sweep_deg, length + step, 3.0) - grown_cone_mm3(sweep_deg, length, 3.0)
    causes = spread.sd_by_cause["bone_mm3"]
    assert causes[DEPTH] == pytest.approx(more / SD_OF_95, rel=DERIVATIVE_TOL)
    assert causes[TILT] == 0.0
    assert spread.change["bone_mm3"].std() == pytest.approx(causes[DEPTH], rel=SAMPLED_TOL)


@cache
def toy_estimate() -> Estimate:
    return estimate(toy.anatomy(), default_approach(toy.anatomy(), "L3-L4", "left"))


def reported(trial: MonteCarloOptions) -> SampledChanges:
    return spread_of(toy_estimate().prepared, toy_estimate().approach, trial)


def bytes_of(spread: SampledChanges) -> dict[str, bytes]:
    return {name: values.tobytes() for name, values in spread.change.items()}


def test_same_seed_same_bytes_whatever_the_threads(monkeypatch: pytest.MonkeyPatch) -> None:
    first, other = reported(MonteCarloOptions(300, 4)), reported(MonteCarloOptions(300, 5))
    monkeypatch.setattr(batch_cpu, "BLOCK", 7)
    monkeypatch.setattr("os.sched_getaffinity", lambda _: {0, 1, 2, 3, 4})
    assert bytes_of(reported(MonteCarloOptions(300, 4))) == bytes_of(first) != bytes_of(other)


def test_without_any_execution_error_only_borders_count() -> None:
    spread = reported(MonteCarloOptions(50, 0, NO_ERROR))
    by_cause = spread.sd_by_cause["bone_mm3"]
    assert {cause for cause, sd in by_cause.items() if sd > 0} <= {"bone border", "sac border"}
    assert spread.change["bone_mm3"].std() > 0


def test_changes_are_relative_to_the_batch_itself() -> None:
    """Whatever the batch is off by, a plan without any error changes nothing: no border of a sure slab is uncertain."""
    sure = without_uncertainty(slab())
    spread = spread_of(sure, into_slab(2.0), MonteCarloOptions(20, 0, NO_ERROR))
    assert all((values == 0).all() for values in spread.change.values() if not np.isnan(values).any())


def without_uncertainty(prepared: PreparedLevel) -> PreparedLevel:
    """The level with borders that are known exactly."""
    sure = PreparedLevel(prepared.anatomy, prepared.level)
    border_uncertainty = prepared.border_uncertainty
    # a cached property is found in the instance's own dictionary
    sure.__dict__["border_uncertainty"] = replace(
        border_uncertainty, bone_mm=0.0, canal_mm=0.0, canal_here_mm=0.0, sac_mm=0.0
    )
    return sure


@pytest.mark.parametrize(("limit_mm", "chance"), [(0.0, 1.0), (1000.0, 0.0)])
def test_a_limit_far_from_its_number_is_kept_or_broken_for_certain(limit_mm: float, chance: float) -> None:
    limits = Limits().changed(spinous_bridge_mm=limit_mm)
    prepared = PreparedLevel(toy.anatomy(), toy.anatomy().levels[0], limits)
    found = estimate_of(prepared, toy_estimate().approach)
    chances = chances_of(found, intervals_of(found, MonteCarloOptions(200)).spread)
    assert chances.limits["spinous base bridge remaining"] == chance
    assert chances.all_limits is not None
    assert chances.all_limits <= min(c for c in chances.limits.values() if c is not None)
    assert chances.limits["ipsilateral pars width remaining"] is None  # the toy has none


def test_a_limit_at_its_own_number_is_an_even_chance() -> None:
    """Normal noise alone, added to a number that sits on its limit."""
    found = toy_estimate()
    value = found.cone.spinous_base.bridge_mm
    prepared = PreparedLevel(toy.anatomy(), toy.anatomy().levels[0], Limits().changed(spinous_bridge_mm=value))
    still = SampledChanges(
        {"bridge_mm": np.zeros(4000)}, {}, {"left": np.zeros(4000, bool), "right": np.zeros(4000, bool)}
    )
    noisy = with_noise(still, {"bridge_mm": {"bone border": 0.3}}, 1)
    chance = chances_of(estimate_of(prepared, found.approach), noisy).limits["spinous base bridge remaining"]
    assert chance == pytest.approx(0.5, abs=4 * 0.5 / np.sqrt(4000))


def test_noise_is_of_its_size_and_each_numbers_own() -> None:
    zero: Float = np.zeros(20_000)
    spread = with_noise(SampledChanges({"a": zero, "b": zero}, {}, {}), {"a": {"x": 3.0, "y": 4.0}, "b": {"x": 1.0}}, 2)
    assert spread.change["a"].std() == pytest.approx(5.0, rel=0.03)
    assert abs(np.corrcoef(spread.change["a"], spread.change["b"])[0, 1]) < 4 / np.sqrt(20_000)
    assert spread.sd_by_cause["a"] == {"x": 3.0, "y": 4.0}


def test_a_trial_needs_samples() -> None:
    with pytest.raises(WrongUse, match="samples"):
        MonteCarloOptions(0)


def test_levels_without_joints_or_targets_have_their_other_numbers() -> None:
    found = intervals_of(estimate_of(slab(), into_slab(2.0)), MonteCarloOptions(50))
    assert found.cone.bone_mm3.sd > 0
    assert found.cone.facets == {}
