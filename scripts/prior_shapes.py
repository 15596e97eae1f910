#!/usr/bin/env python3
"""Turn a folder of vertebra surfaces into the shape that `scripts/train_prior.py` paints its images from.

    .venv/bin/python scripts/prior_shapes.py MESH_FOLDER --out FOLDER/mean.npz

The surfaces give the bones; canal and parts are found by the build, and the discs are what lies between two bodies
inside their common hull. The highest vertebra is copied upward with its disc, each copy placed as it lies on the one
below and a little smaller, and a first sacral body with its joint processes is set below the lowest. Written: codes,
affine (RAS mm), and the origin and axes of each vertebra, cranial to caudal, the sacrum last.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
import numpy.typing as npt
from prior_codes import AIR, ALL_BONE, CANAL, DISC, MAP_MM, ROOT, SAC, SACRUM, SOFT, SUPERIOR, Codes, codes_of
from prior_surroundings import Scene, chain, widened
from scipy.spatial import Delaunay

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from canalwise.phantoms.anatomy.spine import spine_of
from canalwise.phantoms.imaging.mesh_scans import bones_only, mesh_scan, read_meshes
from canalwise.phantoms.solid.pose import Pose
from canalwise.phantoms.solid.signed_distance import RoundedBox
from canalwise.phantoms.spec import SpineSpec
from canalwise.recon.case.anatomy_builder import anatomy_of
from canalwise.recon.grid import Grid
from canalwise.recon.intake.label_maps import GivenLabels
from canalwise.recon.labels import Labels, Part, label_of, vertebra_number, vertebrae_in
from canalwise.recon.scan import Scan

FACING_MM = 8.4
"""Depth of body behind an end plate that spans the disc's hull."""

HULL_POINTS = 3000

COPIES, SHRINK = 3, 0.97
"""Vertebrae added on top, and the size of each beside the one below."""

ROOM_MM = ((34.0, 34.0), (44.0, 66.0), (112.0, 112.0))
"""What is added to the surfaces' own map to the right and left, behind and in front, below and above."""


SKIN_SLOPE = 0.5
"""How far the skin goes backward for each mm below the lowest vertebra, where the sacrum stands out."""


@dataclass(frozen=True, eq=False)
class Shape:
    """Codes of a spine on a grid, and the frames of its vertebrae, the sacrum last."""

    codes: Codes
    grid: Grid
    poses: list[Pose]


def with_discs(labels: Labels) -> Labels:
    """The label map with a disc below every body but the last."""
    out = labels.copy()
    for upper, lower in pairwise(vertebrae_in(labels)):
        bodies = [np.argwhere(labels == label_of(name, Part.BODY)).astype(float) for name in (upper, lower)]
        axis = bodies[0].mean(axis=0) - bodies[1].mean(axis=0)
        axis /= np.linalg.norm(axis)
        middle = (np.percentile(bodies[0] @ axis, 3) + np.percentile(bodies[1] @ axis, 97)) / 2
        facing = np.concatenate([body[np.abs(body @ axis - middle) < FACING_MM / MAP_MM] for body in bodies])
        chosen = np.random.default_rng(0).choice(len(facing), min(HULL_POINTS, len(facing)), replace=False)
        low, high = facing.min(axis=0).astype(int), facing.max(axis=0).astype(int) + 2
        box = tuple(slice(a, b) for a, b in zip(low, high, strict=True))
        places = np.moveaxis(np.indices(high - low), 0, -1) + low
        inside = Delaunay(facing[chosen]).find_simplex(places.reshape(-1, 3)).reshape(places.shape[:3]) >= 0
        soft = (out[box] < 100) & ~np.isin(out[box], (1, 2, 3))
        out[box][inside & soft] = label_of(upper, Part.DISC)
    return out


def body_pose(labels: Labels, grid: Grid, name: str) -> Pose:
    """Frame of a vertebra whose axes are nearly those of RAS: dorsal wall of the body at mid-height."""
    points = grid.world_mm(np.argwhere(labels == label_of(name, Part.BODY)))
    middle = points.mean(axis=0)
    column = np.linalg.norm(points[:, :2] - middle[:2], axis=1) < 13.0
    cells, inverse = np.unique(np.rint(points[column, :2]), axis=0, return_inverse=True)
    normals = []
    for sign in (1.0, -1.0):
        edge = np.full(len(cells), -np.inf)
        np.maximum.at(edge, inverse.ravel(), sign * points[column, 2])
        slope = np.linalg.lstsq(np.c_[cells, np.ones(len(cells))], sign * edge, rcond=None)[0]
        normals.append([0.0, -slope[1], 1.0])
    up = np.sum([np.array(n) / np.linalg.norm(n) for n in normals], axis=0)
    up /= np.linalg.norm(up)
    left = np.array([-1.0, 0.0, 0.0])
    dorsal = np.cross(up, left)
    core = np.abs((points - middle) @ left) < 6.0
    wall = float(np.percentile((points[core] - middle) @ dorsal, 96))
    return Pose(middle + wall * dorsal, np.stack([left, dorsal, up]))


