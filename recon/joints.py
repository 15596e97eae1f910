"""Facet joints as pairs of facing points, at sub-voxel accuracy."""

from __future__ import annotations

from dataclasses import dataclass

import edt
import numpy as np
from scipy import ndimage, spatial
from skimage.measure import marching_cubes

from recon.anatomy import Joint
from recon.grid import Float
from recon.labels import SIDES, Labels, Part, Side, sided
from recon.local import Float32, Local

WIDEST_GAP_MM = 4.0
"""Faces further apart than this are no joint there (design, shared definitions)."""

RIM_WIDENING = 1.5
"""Where the gap exceeds its median by this factor the faces' rims turn away from each other: no joint there."""

STEP_ALONG_MM = 0.1
"""Step at which the other face is sought; the crossing is then interpolated."""

DIRECTION_BLUR_VOXELS = 1.0
"""Blur of the distance difference before its gradient is read."""

NEAREST = 8
"""Midway points averaged into one direction: about 1 mm2 of the joint."""

FEWEST = 24
"""Fewer facing triangles settle no sheet: four for each of its terms."""

CELL_MM = 0.5
"""Triangles of a face within one such cell are merged into one pair."""

SMALLEST_MM2 = 20.0
"""A smaller contact is no facet joint; lumbar facets are 72 mm2 and more (Panjabi 1993, references section 2b)."""

JOINT_LINE_HALF_MM = 2.0
"""Half the height of the slab at joint mid-height in which the joint line is fitted."""


@dataclass(frozen=True, eq=False)
class _Face:
    """One face: triangle centres, their areas seen across the joint and the facing points, level mm."""

    centres_mm: Float
    areas_mm2: Float
    facing_mm: Float


@dataclass(frozen=True, eq=False)
class _Across:
    """Points midway across a joint and the (unnormalised) way across at each, level mm."""

    points_mm: Float
    directions: Float

    def at(self, points_mm: Float) -> Float:
        """(N, 3) unit directions: the mean over the nearest midway points."""
        count = min(NEAREST, len(self.points_mm))
        _, index = spatial.cKDTree(self.points_mm).query(points_mm, k=count)
        mean = self.directions[np.asarray(index).reshape(len(points_mm), count)].mean(axis=1)
        unit: Float = mean / np.maximum(np.linalg.norm(mean, axis=1, keepdims=True), 1e-9)
        return unit


@dataclass(frozen=True, eq=False)
class _Sheet:
    """A quadric sheet midway through a joint: height over the plane of two axes, and the joint's normal third."""

    centre_mm: Float
    axes: Float
    coefficients: Float

    def at(self, points_mm: Float) -> Float:
        """(N, 3) unit normals of the sheet, straight across from the upper vertebra to the lower."""
        u, v, _ = self.axes @ (points_mm - self.centre_mm).T
        _, along_u, along_v, uu, uv, vv = self.coefficients
        slopes = np.stack([-(along_u + 2 * uu * u + uv * v), -(along_v + uv * u + 2 * vv * v), np.ones_like(u)])
        unit: Float = (slopes / np.linalg.norm(slopes, axis=0)).T @ self.axes
        return unit


def _sheet(face: _Face) -> _Sheet:
    """The least-squares sheet midway between a face (of the upper vertebra) and what it faces."""
    middle, weight = (face.centres_mm + face.facing_mm) / 2, np.sqrt(face.areas_mm2)
    centre = np.average(middle, axis=0, weights=face.areas_mm2)
    axes = np.linalg.eigh(np.cov((middle - centre).T, aweights=face.areas_mm2))[1].T[::-1].copy()
    axes[2] *= np.sign(axes[2] @ (face.facing_mm - face.centres_mm).mean(axis=0)) or 1.0
    u, v, height = axes @ (middle - centre).T
    terms = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=1)
    return _Sheet(centre, axes, np.linalg.lstsq(terms * weight[:, None], height * weight, rcond=None)[0])


def joints_of(view: Local) -> dict[Side, Joint]:
    """side -> joint, for each side whose faces the labels show; a side without a joint is left out."""
    found = {side: _joint(view, side) for side in SIDES}
    return {side: joint for side, joint in found.items() if joint is not None}


def _joint(view: Local, side: Side) -> Joint | None:
    inferior, superior = sided("inferior_articular", side), sided("superior_articular", side)
    points = [view.points_mm(view.mask(view.upper, inferior)), view.points_mm(view.mask(view.lower, superior))]
    if not len(points[0]) or not len(points[1]):
        return None
    part = view.cropped(view.box_around(np.concatenate(points), 2 * WIDEST_GAP_MM))
    across = _across(part)
    if not len(across.points_mm):
        return None
    first = _face(part, (view.upper, inferior), (view.lower, superior), across, toward=1.0)
    if len(first.areas_mm2) < FEWEST:
        return None
    # at the rims the midway surface turns outward with them; a sheet through the whole joint does not
    sheet = _sheet(first)
    above = _face(part, (view.upper, inferior), (view.lower, superior), sheet, toward=1.0)
    below = _face(part, (view.lower, superior), (view.upper, inferior), sheet, toward=-1.0)
    area = (above.areas_mm2.sum() + below.areas_mm2.sum()) / 2
    if area < SMALLEST_MM2 or not len(above.areas_mm2):
        return None
    own, facing, areas = _merged(above)
    middle = (own + facing) / 2
    return Joint(side, view.frame.to_world_mm(own), view.frame.to_world_mm(facing), areas * area / areas.sum(),
                 line_angle_deg(middle, areas), weighted_median(np.linalg.norm(facing - own, axis=1), areas))


