"""A prepared level turned into the flat arrays of a scene."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from canalwise.estimator.geometry.batch_loops import fill_sight
from canalwise.estimator.geometry.border_shift import eroded_occupancy
from canalwise.estimator.geometry.level_arrays import (
    CRANIAL_LOOKS,
    DISC_AREA,
    F32,
    F64,
    I8,
    I32,
    LEAF,
    MEDIAL_LOOKS,
    SIGHT_MM,
    JointFaceArrays,
    JointPairArrays,
    KeepOutField,
    LevelArrays,
    PointCloud,
    SampleRows,
    Spheres,
    TargetArrays,
)
from canalwise.estimator.geometry.spatial_order import close_order
from canalwise.estimator.level.compression import PLANE_STEP_MM, disc_level
from canalwise.estimator.level.joint_faces import disc_slice
from canalwise.estimator.level.keep_out import KeepOut
from canalwise.estimator.level.level_bone import LevelBone, protected_field
from canalwise.estimator.level.pars_and_base_rows import base_rows, pars_rows
from canalwise.estimator.level.target_names import AT_DISC
from canalwise.recon.anatomy import Anatomy, Frame, Level
from canalwise.recon.grid import Float, Grid
from canalwise.recon.labels import SIDES, Mask, Part, label_of
from canalwise.recon.parallel import side_by_side

CELL_MM = 1.0
"""Size of the cells whose voxels become one mass point (scripts/why_batch_cell.py)."""

SLOPE_MM = 0.2
"""All bone borders are drawn in by this to see how much of each cell lies at a border."""

FAR_MM = 100.0
"""No point lies further to the right, ventral or caudal than this."""

SIGHT_BLOCK = 4096
"""Points whose tables are filled by one thread at a time."""


class WeightedPoints(NamedTuple):
    """N weighted points, and the cell that each will be drawn together in."""

    bucket: npt.NDArray[np.intp]
    cell: npt.NDArray[np.intp]  # (N, 3)
    xyz: Float  # (N, 3) level mm
    weight: Float
    slope: Float


def scene_of(anatomy: Anatomy, level: Level, level_bone: LevelBone, sac: KeepOut) -> LevelArrays:
    """The scene of a level; `sac` with the berth of an instrument of no width."""
    shade = KeepOutField(_f32(sac.distance_mm), _turn(sac.grid, level.frame))
    per_cell = _voxels_per_cell(level_bone.grid)
    points = [_bone_points(level, level_bone, per_cell), _plane_points(anatomy, level)]
    every = WeightedPoints(*(np.concatenate(column) for column in zip(*points, strict=True)))
    names, index = np.unique(every.bucket, return_inverse=True)
    pars, planes = pars_rows(level, level_bone)
    return LevelArrays(
        cloud=_cloud(_drawn_together(every._replace(bucket=index)), shade),
        pairs=_pairs(level, shade),
        pars=_shaded(pars, shade),
        base=_shaded(base_rows(level, level_bone), shade),
        shade=shade,
        goals=_goals(level, *protected_field(anatomy, level_bone)),
        buckets=tuple(int(n) for n in names),
        base_label=label_of(level.upper, Part.SPINOUS_BASE),
        bucket_whole=_sums(index, every.weight),
        pars_planes=planes,
        sets=_set_names(level),
        clearance_mm=sac.clearance_radius_mm,
        cell_mm=float(np.prod(level_bone.grid.spacing_mm * per_cell) ** (1 / 3)),
    )


def _voxels_per_cell(grid: Grid) -> npt.NDArray[np.intp]:
    """(3,) array: a cell is this block of voxels, so that all cells hold as many."""
    return np.maximum(np.rint(CELL_MM / grid.spacing_mm), 1).astype(np.intp)


def _turn(grid: Grid, frame: Frame) -> F32:
    """(3, 4) array: level mm -> fractional index of a grid."""
    to_index = np.linalg.inv(grid.affine_ras_mm) @ frame.matrix_ras
    return _f32(to_index[:3])


def _f32(array: npt.ArrayLike) -> F32:
    return np.ascontiguousarray(array, dtype=np.float32)


def _bone_points(level: Level, level_bone: LevelBone, per_cell: npt.NDArray[np.intp]) -> WeightedPoints:
    """Every bone voxel that may be taken."""
    may = np.zeros(level_bone.labels.shape, dtype=bool)
    may.reshape(-1)[level_bone.takeable.voxels] = True
    index = np.argwhere(may)
    i, j, k = (slice(max(low - 2, 0), high + 3) for low, high in zip(index.min(0), index.max(0), strict=True))
    volume = np.float32(level_bone.grid.voxel_mm3)
    thin = (
        eroded_occupancy(level_bone.bone_mm3[i, j, k] / volume, level_bone.grid.cropped((i, j, k)), SLOPE_MM) * volume
    )
    slope = (level_bone.bone_mm3[i, j, k] - thin)[may[i, j, k]] / SLOPE_MM
    xyz = level.frame.to_level_mm(level_bone.grid.world_mm(index))
    mass = level_bone.bone_mm3[may].astype(float)
    return WeightedPoints(level_bone.labels[may].astype(np.intp), index // per_cell, xyz, mass, slope.astype(float))


def _plane_points(anatomy: Anatomy, level: Level) -> WeightedPoints:
    """Samples of the disc-level plane that can be freed."""
    xyz = level.frame.to_level_mm(disc_level(anatomy, level).freeable_mm)
    cell = np.floor((xyz + FAR_MM) / CELL_MM).astype(np.intp)
    count = len(xyz)
    return WeightedPoints(np.full(count, DISC_AREA), cell, xyz, np.full(count, PLANE_STEP_MM**2), np.zeros(count))


def _drawn_together(points: WeightedPoints) -> WeightedPoints:
    """The points of one bucket in one cell drawn together, by bucket."""
    widths = points.cell.max(axis=0) + 1
    # bucket in the high bits and cell in the low ones: one sort gathers by both
    key = (points.bucket.astype(np.int64) << 40) | np.ravel_multi_index(tuple(points.cell.T), tuple(widths))
    keys, first, which = np.unique(key, return_index=True, return_inverse=True)
    mass, slope = _sums(which, points.weight), _sums(which, points.slope)
    middle = [_sums(which, points.weight * points.xyz[:, axis]) / mass for axis in range(3)]
    return WeightedPoints((keys >> 40).astype(np.intp), points.cell[first], np.stack(middle, axis=1), mass, slope)


def _sums(which: npt.NDArray[np.intp], weight: Float) -> F64:
    """Sum of the weights of each number."""
    return np.asarray(np.bincount(which, weights=weight), dtype=float)


def _cloud(cells: WeightedPoints, shade: KeepOutField) -> PointCloud:
    bucket, _, xyz, weight, slope = cells
    padded = _padded(bucket, xyz)
    shown = padded >= 0
    point, mass, lost = np.where(shown[:, None], xyz[padded], 0.0), weight[padded] * shown, slope[padded] * shown
    # padding takes its leaf's centre, so that its distance is a number like any other
    point[~shown] = np.repeat(_bounds(point, shown, LEAF)[0], LEAF, axis=0)[~shown]
    sight = sights(shade, _f32(point.T))
    leaf, group = _spheres(point, shown, sight, LEAF), _spheres(point, shown, sight, LEAF**2)
    lateral = np.where(shown, np.abs(point[:, 0]), 0.0)
    of_leaf, of_group = ([a.reshape(-1, size) for a in (mass, lost, lateral)] for size in (LEAF, LEAF**2))
    return PointCloud(
        _f32(point.T), _f32(mass), _f32(lost), sight,
        leaf, of_leaf[0].sum(axis=1), of_leaf[1].sum(axis=1), _f32(of_leaf[2].max(axis=1)),
        group, of_group[0].sum(axis=1), of_group[1].sum(axis=1), _f32(of_group[2].max(axis=1)),
        bucket[padded[:: LEAF**2]].astype(np.int32),
    )  # fmt: skip


def _padded(bucket: npt.NDArray[np.intp], xyz: Float) -> npt.NDArray[np.intp]:
    """Row of each place: bucket by bucket, neighbours together, each bucket filled up to whole groups with -1."""
    places = []
    for b in np.unique(bucket):
        rows = np.flatnonzero(bucket == b)
        # neighbours side by side make small spheres, and whole groups of one bucket are added by one number
        rows = rows[close_order(xyz[rows])]
        places += [rows, np.full(-len(rows) % LEAF**2, -1, dtype=np.intp)]
    return np.concatenate(places)


def _bounds(xyz: Float, shown: Mask, size: int) -> tuple[Float, Float]:
    """(S, 3) centres and (S,) radii of spheres about each `size` points; radius -1 where none is shown."""
    point, there = xyz.reshape(-1, size, 3), shown.reshape(-1, size)
    empty = ~there.any(axis=1)
    far = 1e6  # of either sign, so that what is not shown bounds nothing and cancels where nothing is shown
    low, high = (np.where(there[..., None], point, end) for end in (far, -far))
    centre = (low.min(axis=1) + high.max(axis=1)) / 2
    away = np.where(there, np.linalg.norm(point - centre[:, None], axis=2), 0.0).max(axis=1)
    # the sphere is kept in single precision: a little more than its largest rounding is added
    return centre, np.where(empty, -1.0, away + 1e-4)


def _spheres(xyz: Float, shown: Mask, sight: I8, size: int) -> Spheres:
    """The spheres about each `size` points, with the least of their tables of sight."""
    centre, radius = _bounds(xyz, shown, size)
    least = sight.reshape(-1, size, sight.shape[1]).min(axis=1)
    return Spheres(_f32(centre.T), _f32(radius), least, floors(least))


def floors(sight: I8) -> F32:
    """(S,) array, mm: the least of each table.

    >>> (floors(np.array([[40, 12], [7, 9]], dtype=np.int8)) / SIGHT_MM).tolist()
    [12.0, 7.0]
    """
    return _f32(sight.min(axis=1, initial=127) * SIGHT_MM)


def _shaded(rows: SampleRows, shade: KeepOutField) -> SampleRows:
    """Rows with their tables of sight."""
    sight = sights(shade, rows.xyz)
    least = np.minimum.reduceat(sight, rows.first[:-1], axis=0) if len(rows.plane) else sight
    return rows._replace(sight=sight, sphere=rows.sphere._replace(sight=least, floor=floors(least)))


def sights(shade: KeepOutField, xyz: F32) -> I8:
    """(N, LOOKS) array: each point's table of sight."""
    table = np.empty((xyz.shape[1], MEDIAL_LOOKS * CRANIAL_LOOKS), dtype=np.int8)
    blocks = [slice(start, start + SIGHT_BLOCK) for start in range(0, xyz.shape[1], SIGHT_BLOCK)]
    list(side_by_side(lambda block: fill_sight(shade, xyz[:, block], table[block]), blocks))
    return table


