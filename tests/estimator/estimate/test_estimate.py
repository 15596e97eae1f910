"""One estimate: the same numbers prepared or not, alone or beside others, from labels stored in either order."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest

from canalwise.estimator.approach.approach import Approach, placed_phases
from canalwise.estimator.estimate.estimate import Estimate, estimate, estimate_of, paths_to
from canalwise.estimator.level.level_bone import PROTECTED
from canalwise.estimator.level.prepared_level import prepared_level
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.estimator.removal.reach import touch_of
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.grid import Float
from canalwise.recon.labels import Part, Side, label_of
from canalwise.recon.parallel import THREADS_VARIABLE
from tests.workbench import toy

STEP_MM = 0.4
"""Spacing at which a path is checked for protected bone (canalwise.estimator.geometry.field_sampling)."""


def usual(anatomy: Anatomy, side: Side = "left", tilt_deg: float = 0.0) -> Approach:
    """The usual start, its phases tilted on."""
    start = default_approach(anatomy, "L3-L4", side)
    phases = tuple(replace(p, medial_tilt_deg=p.medial_tilt_deg + tilt_deg) for p in start.phases)
    return replace(start, phases=phases)


def reported(found: Estimate) -> bytes:
    """Every number of an estimate, bit by bit."""
    numbers: list[object] = [found.reach, found.decompression, found.skin_entry, found.task_reached_frac]
    for cost in (found.cone, found.task):
        numbers += [cost.removal.by_label_mm3, cost.facets, cost.pars, cost.spinous_base]
    taken = [cost.removal.taken_frac.tobytes() for cost in (found.cone, found.task)]
    return repr(numbers).encode() + b"".join(taken)


def test_a_prepared_level_answers_as_a_fresh_one():
    anatomy = toy.anatomy()
    prepared = prepared_level(anatomy, "L3-L4")
    estimate_of(prepared, usual(anatomy, "right"))
    assert reported(estimate_of(prepared, usual(anatomy))) == reported(estimate(anatomy, usual(anatomy)))


def test_same_bytes_whatever_the_number_of_threads(monkeypatch):
    anatomy = toy.anatomy()
    prepared = prepared_level(anatomy, "L3-L4")
    approaches = [usual(anatomy, side, tilt) for side in ("left", "right") for tilt in (-2.0, 0.0, 2.0)]
    with ThreadPoolExecutor(4) as pool:
        beside = list(pool.map(lambda approach: reported(estimate_of(prepared, approach)), approaches))
    monkeypatch.setenv(THREADS_VARIABLE, "1")
    alone = [reported(estimate_of(prepared_level(anatomy, "L3-L4"), approach)) for approach in approaches]
    assert beside == alone
    assert len(set(alone)) == len(alone)


def test_same_numbers_from_labels_stored_in_reverse_order():
    anatomy = toy.anatomy()
    turned = replace(anatomy, labels=np.asfortranarray(anatomy.labels), occupancy=np.asfortranarray(anatomy.occupancy))
    assert reported(estimate(turned, usual(turned))) == reported(estimate(anatomy, usual(anatomy)))


def plain_free(anatomy: Anatomy, pivot: Float, point: Float, short_of_mm: float) -> bool:
    """Is a straight line clear of protected bone, label by label?"""
    direction = point - pivot
    length = float(np.linalg.norm(direction))
    steps = np.arange(0.0, length, STEP_MM)
    index = anatomy.grid.index_of(pivot + steps[steps <= length - short_of_mm][:, None] * direction / length)
    inside = ((index >= 0) & (index <= np.array(anatomy.grid.shape) - 1)).all(axis=1)
    labels = anatomy.labels[tuple(np.floor(index[inside] + 0.5).astype(int).T)]
    return not PROTECTED[labels].any()


@pytest.mark.parametrize("order", ["C", "F"])
def test_lines_meet_protected_bone_where_the_labels_say(order):
    anatomy = toy.anatomy()
    labels = anatomy.labels.copy(order=order)
    centre = np.array(labels.shape) // 2
    labels[tuple(slice(c - 4, c + 4) for c in centre)] = label_of("L3", Part.BODY)
    guarded = replace(anatomy, labels=labels)
    found = estimate(anatomy, usual(anatomy))
    points = guarded.grid.world_mm(centre) + np.random.default_rng(4).uniform(-12, 12, (150, 3))
    touch = touch_of(guarded, found.phases, found.keep_out, points)
    for phase, free in zip(found.phases, touch.bone_free, strict=True):
        plain = [plain_free(guarded, phase.pivot_ras_mm, point, phase.tool_radius_mm) for point in points]
        assert free.tolist() == plain
        assert 0.1 < np.mean(plain) < 0.9


def test_a_target_is_approached_by_the_first_phase_that_touches_it() -> None:
    points = np.arange(12.0).reshape(4, 3)
    touched = np.array([[True, False, True, False], [True, True, False, False], [True, True, True, False]])
    phases = tuple(placed_phases(default_approach(toy.anatomy(), "L3-L4", "left"), toy.anatomy().levels[0].frame))
    paths = paths_to((*phases, phases[0]), points, touched)
    assert [targets.tolist() for _, targets in paths] == [points[[0, 2]].tolist(), points[[1]].tolist(), []]
    assert [pivot.tolist() for pivot, _ in paths] == [p.pivot_ras_mm.tolist() for p in (*phases, phases[0])]
