"""Dorsal entry to the canal on one side: the interlaminar window, or what closes it.

Overgrown joints, flat discs and laminae that lie like shingles close the window to a view from straight behind. The
surgeon then starts on the laminae's edges beside the midline and drills the access: the gate lies there, between both.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canalwise.recon.anatomy import Level
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.grid import Float
from canalwise.recon.labels import Side

CLOSED_LATERAL_FRAC = 0.7
"""A closed gate lies this share of the lamina edges' distance from the midline, as open windows do (choice)."""

EDGES = ("upper_lamina_caudal_edge", "lower_lamina_cranial_edge")


@dataclass(frozen=True, eq=False)
class CanalEntry:
    """One side's entry to the canal, level frame.

    Parameters
    ----------
    centre_mm : (3,) array, on the canal's dorsal border where it is open, between the lamina edges where it is closed
    normal : (3,) unit array, dorsal, out of the patient
    open : does a view along the normal see the canal?
    """

    centre_mm: Float
    normal: Float
    open: bool


def canal_entry_of(level: Level, side: Side) -> CanalEntry | None:
    """The gate of one side; None where neither a window nor both lamina edges are in view."""
    window = level.windows.get(side)
    if window is not None:
        frame = level.frame
        return CanalEntry(frame.to_level_mm(window.centre_ras_mm), frame.direction_level(window.normal_ras), open=True)
    edges = [level.landmarks_ras_mm.get(f"{name}_{side}") for name in EDGES]
    known = [level.frame.to_level_mm(edge) for edge in edges if edge is not None]
    if len(known) < len(EDGES):
        return None
    centre = np.mean(known, axis=0) * np.array([CLOSED_LATERAL_FRAC, 1.0, 1.0])
    return CanalEntry(centre, np.array([0.0, 1.0, 0.0]), open=False)


def canal_entry_in_view(level: Level, side: Side) -> CanalEntry:
    """The gate of one side; raises AnatomyNotFound where there is none."""
    canal_entry = canal_entry_of(level, side)
    if canal_entry is None:
        raise AnatomyNotFound(
            f"interlaminar window {level.name} {side}",
            "or both lamina edges must be in view to dock on",
            do="Give an approach with --plan, or choose the other side.",
        )
    return canal_entry
