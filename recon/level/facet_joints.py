"""Facet joints as pairs of facing points, at sub-voxel accuracy.

Method:

1. Directions across. Of every place between the two vertebrae, subtract its distance to the lower from that to the
   upper; the gradient of that difference, read only midway, points straight across and does not turn outward at rims.
2. A quadric sheet is fitted robustly through the midway places (`recon.level.joint_midsurface`).
3. Faces. The 0.5 surface of each vertebra's occupancy (marching cubes, Lorensen and Cline 1987) gives triangles; one
   faces the joint when, straight across, the other vertebra is met within the widest gap and both carry the label of
   their articular process. The crossing is interpolated between steps, hence sub-voxel.
4. Area is that of the triangles seen along the direction across, so that voxel steps add none; the mean of both faces.
5. Image. Where voxels are coarse, labels let the faces touch. With a CT the joint's dark line is followed instead
   (`recon.level.joint_space`): it gives line and gap, and the whole joint where the labels keep no gap open. A line
   that runs askew to the labels' joint is marrow between two cortices and is not followed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import edt
import numpy as np
from scipy import ndimage, spatial
from skimage.measure import marching_cubes

from canalwise.recon.anatomy import Joint
from canalwise.recon.grid import Float
from canalwise.recon.image.morphology import eroded
from canalwise.recon.image.sampling import block_sums
from canalwise.recon.labels import SIDES, Labels, Mask, Part, Side, sided
from canalwise.recon.level.joint_midsurface import JointMidsurface, sheet_through
from canalwise.recon.level.joint_space import SeenJoint, image_about, seen_joint, widest_mm
from canalwise.recon.level.resampled_level import Float32, ResampledLevel
from canalwise.recon.scan import Scan

WIDEST_GAP_MM = 4.0
"""Faces further apart than this are no joint there (docs/numbers.md#anatomical-definitions)."""

STEP_ALONG_MM = 0.25
"""Step at which the other face is sought; the crossing is then interpolated."""

PRUNE_VOXELS = 2
"""Edge of the blocks in which what may face a joint is told from what lies too far."""

FAR_MM = 1000.0
"""Stands for the distance to what is not there: farther than any view of a level is wide."""

DIRECTION_BLUR_VOXELS = 1.0
"""Blur of the distance difference before its gradient is read."""

NEAREST = 8
"""Midway points averaged into one direction: about 1 mm2 of the joint."""

FEWEST = 24
"""Fewer facing triangles settle no sheet: four for each of its terms."""

OPEN_FRAC = 0.5
"""Labels keep a joint open when its faces are this share of a voxel apart; nearer ones touch somewhere."""

ASTRAY_DEG = 25.0
"""A line in the image turned further than this from the border between the labelled processes is not the joint: labels
cut a joint askew by up to 16 deg on a real scan at 1.5 mm (choice)."""

CELL_MM = 0.5
"""Triangles of a face within one such cell are merged into one pair."""

SMALLEST_MM2 = 20.0
"""A smaller contact is no facet joint; lumbar facets are 72 mm2 and more (Panjabi 1993,
docs/published-values.md#facets)."""

LEAST_LATERAL_MM = 5.0
"""Bone nearer to the midline is spinous base (docs/numbers.md#anatomical-definitions) and bears no joint."""

NO_FACE = (Part.BODY, Part.SPINOUS_PROCESS, Part.SPINOUS_BASE, Part.TRANSVERSE_LEFT, Part.TRANSVERSE_RIGHT)
"""Parts that never bear a facet's face."""

JOINT_LINE_HALF_MM = 4.0
"""Half the height of the slab at joint mid-height over which the joint line's direction is averaged."""


@dataclass(frozen=True, eq=False)
class _Face:
    """One face: triangle centres, their areas seen across the joint and the facing points, level mm."""

    centres_mm: Float
    areas_mm2: Float
    facing_mm: Float


@dataclass(frozen=True, eq=False)
class _Process:
    """A vertebra about a joint and its articular process: triangles near the other vertebra, and its surface's parts.

    `field` (nx, ny, nz) 0.5 at the surface; `centres_mm`, `vectors` (N, 3); `rim_parts` (M,) of the `rim` points.
    """

    part: Part
    field: Float32
    centres_mm: Float
    vectors: Float
    rim: spatial.cKDTree
    rim_parts: Labels

    def part_at(self, points_mm: Float) -> Labels:
        """(N,) part of the vertebra's voxel nearest to each point: a rim's own voxel may be a neighbour's."""
        found: Labels = self.rim_parts[np.asarray(self.rim.query(points_mm)[1], dtype=int)]
        return found


@dataclass(frozen=True, eq=False)
class _Across:
    """Points midway across a joint and the (unnormalised) direction across at each, level mm."""

    points_mm: Float
    directions: Float

    def at(self, points_mm: Float) -> Float:
        """(N, 3) unit directions: the mean over the nearest midway points."""
        count = min(NEAREST, len(self.points_mm))
        _, index = spatial.cKDTree(self.points_mm).query(points_mm, k=count)
        mean = self.directions[np.asarray(index).reshape(len(points_mm), count)].mean(axis=1)
        unit: Float = mean / np.maximum(np.linalg.norm(mean, axis=1, keepdims=True), 1e-9)
        return unit


def joints_of(view: ResampledLevel, scan: Scan | None = None) -> dict[Side, Joint]:
    """side -> joint, for each side that shows one; a side without a joint is left out.

    Parameters
    ----------
    view : the level
    scan : the CT the labels belong to; the joint is then read along the dark line in the image, where one is seen,
        and the labels only say where to look. Without one, or with an MR, the labels' faces are the joint.
    """
    found = {side: _joint(view, side, scan if scan is not None and scan.kind.calibrated else None) for side in SIDES}
    return {side: joint for side, joint in found.items() if joint is not None}


def _joint(view: ResampledLevel, side: Side, scan: Scan | None) -> Joint | None:
    part = _about_joint(view, side)
    if part is None:
        return None
    across = _across(part, side)
    if len(across.points_mm) < FEWEST:
        return None
    labelled = _of_labels(part, side, across)
    sheet = sheet_through(across.points_mm, np.ones(len(across.points_mm)), across.directions.mean(axis=0))
    seen = None if scan is None else seen_joint(image_about(scan, part), sheet, across.points_mm)
    touching = labelled is None or labelled.gap_mm < OPEN_FRAC * float(view.grid.spacing_mm.mean())
    if seen is None or seen.area_mm2.sum() < SMALLEST_MM2 or _astray(seen, sheet):
        return labelled and replace(labelled, gap_resolved=not touching)
    pictured = _of_image(view, side, seen)
    if labelled is None or touching:
        return pictured
    # Labels that keep the faces apart know best where they end; the image knows their line and distance.
    return replace(labelled, angle_deg=pictured.angle_deg, gap_mm=pictured.gap_mm)


def _astray(seen: SeenJoint, sheet: JointMidsurface) -> bool:
    """Does the line in the image cross the labels' joint? Marrow between two cortices is a dark line too."""
    agreement = (seen.normals * sheet.at(seen.middle_mm)).sum(axis=1)
    return float(np.average(agreement, weights=seen.area_mm2)) < np.cos(np.radians(ASTRAY_DEG))


def _about_joint(view: ResampledLevel, side: Side) -> ResampledLevel | None:
    """The part of the view about the articular processes of one side, those of either vertebra that are named."""
    inferior, superior = sided("inferior_articular", side), sided("superior_articular", side)
    points = [view.points_mm(view.mask(view.upper, inferior)), view.points_mm(view.mask(view.lower, superior))]
    found = [p for p in points if len(p)]
    return view.cropped(view.box_around(np.concatenate(found), 2 * WIDEST_GAP_MM)) if found else None


def _of_image(view: ResampledLevel, side: Side, seen: SeenJoint) -> Joint:
    half = seen.normals * seen.gap_mm[:, None] / 2
    return Joint(
        side,
        view.frame.to_world_mm(seen.middle_mm - half),
        view.frame.to_world_mm(seen.middle_mm + half),
        seen.area_mm2,
        line_angle_deg(seen.middle_mm, seen.normals, seen.area_mm2),
        weighted_median(seen.gap_mm, seen.area_mm2),
    )


def _of_labels(part: ResampledLevel, side: Side, across: _Across) -> Joint | None:
    """The joint between the labelled faces, each carrying its process's name."""
    own = _process(part, part.upper, sided("inferior_articular", side), part.lower)
    other = _process(part, part.lower, sided("superior_articular", side), part.upper)
    first = _face(part, own, other, across, toward=1.0)
    if len(first.areas_mm2) < FEWEST:
        return None
    # at the rims the midway surface turns outward with them; a sheet through the whole joint does not
    middle = (first.centres_mm + first.facing_mm) / 2
    sheet = sheet_through(middle, first.areas_mm2, (first.facing_mm - first.centres_mm).mean(axis=0))
    above, below = _face(part, own, other, sheet, toward=1.0), _face(part, other, own, sheet, toward=-1.0)
    area = (above.areas_mm2.sum() + below.areas_mm2.sum()) / 2
    if area < SMALLEST_MM2 or not len(above.areas_mm2):
        return None
    # the pairs are those of the upper face; their areas are made to sum to the mean of both faces
    near, facing, areas = _merged(above)
    middle = (near + facing) / 2
    return Joint(
        side,
        part.frame.to_world_mm(near),
        part.frame.to_world_mm(facing),
        areas * area / areas.sum(),
        line_angle_deg(middle, sheet.at(middle), areas),
        weighted_median(np.linalg.norm(facing - near, axis=1), areas),
    )


def _across(view: ResampledLevel, side: Side) -> _Across:
    """Directions from the upper vertebra to the lower along the surface midway between them.

    They are the gradient of how much nearer the upper is, read midway only: there, unlike on the faces, it does
    not turn outward at the rims.
    """
    x = view.low_mm[0] + np.arange(view.labels.shape[0]) * view.step_mm
    own_side = (x > LEAST_LATERAL_MM if side == "left" else x < -LEAST_LATERAL_MM)[:, None, None]
    to_upper, to_lower = (
        np.minimum(
            edt.edt(
                ~(view.mask(name) & ~view.mask(name, *NO_FACE) & own_side),
                anisotropy=(view.step_mm,) * 3,
                black_border=False,
            ),
            FAR_MM,  # where a vertebra shows nothing on this side, which lies infinitely far
        )
        for name in (view.upper, view.lower)
    )
    nearer = ndimage.gaussian_filter(to_upper - to_lower, DIRECTION_BLUR_VOXELS, mode="nearest")
    midway = (np.abs(nearer) <= view.step_mm) & (to_upper + to_lower <= WIDEST_GAP_MM + 2 * view.step_mm)
    slopes = np.stack([slope[midway] for slope in np.gradient(nearer)], axis=-1)
    return _Across(view.points_mm(midway), slopes)


def _process(view: ResampledLevel, vertebra: str, part: Part, other: str) -> _Process:
    """The articular process `part` of a vertebra as its joint with the other vertebra needs it."""
    field, own = view.vertebra_field(vertebra), view.mask(vertebra)
    centres, vectors = _triangles(view, field)
    near = _may_face(view, view.mask(other), centres)
    own &= ~eroded(own)  # the nearest voxel to a surface is itself one of the surface
    rim = spatial.cKDTree(view.points_mm(own))
    return _Process(part, field, centres[near], vectors[near], rim, view.labels[own] % 100)


def _may_face(view: ResampledLevel, other: Mask, points_mm: Float) -> Mask:
    """(N,) array: no more points than lie within the widest gap of a mask, and those about: most triangles do not."""
    coarse = block_sums(other, (PRUNE_VOXELS,) * 3) > 0
    step_mm = PRUNE_VOXELS * view.step_mm
    away_mm = edt.edt(~coarse, anisotropy=(step_mm,) * 3, black_border=False)
    block = (np.rint(view.index_of(points_mm)).astype(int) // PRUNE_VOXELS).T
    # two voxels lie further apart than the middles of their blocks by less than a block's diagonal
    return np.asarray(away_mm[tuple(block)] <= WIDEST_GAP_MM + np.sqrt(3.0) * (step_mm + view.step_mm))


def _face(
    view: ResampledLevel, own: _Process, other: _Process, across: _Across | JointMidsurface, toward: float
) -> _Face:
    """The triangles of one articular process that see the other within the widest gap, straight across the joint.

    Both faces must carry their process's label.
    """
    centres, vectors = own.centres_mm, own.vectors
    direction = toward * across.at(centres)
    # seen along the direction: voxel steps then add no area
    areas = (vectors * direction).sum(axis=1)
    distance = _distance_along(view, other.field, centres, direction)
    kept = (areas > 0) & np.isfinite(distance)
    centres, areas, direction = centres[kept], areas[kept], direction[kept]
    distance = distance[kept]
    facing = centres + distance[:, None] * direction
    named = (own.part_at(centres) == own.part) & (other.part_at(facing) == other.part)
    if named.any():
        named &= distance <= widest_mm(weighted_median(distance[named], areas[named]))
    return _Face(centres[named], areas[named], facing[named])


def _triangles(view: ResampledLevel, field: Float32) -> tuple[Float, Float]:
    """Centres (N, 3) in level mm and outward area vectors (N, 3) of the 0.5 surface of a field."""
    if field.max() < 0.5 or min(field.shape) < 2:
        return np.zeros((0, 3)), np.zeros((0, 3))
    points, faces, *_ = marching_cubes(field, 0.5, spacing=(view.step_mm,) * 3, gradient_direction="ascent")
    corners = points[faces].astype(float)
    vectors = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]) / 2
    return corners.mean(axis=1) + view.low_mm, vectors


