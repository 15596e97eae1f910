"""A stenosis drawn into a slab of canal: how far ligament and processes grow, and into what."""

from __future__ import annotations

import numpy as np
import pytest

from canalwise.phantoms.imaging.scanner import PhantomScan
from canalwise.phantoms.imaging.stenosis import GROWN_HU, narrowed
from canalwise.recon.grid import isotropic_grid
from canalwise.recon.labels import Part, Tissue, label_of

SPACING_MM = 0.5
PROCESS, LAMINA = label_of("L4", Part.SUPERIOR_ARTICULAR_LEFT), label_of("L3", Part.LAMINA_LEFT)
LIGAMENT_TO_MM, CANAL_TO_MM = 3.0, 13.0


def slab() -> PhantomScan:
    """Along x: lamina below 0, ligament to 3 mm, canal with a sac in it to 13 mm, then a process."""
    grid = isotropic_grid([-4.0, 0.0, 0.0], [17.0, 4.0, 4.0], SPACING_MM)
    x = grid.voxel_centres_mm()[..., 0]
    labels = np.full(grid.shape, LAMINA, dtype=np.uint16)
    labels[x > 0] = Tissue.FLAVUM
    labels[x > LIGAMENT_TO_MM] = Tissue.CANAL
    labels[(x > 7.0) & (x < 9.0)] = Tissue.SAC
    labels[x > CANAL_TO_MM] = PROCESS
    flat = np.zeros(grid.shape, dtype=np.int16)
    return PhantomScan(flat, flat, labels, grid)


def extent_mm(scan: PhantomScan, label: int) -> tuple[float, float]:
    """(least, greatest) x of a label's voxels, their faces included."""
    x = scan.grid.voxel_centres_mm()[..., 0][scan.labels == label]
    return x.min() - SPACING_MM / 2, x.max() + SPACING_MM / 2


def test_ligament_and_process_grow_into_the_canal_by_what_is_requested() -> None:
    before, after = slab(), narrowed(slab(), 2.0, 1.5)
    assert extent_mm(after, Tissue.FLAVUM)[0] == extent_mm(before, Tissue.FLAVUM)[0]
    assert extent_mm(after, Tissue.FLAVUM)[1] - extent_mm(before, Tissue.FLAVUM)[1] == pytest.approx(2.0)
    assert extent_mm(before, PROCESS)[0] - extent_mm(after, PROCESS)[0] == pytest.approx(1.5)


def test_only_grown_bone_changes_the_image_and_no_other_bone_is_touched() -> None:
    before, after = slab(), narrowed(slab(), 2.0, 1.5)
    grown = (after.labels == PROCESS) & (before.labels != PROCESS)
    assert (after.ct_hu[grown] == GROWN_HU).all()
    assert np.array_equal(after.ct_hu[~grown], before.ct_hu[~grown])
    assert np.array_equal(after.labels == LAMINA, before.labels == LAMINA)


def test_bone_comes_before_ligament_and_the_sac_is_left_to_the_reader() -> None:
    after = narrowed(slab(), 20.0, 1.5)
    assert set(np.unique(after.labels)) == {Tissue.FLAVUM, PROCESS, LAMINA}
    untouched = narrowed(slab(), 0.0, 0.0)
    assert Tissue.SAC not in untouched.labels
    assert np.array_equal(untouched.labels != Tissue.CANAL, ~np.isin(slab().labels, (Tissue.CANAL, Tissue.SAC)))
