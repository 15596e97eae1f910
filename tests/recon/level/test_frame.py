"""The level frame against shapes of known pose, on even and odd grids, cropped and mirrored."""

import numpy as np
import pytest

from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.grid import Grid
from canalwise.recon.labels import Part, label_of
from canalwise.recon.level.frame import _Mirrored, level_frame
from tests.recon.shapes import case, level, truth_frame, view

ANGLE_TOL_DEG = 1.0
"""The design's accuracy for angles."""

ORIGIN_TOL_MM = 0.5
"""Well inside the design's 1.5 mm for landmarks."""


def angles_deg(found: np.ndarray, true: np.ndarray) -> np.ndarray:
    return np.degrees(np.arccos(np.clip((found * true).sum(axis=1), -1, 1)))


@pytest.mark.parametrize("which", ["plain", "turned"])
def test_frame_lies_as_the_shapes_were_placed(which: str) -> None:
    true, found = truth_frame(case(which)[0]), level(which).frame
    assert angles_deg(found.axes_ras, true.axes_ras).max() < ANGLE_TOL_DEG
    assert np.linalg.norm(found.origin_ras_mm - true.origin_ras_mm) < ORIGIN_TOL_MM


def test_frame_needs_no_disc_and_no_occupancy() -> None:
    shapes, labels, _, grid = case("plain")
    bare = np.where(labels == label_of("L3", Part.DISC), 9, labels).astype(np.uint16)
    found = level_frame(bare, grid, "L3", "L4")
    assert angles_deg(found.axes_ras, truth_frame(shapes).axes_ras).max() < ANGLE_TOL_DEG


def test_frame_holds_when_both_bodies_are_cut() -> None:
    shapes, labels, share, grid = case("turned")
    box = (slice(None), slice(None), slice(18, 64))
    found = level_frame(labels[box], grid.cropped(box), "L3", "L4", share[box])
    assert angles_deg(found.axes_ras, truth_frame(shapes).axes_ras).max() < ANGLE_TOL_DEG


def test_mirroring_the_patient_mirrors_the_frame() -> None:
    _, labels, share, grid = case("turned")
    flip = np.diag([-1.0, 1.0, 1.0])
    affine = grid.affine_ras_mm.copy()
    affine[0] *= -1
    swap = labels.copy()
    for part in Part:
        if part.name.endswith("_LEFT"):
            for name in ("L3", "L4"):
                other = Part[part.name.replace("LEFT", "RIGHT")]
                swap[labels == label_of(name, part)] = label_of(name, other)
                swap[labels == label_of(name, other)] = label_of(name, part)
    one = level_frame(labels, grid, "L3", "L4", share)
    two = level_frame(swap, Grid(grid.shape, affine), "L3", "L4", share)
    # x stays the patient's left: its mirror image points to the other side
    mirrored = np.diag([-1.0, 1.0, 1.0]) @ one.axes_ras @ flip
    assert angles_deg(two.axes_ras, mirrored).max() < 0.2
    assert np.allclose(two.origin_ras_mm, flip @ one.origin_ras_mm, atol=0.1)


def test_missing_body_is_named() -> None:
    _, labels, _, grid = case("plain")
    with pytest.raises(AnatomyNotFound, match="L5 body"):
        level_frame(labels, grid, "L4", "L5")


@pytest.mark.parametrize("plane", [(0.0, 0.0), (7.0, -2.5), (-20.0, 12.0)])
def test_mirror_images_are_matched_as_the_definition_says(plane: tuple[float, float]) -> None:
    box = view("turned")
    points = box.points_mm(box.bone > 0.1)[::50]
    mirrored = _Mirrored(box, box.bone, points)
    turn_rad, shift_mm = np.radians(plane[0]), plane[1]
    normal = np.array([np.cos(turn_rad), np.sin(turn_rad), 0.0])
    image = points - np.outer(2 * (points @ normal - shift_mm), normal)
    seen = box.grid.contains(box.frame.to_world_mm(image))
    expected = -float((mirrored.own * box.at(box.bone, image)) @ seen / (mirrored.own @ seen))
    assert mirrored.mismatch(plane) == pytest.approx(expected, rel=1e-9)
