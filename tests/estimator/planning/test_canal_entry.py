"""The access from behind: an open window where there is one, the middle of the lamina edges where bone closes it."""

from dataclasses import replace

import numpy as np
import pytest

from canalwise.estimator.planning.canal_entry import CLOSED_LATERAL_FRAC, canal_entry_in_view, canal_entry_of
from canalwise.phantoms.spec import demo_spec
from canalwise.recon.anatomy import Level
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.labels import SIDES
from tests.labelled_phantoms import labelled


@pytest.fixture(scope="module")
def level() -> Level:
    return labelled(demo_spec()).levels[0]


@pytest.mark.parametrize("side", SIDES)
def test_an_open_gate_is_the_window(level: Level, side: str) -> None:
    canal_entry = canal_entry_in_view(level, side)
    assert canal_entry.open
    assert np.allclose(level.frame.to_world_mm(canal_entry.centre_mm), level.windows[side].centre_ras_mm)


@pytest.mark.parametrize("side", SIDES)
def test_a_closed_gate_lies_near_where_the_window_would_be(level: Level, side: str) -> None:
    closed = canal_entry_in_view(replace(level, windows={}), side)
    assert not closed.open
    assert np.linalg.norm(closed.centre_mm - canal_entry_in_view(level, side).centre_mm) < 8.0
    edges = [
        level.frame.to_level_mm(level.landmarks_ras_mm[f"{name}_{side}"])[0]
        for name in ("upper_lamina_caudal_edge", "lower_lamina_cranial_edge")
    ]
    assert closed.centre_mm[0] == pytest.approx(CLOSED_LATERAL_FRAC * np.mean(edges))


def test_without_window_and_edges_there_is_no_gate(level: Level) -> None:
    bare = replace(level, windows={}, landmarks_ras_mm={})
    assert canal_entry_of(bare, "left") is None
    with pytest.raises(AnatomyNotFound, match="--plan"):
        canal_entry_in_view(bare, "left")
