"""The meshes of a case: closed, as large as what they stand for, the same bytes each time, and listed."""

import hashlib
import json

import numpy as np
import pytest
import trimesh

from canalwise.recon.anatomy import Anatomy
from canalwise.recon.case.folder import read_case, write_case
from canalwise.recon.case.meshes import structure_meshes, vertebra_share, without_specks, write_meshes
from canalwise.recon.grid import Grid, isotropic_grid
from canalwise.recon.image.isosurface import VOLUME_TOL_FRAC, mesh_of
from canalwise.recon.labels import Tissue
from canalwise.recon.scan import Scan

GRID = isotropic_grid([-20.0, -20.0, -24.0], [20.0, 20.0, 24.0], 0.8)
RADIUS_MM, LENGTH_MM = 11.0, 18.0


def _two_rods(grid: Grid = GRID) -> Anatomy:
    """L3 over L4: upright rods 1 mm apart, each pierced by a canal of 5 mm radius that holds a sac of 4 mm."""
    x, y, z = np.moveaxis(grid.voxel_centres_mm(), -1, 0)
    rho, height = np.hypot(x, y), np.abs(np.abs(z) - 0.5 - LENGTH_MM / 2)
    # share of a voxel by the distance to the border, one voxel wide
    share = np.clip(0.5 - np.maximum.reduce([rho - RADIUS_MM, 5.0 - rho, height - LENGTH_MM / 2]) / 0.8, 0, 1)
    labels = np.full(grid.shape, int(Tissue.SOFT), dtype=np.uint16)
    labels[(share >= 0.5) & (z > 0)], labels[(share >= 0.5) & (z <= 0)] = 2206, 2306
    labels[rho < 5], labels[rho < 4] = Tissue.CANAL, Tissue.SAC
    return Anatomy(grid, labels, share.astype(np.float32), ())


def _scan() -> Scan:
    return Scan(np.zeros(GRID.shape, np.int16), GRID, "CT", {}, ())


def test_every_structure_is_closed_and_as_large_as_its_share():
    anatomy = _two_rods()
    meshes = dict(structure_meshes(anatomy))
    assert list(meshes) == ["L3", "L4", "canal", "dural_sac"]
    bone = anatomy.occupancy.sum(dtype=float) * GRID.voxel_mm3
    assert meshes["L3"].volume_mm3 + meshes["L4"].volume_mm3 == pytest.approx(bone, rel=VOLUME_TOL_FRAC)
    sac = (anatomy.labels == Tissue.SAC).sum() * GRID.voxel_mm3
    assert meshes["dural_sac"].volume_mm3 == pytest.approx(sac, rel=VOLUME_TOL_FRAC)
    true_mm3 = np.pi * (RADIUS_MM**2 - 5.0**2) * LENGTH_MM
    for name in ("L3", "L4"):
        assert meshes[name].watertight
        assert meshes[name].volume_mm3 == pytest.approx(true_mm3, rel=0.01)  # the rim's corners are cut by the shares


def test_canal_and_sac_stay_where_they_are():
    anatomy = _two_rods()
    meshes = dict(structure_meshes(anatomy))
    for name, mask in (("canal", anatomy.labels < 3), ("dural_sac", anatomy.labels == Tissue.SAC)):
        points = meshes[name].vertices_ras_mm
        wall = np.abs(points[:, 2]) < 20
        radius_mm = np.sqrt(mask[:, :, 30].sum() * 0.8**2 / np.pi)
        off_mm = np.hypot(points[wall, 0], points[wall, 1]) - radius_mm
        assert abs(off_mm.mean()) < 0.05
        assert np.abs(off_mm).max() < 0.57  # half the diagonal of a pixel: labels are no closer to the wall


def test_bone_between_two_vertebrae_is_counted_once():
    anatomy = _two_rods()
    parts = [vertebra_share(anatomy.labels, anatomy.occupancy, name) for name in ("L3", "L4")]
    assert np.array_equal(sum(parts), anatomy.occupancy)


def test_a_case_holds_and_lists_them_with_the_same_bytes_each_time(tmp_path):
    for name in ("a", "b"):
        write_case(tmp_path / name, _scan(), _two_rods())
    again = read_case(tmp_path / "a")
    write_case(tmp_path / "c", again.scan, again.anatomy)
    digests = [
        {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in (tmp_path / name / "meshes").iterdir()}
        for name in ("a", "b", "c")
    ]
    assert digests[0] == digests[1] == digests[2]
    listed = json.loads((tmp_path / "a" / "case.json").read_text())["meshes"]
    assert set(listed) == set(digests[0]) == {"L3.stl", "L4.stl", "canal.stl", "dural_sac.stl"}
    for name, facts in listed.items():
        other = trimesh.load_mesh(tmp_path / "a" / "meshes" / name)
        assert other.is_watertight
        assert other.volume == pytest.approx(facts["volume_mm3"], rel=1e-3)
        assert facts["volume_mm3"] == pytest.approx(facts["occupied_mm3"], rel=VOLUME_TOL_FRAC)
        assert len(other.faces) == facts["triangles"]


def test_noise_makes_no_crumbs_and_the_file_stays_closed(tmp_path, rng):
    rods = _two_rods()
    noisy = np.clip(rods.occupancy + rng.normal(0, 0.2, GRID.shape) * (rods.occupancy > 0), 0, 1).astype(np.float32)
    write_meshes(tmp_path, Anatomy(GRID, rods.labels, noisy, ()))
    for name in ("L3", "L4"):
        mesh = trimesh.load_mesh(tmp_path / f"{name}.stl")
        assert mesh.is_watertight
        assert len(mesh.split(only_watertight=False)) == 1


def test_small_shells_go_and_large_ones_stay():
    cubes = np.zeros((30, 30, 30))
    cubes[2:12, 2:12, 2:12] = cubes[20, 20, 20] = 1.0
    left = without_specks(mesh_of(cubes, isotropic_grid([0, 0, 0], [29, 29, 29], 1.0)))
    assert left.watertight
    assert left.vertices_ras_mm.max() < 12.0


def test_what_is_not_there_or_too_faint_is_left_out():
    empty = np.zeros(GRID.shape, np.uint16)
    assert not dict(structure_meshes(Anatomy(GRID, empty, empty.astype(np.float32), ())))
    faint = _two_rods()
    assert "L3" not in dict(structure_meshes(Anatomy(GRID, faint.labels, faint.occupancy * np.float32(0.3), ())))
