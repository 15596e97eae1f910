"""NIfTI at the door: every disease of a header, one test each."""

import gzip
import struct

import nibabel as nib
import numpy as np
import pytest
import SimpleITK

from canalwise.recon.errors import BadFile, BadGeometry, UnusableInput
from canalwise.recon.intake.nifti_writer import write_nifti
from canalwise.recon.intake.reader import read_scan
from tests.recon.scans import SECRET, SPACING_MM, UPRIGHT, body, write_nifti_file

SINE, COSINE = np.sin(0.3), np.cos(0.3)
OBLIQUE = np.array(
    [[0, 0.7 * SINE, 0.9 * COSINE, 5], [0.8, 0, 0, -7], [0, -0.7 * COSINE, 0.9 * SINE, 11], [0, 0, 0, 1]]
)
FLIPPED = np.diag([-0.9, -0.8, 0.7, 1.0])
SAGITTAL = np.array([[0, 0, 0.7, 1], [-0.9, 0, 0, 2], [0, 0.8, 0, 3], [0, 0, 0, 1]])


def test_plain_scan_keeps_every_voxel_and_place(tmp_path):
    scan = read_scan(write_nifti_file(tmp_path / "a.nii.gz", body()))
    assert scan.voxels.dtype == np.int16
    assert np.array_equal(scan.voxels, body())
    assert np.allclose(scan.grid.affine_ras_mm, UPRIGHT, atol=1e-4)
    assert scan.modality == "CT"
    assert scan.warnings == ()


@pytest.mark.parametrize("kind", [nib.Nifti1Image, nib.Nifti2Image])
@pytest.mark.parametrize("suffix", [".nii", ".nii.gz"])
def test_both_versions_packed_or_not(tmp_path, kind, suffix):
    scan = read_scan(write_nifti_file(tmp_path / f"a{suffix}", body(), kind=kind))
    assert np.array_equal(scan.voxels, body())


@pytest.mark.parametrize("affine", [OBLIQUE, FLIPPED, SAGITTAL], ids=["oblique", "flipped", "sagittal"])
def test_turned_axes_are_permuted_and_every_voxel_stays_where_it_was(tmp_path, affine):
    scan = read_scan(write_nifti_file(tmp_path / "a.nii", body(), affine))
    cosines = scan.grid.affine_ras_mm[:3, :3] / scan.grid.spacing_mm
    assert (np.abs(cosines).argmax(axis=0) == [0, 1, 2]).all()
    assert (np.diag(cosines) > 0).all()
    for index in [(0, 0, 0), (19, 3, 7), (8, 9, 6), (4, 23, 29)]:
        world = affine[:3, :3] @ index + affine[:3, 3]
        i, j, k = np.rint(scan.grid.index_of(world)).astype(int)
        assert np.allclose(scan.grid.world_mm((i, j, k)), world, atol=1e-4)
        assert scan.voxels[i, j, k] == body()[index]


@pytest.mark.parametrize(("sform", "qform"), [(1, 0), (0, 1), (1, 1)])
def test_either_form_alone_or_both_alike(tmp_path, sform, qform):
    scan = read_scan(write_nifti_file(tmp_path / "a.nii", body(), sform=sform, qform=qform))
    assert np.allclose(scan.grid.affine_ras_mm, UPRIGHT, atol=1e-3)


def test_forms_that_disagree_are_refused(tmp_path):
    moved = UPRIGHT.copy()
    moved[0, 3] += 0.5
    path = write_nifti_file(tmp_path / "a.nii", body(), qform=1, other=moved)
    with pytest.raises(BadGeometry, match=r"sform and qform within 0\.1 mm .*0\.50 mm apart"):
        read_scan(path)


def test_no_form_is_refused_because_sides_would_be_guessed(tmp_path):
    with pytest.raises(BadGeometry, match="where left and right are"):
        read_scan(write_nifti_file(tmp_path / "a.nii", body(), sform=0, qform=0))


def test_unknown_unit_is_taken_as_mm_and_said(tmp_path):
    scan = read_scan(write_nifti_file(tmp_path / "a.nii", body(), unit="unknown"))
    assert np.allclose(scan.grid.spacing_mm, SPACING_MM)
    assert any("no unit" in warning for warning in scan.warnings)


@pytest.mark.parametrize(("unit", "reported", "per_mm"), [("micron", "micron", 1000.0), ("meter", "metre", 0.001)])
def test_microns_and_metres_are_converted(tmp_path, unit, reported, per_mm):
    affine = np.diag([per_mm] * 3 + [1.0]) @ UPRIGHT
    scan = read_scan(write_nifti_file(tmp_path / "a.nii", body(), affine, unit=unit))
    assert np.allclose(scan.grid.affine_ras_mm, UPRIGHT, atol=1e-3)
    assert any(reported in warning for warning in scan.warnings)


def test_an_impossible_unit_code_is_an_unknown_unit(tmp_path):
    path = write_nifti_file(tmp_path / "a.nii", body())
    raw = bytearray(path.read_bytes())
    raw[123] = 0x86
    path.write_bytes(raw)
    assert any("no unit" in warning for warning in read_scan(path).warnings)


