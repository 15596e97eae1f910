"""The skin, found in the label map: where tissue ends along a line out of the patient."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from recon.grid import Float, Grid
from recon.labels import Labels, Tissue

STEP_MM = 0.25
"""Spacing of the samples along the line; half of it is the error of the skin point."""

FARTHEST_MM = 250.0
"""No skin is sought further than this from the start."""


def skin_point_mm(labels: Labels, grid: Grid, start_ras_mm: Float, direction_ras: Float) -> Float | None:
    """Where a line out of the patient leaves the skin.

    Parameters
    ----------
    labels : (nx, ny, nz) array; OUTSIDE is air
    start_ras_mm : (3,) array, a point inside the patient
    direction_ras : (3,) unit array pointing outward

    Returns
    -------
    (3,) array of RAS mm, or None when the line leaves the grid before any air.
    """
    steps = np.arange(0.0, FARTHEST_MM, STEP_MM)
    points = start_ras_mm + steps[:, None] * direction_ras
    inside = grid.contains(points)
    found = ndimage.map_coordinates(labels, grid.index_of(points).T, order=0, mode="nearest")
    air = np.flatnonzero(inside & (found == Tissue.OUTSIDE))
    return points[air[0]] if len(air) and inside[: air[0]].all() else None
