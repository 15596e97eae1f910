"""Place and cause that stop the reach on the far side.

`estimator.removal.reach` tells the cause; here is its place. All lies on the straight line from a phase's pivot to
the target that would come next, or, where sweep or length end before it, at the nearest point the tool still gets to.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.ndimage import map_coordinates

from canalwise.estimator.approach.approach import PlacedPhase, other_side
from canalwise.estimator.estimate.estimate import Estimate
from canalwise.estimator.geometry.field_sampling import PROTECTED_STEP_MM
from canalwise.estimator.level.keep_out import KeepOut
from canalwise.estimator.level.level_bone import PROTECTED
from canalwise.estimator.removal.reach import FACET_LIMIT, SPINOUS_BASE, SWEEP, nearest_phase, touch_of
from canalwise.recon.anatomy import Anatomy, Frame, Level
from canalwise.recon.grid import Float, triple
from canalwise.recon.labels import SIDES, Labels, Mask, Part, Side, Tissue, vertebra_name

STEP_MM = 0.05
"""Between the points at which a line's distance to the sac is read."""

LEVEL_MM = 0.02
"""Points whose distances to the sac differ by less are equally near: the middle one is reported."""

LOOK_MM = 8.0
"""Sac and roots are distinguished by what lies within this of the place."""

TILTED_ON = (FACET_LIMIT, SPINOUS_BASE)
"""Causes found by tilting the last phase on to the target that would come next (`estimator.estimate.estimate`)."""

AT_MIDLINE_MM = 0.5
"""Nearer to the midline than this is reported as at it."""


@dataclass(frozen=True)
class Blocker:
    """Place and cause of the end of reach.

    Parameters
    ----------
    point_ras_mm : where
    target_ras_mm : the target that would come next
    phase : place in the plan of the phase that comes nearest to it
    cause : as `estimator.removal.reach.Reach.limited_by`
    structure : the bone or tissue; empty where none stops it, but the sweep or the instrument's length
    words : one sentence for people
    """

    point_ras_mm: tuple[float, float, float]
    target_ras_mm: tuple[float, float, float]
    phase: int
    cause: str
    structure: str
    words: str


@dataclass(frozen=True, eq=False)
class TargetRay:
    """The straight line from a phase's pivot to a target on the far side of the patient."""

    anatomy: Anatomy
    level: Level
    phase: PlacedPhase
    keep_out: KeepOut
    far: Side
    target_ras_mm: Float

    def points_mm(self, step_mm: float) -> Float:
        """(N, 3) array, RAS: points along the line, from the pivot to where the tool touches the target."""
        ray = self.target_ras_mm - self.phase.pivot_ras_mm
        length_mm = float(np.linalg.norm(ray))
        along = np.arange(0.0, max(length_mm - self.phase.tool_radius_mm, 0.0) + 1e-9, step_mm)
        return np.asarray(self.phase.pivot_ras_mm + along[:, None] * ray / max(length_mm, 1e-9))

    def past_midline_mm(self, points_mm: Float) -> Float:
        """(...,) array: how far (..., 3) RAS points lie on the far side of the midline."""
        x = self.level.frame.to_level_mm(points_mm)[..., 0]
        return np.asarray(x if self.far == "left" else -x)


def blocker_of(estimate: Estimate) -> Blocker | None:
    """The blocker of an approach's reach on the far side; None where every target is touched or none is there."""
    far = other_side(estimate.approach.side)
    reach = estimate.reach.get(far)
    if reach is None or reach.next_ras_mm is None:
        return None
    target, number = np.array(reach.next_ras_mm), len(estimate.phases) - 1
    # a limit breaks as the last phase is tilted on; else it is the phase that comes nearest
    if reach.limited_by not in TILTED_ON:
        number = nearest_phase(touch_of(estimate.anatomy, estimate.phases, estimate.keep_out, target[None]), 0)
    ray = TargetRay(estimate.anatomy, estimate.level, estimate.phases[number], estimate.keep_out, far, target)
    return blocker_on(ray, number, reach.limited_by)


