"""The interlaminar window of a phantom: what a dorsal view along its normal sees open into the canal."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.phantoms.anatomy.spine_model import Spine
from canalwise.phantoms.solid.pose import Pose
from canalwise.recon.grid import Float
from canalwise.recon.labels import CANAL_CONTENTS, Part, Side

VIEW_STEP_MM = 0.4
"""Lattice step of the dorsal view; extents are known to about one step."""

MARCH_STEP_MM = 0.5
"""Step along the rays."""

VIEW_HALF_WIDTH_MM = 26.0
VIEW_START_MM = 48.0
VIEW_END_MM = -14.0


@dataclass(frozen=True, eq=False)
class WindowTruth:
    """One side of the window: centre on the canal's dorsal border, unit normal, extents and area across the normal."""

    side: Side
    centre_ras_mm: Float
    normal_ras: Float
    width_mm: float
    height_mm: float
    area_mm2: float


@dataclass(frozen=True, eq=False)
class DorsalView:
    """Parallel rays along a pose's -y: lattice (x, z), and y where each meets the canal, NaN where bone is first."""

    pose: Pose
    x_mm: Float
    z_mm: Float
    depth_mm: Float


def window_normal(upper_edge_mm: Float, lower_edge_mm: Float) -> Float:
    """(3,) array in the level frame: unit normal across the line joining the laminae's edges, x = 0, pointing dorsally.

    >>> window_normal(np.array([0.0, 10.0, 5.0]), np.array([0.0, 10.0, -5.0]))[1]
    np.float64(1.0)
    """
    _, y, z = upper_edge_mm - lower_edge_mm
    found: Float = np.array([0.0, z, -y]) / np.hypot(y, z)
    return found


def view_pose(frame: Pose, normal_level: Float, centre_level_mm: Float) -> Pose:
    """A pose whose y is the window's normal, about a point of the level frame.

    >>> upright = Pose(np.zeros(3), np.eye(3))
    >>> view_pose(upright, np.array([0.0, 1.0, 0.0]), np.array([0.0, 5.0, 0.0])).to_world_mm([0.0, 1.0, 0.0]).tolist()
    [0.0, 6.0, 0.0]
    """
    rows = np.stack([[1.0, 0.0, 0.0], normal_level, np.cross([1.0, 0.0, 0.0], normal_level)])
    return Pose(frame.to_world_mm(centre_level_mm), rows @ frame.axes_ras)


def dorsal_view(spine: Spine, pose: Pose, half_height_mm: float) -> DorsalView:
    """March all rays at once, slice by slice from dorsal to ventral, until each meets bone or canal."""
    x = np.arange(-VIEW_HALF_WIDTH_MM, VIEW_HALF_WIDTH_MM, VIEW_STEP_MM) + VIEW_STEP_MM / 2
    z = np.arange(-half_height_mm, half_height_mm, VIEW_STEP_MM) + VIEW_STEP_MM / 2
    x, z = (a.ravel() for a in np.meshgrid(x, z, indexing="ij"))
    depth, waiting = np.full(len(x), np.nan), np.arange(len(x))
    for y in np.arange(VIEW_START_MM, VIEW_END_MM, -MARCH_STEP_MM):
        points = np.stack([x[waiting], np.full(len(waiting), y), z[waiting]], axis=-1)
        labels, _ = spine.label_and_depth(pose.to_world_mm(points))
        canal = np.isin(labels, CANAL_CONTENTS)
        depth[waiting[canal]] = y
        waiting = waiting[~canal & ~is_bone(labels)]
        if not len(waiting):
            break
    return DorsalView(pose, x, z, depth)


def is_bone(labels: npt.NDArray[np.uint16]) -> npt.NDArray[np.bool_]:
    """(N,) array: bone of any vertebra?

    >>> is_bone(np.array([2, 2200 + Part.BODY, 2200 + Part.DISC], np.uint16)).tolist()
    [False, True, False]
    """
    bone: npt.NDArray[np.bool_] = (labels >= 100) & (labels % 100 != Part.DISC)
    return bone


def window_truth(view: DorsalView, side: Side) -> WindowTruth | None:
    """The open part of one side of a view, the piece that holds the most rays; None when closed."""
    open_ = np.isfinite(view.depth_mm) & ((view.x_mm > 0) if side == "left" else (view.x_mm < 0))
    columns = len(np.unique(view.x_mm))
    pieces, count = ndimage.label(open_.reshape(columns, -1))
    if not count:
        return None
    largest = 1 + int(np.argmax(np.bincount(pieces.ravel())[1:]))
    inside = (pieces == largest).ravel()
    x, z, y = view.x_mm[inside], view.z_mm[inside], view.depth_mm[inside]
    nearest = np.argmin((x - x.mean()) ** 2 + (z - z.mean()) ** 2)
    centre = view.pose.to_world_mm([x.mean(), y[nearest], z.mean()])
    return WindowTruth(
        side,
        centre,
        view.pose.axes_ras[1],
        float(np.ptp(x)) + VIEW_STEP_MM,
        float(np.ptp(z)) + VIEW_STEP_MM,
        float(inside.sum()) * VIEW_STEP_MM**2,
    )
