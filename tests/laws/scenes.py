"""One motion segment of a lopsided phantom, read and operated on: what every law is tried on."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from scipy import ndimage

from canalwise.estimator.approach.approach import Approach, other_side
from canalwise.estimator.estimate.estimate import Estimate, cost_of, estimate_of
from canalwise.estimator.estimate.estimate_json import estimate_as_json
from canalwise.estimator.level.prepared_level import PreparedLevel, prepared_level
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.estimator.removal.region import TaskRegion
from canalwise.phantoms.anatomy.spine import spine_of
from canalwise.phantoms.anatomy.spine_model import Spine
from canalwise.phantoms.imaging.grids import natural_grid
from canalwise.phantoms.imaging.render import blocks
from canalwise.phantoms.spec import LevelKnobs, SpineSpec
from canalwise.recon.anatomy import Anatomy, Frame, Level
from canalwise.recon.case.motion_segments import levels_of
from canalwise.recon.grid import Float, Grid
from canalwise.recon.labels import SIDES, Labels, bone_mask
from canalwise.recon.level.frame import level_frame
from tests.labelled_phantoms import labels_on
from tests.shared import shared

LEVEL, PAIR, SIDE = "L3-L4", ("L3", "L4"), "left"
KNOBS = LevelKnobs(canal_narrowing_mm=1.0, flavum_overgrowth_mm=(1.5, 0.5), joint_angle_deg=(34.0, 42.0))
SPEC = SpineSpec(levels={LEVEL: KNOBS})
"""Left and right differ, so that a swap cannot pass unseen."""

SPACING_MM = 0.8
HALF_WIDTH_MM = 32.0
EIGHTHS = np.stack(np.meshgrid(*[(-0.25, 0.25)] * 3), axis=-1).reshape(-1, 3)
"""Centres of a voxel's eighths, in voxels from its own."""


@dataclass(frozen=True, eq=False)
class Scene:
    """An anatomy of one level, and the approach to it that all scenes share."""

    anatomy: Anatomy
    approach: Approach

    @property
    def level(self) -> Level:
        """The level itself."""
        return self.anatomy.levels[0]

    @cached_property
    def estimate(self) -> Estimate:
        """What the approach takes, keeps and reaches."""
        return estimate_of(ready_level(self.anatomy), self.approach)

    @cached_property
    def document(self) -> dict[str, Any]:
        """The same as JSON data."""
        return estimate_as_json(self.estimate)


@lru_cache(maxsize=4)
def ready_level(anatomy: Anatomy) -> PreparedLevel:
    """The level of an anatomy, prepared once for all approaches to it (anatomies are distinguished by identity)."""
    return prepared_level(anatomy, LEVEL).ready()


def grid_of(spec: SpineSpec, spacing_mm: float = SPACING_MM) -> Grid:
    """The upright grid round the level."""
    return natural_grid(spec, spacing_mm, (LEVEL,), half_width_mm=HALF_WIDTH_MM)


@shared
def anatomy_on(spec: SpineSpec, grid: Grid) -> Anatomy:
    """Labels at voxel centres and bone shares of 8 points per border voxel, from the phantom's functions."""
    spine = spine_of(spec)
    labels = labels_on(spec, grid)
    bone = bone_mask(labels)
    border = ndimage.binary_dilation(bone) & ~ndimage.binary_erosion(bone)
    share = bone.astype(np.float32)
    for box in blocks(grid):
        index = np.argwhere(border[box])
        if len(index):
            points = grid.cropped(box).world_mm(index[:, None] + EIGHTHS)
            share[box][tuple(index.T)] = bone_mask(_labels_at(spine, points)).reshape(-1, 8).mean(axis=1)
    return read(Anatomy(grid, labels, share, ()))


def _labels_at(spine: Spine, points_mm: Float) -> Labels:
    return spine.label_and_depth(points_mm.reshape(-1, 3))[0]


def read(anatomy: Anatomy) -> Anatomy:
    """The anatomy with its level found anew."""
    frame = level_frame(anatomy.labels, anatomy.grid, *PAIR, occupancy=anatomy.occupancy)
    levels = levels_of(anatomy.labels, anatomy.occupancy, anatomy.grid, frames={PAIR: frame})
    return replace(anatomy, levels=levels)


