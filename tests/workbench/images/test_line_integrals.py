"""Ray sums against lengths known in closed form, on oblique grids of unequal voxels."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from canalwise.recon.grid import Grid
from canalwise.workbench.images.line_integrals import ray_sums
from canalwise.workbench.images.radiograph_view import Rays

RADIUS_MM = 18.0
SPACING_MM = np.array([0.7, 0.9, 1.3])
SPLIT = 4
"""Samples of a voxel along each edge, for the share of it that a solid fills."""


def oblique_grid(shape, spacing_mm=SPACING_MM, turn_deg=(20.0, -35.0, 50.0), centre_ras_mm=(4.0, -9.0, 120.0)):
    turned = Rotation.from_euler("xyz", turn_deg, degrees=True).as_matrix()
    affine = np.eye(4)
    affine[:3, :3] = turned * spacing_mm
    affine[:3, 3] = np.array(centre_ras_mm) - affine[:3, :3] @ ((np.array(shape) - 1) / 2)
    return Grid(shape, affine)


def filled_share(grid, inside):
    """The share of each voxel within a solid, by samples."""
    offsets = (np.arange(SPLIT) + 0.5) / SPLIT - 0.5
    share = np.zeros(grid.shape, dtype=np.float32)
    centres = grid.voxel_centres_mm()
    for offset in np.stack(np.meshgrid(offsets, offsets, offsets), axis=-1).reshape(-1, 3):
        share += inside(centres + grid.affine_ras_mm[:3, :3] @ offset)
    return share / SPLIT**3


def spread(grid, shape=(61, 47), toward=(0.3, 0.8, -0.5), reach_mm=(400.0, 250.0), field_mm=70.0):
    """Rays from a point `reach_mm[0]` before the grid's middle to a detector `reach_mm[1]` behind it."""
    toward = np.array(toward) / np.linalg.norm(toward)
    across = np.cross(toward, [0.0, 0.0, 1.0])
    across /= np.linalg.norm(across)
    down = np.cross(toward, across)
    middle = grid.world_mm((np.array(grid.shape) - 1) / 2)
    step = field_mm * sum(reach_mm) / reach_mm[0] / shape[0]
    first = middle + reach_mm[1] * toward - step * ((shape[0] - 1) / 2 * down + (shape[1] - 1) / 2 * across)
    return Rays(middle - reach_mm[0] * toward, first, step * across, step * down, shape)


def directions_of(rays):
    """(rows, columns, 3) unit directions of the rays."""
    rows, columns = np.indices(rays.shape)
    ends = rays.first_ras_mm + columns[..., None] * rays.across_ras_mm + rows[..., None] * rays.down_ras_mm
    direction = ends - rays.source_ras_mm
    return direction / np.linalg.norm(direction, axis=-1, keepdims=True)


def slab_chord_mm(start, direction, half_mm, axes):
    """(...,) length of lines within a box about the origin, by slabs."""
    start, direction = start @ axes.T, direction @ axes.T
    near, far = np.sort(np.stack([(-half_mm - start) / direction, (half_mm - start) / direction]), axis=0)
    return np.maximum(far.min(axis=-1) - near.max(axis=-1), 0.0)


def test_ball_chords_along_spreading_rays():
    """Off by less than 1 % of the diameter up to nine tenths of the radius, by voxels of 0.7 x 0.9 x 1.3 mm."""
    grid = oblique_grid((64, 52, 38))
    middle = grid.world_mm((np.array(grid.shape) - 1) / 2) + np.array([1.3, -0.4, 0.7])
    share = filled_share(grid, lambda points: np.linalg.norm(points - middle, axis=-1) <= RADIUS_MM)
    rays = spread(grid)
    found = ray_sums(share, grid, rays).integral
    off = np.linalg.norm(np.cross(middle - rays.source_ras_mm, directions_of(rays)), axis=-1)
    chord = 2 * np.sqrt(np.maximum(RADIUS_MM**2 - off**2, 0.0))
    well_inside, outside = off < 0.9 * RADIUS_MM, off > RADIUS_MM + 2 * SPACING_MM.max()
    assert well_inside.sum() > 500
    assert outside.sum() > 500
    assert np.abs(found - chord)[well_inside].max() < 0.01 * 2 * RADIUS_MM
    assert found[outside].max() == 0.0
    # hardly a bias: what is rounded off by the width of a voxel
    assert abs((found - chord)[well_inside].mean()) < 0.002 * 2 * RADIUS_MM


def test_box_chords_along_spreading_rays():
    """A box turned against the grid, away from rays that graze an edge."""
    grid = oblique_grid((70, 60, 46))
    middle = grid.world_mm((np.array(grid.shape) - 1) / 2)
    axes, half = Rotation.from_euler("zyx", (15, 40, -25), degrees=True).as_matrix(), np.array([13.0, 9.0, 16.0])
    share = filled_share(grid, lambda points: (np.abs((points - middle) @ axes.T) <= half).all(axis=-1))
    rays = spread(grid, shape=(151, 121))
    found = ray_sums(share, grid, rays).integral
    start = np.broadcast_to(rays.source_ras_mm - middle, (*rays.shape, 3))
    chord = slab_chord_mm(start, directions_of(rays), half, axes)
    # a ray that passes within two voxels of an edge sees the voxels, not the box
    moves = 2 * SPACING_MM.max() * np.concatenate([np.eye(3), -np.eye(3)])
    shifted = [slab_chord_mm(start + move, directions_of(rays), half, axes) for move in moves]
    inside = (np.ptp(shifted, axis=0) < 3.0) & (chord > 0)
    assert inside.sum() > 200
    assert np.abs(found - chord)[inside].max() < 0.01 * 2 * np.linalg.norm(half)
    assert found[np.max(shifted, axis=0) == 0].max() < 0.3


