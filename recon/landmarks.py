"""Named points of a level that the approach, the report and the checks refer to."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from recon.anatomy import Joint
from recon.contour import border_mm, canal_contour
from recon.grid import Float
from recon.labels import SIDES, Mask, Part, Side, sided
from recon.local import Local

SIDED_NAMES = ("upper_lamina_caudal_edge", "lower_lamina_cranial_edge", "facet_centre", "upper_pars",
               "upper_pedicle_medial", "lower_pedicle_medial", "lower_pedicle_upper_edge", "upper_pedicle_lower_edge")
MIDLINE_NAMES = ("disc_centre", "disc_dorsal_border", "upper_spinous_tip", "upper_spinous_base", "lower_spinous_tip")
NAMES = tuple(f"{name}_{side}" for name in SIDED_NAMES for side in SIDES) + MIDLINE_NAMES
"""Every landmark a level may have."""

MID_LAMINA_HALF_MM = 1.0
"""Half the width of the strip at mid-lamina in which its edge is read."""

TIP_DEPTH_MM = 1.0
"""Points within this of the outermost one are averaged into a tip or an edge."""

ISTHMUS_SPAN = (20, 80)
"""Percentiles of the pars' bone by height between which its narrowest point is sought; its ends only taper out."""

FEWEST_VOXELS = 30
"""A smaller pars (4 mm3) is a stray of the division, not an isthmus."""

SURFACE_REACH_MM = 1.5
"""How far from an outermost voxel centre the bone surface is sought."""

CRANIAL, CAUDAL, DORSAL = np.array([0, 0, 1.0]), np.array([0, 0, -1.0]), np.array([0, 1.0, 0])


def landmarks_of(view: Local, joints: Mapping[Side, Joint]) -> dict[str, Float]:
    """name -> (3,) RAS mm of every landmark in view; what the labels do not show is left out."""
    found: dict[str, Float | None] = {}
    for side in SIDES:
        found |= {f"{name}_{side}": point for name, point in _sided(view, side).items()}
    found |= {"disc_centre": _disc_centre(view), "disc_dorsal_border": _midline(view, 0.0, dorsal=False),
              "upper_spinous_base": _spinous_base(view)}
    for place, vertebra in (("upper", view.upper), ("lower", view.lower)):
        found[f"{place}_spinous_tip"] = outermost_mm(view, view.mask(vertebra, Part.SPINOUS_PROCESS), DORSAL)
    points = {name: view.frame.to_world_mm(point) for name, point in found.items() if point is not None}
    points |= {f"facet_centre_{side}": facet_centre_mm(joint) for side, joint in joints.items()}
    return {name: points[name] for name in NAMES if name in points}


def facet_centre_mm(joint: Joint) -> Float:
    """(3,) RAS mm, centroid of the joint's mid-surface."""
    middle = (joint.inferior_face_ras_mm + joint.superior_face_ras_mm) / 2
    centre: Float = np.average(middle, axis=0, weights=joint.area_mm2)
    return centre


def _sided(view: Local, side: Side) -> dict[str, Float | None]:
    pedicle, lamina = sided("pedicle", side), sided("lamina", side)
    upper, lower = view.mask(view.upper, pedicle), view.mask(view.lower, pedicle)
    medial = np.array([-1.0 if side == "left" else 1.0, 0, 0])
    return {
        "upper_lamina_caudal_edge": lamina_edge_mm(view, view.mask(view.upper, lamina), CAUDAL),
        "lower_lamina_cranial_edge": lamina_edge_mm(view, view.mask(view.lower, lamina), CRANIAL),
        "upper_pars": _isthmus(view, view.mask(view.upper, sided("pars", side))),
        "upper_pedicle_medial": outermost_mm(view, upper, medial),
        "lower_pedicle_medial": outermost_mm(view, lower, medial),
        "lower_pedicle_upper_edge": outermost_mm(view, lower, CRANIAL),
        "upper_pedicle_lower_edge": outermost_mm(view, upper, CAUDAL),
    }


def lamina_edge_mm(view: Local, lamina: Mask, direction: Float) -> Float | None:
    """(3,) level mm of the lamina's outermost point along `direction` at mid-lamina; None without a lamina."""
    strip = mid_lamina(view, lamina)
    return outermost_mm(view, strip, direction)


