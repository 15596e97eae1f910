"""Intervals: combined from causes, drawn in to what a number can be, and following the border's deviation."""

import numpy as np
import pytest

from canalwise.estimator.geometry.border_shift import eroded_occupancy
from canalwise.estimator.interval import SD_OF_95, Interval, sd_of_shift
from canalwise.recon.errors import WrongUse
from tests.estimator.toys import oblique_grid, occupancy_of_shape


def test_causes_add_in_squares() -> None:
    reported = Interval(10.0, {"a": 3.0, "b": 4.0})
    assert reported.sd == 5.0
    assert reported.ends == pytest.approx((10 - 5 * SD_OF_95, 10 + 5 * SD_OF_95))
    assert reported.without(["a"]).sd == 4.0


def test_samples_may_lie_more_to_one_side() -> None:
    reported = Interval(0.95, {"a": 0.1}, 0.0, 1.0, spread=(-0.3, 0.1))
    assert reported.ends == pytest.approx((0.65, 1.0))
    assert Interval(0.95, {"a": 0.1}, spread=(0.0, 0.1)).ends == pytest.approx((0.95, 1.05))
    assert Interval(0.95, {"a": 0.1}, spread=(-0.1, 0.0)).ends == pytest.approx((0.85, 0.95))
    with pytest.raises(WrongUse, match="0 between"):
        Interval(0.95, {"a": 0.1}, spread=(0.1, 0.3))


def test_ends_stay_within_what_a_number_can_be() -> None:
    assert Interval(0.99, {"a": 0.1}, 0.0, 1.0).ends[1] == 1.0
    assert Interval(0.2, {"a": 1.0}, 0.0).ends[0] == 0.0


def test_a_negative_deviation_is_refused() -> None:
    with pytest.raises(WrongUse, match="standard deviations"):
        Interval(1.0, {"a": -1.0})


def test_the_larger_change_counts() -> None:
    assert sd_of_shift(5.0, 5.0, 5.0 + SD_OF_95, 5.0 - 2 * SD_OF_95) == pytest.approx(2.0)


@pytest.mark.parametrize("by_mm", [0.1, 0.4, 0.9])
@pytest.mark.parametrize("spacing_mm", [(0.5, 0.5, 0.5), (0.6, 0.7, 1.0)])
def test_a_ball_shrinks_to_the_smaller_ball(by_mm: float, spacing_mm: tuple[float, float, float]) -> None:
    radius_mm = 8.0
    grid = oblique_grid((41, 37, 41), spacing_mm, (10.0, 20.0, 5.0))
    share = occupancy_of_shape(lambda points: np.linalg.norm(points, axis=-1) - radius_mm, grid)
    volume = float(eroded_occupancy(share, grid, by_mm).sum()) * grid.voxel_mm3
    lost, expected = 4 / 3 * np.pi * radius_mm**3 - volume, 4 / 3 * np.pi * (radius_mm**3 - (radius_mm - by_mm) ** 3)
    assert lost == pytest.approx(expected, rel=0.06)


def test_bone_that_meets_bone_keeps_its_place() -> None:
    grid = oblique_grid((6, 6, 6), (1.0, 1.0, 1.0))
    assert (eroded_occupancy(np.ones((6, 6, 6), dtype=np.float32), grid, 0.7) == 1.0).all()