def mirror_image(anatomy: Anatomy) -> Anatomy:
    """The mirror image of SPEC's patient, its level in the mirrored frame of `anatomy`.

    A frame found anew lies up to 0.03 mm and 0.04 degrees off the mirrored one, and chosen lines answer that with up to
    a tenth of the bone, differently on each kind of processor; how well frames are mirrored is a law of its own.
    """
    spec = SPEC.mirrored()
    image, frame = anatomy_on(spec, grid_of(spec)), anatomy.levels[0].frame
    across = np.array([-1.0, 1.0, 1.0])
    # x stays the patient's left: its mirror image points to the other side
    there = Frame(frame.origin_ras_mm * across, frame.axes_ras * across * across[:, None])
    return replace(image, levels=levels_of(image.labels, image.occupancy, image.grid, frames={PAIR: there}))


def usual(anatomy: Anatomy) -> Approach:
    """The approach all scenes share, stated in the level frame."""
    return default_approach(anatomy, LEVEL, SIDE)


def mirrored(approach: Approach) -> Approach:
    """The same approach from the other side."""
    x, y, z = approach.docking_point_mm
    phases = tuple(replace(p, pivot_shift_mm=(-p.pivot_shift_mm[0], *p.pivot_shift_mm[1:])) for p in approach.phases)
    return replace(approach, side=other_side(approach.side), docking_point_mm=(-x, y, z), phases=phases)


def turned(grid: Grid, turn: Float, shift_mm: Float) -> Grid:
    """The grid carried along when the patient is turned about the world's origin and shifted."""
    motion = np.eye(4)
    motion[:3, :3], motion[:3, 3] = turn, shift_mm
    return Grid(grid.shape, motion @ grid.affine_ras_mm)


def volumes_mm3(scene: Scene) -> dict[str, float]:
    """Bone removed by the whole sweep and by the task."""
    return {kind: scene.document[kind]["bone_removed_mm3"]["total"] for kind in ("cone", "task")}


def task_mm3_of(requested: Scene, taken: Scene, *, swap: bool = False) -> float:
    """Bone that one scene loses to the task paths of another, placed by the level frames; mirrored where `swap`.

    Which targets are touched at all is left out: one more or one less of them adds or drops a whole path.
    """
    mirror = np.array([-1.0 if swap else 1.0, 1.0, 1.0])
    paths = tuple(
        tuple(taken.level.frame.to_world_mm(requested.level.frame.to_level_mm(points) * mirror) for points in path)
        for path in requested.estimate.task_paths
    )
    found = taken.estimate
    return cost_of(found.prepared, TaskRegion(paths, found.approach.channel, found.keep_out)).removal.total_mm3


def facet_fractions(scene: Scene) -> dict[str, float]:
    """Every facet fraction of either side and kind."""
    kept = scene.document["facet_preserved"], scene.document["task"]["facet_preserved"]
    return {
        f"{kind} {side} {name}": facets[side][name]
        for kind, facets in zip(("cone", "task"), kept, strict=True)
        for side in ("ipsilateral", "contralateral")
        for name in ("area_frac", "width_frac", "volume_frac")
    }


def lengths_mm(scene: Scene) -> dict[str, float]:
    """Reach on both sides, isthmuses, bridge and skin entry."""
    reported = scene.document
    out = {f"{side} reach": reported[f"{side}_reach"]["lateral_mm"] for side in ("contralateral", "ipsilateral")}
    out |= {f"{side} pars": reported["pars_residual_mm"][side] for side in ("contralateral", "ipsilateral")}
    out |= {"bridge": reported["spinous_base"]["bridge_mm"]}
    return out | {name: reported["skin_entry"][name] for name in ("lateral_mm", "cranial_mm", "depth_mm")}


def landmarks_mm(level: Level, *, swap: bool = False) -> dict[str, Float]:
    """Landmarks in the level frame; of the mirror image where `swap`."""
    points = {name: level.frame.to_level_mm(point) for name, point in level.landmarks_ras_mm.items()}
    if not swap:
        return points
    return {_other(name): point * [-1, 1, 1] for name, point in points.items()}


def readings(level: Level, *, swap: bool = False) -> dict[str, float]:
    """Angles in degrees, areas in mm2 and sizes in mm of joints and windows."""
    out = {}
    for side in SIDES:
        reported = other_side(side) if swap else side
        joint, window = level.joints[side], level.windows[side]
        out |= {
            f"{reported} joint angle": joint.angle_deg,
            f"{reported} joint area": float(joint.area_mm2.sum()),
            f"{reported} window width": window.width_mm,
            f"{reported} window area": window.area_mm2,
        }
    return out


def _other(name: str) -> str:
    stem, _, side = name.rpartition("_")
    return f"{stem}_{other_side(side)}" if side in SIDES else name
