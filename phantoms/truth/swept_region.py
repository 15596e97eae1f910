"""The region an approach sweeps and what may be taken in it, from plain geometry.

Written from the description of the `geometry` record alone (pivot, axis, half-angle,
radii, depths, keep-out), independent of any other code that computes the same.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import edt
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.phantoms.anatomy.spine_model import Spine
from canalwise.phantoms.solid.point_batch import Box, batch_of, box_around
from canalwise.phantoms.solid.quadrature import BLOCK_CELLS
from canalwise.recon.grid import Float, Grid, isotropic_grid
from canalwise.recon.labels import Part, Tissue

SAC_STEP_MM = 0.3
"""Lattice of the sac from which distances to it are taken; they are known to about a third of this."""

SIGHT_STEP_MM = 0.4
"""Step of the samples along a line of sight."""

SAC_MARGIN_MM = 12.0
BIG_MM = 1e3
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class SweptPhase:
    """One phase of the record: a cone grown by the sleeve's radius, united with one grown by the tool's."""

    pivot_mm: Float
    axis: Float
    half_angle_rad: float
    sleeve_radius_mm: float
    sleeve_depth_mm: float
    tool_radius_mm: float
    tip_depth_mm: float

    def contains(self, points_mm: Float) -> Mask:
        """(N,) array: in the swept region?"""
        offset = points_mm - self.pivot_mm
        sleeve = cone_distance_mm(offset, self.axis, self.half_angle_rad, self.sleeve_depth_mm) <= self.sleeve_radius_mm
        tool = cone_distance_mm(offset, self.axis, self.half_angle_rad, self.tip_depth_mm) <= self.tool_radius_mm
        inside: Mask = sleeve | tool
        return inside

    def box_mm(self) -> Box:
        """A world box around the swept region."""
        depth = max(self.sleeve_depth_mm, self.tip_depth_mm)
        rim = depth * np.tan(self.half_angle_rad)
        end = self.pivot_mm + depth * self.axis
        across = rim * np.sqrt(np.clip(1.0 - self.axis**2, 0.0, 1.0))
        return box_around([self.pivot_mm, end - across, end + across], max(self.sleeve_radius_mm, self.tool_radius_mm))


@dataclass(frozen=True, eq=False)
class TaskLines:
    """Region swept by an instrument on the straight lines from one pivot to the targets touched from it.

    The scope's width as far as `working_distance_mm` short of each of the (N, 3) targets, the tool's from there on.
    """

    pivot_mm: Float
    targets_mm: Float
    scope_radius_mm: float
    tool_radius_mm: float
    working_distance_mm: float

    def contains(self, points_mm: Float) -> Mask:
        """(N,) array: on the line to some target?"""
        inside = np.zeros(len(points_mm), dtype=bool)
        for target in self.targets_mm:
            direction = target - self.pivot_mm
            length = float(np.linalg.norm(direction))
            tip = self.pivot_mm + direction * max(1.0 - self.working_distance_mm / length, 0.0)
            remaining = np.flatnonzero(~inside)
            scope_mm = _segment_distance_mm(points_mm[remaining], self.pivot_mm, tip)
            tool_mm = _segment_distance_mm(points_mm[remaining], tip, target)
            inside[remaining] = (scope_mm <= self.scope_radius_mm) | (tool_mm <= self.tool_radius_mm)
        return inside

    def box_mm(self) -> Box:
        """A world box around all lines."""
        return box_around([self.pivot_mm, *self.targets_mm], max(self.scope_radius_mm, self.tool_radius_mm))


def _segment_distance_mm(points_mm: Float, start_mm: Float, end_mm: Float) -> Float:
    """(N,) array: distance of points to a straight piece."""
    direction, offset = end_mm - start_mm, points_mm - start_mm
    share = np.clip(offset @ direction / max(float(direction @ direction), 1e-12), 0.0, 1.0)
    return np.asarray(np.linalg.norm(offset - share[:, None] * direction, axis=1))


def task_lines_of(geometry: Mapping[str, Any]) -> tuple[TaskLines, ...]:
    """The instrument lines of a geometry record's task, one set for each pivot with targets touched from it."""
    tool_mm = geometry["phases"][0]["tool_radius_mm"]
    return tuple(
        TaskLines(
            np.array(path["pivot_ras_mm"], dtype=float),
            np.array(path["targets_ras_mm"], dtype=float),
            geometry["scope_radius_mm"],
            tool_mm,
            geometry["working_distance_mm"],
        )
        for path in geometry["task_paths"]
        if len(path["targets_ras_mm"])
    )


def cone_distance_mm(offset_mm: Float, axis: Float, half_angle_rad: float, depth_mm: float) -> Float:
    """(N,) array: distance from a solid cone (apex at 0, flat base at `depth_mm` along the unit axis), 0 inside.

    >>> cone_distance_mm(np.array([[0.0, 0, 12], [0, 0, -3], [0, 0, 5]]), np.array([0.0, 0, 1]), 0.1, 10.0).tolist()
    [2.0, 3.0, 0.0]
    """
    along = offset_mm @ axis
    across = np.linalg.norm(offset_mm - np.outer(along, axis), axis=1)
    rim = depth_mm * np.tan(half_angle_rad)
    # in the half-plane (along, across) the cone is a triangle: apex, base centre, rim
    share = np.clip((along * depth_mm + across * rim) / max(depth_mm**2 + rim**2, 1e-12), 0.0, 1.0)
    to_flank = np.hypot(along - share * depth_mm, across - share * rim)
    to_base = np.hypot(along - depth_mm, across - np.clip(across, 0.0, rim))
    inside = (along >= 0) & (along <= depth_mm) & (across <= along * np.tan(half_angle_rad))
    return np.where(inside, 0.0, np.minimum(to_flank, to_base))


