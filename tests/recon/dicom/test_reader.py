"""DICOM at the door: one test per disease of a series, on made-up series and on real ones."""

import io
import zipfile
import zlib

import numpy as np
import pydicom
import pytest
from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    RLELossless,
    generate_uid,
)

from canalwise.recon.dicom.headers import read_headers
from canalwise.recon.dicom.pixels import decoded
from canalwise.recon.dicom.sources import dicom_sources
from canalwise.recon.errors import BadFile, BadGeometry, UnusableInput, WrongUse
from canalwise.recon.image.volume import canonical
from canalwise.recon.intake.reader import read_scan, read_volume
from tests.recon.scans import SECRET, body, series_affine_ras, write_enhanced, write_series

HU = body()
AXIAL_RAS = HU[::-1, ::-1, :]
"""LPS columns and rows run to the left and back: both flip to R+, A+."""


def _is_the_body(scan):
    assert scan.voxels.dtype == np.int16
    assert np.array_equal(scan.voxels, AXIAL_RAS)
    assert np.allclose(scan.grid.spacing_mm, (0.9, 0.8, 0.7))
    assert np.allclose(scan.grid.world_mm((19, 23, 0)), (-30.5, 17.25, -204.0), atol=1e-5)


def test_series_lies_where_its_positions_say(tmp_path):
    scan = read_scan(write_series(tmp_path / "s", HU))
    _is_the_body(scan)
    assert (scan.modality, scan.warnings, scan.provenance["slices"]) == ("CT", (), "30")


@pytest.mark.parametrize("syntax", [ImplicitVRLittleEndian, DeflatedExplicitVRLittleEndian, RLELossless])
def test_every_syntax_that_can_be_written_here_reads_back_alike(tmp_path, syntax):
    _is_the_body(read_scan(write_series(tmp_path / "s", HU, syntax=syntax)))


def test_jpeg_2000_reads_back_alike(tmp_path):
    wide = np.tile(HU, (2, 2, 1))  # the encoder wants at least 32 pixels along each axis
    scan = read_scan(write_series(tmp_path / "s", wide, syntax=JPEG2000Lossless))
    assert np.array_equal(scan.voxels, wide[::-1, ::-1, :])


def test_enhanced_multi_frame_in_any_order_is_the_same_scan(tmp_path):
    _is_the_body(read_scan(write_enhanced(tmp_path / "a.dcm", HU)))