def test_stored_slope_and_intercept_are_applied_once(tmp_path):
    path = tmp_path / "a.nii"
    image = nib.Nifti1Image((body().astype(int) + 1024).astype(np.uint16), UPRIGHT)
    image.header.set_slope_inter(1, -1024)
    # nibabel would scale on saving; the raw numbers are wanted.
    path.write_bytes(image.header.binaryblock + bytes(4) + image.dataobj.tobytes(order="F"))
    raw = bytearray(path.read_bytes())
    raw[108:112] = np.float32(352).tobytes()
    path.write_bytes(raw)
    scan = read_scan(path)
    assert scan.voxels.dtype == np.int16
    assert np.array_equal(scan.voxels, body())


def test_whole_numbers_kept_as_floats_become_int16(tmp_path):
    scan = read_scan(write_nifti_file(tmp_path / "a.nii", body().astype(np.float64)))
    assert scan.voxels.dtype == np.int16


def test_fractions_stay_float32(tmp_path):
    scan = read_scan(write_nifti_file(tmp_path / "a.nii", body() + 0.25))
    assert scan.voxels.dtype == np.float32
    assert np.array_equal(scan.voxels, body() + np.float32(0.25))


def test_not_a_number_is_refused_with_its_count(tmp_path):
    voxels = body().astype(np.float32)
    voxels[3, 4, 5:7] = np.nan
    with pytest.raises(UnusableInput, match="2 not-a-number"):
        read_scan(write_nifti_file(tmp_path / "a.nii", voxels))


def test_one_frame_is_squeezed_and_more_refused(tmp_path):
    one = read_scan(write_nifti_file(tmp_path / "a.nii", body()[..., None]))
    assert one.voxels.shape == body().shape
    with pytest.raises(BadGeometry, match="one volume"):
        read_scan(write_nifti_file(tmp_path / "b.nii", np.stack([body()] * 2, axis=-1)))


def test_flat_image_is_refused(tmp_path):
    with pytest.raises(BadGeometry, match="three axes"):
        read_scan(write_nifti_file(tmp_path / "a.nii", body()[:, :, 0]))


def test_colour_is_refused(tmp_path):
    colour = np.zeros((9, 9, 9), dtype=[("R", "u1"), ("G", "u1"), ("B", "u1")])
    with pytest.raises(BadFile, match="plain numbers"):
        read_scan(write_nifti_file(tmp_path / "a.nii", colour))


@pytest.mark.parametrize("suffix", [".nii", ".nii.gz"])
@pytest.mark.parametrize("share", [0.0, 0.005, 0.5, 0.98])
def test_truncated_file_is_refused_without_naming_it(tmp_path, suffix, share):
    path = write_nifti_file(tmp_path / f"{SECRET}{suffix}", body())
    content = path.read_bytes()
    path.write_bytes(content[: int(share * len(content))])
    with pytest.raises(BadFile) as refusal:
        read_scan(path)
    assert SECRET not in str(refusal.value)


@pytest.mark.parametrize("content", [b"not an image at all", gzip.compress(b"neither is this", mtime=0), bytes(400)])
def test_hostile_file_is_refused(tmp_path, content):
    path = tmp_path / "a.nii.gz"
    path.write_bytes(content)
    with pytest.raises(BadFile):
        read_scan(path)


def test_huge_header_is_refused_before_memory_is_touched(tmp_path):
    path = write_nifti_file(tmp_path / "a.nii", body())
    raw = bytearray(path.read_bytes())
    raw[42:48] = np.array([30000, 30000, 30000], dtype="<i2").tobytes()
    path.write_bytes(raw)
    with pytest.raises(BadFile, match="memory budget of 2500 MB"):
        read_scan(path)


def test_what_is_written_is_read_by_others_and_is_the_same_twice(tmp_path):
    scan = read_scan(write_nifti_file(tmp_path / "in.nii", body(), OBLIQUE))
    for name in ("a.nii.gz", "b.nii.gz"):
        write_nifti(tmp_path / name, scan.voxels, scan.grid)
    assert (tmp_path / "a.nii.gz").read_bytes() == (tmp_path / "b.nii.gz").read_bytes()
    other = SimpleITK.ReadImage(str(tmp_path / "a.nii.gz"))
    assert np.array_equal(SimpleITK.GetArrayFromImage(other).T, scan.voxels)
    lps = other.TransformContinuousIndexToPhysicalPoint((3.0, 4.0, 5.0))
    assert np.allclose(np.array(lps) * [-1, -1, 1], scan.grid.world_mm((3, 4, 5)), atol=1e-3)
    again = read_scan(tmp_path / "a.nii.gz")
    assert again.grid.same_as(scan.grid)


@pytest.mark.parametrize(("at", "kind", "value"), [(252, "<h", 128), (254, "<h", -3), (80, "<f", -0.9), (0, "<i", 7)])
def test_header_that_a_library_would_mend_by_a_guess_is_refused(tmp_path, at, kind, value, caplog):
    path = write_nifti_file(tmp_path / "a.nii", body(), qform=1)
    content = bytearray(path.read_bytes())
    struct.pack_into(kind, content, at, value)
    path.write_bytes(content)
    with pytest.raises(UnusableInput):
        read_scan(path)
    assert caplog.records == []


def test_forms_that_are_not_finite_are_refused(tmp_path):
    path = write_nifti_file(tmp_path / "a.nii", body(), qform=1)
    content = bytearray(path.read_bytes())
    struct.pack_into("<f", content, 284, float("nan"))
    path.write_bytes(content)
    with pytest.raises(BadGeometry, match="not finite"):
        read_scan(path)
