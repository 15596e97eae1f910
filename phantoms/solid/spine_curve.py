"""The spine's curve in space: where each vertebra and each disc lies.

A vertebra's local frame has its origin on the body's dorsal wall at mid-height in the
midline; a disc's on the disc's dorsal border at mid-height. Both have x left, y dorsal,
z cranial. The chain is built disc by disc from L3 in both directions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canalwise.phantoms.solid.dimensions import VertebraSize, level_size, vertebra_size
from canalwise.phantoms.solid.pose import Pose, turn
from canalwise.phantoms.spec import SpineSpec
from canalwise.recon.grid import Float
from canalwise.recon.labels import level_vertebrae

ANCHOR = "L3"
SPINE_TO_RAS = np.diag([-1.0, -1.0, 1.0])
"""Upright patient: left is -x, dorsal is -y, cranial is +z in RAS."""


@dataclass(frozen=True)
class PartRotation:
    """Turns of a part about the left, dorsal and cranial axes."""

    sagittal_deg: float
    coronal_deg: float
    axial_deg: float

    def axes(self) -> Float:
        """(3, 3) array, rows = the part's axes in the upright spine frame."""
        return turn(0, self.sagittal_deg) @ turn(1, self.coronal_deg) @ turn(2, self.axial_deg)

    def midway(self, other: PartRotation, further_deg: float) -> PartRotation:
        """The mean of two tilts, turned further in the sagittal plane."""
        return PartRotation(
            (self.sagittal_deg + other.sagittal_deg) / 2 + further_deg,
            (self.coronal_deg + other.coronal_deg) / 2,
            (self.axial_deg + other.axial_deg) / 2,
        )


def plate_z_mm(size: VertebraSize, y_mm: Float | float, upper: bool) -> Float | float:
    """Height of the end plate's plane at a depth (y dorsal, 0 at the dorsal wall) in the vertebra's frame."""
    z = size.height_mm / 2 - np.tan(np.radians(size.wedge_deg / 2)) * y_mm
    found: Float = z if upper else -z
    return found


def _tilts(spec: SpineSpec, sizes: dict[str, VertebraSize]) -> dict[str, PartRotation]:
    """Tilt of every vertebra: sagittal from the wedges, coronal linear, axial a half sine along the spine."""
    names = spec.vertebrae
    sagittal = [0.0]
    for level in spec.level_names:
        upper, lower = level_vertebrae(level)
        sagittal.append(
            sagittal[-1] + sizes[upper].wedge_deg / 2 + level_size(spec, level).wedge_deg + sizes[lower].wedge_deg / 2
        )
    zero = sagittal[names.index(ANCHOR)]
    along = np.linspace(-1.0, 1.0, len(names))
    return {
        name: PartRotation(
            sagittal[i] - zero, -spec.scoliosis_deg / 2 * along[i], spec.rotation_deg * np.cos(np.pi / 2 * along[i])
        )
        for i, name in enumerate(names)
    }


def spine_poses(spec: SpineSpec) -> dict[str, Pose]:
    """Poses of all vertebrae and discs by name ('L3', 'L3-L4').

    Each disc is turned midway between its neighbours' facing end plates; the upper
    vertebra is shifted ventrally along the disc by the slip.
    """
    sizes = {name: vertebra_size(spec, name) for name in spec.vertebrae}
    tilts = _tilts(spec, sizes)
    poses = {ANCHOR: Pose(np.zeros(3), tilts[ANCHOR].axes())}
    start = spec.vertebrae.index(ANCHOR)
    for level in spec.level_names[start:]:
        _lay_next(spec, level, sizes, tilts, poses, downward=True)
    for level in spec.level_names[:start][::-1]:
        _lay_next(spec, level, sizes, tilts, poses, downward=False)
    patient = patient_pose(spec)
    return {name: _in_patient(pose, patient) for name, pose in poses.items()}


def _lay_next(
    spec: SpineSpec,
    level: str,
    sizes: dict[str, VertebraSize],
    tilts: dict[str, PartRotation],
    poses: dict[str, Pose],
    *,
    downward: bool,
) -> None:
    """Add the disc of a level and the vertebra beyond it to the chain."""
    upper, lower = level_vertebrae(level)
    size = level_size(spec, level)
    disc_axes = tilts[upper].midway(tilts[lower], (sizes[upper].wedge_deg - sizes[lower].wedge_deg) / 4).axes()
    known, new = (upper, lower) if downward else (lower, upper)
    sign = 1.0 if downward else -1.0
    plate_centre = poses[known].to_world_mm(_plate_centre(sizes[known], upper=not downward))
    disc_middle = plate_centre - sign * (size.disc_height_mm / 2 * disc_axes[2] - size.knobs.slip_mm / 2 * disc_axes[1])
    depth = (sizes[upper].depth_lower_mm + sizes[lower].depth_upper_mm) / 4
    poses[level] = Pose(disc_middle + depth * disc_axes[1], disc_axes)
    far_plate = disc_middle - sign * (size.disc_height_mm / 2 * disc_axes[2] - size.knobs.slip_mm / 2 * disc_axes[1])
    new_axes = tilts[new].axes()
    poses[new] = Pose(far_plate - _plate_centre(sizes[new], upper=downward) @ new_axes, new_axes)


def _plate_centre(size: VertebraSize, *, upper: bool) -> Float:
    y = -(size.depth_upper_mm if upper else size.depth_lower_mm) / 2
    return np.array([0.0, y, float(plate_z_mm(size, y, upper))])


def patient_pose(spec: SpineSpec) -> Pose:
    """The upright spine frame (origin at L3's dorsal wall) as the patient lies in the scanner.

    >>> patient_pose(SpineSpec()).to_world_mm([0.0, 0.0, 0.0]).tolist() == list(SpineSpec().origin_ras_mm)
    True
    """
    left, dorsal, cranial = spec.pose_deg
    axes = turn(0, left) @ turn(1, dorsal) @ turn(2, cranial) @ SPINE_TO_RAS
    return Pose(np.array(spec.origin_ras_mm, dtype=float), axes)


def _in_patient(pose: Pose, patient: Pose) -> Pose:
    return Pose(patient.to_world_mm(pose.origin_ras_mm), pose.axes_ras @ patient.axes_ras)