def blocker_on(ray: TargetRay, number: int, cause: str) -> Blocker:
    """Where a ray is stopped by a cause of `estimator.removal.reach`; `number` is the index of its phase."""
    point, structure, words = PLACES[cause](ray)
    return Blocker(triple(point), triple(ray.target_ras_mm), number, cause, structure, words)


def blocker_json(blocker: Blocker | None, frame: Frame) -> dict[str, Any] | None:
    """The blocker as JSON data for a page, in the level frame; null for none."""
    if blocker is None:
        return None
    return {
        "point_mm": frame.to_level_mm(blocker.point_ras_mm).tolist(),
        "target_mm": frame.to_level_mm(blocker.target_ras_mm).tolist(),
        "phase": blocker.phase,
        "cause": blocker.cause,
        "structure": blocker.structure,
        "words": blocker.words,
    }


Place = tuple[Float, str, str]
"""A point, the structure there, a sentence."""


def _at_sac(ray: TargetRay) -> Place:
    point = _nearest_to_sac_mm(ray)
    what = _soft_structure(ray, point)
    return point, what, f"The path to the next target runs into the {what} {_where(ray, point)}."


def _too_thick(ray: TargetRay) -> Place:
    point = _nearest_to_sac_mm(ray)
    what = _soft_structure(ray, point)
    return point, what, f"The tool is too thick to pass the {what} {_where(ray, point)}; a thinner one would."


