"""Site ids: kept where a site stays, new and higher elsewhere, never given twice."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mudcap.errors import InputError
from mudcap.plan.identity import identify, serial_of

SQUARE = np.array([[0.0, 0.0], [20.0, 0.0], [0.0, 20.0], [20.0, 20.0]])


def test_first_plan_counts_from_one():
    """Without an earlier plan the serials follow the sites' order."""
    ids = identify(code="CRK", site_xy=SQUARE)
    assert ids.site_ids == ("CRK0001", "CRK0002", "CRK0003", "CRK0004")
    assert (ids.last_serial, ids.kept) == (4, 0)


def test_a_site_that_stays_keeps_its_id_and_a_moved_one_gets_a_new_serial():
    """Half a metre is the same place, five metres is not; the freed id is not used again."""
    before = identify(code="CRK", site_xy=SQUARE)
    now = SQUARE[::-1] + np.array([[0, 0.5], [0, 0], [0, 5.0], [0, 0]])
    after = identify(
        code="CRK",
        site_xy=now,
        earlier_ids=before.site_ids,
        earlier_xy=SQUARE,
        last_serial=before.last_serial,
    )
    assert after.site_ids == ("CRK0004", "CRK0003", "CRK0005", "CRK0001")
    assert (after.last_serial, after.kept) == (5, 3)


@given(
    st.lists(st.integers(0, 40), min_size=1, max_size=12, unique=True),
    st.lists(st.integers(0, 40), min_size=1, max_size=12, unique=True),
)
def test_no_id_ever_names_two_places(first, second):
    """Over two plans an id stands for one place only, and serials only grow."""
    xy = lambda ks: np.array([[5.0 * k, 0.0] for k in ks])  # noqa: E731
    a = identify(code="A", site_xy=xy(first))
    b = identify(
        code="A", site_xy=xy(second), earlier_ids=a.site_ids, earlier_xy=xy(first), last_serial=a.last_serial
    )
    place = dict(zip(a.site_ids, first, strict=True))
    assert len(set(b.site_ids)) == len(second)
    for site_id, k in zip(b.site_ids, second, strict=True):
        assert place.get(site_id, k) == k
        assert site_id in place or serial_of(site_id, "A") > a.last_serial
    assert b.kept == len(set(first) & set(second))


def test_the_four_digits_run_out_with_a_message():
    """After 9999 the block needs a new id; nothing wraps round."""
    with pytest.raises(InputError, match="Give the block a new id"):
        identify(code="B", site_xy=SQUARE, last_serial=9998)
