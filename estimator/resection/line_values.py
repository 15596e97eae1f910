"""Tool lines as values: where they enter, from which pivot to which tip, what they take of the set and of the bone.

The approach gives the pivot; from there skin and fascia let it move lateral, away from the midline, and along the spine
either way, within the records' bounds: the entry window. It is looked at on a small lattice whose corners are the
bounds themselves. Ventral of the dorsal surface of the near laminae the burr clears the path; dorsal of it instruments
pass beside bone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from canalwise.estimator.approach.approach import Approach, axis_level
from canalwise.estimator.decompression.rules import ResectionRules
from canalwise.recon.grid import Float

PLACES = (5, 5)
"""Pivots across and along the window (scripts/why_resection.py)."""

DORSAL_PERCENT = 99
"""This percentile of the laminae's bone is their dorsal surface: strays of the labels do not move it."""


@dataclass(frozen=True, eq=False)
class ToolLines:
    """Lines that can be gone, L of them.

    Parameters
    ----------
    pivots_mm, tips_mm : (P, 3) and (T, 3) arrays, level frame
    pivot, tip : (L,) arrays, indices into these
    blocking_structures : (p, t) array, why each pair of the first pivots and tips, those of the lattice, cannot be
        gone: 0 it can, 1 window, 2 length, 3 sac, 4 protected bone, 5 bone beside sleeve or scope
    """

    pivots_mm: Float
    tips_mm: Float
    pivot: npt.NDArray[np.int32]
    tip: npt.NDArray[np.int32]
    blocking_structures: npt.NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class SetCells:
    """The set in C cells.

    Parameters
    ----------
    centres_mm : (C, 3) array, centroids of the tissue in each cell, level frame
    mm3 : (C,) array
    zone : (C,) array, the zone it lies in
    of_voxel : (N,) array, cell of each of the set's voxels
    edge_mm : of a cell
    first : (3,) array, the least index of any cell; index times edge is its centre, level frame
    columns : (nx, ny, 2) array; of the cells with an index (x, y) beyond the first, which lie side by side from caudal
        to cranial, the first and the one after the last
    """

    centres_mm: Float
    mm3: Float
    zone: npt.NDArray[np.uint8]
    of_voxel: npt.NDArray[np.intp]
    edge_mm: float
    first: npt.NDArray[np.int64]
    columns: npt.NDArray[np.int32]


@dataclass(frozen=True, eq=False)
class Tips:
    """Where a tip may stand, T of them, and what it takes from there.

    Parameters
    ----------
    places_mm : (T, 3) array, level frame
    starts : (T + 1,) array; tip t takes the cells takes[starts[t]:starts[t + 1]]
    takes : (K,) array, cells
    """

    places_mm: Float
    starts: npt.NDArray[np.int64]
    takes: npt.NDArray[np.int32]


@dataclass(frozen=True, eq=False)
class Tunnels:
    """What L lines take of the cells' bone.

    Parameters
    ----------
    price : (C,) array, weighted mm3 of the cells that any line takes
    starts : (L + 1,) array; line l takes of the cells cells[starts[l]:starts[l + 1]]
    cells, share : (K,) arrays
    """

    price: npt.NDArray[np.float32]
    starts: npt.NDArray[np.int64]
    cells: npt.NDArray[np.int32]
    share: npt.NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class EntryWindow:
    """Where the instrument enters, level frame.

    Parameters
    ----------
    pivots_mm : (P, 3) array, the approach's own first
    outward : (3,) unit array, from the docking point to the pivot
    beside_from_mm : how far outward, from the level's origin, the laminae's dorsal surface lies: from there on sleeve
        and scope pass beside bone
    """

    pivots_mm: Float
    outward: Float
    beside_from_mm: float

    def within(self, pivots_mm: Float) -> Float:
        """(..., 3) array: pivots drawn in to the window's bounds."""
        return np.clip(pivots_mm, self.pivots_mm.min(axis=0), self.pivots_mm.max(axis=0))


def entry_window(
    approach: Approach, lamina_mm: Float, rules: ResectionRules, places: tuple[int, int] = PLACES
) -> EntryWindow:
    """The window of an approach.

    Parameters
    ----------
    lamina_mm : (N, 3) array, level frame: bone of both laminae of the approach's side, along the stations; where none
        is in view the docking point stands for it
    places : how many pivots across and along

    >>> from canalwise.estimator.approach.approach import Phase
    >>> plan = Approach("L3-L4", "left", (8.0, 12.0, 0.0), 40.0, (Phase("ipsilateral", 0.0),))
    >>> window = entry_window(plan, np.array([[8.0, 18.0, 0.0]]), ResectionRules())
    >>> window.beside_from_mm
    18.0
    >>> window.pivots_mm[0].tolist(), window.pivots_mm.max(axis=0).tolist(), len(window.pivots_mm)
    ([8.0, 52.0, 0.0], [16.0, 52.0, 15.0], 25)
    """
    docking, pivot, outward = entry_axis(approach)
    toward_side = 1.0 if approach.side == "left" else -1.0
    lateral = np.linspace(0.0, rules.value("window_lateral_mm"), places[0])
    along = np.linspace(-1.0, 1.0, places[1]) * rules.value("window_along_mm")
    # the middle first: the first pivot of a window is the approach's own
    along = along[np.argsort(np.abs(along), kind="stable")]
    shifts = [[toward_side * x, 0.0, z] for x in lateral for z in along]
    docked = float(docking @ outward)
    surface = dorsal_surface_mm(lamina_mm, outward) if len(lamina_mm) else docked
    return EntryWindow(pivot + np.array(shifts), outward, max(surface, docked))


def entry_axis(approach: Approach) -> tuple[Float, Float, Float]:
    """Docking point, pivot and the unit vector from the one to the other, (3,) arrays of the level frame."""
    first = approach.phases[0]
    docking = np.array(approach.docking_point_mm)
    axis = axis_level(approach.side, first.medial_tilt_deg, first.cranial_tilt_deg)
    pivot = docking - approach.pivot_distance_mm * axis + np.array(first.pivot_shift_mm)
    return docking, pivot, (pivot - docking) / np.linalg.norm(pivot - docking)


def dorsal_surface_mm(lamina_mm: Float, outward: Float) -> float:
    """How far outward from the level's origin the dorsal surface of (N, 3) places of the laminae lies."""
    return float(np.percentile(lamina_mm @ outward, DORSAL_PERCENT))