def _nearest_to_sac_mm(ray: TargetRay) -> Float:
    """(3,) array: the point of the line that comes nearest to what is kept out of; the middle of a stretch in it."""
    points, kept_out = ray.points_mm(STEP_MM), ray.keep_out
    index = kept_out.grid.index_of(points).T
    away = map_coordinates(kept_out.distance_mm, index, order=1, mode="constant", cval=1e3)
    near = np.append(away <= away.min() + LEVEL_MM, False)
    first = int(np.argmax(near))
    return np.asarray(points[first + (int(np.argmin(near[first:])) - 1) // 2])


def _soft_structure(ray: TargetRay, point_mm: Float) -> str:
    """'dural sac' or 'nerve root', whichever lies nearer."""
    anatomy = ray.anatomy
    box = anatomy.grid.box_around(point_mm[None], LOOK_MM)
    away = {}
    for tissue in (Tissue.SAC, Tissue.ROOT):
        there = anatomy.grid.cropped(box).world_mm(np.argwhere(anatomy.labels[box] == tissue))
        away[tissue] = np.linalg.norm(there - point_mm, axis=1).min(initial=np.inf)
    return "nerve root" if away[Tissue.ROOT] < away[Tissue.SAC] else "dural sac"


def _at_protected(ray: TargetRay) -> Place:
    """The first protected voxel met, by the same steps as `estimator.geometry.field_sampling.labels_along_line`."""
    points, grid = ray.points_mm(PROTECTED_STEP_MM), ray.anatomy.grid
    index = grid.index_of(points)
    inside: Mask = np.asarray(((index >= 0) & (index <= np.array(grid.shape) - 1)).all(axis=1))
    i, j, k = np.floor(np.where(inside[:, None], index, 0.0) + 0.5).astype(int).T
    label: Labels = np.where(inside, ray.anatomy.labels[i, j, k], 0)
    first = int(np.argmax(PROTECTED[label]))
    what = bone_words(int(label[first]))
    where = _where(ray, points[first])
    return points[first], what, f"The path to the next target runs into the {what}, which must stay, {where}."


def bone_words(label: int) -> str:
    """A bone's label as one says it.

    >>> bone_words(2302), bone_words(2201), bone_words(2209)
    ('left pedicle of L4', 'body of L3', 'left superior articular process of L3')
    """
    *part, last = Part(label % 100).name.lower().split("_")
    named = [last, *part] if last in SIDES else [*part, last]
    process = " process" if {"articular", "transverse"} & set(part) else ""
    return f"{' '.join(named)}{process} of {vertebra_name(label // 100)}"


def _beyond_sweep(ray: TargetRay) -> Place:
    point = nearest_touched_mm(ray.phase, ray.target_ras_mm, FAR_MM)
    return point, "", f"The sweep ends {_short(ray, point)} short of the next target, {_where(ray, point)}."


def _beyond_length(ray: TargetRay) -> Place:
    point = nearest_touched_mm(ray.phase, ray.target_ras_mm, ray.phase.tip_depth_mm)
    return point, "", f"The tool's tip ends {_short(ray, point)} short of the next target, {_where(ray, point)}."


FAR_MM = 1000.0
"""A sweep looked at without its end."""


def nearest_touched_mm(phase: PlacedPhase, target_mm: Float, length_mm: float) -> Float:
    """(3,) array: what is nearest a far point of all that the tool can touch from within its sweep to a length."""
    offset = target_mm - phase.pivot_ras_mm
    t = float(offset @ phase.axis_ras)
    aside = offset - t * phase.axis_ras
    rho, slope = float(np.linalg.norm(aside)), float(np.tan(np.radians(phase.sweep_deg)))
    # in the half-plane of axis and point the cone is a triangle; the nearest point lies on its flank or its base
    flank = np.clip((t + rho * slope) / (1 + slope**2), 0.0, length_mm) * np.array([1.0, slope])
    base = np.array([length_mm, min(rho, length_mm * slope)])
    near_t, near_rho = min(flank, base, key=lambda place: float(np.hypot(*(place - (t, rho)))))
    on_cone = phase.pivot_ras_mm + near_t * phase.axis_ras + near_rho * aside / max(rho, 1e-9)
    ray = target_mm - on_cone
    return np.asarray(on_cone + phase.tool_radius_mm * ray / max(float(np.linalg.norm(ray)), 1e-9))


def _at_joint(ray: TargetRay) -> Place:
    """The far joint's place that the line passes nearest."""
    joint, points = ray.level.joints[ray.far], ray.points_mm(PROTECTED_STEP_MM)
    middle = (joint.inferior_face_ras_mm + joint.superior_face_ras_mm) / 2
    away = np.linalg.norm(middle[:, None] - points[None], axis=2).min(axis=1)
    what = f"{ray.far} facet joint of {ray.level.name}"
    return middle[int(np.argmin(away))], what, f"Tilting on would take more of the {what} than its limit allows."


def _at_base(ray: TargetRay) -> Place:
    """Where the line crosses the midline."""
    points = ray.points_mm(STEP_MM)
    what = f"spinous base of {ray.level.upper}"
    crossing = points[int(np.argmin(np.abs(ray.past_midline_mm(points))))]
    return crossing, what, f"Tilting on would leave too thin a bridge at the {what}."


PLACES: dict[str, Callable[[TargetRay], Place]] = {
    "sac": _at_sac,
    "tool diameter": _too_thick,
    "protected bone": _at_protected,
    SWEEP: _beyond_sweep,
    "working length": _beyond_length,
    FACET_LIMIT: _at_joint,
    SPINOUS_BASE: _at_base,
}
"""What `estimator.removal.reach` and `estimator.estimate.estimate` tell as causes -> where to look for them."""


def _where(ray: TargetRay, point_mm: Float) -> str:
    past = float(ray.past_midline_mm(point_mm))
    if abs(past) < AT_MIDLINE_MM:
        return "at the midline"
    return f"{abs(past):.0f} mm {'past' if past > 0 else 'short of'} the midline"


def _short(ray: TargetRay, point_mm: Float) -> str:
    return f"{float(np.linalg.norm(ray.target_ras_mm - point_mm)):.1f} mm"
