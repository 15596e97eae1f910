"""What is seen at which hour: facts of common practice (no source) on a phantom, from both sides, and its mirror."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwise.estimator.approach.approach import Approach, Phase
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.planning.clock_positions import (
    FAR_SIGHTS,
    MIDDLE,
    NEAR_SIGHTS,
    far_clock,
    far_view,
    near_clock,
)
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.recon.labels import SIDES, Side
from tests.laws.scenes import LEVEL, SPEC, Scene, anatomy_on, grid_of, mirrored, ready_level

HOUR_TOL = 1.5
"""A structure is called by its hour as far as half way to the next quarter of the dial."""

MIRROR_TOL = 0.05
"""Hours, where the voxels are mirrored along."""

PRACTICE = {
    "dural sac": 6.0, "roof of the canal": 12.0, "contralateral facet joint": 12.0, "disc": 6.0,
    "contralateral upper lamina": "cranial", "contralateral lower lamina": "caudal",
    "contralateral foramen": "cranial", "contralateral recess": "caudal",
}  # fmt: skip
CRANIAL = {"right": 3.0, "left": 9.0}


def apart(a: float, b: float) -> float:
    """Hours round the dial."""
    return min((a - b) % 12, (b - a) % 12)


@pytest.fixture(scope="module")
def prepared(plain: Scene) -> PreparedLevel:
    return ready_level(plain.anatomy)


def straight(side: Side) -> Approach:
    """The phantom's window entered straight: both pivots behind the docking point, the second 8 mm further lateral."""
    phases = (
        Phase("ipsilateral", 0.0, 15.0, 4.0, 6.4, 21.4),
        Phase("over the top", 23.7, 15.1, 4.0, 10.9, 25.9, (8.0, 0.0, 0.0)),
    )
    left = Approach(LEVEL, "left", (6.5, 11.9, -6.5), 40.0, phases)
    return left if side == "left" else mirrored(left)


def hours_of_practice(side: Side) -> dict[str, float]:
    """PRACTICE as hours, seen from a side."""
    sides = {"cranial": CRANIAL[side], "caudal": 12.0 - CRANIAL[side]}
    return {name: where if isinstance(where, float) else sides[where] for name, where in PRACTICE.items()}


@pytest.mark.parametrize("side", SIDES)
def test_over_the_top(prepared: PreparedLevel, side: Side) -> None:
    """Sac and disc below, roof and far joint above, head and feet to the sides, as of a window entered straight."""
    seen = far_clock(prepared, straight(side))
    for name, hour in hours_of_practice(side).items():
        assert apart(seen[name], hour) <= HOUR_TOL, name
    assert set(seen) == set(FAR_SIGHTS)


@pytest.mark.parametrize("side", SIDES)
def test_a_flatter_path_across_turns_the_far_lower_lamina_up_alone(prepared: PreparedLevel, side: Side) -> None:
    """The usual approach, from a pivot further lateral, passes under the far lamina: its hour moves from the side of
    the feet toward that of the roof, and stays between the two. All else keeps its place."""
    usual, upright = far_clock(prepared, default_approach(prepared.anatomy, LEVEL, side)), straight(side)
    moved, hours = "contralateral lower lamina", hours_of_practice(side)
    for name in hours.keys() - {moved}:
        assert apart(usual[name], hours[name]) <= HOUR_TOL, name
    assert apart(usual[moved], 12.0) < apart(far_clock(prepared, upright)[moved], 12.0)
    assert apart(usual[moved], 12.0) + apart(usual[moved], hours[moved]) == pytest.approx(3.0)
    assert apart(usual[moved], 12.0) > apart(usual["roof of the canal"], 12.0)


@pytest.mark.parametrize("side", SIDES)
def test_about_the_window(prepared: PreparedLevel, side: Side) -> None:
    """Upper lamina, facet joint, lower lamina round the dial; the spinous base away from the surgeon, or all round."""
    seen = near_clock(prepared, default_approach(prepared.anatomy, LEVEL, side))
    hours = {"upper lamina": CRANIAL[side], "facet joint": 6.0, "lower lamina": 12.0 - CRANIAL[side]}
    for name, hour in hours.items():
        assert apart(seen[name], hour) <= HOUR_TOL, name
    assert seen["spinous base"] == MIDDLE or apart(seen["spinous base"], 12.0) <= HOUR_TOL
    assert set(seen) <= set(NEAR_SIGHTS)


def test_the_mirror_image_shows_every_hour_mirrored(prepared: PreparedLevel, plain: Scene) -> None:
    spec = SPEC.mirrored()
    image = ready_level(anatomy_on(spec, grid_of(spec)))
    for clock in (near_clock, far_clock):
        here, there = clock(prepared, plain.approach), clock(image, mirrored(plain.approach))
        assert set(here) == set(there)
        for name, hour in here.items():
            if hour == MIDDLE:
                assert there[name] == MIDDLE, name
            else:
                assert apart(12.0 - hour, there[name]) <= MIRROR_TOL, name


def test_a_plan_without_an_over_the_top_phase_is_looked_along_by_its_last(plain: Scene) -> None:
    first, last = plain.approach.phases
    other = replace(plain.approach, phases=(first, replace(last, name="far")))
    view, usual = far_view(plain.level, other), far_view(plain.level, plain.approach)
    assert np.allclose(view.through_mm, usual.through_mm)
    assert view.tilts_deg == pytest.approx(usual.tilts_deg)


def test_what_is_not_in_view_is_left_out(prepared: PreparedLevel, plain: Scene) -> None:
    bare = replace(plain.level, joints={}, targets={})
    seen = far_clock(replace(prepared, level=bare), plain.approach)
    gone = {"contralateral facet joint", "contralateral recess", "contralateral foramen", "disc"}
    assert set(seen) == set(FAR_SIGHTS) - gone
