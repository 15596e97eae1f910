"""The door itself: formats, sizes, thickness, values, modality; real crops tell CT from MR."""

import numpy as np
import pytest
import SimpleITK

from canalwise.recon.errors import BadFile, BadGeometry, UnusableInput, WrongUse
from canalwise.recon.intake.reader import read_scan
from tests.recon.scans import SECRET, UPRIGHT, body, write_nifti_file


def _sheared(lean: float) -> np.ndarray:
    affine = np.diag([0.9, 0.8, 0.7, 1.0])
    affine[1, 2] = lean * 0.7
    return affine


def _itk_image() -> SimpleITK.Image:
    image = SimpleITK.GetImageFromArray(body().T.copy())
    image.SetSpacing((0.9, 0.8, 0.7))
    image.SetDirection((-1, 0, 0, 0, -1, 0, 0, 0, 1))
    image.SetOrigin((31.0, -17.0, -205.0))
    return image


@pytest.mark.parametrize("suffix", [".nrrd", ".nhdr", ".mha", ".mhd"])
def test_nrrd_and_metaimage_come_from_lps_to_ras(tmp_path, suffix):
    SimpleITK.WriteImage(_itk_image(), str(tmp_path / f"a{suffix}"))
    scan = read_scan(tmp_path / f"a{suffix}")
    assert np.array_equal(scan.voxels, body())
    assert np.allclose(scan.grid.affine_ras_mm, UPRIGHT)


@pytest.mark.parametrize("suffix", [".nrrd", ".mha"])
def test_truncated_itk_file_is_refused_without_naming_it(tmp_path, suffix):
    path = tmp_path / f"{SECRET}{suffix}"
    SimpleITK.WriteImage(_itk_image(), str(path))
    path.write_bytes(path.read_bytes()[:-9000])
    with pytest.raises(BadFile, match="whole") as refusal:
        read_scan(path)
    assert SECRET not in str(refusal.value)


def test_nrrd_without_patient_space_is_refused(tmp_path):
    path = tmp_path / "a.nrrd"
    SimpleITK.WriteImage(_itk_image(), str(path))
    path.write_bytes(path.read_bytes().replace(b"space: left-posterior-superior\n", b"space dimension: 3\n"))
    with pytest.raises(BadGeometry, match="where left and right are"):
        read_scan(path)


def test_colour_itk_image_is_refused(tmp_path):
    SimpleITK.WriteImage(SimpleITK.Compose([_itk_image()] * 3), str(tmp_path / "a.mha"))
    with pytest.raises(BadFile, match="one number per voxel"):
        read_scan(tmp_path / "a.mha")


def test_missing_empty_and_foreign_files_are_refused_without_their_names(tmp_path):
    (tmp_path / "empty.nii").touch()
    (tmp_path / f"{SECRET}.txt").write_text("hello")
    (tmp_path / "folder").mkdir()
    outcomes_by_relation = {"none.nii": "exists", "empty.nii": "empty", f"{SECRET}.txt": "CT or MR", "folder": "files"}
    for name, reported in outcomes_by_relation.items():
        with pytest.raises(BadFile, match=reported) as refusal:
            read_scan(tmp_path / name)
        assert SECRET not in str(refusal.value)


def test_a_volume_over_the_budget_is_refused_with_both_sizes(tmp_path):
    path = write_nifti_file(tmp_path / "a.nii", body())
    with pytest.raises(BadFile, match=r"budget of 0\.05 MB .*0 MB"):
        read_scan(path, budget_mb=0.05)


def test_one_value_everywhere_is_refused(tmp_path):
    with pytest.raises(BadFile, match="show something"):
        read_scan(write_nifti_file(tmp_path / "a.nii", np.full((20, 20, 20), -1000, np.int16)))


def test_tiny_volume_is_refused(tmp_path):
    with pytest.raises(BadGeometry, match="at least 8 voxels and 15 mm"):
        read_scan(write_nifti_file(tmp_path / "a.nii", body()[:, :, :7]))


@pytest.mark.parametrize(("thick_mm", "warned"), [(1.5, False), (1.5005, False), (1.6, True), (5.0, True)])
def test_thick_slices_are_warned_of(tmp_path, thick_mm, warned):
    scan = read_scan(write_nifti_file(tmp_path / "a.nii", body(), np.diag([0.9, 0.8, thick_mm, 1.0])))
    assert any("thin laminae" in warning for warning in scan.warnings) == warned


def test_too_thick_slices_are_refused_unless_accepted(tmp_path):
    path = write_nifti_file(tmp_path / "a.nii", body(), np.diag([0.9, 0.8, 5.5, 1.0]))
    with pytest.raises(BadGeometry, match=r"at most 5 mm .*5\.50 mm"):
        read_scan(path)
    assert "5.50 mm" in " ".join(read_scan(path, accept_thick=True).warnings)


def test_metal_is_warned_of(tmp_path):
    voxels = body()
    voxels[7:10, 6:10, 6:20] = 3071
    scan = read_scan(write_nifti_file(tmp_path / "a.nii", voxels))
    assert any("metal" in warning for warning in scan.warnings)


def test_rescale_left_out_is_refused(tmp_path):
    with pytest.raises(UnusableInput, match="rescale was lost"):
        read_scan(write_nifti_file(tmp_path / "a.nii", (body() + 1024).astype(np.int16)))


