"""What stops a crew: locked gates, one-way roads and alleys, ditches and bridges, closed ground, one vehicle for the whole way."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from shapely import LineString, Point, box

from mudcap.orchard.alley_rules import rules_without_alley
from mudcap.orchard.model import AlleyRule, Closure, Feature, Gate, Role
from mudcap.orchard.network import (
    ALLEY,
    CART,
    FOOT,
    TRUCK,
    VEHICLE,
    open_on,
    reached,
    shortest,
    travel_network,
    usable,
)
from mudcap.orchard.params import RowParams, TravelParams
from mudcap.orchard.rows import lay_rows
from mudcap.orchard.walk import walk_to_stop_m
from orchards import block, forty_acres, orchard, road, two_blocks_and_a_road

VEHICLES = frozenset({"truck", "cart"})
LINE = road((0, 0), (200, 0))
MARCH = (date(2027, 3, 1), date(2027, 3, 31))


def network_of(orchard_, **params):
    """The network of an orchard with its rows laid."""
    return travel_network(lay_rows(orchard_, RowParams())[0], TravelParams(**params))


def metres(network, start, end, mode=VEHICLE, days=None):
    """Way from place to place; both must be nodes."""
    ends = []
    for place in (start, end):
        gap = np.hypot(*(network.node_xy - place).T)
        assert gap.min() < 0.6, "no node there"
        ends.append(int(np.argmin(gap)))
    return float(shortest(network, [ends[0]], mode, days=days)[ends[1]])


def gate(x, y, name="gate", locked=VEHICLES, **said):
    """A gate, locked for vehicles."""
    return Gate(role=Role.GATES, name=name, geometry=Point(x, y), locked=locked, **said)


@pytest.mark.parametrize(
    ("said", "keys", "passes"),
    [
        ({}, "", {FOOT}),
        ({}, "Gate", {TRUCK, CART, FOOT}),  # case does not matter
        ({}, "east gate, gate ", {TRUCK, CART, FOOT}),
        ({}, "all", {TRUCK, CART, FOOT}),
        ({}, "east gate", {FOOT}),
        ({"has_key": True}, "", {TRUCK, CART, FOOT}),
        ({"locked": frozenset({"truck"})}, "", {CART, FOOT}),
        ({"locked": frozenset({"truck", "cart", "foot"})}, "", set()),
        ({"locked": frozenset(), "modes": frozenset({"foot", "cart"})}, "", {CART, FOOT}),  # too narrow for a truck
        ({"modes": frozenset({"cart"})}, "all", {CART}),  # the key does not widen it
    ],
)
def test_who_gets_through_a_gate(said, keys, passes):
    """A gate half way along a road of 200 m, with and without its key."""
    found = network_of(orchard(roads=(LINE,), gates=(gate(100, 2, **said),), yard=Point(0, 1)), keys=keys)
    for mode in (TRUCK, CART, FOOT):
        way = metres(found, (0, 0), (200, 0), mode)
        assert way == (pytest.approx(200) if mode in passes else np.inf), mode
    assert metres(found, (0, 0), (99.5, 0)) == pytest.approx(99.5), "one drives up to it"


def test_a_gate_bars_the_road_that_ends_at_it():
    """A side road branches off at the gate: it is shut, the main road is not."""
    side = road((100, 0), (100, 80), name="side")
    for roads in ((LINE, side), (side, LINE)):
        found = network_of(orchard(roads=roads, gates=(gate(100, 0.4),), yard=Point(0, 1)))
        assert metres(found, (0, 0), (200, 0)) == pytest.approx(200)
        assert metres(found, (0, 0), (100, 80)) == np.inf
        assert metres(found, (0, 0), (100, 80), FOOT) == pytest.approx(180)


def test_locked_gates_are_no_way_in():
    """Without a yard crews come through the gates that let them in; where all are locked, through none."""
    far = road((0, 300), (100, 300))
    gates = (gate(0, 0, "south"), Feature(role=Role.GATES, name="north", geometry=Point(0, 300)))
    found = network_of(orchard(roads=(LINE, far), gates=gates))
    ok = reached(found)
    assert ok[found.node_xy[:, 1] > 200].all() and not ok[found.node_xy[:, 1] < 200].any()
    assert not reached(network_of(orchard(roads=(LINE, far), gates=gates[:1]))).any()
    south = network_of(orchard(roads=(LINE, far), gates=gates[:1]), keys="all")
    assert reached(south)[south.node_xy[:, 1] < 200].all()


def test_the_key_changes_no_node():
    """The same nodes with and without keys, so that two networks can be compared node by node."""
    ranch = orchard(roads=(LINE,), gates=(gate(100, 2),), yard=Point(0, 1))
    shut, opened = network_of(ranch), network_of(ranch, keys="all")
    assert np.array_equal(shut.node_xy, opened.node_xy)
    assert set(opened.gate.tolist()) == {-1, 0}


def square(**said):
    """Ten rows 6 m apart at x = 3 … 57, middle alleys at x = 6 … 54, headlands of 10 m: alleys from y = 5 to 95."""
    return block("B", box(0, 0, 60, 100), **({"row_spacing_m": 6.0, "tree_spacing_m": 5.0, "headland_m": 10.0} | said))


SOUTH, NORTH = road((-10, -4), (70, -4), name="S"), road((-10, 104), (70, 104), name="N")
WEST = road((-10, -4), (-10, 104), name="W")


def drawn(x, *, up=True, **said):
    """A line along the alley at x, a little off it and longer than it."""
    ends = [(x + 0.7, -6), (x - 0.5, 107)]
    return AlleyRule(name=f"at {x}", line=LineString(ends if up else ends[::-1]), **said)


@pytest.mark.parametrize("up", [True, False])
@pytest.mark.parametrize("corner", ["SW", "NE"])
def test_one_way_alleys_go_as_they_are_drawn(up, corner):
    """Whichever way trees are numbered: along the line, not against it; on foot both ways; other alleys both ways."""
    found = network_of(orchard(square(corner=corner), roads=(SOUTH,), alley_rules=(drawn(30, up=up, one_way=True),)))
    there, back = (30, 5), (30, 95)
    if not up:
        there, back = back, there
    assert metres(found, there, back) == pytest.approx(90, abs=0.01)
    assert metres(found, back, there) == pytest.approx(90 + 2 * 6, abs=0.01), "round by the next alley"
    assert metres(found, back, there, FOOT) == pytest.approx(90, abs=0.01)


def test_an_alley_may_say_who_drives_there_and_when_not():
    """A truck where a line lets it, nobody where it says foot, and none on closed days, when one still walks."""
    rules = (
        drawn(30, modes=frozenset({"truck", "cart", "foot"})), drawn(36, modes=frozenset({"foot"})),
        drawn(42, closed=(MARCH,)),
    )  # fmt: skip
    found = network_of(orchard(square(), roads=(SOUTH,), alley_rules=rules))
    assert metres(found, (30, 5), (30, 95), TRUCK) == pytest.approx(90, abs=0.01)
    assert metres(found, (36, 5), (36, 95), CART) > 95 and metres(found, (36, 5), (36, 95), FOOT) < 91
    assert metres(found, (42, 5), (42, 95), CART) == pytest.approx(90, abs=0.01)
    assert metres(found, (42, 5), (42, 95), CART, MARCH[0]) == pytest.approx(102, abs=0.01)
    assert metres(found, (42, 5), (42, 95), FOOT, MARCH[0]) == pytest.approx(90, abs=0.01)


def test_a_line_along_no_alley_is_found():
    """Across the rows it says nothing of any."""
    across = AlleyRule(name="across", line=LineString([(-5, 50), (65, 50)]), one_way=True)
    grown = lay_rows(orchard(square(), alley_rules=(across, drawn(30, one_way=True))), RowParams())[0]
    assert [rule.name for rule in rules_without_alley(grown)] == ["across"]
    assert [alley.one_way for alley in grown.blocks[0].alleys].count("up") == 1


def test_a_one_way_road_that_leads_nowhere_is_not_taken():
    """One could go in, but not out: nothing beyond counts as reached; a way back makes it so."""
    spur = road((200, 0), (200, 90), name="spur", one_way=True)
    found = network_of(orchard(roads=(LINE, spur), yard=Point(0, 1)))
    assert metres(found, (0, 0), (200, 90)) == pytest.approx(290)
    assert not reached(found)[found.node_xy[:, 1] > 50].any()
    ring = (LINE, spur, road((200, 90), (0, 90), (0, 0), name="back", one_way=True))
    round_trip = network_of(orchard(roads=ring, yard=Point(0, 1)))
    assert reached(round_trip).all() and usable(round_trip).sum() == len(round_trip.target) - (
        (round_trip.mode == FOOT).sum()
    )


def test_nobody_changes_vehicles_on_the_way():
    """A truck road, then a cart track: neither gets to the end, though each edge is open to some vehicle."""
    track = road((200, 0), (400, 0), modes=frozenset({"cart", "foot"}))
    truck_road = replace(LINE, modes=frozenset({"truck", "foot"}))
    found = network_of(orchard(roads=(truck_road, track), yard=Point(0, 1)))
    assert metres(found, (0, 0), (200, 0), TRUCK) == pytest.approx(200)
    assert metres(found, (0, 0), (400, 0)) == np.inf
    assert not reached(found)[found.node_xy[:, 0] > 300].any()
    assert metres(found, (0, 0), (400, 0), FOOT) == pytest.approx(400)


def test_a_footpath_brings_no_vehicle():
    """The only way to the block is for feet: without yard or gate no vehicle starts there."""
    path = replace(SOUTH, modes=frozenset({"foot"}))
    assert not reached(network_of(orchard(square(), roads=(path,)))).any()


@pytest.mark.parametrize(
    ("bridge", "passes"),
    [
        (frozenset({"truck", "cart", "foot"}), {TRUCK, CART, FOOT}),
        (frozenset({"cart", "foot"}), {CART, FOOT}),
        (frozenset({"foot"}), {FOOT}),
        (frozenset(), set()),
    ],
)
@pytest.mark.parametrize("water", [LineString([(100, -50), (100, 50)]), box(97, -50, 103, 50)])
def test_a_road_over_a_ditch(bridge, passes, water):
    """A drawn road has its bridge or culvert unless it says whom that carries; ditch as a line, canal as an area."""
    ditch = Feature(role=Role.DITCHES, name="d", geometry=water)
    found = network_of(orchard(roads=(replace(LINE, bridge=bridge),), features=(ditch,), yard=Point(0, 1)))
    for mode in (TRUCK, CART, FOOT):
        assert metres(found, (0, 0), (200, 0), mode) == (pytest.approx(200) if mode in passes else np.inf)


def test_beside_a_road_without_a_bridge_an_alley_is_cut_too():
    """The road's deck carries the outer alley beside it; where there is no deck, nothing does."""
    ditch = (Feature(role=Role.DITCHES, name="d", geometry=LineString([(-50, 50), (90, 50)])),)
    side = road((-1, -10), (-1, 110), name="side")
    for bridge, whole in ((side.bridge, True), (frozenset(), False)):
        found = network_of(orchard(square(), roads=(replace(side, bridge=bridge),), features=ditch))
        assert np.isfinite(metres(found, (6, 5), (6, 95))) == whole