def test_zip_archive_is_the_same_scan(tmp_path):
    folder = write_series(tmp_path / "s", HU)
    with zipfile.ZipFile(tmp_path / "s.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("readme.txt", "not a slice")
        for path in folder.iterdir():
            archive.write(path, f"deep/{path.name}")
    scan = read_scan(tmp_path / "s.zip")
    _is_the_body(scan)
    assert scan.warnings == ("1 files that are not DICOM were skipped.",)


@pytest.mark.parametrize(
    "orientation",
    [
        (0, 1, 0, 0, 0, -1),
        (1, 0, 0, 0, 0, -1),
        (-1, 0, 0, 0, -1, 0),
        (0.8, 0.6, 0, -0.6, 0.8, 0),
        (0.96, 0.28, 0, -0.168, 0.576, -0.8),
    ],
    ids=["sagittal", "coronal", "prone", "oblique", "double oblique"],
)
def test_turned_series_keep_every_voxel_in_its_place(tmp_path, orientation):
    scan = read_scan(write_series(tmp_path / "s", HU, orientation=orientation))
    place = series_affine_ras(orientation)
    for index in [(0, 0, 0), (19, 3, 7), (8, 9, 6), (4, 23, 29)]:
        world = place[:3, :3] @ index + place[:3, 3]
        at = scan.grid.index_of(world)
        assert np.allclose(at, np.rint(at), atol=1e-3)
        assert scan.voxels[tuple(np.rint(at).astype(int))] == HU[index]


def test_missing_slices_are_named_with_their_gap(tmp_path):
    folder = write_series(tmp_path / "s", HU, keep=[k for k in range(30) if k not in (11, 12, 20)])
    with pytest.raises(BadGeometry, match=r"3 missing: slices 11 and 12 are 2\.10 mm apart, slices 18 and 19 are 1"):
        read_scan(folder)


def test_uneven_slices_are_named_with_their_gap(tmp_path):
    heights = 0.7 * np.arange(30)
    heights[17:] += 0.3
    with pytest.raises(BadGeometry, match=r"evenly spaced .*slices 17 and 18 are 1\.00 mm apart where 0\.70 mm"):
        read_scan(write_series(tmp_path / "s", HU, heights_mm=heights))


def test_positions_written_with_one_decimal_are_accepted(tmp_path):
    scan = read_scan(write_series(tmp_path / "s", HU, heights_mm=np.round(0.625 * np.arange(30), 1)))
    assert abs(scan.grid.spacing_mm[2] - 0.625) < 0.003


def test_duplicate_positions_are_refused(tmp_path):
    heights = 0.7 * np.arange(30)
    heights[9:] -= 0.7
    with pytest.raises(BadGeometry, match="1 duplicate positions: slices 9 and 10"):
        read_scan(write_series(tmp_path / "s", HU, heights_mm=heights))


def test_exact_copies_of_slices_are_dropped_and_said(tmp_path):
    folder = write_series(tmp_path / "s", HU)
    for path in sorted(folder.iterdir())[:2]:
        (folder / f"copy_of_{path.name}").write_bytes(path.read_bytes())
    scan = read_scan(folder)
    _is_the_body(scan)
    assert scan.warnings == ("2 exact copies of slices were dropped.",)


def test_scout_inside_the_series_is_set_aside_and_said(tmp_path):
    folder = write_series(tmp_path / "s", HU)
    # Same series UID, other slices: five coronal localisers.
    write_series(folder / "more", HU[:, :, :5], orientation=(1, 0, 0, 0, 0, -1), change=_as_localiser)
    scan = read_scan(folder)
    _is_the_body(scan)
    assert scan.warnings == ("5 slices of another orientation, size or kind (a scout) were set aside.",)


def _as_localiser(k, dataset):
    dataset.ImageType = ["ORIGINAL", "PRIMARY", "LOCALIZER"]
    dataset.SOPInstanceUID = generate_uid(entropy_srcs=["scout", str(k)])


def test_two_series_are_listed_and_one_is_chosen(tmp_path):
    folder = write_series(tmp_path / "s", HU)
    write_series(folder, HU[:, :, :26], series="2", change=lambda k, d: setattr(d, "ConvolutionKernel", "B70s"))
    listed = r"2 of them: 0: CT, 30 axial slices of 20 x 24, 0\.90 x 0\.80 mm; 1: CT, 26 .*kernel B70s"
    with pytest.raises(BadFile, match=listed):
        read_scan(folder)
    assert read_scan(folder, series=1).voxels.shape == (20, 24, 26)
    with pytest.raises(WrongUse, match="0 to 1"):
        read_scan(folder, series=2)


def test_series_of_one_rescale_missing_is_refused(tmp_path):
    def spoil(k, dataset):
        if k == 4:
            del dataset.RescaleIntercept

    with pytest.raises(UnusableInput, match="1 of 30 without"):
        read_scan(write_series(tmp_path / "s", HU, change=spoil))


def test_absent_rescale_of_offset_values_is_refused(tmp_path):
    def spoil(_, dataset):
        del dataset.RescaleSlope, dataset.RescaleIntercept

    with pytest.raises(UnusableInput, match="rescale was lost"):
        read_scan(write_series(tmp_path / "s", HU, change=spoil))


def test_absent_rescale_of_hounsfield_values_is_accepted_and_said(tmp_path):
    def spoil(k, dataset):
        del dataset.RescaleSlope, dataset.RescaleIntercept
        dataset.PixelRepresentation = 1
        dataset.PixelData = HU[:, :, k].T.astype("<i2").tobytes()

    scan = read_scan(write_series(tmp_path / "s", HU, change=spoil))
    _is_the_body(scan)
    assert "no rescale" in scan.warnings[0]


def test_rescale_that_differs_from_slice_to_slice_is_applied_to_each(tmp_path):
    def vary(k, dataset):
        dataset.RescaleIntercept = -1024 - k
        dataset.PixelData = (HU[:, :, k].T.astype(int) + 1024 + k).astype("<u2").tobytes()

    _is_the_body(read_scan(write_series(tmp_path / "s", HU, change=vary)))


def test_double_rescale_is_refused(tmp_path):
    noisy = HU + np.random.default_rng(0).integers(0, 9, HU.shape)
    with pytest.raises(UnusableInput, match="applied twice"):
        read_scan(write_series(tmp_path / "s", noisy, change=lambda k, d: setattr(d, "RescaleIntercept", -2048)))


def test_material_map_is_no_ct(tmp_path):
    with pytest.raises(UnusableInput, match=r"Hounsfield units .*Z_EFF"):
        read_scan(write_series(tmp_path / "s", HU, change=lambda k, d: setattr(d, "RescaleType", "Z_EFF")))


def test_padding_becomes_air(tmp_path):
    def pad(k, dataset):
        stored = HU[:, :, k].T.astype("<i2")
        stored[:, :3] = -2000
        dataset.PixelRepresentation, dataset.PixelPaddingValue = 1, -2000
        dataset.RescaleIntercept = -0
        dataset["PixelPaddingValue"].VR = "SS"
        dataset.PixelData = stored.tobytes()

    scan = read_scan(write_series(tmp_path / "s", HU, change=pad))
    assert (scan.voxels[-3:] == -1024).all()
    assert scan.voxels.min() == -1024


def test_mr_offered_as_ct_is_refused_and_as_itself_accepted(tmp_path):
    folder = write_series(tmp_path / "s", HU, change=lambda k, d: setattr(d, "Modality", "MR"))
    with pytest.raises(UnusableInput, match=r"must be CT as requested .*MR"):
        read_scan(folder, modality="CT")
    with pytest.raises(UnusableInput, match="must hold magnitudes, none of them negative, to be MR"):
        read_scan(folder)
    magnitudes = write_series(tmp_path / "m", np.abs(HU), change=lambda k, d: setattr(d, "Modality", "MR"))
    assert read_scan(magnitudes).modality == "MR"


def test_lossy_compression_is_warned_of(tmp_path):
    scan = read_scan(write_series(tmp_path / "s", HU, change=lambda k, d: setattr(d, "LossyImageCompression", "01")))
    assert "with loss" in scan.warnings[0]


LEAN = np.tan(np.radians(15.0))


def test_gantry_tilt_is_refused_with_its_angle(tmp_path):
    with pytest.raises(BadGeometry, match=r"leans by 15\.0 deg \(gantry tilt\)"):
        read_scan(write_series(tmp_path / "s", HU, lean=(0.0, LEAN)))


@pytest.mark.parametrize("lean", [(0.0, LEAN), (0.0, -LEAN), (LEAN, 0.1)])
def test_accepted_tilt_puts_every_structure_where_it_was(tmp_path, lean):
    # Values linear in world mm are reproduced exactly by linear resampling, so any error of place shows.
    column, row, k = np.indices(HU.shape)
    x, y = 0.9 * column + lean[0] * 0.7 * k, 0.8 * row + lean[1] * 0.7 * k
    ramp = np.rint(10 * x - 6 * y + 200).astype(np.int16)
    scan = read_scan(write_series(tmp_path / "s", np.where(ramp < 190, -90, ramp), lean=lean), accept_tilt=True)
    centres = scan.grid.voxel_centres_mm()
    expected = 10 * (-30.5 - centres[..., 0]) - 6 * (17.25 - centres[..., 1]) + 200
    inside = (scan.voxels > 195) & (expected > 210)
    inside[:2] = inside[-2:] = False
    inside[:, :2] = inside[:, -2:] = False
    held = ~(np.abs(scan.voxels - expected) <= 1.5) & inside
    assert inside.sum() > 5000
    assert held.mean() < 0.02  # borders toward the padding aside
    assert "leant by" in " ".join(scan.warnings)
    assert scan.provenance["resampling"]


def test_truncated_slice_is_refused_by_number_not_by_name(tmp_path):
    folder = write_series(tmp_path / "s", HU)
    path = sorted(folder.iterdir())[3]
    path.write_bytes(path.read_bytes()[:-300])
    with pytest.raises(BadFile, match=r"slice \d+ of 30 must be whole .*without it the stack has a gap") as refusal:
        read_scan(folder)
    assert SECRET not in str(refusal.value)


@pytest.mark.parametrize("length", [400, 600, 800])
def test_header_cut_short_is_refused(tmp_path, length):
    folder = write_series(tmp_path / "s", HU)
    path = sorted(folder.iterdir())[3]
    path.write_bytes(path.read_bytes()[:length])
    with pytest.raises(BadFile, match="file 4 of 30 damaged"):
        read_scan(folder)


def test_impossible_numbers_in_a_header_are_refused(tmp_path):
    def spoil(k, dataset):
        dataset.PixelSpacing = [0, 0]

    with pytest.raises(BadGeometry, match="positive spacing"):
        read_scan(write_series(tmp_path / "s", HU, change=spoil))


def test_one_slice_is_no_volume(tmp_path):
    with pytest.raises(BadGeometry, match="stack of slices"):
        read_scan(write_series(tmp_path / "s", HU, keep=[5]))


def test_huge_series_is_refused_before_pixels_are_read(tmp_path):
    def spoil(_, dataset):
        dataset.Rows = dataset.Columns = 60000

    folder = write_series(tmp_path / "s", HU, change=spoil)
    with pytest.raises(BadFile, match="memory budget"):
        read_scan(folder)


def test_deflated_file_that_could_unfold_beyond_the_budget_is_refused(tmp_path):
    folder = write_series(tmp_path / "s", HU, syntax=DeflatedExplicitVRLittleEndian)
    with pytest.raises(BadFile, match=r"unfold within 0\.5 MB"):
        read_scan(folder, budget_mb=0.5)


def test_zip_that_unfolds_beyond_the_budget_is_refused(tmp_path):
    with zipfile.ZipFile(tmp_path / "bomb.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a", bytes(3_000_000))
    with pytest.raises(BadFile, match="unfold within 2 MB"):
        read_scan(tmp_path / "bomb.zip", budget_mb=2)


def test_damaged_zip_is_refused(tmp_path):
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a", np.random.default_rng(0).bytes(5000))
    content = bytearray(packed.getvalue())
    content[200:240] = zlib.compress(b"spoilt")[:40].ljust(40)
    (tmp_path / "a.zip").write_bytes(content)
    with pytest.raises(BadFile, match="whole"):
        read_scan(tmp_path / "a.zip")


def test_nothing_that_names_the_patient_comes_out(tmp_path):
    folder = write_series(tmp_path / "s", HU)
    write_series(folder, HU[:, :, :3], series="2")
    scan = read_scan(folder)
    out = repr(scan.provenance) + repr(scan.warnings)
    dataset = pydicom.dcmread(next(folder.iterdir()), stop_before_pixels=True)
    for secret in (SECRET, "1999", dataset.SeriesInstanceUID, dataset.SOPInstanceUID, str(tmp_path)):
        assert secret not in out


@pytest.mark.parametrize("syntax", ["RLE", "jpeg_2k_lossless", "jpeg_ls_lossless", "big_endian"])
def test_real_frames_decode_alike_in_every_syntax(data_dir, syntax):
    paths = [data_dir / "dicom_small" / f"{name}.dcm" for name in ("emri_small", f"emri_small_{syntax}")]
    plain, other = (decoded(dicom_sources(path, 100)[0], "it") for path in paths)
    assert plain.shape == (10, 64, 64)
    assert np.array_equal(plain, other)


def test_real_jpeg_lossless_slice_decodes(data_dir):
    values = decoded(dicom_sources(data_dir / "dicom_small" / "bad_sequence.dcm", 100)[0], "it")
    assert values.shape == (512, 512)
    assert np.percentile(values, 99) > 1024  # stored with an offset of 1024: some of it is denser than water


def test_real_file_without_functional_groups_is_refused(data_dir):
    with pytest.raises(BadFile, match="whole header"):
        read_scan(data_dir / "dicom_small" / "emri_small.dcm")


def test_real_tilted_uneven_series_is_refused_with_gaps(data_dir):
    with pytest.raises(BadGeometry, match=r"evenly spaced .*1\.08 mm apart.*leans by 18\.5 deg"):
        read_scan(data_dir / "dicom_tilt_uneven")


def test_real_even_part_of_the_tilted_series_leans_as_stated(data_dir, tmp_path):
    headers = read_headers(dicom_sources(data_dir / "dicom_tilt_uneven", 500), 500)
    heights = sorted(headers.slices, key=lambda h: h.position_ras_mm[2])
    steps = np.diff([h.position_ras_mm[2] for h in heights])
    first = [h.source for h, step in zip(heights, steps, strict=False) if abs(step - steps[0]) < 0.01][:6]
    for number in first:
        source = dicom_sources(data_dir / "dicom_tilt_uneven", 500)[number]
        with source.opened() as file:
            (tmp_path / f"{number}.dcm").write_bytes(file.read())
    with pytest.raises(BadGeometry, match=r"leans by 18\.5 deg"):
        read_scan(tmp_path, accept_thick=True)


def test_real_enhanced_mr_lists_its_two_kinds_of_frame(data_dir):
    with pytest.raises(BadFile, match=r"0: MR, 32 axial .*1: MR, 32 axial .*field_map"):
        read_scan(data_dir / "dicom_enhanced_mr" / "Philips")
    scan = read_scan(data_dir / "dicom_enhanced_mr" / "Philips", series=0, accept_thick=True)
    assert (scan.voxels.shape, scan.modality) == ((64, 64, 32), "MR")


def test_real_repeated_time_points_are_refused(data_dir):
    with pytest.raises(BadGeometry, match="18 duplicate positions"):
        read_scan(data_dir / "dicom_enhanced_mr" / "Siemens")


def test_real_classic_and_multi_frame_files_agree(data_dir):
    folder = data_dir / "dicom_seg" / "dcmqi_segmentations" / "24x38x3"
    classic, enhanced = (canonical(read_volume(folder / name)) for name in ("image", "multiframe"))
    assert np.array_equal(classic.voxels, enhanced.voxels)
    assert np.allclose(classic.affine_ras_mm, enhanced.affine_ras_mm)


def test_budget_counts_the_series_not_the_folder(tmp_path):
    folder = write_series(tmp_path / "s", HU)
    for extra in "234":
        write_series(folder, HU[:, :, :3], series=extra)
    _is_the_body(read_scan(folder, budget_mb=20 * 24 * 30 * 4 / 1e6))


def test_big_endian_series(tmp_path):
    _is_the_body(read_scan(write_series(tmp_path / "s", HU, syntax=ExplicitVRBigEndian)))