def copied(
    shape: Shape,
    source: Labels,
    source_grid: Grid,
    name: str,
    scale: float,
    to: Pose,
    of: Pose,
    keep: npt.NDArray[np.uint8],
) -> None:
    """Paint one vertebra's part of a label map, moved from one frame to another, where nothing lies yet (in place)."""
    own = source // 100 == vertebra_number(name)
    codes = np.where(own | np.isin(source, (1, 2, 3)), codes_of(source), SOFT).astype(np.uint8)
    reach = 45.0
    box = shape.grid.box_around(to.origin_ras_mm[None], margin_mm=reach + 25.0)
    places = np.argwhere(np.ones(shape.codes[box].shape, dtype=bool))
    local = to.to_local_mm(shape.grid.cropped(box).world_mm(places)) / scale
    index = np.rint(source_grid.index_of(of.to_world_mm(local))).astype(int)
    inside = ((index >= 0) & (index < source.shape)).all(axis=1)
    found = np.full(len(places), SOFT, dtype=np.uint8)
    found[inside] = codes[tuple(index[inside].T)]
    bony, tube = np.isin(found, (*ALL_BONE, DISC)), np.isin(found, (CANAL, SAC, ROOT)) & (np.abs(local[:, 2]) < 26.0)
    part = shape.codes[box]
    at = tuple(places.T)
    wanted = (bony | tube) & np.isin(found, keep)
    free = (part[at] == SOFT) | (bony & np.isin(part[at], (CANAL, SAC)))
    chosen = wanted & free
    part[tuple(places[chosen].T)] = found[chosen]


def relative(upper: Pose, lower: Pose) -> Pose:
    """The upper frame as seen from the lower one."""
    return Pose(lower.to_local_mm(upper.origin_ras_mm), upper.axes_ras @ lower.axes_ras.T)


def onward(start: Pose, step: Pose, scale: float = 1.0) -> Pose:
    """The frame that lies to another as `step` says."""
    return Pose(start.to_world_mm(scale * step.origin_ras_mm), step.axes_ras @ start.axes_ras)


def extended(labels: Labels, grid: Grid) -> Shape:
    """The spine with vertebrae on top and the first sacral body below."""
    names = vertebrae_in(labels)
    poses = [body_pose(labels, grid, name) for name in names]
    codes, wide = widened(codes_of(labels), grid, ROOM_MM)
    _skin(codes, wide, poses[-1])
    shape = Shape(codes, wide, poses)
    everything = np.arange(256, dtype=np.uint8)
    top, step, scale = poses[0], relative(poses[0], poses[1]), 1.0
    for _ in range(COPIES):
        scale *= SHRINK
        top = onward(top, step, scale)
        copied(shape, labels, grid, names[0], scale, top, body_pose(labels, grid, names[0]), everything)
        poses.insert(0, top)
    _sacrum_begun(shape, labels, grid, names)
    return shape


def _skin(codes: Codes, grid: Grid, lowest: Pose) -> None:
    """Prolong the flat skin behind the surfaces, and lead it backward below their lowest vertebra (in place)."""
    front = int(np.argwhere(codes == AIR)[:, 1].max())
    height = np.arange(codes.shape[2])
    start = float(grid.index_of(lowest.origin_ras_mm)[2])
    air = front - np.maximum(start - height, 0.0) * SKIN_SLOPE
    behind = np.arange(codes.shape[1])[:, None] <= air[None, :]
    codes[:, behind] = AIR


def _sacrum_begun(shape: Shape, labels: Labels, grid: Grid, names: tuple[str, ...]) -> None:
    """Set the first sacral body, the disc above it and its joint processes below the lowest vertebra (in place)."""
    model = spine_of(SpineSpec())
    last, before = body_pose(labels, grid, names[-1]), body_pose(labels, grid, names[-2])
    sacral = onward(last, relative(model.poses["S1"], model.poses["L5"]))
    next_ = onward(last, relative(last, before))
    copied(shape, labels, grid, names[-1], 1.0, next_, last, np.array([SUPERIOR], dtype=np.uint8))
    scene = Scene(shape.codes, shape.grid, shape.poses, sacral, 0, np.random.default_rng(0))
    scene.paint(
        RoundedBox(np.array([0.0, -16.0, 0.0]), np.eye(3), np.array([23.0, 16.0, 13.0]), 4.0).placed(sacral), SACRUM
    )
    ends = [last.to_world_mm([0.0, 8.5, z]) for z in (4.0, -16.0)] + [
        sacral.to_world_mm([0.0, 8.5, z]) for z in (6.0, -16.0)
    ]
    for one in chain(ends, [7.0] * 4):
        scene.paint(one, CANAL)
    for one in chain(ends, [5.0] * 4):
        scene.paint(one, SAC, (CANAL,))
    between = Pose((last.origin_ras_mm + sacral.origin_ras_mm) / 2, (last.axes_ras + sacral.axes_ras) / 2)
    scene.paint(
        RoundedBox(np.array([0.0, -16.0, 0.0]), np.eye(3), np.array([21.0, 15.0, 8.0]), 4.0).placed(between), DISC
    )
    for sign in (1.0, -1.0):
        seat = next_.to_world_mm([sign * 20.0, 8.0, 2.0])
        for one in chain([seat, sacral.to_world_mm([sign * 22.0, -3.0, 2.0])], [6.0, 9.0]):
            scene.paint(one, SACRUM)
    shape.poses.append(sacral)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=str(__doc__).splitlines()[0])
    parser.add_argument("meshes", type=Path, metavar="MESH_FOLDER")
    parser.add_argument("--out", type=Path, required=True, metavar="FILE")
    options = parser.parse_args()
    scan = mesh_scan(read_meshes(options.meshes), MAP_MM)
    given = GivenLabels(bones_only(scan.labels), frozenset({"vertebrae"}))
    labels = with_discs(anatomy_of(Scan(scan.ct_hu, scan.grid, "CT"), given=given).labels)
    shape = extended(labels, scan.grid)
    options.out.parent.mkdir(parents=True, exist_ok=True)
    np.savez_compressed(
        options.out,
        codes=shape.codes,
        affine=shape.grid.affine_ras_mm,
        origins=np.array([pose.origin_ras_mm for pose in shape.poses]),
        axes=np.array([pose.axes_ras for pose in shape.poses]),
    )


if __name__ == "__main__":
    main()
