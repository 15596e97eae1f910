"""One vertebra seen from its canal: every bone voxel as (left, dorsal, along) and the canal's borders beside it.

The coordinates follow the canal, so a lordotic or tilted vertebra reads like an upright one; left is
measured from the vertebra's own mid-sagittal plane, found as the plane about which its arch mirrors itself best.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import edt
import numpy as np
import numpy.typing as npt
from scipy import ndimage, optimize

from canalwise.recon.canal.tube import CanalTube
from canalwise.recon.canal.wall import ray_angles_rad
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.grid import Box, Float, Grid, box_of
from canalwise.recon.image.label_boxes import vertebra_boxes
from canalwise.recon.image.sampling import mirrored_overlap
from canalwise.recon.labels import Labels, Mask, Part, vertebra_mask, vertebra_number

FACING_MM = 5.0
"""Bone of two vertebrae nearer than this may bear a joint's faces (the joint itself is cut at 4 mm)."""

NEAR_MM = 12.0
"""Distances are worked out this far: a joint is cut at 4 mm, the spinous base ends 7 mm from the canal."""

MIRROR_POINTS = 3000
"""Bone points whose mirror image is compared when the mid-sagittal plane is sought."""

MIRROR_BLUR_MM = 1.5
"""Blur of the bone before mirror images are compared: makes the match smooth to search."""

TURNS_DEG, SHIFTS_MM = np.arange(-20.0, 21.0, 5.0), np.arange(-4.0, 5.0, 2.0)
"""First net of the symmetry search: axial turn and sideways shift against the canal's own."""


@dataclass(frozen=True, eq=False)
class CanalBorders:
    """The canal's borders at each station, in the vertebra's coordinates, mm.

    All (N,) arrays: `ventral_mm` and `dorsal_mm` the midline borders (y), `left_mm` and `right_mm` the half-widths.
    """

    ventral_mm: Float
    dorsal_mm: Float
    left_mm: Float
    right_mm: Float


@dataclass(frozen=True, eq=False)
class VertebraView:
    """Bone voxels of one vertebra in canal coordinates.

    Parameters
    ----------
    name : of the vertebra
    box : index box in the label map that holds it
    index : (3, n) voxel indices within the box
    parts : (n,) part numbers as given
    x_mm, y_mm, s_mm : (n,) left of the mid-sagittal plane, dorsal of the canal's centreline, along the canal
    borders : of the canal at every station
    step_mm : distance between stations
    canal_mm : (n,) distance to the canal's border
    face_above_mm, face_below_mm : (n,) distance to the neighbours' bone, inf where there is none
    """

    name: str
    box: tuple[slice, slice, slice]
    index: npt.NDArray[np.intp]
    parts: npt.NDArray[np.uint16]
    x_mm: Float
    y_mm: Float
    s_mm: Float
    borders: CanalBorders
    step_mm: float
    canal_mm: Float
    face_above_mm: Float
    face_below_mm: Float

    def border(self, name: str) -> Float:
        """(n,) array: a border of the canal beside each voxel ('ventral', 'dorsal', 'left' or 'right')."""
        if name not in self._beside:
            values = getattr(self.borders, f"{name}_mm")
            self._beside[name] = np.interp(self.s_mm / self.step_mm, np.arange(len(values)), values)
        return self._beside[name]

    @cached_property
    def _beside(self) -> dict[str, Float]:
        """Borders that were read once, for they are read often."""
        return {}

    def half_width_mm(self) -> Float:
        """(n,) array: the canal's half-width on each voxel's own side."""
        return np.where(self.x_mm >= 0, self.border("left"), self.border("right"))


def vertebra_view(
    labels: Labels, grid: Grid, tube: CanalTube, name: str, boxes: Mapping[int, Box] | None = None
) -> VertebraView:
    """The view of one vertebra of a label map; raises AnatomyNotFound when it has no bone there.

    `labels` (nx, ny, nz) on `grid`; `boxes` of `vertebra_boxes`, where they are known.
    """
    number = vertebra_number(name)
    found = (vertebra_boxes(labels) if boxes is None else boxes).get(number)
    if found is None:
        raise AnatomyNotFound(name, "has no bone in the label map")
    box = _widened(found, grid, FACING_MM)
    sub = labels[box]
    own = vertebra_mask(sub, number)
    index = np.array(np.nonzero(own))
    where = grid.cropped(box).world_mm(index.T)
    local = tube.local_mm(where)
    step = tube.stations.step_mm
    turn, shift = _midplane(own, grid.cropped(box), tube, local, sub[tuple(index)] % 100)
    x, y = _turned(local[:, 0], local[:, 1], turn, shift)
    above, below = (_distance_to(sub, grid, n)[tuple(index)] for n in (number - 1, number + 1))
    return VertebraView(
        name,
        box,
        index,
        (sub[tuple(index)] % 100).astype(np.uint16),
        x,
        y,
        local[:, 2] * step,
        borders_of(tube, turn, shift),
        step,
        _canal_mm(tube, grid, box)[tuple(index)],
        above,
        below,
    )


