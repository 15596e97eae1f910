"""Levels ranked by the sac's area: only of a sac that was seen, and never more than a proposal."""

from __future__ import annotations

import numpy as np
import pytest

from canalwise.recon.anatomy import Frame, Level, Measurement
from canalwise.recon.measurement.kinds import NARROWEST_SAC, SCALES
from canalwise.recon.proposed_levels import NARROWEST, NO_SAC, PROPOSED_BELOW, chance_below, levels_proposal


def level(name: str, area_mm2: float) -> Level:
    upper, lower = name.split("-")
    area = Measurement(NARROWEST_SAC, area_mm2, "mm2", "dural sac", "", SCALES[NARROWEST_SAC].band(area_mm2))
    thick = Measurement("ligamentum flavum thickness", 5.1, "mm", "left ligamentum flavum", "", "hypertrophy")
    return Level(name, upper, lower, Frame(np.zeros(3), np.eye(3)), {}, {}, {}, {}, (area, thick))


THREE = (level("L2-L3", 160.0), level("L3-L4", 96.0), level("L4-L5", 58.0))


def test_narrowest_first_with_reasons():
    found = levels_proposal(THREE, {"sac": "measured"})
    assert [each.level for each in found.levels] == ["L4-L5", "L3-L4", "L2-L3"]
    assert [each.proposed for each in found.levels] == [True, True, False]
    assert found.sentence == "2 of 3 levels have a sac under 100 mm2, the narrowest first: L4-L5, L3-L4."
    assert "severe stenosis" in found.levels[0].reasons[0]
    assert "5.1 mm thick" in found.levels[0].reasons[1]
    assert "never more" in found.caution


@pytest.mark.parametrize("source", ["modelled", None])
def test_a_modelled_sac_speaks_for_nothing(source):
    found = levels_proposal(THREE, {} if source is None else {"sac": source})
    assert (found.levels, found.sentence) == ((), NO_SAC)


def test_near_a_threshold_the_chance_says_so():
    # 96 mm2 lies a third of a deviation (12.1 mm2) under 100: normal distribution gives 0.63
    assert chance_below(96.0, PROPOSED_BELOW.value) == pytest.approx(0.63, abs=0.01)
    assert NARROWEST == NARROWEST_SAC
