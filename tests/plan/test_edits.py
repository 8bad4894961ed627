"""Edits by hand: taken to the station they mean, or refused aloud."""

import numpy as np
import pytest

from mudcap.geo.plane import LocalPlane
from mudcap.orchard.model import Orchard
from mudcap.place.candidates import Candidates
from mudcap.plan.edits import apply_edits
from mudcap.plan.model import Earlier, EarlierSite, Edit

PLANE = LocalPlane.around([[-120.0, 36.9]])
ORCHARD = Orchard(name="Test", plane=PLANE, blocks=())
STATIONS = np.array([[0.0, 0.0], [6.7, 0.0], [13.4, 0.0], [200.0, 0.0]])


def stations() -> Candidates:
    n = len(STATIONS)
    far = np.full(n, np.inf)
    zero = np.zeros(n, np.int64)
    return Candidates(
        xy=STATIONS, block=zero, row=zero + 1, tree=np.arange(1, n + 1), walk_m=np.zeros(n), mud_m=far, lane_m=far,
        reasons=zero,
    )  # fmt: skip


def edit(kind: str, x: float | None = None, y: float = 0.0, **more: str) -> Edit:
    lon, lat = (None, None) if x is None else PLANE.to_lonlat([[x, y]])[0]
    return Edit(kind=kind, lon=lon, lat=lat, source="edits.csv line 2", **more)  # type: ignore[arg-type]


def apply(*edits: Edit, earlier: Earlier | None = None):
    return apply_edits(
        edits, candidates=stations(), orchard=ORCHARD, earlier=earlier or Earlier(), units="us"
    )


def test_a_pin_goes_to_the_nearest_station():
    """Three metres off in the row means the station next to it."""
    applied = apply(edit("pin", 6.0, 3.0))
    assert applied.pinned.tolist() == [1]
    assert applied.findings == ()


def test_two_pins_at_one_tree_take_two_stations():
    """The second pin goes to the next free station instead of vanishing."""
    assert apply(edit("pin", 0.1), edit("pin", 0.2)).pinned.tolist() == [0, 1]


def test_an_added_site_raises_the_quota_of_its_block():
    """`add` is a pin and one site more."""
    applied = apply(edit("add", 13.0))
    assert applied.pinned.tolist() == [2]
    assert applied.added == {0: 1}


def test_a_move_bans_the_old_place_and_pins_the_new_one_under_the_same_id():
    """The moved site keeps its id."""
    lon, lat = PLANE.to_lonlat([[0.0, 0.0]])[0]
    earlier = Earlier(sites=(EarlierSite(site_id="CRK0007", block_id="Creek", lon=lon, lat=lat),))
    applied = apply(edit("move", 13.4, site_id="CRK0007"), earlier=earlier)
    assert (applied.banned.tolist(), applied.pinned.tolist()) == ([0], [2])
    assert applied.moved_ids == {2: "CRK0007"}


@pytest.mark.parametrize(
    ("edits", "why"),
    [
        ([edit("pin", 100.0)], "284 ft away"),  # nothing within 15 m: 86.6 m to the nearest
        ([edit("pin")], "names no position"),  # neither position nor a known site
        ([edit("move", 13.4, site_id="CRK9999")], "no earlier plan here has a site CRK9999"),
        ([edit("move", site_id="CRK0001")], "says no new position"),
        ([edit("ban", 0.0), edit("ban", 6.7), edit("pin", 0.0), edit("ban", 13.4)], "says the contrary"),
    ],
)
def test_what_cannot_be_done_is_said(edits, why):
    """Each refused edit is a warning with its source; none is guessed."""
    findings = apply(*edits).findings
    assert [f.code for f in findings] == ["edit_not_used"]
    assert why in findings[0].text
    assert findings[0].layer == "edits.csv line 2"
