"""The sums over a cohort against hand sums, closed forms and made-up rows of known spread."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from canalwise.estimator.cohort.agreement import SD_OF_95, limits_of_agreement
from canalwise.estimator.cohort.columns import COLUMNS, PLANNED_AND_ACHIEVED, column_of, row_values
from canalwise.estimator.cohort.distribution import distribution_of
from canalwise.estimator.cohort.funnel import funnel_limits, funnel_of
from canalwise.estimator.cohort.learning_curve import learning_curve_of
from canalwise.recon.errors import WrongUse


def test_one_difference_a_patient_is_the_plain_form(rng):
    planned = rng.normal(500, 100, 40)
    achieved = planned + rng.normal(20, 30, 40)
    found = limits_of_agreement(planned.tolist(), achieved.tolist())
    difference = achieved - planned
    assert found.mean == pytest.approx(difference.mean())
    assert found.sd == pytest.approx(difference.std(ddof=1))
    assert found.limits[1] - found.limits[0] == pytest.approx(2 * SD_OF_95 * found.sd)


def test_levels_of_one_patient_are_not_independent(rng):
    """Between 30 and within 10: the limits hold the spread of both, which a plain form of few patients would miss."""
    patients = np.repeat(np.arange(400), 3)
    difference = np.repeat(rng.normal(5, 30, 400), 3) + rng.normal(0, 10, 1200)
    found = limits_of_agreement([0.0] * 1200, difference.tolist(), patients.tolist())
    assert found.patients == 400
    assert found.sd == pytest.approx(np.hypot(30, 10), rel=0.08)


def test_a_variance_by_hand():
    """Two patients with two levels, one with one: means 2, 6 and 10; within 2, 2 and none."""
    found = limits_of_agreement([0.0] * 5, [1.0, 3.0, 5.0, 7.0, 10.0], [1, 1, 2, 2, 3])
    within = (1 + 1 + 1 + 1) / (5 - 3)
    overall = 26 / 5
    square = (2 * (2 - overall) ** 2 + 2 * (6 - overall) ** 2 + (10 - overall) ** 2) / 2
    between = (square - within) / ((5 - 9 / 5) / 2)
    assert found.mean == pytest.approx(6.0)
    assert found.sd == pytest.approx(np.sqrt(between + within))


def test_too_few_patients_have_no_limits():
    assert limits_of_agreement([1.0] * 4, [2.0] * 4, [1, 1, 2, 2]) is None
    with pytest.raises(WrongUse, match="one length"):
        limits_of_agreement([1.0], [1.0, 2.0])


def test_funnel_limits_hold_what_chance_brings(rng):
    low, high = funnel_limits(0.8, 30, 0.001)
    assert binom.cdf(round(30 * low) - 1, 30, 0.8) <= 0.001
    assert binom.sf(round(30 * high), 30, 0.8) <= 0.001
    points = funnel_of([1] * 60 + [2] * 60, [True] * 58 + [False] * 2 + [True] * 20 + [False] * 40)
    assert [point.outside for point in points] == [True, True]
    fair = funnel_of(np.repeat(np.arange(5), 40).tolist(), (rng.random(200) < 0.7).tolist())
    assert not any(point.outside for point in fair)


def test_a_learning_curve_that_falls_is_seen_to_fall():
    curve = learning_curve_of(list(range(20)), [20.0 - n for n in range(20)])
    assert curve.running_median[0] > curve.running_median[-1]
    # ten values above the median by 0.5 to 9.5, then as much below it
    assert max(curve.cumulative) == curve.cumulative[9] == pytest.approx(50.0)
    assert curve.cumulative[-1] == pytest.approx(0.0)
    assert learning_curve_of([1, 2, 3, 4], [1.0] * 4) is None


def test_a_missing_number_is_missing_and_never_zero():
    found = distribution_of([None, None, float("nan")])
    assert (found.count, found.missing) == (0, 3)
    assert np.isnan(found.median)
    assert set(row_values({}).values()) == {None}
    assert row_values({"estimate": {"verdict": {"freed": 1}}})["freed"] is None


def test_every_column_is_named_once_and_ends_in_its_unit():
    names = [name for column in COLUMNS for name in (column.name, *column.ends)]
    assert len(set(names)) == len(names)
    units = ("_frac", "_mm", "_mm2", "_mm3")
    assert all(column.name.endswith(units) for column in COLUMNS if column.kind == "number")
    assert all(column_of(name) for pair in PLANNED_AND_ACHIEVED.items() for name in pair)
