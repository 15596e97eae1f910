"""Spines the phantom tests share."""

from __future__ import annotations

import pytest

from canalwise.phantoms.anatomy.spine import spine_of
from canalwise.phantoms.anatomy.spine_model import Spine
from canalwise.phantoms.spec import SpineSpec, demo_spec
from canalwise.phantoms.truth.level import LevelTruth, level_truth


@pytest.fixture(scope="session")
def normal() -> Spine:
    """A normal spine."""
    return spine_of(SpineSpec())


@pytest.fixture(scope="session")
def stenotic() -> Spine:
    """The demo's spine."""
    return spine_of(demo_spec())


@pytest.fixture(scope="session")
def normal_l5_s1(normal: Spine) -> LevelTruth:
    """Truth of a normal L5-S1."""
    return level_truth(normal, "L5-S1")


@pytest.fixture(scope="session")
def normal_l3_l4(normal: Spine) -> LevelTruth:
    """Truth of a normal L3-L4."""
    return level_truth(normal, "L3-L4")


@pytest.fixture(scope="session")
def stenotic_l3_l4(stenotic: Spine) -> LevelTruth:
    """Truth of the demo's L3-L4."""
    return level_truth(stenotic, "L3-L4")
