"""Facet joints read in the image: plates and cylinders of known angle and gap, coarsely sampled, labels touching."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from scipy import ndimage

from canalwise.recon.anatomy import Frame
from canalwise.recon.grid import Float, Grid, isotropic_grid
from canalwise.recon.labels import Labels, label_of, sided
from canalwise.recon.level.facet_joints import joints_of, line_angle_deg
from canalwise.recon.level.joint_midsurface import JointMidsurface, refitted, sheet_through
from canalwise.recon.level.joint_space import widest_mm
from canalwise.recon.level.resampled_level import local_view
from canalwise.recon.scan import Scan

SOFT_HU, CORTICAL_HU, MARROW_HU = 40.0, 900.0, 150.0
CENTRE = np.array([16.0, 9.0, -2.0])
WIDTH_MM, HEIGHT_MM, THICK_MM, CORTEX_MM = 14.0, 16.0, 7.0, 1.4
ANGLE_TOL_DEG, GAP_TOL_MM = 3.0, 0.5
FINE = 3
NAMES = label_of("L3", sided("inferior_articular", "left")), label_of("L4", sided("superior_articular", "left"))


@dataclass(frozen=True)
class Made:
    """A left joint: the lower vertebra's process lateral and ventral of the upper's, bent to a cylinder or flat."""

    angle_deg: float
    gap_mm: float
    radius_mm: float = np.inf

    def heights(self, level: Float) -> tuple[Float, Float, Float]:
        """Along the joint line, across its middle surface and up, of (..., 3) level points."""
        angle = np.radians(self.angle_deg)
        x, y, z = np.moveaxis(level - CENTRE, -1, 0)
        across = x * np.cos(angle) - y * np.sin(angle)
        along = x * np.sin(angle) + y * np.cos(angle)
        if np.isfinite(self.radius_mm):
            from_axis = np.hypot(across + self.radius_mm, along)
            return self.radius_mm * np.arctan2(along, across + self.radius_mm), from_axis - self.radius_mm, z
        return along, across, z

    def hu_and_label(self, level: Float) -> tuple[Float, Labels]:
        along, across, z = self.heights(level)
        depth = np.abs(across) - self.gap_mm / 2
        rim = np.minimum(WIDTH_MM / 2 - np.abs(along), HEIGHT_MM / 2 - np.abs(z))
        inner = np.minimum(np.minimum(depth, THICK_MM - depth), rim)
        hu = np.where(inner < 0, SOFT_HU, np.where(inner < CORTEX_MM, CORTICAL_HU, MARROW_HU))
        inside = (depth < THICK_MM) & (rim >= 0)  # the gap too: labels that touch
        return hu, np.where(inside, np.where(across < 0, *NAMES), 9).astype(np.uint16)


def scanned(made: Made, spacing_mm: float, noise_hu: float = 20.0) -> tuple[Scan, Labels, Frame]:
    """A CT of the joint by box averages, and labels of the voxel centres whose processes touch."""
    grid = isotropic_grid([-34.2, -34.3, -20.1], [2.0, 10.0, 18.0], spacing_mm)
    frame = Frame(np.zeros(3), np.diag([-1.0, -1.0, 1.0]))
    n, m, k = (size * FINE for size in grid.shape)
    fine = Grid(
        (n, m, k),
        np.block(
            [[grid.affine_ras_mm[:3, :3] / FINE, grid.world_mm([(1 / FINE - 1) / 2] * 3)[:, None]], [np.zeros(3), 1.0]]
        ),
    )
    hu, _ = made.hu_and_label(frame.to_level_mm(fine.voxel_centres_mm()))
    n, m, k = grid.shape
    hu = hu.reshape(n, FINE, m, FINE, k, FINE).mean(axis=(1, 3, 5))
    hu = ndimage.gaussian_filter(hu, 0.3 / spacing_mm) + np.random.default_rng(3).normal(0, noise_hu, grid.shape)
    labels = made.hu_and_label(frame.to_level_mm(grid.voxel_centres_mm()))[1]
    return Scan(np.rint(hu).astype(np.int16), grid, "CT"), labels, frame


@pytest.mark.parametrize(
    ("spacing_mm", "made"),
    [
        (0.5, Made(35.0, 0.3)),
        (0.5, Made(50.0, 0.3, 16.0)),
        (1.0, Made(25.0, 0.3, 16.0)),
        (1.0, Made(45.0, 0.5)),
        (1.0, Made(60.0, 1.0, 16.0)),
        (1.0, Made(30.0, 2.0)),
        (1.5, Made(40.0, 0.7, 16.0)),
        (1.5, Made(55.0, 1.2)),
        (1.5, Made(20.0, 2.0, 16.0)),
    ],
)
def test_a_joint_whose_labels_touch_is_read_in_the_image(spacing_mm: float, made: Made) -> None:
    scan, labels, frame = scanned(made, spacing_mm)
    view = local_view(labels, (labels >= 100).astype(np.float32), scan.grid, frame, ("L3", "L4"))
    joint = joints_of(view, scan)["left"]
    assert joint.gap_resolved
    assert joint.angle_deg == pytest.approx(made.angle_deg, abs=ANGLE_TOL_DEG)
    assert joint.gap_mm == pytest.approx(made.gap_mm, abs=GAP_TOL_MM)
    middle = frame.to_level_mm((joint.inferior_face_ras_mm + joint.superior_face_ras_mm) / 2)
    assert np.abs(made.heights(middle)[1]).mean() < 0.3
    # the blur along the joint softens its rims: area within a fifth
    assert joint.area_mm2.sum() == pytest.approx(WIDTH_MM * HEIGHT_MM, rel=0.2)


def test_an_invisible_gap_is_said_to_be_unresolved() -> None:
    scan, labels, frame = scanned(Made(35.0, 0.0), 1.0)
    solid = np.where(labels >= 100, np.int16(900), np.int16(40))  # fused: nothing dark between the faces
    view = local_view(labels, (labels >= 100).astype(np.float32), scan.grid, frame, ("L3", "L4"))
    joint = joints_of(view, Scan(solid, scan.grid, "CT"))["left"]
    assert not joint.gap_resolved
    assert joint.angle_deg == pytest.approx(35.0, abs=ANGLE_TOL_DEG)


@pytest.mark.parametrize("shift_mm", [-2.0, 2.0])
def test_labels_cut_beside_the_joint_do_not_move_it(shift_mm: float) -> None:
    made = Made(40.0, 1.0, 16.0)
    scan, labels, frame = scanned(made, 1.0)
    wrong = np.where(labels >= 100, np.roll(labels, round(shift_mm), axis=0), labels)
    wrong = np.where((labels >= 100) & (wrong < 100), labels, wrong).astype(np.uint16)
    view = local_view(wrong, (wrong >= 100).astype(np.float32), scan.grid, frame, ("L3", "L4"))
    joint = joints_of(view, scan)["left"]
    assert joint.angle_deg == pytest.approx(made.angle_deg, abs=ANGLE_TOL_DEG)
    assert joint.gap_mm == pytest.approx(made.gap_mm, abs=GAP_TOL_MM)


@pytest.mark.parametrize("angle_deg", [10.0, 36.0, 80.0])
def test_angle_of_an_arc_is_that_of_its_chord_whatever_its_rims_lose(angle_deg: float) -> None:
    turn = np.linspace(-0.4, 0.4, 81)
    for kept in (slice(None), slice(0, 77), slice(4, None)):
        at = turn[kept] + np.radians(angle_deg)
        normals = np.column_stack([np.cos(at), -np.sin(at), np.zeros(len(at))])
        points = np.column_stack([16 * np.sin(at), 16 * np.cos(at), np.zeros(len(at))])
        assert line_angle_deg(points, normals, np.ones(len(at))) == pytest.approx(angle_deg, abs=1.2)


def test_a_sheet_passes_through_its_points_and_ignores_strays() -> None:
    rng = np.random.default_rng(5)
    u, v = rng.uniform(-7, 7, 400), rng.uniform(-8, 8, 400)
    points = np.column_stack([1.0 + 0.2 * u - 0.02 * u * u + 0.01 * u * v, u, v])
    strays = points[:40] + np.array([4.0, 0, 0])
    sheet = sheet_through(np.concatenate([points, strays]), np.ones(440), np.array([1.0, 0, 0]))
    assert np.abs(sheet.height_mm(points)).max() < 0.1
    moved = points + np.array([0.5, 0, 0])
    assert np.abs(refitted(sheet, moved, np.ones(400)).height_mm(moved)).max() < 0.1
    assert (sheet.at(points) @ [1.0, 0, 0] > 0.8).all()


def test_normals_are_the_slopes_of_the_sheet() -> None:
    sheet = JointMidsurface(np.array([1.0, 2.0, 3.0]), np.eye(3), np.array([0.3, 0.1, -0.2, 0.02, 0.01, -0.03]))
    u, v = np.array([1.5]), np.array([-2.0])
    ahead, _, _ = sheet.over(u + 1e-5, v)
    beside, _, _ = sheet.over(u, v + 1e-5)
    here, normal, stretch = sheet.over(u, v)
    along, across = (ahead - here)[0] / 1e-5, (beside - here)[0] / 1e-5
    np.testing.assert_allclose(np.cross(along, across), normal[0] * stretch[0], atol=1e-4)


def test_rims_end_a_joint_by_share_and_by_length() -> None:
    assert widest_mm(2.0) == pytest.approx(3.0)
    assert widest_mm(0.2) == pytest.approx(0.6)
