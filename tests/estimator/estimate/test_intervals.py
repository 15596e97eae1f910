"""Intervals of an estimate: from border uncertainty, beside every headline number, and wider where less is known."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from canalwise.estimator.approach.execution_errors import BY_EXECUTION, ExecutionErrors
from canalwise.estimator.estimate.estimate import Estimate, estimate
from canalwise.estimator.estimate.estimate_json import estimate_as_json
from canalwise.estimator.estimate.intervals import Intervals, intervals_of, no_intervals
from canalwise.estimator.estimate.monte_carlo import MonteCarloOptions
from canalwise.estimator.interval import SD_OF_95, Interval
from canalwise.estimator.level.border_uncertainty import MODELLED_SD_MM, border_uncertainty_of
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.recon.anatomy import Anatomy, Confidence, StructureConfidence
from canalwise.recon.serialization import json_text
from tests.workbench import toy


def with_border(sd_mm: float, anatomy: Anatomy | None = None) -> Anatomy:
    """The toy with every border of its level known to `sd_mm`."""
    whole = anatomy or toy.anatomy()
    borders = tuple(StructureConfidence(name, 0.9, sd_mm, ()) for name in ("L3 lamina left", "canal"))
    level = replace(whole.levels[0], confidence=Confidence(0.9, False, (), borders))
    return replace(whole, levels=(level,))


@cache
def found(sd_mm: float) -> Estimate:
    anatomy = with_border(sd_mm)
    return estimate(anatomy, default_approach(anatomy, "L3-L4", "left"))


@cache
def reported(sd_mm: float) -> Intervals:
    return intervals_of(found(sd_mm))


def every(intervals: Intervals) -> Iterator[Interval]:
    """All intervals of an estimate."""
    for kind in (intervals.cone, intervals.task):
        yield from (kind.bone_mm3, kind.undercut_frac, kind.bridge_mm, *kind.pars_mm.values())
        yield from (interval for joint in kind.facets.values() for interval in joint.values())
    yield from (interval for side in intervals.reach.values() for interval in side.values())
    yield from (intervals.canal_before_mm2, intervals.canal_after_mm2)


def test_every_interval_holds_its_value() -> None:
    seen = [interval for interval in every(reported(0.1)) if interval.sd_by_cause]
    assert len(seen) > 20
    assert all(low <= interval.value <= high for interval in seen for low, high in [interval.ends])


def test_the_same_estimate_gives_the_same_bytes() -> None:
    again = estimate(found(0.1).anatomy, found(0.1).approach)
    assert json_text(estimate_as_json(again)) == json_text(estimate_as_json(found(0.1)))


@pytest.mark.parametrize("sd_mm", [0.05, 0.2])
def test_removed_bone_is_uncertain_by_its_surface(sd_mm: float) -> None:
    """An outside count: faces between bone and what is not bone, within what is taken, times the border's deviation."""
    removal = found(sd_mm).cone.removal
    bone, taken = removal.level_bone.bone_mm3 > 0.5, removal.taken_frac
    area = 0.0
    for axis in range(3):
        for sign in (-1, 1):
            area += float(taken[bone & ~np.roll(bone, sign, axis)].sum())
    sd = reported(sd_mm).cone.bone_mm3.sd_by_cause["bone border"]
    # stairs overstate a slanting surface by up to sqrt(3), by 4/pi and 3/2 on average in the plane and in space
    assert 0.5 * area * sd_mm < sd < 1.1 * area * sd_mm


def test_twice_the_uncertainty_is_twice_the_interval() -> None:
    one, two = (reported(sd_mm).cone.bone_mm3.sd_by_cause["bone border"] for sd_mm in (0.1, 0.2))
    assert two == pytest.approx(2 * one, rel=0.1)


def test_no_uncertainty_about_borders_leaves_only_what_is_no_border() -> None:
    given = replace(toy.anatomy(), sources={**toy.anatomy().sources, "sac": "given", "flavum": "given"})
    anatomy = with_border(0.0, given)
    sure = intervals_of(estimate(anatomy, default_approach(anatomy, "L3-L4", "left")))
    assert sure.cone.bone_mm3.without(BY_EXECUTION).sd == 0
    causes = sure.reach["right"]["lateral_mm"].without(BY_EXECUTION).sd_by_cause
    assert {cause for cause, sd in causes.items() if sd} == {"canal border", "target spacing", "midline"}
    # one place of a wall is known to within a voxel, however sure the whole is; 0.4 of the toy's 1 mm
    assert border_uncertainty_of(anatomy, anatomy.levels[0]).canal_here_mm == pytest.approx(0.4)


def test_a_modelled_sac_is_known_less_well_than_a_given_one() -> None:
    given = replace(toy.anatomy(), sources={**toy.anatomy().sources, "sac": "given", "flavum": "given"})
    modelled, drawn = (border_uncertainty_of(a, a.levels[0]) for a in (with_border(0.1), with_border(0.1, given)))
    assert modelled.sac_mm == modelled.ligament_mm == MODELLED_SD_MM.value
    assert drawn.sac_mm == drawn.ligament_mm == 0.1


