"""Site ids: kept where a site stays, new and higher elsewhere, never given twice."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mudcap.errors import InputError
from mudcap.plan.identity import SAME_PLACE_M, identify, same_places, serial_of

SQUARE = np.array([[0.0, 0.0], [20.0, 0.0], [0.0, 20.0], [20.0, 20.0]])


def test_first_plan_counts_from_one():
    """Without an earlier plan the serials follow the sites' order."""
    ids = identify(code="CRK", names=[""] * 4)
    assert ids.site_ids == ("CRK0001", "CRK0002", "CRK0003", "CRK0004")
    assert (ids.last_serial, ids.kept) == (4, 0)


def test_a_site_that_stays_keeps_its_id_and_a_new_one_gets_a_new_serial():
    """The freed id is not used again, and a name from a block that had another code stays as it is."""
    ids = identify(code="CRK", names=["CRK0004", "OAK0031", "", "CRK0001"], used=7)
    assert ids.site_ids == ("CRK0004", "OAK0031", "CRK0008", "CRK0001")
    assert (ids.last_serial, ids.kept) == (8, 3)


def test_half_a_metre_is_the_same_place_and_five_metres_are_not():
    """Each station means one earlier place at most, the nearest pair first; the next best station goes to the other place."""
    now = SQUARE + np.array([[0, 0.5], [0, 0], [0, 5.0], [0, 0]])
    assert same_places(SQUARE[::-1], now, SAME_PLACE_M).tolist() == [3, -1, 1, 0]
    assert same_places([[0.4, 0], [0.1, 0]], [[0, 0], [1, 0], [2, 0]], 1.0).tolist() == [1, 0]
    assert same_places(SQUARE, np.empty((0, 2)), 1.0).tolist() == [-1] * 4 and same_places([], SQUARE, 1.0).tolist() == []


@given(
    st.lists(st.integers(0, 40), min_size=1, max_size=12, unique=True),
    st.lists(st.integers(0, 40), min_size=1, max_size=12, unique=True),
)
def test_no_id_ever_names_two_places(first, second):
    """Over two plans an id stands for one place only, and serials only grow."""
    xy = lambda ks: np.array([[5.0 * k, 0.0] for k in ks])  # noqa: E731
    a = identify(code="A", names=[""] * len(first))
    stands = {int(k): i for k, i in zip(same_places(xy(first), xy(second), 1.0), a.site_ids, strict=True) if k >= 0}
    b = identify(code="A", names=[stands.get(k, "") for k in range(len(second))], used=a.last_serial)
    place = dict(zip(a.site_ids, first, strict=True))
    assert len(set(b.site_ids)) == len(second)
    for site_id, k in zip(b.site_ids, second, strict=True):
        assert place.get(site_id, k) == k
        assert site_id in place or serial_of(site_id, "A") > a.last_serial
    assert b.kept == len(set(first) & set(second))


def test_the_four_digits_run_out_with_a_message():
    """After 9999 the block needs a new id; nothing wraps round."""
    with pytest.raises(InputError, match="Give the block a new id"):
        identify(code="B", names=["", ""], used=9998)
