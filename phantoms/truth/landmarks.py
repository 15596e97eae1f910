"""Landmarks of a level of a phantom, found on fine lattices of its own implicit functions.

Where a wall is flat and its extreme point not unique, the centroid of the points within
FLAT_MM of the extreme is taken.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from canalwise.phantoms.anatomy.arch import lamina_lower_z_mm
from canalwise.phantoms.anatomy.spine_model import Spine
from canalwise.phantoms.solid.point_batch import batch_of
from canalwise.phantoms.solid.pose import Pose
from canalwise.phantoms.truth.window import is_bone
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Part, Side, label_of, level_vertebrae, sided

STEP_MM = 0.25
FLAT_MM = 0.3
MIDLINE_BONE_MM = 5.0


def landmarks(spine: Spine, level: str, frame: Pose) -> dict[str, Float]:
    """Name -> (3,) array of RAS mm, but `facet_centre_*` (see `truth_joint`)."""
    upper, lower = level_vertebrae(level)
    found: dict[str, Float] = {}
    for side in SIDES:
        found[f"upper_lamina_caudal_edge_{side}"] = lamina_edge(spine, upper, side, frame, caudal=True)
        found[f"lower_lamina_cranial_edge_{side}"] = lamina_edge(spine, lower, side, frame, caudal=False)
        found[f"upper_pars_{side}"] = isthmus(spine, upper, side)
        for which, name in (("upper", upper), ("lower", lower)):
            found[f"{which}_pedicle_medial_{side}"] = pedicle_medial(spine, name, side)
        found[f"upper_pedicle_lower_edge_{side}"] = pedicle_edge(spine, upper, side, cranial=False)
        found[f"lower_pedicle_upper_edge_{side}"] = pedicle_edge(spine, lower, side, cranial=True)
    return found | _midline(spine, level, frame)


def _sign(side: Side) -> float:
    return 1.0 if side == "left" else -1.0


def _lattice(low: tuple[float, float, float], high: tuple[float, float, float], step_mm: float = STEP_MM) -> Float:
    axes = [np.arange(a, b + step_mm / 2, step_mm) if b > a else np.array([a]) for a, b in zip(low, high, strict=True)]
    return np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)


def _labels(spine: Spine, pose: Pose, local_mm: Float) -> npt.NDArray[np.uint16]:
    return spine.label_and_depth(pose.to_world_mm(local_mm))[0]


def extreme_mm(points_mm: Float, score: Float) -> Float:
    """(3,) array: centroid of the points whose score is within FLAT_MM of the largest.

    >>> extreme_mm(np.array([[0.0, 0, 1], [2, 0, 1], [9, 9, 0]]), np.array([1.0, 1.0, 0.0])).tolist()
    [1.0, 0.0, 1.0]
    """
    found: Float = points_mm[score >= score.max() - FLAT_MM].mean(axis=0)
    return found


def lamina_edge(spine: Spine, name: str, side: Side, frame: Pose, *, caudal: bool) -> Float:
    """The most caudal (or cranial) lamina point in the sagittal plane midway between spinous base and canal wall."""
    pose, tube = spine.poses[name], spine.canal.tubes[name]
    x = _sign(side) * (MIDLINE_BONE_MM + tube.half_width_mm) / 2
    points = _lattice((x, 4.0, lamina_lower_z_mm(spine.vertebrae[name]) - 6), (x, 36.0, tube.edge_z_mm + 8))
    points = points[_labels(spine, pose, points) == label_of(name, sided("lamina", side))]
    world = pose.to_world_mm(points)
    z = frame.to_local_mm(world)[:, 2]
    return extreme_mm(world, -z if caudal else z)


def isthmus(spine: Spine, name: str, side: Side) -> Float:
    """Centroid of the smallest bone section across the isthmus's axis, of twelve between its ends."""
    solid = next(s for p, s in spine.bone.vertebrae[name].solids if p == sided("pars", side))
    start, end = solid.start_mm, solid.end_mm  # type: ignore[attr-defined]
    axis = (end - start) / np.linalg.norm(end - start)
    across = np.linalg.svd(axis[None])[2][1:]
    plane = _lattice((-9.0, -9.0, 0.0), (9.0, 9.0, 0.0), 0.3)
    plane = plane[np.hypot(plane[:, 0], plane[:, 1]) <= 9.0]
    sections = []
    for share in np.linspace(0.15, 0.85, 12):
        points = start + share * (end - start) + plane[:, :2] @ across
        labels, _ = spine.label_and_depth(points)
        inside = is_bone(labels) & (labels // 100 == label_of(name, Part.BODY) // 100)
        sections.append((int(inside.sum()), points[inside].mean(axis=0)))
    found: Float = min(sections, key=lambda section: section[0])[1]
    return found


def pedicle_medial(spine: Spine, name: str, side: Side) -> Float:
    """The most medial point of the pedicle's inner wall."""
    pose, size = spine.poses[name], spine.vertebrae[name]
    half = size.canal_width_mm / 2
    low, high = sorted((_sign(side) * (half - 4), _sign(side) * (half + 4)))
    points = _lattice((low, -2.0, size.pedicle_z_mm - 6), (high, 9.0, size.pedicle_z_mm + 6))
    points = points[_labels(spine, pose, points) == label_of(name, sided("pedicle", side))]
    return extreme_mm(pose.to_world_mm(points), -np.abs(points[:, 0]))


def pedicle_edge(spine: Spine, name: str, side: Side, *, cranial: bool) -> Float:
    """The upper or lower border of the pedicle at mid-length, over its axis: the foramen's bony rim."""
    pose, size = spine.poses[name], spine.vertebrae[name]
    z = size.pedicle_z_mm + np.arange(0.0, 16.0, 0.1) * (1.0 if cranial else -1.0)
    points = np.stack([np.full(len(z), _sign(side) * size.pedicle_x_mm), np.full(len(z), 3.0), z], axis=-1)
    bone = is_bone(_labels(spine, pose, points))
    last = int(np.argmin(bone)) if not bone.all() else len(z)
    return pose.to_world_mm(points[last - 1])


def _midline(spine: Spine, level: str, frame: Pose) -> dict[str, Float]:
    upper, lower = level_vertebrae(level)
    plane = _lattice((-30.0, -60.0, 0.0), (30.0, 8.0, 0.0), 0.5)
    disc = plane[_labels(spine, frame, plane) == label_of(upper, Part.DISC)]
    border = _first_of(spine, frame.to_world_mm(_lattice((0.0, -25.0, 0.0), (0.0, 5.0, 0.0), 0.05)), inside=True)
    return {
        "disc_centre": frame.to_world_mm(disc.mean(axis=0)),
        "disc_dorsal_border": border,
        "upper_spinous_tip": spinous_tip(spine, upper),
        "lower_spinous_tip": spinous_tip(spine, lower),
        "upper_spinous_base": spinous_base(spine, upper),
    }


def _first_of(spine: Spine, line_mm: Float, *, inside: bool) -> Float:
    """The first point of a line that is inside (or outside) the canal."""
    within = spine.canal.walls_mm(batch_of(line_mm))[1] < 0
    found: Float = line_mm[int(np.argmax(within == inside))]
    return found


def spinous_base(spine: Spine, name: str) -> Float:
    """The canal's dorsal border in the midline at the lamina's mid-height."""
    size, tube, pose = spine.vertebrae[name], spine.canal.tubes[name], spine.poses[name]
    z = (tube.edge_z_mm + lamina_lower_z_mm(size)) / 2
    return _first_of(spine, pose.to_world_mm(_lattice((0.0, 8.0, z), (0.0, 34.0, z), 0.05)), inside=False)


def spinous_tip(spine: Spine, name: str) -> Float:
    """The most dorsal point of the spinous process in the midline."""
    pose, size = spine.poses[name], spine.vertebrae[name]
    points = _lattice((0.0, 20.0, -34.0), (0.0, 28.0 + size.spinous_length_mm, 8.0))
    points = points[_labels(spine, pose, points) == label_of(name, Part.SPINOUS_PROCESS)]
    return extreme_mm(pose.to_world_mm(points), points[:, 1])
