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
from canalwise.recon.parallel import both

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
        nothing, zero = np.zeros(0, dtype=np.intp), np.zeros(3, dtype=np.int64)
        columns = np.zeros((1, 1, 2), dtype=np.int32)
        return SetCells(np.zeros((0, 3)), np.zeros(0), nothing.astype(np.uint8), nothing, cell_mm, zero, columns)
    # halves are rounded to even numbers, on either side alike
    index = np.rint(wanted.level_mm / cell_mm).astype(np.int64)
    first = index.min(axis=0)
    size = index.max(axis=0) + 1 - first
    keys = 4 * np.ravel_multi_index(tuple((index - first).T), tuple(size)) + wanted.zone
    cells, of_voxel = np.unique(keys, return_inverse=True)
    mm3 = np.asarray(np.bincount(of_voxel, weights=wanted.mm3), dtype=float)
    centres = np.stack([np.bincount(of_voxel, weights=wanted.mm3 * x) for x in wanted.level_mm.T], axis=-1)
    zone = (cells % 4).astype(np.uint8)
    ends = np.searchsorted(cells // (4 * size[2]), np.arange(size[0] * size[1] + 1)).astype(np.int32)
    columns = np.stack([ends[:-1], ends[1:]], axis=-1).reshape(size[0], size[1], 2)
    return SetCells(centres / mm3[:, None], mm3, zone, of_voxel, cell_mm, first, columns)


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
    every = takes_at(places, wanted, cells, solid, keep_out, frame, (bite, tool), standing=True)
    return some_tips(every, np.flatnonzero(np.diff(every.starts)))


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


def takes_at(
    places_mm: Float,
    wanted: SetCells,
    cells: LevelCells,
    solid: npt.NDArray[np.float32],
    keep_out: KeepOut,
    frame: Frame,
    sizes_mm: tuple[float, float],
    standing: bool = False,
) -> Tips:
    """What a tip at each of (T, 3) places takes.

    Parameters
    ----------
    sizes_mm : bite and tool radius
    standing : a tip takes nothing where it cannot stand
    """
    bite, tool = sizes_mm
    places = np.ascontiguousarray(places_mm)
    free = free_at(places, cells, keep_out, frame, tool) if standing else np.ones(len(places), dtype=np.bool_)
    reach = np.array([bite - INSIDE_BITE_MM, *cells.origin_mm, tool + CELL_MM / 2])
    lattice = (wanted.centres_mm, wanted.columns, wanted.first, wanted.edge_mm)
    turn = np.ascontiguousarray(np.linalg.inv(keep_out.grid.affine_ras_mm)[:3, :3] @ frame.axes_ras.T)
    sac = (keep_out.distance_mm, np.ascontiguousarray(keep_out.grid.index_of(frame.to_world_mm(places))), turn)
    half = len(places) // 2

    def look(some: slice) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int32]]:
        return _taken(places[some], free[some], lattice, reach, solid, (sac[0], sac[1][some], sac[2]))

    one, other = both(lambda: look(slice(None, half)), lambda: look(slice(half, None)))
    starts = np.concatenate([one[0], one[0][-1] + other[0][1:]])
    return Tips(places, starts, np.concatenate([one[1], other[1]]))


def some_tips(tips: Tips, which: npt.NDArray[np.integer]) -> Tips:
    """Tips by their numbers.

    Parameters
    ----------
    which : (M,) array, numbers of tips, 0 to T - 1
    """
    starts, entries = rows_of(tips.starts, which)
    return Tips(np.ascontiguousarray(tips.places_mm[which]), starts, tips.takes[entries])


def joined_tips(one: Tips, other: Tips) -> Tips:
    """The tips of both."""
    return Tips(
        np.concatenate([one.places_mm, other.places_mm]),
        np.concatenate([one.starts, one.starts[-1] + other.starts[1:]]),
        np.concatenate([one.takes, other.takes]),
    )


