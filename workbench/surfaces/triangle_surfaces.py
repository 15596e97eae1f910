"""Triangle surfaces in the level frame, for looking at: closed shells round solids, open sheets through points.

Nothing is measured on them. Plain arrays in, plain arrays out; the same input gives the same triangles.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter

from canalwise.recon.anatomy import Anatomy, Frame
from canalwise.recon.grid import Box, Float, Grid
from canalwise.recon.image.isosurface import OFF_STEP
from canalwise.recon.image.sampling import linear_box
from canalwise.recon.image.skin import dorsal_skin_mm
from canalwise.recon.labels import Labels, Mask, bone_mask
from canalwise.recon.level.resampled_level import Float32, Share, antialiased
from canalwise.workbench.images.solids import BOX_HIGH_MM, BOX_LOW_MM
from canalwise.workbench.surfaces.decimation import decimated_mesh

RING = 2
"""A surface point takes the name of the nearest bone voxel within this many voxels, as the estimates do."""

SMOOTH_VOXELS = 0.9
"""Blur that takes the steps off a labelled structure; a ligament two voxels thick still stays whole."""

SHEET_BLUR_CELLS = 1.3
"""Blur across an open sheet: what is finer than a cell is the scan's noise."""

SEEN_WEIGHT = 0.4
"""A point of a sheet is drawn where this share of the cells about it, blurred, holds any: half is a straight rim."""

FARTHEST_SKIN_MM = 250.0
"""No skin lies further behind a level."""

Numbers = npt.NDArray[np.uint32]


@dataclass(frozen=True, eq=False)
class TriangleSurface:
    """A surface.

    Parameters
    ----------
    points_mm : (N, 3) array, level frame
    triangles : (M, 3) array of point numbers, anticlockwise seen from outside
    """

    points_mm: Float32
    triangles: Numbers

    @property
    def volume_mm3(self) -> float:
        """Enclosed volume, where the shell is closed."""
        a, b, c = np.moveaxis(self.points_mm.astype(float)[self.triangles], 1, 0)
        return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6)


def shell_of(share: Share, grid: Grid, frame: Frame, step_mm: float) -> TriangleSurface | None:
    """The closed surface on which a share (0..1) of each voxel is one half, cut flat at the scene's box.

    None where nothing is half full. `step_mm` is the greatest edge of the cells that it is found in.
    """
    from skimage.measure import marching_cubes  # its loading is only needed here

    count = np.ceil((BOX_HIGH_MM - BOX_LOW_MM) / step_mm).astype(int)
    steps = (BOX_HIGH_MM - BOX_LOW_MM) / count
    matrix = np.linalg.inv(grid.affine_ras_mm[:3, :3]) @ frame.axes_ras.T * steps
    i, j, k = (count + 1).tolist()
    field = linear_box(share, matrix, grid.index_of(frame.to_world_mm(BOX_LOW_MM)), (i, j, k))
    if field.max() <= 0.5 + OFF_STEP:
        return None
    # an empty layer all round closes what the box cuts; what lies in it is then brought back to the cut
    points, faces, _, _ = marching_cubes(np.pad(field, 1), 0.5 + OFF_STEP, gradient_direction="ascent")
    placed = np.clip((points - 1) * steps + BOX_LOW_MM, BOX_LOW_MM, BOX_HIGH_MM)
    return TriangleSurface(placed.astype(np.float32), faces.astype(np.uint32))


def box_in(grid: Grid, frame: Frame) -> Box:
    """The index box that holds the scene's box and what smoothing needs round it."""
    ends = np.stack([BOX_LOW_MM, BOX_HIGH_MM], axis=1)
    corners = np.stack(np.meshgrid(*ends, indexing="ij"), axis=-1).reshape(-1, 3)
    return grid.box_around(frame.to_world_mm(corners), margin_mm=4 * float(grid.spacing_mm.max()))


def skin_behind_mm(anatomy: Anatomy, frame: Frame, half_mm: float) -> Float | None:
    """(N, 3) level mm of the skin dorsal of a level and within so much of it to all other sides; None without any."""
    far = np.array([half_mm, FARTHEST_SKIN_MM, half_mm])
    ends = np.stack([far * [-1, 0, -1], far], axis=1)
    corners = np.stack(np.meshgrid(*ends, indexing="ij"), axis=-1).reshape(-1, 3)
    box = anatomy.grid.box_around(frame.to_world_mm(corners))
    seen = dorsal_skin_mm(anatomy.labels[box], anatomy.grid.cropped(box))
    if seen is None:
        return None
    points = frame.to_level_mm(seen)
    near = (np.abs(points[:, [0, 2]]) <= half_mm).all(axis=1) & (points[:, 1] > 0)
    return points[near] if near.any() else None