def through(grid, rays):
    """Index of the ends of each ray's chord through the grid's own box, and whether both lie on the faces that are
    crossed most steeply, well away from their rims."""
    source = grid.index_of(rays.source_ras_mm)
    direction = directions_of(rays) @ np.linalg.inv(grid.affine_ras_mm[:3, :3]).T
    high = np.array(grid.shape) - 0.5
    near, far = np.sort(np.stack([(-0.5 - source) / direction, (high - source) / direction]), axis=0)
    enter, leave = near.max(axis=-1), far.min(axis=-1)
    steep = np.abs(direction).argmax(axis=-1)
    ends = source + np.stack([enter, leave])[..., None] * direction
    beside = np.arange(3) != steep[..., None]
    whole = (((ends > 0) & (ends < high - 0.5)) | ~beside).all(axis=(0, -1))
    return ends, whole & (near.argmax(axis=-1) == steep) & (far.argmin(axis=-1) == steep)


@pytest.mark.parametrize("direction", [(1.0, 0.2, -0.1), (0.1, -1.0, 0.2), (-0.15, 0.1, 1.0)])
def test_a_linear_field_is_summed_to_the_last_digits(direction):
    """Of a field that grows evenly, a chord's integral is its length times the value at its middle."""
    grid = oblique_grid((9, 14, 11))
    along = grid.affine_ras_mm[:3, :3] @ direction
    rays = spread(grid, toward=along, field_mm=5.0)
    slope, index = np.array([0.25, -0.5, 0.75]), np.moveaxis(np.indices(grid.shape), 0, -1)
    found = ray_sums(index @ slope + 40.0, grid, rays, zero=1.5, above=0.0)
    ends, whole = through(grid, rays)
    assert whole.sum() > 200
    length = np.linalg.norm(grid.world_mm(ends[1]) - grid.world_mm(ends[0]), axis=-1)
    expected = length * (ends.mean(axis=0) @ slope + 40.0 - 1.5)
    assert np.abs(found.integral - expected)[whole].max() < 1e-9
    assert np.abs(found.above_mm - length)[whole].max() < 1e-9


@given(seed=st.integers(0, 2**32 - 1))
def test_it_is_a_sum_over_voxels(seed):
    """Any ray, any grid: linear in the voxels, blind to what is below zero, and never more than the longest path."""
    rng = np.random.default_rng(seed)
    grid = oblique_grid((6, 5, 7), rng.uniform(0.5, 2.0, 3), rng.uniform(-180, 180, 3), rng.uniform(-50, 50, 3))
    one, other = rng.uniform(0.0, 3.0, (2, *grid.shape))
    middle = grid.world_mm((np.array(grid.shape) - 1) / 2)
    source, end = middle + rng.uniform(-6, 6, (2, 3)) * rng.choice([0.5, 10.0], (2, 1))
    ray = Rays(source, end, np.zeros(3), np.zeros(3), (1, 1))
    apart = [ray_sums(values, grid, ray).integral[0, 0] for values in (one, 2 * other)]
    assert ray_sums(one + 2 * other, grid, ray).integral[0, 0] == pytest.approx(sum(apart), abs=1e-9)
    assert ray_sums(-one, grid, ray).integral[0, 0] == 0
    longest = np.linalg.norm(np.array(grid.shape) * grid.spacing_mm) + 2 * grid.spacing_mm.max()
    assert 0 <= apart[0] <= 3.0 * longest
    # from the other end it is the same ray
    back = Rays(end, source, np.zeros(3), np.zeros(3), (1, 1))
    assert ray_sums(one, grid, back).integral[0, 0] == pytest.approx(apart[0], abs=1e-9)


@pytest.mark.parametrize("axis", range(3))
@pytest.mark.parametrize("backward", [False, True])
def test_rays_along_the_grids_axes(axis, backward):
    grid = Grid((4, 5, 6), np.diag([0.5, 1.0, 2.0, 1.0]))
    values = np.arange(120, dtype=np.float32).reshape(4, 5, 6)
    centre = np.array([0.5, 2.0, 4.0])
    far = np.zeros(3)
    far[axis] = 40.0 if backward else -40.0
    rays = Rays(centre + far, centre - far, np.zeros(3), np.zeros(3), (1, 1))
    line = values[tuple(slice(None) if a == axis else i for a, i in enumerate((1, 2, 2)))]
    assert ray_sums(values, grid, rays).integral[0, 0] == pytest.approx(line.sum() * grid.spacing_mm[axis], rel=1e-12)


def test_beside_before_and_behind_the_grid_is_nothing():
    grid, values = Grid((4, 4, 4), np.eye(4)), np.ones((4, 4, 4), np.float32)
    still = (np.zeros(3), np.zeros(3), (1, 1))
    for start, end in (((9, 9, -50), (9, 9, 50)), ((1, 1, 10), (1, 1, 50)), ((1, 1, -50), (1, 1, -10))):
        assert ray_sums(values, grid, Rays(np.array(start, float), np.array(end, float), *still)).integral[0, 0] == 0
    # from the middle of the grid on, half of it
    assert ray_sums(values, grid, Rays(np.array([1.5, 1.5, 1.5]), np.array([1.5, 1.5, 50]), *still)).integral[
        0, 0
    ] == pytest.approx(2.0)


def test_same_bytes_every_time(rng):
    grid = oblique_grid((20, 22, 24))
    values = rng.normal(0, 400, grid.shape).astype(np.int16)
    one, other = (ray_sums(values, grid, spread(grid)).integral for _ in range(2))
    assert one.tobytes() == other.tobytes()
