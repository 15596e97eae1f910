"""A CT alone: vertebrae, canal and names against phantom truth and a real noisy scan."""

from pathlib import Path

import nibabel as nib
import numpy as np
import pytest

from canalwise.phantoms.imaging.grids import natural_grid
from canalwise.phantoms.imaging.render import render_scan
from canalwise.phantoms.imaging.scanner import PhantomScan
from canalwise.phantoms.spec import SpineSpec
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Grid
from canalwise.recon.labelling.ct_segmentation import segment
from canalwise.recon.labels import Part, bone_mask, canal_mask, vertebra_number, vertebrae_in
from canalwise.recon.scan import Scan
from canalwise.recon.segmentation.placed_labels import Segmentation


def dice(a: np.ndarray, b: np.ndarray) -> float:
    """Overlap of two masks."""
    return float(2 * (a & b).sum() / max(a.sum() + b.sum(), 1))


@pytest.fixture(scope="module")
def phantom() -> PhantomScan:
    """One level, 1.25 mm."""
    return render_scan(SpineSpec(trabecular_hu=95.0), natural_grid(SpineSpec(), 1.25, ("L3-L4",)))


@pytest.fixture(scope="module")
def found(phantom: PhantomScan) -> Segmentation:
    """Its segmentation; slivers of L2 and L5 stay unnamed."""
    return segment(Scan(phantom.ct_hu, phantom.grid, "CT"), ("L3", "L4"))


@pytest.mark.parametrize("name", ["L3", "L4"])
def test_vertebrae_agree_with_truth(name: str, phantom: PhantomScan, found: Segmentation) -> None:
    number = vertebra_number(name)
    truth = bone_mask(phantom.labels) & (phantom.labels // 100 == number)
    assert dice(truth, bone_mask(found.labels) & (found.labels // 100 == number)) >= 0.93


def test_canal_agrees_with_truth(phantom: PhantomScan, found: Segmentation) -> None:
    assert dice(canal_mask(phantom.labels), canal_mask(found.labels)) >= 0.9


def test_occupancy_is_bone_and_its_half_is_labelled(found: Segmentation) -> None:
    assert found.occupancy.dtype == np.float32
    assert ((found.occupancy >= 0.5) == bone_mask(found.labels)).mean() > 0.995


def test_evidence_is_reported(found: Segmentation) -> None:
    assert found.naming.evidence == "given"


def test_no_sign_no_confirmed_names(phantom: PhantomScan) -> None:
    scan = Scan(phantom.ct_hu, phantom.grid, "CT")
    unsure = segment(scan)
    assert not unsure.naming.confirmed
    assert "--levels" in unsure.naming.question
    assert len(vertebrae_in(unsure.labels)) == len(unsure.naming.candidates[0].names)
    with pytest.raises(WrongUse, match="vertebrae found in view"):
        segment(scan, ("L1", "L2", "L3", "L4", "L5"))


def test_real_crop_against_its_given_labels(data_dir: Path) -> None:
    # Data and labels: data/README.md of the data folder, a noisy 1.5 mm CT crop with L2 to L4.
    folder = data_dir / "ct_lumbar_crop_1p5mm"
    image, given = (nib.as_closest_canonical(nib.load(folder / f"{n}.nii.gz")) for n in ("ct", "vertebrae"))
    scan = Scan(np.asarray(image.dataobj, dtype=np.int16), Grid(image.shape, image.affine), "CT")
    labels = segment(scan, ("L2", "L3", "L4")).labels
    truth = np.asarray(given.dataobj)
    overlap = {
        name: dice(truth == vertebra_number(name), bone_mask(labels) & (labels // 100 == vertebra_number(name)))
        for name in ("L2", "L3", "L4")
    }
    # The scan was not learnt from; a smoothed threshold alone gives 0.75 here.
    assert overlap["L3"] >= 0.92, overlap
    assert min(overlap.values()) >= 0.92, overlap
    assert not (labels % 100 == Part.UNDIVIDED)[bone_mask(labels)].any()