def test_rescale_applied_twice_is_refused(tmp_path):
    twice = body() - 1024 + np.random.default_rng(0).integers(-9, 9, body().shape)
    with pytest.raises(UnusableInput, match="applied twice"):
        read_scan(write_nifti_file(tmp_path / "a.nii", twice.astype(np.int16)))


def test_padding_outside_the_circle_is_no_double_rescale(tmp_path):
    voxels = body()
    voxels[:, :3] = -3024
    assert read_scan(write_nifti_file(tmp_path / "a.nii", voxels)).modality == "CT"


def test_a_scan_without_bone_is_refused(tmp_path):
    with pytest.raises(UnusableInput, match="show bone"):
        read_scan(write_nifti_file(tmp_path / "a.nii", np.minimum(body(), 90)))


def test_leaning_stack_is_refused_with_its_angle(tmp_path):
    path = write_nifti_file(tmp_path / "a.nii", body(), _sheared(np.tan(np.radians(15))))
    with pytest.raises(BadGeometry, match=r"leans by 15\.0 deg"):
        read_scan(path)


def test_real_ct_crop_without_air_is_ct(data_dir):
    scan = read_scan(data_dir / "ct_lumbar_crop_1p5mm" / "ct.nii.gz")
    assert (scan.voxels.shape, scan.voxels.dtype, scan.modality, scan.warnings) == ((73, 73, 47), np.int16, "CT", ())
    assert scan.provenance["stored_axes"] == "PIR"


@pytest.mark.parametrize("modality", [None, "CT"])
def test_real_mr_is_not_ct_whoever_says_so(data_dir, modality):
    with pytest.raises(UnusableInput, match="look like MR"):
        read_scan(data_dir / "mr_t2_crop_canal_label" / "t2.nii.gz", modality=modality)


def test_real_mr_is_mr_when_said(data_dir):
    scan = read_scan(data_dir / "mr_t2_crop_canal_label" / "t2.nii.gz", modality="MR")
    assert scan.modality == "MR"
    assert scan.voxels.max() == 387  # as data/README states the file: unsigned, no rescale


def test_unknown_modality_is_wrong_use(tmp_path):
    with pytest.raises(WrongUse, match="CT or MR"):
        read_scan(tmp_path, modality="PET")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "name",
    [
        "ct_lumbar_crop_1p5mm/parts",
        "ct_lumbar_crop_1p5mm/vertebrae",
        "mr_t2_crop_canal_label/parts",
        "ct_whole_lumbar_3mm/vertebrae",
    ],
)
@pytest.mark.parametrize("modality", ["CT", "MR"])
def test_label_map_offered_as_the_scan_is_named_as_one(data_dir, name, modality):
    with pytest.raises(UnusableInput, match=r"a label map of \d+ values.*with --labels"):
        read_scan(data_dir / f"{name}.nii.gz", modality=modality)


@pytest.mark.parametrize("far_mm", [1.1e5, 1e38, -3e37])
def test_offset_no_scanner_has(tmp_path, far_mm):
    affine = UPRIGHT.copy()
    affine[1, 3] = far_mm
    with pytest.raises(BadGeometry, match="a place within 100 m"):
        read_scan(write_nifti_file(tmp_path / "a.nii", body(), affine))


@pytest.mark.parametrize("edge_mm", [1e-30, 5e-4, 101.0, 1e30])
def test_voxel_edge_no_scan_has(tmp_path, edge_mm):
    with pytest.raises(BadGeometry, match="voxel edges"):
        read_scan(write_nifti_file(tmp_path / "a.nii", body(), np.diag([0.9, 0.8, edge_mm, 1.0])), accept_thick=True)


def test_slices_so_thick_that_no_one_may_accept_them(tmp_path):
    with pytest.raises(BadGeometry, match=r"at most 10 mm .*11\.00 mm.*Reconstruct at 1 mm or less\.$"):
        read_scan(write_nifti_file(tmp_path / "a.nii", body(), np.diag([0.9, 0.8, 11.0, 1.0])), accept_thick=True)


def test_axes_that_lie_in_one_plane(tmp_path):
    affine = np.diag([0.9, 0.8, 0.7, 1.0])
    affine[:3, 2] = affine[:3, 0] + affine[:3, 1]
    with pytest.raises(BadGeometry, match="point three ways"):
        read_scan(write_nifti_file(tmp_path / "a.nii", body(), affine), accept_tilt=True)


@pytest.mark.parametrize("lean_deg", [36.0, 80.0, 89.0])
@pytest.mark.parametrize("accepted", [False, True])
def test_stack_that_leans_further_than_any_gantry(tmp_path, lean_deg, accepted):
    path = write_nifti_file(tmp_path / "a.nii", body(), _sheared(np.tan(np.radians(lean_deg))))
    with pytest.raises(BadGeometry, match=f"at most 35 deg .*{lean_deg:.1f} deg"):
        read_scan(path, accept_tilt=accepted)


def test_accepted_tilt_that_would_need_more_than_the_budget(tmp_path):
    path = write_nifti_file(tmp_path / "a.nii", body(), _sheared(np.tan(np.radians(30))))
    with pytest.raises(BadFile, match=r"budget of 0\.06 MB"):
        read_scan(path, accept_tilt=True, budget_mb=0.06)
    assert read_scan(path, accept_tilt=True, budget_mb=0.1).voxels.shape[1] > 24
