"""The non-dominated set, against small worked numbers and every pair compared."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from canalwise.estimator.search.pareto import non_dominated, thinned
from canalwise.recon.errors import WrongUse

SMALL_NUMBERS = st.integers(0, 4).map(float)


def by_every_pair(losses):
    """(A,) array: no row is nowhere greater and somewhere less."""
    no_more = (losses[:, None] <= losses[None]).all(axis=2)
    less = (losses[:, None] < losses[None]).any(axis=2)
    return ~(no_more & less).any(axis=0)


def test_small_numbers_bone_reach_and_facet():
    losses = np.array(
        [
            [900.0, -0.9, -0.8],  # least bone
            [950.0, -0.9, -0.8],  # more bone for nothing
            [1200.0, -1.0, -0.7],  # more reach
            [1300.0, -0.9, -0.95],  # more of the joint
            [1300.0, -0.9, -0.95],  # the same once more: neither beats the other
        ]
    )
    assert non_dominated(losses).tolist() == [True, False, True, True, True]


@given(arrays(float, st.tuples(st.integers(1, 40), st.just(3)), elements=SMALL_NUMBERS))
def test_as_every_pair_compared(losses):
    assert (non_dominated(losses) == by_every_pair(losses)).all()


def test_as_every_pair_compared_where_sums_would_round(rng):
    losses = rng.random((400, 3)) * np.array([1e9, 1e-9, 1.0])
    assert (non_dominated(losses) == by_every_pair(losses)).all()


@given(arrays(float, st.tuples(st.integers(1, 30), st.just(3)), elements=SMALL_NUMBERS), st.integers(3, 8))
def test_thinning_keeps_the_ends_and_the_order(losses, count):
    chosen = thinned(losses, count)
    distinct = len(np.unique(losses, axis=0))
    assert len(chosen) == len(set(chosen.tolist()))
    assert len(chosen) == (len(losses) if len(losses) <= count else min(count, distinct))
    assert (np.diff(losses[chosen, 0]) >= 0).all()
    assert (losses[chosen].min(axis=0) == losses.min(axis=0)).all()


def test_not_a_number_is_refused():
    with pytest.raises(WrongUse, match="must be numbers"):
        non_dominated(np.array([[np.nan, 1.0]]))
