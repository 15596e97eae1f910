"""Bone beside a vertebra's body, where a sacrum has its alae and psoas lies at a lumbar vertebra.

The place looked at grows with the patient: it begins just outside the bodies found. An ala is thickest at the
upper part of S1, above the middle of its pedicle; at that height an L5 has neither its transverse processes nor more of
its body than the upper rim, so there the two differ most.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from canalwise.recon.naming.straightened import STEP_MM, Straightened
from canalwise.recon.segmentation.tissue_classes import TissueClass

ASIDE_MM, DORSAL_MM, ABOVE_MM = (26.0, 38.0), (-28.0, -12.0), (-2.0, 10.0)
"""Sideways of the canal's middle, ventral to dorsal of it, and above the pedicle's height, where the bodies' half width
is `USUAL_HALF_MM` (choice between places tried on seven made-up spines and the real CT)."""

USUAL_HALF_MM, SCALES = 21.5, (0.85, 1.2)
"""Half the width of a body at its pedicles, for which the place is stated, and by how much it may shrink and grow
(choices: medians of seven made-up spines and the real CT: 19 to 22 mm)."""

WHOLE_HALF_MM = 15.0
"""A body less wide is cut by the scan's end, or none (choice)."""

VIEW_FRAC = 0.9
"""Least share of that place in view on a side to judge it."""


def flank_fracs(
    spine: Straightened, kind: npt.NDArray[np.uint8], pedicles_mm: Sequence[float]
) -> list[tuple[float, float] | None]:
    """(lesser, greater) share of bone in the flanks at each pedicle's height; None unless both are in view.

    Parameters
    ----------
    spine : the scan straightened along its canal
    kind : (nx, ny, ns) array of `TissueClass` on its lattice
    pedicles_mm : heights along the canal
    """
    scale = _scale([_half_width_mm(spine, kind, height) for height in pedicles_mm])
    return [_flank_frac(spine, kind, height, scale) for height in pedicles_mm]


def _scale(half_widths_mm: Sequence[float]) -> float:
    """Size of the patient over the usual one.

    >>> _scale([0.0, 19.35, 19.35]), _scale([]), _scale([90.0])
    (0.9, 1.0, 1.2)
    """
    whole = [half for half in half_widths_mm if half >= WHOLE_HALF_MM]
    return float(np.clip(np.median(whole) / USUAL_HALF_MM, *SCALES)) if whole else 1.0


def _half_width_mm(spine: Straightened, kind: npt.NDArray[np.uint8], height_mm: float) -> float:
    """Half the mean width of the body at a pedicle's height; a sacrum's is of another class."""
    place = (spine.span(spine.dorsal_mm, -30.0, -14.0), spine.span(spine.along_mm, height_mm - 6.0, height_mm + 6.0))
    width = (kind[:, *place] == TissueClass.BODY).sum(axis=0)
    return float(width.mean()) * STEP_MM / 2 if width.size else 0.0


def _flank_frac(
    spine: Straightened, kind: npt.NDArray[np.uint8], height_mm: float, scale: float
) -> tuple[float, float] | None:
    aside, dorsal, above = (scale * np.array(place) for place in (ASIDE_MM, DORSAL_MM, ABOVE_MM))
    y, z = spine.span(spine.dorsal_mm, *dorsal), spine.span(spine.along_mm, *(height_mm + above))
    shares = []
    for low, high in (aside, -aside[::-1]):
        part = (spine.span(spine.left_mm, low, high), y, z)
        view = spine.in_view[part]
        if not view.size or view.mean() < VIEW_FRAC:
            return None
        shares.append(float((kind[part][view] >= TissueClass.BODY).mean()))
    return min(shares), max(shares)
