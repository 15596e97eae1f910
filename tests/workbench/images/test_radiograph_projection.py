"""Simulated radiographs: landmarks land where DICOM says they lie, and left is left."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pydicom
import pytest
from scipy.spatial.transform import Rotation

from canalwise.phantoms.imaging.scanner import PhantomScan
from canalwise.phantoms.imaging.write import write_dicom_series
from canalwise.recon.anatomy import Frame
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Grid
from canalwise.recon.intake.reader import read_scan
from canalwise.recon.scan import Scan
from canalwise.workbench.images.radiograph_projection import FROM_MR, radiograph_of, weakening
from canalwise.workbench.images.radiograph_view import C_ARM, RadiographView, ap_view, lateral_view, views_of
from tests.workbench import toy
from tests.workbench.images.test_line_integrals import oblique_grid

VIEWS = {"AP": ap_view(), "lateral left": lateral_view("left"), "lateral right": lateral_view("right")}
LPS = np.array([-1.0, -1.0, 1.0])


def oblique_frame(origin_ras_mm):
    """A level frame that no scanner's axis follows."""
    turn = Rotation.from_euler("xyz", (12, -7, 20), degrees=True).as_matrix()
    return Frame(np.array(origin_ras_mm, float), np.diag([-1.0, -1.0, 1.0]) @ turn.T)


@pytest.mark.parametrize("view", VIEWS.values(), ids=VIEWS)
def test_projection_and_rays_are_one(view, rng):
    """The ray of the pixel that a point projects to passes through the point."""
    frame = oblique_frame((3, 40, -80))
    rays = view.rays(frame)
    points = rng.uniform(-40, 40, (50, 3))
    for point, (column, row) in zip(frame.to_world_mm(points), view.on_picture(points), strict=True):
        pixel = rays.first_ras_mm + column * rays.across_ras_mm + row * rays.down_ras_mm
        direction = (pixel - rays.source_ras_mm) / np.linalg.norm(pixel - rays.source_ras_mm)
        assert np.linalg.norm(np.cross(point - rays.source_ras_mm, direction)) < 1e-9


@pytest.mark.parametrize("view", VIEWS.values(), ids=VIEWS)
def test_rays_spread_from_a_point_as_the_records_say(view):
    """What is nearer to the source is drawn larger, by the rule of three."""
    toward, across = np.array(view.toward_detector), view.triad[0]
    for nearer_mm in (0.0, 60.0):
        ends = [np.array(view.aim_mm) - nearer_mm * toward + half * across for half in (-10.0, 10.0)]
        apart = np.linalg.norm(np.diff(view.on_picture(ends), axis=0)) * view.pixel_mm
        magnified = C_ARM["source_to_detector_mm"].value / (C_ARM["source_to_level_mm"].value - nearer_mm)
        assert apart == pytest.approx(20.0 * magnified, rel=1e-12)


def test_left_is_left_and_dorsal_is_up():
    """In level mm: x left, y dorsal, z cranial; pictures count columns to the right and rows down."""
    middle = 255.5
    ap = ap_view()
    assert ap.on_picture([30.0, 0, 0])[0] < middle - 50  # the patient's left on the left: seen from behind
    assert ap.on_picture([0, 0, 30.0])[1] < middle - 50
    for side, sign in (("left", 1), ("right", -1)):
        lateral = lateral_view(side)
        assert lateral.on_picture([0, 60.0, 0])[1] < lateral.on_picture([0, -20.0, 0])[1]
        # the surgeon on the patient's left looks to the right: the head is at the left hand
        assert sign * (lateral.on_picture([0, 25.0, 30.0])[0] - middle) < -50
        # nearer to the tube is larger: the tube stands across from the surgeon
        assert np.sign(lateral.toward_detector[0]) == sign


def test_words_stand_where_the_directions_lie():
    directions = {"patient's LEFT": (1, 0, 0), "patient's RIGHT": (-1, 0, 0), "cranial": (0, 0, 1),
            "caudal": (0, 0, -1), "dorsal": (0, 1, 0), "ventral": (0, -1, 0)}  # fmt: skip
    for view in VIEWS.values():
        at = view.on_picture(np.array(view.aim_mm))
        for word, step in zip(view.words, ((-1, 0), (1, 0), (0, -1), (0, 1)), strict=True):
            moved = view.on_picture(np.array(view.aim_mm) + 10 * np.array(directions[word])) - at
            assert np.allclose(moved / np.abs(moved).max(), step, atol=1e-9)


# Markers in air: one bright voxel each, far from each other and from the middle, at no symmetric place.
MARKERS = {(6, 31, 9): 3000, (37, 8, 20): 3000, (22, 20, 4): 3000, (29, 33, 22): 3000}


def marked_series(folder):
    """An oblique series of unequal voxels with one bright voxel each."""
    grid = oblique_grid((44, 40, 27), np.array([1.1, 0.9, 1.4]), (8.0, -14.0, 25.0), (-11.0, 23.0, 310.0))
    voxels = np.full(grid.shape, -1000, np.int16)
    # a bar along one edge, for a CT without any bone is not let in
    voxels[:2, 38:, :] = 400
    for index, value in MARKERS.items():
        voxels[index] = value
    empty = np.zeros(grid.shape, np.uint16)
    return write_dicom_series(PhantomScan(voxels, voxels, empty, grid), folder)


