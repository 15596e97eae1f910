"""The phantom spine of a specification, assembled from its vertebrae, canal, discs and skin."""

from __future__ import annotations

from canalwise.phantoms.anatomy.bystanders import bystanders_of
from canalwise.phantoms.anatomy.skeleton import bone_of, canal_of, disc_boxes, skin_of
from canalwise.phantoms.anatomy.spine_model import Spine
from canalwise.phantoms.solid.dimensions import level_size, vertebra_size
from canalwise.phantoms.solid.spine_curve import spine_poses
from canalwise.phantoms.spec import SpineSpec


def spine_of(spec: SpineSpec) -> Spine:
    """The phantom spine built from a specification.

    >>> import numpy as np
    >>> spine = spine_of(SpineSpec())
    >>> spine.label_and_depth(np.array([[0.0, 15.0, 0.0], [0.0, -8.0, 0.0]]))[0].tolist()
    [2201, 2]
    """
    poses = spine_poses(spec)
    vertebrae = {name: vertebra_size(spec, name) for name in spec.vertebrae}
    levels = {name: level_size(spec, name) for name in spec.level_names}
    canal = canal_of(poses, vertebrae, levels)
    bone = bone_of(poses, vertebrae, levels, canal)
    skin = skin_of(spec, poses, vertebrae, canal)
    return Spine(
        spec,
        poses,
        vertebrae,
        levels,
        canal,
        bone,
        disc_boxes(poses, vertebrae, levels),
        skin,
        bystanders_of(spec.bystanders, poses, vertebrae, skin),
    )
