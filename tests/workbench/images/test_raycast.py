"""Rays against solids whose surfaces are known by hand."""

from __future__ import annotations

import numpy as np
import pytest

from canalwise.workbench.images.raycast import TOUCH_MM, Camera, SampledField, first_hits_mm, normals_of, solid_distance

RADIUS_MM = 9.0


def sphere(points):
    return np.linalg.norm(points, axis=-1) - RADIUS_MM


def share_of_sphere(spacing_mm):
    axis = np.arange(-14.0, 14.01, spacing_mm)
    away = np.linalg.norm(np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1), axis=-1)
    return SampledField(
        np.clip(0.5 + (RADIUS_MM - away) / spacing_mm, 0, 1).astype(np.float32), np.full(3, -14.0), spacing_mm
    )


@pytest.mark.parametrize("toward", [(0.0, 1.0, 0.0), (0.7, 1.0, -0.3), (-1.0, 0.2, 0.4)])
def test_sphere_is_hit_where_geometry_says(toward):
    camera = Camera(toward, width_mm=30.0, height_mm=30.0, pixel_mm=0.5, depth_mm=40.0)
    right, up, _ = camera.triad()
    away = np.hypot(camera.starts() @ right, camera.starts() @ up)
    depth = first_hits_mm(sphere, camera)
    inner = away < RADIUS_MM - 0.3
    expected = 40.0 - np.sqrt(RADIUS_MM**2 - away[inner] ** 2)
    # TOUCH_MM off the surface is further along a slanting ray
    slant = np.sqrt(RADIUS_MM**2 - away[inner] ** 2) / RADIUS_MM
    assert (np.abs(depth[inner] - expected) <= 2 * TOUCH_MM / slant).all()
    assert np.isnan(depth[away > RADIUS_MM + 0.1]).all()


def test_first_row_is_the_top_and_first_column_the_left():
    camera = Camera((0.0, 1.0, 0.0), width_mm=10.0, height_mm=8.0, pixel_mm=1.0)
    starts = camera.starts()
    assert starts.shape == (8, 10, 3)
    assert starts[0, 0, 2] > starts[-1, 0, 2]  # cranial on top
    assert starts[0, 0, 0] > starts[0, -1, 0]  # seen from dorsal, the patient's left on the left


def test_normals_of_a_sphere_point_outward(rng):
    points = rng.normal(size=(50, 3))
    points *= RADIUS_MM / np.linalg.norm(points, axis=1, keepdims=True)
    assert np.allclose(normals_of(sphere, points), points / RADIUS_MM, atol=1e-3)


@pytest.mark.parametrize("spacing_mm", [0.5, 1.0])
def test_solid_made_of_cells_is_hit_within_a_third_of_a_cell(spacing_mm):
    distance = solid_distance(share_of_sphere(spacing_mm))
    camera = Camera((0.3, 1.0, 0.2), width_mm=10.0, height_mm=10.0, pixel_mm=0.5, depth_mm=40.0)
    right, up, _ = camera.triad()
    away2 = (camera.starts() @ right) ** 2 + (camera.starts() @ up) ** 2
    assert np.abs(first_hits_mm(distance, camera) - (40.0 - np.sqrt(RADIUS_MM**2 - away2))).max() < spacing_mm / 3


def test_distance_of_cells_never_exceeds_the_true_one(rng):
    spacing_mm = 1.0
    distance = solid_distance(share_of_sphere(spacing_mm))
    points = rng.uniform(-40, 40, size=(4000, 3))
    points = points[sphere(points) > 0]
    assert (distance(points) <= sphere(points) + 0.5 * spacing_mm).all()
    assert (distance(points[sphere(points) > spacing_mm]) > 0).all()
