"""Keep-outs that nobody crosses: what they cut, what goes round them, and what is said."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Point, affinity, box

from mudcap.orchard.access_findings import access_findings
from mudcap.orchard.alleys import VEHICLE_CLEAR_M
from mudcap.orchard.barriers import impassable
from mudcap.orchard.checks import check
from mudcap.orchard.model import Exclusion, KeepOut
from mudcap.orchard.network import ALLEY, FOOT, HEADLAND, LINK, ROAD, reached, shortest, travel_network
from mudcap.orchard.params import RowParams, TravelParams
from mudcap.orchard.rows import lay_rows
from mudcap.orchard.walk import walk_to_stop_m
from orchards import block, orchard, road

SQUARE = block("B", box(0, 0, 100, 100), row_spacing_m=5.0, tree_spacing_m=4.0)
SOUTH = road((-5, -5), (105, -5), name="south road")
POND = Point(50, 50).buffer(15)


def keep(shape, **said):
    """A pond of this shape, unless said otherwise."""
    return KeepOut(**{"name": "Pond", "geometry": shape, "setback_m": 3.0, "reason": "pond", **said})


def ground(*shapes, block_=SQUARE, roads=(SOUTH,), **said):
    """The square block with ponds, its rows laid, and what was said of them."""
    keeps = tuple(s if isinstance(s, KeepOut) else keep(s) for s in shapes)
    return lay_rows(orchard(block_, roads=roads, keep_outs=keeps, **said), RowParams())


def edges(network, *kinds):
    """Lines of a network's edges of some kinds."""
    use = np.isin(network.kind, kinds)
    return shapely.linestrings(
        np.stack([network.node_xy[network.source[use]], network.node_xy[network.target[use]]], axis=1)
    )


@pytest.mark.parametrize(
    ("said", "blocks_the_way"),
    [
        ({}, True),
        ({"passable": True}, False),
        ({"rule": Exclusion.CHEMICAL_STORE}, True),
        ({"rule": Exclusion.HIVES}, False),
        ({"rule": Exclusion.HAZARD}, False),
        ({"rule": Exclusion.HAZARD, "passable": False}, True),
        ({"geometry": Point(0, 0)}, False),
        ({"geometry": Point(0, 0), "passable": False}, True),
        ({"geometry": LineString([(0, 0), (9, 9)])}, False),
        ({"geometry": LineString([(0, 0), (9, 9)]), "passable": False}, True),
    ],
)
def test_what_nobody_crosses(said, blocks_the_way):
    """Areas of keep-outs and stores unless the input says otherwise; all else only where it says so."""
    assert (impassable(keep(POND, **said)) is not None) == blocks_the_way


def test_a_mixed_shape_counts_by_its_areas():
    """A house with the line of its fence: the fence stops nobody unless that is said."""
    fence = LineString([(20, 0), (60, 0)])
    mixed = shapely.union_all([box(0, 0, 10, 10), fence])
    assert impassable(keep(mixed)).equals(box(0, 0, 10, 10))
    assert impassable(keep(mixed, passable=False)).intersects(Point(40, 0))


@given(
    st.floats(35, 65), st.floats(35, 65), st.floats(2, 12), st.floats(2, 12), st.floats(0, 90), st.sampled_from([4, 8, 32])
)
@settings(max_examples=15, deadline=None)
def test_a_pond_inside_cuts_as_a_hole_does(x, y, wide, high, turn, corners):
    """Drive rows and headlands are the same whether the pond is drawn as a keep-out or cut out of the block."""
    shape = affinity.rotate(affinity.scale(Point(x, y).buffer(1, corners), wide, high), turn)
    drawn = ground(shape)[0].blocks[0]
    cut = ground(block_=block("B", box(0, 0, 100, 100).difference(shape), row_spacing_m=5.0, tree_spacing_m=4.0))[0].blocks[0]
    for one, two in ((drawn.alleys, cut.alleys), (cut.alleys, drawn.alleys)):
        other = shapely.union_all([a.line for a in two]).buffer(0.05)
        # the last trees before a hole are left out of a row, so that short pieces may lack
        assert all(other.covers(a.line) for a in one if a.line.length > 12)
    assert shapely.union_all(drawn.headlands).hausdorff_distance(shapely.union_all(cut.headlands)) < 1e-3


