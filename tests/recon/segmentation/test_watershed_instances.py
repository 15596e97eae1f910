"""Separate vertebrae of a phantom's CT, as a build uses them, on coarse voxels."""

import numpy as np
import pytest

from canalwise.phantoms.imaging.grids import natural_grid
from canalwise.phantoms.imaging.render import render_scan
from canalwise.phantoms.imaging.scanner import PhantomScan
from canalwise.phantoms.spec import SpineSpec
from canalwise.recon.bone.occupancy import bone_model
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.grid import Grid
from canalwise.recon.labels import Part, bone_mask, vertebra_number
from canalwise.recon.scan import Scan
from canalwise.recon.segmentation.instances import VertebraInstances
from canalwise.recon.segmentation.watershed_instances import vertebra_instances


@pytest.fixture(scope="module")
def phantom() -> PhantomScan:
    """L3 and L4 at 2 mm."""
    spec = SpineSpec(trabecular_hu=110.0)
    return render_scan(spec, natural_grid(spec, 2.0, ("L3-L4",), half_width_mm=38.0), noise_hu=15.0)


@pytest.fixture(scope="module")
def found(phantom: PhantomScan) -> VertebraInstances:
    """Its vertebrae."""
    scan = Scan(phantom.ct_hu, phantom.grid, "CT")
    return vertebra_instances(scan, bone_model(scan))


def number_of(name: str, phantom: PhantomScan, found: VertebraInstances) -> int:
    """The number that most of a vertebra's true bone was given."""
    mine = phantom.labels[found.box] // 100 == vertebra_number(name)
    counts = np.bincount(found.number[mine & bone_mask(phantom.labels[found.box])])
    return int(counts[1:].argmax()) + 1


def test_vertebrae_are_numbered_from_the_caudal_end(phantom: PhantomScan, found: VertebraInstances) -> None:
    numbers = [number_of(name, phantom, found) for name in ("L4", "L3")]
    assert numbers == list(range(numbers[0], numbers[0] + 2))


@pytest.mark.parametrize("name", ["L3", "L4"])
def test_each_agrees_with_its_truth(name: str, phantom: PhantomScan, found: VertebraInstances) -> None:
    n = number_of(name, phantom, found)
    labels = phantom.labels[found.box]
    true = bone_mask(labels) & (labels // 100 == vertebra_number(name))
    ours = found.number == n
    assert 2 * (true & ours).sum() / (true.sum() + ours.sum()) > 0.88
    body, ours = true & (labels % 100 == Part.BODY), ours & (found.part == Part.BODY)
    assert 2 * (body & ours).sum() / (body.sum() + ours.sum()) > 0.85


def test_bodies_bone_and_discs_keep_apart(found: VertebraInstances) -> None:
    assert np.array_equal(found.part > 0, found.number > 0)
    assert not (found.disc > 0)[found.number > 0].any()
    assert (found.occupancy[found.number > 0] >= 0.5).mean() > 0.99
    assert found.occupancy.max() <= 1.0
    volumes = found.bodies_mm3()
    assert all(volume >= 1500.0 for volume in volumes.values())
    assert list(volumes) == sorted(volumes)


def test_soft_tissue_alone_has_no_vertebrae() -> None:
    rng = np.random.default_rng(1)
    voxels = np.rint(rng.normal(50, 10, (30, 30, 30))).astype(np.int16)
    voxels[5:9, 5:25, :] = 600  # a plate encloses nothing
    scan = Scan(voxels, Grid((30, 30, 30), np.diag([2.0, 2.0, 2.0, 1.0])), "CT")
    with pytest.raises(AnatomyNotFound, match="canal"):
        vertebra_instances(scan, bone_model(scan))
