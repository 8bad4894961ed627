"""Bounds of the farthest level: row prices never prove more columns than a smallest cover has."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_cover import _cover, _least

from mudcap.place.bounds import counting_price, linear_price, needed_columns
from mudcap.place.cover import cover_at
from mudcap.place.near import within


@given(seed=st.integers(0, 100_000))
@settings(max_examples=40, deadline=None)
def test_no_prices_prove_too_much(seed):
    """Counting, the linear relaxation and prices at random stay at or below the optimum."""
    cover = _cover(seed)
    least = _least(cover)
    if least is None:
        return
    at_random = np.random.default_rng(seed).normal(size=cover.num_rows)
    for price in (counting_price(cover), linear_price(cover, iterations=100), at_random):
        assert not needed_columns(cover, price).exceeds(least)


def test_prices_are_exact_where_floats_are_not():
    """Ten columns of one row each at a price of 0.1: ten are needed, and not one more is claimed."""
    points = np.column_stack([np.arange(10.0), np.zeros(10)])
    cover = cover_at(within(points, points, 0.4), 0.4, np.ones(10, bool), np.ones(10, bool))
    need = needed_columns(cover, np.full(10, 0.1))
    assert need.exceeds(9)
    assert not need.exceeds(10)
    assert need.fractional == 10.0


@pytest.mark.parametrize("price", [np.zeros(12), np.full(12, -1.0), np.full(12, np.nan), np.full(12, np.inf)])
def test_useless_prices_prove_nothing(price):
    """Prices of a solver that failed are no proof of anything."""
    assert not needed_columns(_cover(1), price).exceeds(0)


def test_first_order_prices_come_near_those_of_the_simplex(monkeypatch):
    """On a cover large enough for both, the first-order method proves nearly as many columns."""
    cover = _cover(2, 600, 600, 0.08)
    simplex = needed_columns(cover, linear_price(cover, iterations=1)).fractional
    monkeypatch.setattr("mudcap.place.bounds._SIMPLEX_NONZEROS", 0)
    first_order = needed_columns(cover, linear_price(cover, iterations=3000)).fractional
    assert 0.99 * simplex < first_order <= simplex * (1 + 1e-9)
