"""Pictures of solids without a graphics library: rays are marched through a distance field.

A ray steps by the distance to the nearest surface, so it can never jump through one (sphere tracing,
Hart, The Visual Computer 1996;12:527-545, citation from memory). Plain numpy: the same input gives the same picture on
any machine, and nothing has to be installed for it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from edt import edt
from scipy.ndimage import gaussian_filter

from canalwise.recon.grid import Float
from canalwise.recon.image.sampling import linear_at

Distance = Callable[[Float], Float]

TOUCH_MM = 0.03
"""A ray this near to a surface has hit it."""

MARCHES = 160
"""Most steps of one ray; a ray still unfinished then grazes the surface and counts as a miss."""

NORMAL_STEP_MM = 0.35
"""Half the span over which the slope of the field is taken."""

SMOOTH_CELLS = 0.8
"""Standard deviation of the smoothing that takes the steps off a solid made of cells."""

SHARE_SLOPE = 0.5
"""Change of the smoothed share per cell across a flat surface (1 / (0.8 sqrt(2 pi)) = 0.499)."""

NEAR_CELLS = 1.5
"""Within this many cells of the surface the smoothed share is a finer measure than whole cells."""


@dataclass(frozen=True)
class Camera:
    """An orthographic view in the level frame.

    Parameters
    ----------
    toward_viewer : unit-free direction from the patient to the eye (left, dorsal, cranial)
    up : direction that points upward on the page, made square to the first
    centre_level_mm : what the picture is centred on
    width_mm, height_mm : of the picture
    pixel_mm : of the picture
    depth_mm : how far before and behind the centre the rays run
    """

    toward_viewer: tuple[float, float, float]
    up: tuple[float, float, float] = (0.0, 0.0, 1.0)
    centre_level_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    width_mm: float = 96.0
    height_mm: float = 96.0
    pixel_mm: float = 0.22
    depth_mm: float = 90.0

    def triad(self) -> Float:
        """(3, 3) array, rows: to the right of the page, up the page, toward the viewer.

        >>> Camera((0.0, 1.0, 0.0)).triad().astype(int).tolist()
        [[-1, 0, 0], [0, 0, 1], [0, 1, 0]]
        """
        toward = np.array(self.toward_viewer) / np.linalg.norm(self.toward_viewer)
        right = np.cross(np.array(self.up), toward)
        right /= np.linalg.norm(right)
        return np.stack([right, np.cross(toward, right), toward])

    def starts(self) -> Float:
        """(rows, columns, 3) array of ray starts, level mm; the first row is the top of the page.

        >>> Camera((0.0, 1.0, 0.0), width_mm=4.0, height_mm=3.0, pixel_mm=1.0).starts().shape
        (3, 4, 3)
        """
        right, up, toward = self.triad()
        columns, rows = (round(v / self.pixel_mm) for v in (self.width_mm, self.height_mm))
        u = (np.arange(columns) - (columns - 1) / 2) * self.pixel_mm
        v = ((rows - 1) / 2 - np.arange(rows)) * self.pixel_mm
        centre = np.array(self.centre_level_mm) + self.depth_mm * toward
        return centre + u[None, :, None] * right + v[:, None, None] * up

    def points_at(self, depth_mm: Float) -> Float:
        """(N, 3) array, level mm: where the rays that hit anything hit it, row by row."""
        hit = np.isfinite(depth_mm)
        return np.asarray(self.starts()[hit] - depth_mm[hit][:, None] * self.triad()[2])


def first_hits_mm(distance: Distance, camera: Camera) -> Float:
    """(rows, columns) array: length of each ray to its first surface, NaN where it meets none.

    `distance` takes (N, 3) level points to (N,) mm, positive outside the solid and never more than the true distance.

    >>> straight_down = Camera((0.0, 1.0, 0.0), width_mm=1.0, height_mm=1.0, pixel_mm=1.0, depth_mm=50.0)
    >>> first_hits_mm(lambda p: np.linalg.norm(p, axis=1) - 9.0, straight_down).tolist()
    [[41.0]]
    """
    starts = camera.starts()
    along = np.zeros(starts.shape[:2]).ravel()
    hit = np.zeros(along.size, dtype=bool)
    flat, toward = starts.reshape(-1, 3), camera.triad()[2]
    # only unfinished rays are tested again: most of a picture is decided in a dozen steps
    active = np.arange(along.size)
    for _ in range(MARCHES):
        near = distance(flat[active] - along[active, None] * toward)
        hit[active[near < TOUCH_MM]] = True
        active, near = active[near >= TOUCH_MM], near[near >= TOUCH_MM]
        along[active] += near
        active = active[along[active] <= 2 * camera.depth_mm]
        if not active.size:
            break
    return np.where(hit, along, np.nan).reshape(starts.shape[:2])


def normals_of(distance: Distance, points: Float) -> Float:
    """(N, 3) array of unit outward normals of the field at (N, 3) points.

    >>> normals_of(lambda p: p[:, 2] - 4.0, np.array([[1.0, 2.0, 4.0]])).round(9).tolist()
    [[0.0, 0.0, 1.0]]
    """
    steps = NORMAL_STEP_MM * np.eye(3)
    slope = np.stack([distance(points + step) - distance(points - step) for step in steps], axis=-1)
    return slope / np.maximum(np.linalg.norm(slope, axis=-1, keepdims=True), 1e-9)


@dataclass(frozen=True, eq=False)
class SampledField:
    """Values on an isotropic grid along the axes of the level frame, interpolated trilinearly.

    Parameters
    ----------
    values : (nx, ny, nz) float32 array
    low_level_mm : (3,) array, level coordinates of the first sample
    spacing_mm : between samples
    """

    values: npt.NDArray[np.float32]
    low_level_mm: Float
    spacing_mm: float

    def __call__(self, level_mm: Float) -> Float:
        """(N,) array of values at (N, 3) level points; beyond the grid, those of its nearest face."""
        last = np.array(self.values.shape) - 1
        index = np.clip((level_mm - self.low_level_mm) / self.spacing_mm, 0, last)
        return linear_at(self.values, index)

    def off_grid_mm(self, level_mm: Float) -> Float:
        """(N,) array: distance of (N, 3) level points from the grid's box, 0 inside."""
        high = self.low_level_mm + self.spacing_mm * (np.array(self.values.shape) - 1)
        return np.asarray(np.linalg.norm(level_mm - np.clip(level_mm, self.low_level_mm, high), axis=-1))


def solid_distance(share: SampledField) -> Distance:
    """The distance field of a solid given as a share of each cell.

    Near the surface the smoothed share itself tells the distance (to a fraction of a cell); farther off the
    exact Euclidean distance of the cells less one cell does, so that no ray steps through the surface.
    """
    spacing = share.spacing_mm
    smooth = gaussian_filter(share.values, SMOOTH_CELLS)
    # edt measures from cell centres, so the surface may be up to a cell nearer than it says
    off = edt(np.asfortranarray(smooth < 0.5), anisotropy=(spacing,) * 3, parallel=1) - spacing
    near = (0.5 - smooth) * spacing / SHARE_SLOPE
    field = SampledField(
        np.where(off > NEAR_CELLS * spacing, off, near).astype(np.float32), share.low_level_mm, spacing
    )

    def distance(level_mm: Float) -> Float:
        # off the grid: the path to the box and the distance from its face are at a right angle or more (the box is
        # convex), so their hypotenuse is never too long; a solid cut by the face is met on the face itself
        beyond, inside = field.off_grid_mm(level_mm), field(level_mm)
        return np.where(beyond > 0, np.hypot(beyond, np.maximum(inside, 0.0)), inside)

    return distance
