"""The first sentence: a sac that was wide before is never called narrow."""

import numpy as np
import pytest

from canalwise.estimator.decompression.rules import ResectionRules
from canalwise.estimator.outcome.outcome_values import Freed, StationAreas
from canalwise.estimator.outcome.verdict import LEFT_AND_RIGHT, NARROW_SAC, verdict_with


def freed_with(
    sac_before_mm2: float, sac_after_mm2: float, share: float, seen: bool = True, root_room_mm: float = 9.0
) -> Freed:
    """One station, both sides alike, as a rule roots with the room they need."""
    areas = [np.array([mm2]) for mm2 in (300.0, 330.0, 310.0, 400.0, sac_before_mm2, 320.0, sac_after_mm2)]
    both, room = {"left": share, "right": share}, {"left": root_room_mm, "right": root_room_mm}
    return Freed(share, both, {}, {}, StationAreas(np.zeros(1), *areas), 0, room, room, seen)


@pytest.mark.parametrize("before_mm2", [NARROW_SAC.value, 240.0])
def test_a_wide_sac_is_said_first_and_nothing_stays_narrow(before_mm2):
    verdict = verdict_with(LEFT_AND_RIGHT, freed_with(before_mm2, 250.0, 0.7), (), ResectionRules())
    assert verdict.sentence.startswith("The dural sac was not narrow before")
    assert "stays narrow" not in verdict.sentence
    assert not verdict.freed


def test_a_modelled_sac_is_neither_wide_nor_narrow():
    verdict = verdict_with(LEFT_AND_RIGHT, freed_with(240.0, 250.0, 0.7, seen=False), (), ResectionRules())
    assert verdict.sentence.startswith("Whether the dural sac is narrow is not known")
    assert "stays narrow" not in verdict.sentence
    assert "not narrow" not in verdict.sentence


def test_nothing_is_freed_where_nobody_knows_what_presses_the_sac_shut():
    verdict = verdict_with(LEFT_AND_RIGHT, freed_with(0.0, 300.0, 1.0), (), ResectionRules())
    assert verdict.sentence.startswith("No dural sac is seen at the narrowest place")
    assert not verdict.freed


def test_a_narrow_sac_freed_too_little_stays_narrow():
    verdict = verdict_with(LEFT_AND_RIGHT, freed_with(80.0, 100.0, 0.7), (), ResectionRules())
    assert verdict.sentence.startswith("Frees 70 %")
    assert "the canal stays narrow on the left side" in verdict.sentence


@pytest.mark.parametrize(("room_frac", "narrow"), [(0.6, True), (0.95, False)])
def test_a_recess_is_narrow_where_the_root_has_less_than_enough_of_its_corridors_width(room_frac, narrow):
    rules = ResectionRules()
    width_mm = 2 * rules.value("corridor_radius_mm")
    freed = freed_with(80.0, 100.0, 0.7, root_room_mm=room_frac * width_mm)
    assert ("recess stays narrow" in verdict_with(LEFT_AND_RIGHT, freed, (), rules).sentence) == narrow
