"""Modelled ligament and sac in the elliptic canal."""

import numpy as np
import pytest

from canalwise.recon.canal.soft_tissue_model import with_modelled_tissue
from canalwise.recon.labels import Tissue, canal_mask
from tests.recon.shapes import CANAL_HALF_DEPTH, Shapes, case, truth_frame


@pytest.fixture(scope="module")
def modelled() -> np.ndarray:
    shapes, labels, _, grid = case("plain")
    return with_modelled_tissue(labels, grid, {("L3", "L4"): truth_frame(shapes)})


def test_only_the_canal_changes(modelled: np.ndarray) -> None:
    _, labels, _, _ = case("plain")
    assert (canal_mask(modelled) == canal_mask(labels)).all()
    assert (modelled[~canal_mask(labels)] == labels[~canal_mask(labels)]).all()


def test_ligament_has_the_published_thickness_and_lies_dorsally(modelled: np.ndarray) -> None:
    _, _, _, grid = case("plain")
    level = truth_frame(Shapes()).to_level_mm(grid.world_mm(np.argwhere(modelled == Tissue.FLAVUM)))
    middle = level[np.abs(level[:, 0]) < 0.5]
    inner_face = middle[:, 1].min() - 0.5
    assert CANAL_HALF_DEPTH - inner_face == pytest.approx(3.38, abs=1.0)  # a voxel
    # from the lower laminae's upper edge to the upper laminae's mid-height
    assert level[:, 2].min() == pytest.approx(-9.0, abs=1.0)
    assert level[:, 2].max() == pytest.approx(13.5, abs=1.0)


def test_sac_is_one_round_piece_clear_of_ligament_and_wall(modelled: np.ndarray) -> None:
    from scipy import ndimage

    sac = modelled == Tissue.SAC
    assert ndimage.label(sac)[1] == 1
    room = ndimage.distance_transform_edt(canal_mask(modelled) & (modelled != Tissue.FLAVUM), sampling=1.0)
    # the margin of 1 mm runs from face to face: 1 mm between voxel centres at the least, half a voxel more as a rule
    assert room[sac].min() >= 1.0
    assert 0.3 < sac.sum() / canal_mask(modelled).sum() < 0.9


def test_given_sac_and_ligament_stay() -> None:
    shapes, labels, _, grid = case("plain")
    given = labels.copy()
    given[tuple(np.argwhere(labels == Tissue.CANAL)[::7].T)] = Tissue.SAC
    given[tuple(np.argwhere(labels == Tissue.CANAL)[1::7].T)] = Tissue.FLAVUM
    assert (with_modelled_tissue(given, grid, {("L3", "L4"): truth_frame(shapes)}) == given).all()