def _pairs(level: Level, shade: KeepOutField) -> JointPairArrays:
    """Both joints' pairs in leaves; a side without a joint has none."""
    parts = []
    for number, side in enumerate(SIDES):
        if side not in level.joints:
            continue
        joint = level.joints[side]
        faces = [level.frame.to_level_mm(f) for f in (joint.inferior_face_ras_mm, joint.superior_face_ras_mm)]
        middle = (faces[0] + faces[1]) / 2
        order = close_order(middle)
        width = np.where(disc_slice(joint, level.frame), joint.area_mm2, 0.0)
        columns = [faces[0][order], faces[1][order], joint.area_mm2[order], width[order]]
        parts.append((number, [_filled(column) for column in columns]))
    return _placed_pairs(parts, shade)


def _filled(column: Float) -> Float:
    """Whole leaves: points are padded with the last one, weights with 0."""
    more = -len(column) % LEAF
    return np.pad(column, [(0, more), (0, 0)], mode="edge") if column.ndim == 2 else np.pad(column, (0, more))


def _placed_pairs(parts: Sequence[tuple[int, list[Float]]], shade: KeepOutField) -> JointPairArrays:
    nothing = [np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0), np.zeros(0)]
    columns = zip(nothing, *(column for _, column in parts), strict=True)
    inferior, superior, area, width = (np.concatenate(column) for column in columns)
    side: I32 = np.concatenate([np.zeros(0, np.int32), *(np.full(len(p[2]) // LEAF, n, np.int32) for n, p in parts)])
    leaf_area, leaf_width = (weight.reshape(-1, LEAF).sum(axis=1) for weight in (area, width))
    faces = _face(inferior, shade), _face(superior, shade)
    return JointPairArrays(*faces, _f32(area), _f32(width), leaf_area, leaf_width, side)


def _face(xyz: Float, shade: KeepOutField) -> JointFaceArrays:
    sight = sights(shade, _f32(xyz.T))
    return JointFaceArrays(_f32(xyz.T), sight, _spheres(xyz, np.ones(len(xyz), dtype=bool), sight, LEAF))


def _set_names(level: Level) -> tuple[str, ...]:
    return tuple(dict.fromkeys(n for t in level.targets.values() for n in t.points_ras_mm))


def _goals(level: Level, guard: Float, grid: Grid) -> TargetArrays:
    names = _set_names(level)
    points, side, kind = [np.empty((0, 3))], [], []
    for number, s in enumerate(SIDES):
        for name, found in (level.targets[s].points_ras_mm if s in level.targets else {}).items():
            points.append(level.frame.to_level_mm(found))
            side += [number] * len(found)
            kind += [names.index(name)] * len(found)
    at_disc = np.array([names[k] in AT_DISC for k in kind], dtype=bool)
    return TargetArrays(_f32(np.concatenate(points).T), np.array(side, np.int32), np.array(kind, np.int32), at_disc,
                 _f32(guard), _turn(grid, level.frame))  # fmt: skip
