"""Meshes: closed, outward, of the right volume and in the right place, on any grid."""

import numpy as np
import pytest
import trimesh
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from canalwise.recon.errors import AnatomyNotFound, WrongUse
from canalwise.recon.grid import Grid
from canalwise.recon.image.isosurface import VOLUME_TOL_FRAC, ClosedSurface, decimated, mesh_of, smoothed, write_stl

MM = 1.0
CENTRE = np.array([-31.0, 44.0, -510.0])


def _grid(
    *,
    turn_deg: tuple[float, float, float] = (0, 0, 0),
    mirror: bool = False,
    spacing_mm: tuple[float, float, float] = (0.5, 0.6, 0.7),
    half_mm: float = 16.0,
) -> Grid:
    axes = Rotation.from_euler("xyz", turn_deg, degrees=True).as_matrix() @ np.diag([-1.0 if mirror else 1.0, 1, 1])
    shape = np.ceil(2 * half_mm / np.array(spacing_mm)).astype(int)
    affine = np.eye(4)
    affine[:3, :3] = axes * spacing_mm
    affine[:3, 3] = CENTRE - affine[:3, :3] @ ((shape - 1) / 2)
    return Grid((int(shape[0]), int(shape[1]), int(shape[2])), affine)


def _ellipsoid(grid: Grid, radii_mm: tuple[float, float, float]) -> np.ndarray:
    """Occupancy by the distance to the border, one voxel wide: the share of a voxel inside, to first order."""
    centres = grid.voxel_centres_mm() - CENTRE
    k = np.linalg.norm(centres / radii_mm, axis=-1)
    slope = np.linalg.norm(centres / np.square(radii_mm), axis=-1) / np.maximum(k, 1e-9)
    return np.clip(0.5 - (k - 1) / np.maximum(slope, 1e-9) / grid.spacing_mm.mean(), 0, 1)


GRIDS = [_grid(), _grid(turn_deg=(20, -35, 50)), _grid(mirror=True), _grid(turn_deg=(10, 70, 5), mirror=True)]
IDS = ["upright", "oblique", "mirrored", "oblique and mirrored"]


@pytest.mark.parametrize("grid", GRIDS, ids=IDS)
@pytest.mark.parametrize("radii_mm", [(10.0, 10.0, 10.0), (13.0, 9.0, 7.0)], ids=["sphere", "ellipsoid"])
def test_known_shapes_keep_volume_area_and_place(grid, radii_mm):
    occupancy = _ellipsoid(grid, radii_mm)
    surface = mesh_of(occupancy, grid)
    assert surface.watertight
    assert abs(surface.volume_error_frac) < VOLUME_TOL_FRAC
    true_mm3 = 4 / 3 * np.pi * np.prod(radii_mm)
    assert abs(surface.volume_mm3 / true_mm3 - 1) < 0.005
    # Every vertex lies on the true surface, to a quarter of the smallest voxel edge.
    relative = (surface.vertices_ras_mm - CENTRE) / radii_mm
    off_mm = (np.linalg.norm(relative, axis=1) - 1) * min(radii_mm)
    assert np.abs(off_mm).max() < 0.125 * MM


@pytest.mark.parametrize("grid", GRIDS, ids=IDS)
def test_another_library_agrees_that_it_is_closed_and_outward(grid):
    surface = mesh_of(_ellipsoid(grid, (13.0, 9.0, 7.0)), grid)
    other = trimesh.Trimesh(surface.vertices_ras_mm, surface.faces, process=False)
    assert other.is_watertight
    assert other.is_winding_consistent
    assert other.volume == pytest.approx(surface.volume_mm3, rel=1e-6)
    assert other.area == pytest.approx(surface.area_mm2, rel=1e-9)


def test_a_mask_is_enclosed_as_well():
    grid = _grid()
    mask = np.linalg.norm(grid.voxel_centres_mm() - CENTRE, axis=-1) < 11
    surface = mesh_of(mask, grid)
    assert surface.watertight
    assert abs(surface.volume_error_frac) < VOLUME_TOL_FRAC
    assert surface.occupied_mm3 == pytest.approx(mask.sum() * grid.voxel_mm3)


@pytest.mark.parametrize("grid", [_grid(half_mm=8.0), _grid(half_mm=8.0, mirror=True)], ids=["upright", "mirrored"])
def test_what_touches_the_volumes_border_is_closed_there(grid):
    surface = mesh_of(_ellipsoid(grid, (10.0, 10.0, 10.0)), grid)
    assert surface.watertight
    assert abs(surface.volume_error_frac) < VOLUME_TOL_FRAC


@pytest.mark.parametrize("thick_voxels", [1, 2, 3])
@pytest.mark.parametrize("share", [0.4, 0.7, 1.0])
def test_thin_sheets_keep_their_volume(thick_voxels, share):
    occupancy = np.zeros((40, 10, 40))
    occupancy[5:35, 4 : 4 + thick_voxels, 5:35] = 1.0
    occupancy[5:35, 4 + thick_voxels - 1, 5:35] = share
    surface = mesh_of(occupancy, Grid((40, 10, 40), np.diag([0.5, 0.6, 0.7, 1.0])))
    assert surface.watertight
    assert abs(surface.volume_error_frac) < VOLUME_TOL_FRAC


