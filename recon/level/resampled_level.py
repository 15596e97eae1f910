"""One motion segment resampled into its level frame: where landmarks, joints and windows are read.

Array axes are level x, y, z (left, dorsal, cranial) at one isotropic step, so everything that
works here is free of the scan's own axes, spacings and signs.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.recon.anatomy import Frame
from canalwise.recon.grid import Box, Float, Grid, box_of
from canalwise.recon.image.label_boxes import label_boxes
from canalwise.recon.image.morphology import dilated, eroded
from canalwise.recon.image.sampling import linear_at, linear_box, nearest_box
from canalwise.recon.labels import VERTEBRAE, Labels, Mask, Part, bone_mask, canal_mask, vertebra_number

Float32 = npt.NDArray[np.float32]
Share = npt.NDArray[np.floating]

STEP_MM = 0.5
"""Edge of a local voxel; the spacing the accuracy targets are stated for."""

LOW_MM, HIGH_MM = (-36.0, -52.0, -50.0), (36.0, 64.0, 48.0)
"""The box about the level's origin: both pedicles, joints, laminae and spinous tips (segments are under 45 mm high)."""

JUST = 1e-3
"""How far a labelled bone voxel's share is kept above one half, and its neighbour's below."""


@dataclass(frozen=True, eq=False)
class ResampledLevel:
    """Labels and smooth fields about one level, in its frame.

    Parameters
    ----------
    upper, lower : vertebra names
    frame : the level frame
    low_mm : (3,) array, level coordinates of the centre of voxel (0, 0, 0)
    step_mm : voxel edge
    labels : (nx, ny, nz) uint16 array, nearest label, 0 outside the scan
    bone : (nx, ny, nz) float32 array, bone share; 0.5 is the surface
    canal : (nx, ny, nz) float32 array, canal region share; 0.5 is the surface
    grid : the part of the scan's grid that the box was cut from
    """

    upper: str
    lower: str
    frame: Frame
    low_mm: Float
    step_mm: float
    labels: Labels
    bone: Float32
    canal: Float32
    grid: Grid

    def mask(self, vertebra: str, *parts: Part) -> Mask:
        """(nx, ny, nz) bool array: the named parts of a vertebra, or all its bone when none is named."""
        base = 100 * vertebra_number(vertebra)
        found = np.zeros(self.labels.shape, dtype=bool)
        for value in range(base + 1, base + Part.DISC) if not parts else [base + part for part in parts]:
            if (box := self._boxes.get(value)) is not None:
                found[box] |= self.labels[box] == value
        return found

    @cached_property
    def _boxes(self) -> dict[int, Box]:
        """Where each part lies: it fills little of the whole."""
        return label_boxes(self.labels)

    def points_mm(self, mask: Mask) -> Float:
        """(N, 3) array of level coordinates of the voxel centres in a mask."""
        # Of a sparse mask the flat indices come several times faster than the threefold ones.
        index = np.unravel_index(np.flatnonzero(mask), mask.shape)
        return np.column_stack(index) * self.step_mm + self.low_mm

    def index_of(self, level_mm: npt.ArrayLike) -> Float:
        """(..., 3) array of fractional voxel indices of level points."""
        return (np.asarray(level_mm, dtype=float) - self.low_mm) / self.step_mm

    def at(self, field: Share, level_mm: npt.ArrayLike) -> Float:
        """(...,) array: trilinear value of a field of this box at (..., 3) level points, 0 outside."""
        return linear_at(field, self.index_of(level_mm))

    def label_at(self, level_mm: npt.ArrayLike) -> Labels:
        """(...,) array of the nearest label, 0 outside."""
        index = np.rint(self.index_of(level_mm)).astype(int)
        inside = np.asarray(((index >= 0) & (index < self.labels.shape)).all(axis=-1))
        i, j, k = np.moveaxis(np.where(inside[..., None], index, 0), -1, 0)
        return np.where(inside, self.labels[i, j, k], 0).astype(np.uint16)

    def box_around(self, level_mm: Float, margin_mm: float) -> Box:
        """The index box that holds (N, 3) level points and a margin, clipped to this box."""
        index = self.index_of(level_mm)
        margin = margin_mm / self.step_mm
        low = np.clip(np.floor(index.min(axis=0) - margin), 0, np.array(self.labels.shape) - 1).astype(int)
        high = np.clip(np.ceil(index.max(axis=0) + margin) + 1, low + 1, self.labels.shape).astype(int)
        i, j, k = (slice(int(a), int(b)) for a, b in zip(low, high, strict=True))
        return i, j, k

    def cropped(self, box: Box) -> ResampledLevel:
        """This box cut down to an index box."""
        start = np.array([s.start for s in box])
        return replace(
            self,
            low_mm=self.low_mm + start * self.step_mm,
            labels=self.labels[box],
            bone=self.bone[box],
            canal=self.canal[box],
        )

    def vertebra_field(self, vertebra: str) -> Float32:
        """(nx, ny, nz) float32 array: share of each voxel that is this vertebra; 0.5 is its surface."""
        own = self.mask(vertebra)
        field, box = np.zeros(own.shape, dtype=np.float32), box_of(own, 2)
        if box is not None:
            field[box] = refined(own[box], self.bone[box], bone_mask(self.labels[box]) & ~own[box])
        return field


