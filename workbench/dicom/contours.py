"""Closed outlines of a mask in the plane of its slice, holes joined to what surrounds them.

An outline runs midway between voxel centres inside and outside, so that filling it by even-odd at voxel centres gives
the mask again. A hole is joined by the keyhole technique of PS3.3 C.8.8.6.3: one closed line runs in along a narrow
channel, round the hole and out again
(https://dicom.nema.org/medical/dicom/current/output/chtml/part03/sect_C.8.8.6.3.html).
"""

from __future__ import annotations

import numpy as np
from skimage.measure import find_contours

from canalwise.recon.grid import Float
from canalwise.recon.labels import Mask

HALF = 0.5


def outlines_of(mask: Mask) -> list[Float]:
    """Closed polygons, each an (N, 2) array of (column, row) with its first point not repeated, of a (rows, columns)
    mask; whole numbers are voxel centres.

    >>> ring = np.ones((3, 3), bool); ring[1, 1] = False
    >>> [len(outline) for outline in outlines_of(ring)]
    [18]
    """
    closed = [line[:-1, ::-1] - 1.0 for line in find_contours(np.pad(mask, 1).astype(np.float32), HALF, "low")]
    areas = [signed_area(line) for line in closed]
    outer = [line for line, area in zip(closed, areas, strict=True) if area > 0]
    holes = [line for line, area in zip(closed, areas, strict=True) if area < 0]
    # From the right: what a hole's channel meets on its path to the right has then been joined already.
    for hole in sorted(holes, key=lambda line: -line[:, 0].max()):
        _join(outer, hole)
    return outer


def signed_area(line: Float) -> float:
    """Area inside a closed polygon, positive where x turns toward y.

    >>> signed_area(np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0]]))
    0.5
    """
    x, y = line.T
    return float((x * np.roll(y, -1) - np.roll(x, -1) * y).sum() / 2)


def _join(outer: list[Float], hole: Float) -> None:
    """Replaces the outline that surrounds a hole by one that goes round the hole as well."""
    start = int(hole[:, 0].argmax())
    column, row = hole[start]
    best: tuple[float, int, int] | None = None
    for which, line in enumerate(outer):
        # Outlines cross a row of voxel centres only at points of their own, midway between two centres.
        met = np.flatnonzero((line[:, 1] == row) & (line[:, 0] > column))
        for at in met[line[met, 0].argsort(kind="stable")][:1]:
            if best is None or line[at, 0] < best[0]:
                best = (float(line[at, 0]), which, int(at))
    assert best is not None  # a hole has bone on its right
    _, which, at = best
    line = outer[which]
    round_hole = np.roll(hole, -start, axis=0)
    outer[which] = np.concatenate([line[: at + 1], round_hole, round_hole[:1], line[at:]])