@given(
    st.floats(-5, 105), st.floats(-5, 105), st.floats(0.5, 40), st.floats(0.5, 40), st.floats(0, 180), st.booleans(), st.booleans()
)
@settings(max_examples=30, deadline=None)
def test_no_way_leads_through_and_none_through_a_tree_row(x, y, wide, high, turn, is_line, trellis):
    """Wherever it lies: no edge but of a drawn road, driven or walked, comes in; drive rows and headlands keep a vehicle off."""
    shape = LineString([(x - wide, y), (x + wide, y)]) if is_line else box(x - wide / 2, y - high / 2, x + wide / 2, y + high / 2)
    shape = affinity.rotate(shape, turn)
    wall = keep(shape, passable=False)
    laid, _said = ground(wall, block_=block("B", box(0, 0, 100, 100), row_spacing_m=5.0, tree_spacing_m=4.0, trellis=trellis))
    network = travel_network(laid, TravelParams())
    ways = edges(network, ALLEY, HEADLAND)
    if len(ways):
        assert shapely.distance(ways, shape).min() >= VEHICLE_CLEAR_M - 0.02
    inner = shape if is_line else shape.buffer(-0.15)
    assert not shapely.intersects(edges(network, LINK), inner).any()
    rows = laid.blocks[0].rows
    pair = np.flatnonzero((np.diff(rows.tree_row) == 0) & (np.hypot(*np.diff(rows.tree_xy, axis=0).T) < 5))
    between = shapely.linestrings(np.stack([rows.tree_xy[pair], rows.tree_xy[pair + 1]], axis=1))
    driven = shapely.STRtree(edges(network, HEADLAND, ALLEY))
    assert not len(driven.query(between, predicate="intersects")[0])


def test_both_pieces_of_a_row_are_reached_from_their_headlands():
    """A pond in the middle cuts seven drive rows; every piece is driven."""
    laid, said = ground(POND)
    network = travel_network(laid, TravelParams())
    pieces = np.bincount([a.left_row for a in laid.blocks[0].alleys])
    assert sorted(pieces.tolist()) == [1] * 14 + [2] * 7 and reached(network).all()
    (cut,) = [f for f in said if f.code == "keep_out_cuts"]
    assert "Pond cuts 7 alleys" in cut.text and "passable = yes" in cut.text and cut.level == "note"


def test_the_setback_of_shelters_cuts_nothing():
    """It stands 2 m beside a drive row with 30 m of setback: the row is whole."""
    laid, said = ground(keep(box(52, 40, 53, 60), setback_m=30.0))
    assert len(laid.blocks[0].alleys) == 21 and not said


def test_one_row_is_one_row():
    """A well head in a drive row."""
    _laid, said = ground(Point(50, 50).buffer(1))
    assert any("cuts 1 alley;" in f.text for f in said)


def test_the_headland_goes_round_a_pump_house_where_there_is_room():
    """Four metres deep at the block's edge: the way bends between it and the trees; up to the trees it ends."""
    small, _said = ground(box(48, 97, 50, 101))
    deep, said = ground(box(46, 85, 54, 101))
    beside = ground()[0].blocks[0].headlands
    assert sorted(round(h.length) for h in beside) == [98, 98] and len(small.blocks[0].headlands) == 2
    assert max(h.length for h in small.blocks[0].headlands) > max(h.length for h in beside) + 0.1
    assert len(deep.blocks[0].headlands) == 3 and any("cuts 3 alleys" in f.text for f in said)