def rows_of(
    starts: npt.NDArray[np.int64], which: npt.NDArray[np.integer]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.intp]]:
    """Starts of some rows of a ragged array put one after the other, and where their entries come from.

    Parameters
    ----------
    starts : (R + 1,) array; row r holds the entries starts[r]:starts[r + 1]
    which : (M,) array, numbers of rows

    Returns
    -------
    new : (M + 1,) array, starts of the chosen rows
    entries : (K,) array, where their entries stood

    >>> starts, entries = rows_of(np.array([0, 2, 5, 6]), np.array([1, 0]))
    >>> starts.tolist(), entries.tolist()
    ([0, 3, 5], [2, 3, 4, 0, 1])
    """
    sizes = np.diff(starts)[which]
    new = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
    return new, np.repeat(starts[:-1][which] - new[:-1], sizes) + np.arange(new[-1])


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
    places: Numbers, free: Numbers, lattice: Numbers, reach: Numbers, solid: Numbers, sac: Numbers
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int32]]:
    """Cells within reach[0] of each free tip that nothing shuts off.

    reach[1:4] is the origin of the cells of bone, reach[4] the hollow that the tool has burred about its tip. As far as
    the sac lies off, nobody need look for it.
    """
    centres, columns, first, edge = lattice
    distance, index, m = sac
    bite, hollow, (nx, ny, _), (bx, by, bz) = reach[0], reach[4], columns.shape, solid.shape
    starts, takes = np.zeros(len(places) + 1, dtype=np.int64), np.empty(64 * len(places) + 64, dtype=np.int32)
    # a cell is placed by the centroid of its tissue, which lies up to half an edge off its index
    end, far = 0, bite + 0.5 * edge
    for t in range(len(places)):
        starts[t + 1] = end
        if not free[t]:
            continue
        px, py, pz = places[t, 0], places[t, 1], places[t, 2]
        ox, oy, oz = (px - reach[1]) / CELL_MM, (py - reach[2]) / CELL_MM, (pz - reach[3]) / CELL_MM
        u, v, w = index[t, 0], index[t, 1], index[t, 2]
        off_tip = trilinear(distance, u, v, w)
        i0, i1 = int(np.ceil((px - far) / edge)) - first[0], int(np.floor((px + far) / edge)) - first[0]
        j0, j1 = int(np.ceil((py - far) / edge)) - first[1], int(np.floor((py + far) / edge)) - first[1]
        for i in range(max(i0, 0), min(i1, nx - 1) + 1):
            for j in range(max(j0, 0), min(j1, ny - 1) + 1):
                for c in range(columns[i, j, 0], columns[i, j, 1]):
                    dx, dy, dz = centres[c, 0] - px, centres[c, 1] - py, centres[c, 2] - pz
                    squared = dx * dx + dy * dy + dz * dz
                    if squared > bite * bite:
                        continue
                    length = np.sqrt(squared)
                    steps = max(int(np.ceil(length / SIGHT_STEP_MM)), 1)
                    step, clear = max(length / steps, 1e-9), True
                    for s in range(int(hollow / step) + 1, steps):
                        part = s / (steps * CELL_MM)
                        x, y, z = (
                            int(np.rint(ox + part * dx)),
                            int(np.rint(oy + part * dy)),
                            int(np.rint(oz + part * dz)),
                        )
                        if 0 <= x < bx and 0 <= y < by and 0 <= z < bz and solid[x, y, z] >= SOLID_FRAC:
                            clear = False
                            break
                    if not clear:
                        continue
                    p = m[0, 0] * dx + m[0, 1] * dy + m[0, 2] * dz
                    q = m[1, 0] * dx + m[1, 1] * dy + m[1, 2] * dz
                    r = m[2, 0] * dx + m[2, 1] * dy + m[2, 2] * dz
                    s = max(int(off_tip / step), 1)
                    while s < steps:
                        part = s / steps
                        off = trilinear(distance, u + part * p, v + part * q, w + part * r)
                        if off <= 0.0:
                            clear = False
                            break
                        s += max(int(off / step), 1)
                    if clear:
                        if end == len(takes):
                            grown = np.empty(2 * end, dtype=np.int32)
                            grown[:end] = takes
                            takes = grown
                        takes[end] = c
                        end += 1
        starts[t + 1] = end
    return starts, takes[:end].copy()
