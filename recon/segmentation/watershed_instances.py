"""Vertebrae as separate instances, in order, from a CT alone."""

from __future__ import annotations

import cc3d
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.recon.bone.occupancy import BoneModel, bone_model, occupancy_within, wall_mask
from canalwise.recon.bone.solid_mask import solid
from canalwise.recon.canal.tube import canal_along, canal_from_bone
from canalwise.recon.grid import Float, Grid
from canalwise.recon.image.morphology import eroded, linear_on, nearest_on
from canalwise.recon.image.working_copy import refined_numbers, working_copy
from canalwise.recon.labels import Mask, Part
from canalwise.recon.scan import Scan
from canalwise.recon.segmentation.instances import VertebraInstances
from canalwise.recon.spine.arches import arches
from canalwise.recon.spine.axial_profile import spine_profile
from canalwise.recon.spine.bodies import bodies, discs
from canalwise.recon.spine.canal_coordinates import SpineField
from canalwise.recon.spine.spine_field import field_box, spine_field

BODY_CODE = 64
"""Added to a vertebra's number in its body, so that number and body are refined as one."""


def vertebra_instances(scan: Scan, model: BoneModel, through_mm: Float | None = None) -> VertebraInstances:
    """Separate the vertebrae of a CT; `through_mm` are (M, 3) seed points in the canal, RAS mm.

    Raises
    ------
    AnatomyNotFound : no canal or no pedicle is in view
    """
    work = working_copy(scan)
    if work is scan:
        return _instances(scan, model, through_mm)
    return _refined(_instances(work, bone_model(work), through_mm), work.grid, scan, model)


def _instances(scan: Scan, model: BoneModel, through_mm: Float | None) -> VertebraInstances:
    """The vertebrae of a scan, all work done on its own voxels."""
    wall = wall_mask(scan, model)
    tube = canal_from_bone(wall, scan.grid, through_mm=through_mm)
    field = spine_field(scan.grid, tube)
    value, near_wall = scan.voxels[field.box], wall[field.box]
    profile = spine_profile(field, value, near_wall)
    body = bodies(field, value, near_wall, profile)
    bone = solid(near_wall, field.grid, tube.mask[field.box]) | (body > 0)
    occupancy = occupancy_within(bone, Scan(value, field.grid, "CT"), model)
    disc = discs(field, np.where(occupancy >= 0.5, body, 0).astype(np.uint8), profile)
    number = arches(field, value, bone, body, tube.mask[field.box], profile) * (occupancy >= 0.5)
    number[disc > 0] = 0  # calcium within a disc is no part of an arch
    number = _whole(number, field)
    filled = _filled(number, field, tube.mask[field.box])
    occupancy = np.where((number > 0) | (occupancy < 0.5), occupancy, np.float32(0.0))
    occupancy[(filled > 0) & (number == 0)] = 1.0
    number = filled
    body = np.where(body == number, body, 0).astype(np.uint8)
    disc[number > 0] = 0
    whole = np.zeros(scan.grid.shape, dtype=np.float32)
    whole[field.box] = np.where(disc > 0, np.float32(1.0), occupancy)  # where a disc bulges the canal is narrower
    final = canal_from_bone(whole, scan.grid, through_mm=through_mm)
    part = body_or_undivided(number, body)
    return VertebraInstances(field.box, number, part, disc, occupancy, field.grid, field.along_mm, profile, final)


def body_or_undivided(number: npt.NDArray[np.uint8], body: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """(nx, ny, nz) array of Part: bodies, and the rest of each vertebra undivided.

    >>> parts = body_or_undivided(np.array([0, 1, 1], np.uint8), np.array([0, 1, 0], np.uint8))
    >>> parts.tolist() == [0, Part.BODY, Part.UNDIVIDED]
    True
    """
    return np.where(number > 0, np.where(body > 0, Part.BODY, Part.UNDIVIDED), 0).astype(np.uint8)


def _refined(found: VertebraInstances, work: Grid, scan: Scan, model: BoneModel) -> VertebraInstances:
    """Vertebrae found on a coarser copy of a scan, their bone bounded anew in the scan itself."""
    box = field_box(scan.grid, found.tube)
    grid, coarse = scan.grid.cropped(box), work.cropped(found.box)
    part, along_mm = Scan(scan.voxels[box], grid, "CT"), linear_on(grid, found.along_mm, coarse)
    wall = wall_mask(part, model)
    # What lies well inside on the copy is bone, however pale; the scan itself decides about the rim only.
    canal = nearest_on(grid, found.tube.mask, work)
    core = nearest_on(grid, eroded(found.number > 0), coarse)
    occupancy = occupancy_within(solid(wall | core, grid, canal), part, model)
    code = found.number + np.where(found.part == Part.BODY, BODY_CODE, 0).astype(np.uint8)
    code = refined_numbers(code, coarse, occupancy >= 0.5, grid)
    number = code % BODY_CODE
    body = np.where(code >= BODY_CODE, number, 0).astype(np.uint8)
    disc = np.where(number == 0, nearest_on(grid, found.disc, coarse), 0).astype(np.uint8)
    occupancy = np.where((number > 0) | (occupancy < 0.5), occupancy, np.float32(0.0))
    whole = np.zeros(scan.grid.shape, dtype=np.float32)
    whole[box] = np.where(disc > 0, np.float32(1.0), occupancy)  # where a disc bulges the canal is narrower
    # The line does not change with the voxels; its wall is read again.
    tube = canal_along(whole, scan.grid, found.tube.stations)
    parts = body_or_undivided(number, body)
    return VertebraInstances(box, number, parts, disc, occupancy, grid, along_mm, found.profile, tube)


def _filled(number: npt.NDArray[np.uint8], field: SpineField, canal: Mask) -> npt.NDArray[np.uint8]:
    """Each vertebra with what it encloses: marrow of processes that leaked when all bone was filled."""
    filled = number.copy()
    for n, box in enumerate(ndimage.find_objects(number), start=1):
        if box is None:
            continue
        part = number[box]
        inside = solid(np.pad(part == n, 1), field.grid, np.pad(canal[box], 1))[1:-1, 1:-1, 1:-1]
        filled[box][inside & (part == 0)] = n
    return filled


def _whole(number: npt.NDArray[np.uint8], field: SpineField) -> npt.NDArray[np.uint8]:
    """Each vertebra's largest piece, with its lesser ones when they are no specks (a spinous tip may be cut off)."""
    kept = np.zeros_like(number)
    for n in range(1, int(number.max()) + 1):
        pieces = cc3d.dust(number == n, threshold=max(round(200.0 / field.grid.voxel_mm3), 1), connectivity=6)
        kept[pieces > 0] = n
    return kept
