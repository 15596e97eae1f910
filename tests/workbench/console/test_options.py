"""Options become approaches; a kept plan is not lost."""

from __future__ import annotations

import argparse

import pytest

from canalwise.estimator.approach.approach import Approach, Phase
from canalwise.estimator.level.target_names import NAMES
from canalwise.recon.errors import WrongUse
from canalwise.workbench.commands.main import build_parser
from canalwise.workbench.console.options import (
    CHANNEL_HELP,
    CHANNEL_OPTIONS,
    changed,
    channel_of,
    checked_choice,
    option,
    single_values,
    task_of,
)

START = Approach("L3-L4", "left", (8.0, 12.0, 4.0), 50.0, (Phase("ipsilateral", -4.0), Phase("over the top", 18.0)))


def parsed(*argv):
    return build_parser().parse_args(["estimate", "case", *argv])


def test_every_field_of_the_instrument_has_an_option_with_help():
    assert set(CHANNEL_OPTIONS) == set(CHANNEL_HELP)
    for name in CHANNEL_OPTIONS:
        assert single_values(parsed(option(name), "7.5")) == {name: 7.5}


def test_without_options_nothing_changes():
    assert changed(START, {}) == START


@pytest.mark.parametrize(
    ("argv", "read"),
    [
        (("--medial-tilt-deg", "3"), lambda a: a.phases[0].medial_tilt_deg),
        (("--cranial-tilt-deg", "3"), lambda a: a.phases[0].cranial_tilt_deg),
        (("--over-the-top-medial-tilt-deg", "3"), lambda a: a.phases[1].medial_tilt_deg),
        (("--over-the-top-cranial-tilt-deg", "3"), lambda a: a.phases[1].cranial_tilt_deg),
        (("--pivot-distance-mm", "3"), lambda a: a.pivot_distance_mm),
    ],
)
def test_each_option_changes_its_own_value_alone(argv, read):
    given = single_values(parsed(*argv))
    made = changed(START, given)
    assert read(made) == 3.0
    name = next(iter(given))
    back = {name: read(START)}
    assert changed(made, back) == START


def test_sweep_is_for_both_phases():
    assert [p.sweep_half_angle_deg for p in changed(START, {"sweep_half_angle_deg": 2.0}).phases] == [2.0, 2.0]


def test_negative_tilts_are_values_not_options():
    assert single_values(parsed("--medial-tilt-deg", "-5")) == {"medial_tilt_deg": -5.0}


def test_instrument_defaults_hold_for_what_is_not_given():
    channel = channel_of(parsed("--tool-diameter-mm", "3"))
    assert channel.tool_diameter_mm == 3.0
    assert channel.sleeve_diameter_mm == START.channel.sleeve_diameter_mm


@pytest.mark.parametrize("given", [{}, {"level": "L3-L4"}, {"side": "left"}, {"plan": "p", "side": "left"}])
def test_half_a_choice_is_refused(given):
    args = argparse.Namespace(**{"plan": None, "level": None, "side": None} | dict.fromkeys(single_names()) | given)
    with pytest.raises(WrongUse):
        checked_choice(args)


def single_names():
    return [name for name in vars(parsed()) if name.endswith(("_deg", "_mm"))]


def test_the_task_is_all_of_it_until_some_is_named():
    assert task_of(parsed()) == NAMES
    assert task_of(parsed("--task", "caudal-flavum-insertion, roof")) == ("roof", "caudal flavum insertion")
    with pytest.raises(WrongUse, match="contralateral recess"):
        task_of(parsed("--task", "other-side"))
