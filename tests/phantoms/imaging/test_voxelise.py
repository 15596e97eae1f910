"""Meshes to voxels: closed forms, refusals, and the mean meshes of 87 patients."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh

from canalwise.phantoms.imaging.voxelise import CanalPath, Mesh, occupancy_of, voxelised_scan
from canalwise.phantoms.solid.pose import turn
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Grid, isotropic_grid
from canalwise.recon.labels import Part, Tissue, label_of

VOLUME_TOL = 1e-3


def _ball(centre: tuple[float, float, float], radius_mm: float) -> Mesh:
    ball = trimesh.creation.icosphere(4, radius_mm)
    return Mesh(np.array(ball.vertices) + centre, np.array(ball.faces))


@pytest.mark.parametrize("tilt_deg", [0.0, 33.0])
def test_ball_volume_and_centre_on_unequal_spacings(tilt_deg: float) -> None:
    affine = np.eye(4)
    affine[:3, :3] = turn(1, tilt_deg).T * np.array([0.8, 1.0, 1.7])
    affine[:3, 3] = affine[:3, :3] @ [-25.0, -20.0, -12.0]
    grid = Grid((50, 40, 24), affine)
    mesh = _ball((1.3, -0.7, 0.4), 11.0)
    share = occupancy_of(mesh, grid)
    assert share.sum() * grid.voxel_mm3 == pytest.approx(mesh.volume_mm3, rel=VOLUME_TOL)
    inside = np.argwhere(share > 0)
    centre = share[share > 0] @ grid.world_mm(inside) / share.sum()
    assert centre == pytest.approx([1.3, -0.7, 0.4], abs=0.02)


def test_faceted_ball_lies_below_the_true_one() -> None:
    volume = _ball((0.0, 0.0, 0.0), 10.0).volume_mm3
    assert 0.99 * 4 / 3 * np.pi * 1000 < volume < 4 / 3 * np.pi * 1000


def test_mesh_partly_outside_the_grid_is_cut() -> None:
    grid = isotropic_grid([0.5, -14.5, -14.5], [14.5, 14.5, 14.5], 1.0)
    mesh = _ball((0.0, 0.0, 0.0), 10.0)
    assert occupancy_of(mesh, grid).sum() == pytest.approx(mesh.volume_mm3 / 2, rel=VOLUME_TOL)


def test_mesh_far_outside_the_grid_gives_nothing() -> None:
    assert not occupancy_of(_ball((90.0, 0.0, 0.0), 5.0), isotropic_grid([-9] * 3, [9] * 3, 1.0)).any()


def test_open_mesh_is_refused() -> None:
    ball = trimesh.creation.icosphere(1, 5.0)
    with pytest.raises(WrongUse, match="must be watertight"):
        Mesh(np.array(ball.vertices), np.array(ball.faces)[:-1])


def test_scan_has_bone_canal_skin_and_air() -> None:
    grid = isotropic_grid([-20, -45, -15], [20, 15, 15], 1.0)
    canal = CanalPath(np.array([[0.0, -18.0, 15.0], [0.0, -18.0, -15.0]]), half_width_mm=6.0, half_depth_mm=6.0)
    scan = voxelised_scan({"L3": _ball((0.0, 0.0, 0.0), 10.0)}, grid, canal=canal)
    assert {0, Tissue.CANAL, Tissue.SAC, Tissue.SOFT, label_of("L3", Part.UNDIVIDED)} == set(
        np.unique(scan.labels).tolist()
    )
    assert scan.labels[20, 45, 15] == label_of("L3", Part.UNDIVIDED)
    assert scan.labels[20, 27, 15] == Tissue.SAC


def test_mean_meshes_keep_their_volume_at_1_mm(data_dir: Path) -> None:
    """Mean vertebrae of 87 patients (Clouthier et al., J Biomech 2023;146:111421)."""
    for name in ("L3", "L4"):
        surface = trimesh.load(data_dir / "mesh_lumbar_mean_L2-L5" / f"mean_{name}_mm.stl")
        # +x anterior, +z cranial there; RAS here
        vertices = np.array(surface.vertices)[:, [1, 0, 2]] * [-1.0, 1.0, 1.0]
        mesh = Mesh(vertices, np.array(surface.faces))
        grid = isotropic_grid(vertices.min(axis=0) - 2, vertices.max(axis=0) + 2, 1.0)
        assert mesh.volume_mm3 > 0
        assert occupancy_of(mesh, grid).sum() == pytest.approx(mesh.volume_mm3, rel=VOLUME_TOL)
