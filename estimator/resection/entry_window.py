"""The places from which an instrument can go in: the pivot and how far skin and fascia let it move.

The approach gives the pivot; from there it may shift lateral, away from the midline, and along the spine either way,
within the records' bounds. The window is looked at on a small lattice whose corners are the bounds themselves.
Ventral of the dorsal surface of the near laminae the burr clears the way; dorsal of it instruments pass beside bone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canalwise.estimator.approach.approach import Approach, axis_level
from canalwise.estimator.decompression.rules import ResectionRules
from canalwise.recon.grid import Float

PLACES = (5, 5)
"""Pivots across and along the window (scripts/why_resection.py)."""

DORSAL_PERCENT = 99
"""This percentile of the laminae's bone is their dorsal surface: strays of the labels do not move it."""


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
    first = approach.phases[0]
    axis = axis_level(approach.side, first.medial_tilt_deg, first.cranial_tilt_deg)
    docking = np.array(approach.docking_point_mm)
    pivot = docking - approach.pivot_distance_mm * axis + np.array(first.pivot_shift_mm)
    outward = (pivot - docking) / np.linalg.norm(pivot - docking)
    toward_side = 1.0 if approach.side == "left" else -1.0
    lateral = np.linspace(0.0, rules.value("window_lateral_mm"), places[0])
    along = np.linspace(-1.0, 1.0, places[1]) * rules.value("window_along_mm")
    along = along[np.argsort(np.abs(along), kind="stable")]
    shifts = [[toward_side * x, 0.0, z] for x in lateral for z in along]
    docked = float(docking @ outward)
    surface = float(np.percentile(lamina_mm @ outward, DORSAL_PERCENT)) if len(lamina_mm) else docked
    return EntryWindow(pivot + np.array(shifts), outward, max(surface, docked))
