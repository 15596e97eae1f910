"""The bone that a plan takes, as a small volume for the page to paint and to cut away."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from estimator.approach import Approach
from estimator.estimate import Estimate
from estimator.removal import Removal
from recon.grid import Box
from workbench.rehearsal.asks import Ask, Job, Json
from workbench.rehearsal.desk import Desk
from workbench.rehearsal.frames import frame_bytes
from workbench.rehearsal.scan_frame import index_of_level

SCHEMA = "canalwise.removal/1"

WHOLE = 255
"""A voxel all of whose bone goes."""

Index = npt.NDArray[np.intp]


@dataclass(frozen=True)
class RemovalAsked:
    """A plan and what it is to touch."""

    plan: Approach
    task: tuple[str, ...]


def removal(desk: Desk, message: RemovalAsked, job: Job) -> Json:
    """The header, and the frame that holds it, both volumes and the bone that stands in their box."""
    del job
    return removal_of_estimate(desk.exact(message.plan, message.task))


def removal_of_estimate(estimate: Estimate) -> Json:
    """What `removal` answers, of an estimate at hand."""
    bench, taken = estimate.prepared.bench, {"task": estimate.task.removal, "cone": estimate.cone.removal}
    places = {name: np.stack(np.unravel_index(one.voxels, bench.grid.shape), axis=1) for name, one in taken.items()}
    box = _box_of(np.concatenate(list(places.values())))
    volumes = {name: _volume(one, places[name], box) for name, one in taken.items()}
    header = {
        "schema": SCHEMA,
        "level": estimate.level.name,
        "shape": [s.stop - s.start for s in box],
        "index_of_level": index_of_level(bench.grid, estimate.level.frame, [s.start for s in box]),
    }
    share = np.minimum(bench.bone_mm3[box] / bench.grid.voxel_mm3, 1.0)
    volumes["bone"] = np.rint(WHOLE * share).astype(np.uint8)
    flat = {name: volume.ravel(order="F") for name, volume in volumes.items()}
    return header | {"binary": frame_bytes(header, flat)}


def _box_of(places: Index) -> Box:
    """The box that holds (N, 3) voxels, with a voxel round it so that what is drawn fades to nothing."""
    if not len(places):
        return slice(0, 0), slice(0, 0), slice(0, 0)
    i, j, k = (slice(int(low) - 1, int(high) + 2) for low, high in zip(places.min(0), places.max(0), strict=True))
    return i, j, k


def _volume(taken: Removal, places: Index, box: Box) -> npt.NDArray[np.uint8]:
    out = np.zeros([s.stop - s.start for s in box], dtype=np.uint8)
    i, j, k = (places - [s.start for s in box]).T
    out[i, j, k] = np.rint(WHOLE * np.minimum(taken.share, 1.0))
    return out


ASKS = {"removal": Ask(RemovalAsked, removal, newest_only=True)}
