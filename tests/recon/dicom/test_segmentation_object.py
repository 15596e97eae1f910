"""DICOM segmentation objects against the same segments written as NRRD by another program (data/README)."""

import warnings
from dataclasses import replace
from pathlib import Path

import highdicom
import numpy as np
import pydicom
import pytest

from canalwise.recon.dicom.segmentation_object import (
    is_segmentation,
    read_segmentation,
    segmentation_grid,
    segmentation_layers,
)
from canalwise.recon.errors import BadFile, BadGeometry, BadLabels
from canalwise.recon.grid import Grid
from canalwise.recon.image.volume import canonical
from canalwise.recon.intake.label_maps import read_given_labels, read_labels_alone
from canalwise.recon.intake.reader import read_volume
from tests.recon.scans import write_series


@pytest.fixture
def folder(data_dir) -> Path:
    return data_dir / "dicom_seg" / "dcmqi_segmentations"


def _nrrd(path: Path) -> tuple[np.ndarray, Grid]:
    volume = canonical(read_volume(path))
    return volume.voxels, Grid(volume.voxels.shape, volume.affine_ras_mm)


@pytest.mark.parametrize("size", ["23x38x3", "24x38x3"])
def test_bits_packed_across_bytes_and_slices(folder, size):
    truth, grid = _nrrd(folder / size / "nrrd" / "label.nrrd")
    segmentation = read_segmentation(folder / size / "seg" / "label.seg", 100)
    assert segmentation_grid(segmentation).same_as(grid)
    (layer,) = segmentation_layers(segmentation, grid)
    assert np.array_equal(layer, truth)


def test_overlapping_segments_come_in_layers(folder):
    truths = [_nrrd(folder / f"partial_overlaps-{n}.nrrd") for n in (1, 2, 3)]
    layers = segmentation_layers(read_segmentation(folder / "partial_overlaps.dcm", 100), truths[0][1])
    for segment, truth in ((1, 0), (4, 0), (5, 0), (2, 1), (3, 2)):
        found = np.any([layer == segment for layer in layers], axis=0)
        assert np.array_equal(found, truths[truth][0] == segment)


@pytest.mark.parametrize(("kind", "padding"), [("noppv", 0), ("ppv5", 5)])
def test_label_map_with_slices_left_out_lies_on_the_scans_grid(folder, kind, padding):
    truth, grid = _nrrd(folder / f"sparse_labelmap_{kind}_seg.nrrd")
    segmentation = read_segmentation(folder / f"sparse-labelmap-{kind}.dcm", 100)
    (layer,) = segmentation_layers(segmentation, grid)
    # The other program fills the slice left out with the padding value; to us that is no label.
    assert np.array_equal(layer, np.where(truth == padding, 0, truth))


def test_it_enters_as_given_labels_with_names(folder, tmp_path):
    names = tmp_path / "names.toml"
    names.write_text('schema = "canalwise.label-names/1"\n[[file]]\n1 = "L3 body"')
    truth, grid = _nrrd(folder / "liver_seg.nrrd")
    given = read_given_labels([folder / "liver.dcm"], names, grid)
    assert np.array_equal(given.labels == 2201, truth == 1)
    alone, own = read_labels_alone([folder / "liver.dcm"], names)
    assert own.same_as(grid)
    assert np.array_equal(alone.labels, given.labels)


def test_another_scans_grid_is_refused(folder):
    truth, grid = _nrrd(folder / "liver_seg.nrrd")
    shifted = grid.affine_ras_mm.copy()
    shifted[0, 3] += 0.3
    segmentation = read_segmentation(folder / "liver.dcm", 100)
    with pytest.raises(BadLabels, match=r"0\.37 voxels off"):
        segmentation_layers(segmentation, Grid(truth.shape, shifted))
    with pytest.raises(BadLabels, match="beside it"):
        segmentation_layers(segmentation, grid.cropped((slice(0, 512), slice(0, 512), slice(0, 2))))


def test_one_frame_alone_has_no_grid(folder):
    segmentation = read_segmentation(folder / "liver.dcm", 100)
    with pytest.raises(BadGeometry, match="stack of slices"):
        segmentation_grid(replace(segmentation, frames=segmentation.frames[:1]))