def softened(mask: Mask) -> Float32:
    """(same shape) array: a labelled structure as a share with its steps taken off."""
    return antialiased(mask, SMOOTH_VOXELS)


def lighter(shell: TriangleSurface, triangles: int) -> TriangleSurface:
    """The surface with about so many triangles, where it has more."""
    points, faces = decimated_mesh(shell.points_mm, shell.triangles, triangles)
    return TriangleSurface(np.clip(points, BOX_LOW_MM, BOX_HIGH_MM).astype(np.float32), faces)


def labels_on(points_mm: Float32, labels: Labels, grid: Grid, frame: Frame) -> Labels:
    """(N,) array: the label of the bone voxel nearest to each (N, 3) level point; 0 with none within RING."""
    index = grid.index_of(frame.to_world_mm(points_mm))
    bone = np.where(bone_mask(labels), labels, 0)
    out = np.zeros(len(index), dtype=labels.dtype)
    nearest = np.full(len(index), np.inf)
    for offset in _ring():
        voxel = np.rint(index).astype(int) + offset
        away = (((voxel - index) * grid.spacing_mm) ** 2).sum(axis=1)
        i, j, k = np.clip(voxel, 0, np.array(labels.shape) - 1).T
        found = bone[i, j, k]
        better = (found > 0) & (away < nearest)
        out[better], nearest[better] = found[better], away[better]
    return out


def _ring() -> npt.NDArray[np.intp]:
    """Offsets to the voxels within RING of one."""
    steps = np.arange(-RING, RING + 1)
    offsets = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)
    return np.asarray(offsets[(offsets**2).sum(axis=1) <= RING**2])


def sheet_through(flat_mm: Float, height_mm: Float, step_mm: float) -> tuple[Float, Numbers]:
    """(N, 3) points (u, v, height) and (M, 3) triangles of a smooth open sheet near points over a plane.

    Parameters
    ----------
    flat_mm : (K, 2) array of places in the plane
    height_mm : (K,) array over it
    step_mm : between the sheet's own points

    >>> u, v = (a.ravel() for a in np.meshgrid(np.arange(0, 10.0), np.arange(0, 10.0)))
    >>> points, triangles = sheet_through(np.stack([u, v], 1), 2 + 0 * u, 2.0)
    >>> points[:, 2].round(6).tolist() == [2.0] * len(points), len(triangles) > 0
    (True, True)
    """
    # what is blurred is only how far the points lie off a smooth bend through them: a blur flattens slopes at the rim
    bend = np.linalg.lstsq(_bend(flat_mm), height_mm, rcond=None)[0]
    low = flat_mm.min(axis=0) - step_mm
    cell = np.rint((flat_mm - low) / step_mm).astype(int)
    size = tuple(cell.max(axis=0) + 2)
    count, total = np.zeros(size), np.zeros(size)
    np.add.at(count, tuple(cell.T), 1.0)
    np.add.at(total, tuple(cell.T), height_mm - _bend(flat_mm) @ bend)
    mean = np.divide(total, count, out=np.zeros(size), where=count > 0)
    weight = gaussian_filter((count > 0).astype(float), SHEET_BLUR_CELLS, mode="constant")
    seen = weight > SEEN_WEIGHT
    flat = low + step_mm * np.argwhere(seen)
    off = gaussian_filter(mean, SHEET_BLUR_CELLS, mode="constant")[seen] / weight[seen]
    return np.column_stack([flat, _bend(flat) @ bend + off]), _joined(seen)


def _bend(flat_mm: Float) -> Float:
    """(K, 6) array: the terms of a bend of second order."""
    u, v = flat_mm.T
    return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1)


def _joined(seen: Mask) -> Numbers:
    """(M, 3) triangles between the points of a grid that are seen, numbered in its order."""
    number = np.cumsum(seen).reshape(seen.shape) - 1
    whole = seen[:-1, :-1] & seen[1:, :-1] & seen[1:, 1:] & seen[:-1, 1:]
    a, b, c, d = (corner[whole] for corner in (number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]))
    return np.concatenate([np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)]).astype(np.uint32)