def marker_positions_ras(folder):
    """RAS mm of the bright voxels, by the standard's own formula from the files' headers."""
    found = []
    for path in sorted(folder.iterdir()):
        header = pydicom.dcmread(path)
        rows, columns = np.nonzero(header.pixel_array * header.RescaleSlope + header.RescaleIntercept > 2000)
        row_direction, column_direction = np.reshape(np.array(header.ImageOrientationPatient, float), (2, 3))
        between_rows, between_columns = map(float, header.PixelSpacing)
        for row, column in zip(rows, columns, strict=True):
            position = np.array(header.ImagePositionPatient, float)
            found.append(
                LPS * (position + column * between_columns * row_direction + row * between_rows * column_direction)
            )
    return np.array(found)


@pytest.mark.parametrize("view", VIEWS.values(), ids=VIEWS)
def test_markers_land_where_dicom_says(tmp_path, view):
    """Each blob's centre is within half a pixel of its marker's position in the headers, projected by hand."""
    folder = marked_series(tmp_path / "series")
    scan = read_scan(folder, accept_thick=True)
    frame = oblique_frame((-11.0, 23.0, 310.0))
    markers = np.where(scan.voxels > 2000, scan.voxels, np.int16(-1000))
    total = weakening(replace(scan, voxels=markers), frame, view).total
    positions = marker_positions_ras(folder)
    assert len(positions) == len(MARKERS)
    for point in frame.to_level_mm(positions):
        expected = success_by_execution(view, point)
        off = np.hypot(*(np.indices(total.shape)[::-1] - expected[:, None, None]))
        blob = total * (off < 12)
        assert blob.sum() > 0
        assert (total * ((off >= 12) & (off < 16))).sum() == 0  # the marker stands alone
        rows, columns = np.indices(total.shape)
        centre = np.array([(blob * columns).sum(), (blob * rows).sum()]) / blob.sum()
        assert np.abs(centre - expected).max() < 0.5
        assert np.abs(view.on_picture(point) - expected).max() < 1e-6


def success_by_execution(view, point):
    """Column and row of a level point: similar triangles, from the view's own words."""
    toward, up = np.array(view.toward_detector), np.array(view.up)
    right = np.cross(up, toward)  # of one who looks from the detector to the source
    from_source = point - (np.array(view.aim_mm) - view.source_to_level_mm * toward)
    scale = view.source_to_detector_mm / (from_source @ toward) / view.pixel_mm
    middle = (view.pixels - 1) / 2
    return np.array([middle + scale * (from_source @ right), middle - scale * (from_source @ up)])


def test_water_weakens_as_stated():
    """Through 40 mm of water and through 40 mm of air."""
    grid = Grid((40, 40, 40), np.eye(4))
    frame = Frame(grid.world_mm([19.5, 19.5, 19.5]), np.diag([-1.0, -1.0, 1.0]))
    view = replace(ap_view(), pixels=33)
    for hu, per_mm in ((0, 0.0206), (1000, 0.0412), (-1000, 0.0), (-2000, 0.0)):
        found = weakening(Scan(np.full(grid.shape, hu, np.int16), grid, "CT"), frame, view)
        assert found.total[16, 16] == pytest.approx(40 * per_mm, abs=1e-9)
        assert found.tissue_mm[16, 16] == pytest.approx(40 if hu > -350 else 0, abs=1e-9)


def test_bone_is_dark_and_beyond_the_scan_is_black():
    made = radiograph_of(toy.scan(), toy.anatomy(), "L3-L4", ap_view())
    spinous, beside = (made.view.on_picture([x, 25.0, 15.0]).round().astype(int) for x in (0.0, 25.0))
    assert made.grey[spinous[1], spinous[0]] < made.grey[beside[1], beside[0]] - 60
    assert made.grey[0, 0] == 0


def test_an_asymmetric_spine_shows_its_left_on_the_left():
    """A bright block at the patient's left, dorsal and cranial, darkens that side alone."""
    scan, frame = toy.scan(), toy.frame()
    marked = scan.voxels.copy()
    block = scan.grid.box_around(frame.to_world_mm([[22, 32, 12], [28, 38, 24]]))
    marked[block] = 2500
    for view, half in ((ap_view(), slice(0, 256)), (lateral_view("left"), slice(0, 256)),
                       (lateral_view("right"), slice(256, 512))):  # fmt: skip
        found = weakening(replace(scan, voxels=marked), frame, view).total - weakening(scan, frame, view).total
        assert found[:256, half].sum() > 0.99 * found.sum() > 0


def test_an_mr_gives_no_radiograph_but_its_bone_and_says_so():
    scan = replace(toy.scan(), modality="MR")
    with pytest.raises(WrongUse, match="from CT only"):
        weakening(scan, toy.frame(), ap_view())
    made = radiograph_of(scan, toy.anatomy(), "L3-L4", ap_view())
    assert made.made_from == FROM_MR
    assert made.made_from.startswith("NOT a radiograph")
    spinous, beside = (made.view.on_picture([x, 25.0, 15.0]).round().astype(int) for x in (0.0, 25.0))
    assert made.grey[spinous[1], spinous[0]] < made.grey[beside[1], beside[0]]


def test_same_bytes_every_time():
    one, other = (radiograph_of(toy.scan(), toy.anatomy(), "L3-L4", lateral_view("right")).grey for _ in range(2))
    assert one.tobytes() == other.tobytes()


def test_a_case_without_any_tissue_on_the_beam_is_a_black_picture():
    scan = replace(toy.scan(), voxels=np.full(toy.scan().voxels.shape, -1000, np.int16))
    assert radiograph_of(scan, toy.anatomy(), "L3-L4", ap_view()).grey.max() == 0


def test_both_views_of_an_approach():
    assert [view.name for view in views_of("left")] == ["AP", "lateral"]
    with pytest.raises(WrongUse, match="between source and detector"):
        RadiographView("AP", (0, 1, 0), (0, 0, 1), (0, 0, 0), ("", "", "", ""), source_to_level_mm=1200.0)
