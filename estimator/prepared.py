"""A level with everything about it that does not depend on the approach, found once and asked many times."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

from estimator.bricks import Bricks
from estimator.decompression import Pressing, pressing_on
from estimator.doubt import Doubt, ThinnerBone, doubt_of, thinner_bone
from estimator.facets import faces_of
from estimator.isthmus import WeakPlaces, weak_places
from estimator.keepout import KeepOut, keep_out_of
from estimator.limits import Limits
from estimator.removal import Bench, BoneBricks, bench_of, bone_bricks
from estimator.scene import Scene
from estimator.scene_build import scene_of
from estimator.task_targets import TaskTargets, task_targets
from recon.anatomy import Anatomy, Level
from recon.labels import Part, Side, label_of
from recon.skin import air_in_view
from recon.workers import both


@dataclass(frozen=True, eq=False)
class PreparedLevel:
    """What every approach to a level shares; each part is found when it is first asked for."""

    anatomy: Anatomy
    level: Level
    limits: Limits = field(default_factory=Limits)

    @cached_property
    def bench(self) -> Bench:
        """The level's bone, cropped."""
        return bench_of(self.anatomy, self.level)

    @cached_property
    def sac(self) -> KeepOut:
        """What must be kept out of, for an instrument of no width: its berth is the clearance alone."""
        rules = (self.limits.value("sac_retraction_mm"), self.limits.value("sac_clearance_mm"), 0.0)
        return keep_out_of(self.anatomy, self.level.frame.origin_ras_mm, rules)

    @cached_property
    def scene(self) -> Scene:
        """All of it as flat arrays, for many approaches at a time."""
        return scene_of(self.anatomy, self.level, self.bench, self.sac)

    def ready(self) -> PreparedLevel:
        """The same with all found that one exact estimate needs, two things at a time."""
        both(lambda: self.sac, lambda: (self.bench.takeable, self.pressing, self.weak_places))
        return self

    def keep_out(self, tool_radius_mm: float) -> KeepOut:
        """What a tool of that radius must keep out of."""
        return replace(self.sac, berth_mm=self.sac.berth_mm + tool_radius_mm)

    @cached_property
    def weak_places(self) -> WeakPlaces:
        """Pars and spinous base of the upper vertebra."""
        return weak_places(self.level, self.bench)

    @cached_property
    def pressing(self) -> Pressing:
        """What presses on the sac."""
        return pressing_on(self.anatomy, self.level, self.bench)

    @cached_property
    def faces(self) -> dict[Side, Bricks]:
        """The faces of each joint in view."""
        return {side: faces_of(joint) for side, joint in self.level.joints.items()}

    @cached_property
    def base_bone(self) -> BoneBricks:
        """The upper vertebra's spinous base alone."""
        return bone_bricks(self.bench, only=(label_of(self.level.upper, Part.SPINOUS_BASE),))

    @cached_property
    def doubt(self) -> Doubt:
        """How well the level's borders are known."""
        return doubt_of(self.anatomy, self.level)

    @cached_property
    def thinner(self) -> ThinnerBone:
        """The level's bone with its borders drawn in by what they can be off."""
        return thinner_bone(self.level, self.bench, self.doubt.bone_mm)

    @cached_property
    def air_in_view(self) -> bool:
        """Does the map tell where the skin is?"""
        return air_in_view(self.anatomy.labels)

    @cached_property
    def task_targets(self) -> TaskTargets:
        """The sets of points a task is chosen from."""
        return task_targets(self.anatomy, self.level)


def prepared_level(anatomy: Anatomy, level_name: str, limits: Limits | None = None) -> PreparedLevel:
    """The level of that name, prepared; raises LevelNotInView where there is none."""
    return PreparedLevel(anatomy, anatomy.level(level_name), limits or Limits())
