"""Outlines and their filling undo each other, whatever the mask, its holes and its islands."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from canalwise.recon.dicom.polygon_fill import even_odd
from canalwise.workbench.dicom.contours import outlines_of, signed_area

MASKS = arrays(bool, st.tuples(st.integers(1, 12), st.integers(1, 12)))


@given(MASKS)
def test_filling_the_outlines_gives_the_mask(mask):
    assert np.array_equal(even_odd(outlines_of(mask), mask.shape), mask)


@given(MASKS)
def test_a_keyhole_takes_its_hole_from_the_area(mask):
    # Each voxel's diamond and the triangles between neighbours: the outline's area by Pick's counting of half voxels.
    inside = sum(signed_area(line) for line in outlines_of(mask))
    padded = np.pad(mask, 1).astype(float)
    corners = [padded[:-1, :-1], padded[1:, :-1], padded[:-1, 1:], padded[1:, 1:]]
    count = np.sum(corners, axis=0)
    diagonal = (count == 2) & (corners[0] == corners[3])
    quarter = np.select([count == 1, diagonal, count == 2, count == 3], [1 / 8, 2 / 8, 4 / 8, 7 / 8], count / 4)
    assert np.isclose(inside, quarter.sum())


def test_a_hole_in_a_hole_and_holes_side_by_side():
    mask = np.zeros((15, 24), bool)
    mask[1:14, 1:23] = True
    mask[3:12, 3:12] = False
    mask[5:10, 5:10] = True
    mask[7, 7] = False
    mask[3:8, 14:16] = False
    mask[3:8, 18:21] = False
    outlines = outlines_of(mask)
    assert len(outlines) == 2
    assert np.array_equal(even_odd(outlines, mask.shape), mask)


def test_a_hole_as_an_outline_of_its_own_is_a_hole():
    square = np.array([[0.0, 0.0], [5.0, 0.0], [5.0, 5.0], [0.0, 5.0]])
    filled = even_odd([square, square / 5 + 2], (6, 6))
    assert filled.sum() == 25 - 1
    assert not filled[2, 2]
