"""Stacks of an MR put together, and what is refused or left out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage

from canalwise.recon.errors import BadFile, BadGeometry, UnusableInput, WrongUse
from canalwise.recon.examination.stack_fusion import Stack, fused, read_examination, weighting_of
from canalwise.recon.examination.working_volume import WORK_MM, on_grid, working_volume
from canalwise.recon.grid import Grid
from canalwise.recon.intake.checks import check_magnitude, mr_thickness_warnings
from canalwise.recon.scan import Scan
from tests.recon.scans import write_nifti_file

FINE = Grid((80, 80, 80), np.diag([0.8, 0.8, 0.8, 1.0]))


def pattern() -> np.ndarray:
    """A smooth random picture, as fine every way."""
    noise = ndimage.gaussian_filter(np.random.default_rng(5).standard_normal(FINE.shape), 2.0)
    return (400.0 + 90.0 * noise / noise.std()).astype(np.float32)


def stack(truth: np.ndarray, across: int, gain: float = 1.0, shift_mm: float = 0.0, said: str = "") -> Stack:
    """Slices 4 mm thick across one axis of the picture."""
    sigma = [0.0] * 3
    sigma[across] = 4.0 / 2.355 / 0.8
    thick = ndimage.gaussian_filter(truth, sigma)
    pick = [slice(None)] * 3
    pick[across] = slice(2, None, 5)
    affine = FINE.affine_ras_mm.copy()
    affine[across, across] = 4.0
    affine[across, 3] = 1.6
    affine[0, 3] += shift_mm
    voxels = np.rint(thick[tuple(pick)] * gain).astype(np.int16)
    return Stack(Scan(voxels, Grid(voxels.shape, affine), "MR"), said or f"stack across {across}")


def error(scan: Scan, truth: np.ndarray) -> float:
    there = on_grid(scan, FINE)
    inner = (slice(10, -10),) * 3
    return float(np.sqrt(np.mean((there[inner] - truth[inner]) ** 2)) / truth.std())


def test_two_stacks_show_more_than_either_whatever_their_brightness():
    truth = pattern()
    sagittal, axial = stack(truth, 0), stack(truth, 2, gain=1.7, shift_mm=1.0)
    alone, both = error(working_volume(sagittal.scan), truth), fused((sagittal, axial))
    assert error(both, truth) < 0.75 * alone
    assert max(both.acquired_mm) == pytest.approx(4.0)
    assert "stack across 2, moved by" in both.provenance["stacks"]


def test_fractions_of_one_are_put_together_as_whole_numbers_are():
    stacks = [stack(pattern(), axis) for axis in (0, 2)]
    small = [replace(one, scan=replace(one.scan, voxels=(one.scan.voxels / 2000).astype(np.float32))) for one in stacks]
    whole, fractions = fused(stacks), fused(small)
    assert fractions.voxels * 2000 == pytest.approx(whole.voxels, abs=2.0)
    assert whole.across_mm(0.0 + 1.6) == pytest.approx(0.8)


def test_what_shows_something_else_is_left_out_with_a_word_or_refused():
    truth = pattern()
    other = stack(np.ascontiguousarray(truth[::-1, ::-1]), 2, said="a stack of something else")
    alone = fused((stack(truth, 0),))
    kept = fused((stack(truth, 0), other))
    assert np.array_equal(alone.voxels, kept.voxels)
    assert any("A series was left out (a stack of something else)" in sentence for sentence in kept.warnings)
    with pytest.raises(UnusableInput, match="must show the same place alike"):
        fused((stack(truth, 0), other), requested=True)


def test_stacks_that_do_not_overlap_are_refused():
    truth = pattern()
    with pytest.raises(BadGeometry, match="must overlap"):
        fused((stack(truth, 0), stack(truth, 2, shift_mm=500.0)), requested=True)


def test_another_weighting_or_place_is_left_out():
    truth = pattern()
    t1 = replace(stack(truth, 2), weighting="T1")
    moved = replace(stack(truth, 2), place="another")
    kept = fused((replace(stack(truth, 0), weighting="T2"), t1, moved))
    assert sum("left out" in sentence for sentence in kept.warnings) == 2
    assert weighting_of(100.0, 3000.0) == "T2"


def test_several_files_must_be_mr(tmp_path):
    truth = pattern()
    files = [
        write_nifti_file(tmp_path / f"{n}.nii.gz", one.scan.voxels, one.scan.grid.affine_ras_mm)
        for n, one in enumerate((stack(truth, 0), stack(truth, 2)))
    ]
    with pytest.raises(WrongUse, match="must all be MR"):
        read_examination(files)
    assert read_examination(files, modality="MR").grid.spacing_mm == pytest.approx([WORK_MM] * 3)


def test_slices_of_an_mr_may_be_thick_along_one_axis():
    assert "not resolved" in mr_thickness_warnings(np.array([5.0, 0.6, 0.6]), accept_thick=False)[0]
    assert mr_thickness_warnings(np.array([1.0, 1.0, 1.0]), accept_thick=False) == ()
    for spacing in ([6.0, 0.6, 0.6], [5.0, 4.0, 0.6]):
        with pytest.raises(BadGeometry, match="must be at most 5 mm apart, their pixels 3 mm"):
            mr_thickness_warnings(np.array(spacing), accept_thick=False)


def test_a_ct_offered_as_mr_is_refused():
    with pytest.raises(UnusableInput, match=r"must hold magnitudes.*Hounsfield"):
        check_magnitude(np.array([-1000] * 5 + [40] * 95))


def test_working_volume_is_isotropic_and_tells_what_it_was_made_of():
    thick = stack(pattern(), 0).scan
    work = working_volume(thick)
    assert work.grid.spacing_mm == pytest.approx([WORK_MM] * 3)
    assert work.acquired_mm == pytest.approx((4.0, 0.8, 0.8))
    assert work.grid.shape == (80, 80, 80)
    assert working_volume(work) is work


@pytest.mark.parametrize(("slice_mm", "kept"), [(1.5, True), (3.0, False)])
def test_a_ct_of_thick_slices_is_worked_on_the_networks_voxels(slice_mm, kept):
    voxels = np.arange(20 * 20 * 12, dtype=np.int16).reshape(20, 20, 12)
    scan = Scan(voxels, Grid(voxels.shape, np.diag([0.9, 0.9, slice_mm, 1.0])), "CT")
    work = working_volume(scan)
    assert (work is scan) == kept
    assert work.voxels.dtype == np.int16
    assert work.acquired_mm == pytest.approx((0.9, 0.9, slice_mm))
    assert work.grid.spacing_mm == pytest.approx([0.9, 0.9, 1.5] if kept else [1.0] * 3)


@pytest.mark.parametrize("patients", [("A", "B"), ("A", "A")])
def test_two_patients_in_a_folder_are_refused_without_a_name(tmp_path, patients):
    import pydicom

    from canalwise.phantoms.imaging.scanner import PhantomScan
    from canalwise.phantoms.imaging.write import write_dicom_series

    voxels = np.random.default_rng(1).integers(0, 900, (20, 20, 24)).astype(np.int16)
    scan = PhantomScan(voxels, voxels, np.zeros(voxels.shape, np.uint16), Grid(voxels.shape, np.eye(4)))
    for series, patient in enumerate(patients, start=1):
        write_dicom_series(scan, tmp_path / str(series), modality="MR", series=series)
        for file in (tmp_path / str(series)).iterdir():
            header = pydicom.dcmread(file)
            header.PatientID = header.PatientName = f"SECRET{patient}"
            header.save_as(file)
    if len(set(patients)) == 1:
        assert read_examination([tmp_path]).modality == "MR"
        return
    with pytest.raises(BadFile, match="must hold one patient's images") as refused:
        read_examination([tmp_path])
    assert "SECRET" not in str(refused.value)
