"""Assembly of a spine's solids: every part placed in the world with the box that holds it."""

from __future__ import annotations

from itertools import product

import numpy as np

from canalwise.phantoms.anatomy.arch import (
    SACRUM,
    lamina_lower_z_mm,
    pars,
    pedicle,
    spinous_process,
    transverse_process,
)
from canalwise.phantoms.anatomy.bone import Bone, Vertebra
from canalwise.phantoms.anatomy.canal import Canal
from canalwise.phantoms.anatomy.joint import (
    JointSurface,
    inferior_process,
    joint_surface,
    process_top_mm,
    superior_process,
)
from canalwise.phantoms.anatomy.soft_tissue import SKIN_BEHIND_SPINOUS_MM, Skin
from canalwise.phantoms.solid.canal_section import ROOF_RISE_MM, Tube, tube_of
from canalwise.phantoms.solid.dimensions import LevelSize, VertebraSize
from canalwise.phantoms.solid.point_batch import Box, box_around
from canalwise.phantoms.solid.pose import Pose
from canalwise.phantoms.solid.signed_distance import RoundedBox, Solid
from canalwise.phantoms.solid.spine_curve import patient_pose
from canalwise.phantoms.spec import SpineSpec
from canalwise.recon.labels import SIDES, Part, Side, level_vertebrae, sided

LEVEL_REACH_MM = 48.0
"""Beyond this along the spine a level's encroachment is below 1e-6 mm."""

Poses = dict[str, Pose]
Vertebrae = dict[str, VertebraSize]
Levels = dict[str, LevelSize]
Joints = dict[tuple[str, Side], JointSurface]


def local_box(pose: Pose, low_mm: tuple[float, float, float], high_mm: tuple[float, float, float]) -> Box:
    """The world box of a box in a pose's frame.

    >>> import numpy as np
    >>> box = local_box(Pose(np.array([10.0, 0, 0]), np.eye(3)), (-1.0, -1.0, -1.0), (1.0, 1.0, 1.0))
    >>> [corner.tolist() for corner in box]
    [[9.0, -1.0, -1.0], [11.0, 1.0, 1.0]]
    """
    return box_around(pose.to_world_mm(list(product(*zip(low_mm, high_mm, strict=True)))))


def canal_of(poses: Poses, vertebrae: Vertebrae, levels: Levels) -> Canal:
    """The canal of placed vertebrae and discs."""
    tubes = {name: tube_of(size) for name, size in vertebrae.items()}
    tube_boxes = {
        name: local_box(
            poses[name], (-tube.half_width_mm, -3.0, -34.0), (tube.half_width_mm, tube.depth_mm + ROOF_RISE_MM, 34.0)
        )
        for name, tube in tubes.items()
    }
    level_boxes = {
        level: local_box(poses[level], (-30.0, -20.0, -LEVEL_REACH_MM), (30.0, 45.0, LEVEL_REACH_MM))
        for level in levels
    }
    return Canal(poses, tubes, levels, tube_boxes, level_boxes)


def disc_boxes(poses: Poses, vertebrae: Vertebrae, levels: Levels) -> dict[str, Box]:
    """World boxes of the discs' columns by level."""
    boxes = {}
    for level in levels:
        size = vertebrae[level_vertebrae(level)[1]]
        half, depth = size.width_upper_mm / 2 + 4.0, size.depth_upper_mm + 4.0
        boxes[level] = local_box(poses[level], (-half, -depth, -16.0), (half, 12.0, 16.0))
    return boxes


def bone_of(poses: Poses, vertebrae: Vertebrae, levels: Levels, canal: Canal) -> Bone:
    """The bone of placed vertebrae."""
    joints = {
        (level, side): joint_surface(size, side, poses[level]) for level, size in levels.items() for side in SIDES
    }
    superior, inferior = {}, {}
    for (level, side), joint in joints.items():
        upper, lower = level_vertebrae(level)
        superior[level, side] = superior_process(joint, levels[level], vertebrae[lower], poses[lower])
        inferior[level, side] = inferior_process(joint, levels[level], canal.tubes[upper], poses[upper])
    return Bone(
        {name: _vertebra(size, poses[name], canal.tubes[name], joints) for name, size in vertebrae.items()},
        joints,
        superior,
        inferior,
        canal,
    )


def _vertebra(size: VertebraSize, pose: Pose, tube: Tube, joints: Joints) -> Vertebra:
    solids = _sided_solids(size, pose) + _pars_solids(size, pose, joints)
    solids += [(Part.SPINOUS_PROCESS, solid.placed(pose)) for solid in spinous_process(size, tube)]
    if size.name == SACRUM:
        second = RoundedBox(np.array([0.0, -11.0, -28.0]), np.eye(3), np.array([18.0, 11.0, 18.0]), 6.0)
        solids.append((Part.BODY, second.placed(pose)))
    spur = max(size.spur_upper_mm, size.spur_lower_mm)
    half, half_height = max(size.width_lower_mm, size.width_upper_mm) / 2 + 1.0 + spur, size.height_mm / 2 + 4.0 + spur
    body_box = local_box(pose, (-half, -size.depth_mm - 4.0 - spur, -half_height), (half, 2.0, half_height))
    half, top = tube.half_width_mm + 4.0, tube.depth_mm + ROOF_RISE_MM + size.lamina_thickness_mm + 1.0
    lamina_box = local_box(pose, (-half, 4.0, lamina_lower_z_mm(size) - 4.0), (half, top, tube.edge_z_mm + 6.0))
    corners = [*body_box, *lamina_box] + [corner for _, solid in solids for corner in solid.box_mm()]
    for (level, _), joint in joints.items():
        if size.name in level_vertebrae(level):
            corners += box_around(joint.pose.to_world_mm(joint.centre_mm), joint.half_height_mm + 10.0)
    return Vertebra(size, pose, tube, tuple(solids), body_box, lamina_box, box_around(corners))


def _sided_solids(size: VertebraSize, pose: Pose) -> list[tuple[Part, Solid]]:
    left = [("pedicle", pedicle(size)), *(("transverse", solid) for solid in transverse_process(size))]
    return [
        (sided(part, side), (solid if side == "left" else solid.mirrored()).placed(pose))
        for side in SIDES
        for part, solid in left
    ]


def _pars_solids(size: VertebraSize, pose: Pose, joints: Joints) -> list[tuple[Part, Solid]]:
    solids: list[tuple[Part, Solid]] = []
    for (level, side), joint in joints.items():
        if level_vertebrae(level)[0] == size.name:
            end = pose.to_local_mm(joint.pose.to_world_mm(process_top_mm(joint)))
            isthmus = pars(size, end * [1.0 if side == "left" else -1.0, 1.0, 1.0])
            solids.append((sided("pars", side), (isthmus if side == "left" else isthmus.mirrored()).placed(pose)))
    return solids


def skin_of(spec: SpineSpec, poses: Poses, vertebrae: Vertebrae, canal: Canal) -> Skin:
    """The skin behind a placed spine, at a set distance behind the spinous processes."""
    patient = patient_pose(spec)
    knots = []
    for name, size in vertebrae.items():
        tip = [0.0, canal.tubes[name].depth_mm + 4.0 + max(size.spinous_length_mm, 24.0) + SKIN_BEHIND_SPINOUS_MM, -8.0]
        knots.append(patient.to_local_mm(poses[name].to_world_mm(tip)))
    _, y, z = np.array(knots).T
    return Skin(patient, np.polyfit(z, y, 3))
