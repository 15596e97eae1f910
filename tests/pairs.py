"""A made-up level scanned twice: textured bone, another pose, noise of its own, and bone taken out between."""

from __future__ import annotations

from functools import cache

import numpy as np
from scipy import ndimage

from canalwise.phantoms.anatomy.intensities import TITANIUM_HU
from canalwise.phantoms.imaging.operated import without
from canalwise.recon.grid import Grid
from canalwise.recon.registration.column import LabelledScan, registered_on
from canalwise.recon.registration.rigid_motion import RigidMotion
from canalwise.recon.registration.vertebra_registration import VertebraRegistration
from canalwise.recon.scan import Scan
from tests.workbench import toy

NOISE_HU = 15.0
SHIFT_MM, TURN_DEG = (23.0, -14.0, 9.0), (2.0, -3.0, 4.0)


@cache
def still() -> np.ndarray:
    """(nx, ny, nz) CT of the toy without noise: patchy marrow, a brighter rim, the two bodies not alike."""
    bone = toy.anatomy().occupancy > 0
    patchy = ndimage.gaussian_filter(np.random.default_rng(5).standard_normal(bone.shape), 2.0)
    patchy = 160.0 * patchy / patchy.std()
    rim = bone & ~ndimage.binary_erosion(bone)
    hu = np.where(bone, 320.0 + np.clip(patchy, -270, 400) + 250.0 * rim, 40.0)
    hu[:, -2:, :] = -1000.0
    return ndimage.gaussian_filter(hu, 0.5).astype(np.float32)


def noisy(values: np.ndarray, grid: Grid, seed: int, modality: str = "CT") -> Scan:
    """The values as a scan with noise."""
    noise = np.random.default_rng(seed).normal(0.0, NOISE_HU, values.shape)
    return Scan(np.rint(values + noise).astype(np.int16), grid, modality)


@cache
def before() -> Scan:
    """The scan before."""
    return noisy(still(), toy.grid(), 1)


def motion(shift_mm=SHIFT_MM, turn_deg=TURN_DEG) -> RigidMotion:
    """Scan before -> scan after: turned about the level's middle and shifted."""
    turns = np.eye(3)
    for axis, angle in enumerate(np.radians(turn_deg)):
        one, two = (axis + 1) % 3, (axis + 2) % 3
        step = np.eye(3)
        step[one, one] = step[two, two] = np.cos(angle)
        step[two, one], step[one, two] = np.sin(angle), -np.sin(angle)
        turns = turns @ step
    return RigidMotion.about(toy.ORIGIN_RAS_MM, turns, shift_mm)


def taken_box() -> np.ndarray:
    """(nx, ny, nz) share taken: the medial part of the left laminae and what lies before it, down to the canal."""
    grid = toy.grid()
    x, y, z = np.moveaxis(toy.frame().to_level_mm(grid.voxel_centres_mm()), -1, 0)
    return ((x > 1) & (x < 11) & (y > 4) & (y < 20) & (np.abs(z) < 11)).astype(np.float32)


def after(values: np.ndarray, to: RigidMotion, seed: int = 2, modality: str = "CT") -> Scan:
    """Values of the scan before, scanned after a motion, on an upright grid that ends a little inside them."""
    grid = toy.grid()
    corners = grid.world_mm(np.array([[0, 0, 0], np.array(grid.shape) - 1]))
    moved = to.moved_mm(corners.mean(axis=0))
    size = np.ceil(np.abs(corners[1] - corners[0])).astype(int) - 9
    affine = np.eye(4)
    affine[:3, 3] = moved - (size - 1) / 2
    onto = Grid(tuple(int(n) for n in size), affine)
    at = grid.index_of(to.inverse().moved_mm(onto.voxel_centres_mm()))
    fill = float(values[0, 0, 0])
    read = ndimage.map_coordinates(values.astype(np.float32), np.moveaxis(at, -1, 0), order=3, cval=fill)
    return noisy(read, onto, seed, modality)


@cache
def operated() -> Scan:
    """The scan after, with bone taken."""
    return after(without(still(), taken_box()), motion())


def with_screws(values: np.ndarray) -> np.ndarray:
    """Values with a screw on both sides of L3, dorsal to ventral, and dark and bright bands across its slices."""
    grid, found = toy.grid(), values.copy()
    x, y, z = np.moveaxis(toy.frame().to_level_mm(grid.voxel_centres_mm()), -1, 0)
    metal = (np.hypot(np.abs(x) - 12.0, z - 14.0) <= 3.0) & (np.abs(y + 6.0) <= 16.0)
    slices = metal.any(axis=(0, 1))
    i, j = np.ogrid[: values.shape[0], : values.shape[1]]
    found[:, :, slices] += (400.0 * np.sin(1.3 * i + 0.4 * j)).astype(np.float32)[:, :, None]
    found[metal] = TITANIUM_HU
    return found


@cache
def screwed(*, taken: bool) -> Scan:
    """The scan after, with pedicle screws in L3, and bone taken or not."""
    return after(with_screws(without(still(), taken_box()) if taken else still()), motion(), seed=7)


@cache
def untouched() -> Scan:
    """The scan after, with nothing taken."""
    return after(still(), motion(), seed=3)


@cache
def mr_pair() -> tuple[LabelledScan, LabelledScan]:
    """The toy's CT, and an MR of it: another contrast, slices of 3 mm across, another pose; both with labels."""
    values = np.where(toy.labels() >= 100, 900.0 - still(), 300.0)
    values = np.where(np.isin(toy.labels(), (1, 2)), 1100.0, values)
    turned = after(values, motion(), seed=6, modality="MR")
    thick = Scan(
        turned.voxels[1::3], Grid(turned.voxels[1::3].shape, turned.grid.affine_ras_mm @ np.diag([3, 1, 1, 1.0])), "MR"
    )
    affine = thick.grid.affine_ras_mm.copy()
    affine[:3, 3] = turned.grid.world_mm([1, 0, 0])
    grid = Grid(thick.grid.shape, affine)
    index = np.rint(toy.grid().index_of(motion().inverse().moved_mm(grid.voxel_centres_mm()))).astype(int)
    inside = ((index >= 0) & (index < toy.grid().shape)).all(axis=-1)
    labels = np.zeros(grid.shape, dtype=np.uint16)
    labels[inside] = toy.labels()[tuple(index[inside].T)]
    mr = Scan(thick.voxels, grid, "MR")
    return LabelledScan(before(), toy.labels(), toy.grid()), LabelledScan(mr, labels, grid)


@cache
def registered_mr() -> dict[str, VertebraRegistration]:
    """The MR registered on the CT."""
    return registered_on(*mr_pair())