def test_parts_found_automatically_end_less_surely() -> None:
    automatic = replace(toy.anatomy(), sources={**toy.anatomy().sources, "parts": "automatic"})
    given, found_alone = (border_uncertainty_of(a, a.levels[0]).joint.extent_mm for a in (toy.anatomy(), automatic))
    assert found_alone > 1.3 * given


def test_area_of_a_canal_by_its_perimeter() -> None:
    """The toy's canal is an ellipse of half axes 11 and 8 mm without ligament; perimeter by Ramanujan's formula."""
    a, b = 11.0, 8.0
    h = ((a - b) / (a + b)) ** 2
    perimeter = np.pi * (a + b) * (1 + 3 * h / (10 + np.sqrt(4 - 3 * h)))
    causes = reported(0.1).canal_before_mm2.sd_by_cause
    assert causes["canal border"] == pytest.approx(0.1 * perimeter, rel=0.05)
    assert causes["ligament"] == 0


def test_json_carries_an_interval_beside_each_number() -> None:
    document = estimate_as_json(found(0.1))
    bone = document["task"]["bone_removed_mm3"]
    assert bone["interval95"][0] < bone["total"] < bone["interval95"][1]
    assert set(bone["interval_from"]) == {"bone border", "sac border", "entry", "tilt", "registration"}
    spread = SD_OF_95 * np.linalg.norm(list(bone["interval_from"].values()))
    assert bone["interval95"][1] == pytest.approx(bone["total"] + spread)
    exact = SD_OF_95 * np.hypot(bone["interval_from"]["bone border"], bone["interval_from"]["sac border"])
    assert bone["interval95_as_planned"][1] == pytest.approx(bone["total"] + exact)
    assert (document["samples"], document["seed"], len(document["execution_errors"])) == (1000, 0, 6)
    assert all(verdict["chance"] == document["chances"]["limits"][verdict["name"]] for verdict in document["verdicts"])
    for relation in ("ipsilateral", "contralateral"):
        joint = document["facet_preserved"][relation]
        assert len(joint["interval95"]) == len(joint["width_interval95"]) == len(joint["volume_interval95"]) == 2
        assert set(document[f"{relation}_reach"]["targets_interval95"]) == set(document[f"{relation}_reach"]["targets"])
    assert len(document["decompression"]["canal_area_mm2"]["interval95"]["after"]) == 2
    assert document["spinous_base"]["bridge_interval95"]
    assert document["confidence"]["value_frac"] == 0.9
    # the toy has no pars: no number, no interval
    assert document["pars_residual_mm"]["interval95"] == {"ipsilateral": None, "contralateral": None}


def test_without_intervals_no_number_has_one() -> None:
    document = estimate_as_json(found(0.1), no_intervals(found(0.1)))
    assert document["task"]["bone_removed_mm3"]["interval95"] is None
    assert document["chances"]["all"] is None
    assert document["samples"] == 0


@pytest.mark.parametrize("name", ["entry_sd_mm", "registration_sd_mm", "medial_tilt_sd_deg", "cranial_tilt_sd_deg"])
def test_every_execution_error_widens_the_interval(name: str) -> None:
    """The sweep's widens with the error; a degree of tilt about the docking point moves it by less than its borders do,
    so that only what the error gives alone grows at every step, and the sampled ends from none to much. The task's is
    wider than without any: it has one target a set here, which a large error loses, and with it the bone along it."""
    found_with = {}
    for factor in (0.0, 1.0, 4.0):
        errors = ExecutionErrors().changed(**{n: 0.0 for n in ExecutionErrors().records}).changed(**{name: factor})
        found_with[factor] = intervals_of(found(0.1), MonteCarloOptions(300, 5, errors))
    cause = name.removesuffix("_sd_mm") if name.endswith("_mm") else "tilt"
    swept = [whole.cone.bone_mm3 for whole in found_with.values()]
    assert (np.diff([bone.sd_by_cause[cause] for bone in swept]) > 0).all()
    assert np.ptp(swept[-1].ends) > np.ptp(swept[0].ends)
    none, *some = (whole.task.bone_mm3 for whole in found_with.values())
    assert all(none.sd_by_cause[cause] == 0 for cause in ("entry", "tilt", "registration"))
    for task in some:
        assert np.ptp(task.ends) > np.ptp(none.ends)
        assert [c for c in ("entry", "tilt", "registration") if task.sd_by_cause[c] > 0] == [cause]


def test_between_two_targets_any_place_is_as_likely() -> None:
    """Targets stand 0.5 mm apart (design): the deviation of an even distribution over one step, by counting."""
    step = np.linspace(0.0, 0.5, 100_001)
    for side, intervals in reported(0.1).reach.items():
        assert intervals["lateral_mm"].sd_by_cause["target spacing"] == pytest.approx(step.std(), rel=1e-3), side
