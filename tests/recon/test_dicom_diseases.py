"""Diseases of DICOM series: damaged files among whole ones, false copies, archives, bits, decoders; one test each."""

from __future__ import annotations

import io
import shutil
import time
import zipfile

import numpy as np
import pydicom
import pytest
from pydicom.data import get_testdata_file
from pydicom.uid import generate_uid

from canalwise.recon.dicom.pixels import decoded
from canalwise.recon.dicom.sources import dicom_sources
from canalwise.recon.errors import BadFile, BadGeometry
from canalwise.recon.intake.reader import read_scan
from tests.recon.scans import SECRET, body, write_series

HU = body()
TWELVE = body((40, 24, 12))


def _series(tmp_path, **changes):
    """Twelve slices of 2 mm and their files from caudal to cranial."""
    heights = 2.0 * np.arange(12)
    folder = write_series(tmp_path / "s", TWELVE, heights_mm=heights, **changes)
    paths = sorted(folder.iterdir(), key=lambda path: pydicom.dcmread(path).ImagePositionPatient[2])
    return folder, paths


def _torn(path, keep: int):
    path.write_bytes(path.read_bytes()[:keep])


@pytest.mark.parametrize("keep", [400, 700])
def test_one_damaged_header_within_the_stack_is_refused_with_its_gap(tmp_path, keep):
    folder, paths = _series(tmp_path)
    _torn(paths[5], keep)
    number = sorted(folder.iterdir()).index(paths[5]) + 1
    gap = rf"file {number} of 12 damaged; without it .*1 missing: slices 5 and 6 are 4\.00 mm apart"
    with pytest.raises(BadFile, match=gap) as refusal:
        read_scan(folder)
    assert SECRET not in str(refusal.value)


@pytest.mark.parametrize("end", [0, 11])
def test_one_damaged_header_at_the_end_of_the_stack_is_left_out_and_reported(tmp_path, end):
    folder, paths = _series(tmp_path)
    whole = read_scan(folder)
    _torn(paths[end], 600)
    scan = read_scan(folder)
    number = sorted(folder.iterdir()).index(paths[end]) + 1
    assert f"file {number} of 12 damaged" in scan.warnings[0]
    assert "the stack may end early" in scan.warnings[0]
    assert scan.grid.shape == (40, 24, 11)
    _is_part_of(scan, whole)


@pytest.mark.parametrize("end", [0, 11])
def test_pixels_cut_short_at_the_end_of_the_stack_are_left_out_and_reported(tmp_path, end):
    folder, paths = _series(tmp_path)
    whole = read_scan(folder)
    _torn(paths[end], paths[end].stat().st_size - 300)
    scan = read_scan(folder)
    assert f"Slices {end + 1} of 12, at the end of the stack, are damaged" in scan.warnings[0]
    assert scan.provenance["slices"] == "11"
    _is_part_of(scan, whole)


def _is_part_of(scan, whole):
    corner = whole.grid.index_of(scan.grid.world_mm([0, 0, 0]))
    assert np.allclose(corner, np.rint(corner), atol=1e-6)
    k = int(np.rint(corner[2]))
    assert np.array_equal(scan.voxels, whole.voxels[:, :, k : k + scan.grid.shape[2]])


def test_pixels_cut_short_within_the_stack_are_refused(tmp_path):
    folder, paths = _series(tmp_path)
    _torn(paths[4], paths[4].stat().st_size - 300)
    with pytest.raises(BadFile, match=r"slice 5 of 12 must be whole .*without it the stack has a gap"):
        read_scan(folder)


def test_too_many_damaged_files_are_refused(tmp_path):
    folder, paths = _series(tmp_path)
    for path in paths[8:]:
        _torn(path, 600)
    with pytest.raises(BadFile, match="must have a whole header"):
        read_scan(folder)


@pytest.mark.parametrize("keyword", ["ImagePositionPatient", "ImageOrientationPatient", "PixelSpacing"])
def test_slice_that_does_not_say_where_it_lies_is_not_called_damaged(tmp_path, keyword):
    folder, paths = _series(tmp_path)
    dataset = pydicom.dcmread(paths[6])
    delattr(dataset, keyword)
    dataset.save_as(paths[6])
    with pytest.raises(BadFile, match=rf"file \d+ of 12 lacks {keyword}; without it .*1 missing") as refusal:
        read_scan(folder)
    assert "damaged" not in str(refusal.value)


def test_copies_are_recognised_by_pixels_and_place_whatever_their_uid(tmp_path):
    folder, paths = _series(tmp_path)
    copy = pydicom.dcmread(paths[3])
    copy.SOPInstanceUID = generate_uid()
    copy.save_as(folder / "copy.dcm")
    shutil.copy(paths[4], folder / "copy2.dcm")
    scan = read_scan(folder)
    assert scan.warnings[:1] == ("2 exact copies of slices were dropped.",)
    assert scan.grid.shape[2] == 12


