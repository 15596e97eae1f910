"""The marks on one side of a vertebra that its parts are divided by: pedicle, processes, isthmus.

All heights are mm along the canal, all widths |x| from the mid-sagittal plane, depths y dorsal of the centreline.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from canalwise.recon.grid import Float
from canalwise.recon.labels import Mask, Side, sided
from canalwise.recon.spine.arch_view import FACING_MM, VertebraView

PEDICLE_BAND_MM = 5.0
"""Depth of the band, from the posterior wall dorsally, in which only pedicles join body and arch."""

PEDICLE_SOLID_FRAC = 0.5
"""Share of its densest slice that a slice of the band must hold to belong to the pedicle."""

PEDICLE_WIDTH_MM = 12.0
"""How far lateral of the canal the pedicle is looked for: widths are 8..19 mm (MEM,
docs/published-values.md#vertebrae)."""

SIDE_BIN_MM = 1.0
"""Height of the slices in which voxels are counted."""

ISTHMUS_BELOW_PEDICLE_MM = 6.0
"""Where the inferior process is taken to begin when no joint below shows it (common practice, no source)."""

OVERHANG_MM = 3.0
"""How far the superior process may stand out lateral of the pedicle (common practice, no source)."""

FEWEST_FACE_VOXELS = 8
"""Fewest facing voxels that mark a joint."""


@dataclass(frozen=True)
class SideMarks:
    """Marks of one side.

    Parameters
    ----------
    pedicle_low_mm, pedicle_high_mm : heights of the pedicle's lower and upper border
    pedicle_end_mm : depth y where the pedicle meets the arch
    pedicle_lateral_mm : |x| of its outer wall
    superior_low_mm : height above which the lateral arch is the superior process
    superior_lateral_mm : |x| of that process's outer border
    inferior_high_mm : height below which the lateral arch is the inferior process
    inferior_medial_mm : |x| of that process's inner border
    """

    pedicle_low_mm: float
    pedicle_high_mm: float
    pedicle_end_mm: float
    pedicle_lateral_mm: float
    superior_low_mm: float
    superior_lateral_mm: float
    inferior_high_mm: float
    inferior_medial_mm: float


def side_mask(view: VertebraView, side: Side) -> Mask:
    """(n,) array: voxels on one side of the mid-sagittal plane."""
    return np.asarray(view.x_mm >= 0 if side == "left" else view.x_mm < 0)


def side_marks(view: VertebraView, side: Side) -> SideMarks:
    """The marks of one side, from the vertebra's own shape, its neighbours' faces and the parts already given."""
    low, high = pedicle_heights_mm(view, side)
    end = _pedicle_end_mm(view, side, low, high)
    band = _band(view, side) & (view.s_mm >= low) & (view.s_mm <= high) & (view.y_mm < end)
    width = np.abs(view.x_mm)
    lateral = float(np.percentile(width[band], 95)) if band.any() else float(view.half_width_mm().max()) + 8.0
    superior_low, superior_lateral = _superior(view, side, high, lateral)
    inferior_high, inferior_medial = _inferior(view, side, low)
    return SideMarks(low, high, end, lateral, superior_low, superior_lateral, inferior_high, inferior_medial)


def _band(view: VertebraView, side: Side) -> Mask:
    """Voxels just dorsal of the posterior wall and lateral of the canal."""
    beyond = np.abs(view.x_mm) - view.half_width_mm()
    depth = view.y_mm - view.border("ventral")
    return np.asarray(
        side_mask(view, side)
        & (depth >= 0)
        & (depth <= PEDICLE_BAND_MM)
        & (beyond >= -1.0)
        & (beyond <= PEDICLE_WIDTH_MM)
    )


def pedicle_heights_mm(view: VertebraView, side: Side) -> tuple[float, float]:
    """(lower, upper) border of the pedicle along the canal.

    When none is in view both lie beyond the end of the vertebra that the scan cuts: above it when
    the arch hangs below, as the pedicle is the upper part of a vertebra.
    """
    s = view.s_mm[_band(view, side)]
    edges = np.arange(view.s_mm.min() - SIDE_BIN_MM, view.s_mm.max() + 2 * SIDE_BIN_MM, SIDE_BIN_MM)
    count = ndimage.gaussian_filter1d(np.histogram(s, edges)[0].astype(float), 1.0)
    if count.max(initial=0.0) < 3:
        return float(view.s_mm.max()) + 1.0, float(view.s_mm.max()) + 2.0
    solid = count >= PEDICLE_SOLID_FRAC * count.max()
    runs, _ = ndimage.label(solid)
    run = np.flatnonzero(runs == runs[int(count.argmax())])
    return float(edges[run[0]]), float(edges[run[-1] + 1])


def _pedicle_end_mm(view: VertebraView, side: Side, low: float, high: float) -> float:
    """Depth of the dorsal end of both foraminal notches, mean of the one above and the one below the pedicle."""
    beyond = np.abs(view.x_mm) - view.half_width_mm()
    column = side_mask(view, side) & (beyond >= 0) & (beyond <= 6.0) & (view.y_mm > view.border("ventral") + 2.0)
    ends = []
    for near, far in ((high + 1.0, high + 5.0), (low - 5.0, low - 1.0)):
        notch = column & (view.s_mm >= near) & (view.s_mm <= far)
        if notch.sum() >= FEWEST_FACE_VOXELS:
            ends.append(float(np.percentile(view.y_mm[notch], 5)))
    ventral = float(
        np.interp((low + high) / 2 / view.step_mm, np.arange(len(view.borders.ventral_mm)), view.borders.ventral_mm)
    )
    return float(np.clip(np.mean(ends), ventral + 4.0, ventral + 16.0)) if ends else 0.0


def _given(view: VertebraView, name: str, side: Side) -> Mask:
    return np.asarray(view.parts == sided(name, side))


def _facing(view: VertebraView, side: Side, distance_mm: Float) -> Mask:
    """Voxels of the arch near the neighbour's bone, lateral of the spinous process."""
    return np.asarray(
        side_mask(view, side)
        & (distance_mm <= FACING_MM)
        & (np.abs(view.x_mm) > 5.0)
        & (view.y_mm > view.border("ventral") + 2.0)
    )


def _superior(view: VertebraView, side: Side, high: float, pedicle_lateral: float) -> tuple[float, float]:
    """(height it begins at, |x| of its outer border) of the superior process."""
    process = _given(view, "superior_articular", side)
    if not process.any():
        arch = view.y_mm > view.border("ventral") + 2.0
        process = side_mask(view, side) & arch & (view.s_mm > high)
    if process.sum() < FEWEST_FACE_VOXELS:
        return high, pedicle_lateral
    # A transverse process may rise above the pedicle: the superior process overhangs it by little.
    lateral = min(float(np.percentile(np.abs(view.x_mm[process]), 97)), pedicle_lateral + OVERHANG_MM)
    face = _facing(view, side, view.face_above_mm)
    # The face reaches down past the pedicle's upper border; the process is what carries it.
    low = min(high, float(np.percentile(view.s_mm[face], 10))) if face.sum() >= FEWEST_FACE_VOXELS else high
    return max(low, high - 6.0), max(lateral, pedicle_lateral)


def _inferior(view: VertebraView, side: Side, low: float) -> tuple[float, float]:
    """(height it ends at, |x| of its inner border) of the inferior process."""
    process = _given(view, "inferior_articular", side)
    if not process.any():
        process = _facing(view, side, view.face_below_mm) & (view.s_mm < low)
    if process.sum() < FEWEST_FACE_VOXELS:
        half = float(np.median(view.half_width_mm()))
        return low - ISTHMUS_BELOW_PEDICLE_MM, 0.6 * half
    height, width = view.s_mm[process], np.abs(view.x_mm[process])
    return min(float(np.percentile(height, 95)), low), float(np.percentile(width, 5))