def mid_lamina(view: Local, lamina: Mask) -> Mask:
    """(nx, ny, nz) bool array: the strip of a lamina about the median x of its bone."""
    if not lamina.any():
        return lamina
    x = view.low_mm[0] + np.arange(lamina.shape[0]) * view.step_mm
    middle = float(np.median(view.points_mm(lamina)[:, 0]))
    near = np.abs(x - middle) <= MID_LAMINA_HALF_MM
    strip: Mask = lamina & near[:, None, None]
    return strip


def outermost_mm(view: Local, mask: Mask, direction: Float) -> Float | None:
    """(3,) level mm of a part's outermost point along a unit direction, on the bone's surface; None if empty.

    A part cut off by the scan's edge has no outermost point: None.
    """
    points = view.points_mm(mask)
    if not len(points):
        return None
    height = points @ direction
    group = points[height > height.max() - TIP_DEPTH_MM]
    centre = group.mean(axis=0)
    centre += (height.max() - centre @ direction) * direction
    if cut_by_scan(view, centre):
        return None
    return centre + _to_surface_mm(view, centre, direction) * direction


def cut_by_scan(view: Local, level_mm: Float) -> bool:
    """Does a point lie within a voxel of the scan's edge, so that what it ends may go on outside?"""
    index = view.grid.index_of(view.frame.to_world_mm(level_mm))
    edge = np.minimum(index, np.array(view.grid.shape) - 1 - index)
    # the view's grid is cut two voxels wider than its box, so an edge met inside the box is the scan's own
    return bool((edge < 1.0).any())


def _to_surface_mm(view: Local, point_mm: Float, direction: Float) -> float:
    """Signed distance from an outermost voxel centre to where the bone ends along a direction."""
    steps = np.arange(-SURFACE_REACH_MM, SURFACE_REACH_MM + 1e-9, view.step_mm / 5)
    share = view.at(view.bone, point_mm + steps[:, None] * direction)
    leaves = np.flatnonzero((share[:-1] >= 0.5) & (share[1:] < 0.5))
    if not len(leaves):
        return 0.0  # ends on bone of a neighbouring part: the label's border stands
    at = leaves[np.argmin(np.abs(steps[leaves]))]
    return float(steps[at] + (share[at] - 0.5) / (share[at] - share[at + 1]) * (steps[at + 1] - steps[at]))


def _isthmus(view: Local, pars: Mask) -> Float | None:
    """(3,) level mm of the centroid of the pars' narrowest axial slice; None without one."""
    points = view.points_mm(pars)
    if len(points) < FEWEST_VOXELS:
        return None
    low, high = np.percentile(points[:, 2], ISTHMUS_SPAN)
    heights = view.low_mm[2] + np.arange(pars.shape[2]) * view.step_mm
    count = pars.sum(axis=(0, 1))
    size = np.where((heights >= low) & (heights <= high) & (count > 0), count, np.inf)
    # equally narrow slices: the middle one, so that a uniform isthmus is met at its middle
    narrowest = np.flatnonzero(size <= size.min())
    at = heights[narrowest[len(narrowest) // 2]]
    slice_mm: Float = points[np.abs(points[:, 2] - at) < view.step_mm / 2].mean(axis=0)
    return slice_mm


def _disc_centre(view: Local) -> Float | None:
    """(3,) level mm: middle of the columns of bone that face each other across the disc."""
    upper, lower = (np.asarray(view.mask(name, Part.BODY).any(axis=2)) for name in (view.upper, view.lower))
    both = (upper & lower)[:, :, None]
    return view.points_mm(both).mean(axis=0) * [1, 1, 0] if both.any() else None


def _spinous_base(view: Local) -> Float | None:
    """(3,) level mm: canal roof in the midline at mid-height of the upper laminae."""
    laminae = view.points_mm(view.mask(view.upper, Part.LAMINA_LEFT, Part.LAMINA_RIGHT))
    if not len(laminae):
        return None
    return _midline(view, float(laminae[:, 2].min() + laminae[:, 2].max()) / 2, dorsal=True)


def _midline(view: Local, z_mm: float, *, dorsal: bool) -> Float | None:
    outline = canal_contour(view, z_mm)
    y = None if outline is None else border_mm(outline, 0.0, "dorsal" if dorsal else "ventral")
    return None if y is None else np.array([0.0, y, z_mm])


def mean_mm(landmarks: Mapping[str, Float], name: str) -> Float | None:
    """(3,) mean over the sides of a sided landmark; None when neither side has it."""
    points = [landmarks[key] for key in (f"{name}_{side}" for side in SIDES) if key in landmarks]
    return np.asarray(np.mean(points, axis=0)) if points else None
