"""The same patient on other voxels gives the same answers, to what voxels can hold."""

from __future__ import annotations

import numpy as np
import pytest

from canalwise.recon.grid import Grid
from tests.laws.scenes import SPACING_MM, SPEC, Scene, anatomy_on, facet_fractions, grid_of, volumes_mm3

VOLUME_TOL_FRAC, FACET_TOL_FRAC, REACH_TOL_MM = 0.03, 0.03, 0.75
TASK_TOL_FRAC = 0.04  # a single one of some 250 targets that is touched on one grid and not on the other is a path more

UNEVEN_MM = (0.6, 0.7, 1.0)


def _uneven(grid: Grid) -> Grid:
    """The same region cut into uneven voxels."""
    ratio = np.array(UNEVEN_MM) / SPACING_MM
    affine = grid.affine_ras_mm.copy()
    affine[:3, :3] *= ratio
    i, j, k = (int(n) for n in np.ceil(np.array(grid.shape) / ratio))
    return Grid((i, j, k), affine)


@pytest.fixture(scope="module", params=[pytest.param("0.6 mm", marks=pytest.mark.thorough), "uneven"])
def resampled(plain: Scene, request: pytest.FixtureRequest) -> Scene:
    """The patient on other voxels."""
    grid = grid_of(SPEC, 0.6) if request.param == "0.6 mm" else _uneven(plain.anatomy.grid)
    return Scene(anatomy_on(SPEC, grid), plain.approach)


def test_resampling_changes_estimates_little(plain: Scene, resampled: Scene) -> None:
    here, there = volumes_mm3(plain), volumes_mm3(resampled)
    assert there["cone"] == pytest.approx(here["cone"], rel=VOLUME_TOL_FRAC)
    assert there["task"] == pytest.approx(here["task"], rel=TASK_TOL_FRAC)
    assert facet_fractions(resampled) == pytest.approx(facet_fractions(plain), abs=FACET_TOL_FRAC)
    for side in ("contralateral_reach", "ipsilateral_reach"):
        here, there = plain.document[side], resampled.document[side]
        assert there["lateral_mm"] == pytest.approx(here["lateral_mm"], abs=REACH_TOL_MM)
