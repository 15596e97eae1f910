"""A narrow level with given labels, and what its usual plan frees; found once for all rooms that ask for it."""

from __future__ import annotations

import numpy as np
import pytest

from canalwise.estimator.level.prepared_level import PreparedLevel, prepared_level
from canalwise.estimator.outcome.decompressed import DecompressedLevel, decompressed
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.phantoms.imaging.grids import natural_grid
from canalwise.phantoms.imaging.render import render_scan
from canalwise.phantoms.spec import SpineSpec, demo_spec
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.case.motion_segments import levels_of
from canalwise.recon.labels import bone_mask

LEVEL, SPACING_MM = "L3-L4", 0.9


def labelled(spec: SpineSpec) -> Anatomy:
    """A phantom's level, its own labels given, bone all or nothing."""
    grid = natural_grid(spec, SPACING_MM, (LEVEL,))
    labels = render_scan(spec, grid).labels
    bone = bone_mask(labels).astype(np.float32)
    return Anatomy(grid, labels, bone, levels_of(labels, bone, grid), {"sac": "given"})


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
