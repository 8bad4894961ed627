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


CENSUS_1790 = {
    "Virginia": (630_560, 20.926, 21), "Massachusetts": (475_327, 15.774, 16), "Pennsylvania": (432_879, 14.366, 14),
    "North Carolina": (353_523, 11.732, 12), "New York": (331_589, 11.004, 11), "Maryland": (278_514, 9.243, 9),
    "Connecticut": (236_841, 7.860, 8), "South Carolina": (206_236, 6.844, 7), "New Jersey": (179_570, 5.959, 6),
    "New Hampshire": (141_822, 4.707, 5), "Vermont": (85_533, 2.839, 3), "Georgia": (70_835, 2.351, 2),
    "Kentucky": (68_705, 2.280, 2), "Rhode Island": (68_446, 2.271, 2), "Delaware": (55_540, 1.843, 2),
}  # fmt: skip
"""People of 1790, quota and seats of the bill of 1792 for 120 seats, which Hamilton's method made and Washington vetoed.

Quotas and seats as printed in COMAP, For All Practical Purposes, 10th ed., ch. 14, table 14.5; people as in the census.
"""


def test_the_first_house_of_hamilton():
    """The 120 seats of 1792, each quota to the printed digit and each seat."""
    people = [p for p, _quota, _seats in CENSUS_1790.values()]
    assert sum(people) == 3_615_920
    for p, quota, _seats in CENSUS_1790.values():
        assert round(120 * p / sum(people), 3) == quota
    assert largest_remainder(120, people).tolist() == [seats for _p, _quota, seats in CENSUS_1790.values()]


def webster(total: int, shares: list[int]) -> list[int]:
    """Webster's method, one seat after the other to the largest share ÷ (2 seats + 1)."""
    seats = [0] * len(shares)
    for _seat in range(total):
        best = max(range(len(shares)), key=lambda i: (shares[i] / (2 * seats[i] + 1), -i))
        seats[best] += 1
    return seats


def test_where_webster_would_differ():
    """On the census of 1790 both share 120 seats alike; where they differ Hamilton has the smaller largest error."""
    people = [p for p, _quota, _seats in CENSUS_1790.values()]
    assert webster(120, people) == largest_remainder(120, people).tolist()
    shares, differ = [[n, m, 97, 31, 7] for n in range(40, 60, 3) for m in range(5, 30, 4)], 0
    for own in shares:
        for total in range(5, 60, 6):
            quota = total * np.array(own) / sum(own)
            ours, theirs = largest_remainder(total, own), np.array(webster(total, own))
            differ += bool((ours != theirs).any())
            assert np.abs(ours - quota).max() <= np.abs(theirs - quota).max() + 1e-9
            assert np.abs(ours - quota).sum() <= np.abs(theirs - quota).sum() + 1e-9
    assert differ


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
