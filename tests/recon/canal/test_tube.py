"""The canal as a tube: areas against closed forms, windows bridged, bends followed."""

import numpy as np
import pytest

from canalwise.recon.bone.ring_centres import longest_chain
from canalwise.recon.canal.tube import CanalTube, canal_from_bone
from canalwise.recon.canal.wall import ANGLES, wall_mm
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.grid import Grid, isotropic_grid

RADIUS_MM = 9.0
AREA_FRAC = 0.03


def spine_like(spacing_mm: float, bend: float = 0.0) -> tuple[np.ndarray, Grid]:
    """Bony rings 16 mm high each 36 mm round a tube of 9 mm, its line bent as y = bend z^2; between them, a body in
    front of a disc's gap and two joints; open behind (windows) and at the sides (foramina)."""
    grid = isotropic_grid([-32, -32, -60], [32, 44, 60], spacing_mm)
    x, y, z = np.moveaxis(grid.voxel_centres_mm(), -1, 0)
    y = y - bend * z * z
    radius = np.hypot(x, y)
    period = np.mod(z + 18.0, 36.0) - 18.0
    ring = (np.abs(period) < 8) & (radius < RADIUS_MM + 5)
    body = (np.abs(period) < 13) & (np.hypot(x, y - 26) < 19)
    joints = (radius < RADIUS_MM + 6) & (np.abs(np.abs(x) + y) < 5) & (y < 0)
    return (ring | body | joints) & (radius >= RADIUS_MM), grid


@pytest.mark.parametrize("spacing_mm", [0.8, 1.0])
def test_area_of_a_windowed_tube(spacing_mm: float) -> None:
    bone, grid = spine_like(spacing_mm)
    tube = canal_from_bone(bone, grid)
    height = tube.centreline_ras_mm[:, 2]
    ringed = np.abs(np.mod(height + 18.0, 36.0) - 18.0) < 6
    whole_mm2 = np.pi * RADIUS_MM**2
    np.testing.assert_allclose(tube.area_mm2[ringed & (np.abs(height) < 42)], whole_mm2, rtol=AREA_FRAC)
    # across windows the wall is nearly straight from rim to rim, so a round tube loses a part of its segments there
    inner = tube.area_mm2[np.abs(height) < 42]
    assert (inner < 1.01 * whole_mm2).all()
    assert (inner > 0.86 * whole_mm2).all()


def test_line_follows_a_bend() -> None:
    bone, grid = spine_like(1.0, bend=0.004)
    line = canal_from_bone(bone, grid).centreline_ras_mm
    inner = line[np.abs(line[:, 2]) < 42]
    assert np.abs(inner[:, 0]).max() < 0.5
    assert np.abs(inner[:, 1] - 0.004 * inner[:, 2] ** 2).max() < 1.0


def test_mask_is_one_piece_outside_bone_and_agrees_with_the_wall() -> None:
    bone, grid = spine_like(1.0)
    tube = canal_from_bone(bone, grid)
    assert not (tube.mask & bone).any()
    length_mm = (len(tube.area_mm2) - 1) * tube.stations.step_mm
    assert tube.mask.sum() * grid.voxel_mm3 == pytest.approx(tube.area_mm2.mean() * length_mm, rel=0.05)


def test_contains_and_local_coordinates() -> None:
    bone, grid = spine_like(1.0)
    tube: CanalTube = canal_from_bone(bone, grid)
    inside, outside = [0.0, 0.0, 0.0], [0.0, -13.0, 18.0]
    assert tube.contains([inside, outside]).tolist() == [True, False]
    left, dorsal, _ = tube.local_mm(np.array([-4.0, -3.0, 0.0]))
    assert (left, dorsal) == (pytest.approx(4.0, abs=0.5), pytest.approx(3.0, abs=0.5))


def test_moving_the_patient_moves_the_canal() -> None:
    bone, grid = spine_like(1.0)
    affine = grid.affine_ras_mm.copy()
    affine[:3, 3] += [31.5, -12.25, 400.0]
    moved = canal_from_bone(bone, Grid(grid.shape, affine))
    still = canal_from_bone(bone, grid)
    # Rounding of large coordinates may tip single rays over a voxel's edge.
    np.testing.assert_allclose(moved.area_mm2, still.area_mm2, rtol=0.01)
    assert (moved.mask ^ still.mask).sum() < 0.005 * still.mask.sum()


def test_no_ring_no_canal() -> None:
    grid = isotropic_grid([-20] * 3, [20] * 3, 1.0)
    bone = np.zeros(grid.shape, dtype=bool)
    bone[:, 25:] = True
    with pytest.raises(AnatomyNotFound, match="closed bony ring"):
        canal_from_bone(bone, grid)


def test_a_blade_behind_a_window_is_not_wall() -> None:
    hit = np.full((60, ANGLES), RADIUS_MM)
    hit[22:36, 12:25] = RADIUS_MM + 6.0
    radius, bony = wall_mm(hit, 1.0)
    assert radius.max() < RADIUS_MM + 0.1
    assert radius.min() > RADIUS_MM - 0.6
    assert not bony[26:32, 15:22].any()


def test_chain_prefers_the_smooth_line() -> None:
    z = np.arange(0.0, 12.0)
    true = np.column_stack([np.zeros(12), 0.2 * z, z])
    stray = np.column_stack([np.full(3, 25.0), np.zeros(3), [2.5, 6.5, 9.5]])
    centres = np.concatenate([true, stray])
    chain = longest_chain(centres, np.full(15, 200.0), np.array([0.0, 0.0, 1.0]))
    assert chain.tolist() == list(range(12))