@pytest.mark.parametrize(
    ("shape", "shut"),
    [
        (box(90, -10, 110, 10), True),
        (LineString([(90, -5), (110, 5)]), True),
        (Point(100, 1.5), True),
        (Point(100, 2.5), False),
        (box(90, 5, 110, 9), False),
    ],
)
def test_closed_ground_is_closed_on_its_days(shape, shut):
    """An area, a line or a point over a road, and beside it."""
    closure = Closure(name="c", geometry=shape, first=MARCH[0], last=MARCH[1])
    found = network_of(orchard(roads=(LINE,), closures=(closure,)))
    for mode in (CART, FOOT):
        assert metres(found, (0, 0), (200, 0), mode) == pytest.approx(200)
        on_day = metres(found, (0, 0), (200, 0), mode, date(2027, 3, 9))
        assert on_day == (np.inf if shut else pytest.approx(200))
        assert metres(found, (0, 0), (200, 0), mode, date(2027, 4, 1)) == pytest.approx(200)


def test_closings_without_an_end_or_for_ever():
    """From a day on, up to a day, always; dates the wrong way round close nothing (they are an error elsewhere)."""
    def way(first, last, day):
        closure = Closure(name="c", geometry=box(90, -9, 99, 9), first=first, last=last)
        return metres(network_of(orchard(roads=(LINE,), closures=(closure,))), (0, 0), (200, 0), days=day)

    first, last = MARCH
    assert way(first, None, date(2030, 1, 1)) == np.inf and way(first, None, date(2027, 2, 28)) == pytest.approx(200)
    assert way(None, last, date(2020, 1, 1)) == np.inf and way(None, last, date(2027, 4, 1)) == pytest.approx(200)
    assert way(None, None, None) == np.inf
    assert way(last, first, date(2027, 3, 9)) == pytest.approx(200)