@given(st.integers(0, 10_000), st.sampled_from([2, 3, 256]))
def test_even_noise_is_closed_and_keeps_its_volume(seed, steps):
    occupancy = np.random.default_rng(seed).integers(0, steps, (9, 8, 7)) / (steps - 1)
    surface = mesh_of(occupancy, Grid((9, 8, 7), np.diag([0.5, 0.6, -0.7, 1.0])))
    assert surface.watertight
    assert abs(surface.volume_error_frac) < 0.05


def test_where_no_level_keeps_the_volume_the_error_is_reported():
    half_empty = np.zeros((20, 20, 20))
    half_empty[2:18, 2:18, 2:18] = 0.3
    surface = mesh_of(half_empty, Grid((20, 20, 20), np.eye(4)))
    assert surface.watertight
    assert surface.volume_error_frac > VOLUME_TOL_FRAC


def test_a_cavity_is_subtracted():
    grid = _grid()
    shell = _ellipsoid(grid, (12.0, 12.0, 12.0)) - _ellipsoid(grid, (6.0, 6.0, 6.0))
    assert mesh_of(shell, grid).volume_mm3 == pytest.approx(4 / 3 * np.pi * (12**3 - 6**3), rel=0.006)


def test_nothing_and_another_shape_are_refused():
    with pytest.raises(AnatomyNotFound, match="something to enclose"):
        mesh_of(np.zeros((4, 4, 4)), Grid((4, 4, 4), np.eye(4)))
    with pytest.raises(WrongUse, match=r"\(4, 4, 4\)"):
        mesh_of(np.ones((4, 4, 5)), Grid((4, 4, 4), np.eye(4)))


def test_holes_and_inside_out_faces_are_seen():
    surface = mesh_of(_ellipsoid(GRIDS[0], (6.0, 6.0, 6.0)), GRIDS[0])
    assert not ClosedSurface(surface.vertices_ras_mm, surface.faces[1:]).watertight
    one_turned = surface.faces.copy()
    one_turned[5] = one_turned[5][::-1]
    assert not ClosedSurface(surface.vertices_ras_mm, one_turned).watertight
    assert ClosedSurface(surface.vertices_ras_mm, surface.faces[:, ::-1]).volume_mm3 < 0


def test_smoothing_takes_the_steps_off_a_mask_and_keeps_the_volume():
    grid = _grid()
    mask = np.linalg.norm(grid.voxel_centres_mm() - CENTRE, axis=-1) < 11
    rough = mesh_of(mask, grid)
    smooth = smoothed(rough)
    rms_mm = [np.std(np.linalg.norm(s.vertices_ras_mm - CENTRE, axis=1)) for s in (rough, smooth)]
    assert rms_mm[1] < rms_mm[0] / 2
    assert smooth.volume_mm3 == pytest.approx(rough.volume_mm3, rel=0.003)
    assert np.allclose(smooth.vertices_ras_mm.mean(axis=0), CENTRE, atol=0.05)


@pytest.mark.parametrize("keep_frac", [0.5, 0.1])
def test_fewer_faces_stay_closed_and_keep_the_volume(keep_frac):
    surface = mesh_of(_ellipsoid(GRIDS[1], (13.0, 9.0, 7.0)), GRIDS[1])
    small = decimated(surface, keep_frac)
    assert small.watertight
    assert len(small.faces) == pytest.approx(keep_frac * len(surface.faces), rel=0.05)
    # Flat faces cut the bulge of a convex body off: the volume falls short, never over.
    assert (1 - VOLUME_TOL_FRAC) * surface.volume_mm3 < small.volume_mm3 < 1.0001 * surface.volume_mm3


def test_all_faces_kept_is_the_same_surface_and_none_is_wrong_use():
    surface = mesh_of(_ellipsoid(GRIDS[0], (6.0, 6.0, 6.0)), GRIDS[0])
    assert decimated(surface, 1.0) is surface
    with pytest.raises(WrongUse, match="keep_frac"):
        decimated(surface, 0.0)


def test_the_same_occupancy_gives_the_same_mesh():
    first, second = (mesh_of(_ellipsoid(GRIDS[1], (13.0, 9.0, 7.0)), GRIDS[1]) for _ in range(2))
    assert np.array_equal(first.vertices_ras_mm, second.vertices_ras_mm)
    assert np.array_equal(first.faces, second.faces)


def test_stl_is_read_by_others_in_mm(tmp_path):
    surface = mesh_of(_ellipsoid(GRIDS[3], (13.0, 9.0, 7.0)), GRIDS[3])
    write_stl(tmp_path / "a.stl", surface)
    other = trimesh.load_mesh(tmp_path / "a.stl")
    assert other.is_watertight
    assert other.volume == pytest.approx(surface.volume_mm3, rel=1e-4)
    assert np.allclose(other.bounds.mean(axis=0), CENTRE, atol=0.1)
    assert (tmp_path / "a.stl").read_bytes()[:80].startswith(b"canalwise; lengths in mm")
