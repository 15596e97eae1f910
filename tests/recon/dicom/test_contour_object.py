"""DICOM RT structure sets, from made-up ones to those of another program (data/README)."""

from __future__ import annotations

import numpy as np
import pydicom
import pytest

from canalwise.recon.dicom.contour_object import contour_layers, is_contour_object, missing_planes, read_contours
from canalwise.recon.errors import BadFile, BadLabels
from canalwise.recon.grid import Grid
from canalwise.recon.intake.label_maps import read_given_labels
from canalwise.recon.scan import Scan
from canalwise.workbench.dicom.files import dicom_bytes
from canalwise.workbench.dicom.frame_stack import slice_grid
from canalwise.workbench.dicom.identity import own_identity
from canalwise.workbench.dicom.images import own_stack
from canalwise.workbench.dicom.segments import whole_vertebra
from canalwise.workbench.dicom.structure_set import structure_set

OBLIQUE = np.array([[0.82, 0.33, -0.47], [-0.39, 0.92, -0.03], [0.42, 0.21, 0.88]])


def oblique_grid(spacing=(0.7, 0.9, 2.5), shape=(14, 17, 6)) -> Grid:
    """Axes turned by some 30 degrees about two axes, three spacings, off the origin."""
    turned, _ = np.linalg.qr(OBLIQUE)
    turned *= np.sign(np.diag(turned))
    affine = np.eye(4)
    affine[:3, :3], affine[:3, 3] = turned * spacing, (31.5, -17.25, 204.0)
    return Grid(shape, affine)


@pytest.fixture(params=[(0.7, 0.9, 2.5), (2.5, 0.9, 0.7), (0.7, 2.5, 0.9)])
def written(request, tmp_path):
    """A vertebra with a hole, as contours in the planes of an oblique scan, and its mask."""
    grid = oblique_grid(request.param)
    mask = np.zeros(grid.shape, bool)
    mask[2:11, 3:14, 1:5] = True
    mask[5:8, 6:10, 1:5] = False
    mask[6, 8, 2:4] = True
    scan = Scan(mask.astype(np.int16), grid, "CT")
    identity = own_identity("0" * 64)
    stack = own_stack(scan, identity, "0" * 64)
    made = structure_set([(whole_vertebra(22), stack.placed_on_frames(mask, grid))], stack, identity, "test")
    (tmp_path / "rt.dcm").write_bytes(dicom_bytes(made))
    return tmp_path / "rt.dcm", mask, grid


def test_oblique_planes_and_holes_come_back_exactly(written):
    path, mask, grid = written
    assert is_contour_object(path)
    contours = read_contours(path, 100)
    (layer,) = contour_layers(contours, grid)
    assert np.array_equal(layer > 0, mask)
    assert missing_planes(contours, grid) == {}
    given = read_given_labels([path], None, grid)
    assert np.array_equal(given.labels == 2220, mask)


def test_points_lie_within_half_a_voxel_of_what_they_outline(written):
    path, mask, grid = written
    points = np.concatenate(read_contours(path, 100).outlines[2220])
    held = np.argwhere(mask)
    for end in (np.min, np.max):
        assert np.abs(end(grid.index_of(points), axis=0) - end(held, axis=0)).max() <= 0.5 + 1e-3


def test_planes_of_another_series_are_refused(written):
    path, _, grid = written
    affine = grid.affine_ras_mm.copy()
    affine[:3, 3] += 0.5 * affine[:3, int(grid.spacing_mm.argmax())]
    with pytest.raises(BadLabels, match=r"0\.50 steps off its planes"):
        contour_layers(read_contours(path, 100), Grid(grid.shape, affine))
    axial = slice_grid(Grid((20, 20, 20), np.eye(4)))
    with pytest.raises(BadLabels, match="must lie in the slices of the scan"):
        contour_layers(read_contours(path, 100), axial)


def test_missing_slices_are_reported_and_open_lines_left_out(written):
    path, _, grid = written
    dataset = pydicom.dcmread(path)
    sequence = dataset.ROIContourSequence[0].ContourSequence
    middle = sequence[len(sequence) // 2].ContourImageSequence[0].ReferencedSOPInstanceUID
    kept = [c for c in sequence if c.ContourImageSequence[0].ReferencedSOPInstanceUID != middle]
    kept[0].ContourGeometricType = "OPEN_PLANAR"
    dataset.ROIContourSequence[0].ContourSequence = kept
    dataset.save_as(path)
    given = read_given_labels([path], None, grid)
    assert any("that have none: {'L3': 1}" in sentence for sentence in given.warnings)
    assert any("1 points or open lines" in sentence for sentence in given.warnings)


def test_names_that_are_none_of_ours_need_a_file_of_names(written, tmp_path):
    path, mask, grid = written
    dataset = pydicom.dcmread(path)
    dataset.StructureSetROISequence[0].ROIName = "third one"
    dataset.save_as(path)
    with pytest.raises(BadLabels, match="third one"):
        read_given_labels([path], None, grid)
    (tmp_path / "names.toml").write_text('schema = "canalwise.label-names/1"\n[[file]]\n2220 = "L4"')
    assert np.array_equal(read_given_labels([path], tmp_path / "names.toml", grid).labels == 2320, mask)


def test_damaged_ones_are_refused(written, tmp_path):
    path = written[0]
    content = path.read_bytes()
    (tmp_path / "cut.dcm").write_bytes(content[: len(content) // 2])
    with pytest.raises(BadFile, match="structure set"):
        read_contours(tmp_path / "cut.dcm", 100)
    dataset = pydicom.dcmread(path)
    dataset.ROIContourSequence[0].ContourSequence[0].ContourData = ["0", "0", "0"] * 2
    dataset.save_as(tmp_path / "nan.dcm")
    with pytest.raises(BadFile, match="whole"):
        read_contours(tmp_path / "nan.dcm", 100)


def _phantom_grid() -> Grid:
    affine = np.diag([-0.488281, -0.488281, 5.0, 1.0])
    affine[:3, 3] = (125.0, 125.0, 60.0)
    return Grid((512, 512, 2), affine)


def test_another_programs_hole_is_a_hole(data_dir):
    contours = read_contours(data_dir / "dicom_rtstruct" / "mock_data" / "rt.dcm", 100)
    assert contours.names == {1: "ROI-1"}
    (layer,) = contour_layers(contours, _phantom_grid())
    outer, hole = contours.outlines[1]
    # The areas of both polygons by the shoelace formula, in voxels.
    areas = [
        abs((p[:, 0] * np.roll(p[:, 1], -1) - np.roll(p[:, 0], -1) * p[:, 1]).sum()) / 2 / 0.488281**2
        for p in (outer, hole)
    ]
    assert layer[:, :, 1].sum() == 0
    assert layer.sum() == pytest.approx(areas[0] - areas[1], rel=0.03)


@pytest.mark.parametrize("name", ["invalid_reference_rt.dcm", "non_existent_reference_rt.dcm"])
def test_contours_beyond_the_slices_are_refused(data_dir, name):
    contours = read_contours(data_dir / "dicom_rtstruct" / "mock_data" / name, 100)
    assert len(contours.names) == 4
    with pytest.raises(BadLabels, match="beside it"):
        contour_layers(contours, _phantom_grid())
