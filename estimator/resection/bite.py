"""Which tissue a tool's tip takes: what lies within its bite and is not shut off by bone or sac.

1. The set to be taken is gathered in cells of the level's lattice.
2. Tips lie on a lattice of their own about them: outside the sac by the clearance and the tool's radius, outside
   protected bone by the tool's radius.
3. A tip takes a cell within its bite if the straight piece between them stays outside the retracted sac, and meets no
   bone that is not itself to be taken.

Neither depends on where the instrument enters, so both are found once for a level, set and instrument.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from canalwise.estimator.decompression.level_cells import CELL_MM, LevelCells
from canalwise.estimator.decompression.set_values import DecompressionSet
from canalwise.estimator.geometry.cone_formulas import trilinear
from canalwise.estimator.level.keep_out import KeepOut
from canalwise.estimator.resection.line_values import SetCells, Tips
from canalwise.recon.anatomy import Frame
from canalwise.recon.grid import Float

Numbers = Any
"""An array of any kind of number; the compiler makes a version for each."""

TIP_STEP_MM = 2.0
"""Spacing of the tips (scripts/why_resection.py)."""

INSIDE_BITE_MM = 0.5
"""A cell counts only if its centre lies this far within the bite: the half-width of a fine cell."""

SIGHT_STEP_MM = 0.5
"""Steps at which the piece from tip to tissue is looked at."""

SOLID_FRAC = 0.5
"""A cell with at least this share of bone that is not to be taken shuts off what lies behind it."""


def set_cells(wanted: DecompressionSet, cell_mm: float = CELL_MM) -> SetCells:
    """The set gathered in cells, of one zone each, so that a broader set holds a narrower one's; none where nothing
    presses."""
    if not len(wanted.voxels):
        nothing = np.zeros(0, dtype=np.intp)
        return SetCells(np.zeros((0, 3)), np.zeros(0), nothing.astype(np.uint8), nothing)
    # halves are rounded to even numbers, on either side alike
    index = np.rint(wanted.level_mm / cell_mm).astype(np.int64)
    index -= index.min(axis=0)
    size = index.max(axis=0) + 1
    keys = 4 * np.ravel_multi_index(tuple(index.T), tuple(size)) + wanted.zone
    cells, of_voxel = np.unique(keys, return_inverse=True)
    mm3 = np.asarray(np.bincount(of_voxel, weights=wanted.mm3), dtype=float)
    centres = np.stack([np.bincount(of_voxel, weights=wanted.mm3 * x) for x in wanted.level_mm.T], axis=-1)
    zone = (cells % 4).astype(np.uint8)
    return SetCells(centres / mm3[:, None], mm3, zone, of_voxel)


def tips_of(
    wanted: SetCells,
    cells: LevelCells,
    solid: npt.NDArray[np.float32],
    keep_out: KeepOut,
    frame: Frame,
    sizes_mm: tuple[float, float, float],
) -> Tips:
    """The tips of an instrument.

    Parameters
    ----------
    solid : (nx, ny, nz) array over the cells, share of each that is bone not to be taken
    keep_out : with the tool's berth
    sizes_mm : (bite, tool radius, step between tips)
    """
    if not len(wanted.mm3):
        return Tips(np.zeros((0, 3)), np.zeros(1, dtype=np.int64), np.zeros(0, dtype=np.int32))
    bite, tool, step = sizes_mm
    places = _lattice(wanted.centres_mm, bite, step)
    free = free_at(places, cells, keep_out, frame, tool)
    places = places[free]
    takes = takes_at(places, wanted, cells, solid, keep_out, frame, (bite, tool))
    useful = takes.any(axis=1)
    return tips_taking(places[useful], takes[useful])


def free_at(
    places_mm: Float, cells: LevelCells, keep_out: KeepOut, frame: Frame, tool_radius_mm: float
) -> npt.NDArray[np.bool_]:
    """(T,) array: can a tip stand at each of (T, 3) places?"""
    index = np.ascontiguousarray((places_mm - cells.origin_mm) / CELL_MM)
    sac_index = np.ascontiguousarray(keep_out.grid.index_of(frame.to_world_mm(places_mm)))
    free = np.empty(len(places_mm), dtype=bool)
    least = np.array([tool_radius_mm, keep_out.clearance_radius_mm])
    _free(index, sac_index, cells.protected_distance_mm, keep_out.distance_mm, least, free)
    return free


def tips_taking(places_mm: Float, takes: npt.NDArray[np.bool_]) -> Tips:
    """Tips at (T, 3) places that take the cells of a (T, C) array."""
    starts = np.concatenate([[0], np.cumsum(takes.sum(axis=1))]).astype(np.int64)
    return Tips(np.ascontiguousarray(places_mm), starts, np.nonzero(takes)[1].astype(np.int32))


def takes_at(
    places_mm: Float,
    wanted: SetCells,
    cells: LevelCells,
    solid: npt.NDArray[np.float32],
    keep_out: KeepOut,
    frame: Frame,
    sizes_mm: tuple[float, float],
) -> npt.NDArray[np.bool_]:
    """(T, C) array: does a tip at each of (T, 3) places take each cell? `sizes_mm` are bite and tool radius."""
    bite, tool = sizes_mm
    takes = np.zeros((len(places_mm), len(wanted.mm3)), dtype=bool)
    _taken(
        np.ascontiguousarray(places_mm),
        wanted.centres_mm,
        np.array([bite - INSIDE_BITE_MM, *cells.origin_mm, tool + CELL_MM / 2]),
        solid,
        keep_out.distance_mm,
        np.ascontiguousarray(keep_out.grid.index_of(frame.to_world_mm(places_mm))),
        np.ascontiguousarray(np.linalg.inv(keep_out.grid.affine_ras_mm)[:3, :3] @ frame.axes_ras.T),
        takes,
    )
    return takes


def _lattice(centres_mm: Float, bite_mm: float, step_mm: float) -> Float:
    """(T, 3) array: lattice points, symmetric about the midline, within the bite of any of (C, 3) centres."""
    low, high = centres_mm.min(axis=0) - bite_mm, centres_mm.max(axis=0) + bite_mm
    axes = [
        np.arange(np.floor(a / step_mm), np.ceil(b / step_mm) + 1) * step_mm for a, b in zip(low, high, strict=True)
    ]
    points = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    near = np.zeros(len(points), dtype=bool)
    _near_any(points, np.ascontiguousarray(centres_mm), bite_mm, near)
    return np.ascontiguousarray(points[near])


@njit(cache=True, nogil=True)
def _near_any(points: Numbers, centres: Numbers, reach: float, out: npt.NDArray[np.bool_]) -> None:
    for t in range(len(points)):
        for c in range(len(centres)):
            away = 0.0
            for a in range(3):
                away += (points[t, a] - centres[c, a]) ** 2
            if away <= reach * reach:
                out[t] = True
                break


@njit(cache=True, nogil=True)
def _free(index: Numbers, sac_index: Numbers, protected: Numbers, sac: Numbers, least: Numbers, out: Numbers) -> None:
    for t in range(len(index)):
        bone = trilinear(protected, index[t, 0], index[t, 1], index[t, 2])
        near = trilinear(sac, sac_index[t, 0], sac_index[t, 1], sac_index[t, 2])
        out[t] = bone >= least[0] and near >= least[1]


@njit(cache=True, nogil=True)
def _taken(
    places: Numbers,
    centres: Numbers,
    reach: Numbers,
    solid: Numbers,
    sac: Numbers,
    sac_index: Numbers,
    sac_step: Numbers,
    out: Numbers,
) -> None:
    """Cells within reach[0] of each tip that nothing shuts off.

    reach[1:4] is the lattice's origin, reach[4] the hollow that the tool has burred about its tip.
    """
    bite, hollow, (nx, ny, nz) = reach[0], reach[4], solid.shape
    m = sac_step
    for t in range(len(places)):
        px, py, pz = places[t, 0], places[t, 1], places[t, 2]
        ox, oy, oz = (px - reach[1]) / CELL_MM, (py - reach[2]) / CELL_MM, (pz - reach[3]) / CELL_MM
        u, v, w = sac_index[t, 0], sac_index[t, 1], sac_index[t, 2]
        for c in range(len(centres)):
            dz = centres[c, 2] - pz
            if dz > bite or dz < -bite:
                continue
            dx, dy = centres[c, 0] - px, centres[c, 1] - py
            squared = dx * dx + dy * dy + dz * dz
            if squared > bite * bite:
                continue
            length = np.sqrt(squared)
            steps = max(int(np.ceil(length / SIGHT_STEP_MM)), 1)
            clear = True
            for s in range(1, steps):
                share = s / steps
                x, y, z = share * dx, share * dy, share * dz
                if share * length > hollow:
                    i = int(np.rint(ox + x / CELL_MM))
                    j = int(np.rint(oy + y / CELL_MM))
                    k = int(np.rint(oz + z / CELL_MM))
                    if 0 <= i < nx and 0 <= j < ny and 0 <= k < nz and solid[i, j, k] >= SOLID_FRAC:
                        clear = False
                        break
                p = u + m[0, 0] * x + m[0, 1] * y + m[0, 2] * z
                q = v + m[1, 0] * x + m[1, 1] * y + m[1, 2] * z
                r = w + m[2, 0] * x + m[2, 1] * y + m[2, 2] * z
                if trilinear(sac, p, q, r) <= 0.0:
                    clear = False
                    break
            out[t, c] = clear
