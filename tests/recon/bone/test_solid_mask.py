"""Solid bones from bright walls: what is filled, what must stay open."""

import numpy as np
import pytest

from canalwise.recon.bone.solid_mask import solid
from canalwise.recon.grid import Grid
from canalwise.recon.labels import Mask

SHAPE = (40, 40, 40)
ONE_MM = Grid(SHAPE, np.eye(4))


def box(low: int, high: int) -> Mask:
    """A solid cube."""
    out = np.zeros(SHAPE, bool)
    out[low:high, low:high, low:high] = True
    return out


def shell(low: int, high: int) -> Mask:
    """A cube's wall, one voxel thick."""
    return box(low, high) & ~box(low + 1, high - 1)


def test_closed_shell_is_filled_and_nothing_else() -> None:
    assert np.array_equal(solid(shell(10, 30), ONE_MM), box(10, 30))


@pytest.mark.parametrize(("width", "filled"), [(1, True), (2, True), (9, False)])
def test_vessel_holes_are_bridged_and_wide_mouths_are_not(width: int, filled: bool) -> None:
    wall = shell(10, 30)
    wall[10, 20 : 20 + width, 20 : 20 + width] = False
    inside = solid(wall, ONE_MM)[12:28, 12:28, 12:28]
    assert inside.all() if filled else not inside.any()


def test_filling_leaves_a_vessel_hole_by_no_more_than_a_drop() -> None:
    wall = shell(10, 30)
    wall[10, 20:22, 20:22] = False
    outside = solid(wall, ONE_MM) & ~box(10, 30)
    assert outside.sum() < 40
    assert not (outside & ~box(7, 33)).any()


def test_what_must_stay_open_stays_open() -> None:
    never = box(16, 24)
    found = solid(shell(10, 30), ONE_MM, never)
    assert not (found & never).any()
    assert found[12, 20, 20]


def test_tube_stays_open_at_both_ends() -> None:
    x, y = np.mgrid[:40, :40]
    radius = np.hypot(x - 20, y - 20)
    wall = np.repeat(((radius > 8) & (radius < 11))[:, :, None], 40, axis=2)
    assert not solid(wall, ONE_MM)[20, 20].any()


def test_body_cut_by_the_scans_end_counts_as_closed_there() -> None:
    x, y, z = np.indices(SHAPE)
    body = (np.abs(x - 20) < 18) & (np.abs(y - 20) < 15) & (z < 22)
    inner = (np.abs(x - 20) < 17) & (np.abs(y - 20) < 14) & (z < 21)
    found = solid(body & ~inner, ONE_MM)
    assert found[20, 20, :22].all()
    assert not found[20, 20, 22:].any()


def test_gaps_are_measured_in_mm() -> None:
    fine = Grid(SHAPE, np.diag([0.5, 0.5, 0.5, 1.0]))
    wall = shell(4, 36)
    wall[4, 18:22, 18:22] = False  # 2 mm at half a mm
    assert solid(wall, fine)[20, 20, 20]
    wall[4, 10:30, 10:30] = False
    assert not solid(wall, fine)[20, 20, 20]
