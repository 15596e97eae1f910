"""Holes of bony rings and the chain through them, on rings of known size and place."""

import numpy as np
import pytest

from canalwise.recon.bone.ring_centres import canal_seeds_mm, hole_centres_mm, longest_chain
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.grid import Float, Grid
from canalwise.recon.labels import Mask

UP = np.array([0.0, 0.0, 1.0])
GRID = Grid((80, 80, 30), np.diag([1.0, 1.0, 1.0, 1.0]))


def ring(centre: tuple[float, float], inner_mm: float, slices: range, gap_mm: float = 0.0) -> Mask:
    """A ring 3 mm thick in some slices of GRID, with a gap of a given width on its dorsal (low y) side."""
    x, y = np.mgrid[:80, :80]
    radius = np.hypot(x - centre[0], y - centre[1])
    cut = (radius >= inner_mm) & (radius < inner_mm + 3)
    cut &= ~((np.abs(x - centre[0]) < gap_mm / 2) & (y < centre[1]))
    out = np.zeros(GRID.shape, bool)
    out[:, :, slices.start : slices.stop] = cut[:, :, None]
    return out


def test_hole_has_its_rings_middle_and_area() -> None:
    centres, areas = hole_centres_mm(ring((40.0, 30.0), 9.0, range(4, 9)), GRID)
    assert centres == pytest.approx(np.array([[40.0, 30.0, k] for k in range(4, 9)]))
    assert areas == pytest.approx(np.pi * 81, rel=0.05)


@pytest.mark.parametrize(("inner_mm", "seen"), [(4.0, 0), (6.0, 1), (14.0, 1), (16.0, 0)])
def test_only_holes_of_a_canals_size_count(inner_mm: float, seen: int) -> None:
    centres, _ = hole_centres_mm(ring((40.0, 40.0), inner_mm, range(5, 6)), GRID)
    assert len(centres) == seen


@pytest.mark.parametrize(("gap_mm", "seen"), [(3.0, 1), (9.0, 0)])
def test_small_gaps_are_bridged_and_wide_ones_are_not(gap_mm: float, seen: int) -> None:
    centres, _ = hole_centres_mm(ring((40.0, 40.0), 9.0, range(5, 6), gap_mm), GRID)
    assert len(centres) == seen


def line(count: int, aside_mm: float = 0.0, start_mm: float = 0.0) -> Float:
    """Holes one above the other, each 1 mm higher."""
    return np.array([[aside_mm, 0.0, start_mm + k] for k in range(count)])


def test_longest_straight_line_wins_over_strays() -> None:
    centres = np.concatenate([line(12), line(5, aside_mm=30.0), [[18.0, 0.0, 6.5]]])
    chain = longest_chain(centres, np.full(len(centres), 200.0), UP)
    assert chain.tolist() == list(range(12))


def test_of_two_equal_lines_the_dorsal_one_is_taken() -> None:
    ventral, dorsal = line(8), line(8)
    ventral[:, 1], dorsal[:, 1] = 30.0, -30.0
    chain = longest_chain(np.concatenate([ventral, dorsal]), np.full(16, 200.0), UP)
    assert chain.tolist() == list(range(8, 16))


def test_chain_passes_through_a_given_point() -> None:
    centres = np.concatenate([line(10), line(3, aside_mm=30.0)])
    given = np.arange(13) == 11
    chain = longest_chain(centres, np.full(13, 200.0), UP, given)
    assert 11 in chain
    assert not set(chain) & set(range(10))


def test_bridge_of_a_gap_without_rings_and_no_further() -> None:
    for start_mm, joined in ((50.0, True), (90.0, False)):
        centres = np.concatenate([line(4), line(6, start_mm=start_mm)])
        chain = longest_chain(centres, np.full(10, 200.0), UP)
        assert (len(chain) == 10) == joined


def test_seeds_run_caudal_to_cranial_and_ignore_a_body_cut_open() -> None:
    bone = ring((40.0, 30.0), 9.0, range(3, 25)) | ring((40.0, 66.0), 8.0, range(10, 13))
    seeds = canal_seeds_mm(bone, GRID, UP)
    assert seeds[:, 2].tolist() == list(range(3, 25))
    assert seeds[:, :2] == pytest.approx(np.tile([40.0, 30.0], (22, 1)))


def test_no_ring_no_canal() -> None:
    open_ring = ring((40.0, 40.0), 9.0, range(3, 25), gap_mm=14.0)
    with pytest.raises(AnatomyNotFound, match="closed bony ring"):
        canal_seeds_mm(open_ring, GRID, UP)


def test_given_points_stand_in_where_no_ring_closes() -> None:
    open_ring = ring((40.0, 40.0), 9.0, range(3, 25), gap_mm=14.0)
    given = np.array([[40.0, 40.0, 5.0], [40.0, 40.0, 20.0]])
    assert canal_seeds_mm(open_ring, GRID, UP, given) == pytest.approx(given)
