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


def earlier_at(left=None, **places: float) -> Earlier:
    """Sites of an earlier plan by the metres at which they stand, and the metres that others left."""
    lonlat = lambda x: tuple(PLANE.to_lonlat([[x, 0.0]])[0])  # noqa: E731
    sites = tuple(
        EarlierSite(site_id=i, block_id="Creek", lon=lonlat(x)[0], lat=lonlat(x)[1]) for i, x in places.items()
    )
    return Earlier(sites=sites, left={i: tuple(lonlat(x) for x in xs) for i, xs in (left or {}).items()})


def metres(left) -> dict[str, list[float]]:
    return {i: np.round(PLANE.to_plane(places)[:, 0], 1).tolist() for i, places in left.items()}


@pytest.mark.parametrize(
    ("now", "left", "to", "pinned", "banned", "after"),
    [
        (0.0, [], 13.4, 2, [0], [0.0]),  # first run
        (13.4, [0.0], 13.4, 2, [0], [0.0]),  # the same file again
        (6.7, [0.0], 3.0, 1, [0], [0.0]),  # again, and its place is nearer to the tree that it left
        (13.4, [0.0], 6.7, 1, [0, 2], [0.0, 13.4]),  # moved on from there
        (13.4, [0.0], 0.0, 0, [2], [13.4]),  # moved back
    ],
)  # fmt: skip
def test_a_move_means_the_same_on_every_run(now, left, to, pinned, banned, after):
    """Where the site stands already it stays, and where it stood before no other one comes; later moves count from there."""
    earlier = earlier_at({"CRK0007": left} if left else {}, CRK0007=now)
    applied = apply(edit("move", to, site_id="CRK0007"), earlier=earlier)
    assert (applied.pinned.tolist(), applied.banned.tolist()) == ([pinned], banned)
    assert applied.moved_ids == {pinned: "CRK0007"} and applied.findings == ()
    assert metres(applied.left) == {"CRK0007": after}


def test_a_ban_by_name_holds_when_the_site_is_gone():
    """Its place is known from the plan that had it; of what was never there nothing is known."""
    ban = edit("ban", site_id="CRK0007")
    first = apply(ban, earlier=earlier_at(CRK0007=6.7))
    again = apply(ban, earlier=earlier_at(metres(first.left)))
    assert first.banned.tolist() == again.banned.tolist() == [1] and metres(again.left) == {"CRK0007": [6.7]}
    assert [f.code for f in apply(ban).findings] == ["edit_not_used"]


def test_a_site_is_moved_once_and_whom_it_replaces_is_told():
    """The second move of one site is told as not used; a site on whose place another one comes is named."""
    twice = apply(edit("move", 6.7, site_id="CRK0001"), edit("move", 13.4, site_id="CRK0001"), earlier=earlier_at(CRK0001=0.0))
    assert twice.moved_ids == {1: "CRK0001"} and "another edit moves CRK0001 already" in twice.findings[0].text
    onto = apply(edit("move", 6.7, site_id="CRK0001"), earlier=earlier_at(CRK0001=0.0, CRK0002=6.7))
    assert [(f.code, f.feature) for f in onto.findings] == [("edit_replaces", "CRK0002")]


def test_a_site_may_be_moved_to_where_another_is_moved_from():
    """In either order of the two edits: the place that one frees is the other's, not barred."""
    moves = [edit("move", 6.7, site_id="CRK0001"), edit("move", 13.4, site_id="CRK0002")]
    for order in (moves, moves[::-1]):
        applied = apply(*order, earlier=earlier_at(CRK0001=0.0, CRK0002=6.7))
        assert applied.moved_ids == {1: "CRK0001", 2: "CRK0002"} and applied.banned.tolist() == [0]
        assert applied.findings == ()


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


def test_latitude_and_longitude_the_wrong_way_round_are_told():
    """Where swapped they lie on the ranch; a position that is merely wrong is told by its distance."""
    plane = LocalPlane.around([[-67.6, -39.05]])
    home = Orchard(name="South", plane=plane, blocks=())
    lon, lat = plane.to_lonlat([[300.0, 0.0]])[0]
    for place, words in (((lat, lon), "look swapped"), ((lon + 0.5, lat), "the nearest station is"), ((lat + 0.5, lon), "the nearest station is")):
        wrong = Edit(kind="add", lon=place[0], lat=place[1], source="e.csv, line 2")
        (said,) = apply_edits([wrong], candidates=stations(), orchard=home, earlier=Earlier(), units="us").findings
        assert words in said.text
