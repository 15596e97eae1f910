"""Closed surfaces as labels: what is drawn comes back, what lies elsewhere is refused with what would fit."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from canalwise.recon.errors import BadFile, BadGeometry, BadLabels
from canalwise.recon.grid import Grid
from canalwise.recon.image.isosurface import ClosedSurface
from canalwise.recon.intake.label_maps import read_given_labels
from canalwise.recon.intake.surface_reader import read_surface, voxelised

CENTRE_MM = np.array([31.0, -42.0, 203.0])


@pytest.fixture(scope="module")
def grid():
    affine = np.diag([0.7, 0.8, 1.1, 1.0])
    affine[:3, 3] = CENTRE_MM - 14
    return Grid((40, 36, 26), affine)


@pytest.fixture(scope="module")
def ball():
    return trimesh.creation.icosphere(4, radius=9.0).apply_translation(CENTRE_MM)


@pytest.mark.parametrize("ending", ["stl", "ply", "obj"])
def test_a_ball_comes_back(grid, ball, ending, tmp_path):
    ball.export(tmp_path / f"L3.{ending}")
    given = read_given_labels([tmp_path / f"L3.{ending}"], None, grid)
    away = np.linalg.norm(grid.voxel_centres_mm() - CENTRE_MM, axis=-1)
    # The icosphere lies up to 0.05 mm inside the ball.
    assert np.array_equal((given.labels == 2220)[away < 8.94], np.ones((away < 8.94).sum(), bool))
    assert not given.labels[away > 9.0].any()


def test_two_vertebrae_by_their_files_names_or_a_file_of_names(grid, ball, tmp_path):
    lower = ball.copy().apply_scale(0.3).apply_translation(0.7 * CENTRE_MM - [0, 0, 11])
    ball.copy().apply_scale(0.3).apply_translation(0.7 * CENTRE_MM).export(tmp_path / "L3.stl")
    lower.export(tmp_path / "L4.stl")
    given = read_given_labels([tmp_path / "L3.stl", tmp_path / "L4.stl"], None, grid)
    assert set(np.unique(given.labels)) == {0, 2220, 2320}
    (tmp_path / "L4.stl").rename(tmp_path / "quxley.stl")
    with pytest.raises(BadLabels, match="none of ours") as refusal:
        read_given_labels([tmp_path / "quxley.stl"], None, grid)
    assert "quxley" not in str(refusal.value)
    (tmp_path / "names.toml").write_text('schema = "canalwise.label-names/1"\n[[file]]\n1 = "L4"')
    assert (read_given_labels([tmp_path / "quxley.stl"], tmp_path / "names.toml", grid).labels == 2320).any()


@pytest.mark.parametrize(("factors", "words"), [((-1, -1, 1), "LPS mm"), ((1e-3, 1e-3, 1e-3), "RAS m")])
def test_another_frame_or_unit_is_refused_and_named(grid, ball, factors, words, tmp_path):
    points = ball.vertices * factors
    surface = ClosedSurface(points, ball.faces)
    with pytest.raises(BadLabels, match=f"It would fit as {words}"):
        voxelised(surface, grid)


def test_inside_out_is_turned_and_open_is_refused(ball, tmp_path):
    ball.copy().invert()
    inverted = trimesh.Trimesh(ball.vertices, ball.faces[:, ::-1], process=False)
    inverted.export(tmp_path / "a.ply")
    assert read_surface(tmp_path / "a.ply").volume_mm3 == pytest.approx(ball.volume)
    trimesh.Trimesh(ball.vertices, ball.faces[:-1], process=False).export(tmp_path / "b.ply")
    with pytest.raises(BadGeometry, match="closed"):
        read_surface(tmp_path / "b.ply")


@pytest.mark.parametrize("content", [b"", b"solid", b"\0" * 200, b"ply\nformat ascii 1.0\nend_header\n"])
def test_damaged_files_are_refused(content, tmp_path):
    for ending in ("stl", "ply", "obj"):
        (tmp_path / f"a.{ending}").write_bytes(content)
        with pytest.raises(BadFile, match="whole STL, PLY or OBJ"):
            read_surface(tmp_path / f"a.{ending}")


def test_real_vertebrae_keep_their_volume(data_dir):
    surface = read_surface(data_dir / "mesh_lumbar_mean_L2-L5" / "mean_L3_mm.stl")
    low = surface.vertices_ras_mm.min(axis=0) - 2
    affine = np.diag([0.6, 0.6, 0.6, 1.0])
    affine[:3, 3] = low
    shape = tuple(int(n) for n in np.ceil((surface.vertices_ras_mm.max(axis=0) + 2 - low) / 0.6))
    inside = voxelised(surface, Grid(shape, affine))
    assert inside.sum() * 0.6**3 == pytest.approx(surface.volume_mm3, rel=2e-3)
