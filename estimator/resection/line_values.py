"""Tool lines as a value: from which pivot to which tip, with which tool."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from canalwise.recon.grid import Float


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