def test_two_closings_of_one_way():
    """Road closed in March, ground in April: each on its days; on foot only the ground counts."""
    ground = Closure(name="c", geometry=box(90, -9, 99, 9), first=date(2027, 4, 1), last=date(2027, 4, 9))
    found = network_of(orchard(roads=(replace(LINE, closed=(MARCH,)),), closures=(ground,)))
    by_day = {
        (mode, day): np.isfinite(metres(found, (0, 0), (200, 0), mode, day))
        for mode in (CART, FOOT)
        for day in (MARCH[1], date(2027, 4, 9), date(2027, 4, 10))
    }
    assert [by_day[CART, d] for d in (MARCH[1], date(2027, 4, 9), date(2027, 4, 10))] == [False, False, True]
    assert [by_day[FOOT, d] for d in (MARCH[1], date(2027, 4, 9), date(2027, 4, 10))] == [True, False, True]


def walk(ranch, day=None, **params):
    """Walk to every tree of the first block, and where they stand."""
    grown = lay_rows(ranch, RowParams())[0]
    travel = TravelParams(**params)
    rows = grown.blocks[0].rows
    network = open_on(travel_network(grown, travel), day)
    zero = np.zeros(len(rows.tree_xy), np.int64)
    return walk_to_stop_m(grown, network, travel, xy=rows.tree_xy, block=zero, row=rows.tree_row), rows