def test_slices_that_share_a_uid_but_not_a_place_are_no_copies(tmp_path):
    uid = generate_uid()
    folder, _ = _series(tmp_path, change=lambda k, d: setattr(d, "SOPInstanceUID", uid))
    scan = read_scan(folder)
    assert (scan.grid.shape, scan.warnings[1:]) == ((40, 24, 12), ())
    assert np.array_equal(scan.voxels, TWELVE[::-1, ::-1])


def test_slices_without_any_uid_are_a_stack(tmp_path):
    folder, paths = _series(tmp_path)
    for path in paths:
        dataset = pydicom.dcmread(path)
        for keyword in ("SOPInstanceUID", "SeriesInstanceUID", "FrameOfReferenceUID"):
            delattr(dataset, keyword)
        del dataset.file_meta.MediaStorageSOPInstanceUID
        dataset.save_as(path)
    assert read_scan(folder).grid.shape == (40, 24, 12)


@pytest.mark.parametrize("change", ["pixels", "rescale"])
def test_slices_of_one_uid_and_place_that_differ_are_refused(tmp_path, change):
    folder, paths = _series(tmp_path)
    other = pydicom.dcmread(paths[3])
    if change == "pixels":
        other.PixelData = other.PixelData[2:] + b"\0\0"
    else:
        other.RescaleIntercept = -1000
    other.save_as(folder / "other.dcm")
    with pytest.raises(BadGeometry, match="1 duplicate positions"):
        read_scan(folder)


def test_numbers_in_the_high_bits_are_refused(tmp_path):
    def spoil(_, dataset):
        dataset.BitsStored, dataset.HighBit = 12, 15
        dataset.PixelData = (np.frombuffer(dataset.PixelData, "<u2") << 4).tobytes()

    with pytest.raises(BadFile, match=r"low bits \(got 'BitsStored 12, HighBit 15'\)"):
        read_scan(_series(tmp_path, change=spoil)[0])


def test_jpeg_of_twelve_bits_is_not_called_damaged(tmp_path):
    """A whole file that comes with pydicom, in a kind of JPEG that no decoder here takes."""
    path = get_testdata_file("JPEG-lossy.dcm", download=False)
    with pytest.raises(BadFile, match=r"JPEG Extended \(Process 2 and 4\), 12 bits") as refusal:
        decoded(dicom_sources(type(tmp_path)(path), 100)[0], "slice 1 of 1")
    assert "damaged" not in str(refusal.value)


def _packed(tmp_path, folder, **options):
    path = tmp_path / "a.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, **options) as archive:
        for member in sorted(folder.iterdir()):
            archive.write(member, member.name)
    return path


@pytest.mark.parametrize("both", [True, False])
def test_zip_whose_members_are_encrypted(tmp_path, both):
    path = _packed(tmp_path, _series(tmp_path)[0])
    content = bytearray(path.read_bytes())
    # Bit 0 of the flags (APPNOTE 4.4.4), in the local headers and, or not, in the central directory.
    for signature, place in ((b"PK\1\2", 8), (b"PK\3\4", 6))[: 2 if both else 1]:
        at = content.find(signature)
        while at >= 0:
            content[at + place] |= 1
            at = content.find(signature, at + 4)
    path.write_bytes(content)
    with pytest.raises(BadFile, match=r"password|cannot be unpacked"):
        read_scan(path)


@pytest.mark.parametrize(("offset", "value"), [(10, 99), (28, 255), (30, 255), (42, 255), (6, 255), (16, 1)])
def test_zip_with_a_damaged_directory(tmp_path, offset, value):
    path = _packed(tmp_path, _series(tmp_path)[0])
    content = bytearray(path.read_bytes())
    at = content.find(b"PK\1\2")
    content[at + offset] = value
    content[at + offset + 1] = value
    path.write_bytes(content)
    with pytest.raises(BadFile):
        read_scan(path)


def test_zip_of_thousands_of_members_is_read_in_linear_time(tmp_path):
    folder = _series(tmp_path)[0]
    seconds = []
    for count in (500, 2000):
        path = _packed(tmp_path, folder)
        with zipfile.ZipFile(path, "a") as archive:
            for number in range(count):
                archive.writestr(f"notes/{number}.txt", "x")
        begun_s = time.process_time()
        assert read_scan(path).grid.shape == (40, 24, 12)
        seconds.append(time.process_time() - begun_s)
    # Four times the members: quadratic work would take sixteen times as long.
    assert seconds[1] < 8 * seconds[0]


def test_zip_member_that_would_need_more_than_the_budget_to_unpack(tmp_path):
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a", bytes(1_000_000))
    (tmp_path / "a.zip").write_bytes(packed.getvalue())
    with pytest.raises(BadFile, match=r"unfold within 2 MB \(got 'a member that takes 3 MB"):
        read_scan(tmp_path / "a.zip", budget_mb=2)