def test_a_house_on_the_headland_alone_is_told():
    """It reaches no drive row."""
    _laid, said = ground(box(52, 96, 53, 101))
    assert any("stands on the headland" in f.text for f in said)


def test_crews_walk_round_it():
    """No vehicle drives the alleys: the walk to a tree behind a wall goes round its end, that to the others is as before."""
    wall = keep(LineString([(-1, 40), (70, 40)]), passable=False)
    walks = []
    for keeps in ((wall,), ()):
        laid, _said = ground(*keeps)
        rows, params = laid.blocks[0].rows, TravelParams(alley_mode="foot")
        network = travel_network(laid, params)
        only_south = network.kind == ROAD
        network.mode.setflags(write=True)
        network.mode[~only_south] &= FOOT
        of = np.zeros(len(rows.tree_xy), np.int64)
        walks.append(walk_to_stop_m(laid, network, params, xy=rows.tree_xy, block=of, row=rows.tree_row))
    behind = (rows.tree_xy[:, 0] < 60) & (rows.tree_xy[:, 1] > 42)
    before = rows.tree_xy[:, 1] < 38
    assert np.isfinite(walks[0]).all() and np.allclose(walks[0][before], walks[1][before])
    assert (walks[0][behind] > walks[1][behind] + 3).all()


def test_trees_inside_keep_a_walk():
    """Their own rule bars them; a shelter pinned there by hand is stepped to from outside."""
    laid, _said = ground(POND)
    rows = laid.blocks[0].rows
    walk = walk_to_stop_m(
        laid, travel_network(laid, TravelParams()), TravelParams(), xy=rows.tree_xy, block=np.zeros(len(rows.tree_xy), np.int64),
        row=rows.tree_row,
    )  # fmt: skip
    inside = shapely.contains_xy(POND, *rows.tree_xy.T)
    assert inside.any() and np.isfinite(walk).all() and walk[inside].max() > walk[~inside].max()


@pytest.mark.parametrize(
    ("points", "is_told"),
    [
        (((-10, 50), (110, 50)), True),  # right through
        (((-10, 50), (50, 50)), False),  # to it
        (((-10, 34.9), (110, 34.9)), False),  # past it
        (((-10, 35.05), (110, 35.05)), True),  # over its edge, on more than a metre
    ],
)
def test_a_road_drawn_through_it_is_driven_and_told(points, is_told):
    """Loudly, since drawing and keep-out do not agree."""
    laid, _said = ground(POND, roads=(SOUTH, road(*points, name="odd road")))
    network = travel_network(laid, TravelParams())
    found = [f for f in access_findings(laid, network, TravelParams()) if f.code == "road_through_keep_out"]
    assert [f.feature for f in found] == ["odd road"] * is_told and all(f.level == "warning" for f in found)
    ends = [int(np.argmin(np.hypot(*(network.node_xy - xy).T))) for xy in points]
    assert shortest(network, [ends[0]], 1)[ends[1]] == pytest.approx(LineString(points).length)


def test_what_it_cuts_off_is_told_with_what_would_help():
    """A canal across the block: the far side is out of reach unless one may cross."""
    canal = box(-5, 45, 105, 55)
    laid, _said = ground(canal)
    (cut,) = [f for f in check(laid) if f.code == "not_reached"]
    assert "leads through Pond" in cut.text and "passable = yes" in cut.text
    crossed = ground(keep(canal, passable=True))[0]
    assert not [f for f in check(crossed) if f.code == "not_reached"] and len(crossed.blocks[0].alleys) == 21


def test_a_yard_in_it_is_joined():
    """The shop is a keep-out and the yard lies in it: rounds begin there all the same."""
    laid, _said = ground(box(-30, -20, -5.5, 5), yard=Point(-20, -10))
    network = travel_network(laid, TravelParams())
    assert network.yard_node >= 0 and reached(network).sum() > 60
