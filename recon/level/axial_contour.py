"""Outlines of the canal and what it holds, in axial planes of the level frame."""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt
from skimage.measure import find_contours

from canalwise.recon.anatomy import Frame
from canalwise.recon.grid import Float, Grid
from canalwise.recon.labels import Labels
from canalwise.recon.level.resampled_level import Float32, ResampledLevel, local_view

SMALLEST_MM2 = 10.0
"""A piece of canal below this in a plane is a stray, not the canal."""

PLANE_HALF_WIDTH_MM = 30.0
"""Half the width of a plane cut for one outline; canals are under 22 mm from their centroid."""


def canal_contour(view: ResampledLevel, z_mm: float) -> Float | None:
    """(N, 2) closed outline (level x, y mm) of the canal region in the plane at `z_mm`; None where not whole in view.

    The outline runs counter-clockwise seen from cranial on x left, y dorsal; first and last point agree.
    """
    return region_contour(view, view.canal, z_mm)


def region_contour(view: ResampledLevel, field: Float32, z_mm: float) -> Float | None:
    """As `canal_contour`, for any share field of the view (0.5 is the border).

    Parameters
    ----------
    field : (nx, ny, nz) array over the view
    z_mm : height, level frame

    Returns
    -------
    outline : (N, 2) array of level x, y mm; None where not whole in view
    """
    index = (z_mm - view.low_mm[2]) / view.step_mm
    if not 0 <= index <= field.shape[2] - 1:
        return None
    low = min(int(index), max(field.shape[2] - 2, 0))
    part = index - low
    plane = field[:, :, low] if part == 0 else (1 - part) * field[:, :, low] + part * field[:, :, low + 1]
    outline = largest_outline(plane, 0.5)
    if outline is None:
        return None
    outline = outline * view.step_mm + view.low_mm[:2]
    inside = view.grid.contains(view.frame.to_world_mm(np.column_stack([outline, np.full(len(outline), z_mm)])))
    return outline if area_mm2(outline) >= SMALLEST_MM2 and inside.all() else None


def section(labels: Labels, grid: Grid, frame: Frame, z_mm: float) -> Float | None:
    """`canal_contour` straight from a label map, for a caller without a local view.

    `labels` (nx, ny, nz) on `grid`; (N, 2) level x, y mm at the height `z_mm` of the level frame.
    """
    half = PLANE_HALF_WIDTH_MM
    view = local_view(
        labels,
        np.zeros(labels.shape, np.float32),
        grid,
        frame,
        ("", ""),
        low_mm=(-half, -half, z_mm),
        high_mm=(half, half, z_mm),
    )
    return canal_contour(view, z_mm)


def largest_outline(plane: npt.NDArray[np.floating], level: float) -> Float | None:
    """(N, 2) closed, counter-clockwise outline in indices of a plane's largest piece above `level`; None without one.

    >>> plane = np.zeros((5, 5)); plane[1:4, 1:4] = 1
    >>> round(area_mm2(largest_outline(plane, 0.5)), 3)
    8.5
    """
    padded = np.pad(np.asarray(plane, dtype=float), 1)
    outlines = [o - 1 for o in find_contours(padded, level)]
    if not outlines:
        return None
    largest = max(outlines, key=area_mm2)
    return largest[::-1] if _signed_area(largest) < 0 else largest


def area_mm2(outline: Float) -> float:
    """Area inside a closed (N, 2) outline (shoelace formula).

    >>> area_mm2(np.array([[0, 0], [2, 0], [2, 3], [0, 3], [0, 0.0]]))
    6.0
    """
    return abs(_signed_area(outline))


def _signed_area(outline: Float) -> float:
    x, y = outline[:, 0], outline[:, 1]
    return float(np.dot(x[:-1], y[1:]) - np.dot(x[1:], y[:-1])) / 2


def centroid_mm(outline: Float) -> Float:
    """(2,) array, centroid of the area inside a closed outline.

    >>> centroid_mm(np.array([[0, 0], [2, 0], [2, 3], [0, 3], [0, 0.0]])).tolist()
    [1.0, 1.5]
    """
    start = outline[0]
    a, b = outline[:-1] - start, outline[1:] - start
    cross = a[:, 0] * b[:, 1] - b[:, 0] * a[:, 1]
    centroid: Float = start + ((a + b) * cross[:, None]).sum(axis=0) / (3 * cross.sum())
    return centroid


def evenly(outline: Float, step_mm: float) -> Float:
    """(M, 2) points about `step_mm` apart along a closed outline, without the repeated end.

    >>> evenly(np.array([[0.0, 0.0], [4.0, 0.0]]), 1.0)[:, 0].tolist()  # the end closes an outline at its start
    [0.0, 1.0, 2.0, 3.0]
    """
    lengths = np.linalg.norm(np.diff(outline, axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(lengths)])
    at = np.linspace(0.0, along[-1], max(round(along[-1] / step_mm), 3), endpoint=False)
    return np.column_stack([np.interp(at, along, outline[:, axis]) for axis in (0, 1)])


def border_mm(outline: Float, x_mm: float, which: Literal["ventral", "dorsal"]) -> float | None:
    """y of the outermost crossing of an outline with the sagittal line at `x_mm`; None where it does not cross.

    Parameters
    ----------
    outline : (N, 2) array of level x, y mm, closed
    x_mm : of the sagittal line, level frame

    >>> border_mm(np.array([[-1, 0], [1, 0], [1, 3], [-1, 3], [-1, 0.0]]), 0.0, "dorsal")
    3.0
    """
    x = outline[:, 0]
    crosses = (x[:-1] - x_mm) * (x[1:] - x_mm) < 0
    crosses |= x[:-1] == x_mm
    if not crosses.any():
        return None
    start, end = outline[:-1][crosses], outline[1:][crosses]
    width = np.where(end[:, 0] == start[:, 0], 1.0, end[:, 0] - start[:, 0])
    heights = start[:, 1] + (x_mm - start[:, 0]) / width * (end[:, 1] - start[:, 1])
    return float(heights.max() if which == "dorsal" else heights.min())