def phases_of(geometry: Mapping[str, Any]) -> tuple[SweptPhase, ...]:
    """The phases of a geometry record (docs/files.md#geometry)."""
    return tuple(
        SweptPhase(
            np.array(p["pivot_ras_mm"], dtype=float),
            np.array(p["axis_ras"], dtype=float) / np.linalg.norm(p["axis_ras"]),
            float(np.radians(p["sweep_deg"])),
            p["sleeve_radius_mm"],
            p["sleeve_depth_mm"],
            p["tool_radius_mm"],
            p["tip_depth_mm"],
        )
        for p in geometry["phases"]
    )


def protected_parts(names: Sequence[str]) -> tuple[int, ...]:
    """Part numbers named by a record, such as 'body' or 'pedicle_left'; a name without its side means both.

    >>> protected_parts(["body", "pedicle"])
    (1, 2, 3)
    """
    wanted = [name.lower().replace(" ", "_") for name in names]
    return tuple(
        int(part) for part in Part if part.name.lower() in wanted or part.name.lower().rsplit("_", 1)[0] in wanted
    )


@dataclass(frozen=True, eq=False)
class TrueKeepOut:
    """Distances to the sac less its allowed retraction, on a lattice."""

    grid: Grid
    distance_mm: npt.NDArray[np.float32]

    def at(self, points_mm: Float) -> Float:
        """(N,) array: distance of points to the retracted sac; BIG_MM far from it."""
        index = self.grid.index_of(points_mm).T
        return ndimage.map_coordinates(self.distance_mm, index, order=1, mode="constant", cval=BIG_MM)

    def clears(self, pivot_mm: Float, points_mm: Float, margin_mm: float, short_of_mm: float = 0.0) -> Mask:
        """(N,) array: does the segment from the pivot, ending short of each point, stay `margin_mm` away or more?"""
        offset = points_mm - pivot_mm
        length = np.linalg.norm(offset, axis=1)
        end = np.maximum(length - short_of_mm, 0.0)
        first = max(float(end.min()) - _reach_mm(self.grid), 0.0)
        least = self.at(pivot_mm + offset * (end / np.maximum(length, 1e-9))[:, None])
        for depth in np.arange(first, float(end.max()), SIGHT_STEP_MM):
            share = np.minimum(depth, end) / np.maximum(length, 1e-9)
            least = np.minimum(least, self.at(pivot_mm + offset * share[:, None]))
        clear: Mask = least >= margin_mm
        return clear


def _reach_mm(grid: Grid) -> float:
    """Diagonal of a grid: farther back than this along a ray from a point within, nothing is near."""
    return float(np.linalg.norm(grid.spacing_mm * np.array(grid.shape)))


def is_sac(spine: Spine, points_mm: Float) -> Mask:
    """(N,) array: dural sac?"""
    sac = np.zeros(len(points_mm), dtype=bool)
    wall = spine.canal.walls_mm(batch_of(points_mm))[1]
    inside = wall < 0
    if inside.any():
        sac[inside] = spine.canal.contents(points_mm[inside], wall[inside]) == Tissue.SAC
    return sac


def keep_out(spine: Spine, box: Box, retraction_mm: float) -> TrueKeepOut:
    """The sac near a box, eroded by the allowed retraction."""
    grid = isotropic_grid(box[0] - SAC_MARGIN_MM, box[1] + SAC_MARGIN_MM, SAC_STEP_MM)
    sac = np.zeros(grid.shape, dtype=bool)
    steps = BLOCK_CELLS * 3
    for i in range(0, grid.shape[0], steps):
        for j in range(0, grid.shape[1], steps):
            for k in range(0, grid.shape[2], steps):
                block = (
                    slice(i, min(i + steps, grid.shape[0])),
                    slice(j, min(j + steps, grid.shape[1])),
                    slice(k, min(k + steps, grid.shape[2])),
                )
                part = grid.cropped(block)
                sac[block] = is_sac(spine, part.voxel_centres_mm().reshape(-1, 3)).reshape(part.shape)
    # a lattice point's distance to the other class is half a step more than to the border
    inside = edt.edt(sac, anisotropy=(SAC_STEP_MM,) * 3) - SAC_STEP_MM / 2
    kept = sac & (inside >= retraction_mm)
    outside = (
        edt.edt(~kept, anisotropy=(SAC_STEP_MM,) * 3) if kept.any() else np.full(grid.shape, BIG_MM, dtype=np.float32)
    )
    return TrueKeepOut(grid, np.maximum(outside - SAC_STEP_MM / 2, 0.0).astype(np.float32))
