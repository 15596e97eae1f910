"""Small anatomies whose answers are known: bone of a given shape, a round sac in a straight canal."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.spatial.transform import Rotation

from canalwise.estimator.approach.approach import PlacedPhase
from canalwise.estimator.level.keep_out import KeepOut
from canalwise.estimator.level.level_bone import LevelBone
from canalwise.recon.anatomy import Anatomy, Frame, Joint, Level, Targets, Window
from canalwise.recon.grid import Float, Grid, Index3
from canalwise.recon.labels import Part, Tissue, label_of

LEVEL_AXES = np.diag([-1.0, -1.0, 1.0])
"""Rows of the level frame (left, dorsal, cranial) in RAS for a patient square to the scanner."""

BONE = label_of("L3", Part.LAMINA_LEFT)
Shape = Callable[[Float], Float]


def oblique_grid(
    shape: Index3, spacing_mm: tuple[float, float, float], turn_deg: tuple[float, float, float] = (0, 0, 0)
) -> Grid:
    """A grid centred on the origin, its axes turned."""
    affine = np.eye(4)
    affine[:3, :3] = Rotation.from_euler("xyz", turn_deg, degrees=True).as_matrix() * np.array(spacing_mm)
    affine[:3, 3] = -affine[:3, :3] @ ((np.array(shape) - 1) / 2)
    return Grid(shape, affine)


def occupancy_of_shape(shape: Shape, grid: Grid, samples: int = 4) -> np.ndarray:
    """(nx, ny, nz) float32 array: share of samples^3 sub-voxel points inside (signed distance < 0)."""
    steps = (np.arange(samples) + 0.5) / samples - 0.5
    index = np.stack(np.indices(grid.shape), axis=-1).astype(float)
    total = np.zeros(grid.shape, dtype=np.float32)
    for offset in np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3):
        total += shape(grid.world_mm(index + offset)) < 0
    return total / samples**3


def level_bone_of_shape(shape: Shape, grid: Grid) -> LevelBone:
    """Bone of that shape, all one label."""
    occupancy = occupancy_of_shape(shape, grid)
    labels = np.where(occupancy > 0, BONE, 0).astype(np.uint16)
    i, j, k = (slice(0, n) for n in grid.shape)
    return LevelBone((i, j, k), grid, (occupancy * grid.voxel_mm3).astype(np.float32), labels)


def nothing_to_keep_out_of() -> KeepOut:
    """A keep-out far from everything."""
    affine = np.eye(4)
    affine[:3, 3] = 1e4
    return KeepOut(Grid((2, 2, 2), affine), np.full((2, 2, 2), 9.0, dtype=np.float32), 0.0)


def phase_along(
    axis: tuple[float, float, float],
    *,
    sweep_deg: float = 0.0,
    radius_mm: float = 3.0,
    length_mm: float = 120.0,
    back_mm: float = 60.0,
) -> PlacedPhase:
    """A phase whose axis runs through the origin, sleeve and tool alike."""
    unit = np.array(axis) / np.linalg.norm(axis)
    return PlacedPhase("ipsilateral", -back_mm * unit, unit, sweep_deg, radius_mm, length_mm, radius_mm, length_mm)


def round_sac_anatomy(sac_radius_mm: float, canal_radius_mm: float, spacing_mm: float = 0.5) -> Anatomy:
    """A straight round canal along z with a round sac in it, inside a tube of bone that is L3 above and L4 below."""
    half = np.array([25.0, 25.0, 12.0])
    shape = tuple(int(n) for n in 2 * np.round(half / spacing_mm) + 1)
    grid = oblique_grid((shape[0], shape[1], shape[2]), (spacing_mm,) * 3)
    x, y, z = np.moveaxis(grid.voxel_centres_mm(), -1, 0)
    rho = np.hypot(x, y)
    labels = np.full(grid.shape, int(Tissue.SOFT), dtype=np.uint16)
    wall = rho < canal_radius_mm + 3
    labels[wall] = np.where(z > 0, label_of("L3", Part.LAMINA_LEFT), label_of("L4", Part.LAMINA_LEFT))[wall]
    labels[rho < canal_radius_mm] = Tissue.CANAL
    labels[rho < sac_radius_mm] = Tissue.SAC
    occupancy = (labels >= 100).astype(np.float32)
    return Anatomy(grid, labels, occupancy, (toy_level(canal_radius_mm),), {"sac": "given"})


def toy_level(canal_radius_mm: float) -> Level:
    """L3-L4 of the round canal: joints and windows on both sides, targets on the canal wall."""
    frame = Frame(np.zeros(3), LEVEL_AXES)
    joints, windows, targets = {}, {}, {}
    for side, sign in (("left", 1.0), ("right", -1.0)):
        face = frame.to_world_mm(
            np.array([[sign * (canal_radius_mm + 1), y, z] for y in (2.0, 4.0, 6.0) for z in (-0.5, 0.5)])
        )
        joints[side] = Joint(side, face, face, np.ones(len(face)), 40.0, 1.5)
        centre = frame.to_world_mm([sign * canal_radius_mm / 2, canal_radius_mm, 0.0])
        windows[side] = Window(side, centre, frame.direction_ras([0.0, 1.0, 0.0]), 10.0, 10.0, 80.0)
        around = np.radians(np.arange(-60, 61, 5))
        wall = np.stack(
            [sign * canal_radius_mm * np.cos(around), canal_radius_mm * np.sin(around), 0 * around], axis=-1
        )
        targets[side] = Targets(
            side, {"canal wall": frame.to_world_mm(wall), "lateral recess": frame.to_world_mm(wall[:8])}
        )
    return Level("L3-L4", "L3", "L4", frame, joints, windows, targets, {})
