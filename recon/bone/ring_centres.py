"""Canal centres from enclosed holes of bony rings, chained along a smooth line.

At pedicle level a slice across the spine shows a closed bony ring, and the hole in it is
the canal. Bodies cut near an end plate, sacral foramina and joint gaps make holes too;
only the chain of canal-sized holes that stays on one smooth line is kept.
"""

from __future__ import annotations

import cc3d
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.grid import Float, Grid
from canalwise.recon.labels import Mask

HOLE_MIN_MM2, HOLE_MAX_MM2 = 80.0, 700.0
"""Plausible area of the canal in a slice: wide of the published 119..323 mm2 (docs/published-values.md#canal)."""

RING_GAP_MM = 3.0
"""Gaps of a ring up to twice this are bridged; well under the canal's own width (common practice, no source)."""

LINK_SLOPE = 1.0
"""Steepest run of the canal against the slices' normal that two holes may be linked by (45 deg)."""

LINK_SLACK_MM = 4.0
"""Jump of a hole's centre between slices that is not yet held against a link."""

LINK_REACH_MM = 60.0
"""Longest stretch without a closed ring that a chain bridges: more than one segment (common practice, no source)."""


GIVEN_WORTH = 1000.0
"""A point placed in the canal by a person outweighs any number of holes."""

GIVEN_HEIGHT_MM, GIVEN_ASIDE_MM = 6.0, 12.0
"""Holes this near in height to a given point but this far aside belong to something else (half a canal's width)."""

STRAY_GAP_MM, STRAY_FIT_MM, STRAY_SLOPE = 18.0, 25.0, 0.45
"""Holes past a gap this long that lie further off the line through the next 25 mm than this slope are stray."""


def hole_centres_mm(bone: Mask, grid: Grid) -> tuple[Float, Float]:
    """(K, 3) RAS mm centres and (K,) areas in mm2 of canal-sized holes, slice by slice along axis 2.

    A ring with gaps up to 2 RING_GAP_MM still counts: thin dorsal walls of old bodies break up, and vessels leave
    by them.

    >>> i, j = np.indices((40, 40)) - 20
    >>> ring = (np.hypot(i, j) >= 9) & (np.hypot(i, j) <= 13)
    >>> centres, areas = hole_centres_mm(ring[:, :, None], Grid((40, 40, 1), np.eye(4)))
    >>> centres.tolist(), areas.tolist()
    ([[20.0, 20.0, 0.0]], [249.0])
    """
    reach = np.maximum(np.rint(RING_GAP_MM / grid.spacing_mm[:2]), 1).astype(int)
    pixel_mm2 = float(np.prod(grid.spacing_mm[:2]))
    centres, areas = [], []
    for k in np.flatnonzero(bone.any(axis=(0, 1))):
        pieces = cc3d.connected_components(_holes(bone[:, :, k], reach), connectivity=4)
        stats = cc3d.statistics(pieces)
        area_mm2 = stats["voxel_counts"][1:] * pixel_mm2
        fits = (area_mm2 >= HOLE_MIN_MM2) & (area_mm2 <= HOLE_MAX_MM2)
        middle = stats["centroids"][1:][fits]
        centres.append(grid.world_mm(np.column_stack([middle[:, :2], np.full(len(middle), k)])))
        areas.append(area_mm2[fits])
    if not centres:
        return np.empty((0, 3)), np.empty(0)
    return np.concatenate(centres), np.concatenate(areas)


def _holes(cut: Mask, reach: npt.NDArray[np.intp]) -> Mask:
    """(n, m) array: background of a slice that bone encloses when its gaps are bridged by a disc."""
    i, j = np.mgrid[-reach[0] : reach[0] + 1, -reach[1] : reach[1] + 1]
    disc = (i / (reach[0] + 0.5)) ** 2 + (j / (reach[1] + 0.5)) ** 2 <= 1.0
    pad = int(reach.max()) + 1
    ring = ndimage.binary_closing(np.pad(cut, pad), disc)[pad:-pad, pad:-pad] | cut
    pieces = cc3d.connected_components(np.pad(~ring, 1, constant_values=True), connectivity=4)
    return np.asarray((pieces != pieces[0, 0]) & (pieces != 0))[1:-1, 1:-1]


