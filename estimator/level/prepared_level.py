"""A level with everything about it that does not depend on the approach, computed once and used many times."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

from canalwise.estimator.geometry.bricks import Bricks
from canalwise.estimator.geometry.level_arrays import LevelArrays
from canalwise.estimator.level.array_builder import scene_of
from canalwise.estimator.level.border_uncertainty import (
    BorderUncertainty,
    ThinnerBone,
    border_uncertainty_of,
    thinner_bone,
)
from canalwise.estimator.level.compression import Compression, compression_of
from canalwise.estimator.level.joint_faces import faces_of, unresolved_joints
from canalwise.estimator.level.keep_out import KeepOut, keep_out_of
from canalwise.estimator.level.level_bone import BoneBricks, LevelBone, bone_bricks, level_bone_of
from canalwise.estimator.level.pars_and_base_samples import ParsAndBaseSamples, pars_and_base_samples
from canalwise.estimator.level.target_points import TaskTargets, task_targets
from canalwise.estimator.level.task_level import scene_of_all_targets
from canalwise.estimator.limits import Limits
from canalwise.recon.anatomy import Anatomy, Level
from canalwise.recon.image.skin import air_in_view
from canalwise.recon.labels import Part, Side, label_of
from canalwise.recon.level.unresolved import check_arches_resolved
from canalwise.recon.parallel import both

FOR_MANY_APPROACHES = ("scene", "all_targets_scene", "thinner")
"""Parts that intervals, charts and searches need and one exact estimate does not: some 30 MB of a usual level."""


@dataclass(frozen=True, eq=False)
class PreparedLevel:
    """Values that all approaches to a level share; each part is computed when first needed."""

    anatomy: Anatomy
    level: Level
    limits: Limits = field(default_factory=Limits)

    def __repr__(self) -> str:
        return f"<PreparedLevel {self.level.name} of {self.anatomy!r}>"

    @cached_property
    def level_bone(self) -> LevelBone:
        """The level's bone, cropped."""
        return level_bone_of(self.anatomy, self.level)

    @cached_property
    def sac(self) -> KeepOut:
        """The keep-out of an instrument of no width: its berth is the clearance alone."""
        rules = (self.limits.value("sac_retraction_mm"), self.limits.value("sac_clearance_mm"), 0.0)
        return keep_out_of(self.anatomy, self.level.frame.origin_ras_mm, rules)

    @cached_property
    def scene(self) -> LevelArrays:
        """All of it as flat arrays, for many approaches at a time."""
        return scene_of(self.anatomy, self.level, self.level_bone, self.sac)

    def ready(self) -> PreparedLevel:
        """The same with all found that one exact estimate needs, two things at a time."""
        both(lambda: self.sac, lambda: (self.level_bone.takeable, self.pressing, self.pars_and_base_samples))
        return self

    def release_arrays(self) -> None:
        """Lets go of FOR_MANY_APPROACHES; whatever asks for them next computes the same anew."""
        for name in FOR_MANY_APPROACHES:
            vars(self).pop(name, None)

    def keep_out(self, tool_radius_mm: float) -> KeepOut:
        """The keep-out of a tool of that radius."""
        return self.sac.of_tool(tool_radius_mm)

    @cached_property
    def pars_and_base_samples(self) -> ParsAndBaseSamples:
        """Pars and spinous base of the upper vertebra."""
        return pars_and_base_samples(self.level, self.level_bone)

    @cached_property
    def pressing(self) -> Compression:
        """Compression of the sac."""
        return compression_of(self.anatomy, self.level, self.level_bone)

    @cached_property
    def faces(self) -> dict[Side, Bricks]:
        """The faces of each joint in view."""
        return {side: faces_of(joint) for side, joint in self.level.joints.items()}

    @cached_property
    def unresolved_joints(self) -> dict[Side, str]:
        """Joints of which no number is reported, with the reason."""
        return unresolved_joints(self.anatomy, self.level)

    @property
    def resolved_joints(self) -> tuple[Side, ...]:
        """Sides of the joints of which numbers are reported."""
        return tuple(side for side in self.level.joints if side not in self.unresolved_joints)

    @cached_property
    def base_bone(self) -> BoneBricks:
        """The upper vertebra's spinous base alone."""
        return bone_bricks(self.level_bone, only=(label_of(self.level.upper, Part.SPINOUS_BASE),))

    @cached_property
    def border_uncertainty(self) -> BorderUncertainty:
        """Uncertainty of the level's borders."""
        return border_uncertainty_of(self.anatomy, self.level)

    @cached_property
    def thinner(self) -> ThinnerBone:
        """The level's bone with its borders drawn in by what they can be off."""
        return thinner_bone(self.level, self.level_bone, self.border_uncertainty.bone_mm)

    @cached_property
    def air_in_view(self) -> bool:
        """Does the map tell where the skin is?"""
        return air_in_view(self.anatomy.labels)

    @cached_property
    def task_targets(self) -> TaskTargets:
        """The sets of points a task is chosen from."""
        return task_targets(self.anatomy, self.level)

    @cached_property
    def all_targets_scene(self) -> LevelArrays:
        """The scene with every set a task may ask for: of both sides, and of the midline."""
        to_level_mm = self.level.frame.to_level_mm
        midline = {name: to_level_mm(points) for name, points in self.task_targets.midline_ras_mm.items()}
        return scene_of_all_targets(self.scene, midline)


def prepared_level(anatomy: Anatomy, level_name: str, limits: Limits | None = None) -> PreparedLevel:
    """The level of that name, prepared.

    Raises
    ------
    LevelNotInView : there is none of that name
    AnatomyNotFound : the scan shows the canal only
    """
    check_arches_resolved(anatomy)
    return PreparedLevel(anatomy, anatomy.level(level_name), limits or Limits())