def _across(view: Local) -> _Across:
    """Directions from the upper vertebra to the lower along the surface midway between them.

    They are the gradient of how much nearer the upper is, read midway only: there, unlike on the faces, it does
    not turn outward at the rims.
    """
    to_upper, to_lower = (edt.edt(~view.mask(name), anisotropy=(view.step_mm,) * 3, black_border=False)
                          for name in (view.upper, view.lower))
    nearer = ndimage.gaussian_filter(to_upper - to_lower, DIRECTION_BLUR_VOXELS, mode="nearest")
    midway = (np.abs(nearer) <= view.step_mm) & (to_upper + to_lower <= WIDEST_GAP_MM + 2 * view.step_mm)
    slopes = np.stack([slope[midway] for slope in np.gradient(nearer)], axis=-1)
    return _Across(view.points_mm(midway), slopes)


def _face(view: Local, own: tuple[str, Part], other: tuple[str, Part], across: _Across | _Sheet,
          toward: float) -> _Face:
    """The triangles of one articular process that see the other within the widest gap, straight across the joint.

    `own` and `other` are (vertebra, articular process); both faces must carry their process's label.
    """
    centres, vectors = _triangles(view, view.vertebra_field(own[0]))
    direction = toward * across.at(centres)
    # seen along the direction: voxel steps then add no area
    areas = (vectors * direction).sum(axis=1)
    distance = _distance_along(view, view.vertebra_field(other[0]), centres, direction)
    kept = (areas > 0) & np.isfinite(distance)
    centres, areas, direction = centres[kept], areas[kept], direction[kept]
    distance = distance[kept]
    facing = centres + distance[:, None] * direction
    named = (_nearest_part(view, own[0], centres) == own[1]) & (_nearest_part(view, other[0], facing) == other[1])
    if named.any():
        named &= distance <= RIM_WIDENING * weighted_median(distance[named], areas[named])
    return _Face(centres[named], areas[named], facing[named])


def _nearest_part(view: Local, vertebra: str, points_mm: Float) -> Labels:
    """(N,) part of the vertebra's voxel nearest to each point: a rim's own voxel may be a neighbour's."""
    own = view.mask(vertebra)
    _, index = spatial.cKDTree(view.points_mm(own)).query(points_mm)
    parts: Labels = view.labels[own][np.asarray(index, dtype=int)] % 100
    return parts


def _triangles(view: Local, field: Float32) -> tuple[Float, Float]:
    """Centres (N, 3) in level mm and outward area vectors (N, 3) of the 0.5 surface of a field."""
    if field.max() < 0.5 or min(field.shape) < 2:
        return np.zeros((0, 3)), np.zeros((0, 3))
    points, faces, *_ = marching_cubes(field, 0.5, spacing=(view.step_mm,) * 3, gradient_direction="ascent")
    corners = points[faces].astype(float)
    vectors = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]) / 2
    return corners.mean(axis=1) + view.low_mm, vectors


def _distance_along(view: Local, field: Float32, points_mm: Float, directions: Float) -> Float:
    """(N,) distance from each point along its direction to where a field is 0.5; infinite beyond the widest gap."""
    steps = np.arange(0.0, WIDEST_GAP_MM + STEP_ALONG_MM, STEP_ALONG_MM)
    share = view.at(field, points_mm[:, None] + steps[:, None] * directions[:, None])
    met = share >= 0.5
    first = np.maximum(met.argmax(axis=1), 1)
    rows = np.arange(len(points_mm))
    before, after = share[rows, first - 1], share[rows, first]
    part = np.clip((0.5 - before) / np.maximum(after - before, 1e-9), 0.0, 1.0)
    distance = steps[first - 1] + part * STEP_ALONG_MM
    return np.where(met.any(axis=1) & (distance <= WIDEST_GAP_MM), distance, np.inf)


def _merged(face: _Face) -> tuple[Float, Float, Float]:
    """Area-weighted means of own and facing points, and total areas, over cells of CELL_MM."""
    cells = np.floor(face.centres_mm / CELL_MM).astype(int)
    _, group = np.unique(cells, axis=0, return_inverse=True)
    group = group.ravel()
    areas = np.asarray(np.bincount(group, face.areas_mm2), dtype=float)
    means = [np.column_stack([np.bincount(group, face.areas_mm2 * values[:, axis]) / areas for axis in range(3)])
             for values in (face.centres_mm, face.facing_mm)]
    return means[0], means[1], areas


def line_angle_deg(points_mm: Float, weights: Float) -> float:
    """Angle of the joint line from the sagittal plane, 0..90, in the axial plane at joint mid-height.

    The line is the total-least-squares line through the joint's points (N, 3) near mid-height, with what a
    slanting joint shifts per mm of height taken out first.

    >>> turn = np.radians(36.0); along = np.linspace(-6, 6, 25)
    >>> points = np.column_stack([along * np.sin(turn), along * np.cos(turn), np.zeros(25)])
    >>> round(line_angle_deg(points, np.ones(25)), 6)
    36.0
    """
    z = points_mm[:, 2]
    middle = float(np.average(z, weights=weights))
    near = np.abs(z - middle) <= JOINT_LINE_HALF_MM
    xy, w = points_mm[near, :2], weights[near]
    xy = xy - np.average(xy, axis=0, weights=w)
    height = z[near] - np.average(z[near], weights=w)
    spread = float(w @ height**2)
    if spread > 0:
        xy = xy - np.outer(height, (w * height) @ xy / spread)
    direction = np.linalg.eigh((xy * w[:, None]).T @ xy)[1][:, -1]
    return float(np.degrees(np.arctan2(abs(direction[0]), abs(direction[1]))))


def weighted_median(values: Float, weights: Float) -> float:
    """The value below which half of the weight lies.

    >>> weighted_median(np.array([3.0, 1.0, 2.0]), np.array([1.0, 1.0, 5.0]))
    2.0
    """
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, total[-1] / 2)])
