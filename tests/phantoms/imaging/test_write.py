"""What is written is read back by other libraries with the same voxels in the same places."""

from __future__ import annotations

import json
import os
import stat
from pathlib import Path

import nibabel as nib
import numpy as np
import pydicom
import pytest
import SimpleITK as sitk  # noqa: N813

from canalwise.phantoms.imaging.scanner import PhantomScan
from canalwise.phantoms.imaging.write import write_dicom_series, write_labels, write_nifti, write_scan
from canalwise.phantoms.solid.pose import turn
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Grid

PLACE_TOL_MM = 1e-5


@pytest.fixture
def scan(rng: np.random.Generator) -> PhantomScan:
    """A small oblique scan with unequal spacings: 7 x 5 x 4 voxels, each of its own value."""
    affine = np.eye(4)
    affine[:3, :3] = (turn(0, 12.0) @ turn(2, -20.0)).T * np.array([0.5, 0.8, 1.25])
    affine[:3, 3] = [-31.5, 12.25, 101.0]
    ct = rng.permutation(140).reshape(7, 5, 4).astype(np.int16) - 100
    labels = np.full((7, 5, 4), 2206, dtype=np.uint16)
    return PhantomScan(ct, (ct + 200).astype(np.int16), labels, Grid((7, 5, 4), affine))


def test_nifti_keeps_voxels_and_place(scan: PhantomScan, tmp_path: Path) -> None:
    image = nib.load(write_nifti(scan.ct_hu, scan.grid, tmp_path / "ct.nii.gz"))
    assert np.array_equal(np.asanyarray(image.dataobj), scan.ct_hu)
    assert np.abs(image.affine - scan.grid.affine_ras_mm).max() < PLACE_TOL_MM
    assert image.header.get_xyzt_units()[0] == "mm"


def test_nifti_bytes_are_the_same_twice(scan: PhantomScan, tmp_path: Path) -> None:
    one, two = (write_nifti(scan.ct_hu, scan.grid, tmp_path / name) for name in ("a.nii.gz", "b.nii.gz"))
    assert one.read_bytes() == two.read_bytes()


def test_label_names_stand_beside_the_map(scan: PhantomScan, tmp_path: Path) -> None:
    write_labels(scan, tmp_path / "labels.nii.gz")
    assert json.loads((tmp_path / "labels.json").read_text()) == {"2206": "L3 lamina left"}


def test_scan_folder_is_whole(scan: PhantomScan, tmp_path: Path) -> None:
    write_scan(scan, tmp_path / "case", {"schema": "x"})
    names = sorted(path.name for path in (tmp_path / "case").iterdir())
    assert names == ["ct.nii.gz", "labels.json", "labels.nii.gz", "mr.nii.gz", "truth.json"]


@pytest.mark.parametrize("modality", ["CT", "MR"])
def test_dicom_is_read_back_by_itk_with_the_right_geometry(scan: PhantomScan, tmp_path: Path, modality: str) -> None:
    folder = write_dicom_series(scan, tmp_path / "dcm", modality=modality)  # type: ignore[arg-type]
    image = sitk.ReadImage(sitk.ImageSeriesReader.GetGDCMSeriesFileNames(str(folder)))
    assert image.GetSize() == (7, 5, 4)
    expected = scan.ct_hu if modality == "CT" else scan.mr
    for index in ((0, 0, 0), (6, 0, 0), (0, 4, 0), (0, 0, 3), (3, 2, 1)):
        lps = np.array(image.TransformIndexToPhysicalPoint(index))
        assert np.abs(lps * [-1, -1, 1] - scan.grid.world_mm(index)).max() < 1e-4
        assert image.GetPixel(*index) == expected[index]


def test_dicom_headers_are_valid_and_name_nobody(scan: PhantomScan, tmp_path: Path) -> None:
    folder = write_dicom_series(scan, tmp_path / "dcm")
    sets = [pydicom.dcmread(path) for path in sorted(folder.iterdir())]
    assert len({ds.SOPInstanceUID for ds in sets}) == 4
    assert len({ds.SeriesInstanceUID for ds in sets}) == 1
    # PixelSpacing is (between rows, between columns): 0.8 along the second array axis first
    assert [float(v) for v in sets[0].PixelSpacing] == pytest.approx([0.8, 0.5])
    assert sets[0].pixel_array[4, 6] + sets[0].RescaleIntercept == scan.ct_hu[6, 4, 0]
    assert {str(ds.PatientName) for ds in sets} == {"PHANTOM"}
    assert {ds.PatientBirthDate for ds in sets} == {""}


def test_dicom_bytes_are_the_same_twice(scan: PhantomScan, tmp_path: Path) -> None:
    one, two = (write_dicom_series(scan, tmp_path / name) for name in ("a", "b"))
    assert [p.read_bytes() for p in sorted(one.iterdir())] == [p.read_bytes() for p in sorted(two.iterdir())]


def test_unknown_modality_is_refused(scan: PhantomScan, tmp_path: Path) -> None:
    with pytest.raises(WrongUse, match="must be CT or MR"):
        write_dicom_series(scan, tmp_path, modality="US")  # type: ignore[arg-type]


def test_nothing_half_written_is_left(scan: PhantomScan, tmp_path: Path) -> None:
    with pytest.raises(Exception, match=r".+"):
        write_nifti(np.zeros((2, 2), dtype=object), scan.grid, tmp_path / "bad.nii.gz")
    assert list(tmp_path.iterdir()) == []


def test_written_files_have_the_permissions_of_any_new_file(scan: PhantomScan, tmp_path: Path) -> None:
    before = os.umask(0o027)
    try:
        path = write_nifti(scan.ct_hu, scan.grid, tmp_path / "ct.nii.gz")
    finally:
        os.umask(before)
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
