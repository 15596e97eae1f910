"""The bone that a plan takes, as a small volume for the page to paint and to cut away."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from canalwise.estimator.estimate.estimate import Estimate
from canalwise.estimator.removal.bone_removal import Removal
from canalwise.recon.grid import Box, Index3
from canalwise.workbench.surfaces.binary_frames import frame_bytes, index_of_level

SCHEMA = "canalwise.removal/1"

WHOLE = 255
"""A voxel all of whose bone goes."""

Index = npt.NDArray[np.intp]


def removal_of_estimate(estimate: Estimate) -> dict[str, Any]:
    """The header of both removals, and under 'binary' the frame of their volumes and of the bone about them."""
    level_bone, taken = estimate.prepared.level_bone, {"task": estimate.task.removal, "cone": estimate.cone.removal}
    places = {
        name: np.stack(np.unravel_index(one.voxels, level_bone.grid.shape), axis=1) for name, one in taken.items()
    }
    box = box_about(np.concatenate(list(places.values())), level_bone.grid.shape)
    volumes = {name: _volume(one, places[name], box) for name, one in taken.items()}
    header = {
        "schema": SCHEMA,
        "level": estimate.level.name,
        "shape": [s.stop - s.start for s in box],
        "index_of_level": index_of_level(level_bone.grid, estimate.level.frame, [s.start for s in box]),
    }
    share = np.minimum(level_bone.bone_mm3[box] / level_bone.grid.voxel_mm3, 1.0)
    volumes["bone"] = np.rint(WHOLE * share).astype(np.uint8)
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


def _volume(taken: Removal, places: Index, box: Box) -> npt.NDArray[np.uint8]:
    out = np.zeros([s.stop - s.start for s in box], dtype=np.uint8)
    i, j, k = (places - [s.start for s in box]).T
    out[i, j, k] = np.rint(WHOLE * np.minimum(taken.share, 1.0))
    return out
