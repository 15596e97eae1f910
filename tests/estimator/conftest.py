"""A narrow level with given labels, and what its usual plan frees; found once for all tests of the estimator."""

from __future__ import annotations

import pytest

from canalwise.estimator.level.prepared_level import PreparedLevel, prepared_level
from canalwise.estimator.outcome.decompressed import DecompressedLevel, decompressed
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.phantoms.spec import demo_spec
from canalwise.recon.anatomy import Anatomy
from tests.labelled_phantoms import LEVEL, labelled


@pytest.fixture(scope="session")
def narrow() -> Anatomy:
    """The demonstration's spine."""
    return labelled(demo_spec())


@pytest.fixture(scope="session")
def prepared(narrow: Anatomy) -> PreparedLevel:
    """Its narrow level."""
    return prepared_level(narrow, LEVEL)


@pytest.fixture(scope="session")
def found(prepared: PreparedLevel) -> DecompressedLevel:
    """What the usual plan from the left frees."""
    return decompressed(prepared, default_approach(prepared.anatomy, LEVEL, "left"))
