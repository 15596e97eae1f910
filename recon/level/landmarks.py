"""Named points of a level that the approach, the report and the checks refer to."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from canalwise.recon.anatomy import Joint
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Mask, Part, Side, sided
from canalwise.recon.level.axial_contour import border_mm, canal_contour
from canalwise.recon.level.frame import end_plates
from canalwise.recon.level.resampled_level import ResampledLevel, cut_by_scan

SIDED_NAMES = (
    "upper_lamina_caudal_edge",
    "lower_lamina_cranial_edge",
    "facet_centre",
    "upper_pars",
    "upper_pedicle_medial",
    "lower_pedicle_medial",
    "lower_pedicle_upper_edge",
    "upper_pedicle_lower_edge",
)
MIDLINE_NAMES = ("disc_centre", "disc_dorsal_border", "upper_spinous_tip", "upper_spinous_base", "lower_spinous_tip")
NAMES = tuple(f"{name}_{side}" for name in SIDED_NAMES for side in SIDES) + MIDLINE_NAMES
"""Every landmark a level may have."""

MID_LAMINA_HALF_MM = 0.5
"""Half the width of the strip at mid-lamina in which its edge is read."""

FLAT_MM = 0.3
"""Points within this of the outermost one are averaged: a flat wall has no single outermost point."""

TIP_DEPTH_MM = 1.0
"""The same for the blunt end of a spinous process and the curved inner wall of a pedicle."""

SPINOUS_BASE_HALF_MM = 5.0
"""Half-width of the spinous base (docs/numbers.md#anatomical-definitions): where a lamina begins."""

ISTHMUS_SPAN = (15, 85)
"""Percentiles of the pars' bone by height that give the ends of the isthmus' axis."""

ISTHMUS_RADIUS_MM = 9.0
"""Bone of the vertebra within this of the axis makes up a section of the isthmus."""

ISTHMUS_STATIONS = 13
"""Sections looked at between both ends."""

EDGE_REACH_MM = 16.0
"""How far from a pedicle's middle its border is sought; pedicles are up to 20 mm high."""

FEWEST_VOXELS = 30
"""A smaller pars (4 mm3) is a stray of the division, not an isthmus."""

SURFACE_REACH_MM = 1.5
"""How far from an outermost voxel centre the bone surface is sought."""

CRANIAL, CAUDAL, DORSAL = np.array([0, 0, 1.0]), np.array([0, 0, -1.0]), np.array([0, 1.0, 0])


def landmarks_of(view: ResampledLevel, joints: Mapping[Side, Joint]) -> dict[str, Float]:
    """name -> (3,) RAS mm of every landmark in view; what the labels do not show is left out."""
    found: dict[str, Float | None] = {}
    for side in SIDES:
        found |= {f"{name}_{side}": point for name, point in _sided(view, side).items()}
    found |= {
        "disc_centre": _disc_centre(view),
        "disc_dorsal_border": _midline(view, 0.0, dorsal=False),
        "upper_spinous_base": _spinous_base(view),
    }
    for place, vertebra, dorsal in zip(("upper", "lower"), (view.upper, view.lower), own_dorsal(view), strict=True):
        process = view.mask(vertebra, Part.SPINOUS_PROCESS)
        found[f"{place}_spinous_tip"] = outermost_mm(view, process, dorsal, TIP_DEPTH_MM)
    points = {name: view.frame.to_world_mm(point) for name, point in found.items() if point is not None}
    points |= {f"facet_centre_{side}": facet_centre_mm(joint) for side, joint in joints.items()}
    return {name: points[name] for name in NAMES if name in points}


def facet_centre_mm(joint: Joint) -> Float:
    """(3,) RAS mm, centroid of the joint's mid-surface."""
    middle = (joint.inferior_face_ras_mm + joint.superior_face_ras_mm) / 2
    centre: Float = np.average(middle, axis=0, weights=joint.area_mm2)
    return centre


def _sided(view: ResampledLevel, side: Side) -> dict[str, Float | None]:
    pedicle = sided("pedicle", side)
    upper, lower = view.mask(view.upper, pedicle), view.mask(view.lower, pedicle)
    medial = np.array([-1.0 if side == "left" else 1.0, 0, 0])
    return {
        "upper_lamina_caudal_edge": outermost_mm(view, mid_lamina(view, view.upper, side), CAUDAL),
        "lower_lamina_cranial_edge": outermost_mm(view, mid_lamina(view, view.lower, side), CRANIAL),
        "upper_pars": isthmus_mm(view, view.mask(view.upper, sided("pars", side))),
        "upper_pedicle_medial": outermost_mm(view, upper, medial, TIP_DEPTH_MM),
        "lower_pedicle_medial": outermost_mm(view, lower, medial, TIP_DEPTH_MM),
        "lower_pedicle_upper_edge": pedicle_edge_mm(view, lower, CRANIAL),
        "upper_pedicle_lower_edge": pedicle_edge_mm(view, upper, CAUDAL),
    }


def own_dorsal(view: ResampledLevel) -> tuple[Float, Float]:
    """(3,) level directions in the midline, dorsal along the facing end plate of upper and lower vertebra."""
    try:
        plates = end_plates(view)
    except AnatomyNotFound:
        return DORSAL, DORSAL
    along = [np.cross([-1.0, 0, 0], normal) for normal in (plates.upper_normal, plates.lower_normal)]
    return along[0] / np.linalg.norm(along[0]), along[1] / np.linalg.norm(along[1])


def mid_lamina(view: ResampledLevel, vertebra: str, side: Side) -> Mask:
    """(nx, ny, nz) bool array: the lamina's strip midway between spinous base and canal wall; empty without a lamina.

    The canal's half-width is that at the vertebra's pedicles; where they are not in view, the strip lies about the
    median x of the lamina's bone.
    """
    lamina = view.mask(vertebra, sided("lamina", side))
    if not lamina.any():
        return lamina
    x = view.low_mm[0] + np.arange(lamina.shape[0]) * view.step_mm
    half, own = _canal_half_width_mm(view, vertebra), np.abs(view.points_mm(lamina)[:, 0])
    middle = float(np.median(own)) if half is None else (SPINOUS_BASE_HALF_MM + half) / 2
    near = np.abs(x - (middle if side == "left" else -middle)) <= MID_LAMINA_HALF_MM
    strip: Mask = lamina & near[:, None, None]
    return strip


def _canal_half_width_mm(view: ResampledLevel, vertebra: str) -> float | None:
    pedicles = view.points_mm(view.mask(vertebra, Part.PEDICLE_LEFT, Part.PEDICLE_RIGHT))
    outline = canal_contour(view, float(np.median(pedicles[:, 2]))) if len(pedicles) else None
    return None if outline is None else float(np.ptp(outline[:, 0])) / 2


def outermost_mm(view: ResampledLevel, mask: Mask, direction: Float, depth_mm: float = FLAT_MM) -> Float | None:
    """(3,) level mm of a part's outermost point along a unit direction, on the bone's surface; None if empty.

    Points within `depth_mm` of the outermost one are averaged. A part cut off by the scan's edge has no outermost
    point: None.
    """
    points = view.points_mm(mask)
    if not len(points):
        return None
    height = points @ direction
    group = points[height >= height.max() - depth_mm]
    # a voxel of the group, not its mean: that may lie off a curved wall
    centre = group[np.argmin(((group - group.mean(axis=0)) ** 2).sum(axis=1))]
    if cut_by_scan(view, centre):
        return None
    return centre + _to_surface_mm(view, centre, direction) * direction


def _to_surface_mm(view: ResampledLevel, point_mm: Float, direction: Float) -> float:
    """Signed distance from an outermost voxel centre to where the bone ends along a direction."""
    steps = np.arange(-SURFACE_REACH_MM, SURFACE_REACH_MM + 1e-9, view.step_mm / 5)
    share = view.at(view.bone, point_mm + steps[:, None] * direction)
    leaves = np.flatnonzero((share[:-1] >= 0.5) & (share[1:] < 0.5))
    if not len(leaves):
        return 0.0  # ends on bone of a neighbouring part: the label's border stands
    at = leaves[np.argmin(np.abs(steps[leaves]))]
    return float(steps[at] + (share[at] - 0.5) / (share[at] - share[at + 1]) * (steps[at + 1] - steps[at]))


def pedicle_edge_mm(view: ResampledLevel, pedicle: Mask, direction: Float) -> Float | None:
    """(3,) level mm of a pedicle's upper or lower border over the middle of its length: the foramen's bony rim.

    From the part's voxel nearest to its centroid straight along `direction` to where bone ends; None for an empty part,
    or when bone goes on to the scan's edge.
    """
    points = view.points_mm(pedicle)
    if not len(points):
        return None
    steps = np.arange(0.0, EDGE_REACH_MM, view.step_mm / 5)
    middle = points[np.argmin(((points - points.mean(axis=0)) ** 2).sum(axis=1))]
    line = middle + steps[:, None] * direction
    share = view.at(view.bone, line)
    if share[0] < 0.5 or share.min() >= 0.5:
        return None
    at = int(np.argmax(share < 0.5))
    part = (share[at - 1] - 0.5) / (share[at - 1] - share[at])
    edge: Float = line[at - 1] + part * (line[at] - line[at - 1])
    return None if cut_by_scan(view, edge) else edge


def isthmus_mm(view: ResampledLevel, pars: Mask) -> Float | None:
    """(3,) level mm, centroid of the smallest section of bone across the axis of the upper vertebra's pars.

    The axis joins the middles of the pars' upper and lower ends; a section holds the vertebra's bone within
    ISTHMUS_RADIUS_MM of it. None for a pars of fewer than FEWEST_VOXELS.
    """
    points = view.points_mm(pars)
    if len(points) < FEWEST_VOXELS:
        return None
    low, high = np.percentile(points[:, 2], ISTHMUS_SPAN)
    ends = [points[points[:, 2] >= high].mean(axis=0), points[points[:, 2] <= low].mean(axis=0)]
    part = view.cropped(view.box_around(points, 2 * ISTHMUS_RADIUS_MM))
    disc = _disc_across_mm(ends[1] - ends[0], view.step_mm)
    sections = np.linspace(ends[0], ends[1], ISTHMUS_STATIONS)[:, None] + disc
    share = np.clip(part.at(part.vertebra_field(view.upper), sections), 0.0, 1.0)
    narrowest = int(np.argmin(share.sum(axis=1)))
    if not share[narrowest].any():
        return None
    return np.asarray(np.average(sections[narrowest], axis=0, weights=share[narrowest]))


def _disc_across_mm(axis: Float, step_mm: float) -> Float:
    """(N, 3) points of a disc of ISTHMUS_RADIUS_MM across an axis, about the origin."""
    one, two = np.linalg.svd(axis[None])[2][1:]
    steps = np.arange(-ISTHMUS_RADIUS_MM, ISTHMUS_RADIUS_MM + 1e-9, step_mm)
    u, v = (grid.ravel() for grid in np.meshgrid(steps, steps))
    inside = np.hypot(u, v) <= ISTHMUS_RADIUS_MM
    return np.asarray(np.outer(u[inside], one) + np.outer(v[inside], two))


def _disc_centre(view: ResampledLevel) -> Float | None:
    """(3,) level mm: centroid of the disc at mid-height; without disc labels, of the body columns facing across it."""
    middle = round(-view.low_mm[2] / view.step_mm)
    disc = view.mask(view.upper, Part.DISC)[:, :, middle]
    if not disc.any():
        upper, lower = (np.asarray(view.mask(name, Part.BODY).any(axis=2)) for name in (view.upper, view.lower))
        disc = upper & lower
    return view.points_mm(disc[:, :, None]).mean(axis=0) * [1, 1, 0] if disc.any() else None


def _spinous_base(view: ResampledLevel) -> Float | None:
    """(3,) level mm: canal roof in the midline at mid-height of the upper laminae."""
    laminae = view.points_mm(view.mask(view.upper, Part.LAMINA_LEFT, Part.LAMINA_RIGHT))
    if not len(laminae):
        return None
    return _midline(view, float(laminae[:, 2].min() + laminae[:, 2].max()) / 2, dorsal=True)


def _midline(view: ResampledLevel, z_mm: float, *, dorsal: bool) -> Float | None:
    outline = canal_contour(view, z_mm)
    y = None if outline is None else border_mm(outline, 0.0, "dorsal" if dorsal else "ventral")
    return None if y is None else np.array([0.0, y, z_mm])


def mean_mm(landmarks: Mapping[str, Float], name: str) -> Float | None:
    """(3,) mean over the sides of a sided landmark; None when neither side has it.

    >>> mean_mm({"edge_left": np.array([2.0, 0, 0]), "edge_right": np.array([-4.0, 0, 2.0])}, "edge").tolist()
    [-1.0, 0.0, 1.0]
    """
    points = [landmarks[key] for key in (f"{name}_{side}" for side in SIDES) if key in landmarks]
    return np.asarray(np.mean(points, axis=0)) if points else None