def test_the_walk_begins_where_the_locked_gate_stops_the_vehicle():
    """The road into the block is locked 2 m before it: one walks in from there; with the key one rides."""
    lane = road((30, -60), (30, -3), name="lane")
    main = road((-40, -60), (70, -60), name="main")
    ranch = orchard(square(), roads=(main, lane), gates=(gate(30, -4),), yard=Point(-40, -61))
    shut, rows = walk(ranch, snap_m=8.0)
    assert shut[(rows.tree_row == 5) & (rows.tree_number == 1)] == pytest.approx(np.hypot(3, 10 + 4.5), abs=0.02)
    opened, rows = walk(ranch, snap_m=8.0, keys="all")
    assert opened[(rows.tree_row > 1) & (rows.tree_row < 10)] == pytest.approx(3.0, abs=1e-3)


def test_the_walk_on_a_day_when_alleys_are_closed():
    """Irrigation over the west half: there one walks in from the headland or the next open alley; else as ever."""
    wet = Closure(name="set", geometry=box(-5, 20, 31, 80), first=MARCH[0], last=MARCH[1])
    ranch = orchard(square(), roads=(SOUTH, NORTH, WEST), closures=(wet,))
    free, rows = walk(ranch, date(2027, 2, 1))
    shut, _rows = walk(ranch, date(2027, 3, 1))
    inside = (rows.tree_xy[:, 0] < 28) & (np.abs(rows.tree_xy[:, 1] - 50) < 29)
    assert free[(rows.tree_row > 1) & (rows.tree_row < 10)] == pytest.approx(3.0, abs=1e-3)
    assert (shut[inside] > free[inside] + 1).all() and np.isfinite(shut).all()
    assert shut[rows.tree_row >= 7] == pytest.approx(free[rows.tree_row >= 7])


def test_ground_closed_for_good_is_not_walked_either():
    """Half of the block closed without dates: no walk to its trees, and none through it."""
    shut = Closure(name="no", geometry=box(-50, 47.5, 110, 200), first=None, last=None)
    found, rows = walk(orchard(square(), roads=(SOUTH,), closures=(shut,)))
    inside = rows.tree_xy[:, 1] > 47.5
    assert np.isinf(found[inside]).all() and np.isfinite(found[~inside]).all()


def test_a_hedge_makes_one_walk_round():
    """One alley in the middle is driven, the others are for feet: between trees one steps across, through a hedge never."""
    rules = (drawn(30, modes=frozenset({"truck", "cart", "foot"})),)
    ranch = orchard(square(), roads=(SOUTH,), alley_rules=rules)
    free, rows = walk(ranch, alley_mode="foot")
    hedge, _rows = walk(orchard(square(trellis=True), roads=(SOUTH,), alley_rules=rules), alley_mode="foot")
    middle = (rows.tree_row == 3) & (np.abs(rows.tree_xy[:, 1] - 50) < 3)
    assert free[middle] == pytest.approx(3.0 + 2 * 6.0, abs=0.01), "two rows further, row to row"
    assert (hedge[middle] >= 40 - 0.01).all(), "from the headland along the row"


def test_without_anything_drawn_nothing_is_barred():
    """No road, no gate: everything is taken as reached, and every way is open on every day."""
    found = network_of(forty_acres())
    assert usable(found).all() and open_on(found, date(2027, 1, 1)) is found


def test_a_gate_far_from_every_way_bars_nothing():
    """Beyond snap_m it stands nowhere."""
    ranch = replace(two_blocks_and_a_road(), gates=(gate(30, 90),))
    assert reached(network_of(ranch)).all()
    assert (network_of(ranch).kind == ALLEY).any()