def refined(mask: Mask, occupancy: Share, other: Mask) -> Float32:
    """(nx, ny, nz) float32 array whose 0.5 surface follows the labels, placed within a voxel by the bone share.

    Labels decide *whether* a voxel belongs; the share only moves the surface between a labelled
    voxel and its neighbour. Bone of `other` structures counts as empty.

    >>> mask = np.array([[[False, True, True, True]]])
    >>> refined(mask, np.array([[[0.2, 0.4, 0.9, 1.0]]]), ~mask & False).astype(float).round(2).tolist()
    [[[0.2, 0.5, 1.0, 1.0]]]
    """
    field = np.where(mask, np.maximum(occupancy, 0.5 + JUST), np.minimum(occupancy, 0.5 - JUST))
    field[eroded(mask)] = 1.0
    field[~dilated(mask) | other] = 0.0
    return field.astype(np.float32)


def antialiased(mask: Mask, sigma_voxels: float = 0.6) -> Float32:
    """(nx, ny, nz) float32 array: a mask with its steps smoothed; 0.5 is the surface of anything wider than two.

    >>> slab = np.zeros((1, 1, 8), bool); slab[..., 2:6] = True
    >>> antialiased(slab).astype(float).round(2).ravel().tolist()
    [0.0, 0.17, 0.83, 1.0, 1.0, 0.83, 0.17, 0.0]
    """
    share = np.zeros(mask.shape, dtype=np.float32)
    around = [
        np.flatnonzero(mask.any(axis=tuple(a for a in range(mask.ndim) if a != axis))) for axis in range(mask.ndim)
    ]
    if all(len(index) for index in around):
        # The blur reaches four deviations: nothing further off is touched by it.
        reach = int(np.ceil(4 * sigma_voxels)) + 1
        box = tuple(slice(max(int(index[0]) - reach, 0), int(index[-1]) + reach + 1) for index in around)
        share[box] = ndimage.gaussian_filter(mask[box].astype(np.float32), sigma_voxels, mode="nearest")
    return share


@dataclass(frozen=True, eq=False)
class LevelSource:
    """Labels and fields about a level on the scan's own voxels, from which views of it are resampled.

    Parameters
    ----------
    labels, bone, canal : (nx, ny, nz) arrays, as those of `ResampledLevel`
    grid : of the arrays
    """

    labels: Labels
    bone: Float32
    canal: Float32
    grid: Grid

    def view(
        self,
        frame: Frame,
        pair: tuple[str, str],
        step_mm: float = STEP_MM,
        low_mm: npt.ArrayLike = LOW_MM,
        high_mm: npt.ArrayLike = HIGH_MM,
    ) -> ResampledLevel:
        """The box between two corners in a level frame."""
        low, high = np.asarray(low_mm, dtype=float), np.asarray(high_mm, dtype=float)
        counts = np.ceil((high - low) / step_mm).astype(int) + 1
        matrix = np.linalg.inv(self.grid.affine_ras_mm[:3, :3]) @ frame.axes_ras.T * step_mm
        offset = self.grid.index_of(frame.to_world_mm(low))
        size = (int(counts[0]), int(counts[1]), int(counts[2]))
        near = nearest_box(self.labels, matrix, offset, size)
        bone, canal = linear_box(self.bone, matrix, offset, size), np.zeros(size, dtype=np.float32)
        if (about := box_of(self.canal > 0.0, 1)) is not None:
            ends = np.array(np.meshgrid(*((span.start, span.stop) for span in about))).reshape(3, -1)
            index = np.linalg.solve(matrix, ends - offset[:, None])
            low_index = np.clip(np.floor(index.min(axis=1)), 0, size).astype(int)
            high_index = np.clip(np.ceil(index.max(axis=1)) + 1, 0, size).astype(int)
            canal = linear_box(self.canal, matrix, offset, size, (low_index, high_index))
        return ResampledLevel(*pair, frame, low, step_mm, near, bone, canal, self.grid)


