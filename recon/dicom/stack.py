"""From the positions of slices to one regular stack, or a refusal that names the slices and the gap."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from canalwise.recon.dicom.headers import Group, SliceHeader
from canalwise.recon.errors import BadGeometry
from canalwise.recon.grid import Float
from canalwise.recon.image.volume import tilt_deg

POSITION_TOL_MM = 0.06
"""A slice may lie this far off the regular line: positions are often written with one decimal."""

POSITION_TOL_FRAC = 0.1
"""And no farther than this share of the step, for very thin slices."""

SAME_PLACE_TOL_MM = 0.01
"""Slices closer than this lie at the same place."""

UNIT_TOL = 1e-3
"""Largest deviation of a slice's two directions from perpendicular unit vectors."""

LEAN_REPORTED_DEG = 0.1
"""A lean beyond this is mentioned beside uneven gaps."""

GAPS_NAMED = 4
"""A message names at most this many gaps."""


def stacked(group: Group) -> tuple[Group, Float]:
    """The slices in order of position, and the (4, 4) affine RAS mm of (column, row, slice).

    Slices are counted from the caudal (posterior, right) end of the stack.

    Slices are sorted by position on their normal; names, numbers and thickness tags are not looked at
    (https://dicom.nema.org/medical/dicom/current/output/chtml/part03/sect_C.7.6.2.html).

    Raises BadGeometry for one slice only, slices at the same place, missing or unevenly spaced slices.
    """
    normal = _normal(group[0])
    ordered = tuple(sorted(group, key=lambda header: float(header.position_ras_mm @ normal)))
    positions = np.array([header.position_ras_mm for header in ordered])
    _check_spread(positions @ normal)
    affine = _affine(ordered[0], *_line(positions))
    _check_regular(positions, normal, affine)
    return ordered, affine


def _normal(header: SliceHeader) -> Float:
    axes = np.array([header.row_ras, header.column_ras])
    if np.abs(axes @ axes.T - np.eye(2)).max() > UNIT_TOL or header.spacing_mm.min() <= 0:
        raise BadGeometry(
            "the slices",
            "must have two perpendicular unit directions and positive spacing",
            got=(axes.round(4).tolist(), header.spacing_mm.tolist()),
        )
    normal = np.cross(axes[0], axes[1])
    # Turned to the nearest of left, front and top, so that slices are counted in the same direction in every series.
    return normal * np.sign(normal[np.abs(normal).argmax()])


def _check_spread(heights: Float) -> None:
    if len(heights) < 2:
        raise BadGeometry(
            "the scan", "must be a stack of slices", got="one slice", do="Give the folder of the whole series."
        )
    same = np.flatnonzero(np.diff(heights) < SAME_PLACE_TOL_MM) + 1
    if same.size:
        pairs = ", ".join(f"{k} and {k + 1}" for k in same[:GAPS_NAMED]) + (" ..." if same.size > GAPS_NAMED else "")
        raise BadGeometry(
            "the slices",
            "must each have a place of their own",
            got=f"{same.size} duplicate positions: slices {pairs}",
            do="Two acquisitions or echoes are mixed; export one of them.",
        )


def _line(positions: Float) -> tuple[Float, Float]:
    """First point and step of the regular row of points nearest to the positions (least squares)."""
    number = np.arange(len(positions)) - (len(positions) - 1) / 2
    step = number @ positions / (number @ number)
    return positions.mean(axis=0) + number[0] * step, step


def _check_regular(positions: Float, normal: Float, affine: Float) -> None:
    first, step = affine[:3, 3], affine[:3, 2]
    off = np.linalg.norm(positions - first - np.arange(len(positions))[:, None] * step, axis=1)
    tolerance = min(POSITION_TOL_MM, POSITION_TOL_FRAC * float(np.linalg.norm(step)))
    if off.max() <= tolerance:
        return
    gaps = np.diff(positions @ normal)
    usual = float(np.median(gaps))
    odd = np.flatnonzero(np.abs(gaps - usual) > tolerance)
    if not odd.size:
        raise BadGeometry("the slices", "must lie on one straight line", got=f"{off.max():.2f} mm off it sideways")
    # Gaps of whole steps mean slices that got lost; anything else was never even.
    whole = np.rint(gaps[odd] / usual)
    missing = bool((whole >= 2).all() and (np.abs(gaps[odd] - whole * usual) <= tolerance * whole).all())
    lean_deg = tilt_deg(affine)
    reported = f"{_reported(odd, gaps)} where {usual:.2f} mm is usual"
    if lean_deg > LEAN_REPORTED_DEG:
        reported += f"; the stack also leans by {lean_deg:.1f} deg"
    if missing:
        raise BadGeometry(
            "the slices",
            "must all be there",
            got=f"{int(whole.sum()) - odd.size} missing: {reported}",
            do="Copy or export the whole series again.",
        )
    raise BadGeometry(
        "the slices", "must be evenly spaced", got=reported, do="Reconstruct the series with one slice spacing."
    )


def _reported(odd: npt.NDArray[np.intp], gaps: Float) -> str:
    named = [f"slices {k + 1} and {k + 2} are {gaps[k]:.2f} mm apart" for k in odd[:GAPS_NAMED]]
    return ", ".join(named) + (f" and {len(odd) - GAPS_NAMED} gaps more" if len(odd) > GAPS_NAMED else "")


def _affine(first: SliceHeader, origin_ras_mm: Float, step_ras_mm: Float) -> Float:
    affine = np.eye(4)
    affine[:3, 0] = first.row_ras * first.spacing_mm[0]
    affine[:3, 1] = first.column_ras * first.spacing_mm[1]
    affine[:3, 2] = step_ras_mm
    affine[:3, 3] = origin_ras_mm
    return affine
