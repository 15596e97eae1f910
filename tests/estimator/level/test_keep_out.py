"""The field about the sac: as scipy computes it, whatever the number of threads."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage

from canalwise.estimator.geometry.field_sampling import above_half
from canalwise.estimator.level.keep_out import PRESSED_SAC_MM, keep_out_of
from canalwise.recon.grid import Grid
from canalwise.recon.labels import Tissue
from canalwise.recon.parallel import THREADS_VARIABLE
from tests.estimator.toys import round_sac_anatomy

RULES_MM = (2.0, 0.5, 1.75)
VOXEL_MM = 0.5
"""Of the labels: a border drawn in voxels may be off by as much at a place, by a third of it on average."""


@pytest.mark.parametrize("steps", [(1, 2, 3), (4, 1, 2)])
def test_refined_as_scipy_refines(steps):
    field = ndimage.gaussian_filter(np.random.default_rng(3).random((9, 8, 7)).astype(np.float32), 0.8)
    shape = (np.array(field.shape) - 1) * steps + 1
    found = np.empty(shape, dtype=bool)
    above_half(field, np.array(steps), found)
    expected = ndimage.zoom(field, shape / np.array(field.shape), order=1)
    clear = np.abs(expected - 0.5) > 1e-6
    assert (found == (expected > 0.5))[clear].all()
    assert 0.2 < found.mean() < 0.8


def test_same_bytes_whatever_the_number_of_threads(monkeypatch):
    anatomy = round_sac_anatomy(7.0, 10.0)
    fields = []
    for workers in (1, 2, 5):
        monkeypatch.setenv(THREADS_VARIABLE, str(workers))
        fields.append(keep_out_of(anatomy, np.zeros(3), RULES_MM).distance_mm.tobytes())
    assert fields[0] == fields[1] == fields[2]


def test_distance_from_a_round_sac_less_its_retraction():
    keep_out = keep_out_of(round_sac_anatomy(7.0, 10.0), np.zeros(3), RULES_MM)
    x, y, z = np.moveaxis(keep_out.grid.voxel_centres_mm(), -1, 0)
    beside = (np.abs(z) < 5) & (np.hypot(x, y) < 12)
    expected = np.maximum(np.hypot(x, y) - (7.0 - 2.0), 0.0)
    off = np.abs(keep_out.distance_mm - expected)[beside]
    assert off.max() < VOXEL_MM
    assert off.mean() < VOXEL_MM / 3


@pytest.mark.parametrize("turned", [False, True])
def test_where_the_sac_is_pressed_shut_its_roots_are_kept_clear_all_the_same(turned):
    anatomy = round_sac_anatomy(7.0, 10.0)
    heights = anatomy.grid.voxel_centres_mm()[..., 2]
    labels = np.where((anatomy.labels == Tissue.SAC) & (np.abs(heights) < 4), Tissue.CANAL, anatomy.labels)
    grid = anatomy.grid
    if turned:  # an image whose first axis runs cranially
        affine = grid.affine_ras_mm[:, [2, 1, 0, 3]]
        labels, grid = np.ascontiguousarray(np.swapaxes(labels, 0, 2)), Grid(labels.shape[::-1], affine)
    shut = replace(anatomy, labels=labels, occupancy=np.zeros(labels.shape, np.float32), grid=grid)
    keep_out = keep_out_of(shut, np.zeros(3), RULES_MM)
    index = np.rint(keep_out.grid.index_of(np.array([[0.0, 0.0, 0.0], [PRESSED_SAC_MM.value + 1.0, 0.0, 0.0]])))
    inside, beside = (float(keep_out.distance_mm[tuple(at.astype(int))]) for at in index)
    assert inside == 0.0
    assert beside == pytest.approx(1.0 + RULES_MM[0], abs=VOXEL_MM)
