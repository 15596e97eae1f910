"""A level on a coarse lattice of its own frame, on which lines are chosen: bone and its price, and how far it lies.

The lattice turns with the patient, so that a choice does not depend on how the scan was taken; it is the same size for
every scan, so that its speed does not either. Numbers for people are counted on the scan's own voxels afterwards.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import edt
import numpy as np
import numpy.typing as npt

from canalwise.estimator.decompression.stations import CanalStations
from canalwise.estimator.level.level_bone import PROTECTED_PARTS, LevelBone
from canalwise.recon.anatomy import Level
from canalwise.recon.grid import Float, Index3
from canalwise.recon.image.sampling import block_sums, linear_box, nearest_box
from canalwise.recon.labels import Labels, Part, bone_mask
from canalwise.recon.parallel import thread_count

CELL_MM = 1.0
"""Edge of a cell (scripts/why_resection.py)."""

SUB = 2
"""Samples along an edge of a cell."""

LATERAL_MM, VENTRAL_MM, DORSAL_MM, ALONG_MM = 30.5, 12.0, 48.0, 25.0
"""The lattice reaches this far lateral, ventral and dorsal of the level's axis, and past both insertions. One cell's
centre lies on the midline, so the lattice of the mirror image is its mirror image, and tips, which lie on whole
millimetres, lie at centres of cells and not on their borders, where rounding would decide."""

BONE_FRAC = 0.5
"""A cell with at least this much bone is bone that a sleeve meets."""

ANY_FRAC = 0.1
"""A cell with this much of a spinous process is to be passed without touching."""

Cells = npt.NDArray[np.float32]


class BoneCells(NamedTuple):
    """Cells with bone that may be taken, numbered from 0 along z, then y, then x.

    Parameters
    ----------
    number : (nx, ny, nz) array, -1 where there is none
    price : (P,) array, weighted mm3
    spans : (nx, ny, 2) array, the first and last such cell along z; first beyond last where there is none
    """

    number: npt.NDArray[np.int32]
    price: Cells
    spans: npt.NDArray[np.int32]


@dataclass(frozen=True, eq=False)
class PricedCells:
    """What a level's bone is worth, cell by cell.

    Parameters
    ----------
    origin_mm : (3,) array, centre of the first cell, level frame
    edge_mm : of a cell
    price : (nx, ny, nz) array, weighted mm3 of bone in each cell, 0 where none may be taken
    """

    origin_mm: Float
    edge_mm: float
    price: Cells

    @cached_property
    def bone(self) -> BoneCells:
        """The cells that have a price.

        >>> PricedCells(np.zeros(3), 1.0, np.array([[[0.0, 2.0, 3.0]]], dtype=np.float32)).bone.spans.tolist()
        [[[1, 2]]]
        """
        there = self.price > 0
        number = np.full(there.shape, -1, dtype=np.int32)
        number[there] = np.arange(int(there.sum()), dtype=np.int32)
        first, last = there.argmax(axis=2), there.shape[2] - 1 - there[:, :, ::-1].argmax(axis=2)
        spans = np.stack([first, np.where(there.any(axis=2), last, -1)], axis=-1).astype(np.int32)
        return BoneCells(number, self.price[there], spans)

    def gathered(self, count: int) -> PricedCells:
        """The same in cells of `count` edges a side; cells beyond the last whole one are added up with nothing.

        >>> fine = PricedCells(np.zeros(3), 1.0, np.ones((3, 2, 2), dtype=np.float32))
        >>> both = fine.gathered(2)
        >>> both.origin_mm.tolist(), both.edge_mm, both.price.ravel().tolist()
        ([0.5, 0.5, 0.5], 2.0, [8.0, 4.0])
        """
        whole = np.pad(self.price, [(0, -n % count) for n in self.price.shape])
        origin = self.origin_mm + (count - 1) / 2 * self.edge_mm
        return PricedCells(origin, count * self.edge_mm, block_sums(whole, (count,) * 3).astype(np.float32))


@dataclass(frozen=True, eq=False)
class LevelCells:
    """Cells of CELL_MM in the level frame.

    Parameters
    ----------
    origin_mm : (3,) array, centre of the first cell, level frame
    price : (nx, ny, nz) array, weighted mm3 of bone in each cell, 0 where none may be taken
    bone_distance_mm : (nx, ny, nz) array, distance to the nearest bone, negative inside it
    passing_mm : (nx, ny, nz) array, widest radius of a sleeve whose axis may pass there dorsal of the laminae: the
        distance to bone and the contact allowed with it, or to the spinous processes, on which it may not press at
        all; the spinous base counts as lamina, which the burr clears
    protected_distance_mm : (nx, ny, nz) array, the same to bone that is never taken
    """

    origin_mm: Float
    price: Cells
    bone_distance_mm: Cells
    passing_mm: Cells
    protected_distance_mm: Cells

    @cached_property
    def priced(self) -> PricedCells:
        """The price alone."""
        return PricedCells(self.origin_mm, CELL_MM, self.price)


def level_cells(
    level: Level, level_bone: LevelBone, stations: CanalStations, price_of_part: Float, contact_mm: float
) -> LevelCells:
    """The lattice of a level.

    Parameters
    ----------
    price_of_part : (100,) array, what a mm3 of each part of a vertebra is worth
    contact_mm : scope and sleeve may touch bone by so much
    """
    low = np.array([-LATERAL_MM, -VENTRAL_MM, stations.caudal_mm - ALONG_MM])
    high = np.array([LATERAL_MM, DORSAL_MM, stations.cranial_mm + ALONG_MM])
    shape = np.ceil((high - low) / CELL_MM).astype(int)
    origin = low + CELL_MM / 2
    frac, labels = _sampled(level, level_bone, origin, shape)
    every = np.arange(2**16, dtype=np.uint16)
    protected = bone_mask(every) & np.isin(every % 100, PROTECTED_PARTS)
    worth = price_of_part.astype(np.float32)[every % 100]
    worth[protected | ~bone_mask(every)] = 0.0
    size = (SUB, SUB, SUB)
    per_sample = (CELL_MM / SUB) ** 3
    price = block_sums(frac * worth[labels], size) * per_sample
    kept = np.where(protected[labels], frac, np.float32(0))
    process = np.where(_is_part(Part.SPINOUS_PROCESS)[labels], frac, np.float32(0))
    outside = _signed_mm(frac)
    passing = np.minimum(outside + np.float32(contact_mm), _signed_mm(process, ANY_FRAC))
    return LevelCells(origin, price.astype(np.float32), outside, passing, _signed_mm(kept))


def _is_part(part: Part) -> npt.NDArray[np.bool_]:
    """(65536,) array: is a label that part of any vertebra?"""
    every = np.arange(2**16, dtype=np.uint16)
    return np.asarray((every >= 100) & (every % 100 == part))


def _sampled(
    level: Level, level_bone: LevelBone, origin_mm: Float, shape: npt.NDArray[np.intp]
) -> tuple[Cells, Labels]:
    """Occupancy and nearest label at SUB^3 samples of every cell."""
    step = CELL_MM / SUB
    first = origin_mm - CELL_MM / 2 + step / 2
    to_index = np.linalg.inv(level_bone.grid.affine_ras_mm)
    matrix = step * to_index[:3, :3] @ level.frame.axes_ras.T
    offset = level_bone.grid.index_of(level.frame.to_world_mm(first))
    i, j, k = (int(n) * SUB for n in shape)
    samples: Index3 = (i, j, k)
    occupancy = level_bone.bone_mm3 / np.float32(level_bone.grid.voxel_mm3)
    return linear_box(occupancy, matrix, offset, samples), nearest_box(level_bone.labels, matrix, offset, samples)


def _signed_mm(frac: Cells, least: float = BONE_FRAC) -> Cells:
    """Distance of every cell's centre to the border of samples with at least a share of bone, negative inside.

    Found between samples and averaged over each cell's, so it follows the border more finely than cells do.
    """
    inside = np.ascontiguousarray(frac >= least)
    cells = tuple(n // SUB for n in frac.shape)
    if not inside.any():
        return np.full(cells, 1e3, dtype=np.float32)
    step = CELL_MM / SUB
    # two labels without background: from each sample to the nearest of the other, both ways at once
    away = edt.edt(inside.view(np.uint8) + np.uint8(1), anisotropy=(step,) * 3, parallel=thread_count())
    signed = np.where(inside, step / 2 - away, away - step / 2)
    return np.asarray(block_sums(signed, (SUB,) * 3) / SUB**3, dtype=np.float32)