def _distance_along(view: ResampledLevel, field: Float32, points_mm: Float, directions: Float) -> Float:
    """(N,) distance from each point along its direction to where a field is 0.5; infinite beyond the widest gap."""
    steps = np.arange(0.0, WIDEST_GAP_MM + STEP_ALONG_MM, STEP_ALONG_MM)
    share = view.at(field, points_mm[:, None] + steps[:, None] * directions[:, None])
    met = share >= 0.5
    # a point that starts within the other bone has no step before it to interpolate from
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
    means = [
        np.column_stack([np.bincount(group, face.areas_mm2 * values[:, axis]) / areas for axis in range(3)])
        for values in (face.centres_mm, face.facing_mm)
    ]
    return means[0], means[1], areas


def line_angle_deg(points_mm: Float, normals: Float, weights: Float) -> float:
    """Angle of the joint line from the sagittal plane, 0..90, in the axial plane at joint mid-height.

    The mean direction of the joint's line over the points (N, 3) near mid-height, from the joint's normals there: a
    little more or less of a curved joint's rim then counts by its share of the line, not by its lever.

    >>> turn = np.radians(36.0); along = np.linspace(-6, 6, 25)
    >>> points = np.column_stack([along * np.sin(turn), along * np.cos(turn), np.zeros(25)])
    >>> across = np.tile([np.cos(turn), -np.sin(turn), 0.0], (25, 1))
    >>> round(line_angle_deg(points, across, np.ones(25)), 6)
    36.0
    """
    z = points_mm[:, 2]
    near = np.abs(z - np.average(z, weights=weights)) <= JOINT_LINE_HALF_MM
    # A line has no sign: directions are averaged at twice their angle.
    x, y = normals[near, 0], normals[near, 1]
    twice = 2 * np.arctan2(-y, x)
    mean = np.arctan2(weights[near] @ np.sin(twice), weights[near] @ np.cos(twice)) / 2
    return float(np.degrees(np.abs(mean)))


def weighted_median(values: Float, weights: Float) -> float:
    """The value below which half of the weight lies.

    Parameters
    ----------
    values, weights : (N,) arrays; weights are not negative and not all 0

    >>> weighted_median(np.array([3.0, 1.0, 2.0]), np.array([1.0, 1.0, 5.0]))
    2.0
    """
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, total[-1] / 2)])