def source_about(
    labels: Labels,
    occupancy: Share,
    grid: Grid,
    frame: Frame,
    low_mm: npt.ArrayLike = LOW_MM,
    high_mm: npt.ArrayLike = HIGH_MM,
) -> LevelSource:
    """What a view of the box between two corners in a level frame is resampled from, and no more; as `local_view`.

    Parameters
    ----------
    labels, occupancy : (nx, ny, nz) arrays on `grid`
    low_mm, high_mm : (3,) corners of the box, level frame
    """
    ends = zip(np.asarray(low_mm, dtype=float), np.asarray(high_mm, dtype=float), strict=True)
    corners = np.stack(np.meshgrid(*ends, indexing="ij"), axis=-1).reshape(-1, 3)
    box = grid.box_around(frame.to_world_mm(corners), margin_mm=2 * float(grid.spacing_mm.max()))
    part = labels[box]
    bone = bone_mask(part)
    return LevelSource(
        part,
        refined(bone, occupancy[box], np.zeros_like(bone)),
        antialiased(canal_mask(part)),
        grid.cropped(box),
    )


def local_view(
    labels: Labels,
    occupancy: Share,
    grid: Grid,
    frame: Frame,
    pair: tuple[str, str],
    *,
    step_mm: float = STEP_MM,
    low_mm: npt.ArrayLike = LOW_MM,
    high_mm: npt.ArrayLike = HIGH_MM,
) -> ResampledLevel:
    """The surroundings of a level, resampled into its frame.

    Parameters
    ----------
    labels, occupancy : (nx, ny, nz) arrays on `grid`
    pair : names of the upper and lower vertebra
    low_mm, high_mm : (3,) arrays, opposite corners in the level frame
    """
    source = source_about(labels, occupancy, grid, frame, low_mm, high_mm)
    return source.view(frame, pair, step_mm, low_mm, high_mm)


def neighbours(names: tuple[str, ...]) -> tuple[tuple[str, str], ...]:
    """Pairs of neighbouring vertebrae, cranial first.

    >>> neighbours(("L3", "L4", "S1"))
    (('L3', 'L4'), ('L4', 'S1'))
    """
    order = sorted(names, key=VERTEBRAE.__getitem__)
    return tuple(
        (upper, lower)
        for upper, lower in pairwise(order)
        if VERTEBRAE[lower] - VERTEBRAE[upper] == 1 or (lower == "S1" and upper in ("L4", "L5", "L6"))
    )


def disc_mask(labels: Labels) -> Mask:
    """(same shape) array: is the voxel disc?

    >>> disc_mask(np.array([2200 + Part.BODY, 2200 + Part.DISC])).tolist()
    [False, True]
    """
    mask: Mask = (labels >= 100) & (labels % 100 == Part.DISC)
    return mask


def cut_by_scan(view: ResampledLevel, level_mm: Float) -> bool:
    """Does a point lie within a voxel of the scan's edge, so that what it ends may go on outside?

    `level_mm` (3,) array, level frame.
    """
    index = view.grid.index_of(view.frame.to_world_mm(level_mm))
    edge = np.minimum(index, np.array(view.grid.shape) - 1 - index)
    # the view's grid is cut two voxels wider than its box, so an edge met inside the box is the scan's own
    return bool((edge < 1.0).any())
