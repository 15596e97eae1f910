"""The sac's sections against a tube whose area across it is known."""

from __future__ import annotations

import numpy as np
import pytest

from canalwise.recon.anatomy import Frame
from canalwise.recon.grid import isotropic_grid
from canalwise.recon.labels import Tissue
from canalwise.recon.level.resampled_level import local_view
from canalwise.recon.level.sac_sections import MEAN_OVER_MM, narrowest_mm2, sac_sections

UPRIGHT = Frame(np.zeros(3), np.diag([-1.0, -1.0, 1.0]))


def view_of(radius_mm, lean, canal_mm=0.0):
    """A tube of a radius that may depend on the height, leaning ventrally by `lean` mm per mm, in a canal about it."""
    grid = isotropic_grid((-20, -30, -30), (20, 30, 30), 0.5)
    x, y, z = np.moveaxis(grid.voxel_centres_mm(), -1, 0)
    # distance from the axis, across it
    off = np.hypot(x, (y - lean * z) / np.hypot(1.0, lean))
    labels = np.where(off <= radius_mm(z), Tissue.SAC, np.where(off <= canal_mm, Tissue.CANAL, 0)).astype(np.uint16)
    return local_view(labels, np.zeros(labels.shape, np.float32), grid, UPRIGHT, ("L3", "L4"))


@pytest.mark.parametrize("lean", [0.0, 0.3, 0.6])
def test_area_is_that_across_the_sac_however_it_leans(lean):
    # an axial plane would cut pi r^2 sqrt(1 + lean^2), 17 % more at 0.6
    found = sac_sections(view_of(lambda z: 7.0, lean), -12.0, 12.0)
    assert found is not None
    assert found.areas_mm2 == pytest.approx(np.pi * 49.0, rel=0.03)


def test_the_narrowest_place_need_not_be_the_disc():
    def waisted(z):
        return 7.0 - 2.5 * np.exp(-0.5 * ((z - 8.0) / 3.0) ** 2)

    view = view_of(waisted, 0.0)
    found = sac_sections(view, -12.0, 12.0)
    assert found is not None
    assert found.heights_mm[found.narrowest] == pytest.approx(8.0, abs=1.0)
    # areas are means along the sac, weighed as a Gaussian of MEAN_OVER_MM
    z = np.linspace(3.0, 13.0, 401)
    weight = np.exp(-0.5 * ((z - 8.0) / MEAN_OVER_MM) ** 2)
    expected = float((weight * np.pi * waisted(z) ** 2).sum() / weight.sum())
    assert narrowest_mm2(view, -12.0, 12.0) == pytest.approx(expected, rel=0.05)


@pytest.mark.parametrize(("canal_mm", "least_mm2"), [(9.0, 0.0), (0.0, np.pi * 49.0)])
def test_a_sac_pressed_shut_has_no_area_where_its_canal_goes_on(canal_mm, least_mm2):
    """Where the canal is missing too the labels have a gap, and only what is seen counts."""
    shut = view_of(lambda z: np.where(np.abs(z - 2.0) < 4.0, -1.0, 7.0), 0.0, canal_mm)
    assert narrowest_mm2(shut, -12.0, 12.0) == pytest.approx(least_mm2, rel=0.15, abs=2.0)


def test_no_sac_no_area():
    assert narrowest_mm2(view_of(lambda z: -1.0, 0.0), -12.0, 12.0) is None
