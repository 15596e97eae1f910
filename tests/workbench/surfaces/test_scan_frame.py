"""The scan that the page slices: the same grey and the same names at any point as on the server."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from canalwise.recon.grid import Grid
from canalwise.recon.labels import label_names
from canalwise.recon.scan import Scan
from canalwise.workbench.images.planes import sampled
from canalwise.workbench.surfaces import scan_frame as made
from canalwise.workbench.surfaces.binary_frames import frame_of
from canalwise.workbench.surfaces.scan_frame import scan_frame
from tests.workbench import toy
from tests.workbench.rehearsal import balls

LEVEL = "L3-L4"


def opened(session):
    """Header, and both volumes as the page arranges them: first index fastest."""
    header, arrays = frame_of(scan_frame(session.case, LEVEL))
    return header, *(arrays[name].reshape(header["shape"], order="F") for name in ("grey", "labels"))


def index_of(header, level_mm):
    """(3, N) fractional indices of (N, 3) level points, by the header's matrix."""
    matrix = np.array(header["index_of_level"]).reshape(4, 4)
    return matrix[:3, :3] @ level_mm.T + matrix[:3, 3:]


def some_points(count=400):
    return np.random.default_rng(3).uniform([-50, -45, -50], [50, 60, 50], (count, 3))


@pytest.mark.parametrize("flipped", [False, True])
def test_page_reads_the_same_grey_as_the_server(flipped):
    session = balls.session_of(balls.anatomy(flipped))
    scan, (header, grey, _) = session.case.scan, opened(session)
    points = some_points()
    world = balls.frame().to_world_mm(points)
    ours = map_coordinates(grey.astype(float), index_of(header, points), order=1, cval=header["outside"])
    theirs = sampled(scan.voxels, scan.grid, world, header["outside"])
    inside = scan.grid.contains(world)
    assert inside.mean() > 0.5
    assert ours[inside] == pytest.approx(theirs[inside], abs=1e-2)


def test_page_reads_the_same_names():
    session = balls.session_of(balls.anatomy())
    header, _, labels = opened(session)
    points = np.array([balls.LEFT[0], balls.RIGHT[0], balls.ROD_AT, [0.0, 0.0, 0.0], [0.0, 66.0, 0.0]])
    i, j, k = np.rint(index_of(header, points)).astype(int)
    reported = [header["parts"][str(n)] for n in labels[i, j, k]]
    assert reported == ["L3 lamina left", "L4 lamina right", "L3 spinous process", "sac", "outside"]
    assert {int(n): name for n, name in header["parts"].items()}.items() <= label_names().items()


def test_slices_reach_the_skin_and_the_air_behind_it():
    session = balls.session_of(balls.anatomy())
    header, _, labels = opened(session)
    reach = index_of(header, np.array([[0.0, balls.SKIN_MM + 6.0, 0.0], [50.0, 0.0, 0.0], [0.0, 0.0, -50.0]]))
    assert ((reach >= 0) & (reach <= np.array(labels.shape)[:, None] - 1)).all()
    assert not header["cut_short"]


def test_large_scan_is_cut_about_the_level_and_says_so(monkeypatch):
    whole = opened(balls.session_of(balls.anatomy()))
    monkeypatch.setattr(made, "MOST_VOXELS", 100_000)
    header, grey, labels = opened(balls.session_of(balls.anatomy()))
    assert header["cut_short"]
    assert 60_000 < grey.size <= 100_000
    points = some_points() / 4 + made.MIDDLE_MM * [1, 0.5, 1]  # near the level: still in view, and still the same
    for small, large in zip((grey, labels), whole[1:], strict=True):
        there = map_coordinates(small.astype(float), index_of(header, points), order=1, cval=-9e9)
        before = map_coordinates(large.astype(float), index_of(whole[0], points), order=1, cval=-9e9)
        assert there == pytest.approx(before, abs=1e-6)


def test_scan_of_broken_numbers_keeps_its_values():
    values = np.random.default_rng(1).uniform(0.0, 1.0, toy.SHAPE).astype(np.float32)
    header, grey, _ = opened(balls.session_of(toy.anatomy(), Scan(values, toy.grid(), "MR")))
    assert grey * header["grey_step"] + header["grey_zero"] == pytest.approx(values, abs=1e-4)
    assert header["outside"] == values.min()
    same = opened(balls.session_of(toy.anatomy(), toy.scan()))
    assert (same[0]["grey_step"], same[0]["grey_zero"], same[0]["outside"]) == (1.0, 0.0, -1000.0)


def test_labels_on_a_grid_of_their_own_are_placed_on_the_scan():
    """Labels of twice the spacing: each voxel of the scan takes the nearest label."""
    affine = np.diag([2.0, 2.0, 2.0, 1.0])
    affine[:3, :3] = toy.AXES_RAS.T * 2.0
    affine[:3, 3] = toy.frame().to_world_mm(toy.LOW_MM)
    coarse = toy.labels()[::2, ::2, ::2]
    anatomy = replace(
        toy.anatomy(), grid=Grid(coarse.shape, affine), labels=coarse, occupancy=toy.anatomy().occupancy[::2, ::2, ::2]
    )
    header, _, labels = opened(balls.session_of(anatomy, toy.scan()))
    assert tuple(header["shape"]) == toy.SHAPE
    assert (labels[::2, ::2, ::2] == coarse).all()
