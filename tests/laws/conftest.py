"""The scenes laws compare, each made once."""

from __future__ import annotations

import pytest

from tests.laws.scenes import SPEC, Scene, anatomy_on, grid_of, usual


@pytest.fixture(scope="session")
def plain() -> Scene:
    """The patient as he lies, on even voxels."""
    anatomy = anatomy_on(SPEC, grid_of(SPEC))
    return Scene(anatomy, usual(anatomy))
