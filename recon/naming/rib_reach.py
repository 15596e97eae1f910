"""How far a rib runs from each vertebra: a thin bright strut from its dorsolateral corner, followed outwards.

A rib is a tube: narrow in every sagittal cut, attached where body and arch meet, and unbroken outwards.
Kidneys and bowel with contrast, vessels, stents and cement are thick or attached to nothing, iliac wings are plates
that rise from below; a transverse process is such a strut as well but ends within 55 mm of the midline. So what is
thick is taken away first, and the strut is then followed slab by slab: each next piece must touch the last, and a
piece as high or deep as a plate ends it. A side whose flank the scan does not hold has no answer.
"""

from __future__ import annotations

import cc3d
import edt
import numpy as np
import numpy.typing as npt

from canalwise.recon.image.morphology import dilated
from canalwise.recon.labels import Mask
from canalwise.recon.naming.column_cues import RibReach
from canalwise.recon.naming.straightened import STEP_MM, Straightened

START_MM = (28.0, 34.0)
"""Where the strut starts, from the canal's middle: lateral of pedicle and joints, medial of any process's tip."""

START_DORSAL_MM, START_ABOVE_MM = (-26.0, 26.0), (-12.0, 16.0)
"""From ventral to dorsal of the canal's middle, and about the pedicle's height, a rib or process leaves its vertebra
here (common practice, no source)."""

THICK_MM = 8.0
"""Half the thickness from which bright tissue is no rib: ribs are 6..14 mm across (common practice, no source)."""

WIDEST_MM = 34.0
"""A sagittal cut of a strut higher or deeper than this is a plate's: a rib that runs obliquely cuts at twice its
thickness (common practice, no source)."""

CLEAR_MM = 60.0
"""No transverse process reaches this far from the midline: half spans are 35..47 mm
(docs/published-values.md#vertebrae)."""

VIEW_FRAC = 0.9
"""Least share of a flank that must be in view to say that no rib is there."""

SLAB = 2
"""Lattice steps per slab that the strut is followed by."""


def rib_reaches(spine: Straightened, bright_hu: float, pedicles_mm: npt.ArrayLike) -> tuple[RibReach, ...]:
    """The reach of the struts at every pedicle height.

    Parameters
    ----------
    bright_hu : value from which coarse voxels may be a rib
    pedicles_mm : (N,) heights along the canal
    """
    thin = slender((spine.hu >= bright_hu) & spine.in_view)
    left, right = spine.left_mm > 0, spine.left_mm < 0
    sides = [(thin[left], spine.in_view[left]), (thin[right][::-1], spine.in_view[right][::-1])]
    out_mm = spine.left_mm[left]
    found = []
    for pedicle in np.atleast_1d(np.asarray(pedicles_mm, dtype=float)):
        (one, cut), (other, off) = (_reach_mm(spine, out_mm, *side, float(pedicle)) for side in sides)
        longer_cut = cut if (one or 0.0) >= (other or 0.0) else off
        found.append(RibReach(one, other, longer_cut))
    return tuple(found)


def slender(bright: Mask) -> Mask:
    """(nx, ny, ns) array: what is bright less everything thicker than 2 THICK_MM and the rind about it.

    >>> blob = np.zeros((30, 30, 30), dtype=bool); blob[2:24, 2:24, 2:24] = True; blob[24:, 12:15, 12:15] = True
    >>> bool(slender(blob)[10, 10, 10]), bool(slender(blob)[28, 13, 13])
    (False, True)
    """
    depth = edt.edt(np.ascontiguousarray(bright), anisotropy=(STEP_MM,) * 3, black_border=False)
    core = depth > THICK_MM
    if not core.any():
        return bright
    away = edt.edt(np.ascontiguousarray(~core), anisotropy=(STEP_MM,) * 3, black_border=False)
    return np.asarray(bright & (away > THICK_MM + STEP_MM))


def _reach_mm(
    spine: Straightened, out_mm: npt.NDArray[np.float64], thin: Mask, in_view: Mask, pedicle_mm: float
) -> tuple[float | None, bool]:
    """How far out the strut of one side runs, and whether it leaves the view; arrays run outwards from the midline."""
    dorsal = spine.span(spine.dorsal_mm, *START_DORSAL_MM)
    along = spine.span(spine.along_mm, pedicle_mm + START_ABOVE_MM[0], pedicle_mm + START_ABOVE_MM[1])
    first, last = np.searchsorted(out_mm, START_MM)
    flank = in_view[first : int(np.searchsorted(out_mm, CLEAR_MM)), dorsal, along]
    if not flank.size:
        return None, False
    front = np.zeros(thin.shape[1:], dtype=bool)
    front[dorsal, along] = thin[first:last, dorsal, along].any(axis=0)
    reached, front = _followed(thin, front, int(last))
    runs_out = reached > last and (reached + SLAB > len(thin) or not in_view[reached : reached + SLAB][:, front].all())
    if flank.mean() < VIEW_FRAC and out_mm[reached - 1] < CLEAR_MM:
        return None, False
    return float(out_mm[reached - 1]), bool(runs_out)


def _followed(thin: Mask, front: Mask, start: int) -> tuple[int, Mask]:
    """Index one past the outermost slab that the strut which starts at `front`, (ny, ns), reaches; its last section."""
    reached = start
    for at in range(start, len(thin) - SLAB + 1, SLAB):
        pieces = cc3d.connected_components(np.asarray(thin[at : at + SLAB].any(axis=0)), connectivity=8)
        touched = np.unique(pieces[dilated(front) & (pieces > 0)])
        kept = [n for n in touched if _compact(pieces == n)]
        if not kept:
            break
        front, reached = np.isin(pieces, kept), at + SLAB
    return reached, front


def _compact(piece: Mask) -> bool:
    """Is a piece of a sagittal cut no larger than a strut's?"""
    return all(np.ptp(index) * STEP_MM <= WIDEST_MM for index in np.nonzero(piece))
