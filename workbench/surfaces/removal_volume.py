"""The bone that a plan takes, as a small volume for the page to paint and to cut away."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter

from canalwise.estimator.estimate.estimate import Estimate
from canalwise.estimator.outcome.course import Course, course_as_json, course_of
from canalwise.estimator.outcome.decompressed import DecompressedLevel
from canalwise.estimator.outcome.steps import STEP_NAMES
from canalwise.estimator.removal.bone_removal import Removal
from canalwise.estimator.resection.resection_level import Resection
from canalwise.estimator.resection.tunnels import tubes_of
from canalwise.recon.grid import Box, Float, Index3
from canalwise.workbench.surfaces.binary_frames import frame_bytes, index_of_level

SCHEMA = "canalwise.removal/2"

WHOLE = 255
"""A voxel all of whose bone goes."""

DEEP_MM = 2.0
"""Depths beyond the face of the cut are encoded up to here: 0 so far outside it, 127.5 on it, 255 so far within."""

ROUNDED = 0.6
"""Ridges between two passes of a round tool are smoothed over this many voxels (choice, for the eye)."""

LEAST_BONE = 0.05
"""A voxel with less bone is none that a cut has to spare."""

STEP_UNITS = 50
"""Units of `when` that one step lasts; what stays has the last value."""

Index = npt.NDArray[np.intp]
Bytes = npt.NDArray[np.uint8]


def removal_of_estimate(estimate: Estimate, found: DecompressedLevel | None = None) -> dict[str, Any]:
    """The header of the removals, and under 'binary' the frame of their volumes and of the bone about them.

    Of the resection (`found`), where there is one, how deep each voxel lies within what is taken, and when it goes.
    """
    level_bone, taken = estimate.prepared.level_bone, {"task": estimate.task.removal, "cone": estimate.cone.removal}
    shape = level_bone.grid.shape
    places = {name: np.stack(np.unravel_index(one.voxels, shape), axis=1) for name, one in taken.items()}
    resected = [] if found is None else [_touched(found.resection, shape)]
    box = box_about(np.concatenate([*places.values(), *resected]), shape)
    volumes = {name: _volume(one, places[name], box) for name, one in taken.items()}
    share = np.minimum(level_bone.bone_mm3[box] / level_bone.grid.voxel_mm3, 1.0)
    volumes["bone"] = np.rint(WHOLE * share).astype(np.uint8)
    header: dict[str, Any] = {
        "schema": SCHEMA,
        "level": estimate.level.name,
        "shape": [s.stop - s.start for s in box],
        "index_of_level": index_of_level(level_bone.grid, estimate.level.frame, [s.start for s in box]),
    }
    if found is not None:
        course = course_of(found.resection)
        volumes["taken"], volumes["when"] = taken_depth(found.resection, box), _when(found.resection, course, box)
        header["course"] = course_as_json(course, found.cost, estimate.approach.side)
    flat = {name: volume.ravel(order="F") for name, volume in volumes.items()}
    return header | {"binary": frame_bytes(header, flat)}


def box_about(places: Index, shape: Index3) -> Box:
    """The box that holds (N, 3) voxels, with a voxel round it, where there is one, so that what is drawn fades out.

    >>> box_about(np.array([[0, 3, 3], [2, 4, 8]]), (9, 9, 9))
    (slice(0, 4, None), slice(2, 6, None), slice(2, 9, None))
    """
    if not len(places):
        return slice(0, 0), slice(0, 0), slice(0, 0)
    low, high = np.maximum(places.min(axis=0) - 1, 0), np.minimum(places.max(axis=0) + 2, shape)
    i, j, k = (slice(int(start), int(stop)) for start, stop in zip(low, high, strict=True))
    return i, j, k


def _volume(taken: Removal, places: Index, box: Box) -> Bytes:
    out = np.zeros([s.stop - s.start for s in box], dtype=np.uint8)
    i, j, k = (places - [s.start for s in box]).T
    out[i, j, k] = np.rint(WHOLE * np.minimum(taken.share, 1.0))
    return out


def _touched(resection: Resection, shape: Index3) -> Index:
    """(N, 3) array: voxels that lose bone or tissue."""
    soft = resection.at.wanted.voxels[resection.taken_frac > 0]
    return np.stack(np.unravel_index(np.concatenate([resection.removal.voxels, soft]), shape), axis=1)


def taken_depth(resection: Resection, box: Box) -> Bytes:
    """(nx, ny, nz) array: depth within what is taken, so that its face is smooth between voxels.

    Along the tool's paths it is the distance to their round tubes; where tips bite, it is read from the shares of the
    voxels. Bone that must stay is never within.
    """
    edge = float(resection.at.level_bone.grid.voxel_mm3 ** (1 / 3))
    if not resection.at.level_bone.bone_mm3[box].size:
        return np.zeros(resection.at.level_bone.bone_mm3[box].shape, dtype=np.uint8)
    depth = np.maximum(_tube_depth_mm(resection, box), _bite_depth_mm(resection, box, edge))
    depth = gaussian_filter(np.clip(depth, -DEEP_MM, DEEP_MM), ROUNDED, mode="nearest")
    depth = np.where(_must_stay(resection, box), np.minimum(depth, -0.5 * edge), depth)
    return np.rint(127.5 * (1 + np.clip(depth / DEEP_MM, -1, 1))).astype(np.uint8)


def _must_stay(resection: Resection, box: Box) -> npt.NDArray[np.bool_]:
    level_bone = resection.at.level_bone
    stays = level_bone.bone_mm3 > LEAST_BONE * level_bone.grid.voxel_mm3
    stays.reshape(-1)[level_bone.takeable.voxels] = False
    stays.reshape(-1)[resection.removal.voxels] = False
    return np.asarray(stays[box])


def _bite_depth_mm(resection: Resection, box: Box, edge_mm: float) -> Float:
    """Depth read from the shares taken of bone and tissue, carried on into the empty space beside them."""
    level_bone, wanted = resection.at.level_bone, resection.at.wanted
    tissue = (level_bone.bone_mm3 / level_bone.grid.voxel_mm3).astype(np.float32)
    share = np.zeros_like(tissue)
    share.reshape(-1)[wanted.voxels] = resection.taken_frac
    flat = tissue.reshape(-1)
    flat[wanted.voxels] = np.maximum(flat[wanted.voxels], wanted.share)
    flat[resection.removal.voxels] = np.maximum(flat[resection.removal.voxels], 0.05)
    share.reshape(-1)[resection.removal.voxels] = np.maximum(
        share.reshape(-1)[resection.removal.voxels], resection.removal.share
    )
    weight = np.clip(tissue[box], 0.0, 1.0) + 1e-3
    mean = gaussian_filter(share[box] * weight, ROUNDED) / gaussian_filter(weight, ROUNDED)
    return np.asarray(2.0 * edge_mm * (mean - 0.5))


def _tube_depth_mm(resection: Resection, box: Box) -> Float:
    """(nx, ny, nz) array: depth within the nearest tube, no further than DEEP_MM outside it."""
    grid, frame = resection.at.level_bone.grid, resection.at.level.frame
    shape, first = tuple(s.stop - s.start for s in box), np.array([s.start for s in box])
    depth = np.full(shape, -DEEP_MM, dtype=np.float32)
    direction = tubes_of(
        resection.pivots_mm, resection.tips_mm, resection.window, resection.approach.channel, resection.at.rules
    )
    to_index = np.linalg.inv(grid.affine_ras_mm) @ frame.matrix_ras
    tool = ((a, b, direction.tool_radius_mm) for a, b in zip(direction.tool_from_mm, direction.tool_to_mm, strict=True))
    scope = (
        (a, b, direction.scope_radius_mm) for a, b in zip(direction.scope_from_mm, direction.scope_to_mm, strict=True)
    )
    for start, end, radius in [*tool, *(s for s in scope if np.linalg.norm(s[1] - s[0]) > 1e-3)]:
        ends = (np.stack([start, end]) @ to_index[:3, :3].T + to_index[:3, 3]) - first
        margin = (radius + DEEP_MM) * np.linalg.norm(to_index[:3, :3], axis=1)
        low = np.maximum(np.floor(ends.min(axis=0) - margin), 0).astype(int)
        high = np.minimum(np.ceil(ends.max(axis=0) + margin) + 1, shape).astype(int)
        if (high <= low).any():
            continue
        part = tuple(slice(a, b) for a, b in zip(low, high, strict=True))
        index = np.stack(np.meshgrid(*(np.arange(a, b) for a, b in zip(low, high, strict=True)), indexing="ij"), -1)
        place = frame.to_level_mm(grid.world_mm(index.reshape(-1, 3) + first))
        depth[part] = np.maximum(depth[part], (radius - _from_piece_mm(place, start, end)).reshape(index.shape[:3]))
    return depth


def _from_piece_mm(places_mm: Float, start_mm: Float, end_mm: Float) -> Float:
    """(N,) array: distance from the straight piece between two points."""
    direction, off = end_mm - start_mm, places_mm - start_mm
    along = np.clip(off @ direction / max(float(direction @ direction), 1e-12), 0.0, 1.0)
    return np.asarray(np.linalg.norm(off - along[:, None] * direction, axis=1))


def _when(resection: Resection, course: Course, box: Box) -> Bytes:
    """(nx, ny, nz) array: when a voxel goes, STEP_UNITS a step, carried on beside what goes so that cuts are smooth."""
    level_bone, wanted = resection.at.level_bone, resection.at.wanted
    at = np.zeros(level_bone.grid.shape, dtype=np.float32)
    weight = np.zeros_like(at)
    soft = resection.taken_frac > 0
    for voxels, times, how in (
        (wanted.voxels[soft], course.taken_at[soft], resection.taken_frac[soft]),
        (resection.removal.voxels, course.removed_at, resection.removal.share),
    ):
        at.reshape(-1)[voxels] = times
        weight.reshape(-1)[voxels] = np.maximum(how, 0.01)
    at, weight = at[box], weight[box]
    if not at.size:
        return at.astype(np.uint8)
    total = 1e-9 + gaussian_filter(weight, 1.5, truncate=3.0)
    spread = gaussian_filter(at * weight, 1.5, truncate=3.0) / total
    when = np.where(weight > 0, 0.5 * at + 0.5 * spread, spread)
    known = total > 1e-6
    return np.where(known, np.rint(STEP_UNITS * np.clip(when, 0, len(STEP_NAMES))), WHOLE).astype(np.uint8)