def _widened(box: tuple[slice, ...], grid: Grid, margin_mm: float) -> tuple[slice, slice, slice]:
    grow = np.ceil(margin_mm / grid.spacing_mm).astype(int)
    i, j, k = (
        slice(max(s.start - int(g), 0), min(s.stop + int(g), n)) for s, g, n in zip(box, grow, grid.shape, strict=True)
    )
    return i, j, k


def _canal_mm(tube: CanalTube, grid: Grid, box: tuple[slice, slice, slice]) -> Float:
    """Distance in mm of every voxel of a box to the canal's border, half a voxel outside its last voxels' centres."""
    return _near_mm(tube.mask[box], grid) - 0.5 * float(grid.spacing_mm.min())


def _distance_to(labels: Labels, grid: Grid, number: int) -> Float:
    """Distance in mm of every voxel to the bone of a vertebra, inf when it is not there."""
    return _near_mm(vertebra_mask(labels, number), grid)


def _near_mm(mask: Mask, grid: Grid) -> Float:
    """Distance in mm of every voxel to a mask; infinite further off than NEAR_MM."""
    away = np.full(mask.shape, np.inf)
    near = box_of(mask, np.ceil(NEAR_MM / grid.spacing_mm))
    if near is not None:
        away[near] = edt.edt(np.asfortranarray(~mask[near]), anisotropy=tuple(grid.spacing_mm))
    away[away > NEAR_MM] = np.inf
    return away


def _turned(left_mm: Float, dorsal_mm: Float, turn_rad: float, shift_mm: float) -> tuple[Float, Float]:
    """Canal coordinates seen from the mid-sagittal plane whose normal is `left` turned by `turn_rad`."""
    cos, sin = np.cos(turn_rad), np.sin(turn_rad)
    return cos * left_mm + sin * dorsal_mm - shift_mm, -sin * left_mm + cos * dorsal_mm


def _midplane(own: Mask, grid: Grid, tube: CanalTube, local: Float, parts: Float) -> tuple[float, float]:
    """(turn_rad, shift_mm) of the plane about which the vertebra mirrors itself best.

    Spinous processes are left out (often bent); a mirror image outside the grid does not count.
    """
    straight = (parts != Part.SPINOUS_PROCESS) & (local[:, 1] < 25.0)
    points = local[straight][:: max(int(straight.sum()) // MIRROR_POINTS, 1)]
    field = ndimage.gaussian_filter(own.astype(np.float32), MIRROR_BLUR_MM / grid.spacing_mm)
    middle = np.median(points[:, 2])
    row = int(np.clip(np.rint(middle), 0, len(tube.radius_mm) - 1))
    centre, axes = tube.stations.centre_ras_mm[row], tube.stations.axes_ras[row]
    flat = points.copy()
    flat[:, 2] = (points[:, 2] - row) * tube.stations.step_mm

    weights, (i, j, k) = np.ones(len(flat)), grid.shape

    def mismatch(plane: Float) -> float:
        normal = np.array([np.cos(np.radians(plane[0])), np.sin(np.radians(plane[0])), 0.0])
        turn = np.eye(3) - 2 * np.outer(normal, normal)
        # Images of the origin and of a step along each axis: what lies between follows.
        start, *ends = grid.index_of(centre + (np.vstack([np.zeros(3), turn]) + 2 * plane[1] * normal) @ axes)
        at = np.column_stack([*(end - start for end in ends), start])
        met, seen = mirrored_overlap(field, flat, weights, at, at - [0, 0, 0, 0.5], (i - 1, j - 1, k - 1))
        return -met / seen if seen > len(flat) // 4 else 0.0

    start = min((mismatch(np.array([t, d])), t, d) for t in TURNS_DEG for d in SHIFTS_MM)[1:]
    simplex = np.array([start, (start[0] + 3, start[1]), (start[0], start[1] + 1)])
    best = optimize.minimize(
        mismatch,
        start,
        method="Nelder-Mead",
        options={"initial_simplex": simplex, "xatol": 0.05, "fatol": 1e-6, "maxiter": 120},
    ).x
    return float(np.radians(best[0])), float(best[1])


def borders_of(tube: CanalTube, turn_rad: float = 0.0, shift_mm: float = 0.0) -> CanalBorders:
    """The canal's borders at every station, lightly smoothed along it."""
    angle = ray_angles_rad()
    x, y = _turned(tube.radius_mm * np.cos(angle), tube.radius_mm * np.sin(angle), turn_rad, shift_mm)
    floor = (np.abs(x) <= 0.6 * np.abs(x).max(axis=1, keepdims=True)) & (y < 0)
    ventral = (y * floor).sum(axis=1) / np.maximum(floor.sum(axis=1), 1)
    nearest = np.where(y > 0, np.abs(x), np.inf).argmin(axis=1)
    dorsal = np.take_along_axis(y, nearest[:, None], 1)[:, 0]
    raw = (ventral, dorsal, x.max(axis=1), -x.min(axis=1))
    return CanalBorders(*(np.asarray(ndimage.gaussian_filter1d(v, 1.0, mode="nearest"), dtype=float) for v in raw))
