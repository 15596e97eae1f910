"""Targets against the ellipse and their own definitions."""

from dataclasses import replace

import numpy as np
import pytest

from canalwise.recon.level.landmarks import landmarks_of
from canalwise.recon.level.targets import NAMES, targets_of
from tests.recon.shapes import CANAL_HALF_DEPTH, CANAL_HALF_WIDTH, Shapes, truth_frame, view


@pytest.fixture(scope="module")
def level_points() -> dict[str, dict[str, np.ndarray]]:
    seen = view("plain")
    frame = truth_frame(Shapes())
    found = targets_of(seen, landmarks_of(seen, {}))
    return {side: {name: frame.to_level_mm(p) for name, p in t.points_ras_mm.items()} for side, t in found.items()}


def test_all_targets_on_both_sides_lie_on_the_canal_wall(level_points: dict[str, dict[str, np.ndarray]]) -> None:
    for side, sign in (("left", 1), ("right", -1)):
        assert set(level_points[side]) == set(NAMES)
        for points in level_points[side].values():
            radius = np.hypot(points[:, 0] / CANAL_HALF_WIDTH, points[:, 1] / CANAL_HALF_DEPTH)
            assert radius == pytest.approx(np.ones(len(points)), abs=0.06)  # half a voxel of 9 mm
            assert (sign * points[:, 0] > 0).all()


def test_planes_and_shares(level_points: dict[str, dict[str, np.ndarray]]) -> None:
    left = level_points["left"]
    assert left["canal wall"][:, 2] == pytest.approx(0, abs=1e-9)
    assert left["canal wall"][:, 0].min() >= 0.49 * CANAL_HALF_WIDTH
    assert (left["disc border"][:, 1] < 0).all()
    assert left["disc border"][:, 0].max() <= 0.92 * CANAL_HALF_WIDTH
    assert left["lateral recess"][:, 2] == pytest.approx(-7.0, abs=0.5)
    assert (left["lateral recess"][:, 1] < 0.2).all()
    assert left["foramen entrance"][:, 2] == pytest.approx(4.0, abs=0.5)
    widest = left["foramen entrance"][:, 0].max()
    assert widest == pytest.approx(CANAL_HALF_WIDTH, abs=0.5)  # half a voxel
    assert left["foramen entrance"][:, 0].min() >= 0.9 * widest - 1e-9


def test_a_target_without_its_landmark_is_left_out() -> None:
    found = targets_of(view("plain"), {})
    assert set(found["left"].points_ras_mm) == {"canal wall", "disc border"}


def test_disc_border_takes_the_most_ventral_points_of_a_folded_outline() -> None:
    # a spur that reaches into the canal from the left, 2 mm high: at one x the outline is crossed four times
    seen = view("plain")
    x, y, _ = np.moveaxis(seen.points_mm(np.ones(seen.canal.shape, dtype=bool)), -1, 0).reshape(3, *seen.canal.shape)
    spur = (x > 3) & (np.abs(y + 1) < 1)
    folded = replace(seen, canal=np.where(spur, np.float32(0), seen.canal))
    points = truth_frame(Shapes()).to_level_mm(targets_of(folded, {})["left"].points_ras_mm["disc border"])
    ventral_mm = -CANAL_HALF_DEPTH * np.sqrt(1 - (points[:, 0] / CANAL_HALF_WIDTH) ** 2)
    assert points[:, 1] == pytest.approx(ventral_mm, abs=0.5)
    assert points[:, 0].min() < 4
    assert points[:, 0].max() > 9


def test_disc_border_of_a_bulging_disc_follows_the_bulge() -> None:
    # ventral border raised by 3 mm over the middle 12 mm
    seen = view("plain")
    x, y, _ = np.moveaxis(seen.points_mm(np.ones(seen.canal.shape, dtype=bool)), -1, 0).reshape(3, *seen.canal.shape)
    bulge = (np.abs(x) < 6) & (y < 3 - CANAL_HALF_DEPTH)
    bulging = replace(seen, canal=np.where(bulge, np.float32(0), seen.canal))
    points = truth_frame(Shapes()).to_level_mm(targets_of(bulging, {})["right"].points_ras_mm["disc border"])
    over = np.abs(points[:, 0]) < 5
    assert over.any()
    assert points[over, 1] == pytest.approx(3 - CANAL_HALF_DEPTH, abs=0.5)
    reach = np.abs(points[:, 0]) / CANAL_HALF_WIDTH
    assert reach.min() > 0.2
    assert reach.max() < 0.95