def test_damaged_or_large_objects_are_refused(folder, tmp_path):
    content = (folder / "liver.dcm").read_bytes()
    (tmp_path / "a.dcm").write_bytes(content[: len(content) - 5000])
    with pytest.raises(BadFile, match="whole DICOM segmentation"):
        read_segmentation(tmp_path / "a.dcm", 100)
    with pytest.raises(BadFile, match="memory budget"):
        read_segmentation(folder / "liver.dcm", 1)


def test_images_and_other_files_are_no_segmentations(tmp_path):
    series = write_series(tmp_path / "s", np.zeros((4, 4, 1), np.int16))
    (tmp_path / "text").write_text("hello")
    (tmp_path / "cut").write_bytes(bytes(128) + b"DICM")
    for path in (next(series.iterdir()), tmp_path / "text", tmp_path / "cut", tmp_path, tmp_path / "none"):
        assert not is_segmentation(path)


@pytest.mark.parametrize("kind", ["binary", "binary_overlap", "binary_fractional", "true_fractional"])
def test_binary_and_fractional_objects_of_another_library(data_dir, kind):
    path = data_dir / "dicom_highdicom_seg" / f"seg_image_ct_{kind}.dcm"
    segmentation = read_segmentation(path, 100)
    # The library that wrote them puts the frames together for comparison.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = highdicom.seg.segread(path)
    numbers = list(theirs.segment_numbers)
    assert segmentation.names == {n: theirs.get_segment_description(n).segment_label for n in numbers}
    assert len(segmentation.warnings) == ("fractional" in kind)
    stored = np.asarray(theirs.pixel_array)
    kept = stored >= 0.5 * (255 if "fractional" in kind else 1)
    assert segmentation.pixels.sum() == kept.sum() > 0
    layers = segmentation_layers(segmentation, _grid_of(segmentation, 1.25))
    for number in numbers:
        mine = np.sum([(layer == number).sum() for layer in layers])
        shows = [
            int(f.SegmentIdentificationSequence[0].ReferencedSegmentNumber)
            for f in theirs.PerFrameFunctionalGroupsSequence
        ]
        assert mine == kept[np.array(shows) == number].sum()


def _grid_of(segmentation, step_mm: float) -> Grid:
    """The grid of axial slices some of which the frames show."""
    first = min(segmentation.frames, key=lambda frame: frame.position_ras_mm[2])
    heights = [frame.position_ras_mm[2] for frame in segmentation.frames]
    affine = np.diag([0.0, 0.0, step_mm, 1.0])
    affine[:3, 0], affine[:3, 1] = first.row_ras * first.spacing_mm[0], first.column_ras * first.spacing_mm[1]
    affine[:3, 3] = first.position_ras_mm
    return Grid((*first.shape[::-1], round(np.ptp(heights) / step_mm) + 1), affine)


def test_frames_far_apart_have_no_grid_of_their_own(data_dir):
    overlap = read_segmentation(data_dir / "dicom_highdicom_seg" / "seg_image_ct_binary_overlap.dcm", 100)
    with pytest.raises(BadGeometry, match="must all be there"):
        segmentation_grid(overlap)


def test_one_frame_is_read_on_the_grid_of_its_scan(data_dir):
    one = read_segmentation(data_dir / "dicom_highdicom_seg" / "seg_image_ct_binary_single_frame.dcm", 100)
    (layer,) = segmentation_layers(one, _grid_of(one, 1.0))
    assert layer.sum() == one.pixels.sum() > 0
    with pytest.raises(BadGeometry, match="stack of slices"):
        segmentation_grid(one)


@pytest.mark.parametrize("charset", ["", None])
def test_an_empty_character_set_is_read(folder, tmp_path, charset):
    dataset = pydicom.dcmread(folder / "liver.dcm")
    dataset.SpecificCharacterSet = charset
    dataset.save_as(tmp_path / "a.dcm")
    assert read_segmentation(tmp_path / "a.dcm", 100).names == {1: "Liver"}


def test_an_unknown_type_is_refused_with_its_name(folder, tmp_path):
    dataset = pydicom.dcmread(folder / "liver.dcm")
    dataset.SegmentationType = "SOLID"
    dataset.save_as(tmp_path / "a.dcm")
    with pytest.raises(BadFile, match="'SOLID'"):
        read_segmentation(tmp_path / "a.dcm", 100)


def test_segments_of_another_naming_are_not_taken_for_ours(folder):
    _, grid = _nrrd(folder / "liver_seg.nrrd")
    with pytest.raises(BadLabels, match="'Liver'"):
        read_given_labels([folder / "liver.dcm"], None, grid)