def longest_chain(centres_mm: Float, areas_mm2: Float, axis: Float, given: Mask | None = None) -> npt.NDArray[np.intp]:
    """Indices, along `axis`, of the smoothest long chain through the holes (dynamic programming).

    Each hole adds one to the chain, a third more when it is about as large as the one before; each
    link costs its sideways jump beyond LINK_SLACK_MM, per slack. Ties go to the chain further dorsal.
    A `given` point, (K,) array, adds GIVEN_WORTH, so that the chain passes through it.

    A hole far to the side of the others is left out.

    >>> holes = np.array([[0.0, 0, 0], [0, 0, 4], [60, 0, 6], [0, 0, 8]])
    >>> longest_chain(holes, np.full(4, 200.0), np.array([0.0, 0, 1])).tolist()
    [0, 1, 3]
    """
    along = centres_mm @ axis
    order = np.argsort(along, kind="stable")
    worth = np.ones(len(order)) if given is None else np.where(given[order], GIVEN_WORTH, 1.0)
    score, previous = worth.copy(), np.full(len(order), -1)
    dorsal_bonus = -1e-3 * centres_mm[order, 1]
    for n in range(1, len(order)):
        step = centres_mm[order[n]] - centres_mm[order[:n]]
        rise = step @ axis
        aside = np.linalg.norm(step - rise[:, None] * axis, axis=1)
        excess = np.maximum(aside - LINK_SLACK_MM * 0.5, 0.0) / LINK_SLACK_MM
        allowed = (rise > 1e-3) & (rise <= LINK_REACH_MM) & (aside <= LINK_SLACK_MM + LINK_SLOPE * rise)
        alike = np.abs(np.log(areas_mm2[order[n]] / areas_mm2[order[:n]])) < 0.3
        gain = np.where(allowed, score[:n] + worth[n] + alike / 3 - excess, -np.inf)
        best = int(np.argmax(gain))
        if gain[best] > worth[n]:
            score[n], previous[n] = gain[best], best
    n, chain = int(np.argmax(score + dorsal_bonus)), []
    while n >= 0:
        chain.append(order[n])
        n = previous[n]
    return np.array(chain[::-1], dtype=np.intp)


def canal_seeds_mm(bone: Mask, grid: Grid, axis: Float, through_mm: Float | None = None) -> Float:
    """(K, 3) RAS mm, caudal to cranial: centres of the canal in slices where bone closes round it.

    `through_mm` are (M, 3) points that a person placed in the canal: the chain runs through them.
    Raises AnatomyNotFound when no slice shows a closed bony ring of a canal's size and no point is given.
    """
    centres, areas = hole_centres_mm(bone, grid)
    if through_mm is not None and len(through_mm):
        return _chain_through(centres, areas, axis, through_mm)
    if len(centres) == 0:
        raise AnatomyNotFound(
            "canal",
            f"needs a slice with a closed bony ring round {HOLE_MIN_MM2:.0f}..{HOLE_MAX_MM2:.0f} mm2; none is in view",
            do="Give a scan or label map with at least one pair of whole pedicles and laminae.",
        )
    chain = centres[longest_chain(centres, areas, axis)]
    for reverse in (False, True):
        chain = _without_stray_end(chain[::-1] if reverse else chain, axis)
        chain = chain[::-1] if reverse else chain
    return chain


def _chain_through(centres_mm: Float, areas_mm2: Float, axis: Float, through_mm: Float) -> Float:
    """The chain through given points; holes beside them at their height are no canal."""
    level = np.abs((centres_mm @ axis)[:, None] - through_mm @ axis) <= GIVEN_HEIGHT_MM
    aside = np.linalg.norm(centres_mm[:, None] - through_mm, axis=2) > GIVEN_ASIDE_MM
    kept = ~(level & aside).any(axis=1)
    points = np.concatenate([centres_mm[kept], through_mm])
    areas = np.concatenate([areas_mm2[kept], np.full(len(through_mm), np.sqrt(HOLE_MIN_MM2 * HOLE_MAX_MM2))])
    return points[longest_chain(points, areas, axis, np.arange(len(points)) >= int(kept.sum()))]


def _without_stray_end(chain_mm: Float, axis: Float) -> Float:
    """The chain without a first cluster that lies far off the line the next seeds run along.

    Past the lumbosacral bend the next hole straight below is a sacral body cut open, not the canal.
    """
    rise = np.diff(chain_mm @ axis)
    gaps = np.flatnonzero(np.abs(rise) > STRAY_GAP_MM)
    if not len(gaps):
        return chain_mm
    first = int(gaps[0]) + 1
    along = chain_mm[first:] @ axis
    near = np.abs(along - along[0]) <= STRAY_FIT_MM
    if np.ptp(along[near]) < STRAY_FIT_MM / 2:
        return chain_mm
    design = np.column_stack([np.ones(int(near.sum())), along[near]])
    line, *_ = np.linalg.lstsq(design, chain_mm[first:][near], rcond=None)
    height = float(chain_mm[first - 1] @ axis)
    off_mm = float(np.linalg.norm(chain_mm[first - 1] - (line[0] + height * line[1])))
    return chain_mm[first:] if off_mm > STRAY_SLOPE * abs(float(rise[first - 1])) else chain_mm
