"""Sharing out: against brute force and published apportionments."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mudcap.supply.apportion import largest_remainder


def _closest(total: int, shares: list[int]) -> float:
    quota = [total * s / sum(shares) for s in shares]
    choices = itertools.product(range(total + 1), repeat=len(shares))
    return min(sum(abs(x - q) for x, q in zip(c, quota, strict=True)) for c in choices if sum(c) == total)


@given(st.integers(0, 9), st.lists(st.integers(0, 20), min_size=1, max_size=4).filter(any))
def test_is_as_close_as_any_sharing(total, shares):
    """No other sharing has a smaller sum of |x - quota| (all of them tried)."""
    got = largest_remainder(total, shares)
    quota = total * np.array(shares) / sum(shares)
    assert got.sum() == total
    assert np.abs(got - quota).sum() == pytest.approx(_closest(total, shares), abs=1e-9)
    assert (np.abs(got - quota) < 1 + 1e-9).all()


def test_the_alabama_paradox():
    """Populations 6, 6, 2: ten seats give the third two, eleven give it one (a textbook case of Hamilton's method)."""
    assert largest_remainder(10, [6, 6, 2]).tolist() == [4, 4, 2]
    assert largest_remainder(11, [6, 6, 2]).tolist() == [5, 5, 1]


def test_remainders_of_the_house_of_1882():
    """1880 census, 300 seats: of Alabama, Illinois and Texas the published quotas 7.671, 18.702, 9.672 rank Alabama last.

    Figures as printed in American Scientist, "E pluribus confusion" (Cipra), and by G. Szpiro, "Alabama paradox".
    """
    alabama, texas, illinois, union = 1_262_505, 1_591_749, 3_077_871, 49_371_340
    rest = union - alabama - texas - illinois
    quota = [round(300 * x / union, 3) for x in (alabama, texas, illinois)]
    assert quota == [7.671, 9.672, 18.702]
    # the rest's quota, 263.955, takes its own seat first, so two are left for the three
    assert largest_remainder(300, [alabama, texas, illinois, rest]).tolist() == [7, 10, 19, 264]


def test_ties_go_to_the_lower_index():
    """Equal shares with a rest are decided by position, so the result is reproducible."""
    assert largest_remainder(5, [1, 1, 1]).tolist() == [2, 2, 1]


@pytest.mark.parametrize(
    ("total", "shares"),
    [
        (-1, [1]),  # nothing to share
        (1, []),  # nobody
        (1, [-1, 2]),  # a negative share
        (1, [0, 0]),  # nobody with a share
        (1, [float("nan")]),
    ],
)
def test_refuses(total, shares):
    """A sharing that makes no sense is refused."""
    with pytest.raises(ValueError, match="share"):
        largest_remainder(total, shares)
