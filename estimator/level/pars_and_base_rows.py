"""Rows of samples through the weak places: medio-lateral through each pars, dorso-ventral through the spinous base."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from canalwise.estimator.geometry.level_arrays import F32, SampleRows, Spheres
from canalwise.estimator.level.level_bone import LevelBone
from canalwise.estimator.level.sample_spacing import BONE_FRAC, PARS_ENDS_FRAC, SAMPLE_MM
from canalwise.recon.anatomy import Level
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Part, label_of, sided

ROW_SPACING_MM = 1.0
"""Rows stand this far apart, samples along them as far as in the exact answer."""


def pars_rows(level: Level, level_bone: LevelBone) -> tuple[SampleRows, tuple[int, int]]:
    """Rows across each pars of the upper vertebra, left first, and the number of axial planes of each."""
    found: list[SampleRows] = []
    planes: list[int] = []
    for side in SIDES:
        places, bone, plane = _sampled(level_bone, level, label_of(level.upper, sided("pars", side)), along=0, across=2)
        if len(bone):
            middle = _middle(bone, plane)
            places, bone, plane = places[middle], bone[middle], plane[middle]
        rows = _placed(places, bone, plane)
        names, numbered = np.unique(rows.plane, return_inverse=True)
        found.append(rows._replace(plane=(numbered + sum(planes)).astype(np.int32)))
        planes.append(len(names))
    return _joined(*found), (planes[0], planes[1])


def base_rows(level: Level, level_bone: LevelBone) -> SampleRows:
    """Dorso-ventral rows in sagittal planes through the upper vertebra's spinous base."""
    return _placed(*_sampled(level_bone, level, label_of(level.upper, Part.SPINOUS_BASE), along=1, across=0))


def _sampled(
    level_bone: LevelBone, level: Level, label: int, along: int, across: int
) -> tuple[Float, Float, np.ndarray]:
    """(R, W, 3) places, (R, W) shares of bone and (R,) planes of rows along one axis of the level frame.

    Planes are numbered along the axis `across`.
    """
    frame = level.frame
    found = np.argwhere(level_bone.labels == label)
    if len(found) == 0:
        return np.zeros((0, 1, 3)), np.zeros((0, 1)), np.zeros(0, dtype=np.intp)
    corners = frame.to_level_mm(level_bone.grid.world_mm(found))
    spacing = np.where(np.arange(3) == along, SAMPLE_MM, ROW_SPACING_MM)
    axes = [
        np.arange(lo - 1, hi + 1, step) for lo, hi, step in zip(corners.min(0), corners.max(0), spacing, strict=True)
    ]
    places = np.moveaxis(np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1), along, -2)
    share = np.where(level_bone.labels == label, level_bone.bone_mm3 / level_bone.grid.voxel_mm3, 0).astype(np.float32)
    index = np.moveaxis(level_bone.grid.index_of(frame.to_world_mm(places)), -1, 0)
    bone = np.asarray(ndimage.map_coordinates(share, index, order=1), dtype=float)
    number = np.moveaxis(np.indices([len(a) for a in axes])[across], along, -1)[..., 0]
    return places.reshape(-1, *places.shape[-2:]), bone.reshape(-1, bone.shape[-1]), number.ravel()


def _placed(places: Float, bone: Float, plane: np.ndarray) -> SampleRows:
    """The rows of (R, W, 3) places that hold bone, by plane, each from its first to its last sample of bone."""
    order = np.flatnonzero(bone.sum(axis=1) > 0)
    order = order[np.argsort(plane[order], kind="stable")]
    places, bone, plane = places[order], bone[order], plane[order]
    start = (bone > 0).argmax(axis=1)
    end = bone.shape[1] - (bone[:, ::-1] > 0).argmax(axis=1)
    column = np.arange(bone.shape[1])
    within = (column >= start[:, None]) & (column < end[:, None])
    rows = np.arange(len(places))
    ends = np.stack([places[rows, start], places[rows, end - 1]])
    none = np.zeros((len(places), 0), dtype=np.int8)  # tables of sight are filled in later
    sphere = Spheres(
        np.ascontiguousarray(ends.mean(axis=0).T, dtype=np.float32),
        (np.linalg.norm(ends[1] - ends[0], axis=1) / 2 + 1e-3).astype(np.float32),
        none,
        none[:, 0:0].sum(axis=1, dtype=np.float32),
    )
    return SampleRows(
        xyz=np.ascontiguousarray(places[within].T, dtype=np.float32),
        bone=bone[within].astype(np.float32),
        sight=none,
        first=np.concatenate([[0], np.cumsum(end - start)]).astype(np.int32),
        sphere=sphere,
        plane=plane.astype(np.int32),
        before_run=_longest_runs(bone >= BONE_FRAC),
        before_sum=bone.sum(axis=1).astype(np.float32),
    )


def _longest_runs(bone: np.ndarray) -> F32:
    """(R,) array: longest run of True in each row."""
    run, longest = np.zeros(len(bone)), np.zeros(len(bone))
    for column in bone.T:
        run = np.where(column, run + 1, 0)
        longest = np.maximum(longest, run)
    return longest.astype(np.float32)


def _middle(bone: Float, plane: np.ndarray) -> np.ndarray:
    """(R,) array: which rows lie in planes between PARS_ENDS_FRAC of the bone from either end."""
    upward = np.cumsum(np.bincount(plane, weights=bone.sum(axis=1)))
    middle = (upward >= PARS_ENDS_FRAC * upward[-1]) & (upward <= (1 - PARS_ENDS_FRAC) * upward[-1])
    return np.asarray(middle[plane])


def _joined(one: SampleRows, other: SampleRows) -> SampleRows:
    """One set of rows after the other."""
    places, radii = (np.concatenate(pair, axis=-1) for pair in zip(one.sphere[:2], other.sphere[:2], strict=True))
    return SampleRows(
        xyz=np.concatenate([one.xyz, other.xyz], axis=1),
        bone=np.concatenate([one.bone, other.bone]),
        sight=one.sight,
        first=np.concatenate([one.first, other.first[1:] + one.first[-1]]),
        sphere=Spheres(places, radii, one.sight, one.sphere.floor),
        plane=np.concatenate([one.plane, other.plane]),
        before_run=np.concatenate([one.before_run, other.before_run]),
        before_sum=np.concatenate([one.before_sum, other.before_sum]),
    )
