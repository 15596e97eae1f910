"""Data of the report's interactive scene: a level and a plan, packed small enough to lie in the page.

The viewer (`workbench/page/src/viewer.ts`) reads one binary frame (`workbench.surfaces.binary_frames`), compressed and
base64: the meshes of the rehearsal page with the bone made lighter and its points in 16 bits, and the removal.
"""

from __future__ import annotations

import gzip
from base64 import b64encode
from dataclasses import asdict
from typing import Any

import numpy as np
import numpy.typing as npt

from canalwise.estimator.estimate.estimate import Estimate
from canalwise.estimator.outcome.decompressed import DecompressedLevel
from canalwise.recon.grid import Float
from canalwise.workbench.surfaces.binary_frames import frame_bytes, frame_of
from canalwise.workbench.surfaces.removal_volume import removal_of_estimate
from canalwise.workbench.surfaces.surface_frame import level_scene

BONE_TRIANGLES = 90_000
"""Of the bone in a report: a file of about a megabyte that still shows a facet gap (choice)."""

STEPS = 2**16 - 1
"""A packed coordinate is one of so many steps along its mesh's longest side: about 2 micrometres."""

Array = npt.NDArray[Any]


def viewer_data(estimate: Estimate, found: DecompressedLevel | None = None) -> str:
    """The frame, compressed, as base64; the same estimate gives the same text."""
    header, arrays = frame_of(level_scene(estimate.anatomy, estimate.level, BONE_TRIANGLES))
    removal_header, removal = frame_of(removal_of_estimate(estimate, found)["binary"])
    # a bone of this size needs no lighter one to be turned with
    meshes = [name for name in header["meshes"] if name != "bone_proxy"]
    arrays = {name: array for name, array in arrays.items() if name.partition(".")[0] in meshes}
    packed = {}
    for name in meshes:
        arrays[f"{name}.points"], packed[name] = packed_points(arrays[f"{name}.points"])
    reported = {
        "meshes": meshes,
        "plan": asdict(estimate.approach),
        "packed": packed,
        "removal": {key: removal_header[key] for key in ("shape", "index_of_level")} if _any_taken(removal) else None,
    }
    volumes = {f"removal.{name}": volume for name, volume in removal.items()}
    frame = frame_bytes({k: v for k, v in header.items() if k != "arrays"} | reported, arrays | volumes)
    # no time of making in it: the same report, the same bytes
    return b64encode(gzip.compress(frame, compresslevel=9, mtime=0)).decode()


def _any_taken(removal: dict[str, Array]) -> bool:
    return any(volume.size for volume in removal.values())


def packed_points(points_mm: Float) -> tuple[npt.NDArray[np.uint16], dict[str, Any]]:
    """(N, 3) whole steps, and the scale and offset that give them back: steps * scale + offset.

    >>> steps, reported = packed_points(np.array([[-1.0, 0.0, 2.0], [9.0, 0.0, 2.0]]))
    >>> (steps * reported["scale"] + reported["offset"]).round(9).tolist()
    [[-1.0, 0.0, 2.0], [9.0, 0.0, 2.0]]
    """
    low = points_mm.min(axis=0).astype(float)
    scale = float(np.max(points_mm.max(axis=0) - low)) / STEPS or 1.0
    steps = np.rint((points_mm - low) / scale).astype(np.uint16)
    return steps, {"scale": scale, "offset": low.tolist()}
