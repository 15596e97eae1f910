"""The interlaminar window: what parallel dorsal rays really see open into the canal."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from scipy import ndimage

from canalwise.recon.anatomy import Window
from canalwise.recon.grid import Float
from canalwise.recon.image.sampling import linear_box
from canalwise.recon.labels import SIDES, Mask, Side
from canalwise.recon.level.landmarks import mean_mm
from canalwise.recon.level.resampled_level import Float32, ResampledLevel

RAY_MM = 0.4
"""Distance between rays, and between the samples along one."""

FINE = 4
"""Each ray's openness is interpolated this many times finer before the border is drawn: 0.1 mm."""

HALF_WIDTH_MM, HALF_HEIGHT_MM, DORSAL_MM, VENTRAL_MM = 25.0, 28.0, 50.0, 14.0
"""Reach of the ray field about the middle of both lamina edges: lateral, along the opening, and along the rays."""

STEEPEST_DEG = 30.0
"""The view leans no further from straight dorsal. Where laminae lie like shingles, the upper edge dorsal of the lower
at one height, the line that joins them runs along the rays and no longer tells the opening's plane (choice)."""

SMALLEST_MM2 = 1.0
"""An opening below this is a slit between voxels, not a window."""


def windows_of(view: ResampledLevel, landmarks_ras_mm: Mapping[str, Float]) -> dict[Side, Window]:
    """side -> window, for each side that is open; empty when the lamina edges are not in view.

    A ray sees the canal when it meets the canal region (0.5 of its share) before it has met bone (0.5 of
    any vertebra). Left is x > 0. A side's window is its largest open piece among those that reach between this
    level's lamina edges: openings of other levels and stray slits do not count.

    Parameters
    ----------
    landmarks_ras_mm : name -> (3,) array, as `landmarks_of` finds them
    """
    upper = mean_mm(landmarks_ras_mm, "upper_lamina_caudal_edge")
    lower = mean_mm(landmarks_ras_mm, "lower_lamina_cranial_edge")
    if upper is None or lower is None:
        return {}
    edges = view.frame.to_level_mm(np.stack([upper, lower]))
    rays = _ParallelRays(edges)
    openness, depth = _dorsal_view(view, rays)
    fine = ndimage.zoom(openness, FINE, order=1, grid_mode=True, mode="nearest")
    lateral = _fine_mm(fine.shape[0], HALF_WIDTH_MM)
    found = {
        side: _window(view, rays, side, _piece(fine >= 0.5, (lateral > 0) == (side == "left"), rays), depth)
        for side in SIDES
    }
    return {side: window for side, window in found.items() if window is not None}


class _ParallelRays:
    """A field of parallel rays: `normal` dorsal, `along` cranial in the opening's plane, both with x = 0."""

    def __init__(self, edges_mm: Float) -> None:
        line = (edges_mm[0] - edges_mm[1]) * [0, 1, 1]
        self.edge_half_mm = float(np.linalg.norm(line)) / 2
        lean = np.clip(np.arctan2(line[1], line[2]), -np.radians(STEEPEST_DEG), np.radians(STEEPEST_DEG))
        self.along = np.array([0.0, np.sin(lean), np.cos(lean)])
        self.normal = np.array([0.0, self.along[2], -self.along[1]])
        self.middle_mm = edges_mm.mean(axis=0) * [0, 1, 1]

    def point_mm(self, lateral_mm: float, along_mm: float, dorsal_mm: float) -> Float:
        """(3,) level mm of a point of the field."""
        return self.middle_mm + np.array([lateral_mm, 0, 0]) + along_mm * self.along + dorsal_mm * self.normal


def _dorsal_view(view: ResampledLevel, rays: _ParallelRays) -> tuple[Float32, Float]:
    """How open each ray is, 0..1 with 0.5 the border, and where (mm dorsal of the middle) it enters the canal region.

    Both arrays run over (lateral, along); the entry is not a number where a ray misses the region.
    """
    reach = 2 * HALF_WIDTH_MM, 2 * HALF_HEIGHT_MM, DORSAL_MM + VENTRAL_MM
    count = (round(reach[0] / RAY_MM) + 1, round(reach[1] / RAY_MM) + 1, round(reach[2] / RAY_MM) + 1)
    axes = np.column_stack([[1.0, 0, 0], rays.along, -rays.normal])
    matrix = axes * RAY_MM / view.step_mm
    offset = view.index_of(rays.point_mm(-HALF_WIDTH_MM, -HALF_HEIGHT_MM, DORSAL_MM))
    bone, canal = (linear_box(field, matrix, offset, count) for field in (view.bone, view.canal))
    hit = canal >= 0.5
    enters = np.where(hit.any(axis=2), hit.argmax(axis=2), count[2] - 1)
    worst = np.take_along_axis(np.maximum.accumulate(bone, axis=2), enters[..., None], 2)[..., 0]
    openness = np.minimum(canal.max(axis=2), 1 - worst)
    return openness, np.where(hit.any(axis=2), DORSAL_MM - enters * RAY_MM, np.nan)


def _piece(open_: Mask, own: Mask, rays: _ParallelRays) -> Mask:
    """The largest open piece of one side (rows `own`) that reaches between the lamina edges of this level."""
    labelled, count = ndimage.label(open_ & own[:, None])
    pieces = np.asarray(labelled)
    sizes = np.bincount(pieces.ravel(), minlength=count + 1)
    along = _fine_mm(open_.shape[1], HALF_HEIGHT_MM)
    between = np.unique(pieces[:, np.abs(along) <= rays.edge_half_mm])
    between = between[between > 0]
    return pieces == between[np.argmax(sizes[between])] if len(between) else np.zeros_like(open_)


def _fine_mm(count: int, half_mm: float) -> Float:
    """(count,) positions of the fine samples along one axis of the ray field."""
    step = RAY_MM / FINE
    return np.asarray(-half_mm - RAY_MM / 2 + (np.arange(count) + 0.5) * step, dtype=float)


def _window(view: ResampledLevel, rays: _ParallelRays, side: Side, half: Mask, depth_mm: Float) -> Window | None:
    lateral, along = _fine_mm(half.shape[0], HALF_WIDTH_MM), _fine_mm(half.shape[1], HALF_HEIGHT_MM)
    step = RAY_MM / FINE
    area = float(half.sum()) * step**2
    if area < SMALLEST_MM2:
        return None
    at, up = lateral[half.any(axis=1)], along[half.any(axis=0)]
    centre = float(half.sum(axis=1) @ lateral / half.sum()), float(half.sum(axis=0) @ along / half.sum())
    index = [round((c + h) / RAY_MM) for c, h in zip(centre, (HALF_WIDTH_MM, HALF_HEIGHT_MM), strict=True)]
    deep = float(depth_mm[index[0], index[1]])
    if not np.isfinite(deep):
        return None
    return Window(
        side,
        view.frame.to_world_mm(rays.point_mm(*centre, deep)),
        view.frame.direction_ras(rays.normal),
        float(at.max() - at.min()) + step,
        float(up.max() - up.min()) + step,
        area,
    )
