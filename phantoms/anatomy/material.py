"""From label and depth to the tissue an image shows."""

from __future__ import annotations

import numpy as np

from canalwise.phantoms.anatomy.arch import SACRUM
from canalwise.phantoms.anatomy.bystanders import with_bystanders
from canalwise.phantoms.anatomy.intensities import Material, Materials
from canalwise.phantoms.anatomy.soft_tissue import SKIN_MM, SUBCUTANEOUS_MM
from canalwise.phantoms.anatomy.spine_model import Spine
from canalwise.phantoms.solid.dimensions import VertebraSize
from canalwise.phantoms.solid.point_batch import batch_of
from canalwise.phantoms.solid.pose import Pose
from canalwise.phantoms.solid.signed_distance import Capsule
from canalwise.phantoms.spec import SpineSpec, side_index
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Labels, Part, Tissue, label_of, level_vertebrae, sided

CORTEX_BODY_MM = 0.7
"""Cortical shell of bodies (choice)."""

CORTEX_ARCH_MM = 1.4
"""Cortical shell of arches (choice)."""

PERIARTICULAR_MM = 2.5
"""Soft tissue this near both processes of a joint is cartilage and fluid."""

SCREW_RADIUS_MM = 3.0
CANAL_MATERIAL = {
    Tissue.CANAL: Material.FAT,
    Tissue.SAC: Material.FLUID,
    Tissue.FLAVUM: Material.LIGAMENT,
    Tissue.CALCIFIED: Material.CALCIFIED,
    Tissue.ROOT: Material.ROOT,
    Tissue.OUTSIDE: Material.AIR,
}


def materials(spine: Spine, points_mm: Float, labels: Labels, depth_mm: Float) -> Materials:
    """(N,) array of `Material` for points whose label and depth are known."""
    found = np.full(len(points_mm), Material.MUSCLE, dtype=np.uint8)
    for tissue, material in CANAL_MATERIAL.items():
        found[labels == tissue] = material
    soft = labels == Tissue.SOFT
    found[soft] = _soft(spine, points_mm[soft])
    part = labels % 100
    found[(labels >= 100) & (part == Part.DISC)] = Material.DISC
    bone = (labels >= 100) & (part != Part.DISC)
    cortex = np.where(part == Part.BODY, CORTEX_BODY_MM, CORTEX_ARCH_MM) * spine.spec.cortex_frac
    found[bone] = np.where(depth_mm < cortex, Material.CORTICAL, Material.TRABECULAR)[bone]
    found[np.isin(labels, sclerotic_labels(spine.spec)) & (found == Material.TRABECULAR)] = Material.SCLEROTIC
    around = soft | (labels == Tissue.OUTSIDE)
    found[around] = with_bystanders(spine.bystanders, points_mm[around], found[around])
    if spine.spec.metal:
        found[bone & (_screws_mm(spine, points_mm) < 0)] = Material.METAL
    return found


def sclerotic_labels(spec: SpineSpec) -> list[int]:
    """Labels of the articular processes that are dense throughout.

    >>> from canalwise.phantoms.spec import LevelKnobs
    >>> sclerotic_labels(SpineSpec(levels={"L4-L5": LevelKnobs(sclerotic=(True, False))}))
    [2311, 2409]
    """
    found = []
    for name in spec.level_names:
        upper, lower = level_vertebrae(name)
        for side in SIDES:
            if spec.knobs(name).sclerotic[side_index(side)]:
                found += [
                    label_of(upper, sided("inferior_articular", side)),
                    label_of(lower, sided("superior_articular", side)),
                ]
    return found


def _soft(spine: Spine, points_mm: Float) -> Materials:
    """Skin, subcutaneous and foraminal fat, joint space, else muscle."""
    found = np.full(len(points_mm), Material.MUSCLE, dtype=np.uint8)
    if not len(points_mm):
        return found
    skin = spine.skin.distance_mm(points_mm)
    found[skin > -SUBCUTANEOUS_MM] = Material.FAT
    found[skin > -SKIN_MM] = Material.SKIN
    batch = batch_of(points_mm)
    for level, local in spine.canal.near_levels(batch).items():
        x, y, z = local.T
        foramen = (np.abs(x) < spine.levels[level].joint_x_mm + 6) & (y > -2) & (y < 12) & (np.abs(z - 2) < 11)
        found[foramen] = Material.FAT
        for side in SIDES:
            between = [spine.bone.process_mm(level, side, batch, superior=s) < PERIARTICULAR_MM for s in (True, False)]
            found[between[0] & between[1]] = Material.CARTILAGE
    return found


def _screws_mm(spine: Spine, points_mm: Float) -> Float:
    """(N,) array: signed distance to the nearest pedicle screw."""
    distance = np.full(len(points_mm), np.inf)
    for name in spine.spec.metal:
        for sign in (1.0, -1.0):
            distance = np.minimum(
                distance, screw(spine.vertebrae[name], sign, spine.poses[name]).distance_mm(points_mm)
            )
    return distance


def screw(size: VertebraSize, sign: float, pose: Pose) -> Capsule:
    """A pedicle screw of one side (sign +1 left), from the arch to the body, in the world."""
    z = size.pedicle_z_mm
    start, end = (
        np.array([sign * (size.pedicle_x_mm + 1.0), 16.0, z]),
        np.array([sign * size.pedicle_x_mm * 0.7, -22.0, z]),
    )
    radius = min(SCREW_RADIUS_MM, size.pedicle_width_mm / 2 - 1.0) if size.name != SACRUM else SCREW_RADIUS_MM
    return Capsule(start, end, radius, radius).placed(pose)
