"""The travel network: joints, modes, ditches, parts that hang on nothing, and shortest ways against other libraries."""

from dataclasses import replace

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse.csgraph import floyd_warshall
from shapely import LineString, Point, box, get_parts, union_all

from mudcap.orchard.checks import check
from mudcap.orchard.model import Feature, Role
from mudcap.orchard.network import (
    ALLEY,
    CART,
    FOOT,
    HEADLAND,
    LINK,
    ROAD,
    TRUCK,
    VEHICLE,
    graph_of,
    reached,
    shortest,
    travel_network,
)
from mudcap.orchard.params import RowParams, TravelParams
from mudcap.orchard.rows import lay_rows
from orchards import block, forty_acres, orchard, road, two_blocks_and_a_road, two_part_block


def network_of(orchard_, **params):
    """The network of an orchard with its rows laid."""
    return travel_network(lay_rows(orchard_, RowParams())[0], TravelParams(**params))


def at(network, x, y):
    """The node nearest to a place."""
    return int(np.argmin(np.hypot(*(network.node_xy - (x, y)).T)))


def metres(network, start, end, mode=VEHICLE):
    """Way from place to place."""
    return float(shortest(network, [at(network, *start)], mode)[at(network, *end)])


def test_crossing_roads_meet_where_they_cross():
    """A cross of two roads: from one arm to the other round the corner."""
    cross = network_of(orchard(roads=(road((0, 0), (100, 0)), road((40, -50), (40, 50)))))
    assert len(cross.node_xy) == 5
    assert metres(cross, (0, 0), (40, 50)) == pytest.approx(90)


@pytest.mark.parametrize(("gap", "joined"), [(0.0, True), (6.0, True), (11.9, True), (12.1, False)])
def test_road_ends_snap_within_reach(gap, joined):
    """A road that stops short of another is joined to it within snap_m, and left alone beyond."""
    found = network_of(orchard(roads=(road((0, 0), (100, 0)), road((40, gap), (40, 50)))))
    way = metres(found, (0, 0), (40, 50))
    assert way == pytest.approx(90) if joined else way == np.inf


def test_a_ring_road_that_does_not_quite_close_is_closed():
    """Start and end 5 m apart: one can go round."""
    ring = road((0, 5), (0, 100), (100, 100), (100, 0), (0, 0))
    assert metres(network_of(orchard(roads=(ring,))), (0, 5), (0, 0)) == pytest.approx(5)


def test_a_one_way_road_lets_walkers_back():
    """Vehicles go with the line only, walkers both ways."""
    found = network_of(orchard(roads=(road((0, 0), (100, 0), one_way=True),)))
    assert metres(found, (0, 0), (100, 0)) == pytest.approx(100)
    assert metres(found, (100, 0), (0, 0)) == np.inf
    assert metres(found, (100, 0), (0, 0), FOOT) == pytest.approx(100)


def test_modes_of_roads_and_alleys():
    """A footpath carries no vehicle; alleys carry what alley_mode says; headlands carry all."""
    path = network_of(orchard(roads=(road((0, 0), (100, 0), modes=frozenset({"foot"})),)))
    assert metres(path, (0, 0), (100, 0)) == np.inf and metres(path, (0, 0), (100, 0), FOOT) == pytest.approx(100)
    for mode, bits in (("truck", TRUCK | CART | FOOT), ("cart", CART | FOOT), ("foot", FOOT)):
        found = network_of(two_blocks_and_a_road(), alley_mode=mode)
        assert set(found.mode[found.kind == ALLEY].tolist()) == {bits}
        assert set(found.mode[found.kind == HEADLAND].tolist()) == {7}
    with pytest.raises(ValueError, match="alley_mode"):
        network_of(two_blocks_and_a_road(), alley_mode="boat")


def test_a_hand_worked_block():
    """Two rows 10 m apart, headlands 10 m: every metre from the yard to the north end of the middle alley by hand.

    Block 20 m × 100 m at (0, 0); rows at x = 5 and 15; the middle alley at x = 10 runs from y = 5 to y = 95 (half a headland
    inside). The road runs at y = −4, the yard lies on it at x = −30. Way: 40 m east along the road, 4 m + 5 m over the link
    to the alley's south end, 90 m up the alley: 139 m.
    """
    shape = block("B", box(0, 0, 20, 100), row_spacing_m=10.0, tree_spacing_m=5.0, headland_m=10.0)
    found = network_of(orchard(shape, roads=(road((-30, -4), (50, -4)),), yard=Point(-30, -4)))
    way = shortest(found, [found.yard_node], VEHICLE)
    assert way[at(found, 10, 95)] == pytest.approx(139, abs=1e-2)
    assert way[at(found, 10, 5)] == pytest.approx(49, abs=1e-2)
    only_road = shortest(found, [found.yard_node], TRUCK)
    assert only_road[at(found, 10, 5)] == pytest.approx(49, abs=1e-2)
    assert only_road[at(found, 10, 95)] == np.inf


def test_blocks_on_both_sides_hang_on_the_road_between():
    """Both blocks reach the yard; each alley end near the road has its own link."""
    found = network_of(two_blocks_and_a_road())
    assert found.yard_node >= 0 and reached(found).all()
    assert found.entry.tolist() == [found.yard_node]
    assert (found.kind == LINK).sum() >= 2 * 2 * 9
    assert set(found.alley[found.kind == ALLEY].tolist()) == set(range(22))
    assert (found.alley[found.kind != ALLEY] == -1).all()


@pytest.mark.parametrize(
    ("side", "is_in"),
    [
        (road((-50, -11.9), (150, -11.9)), True),  # along the row ends; the alleys begin 5 m inside
        (road((-50, -12.1), (150, -12.1)), False),
        (road((-11.9, -50), (-11.9, 150)), True),  # along the outermost row
        (road((-12.1, -50), (-12.1, 150)), False),
        (road((-80, 50), (-2, 50)), True),  # upon the side, where no alley ends
        (road((-80, 50), (0.5, 50)), True),
        (road((-80, 50), (-12.1, 50)), False),
        (road((-80, -80), (-6, -6)), True),  # to a corner
        (road((-80, -80), (-9, -9)), False),
    ],
)  # fmt: skip
def test_a_road_is_joined_to_a_block_whose_edge_is_within_reach(side, is_in):
    """Twelve metres from the edge, however far inside it the drive rows begin; one that ends there, too."""
    shape = block("B", box(0, 0, 100, 100), row_spacing_m=6.0, tree_spacing_m=5.0, headland_m=10.0)
    found = network_of(orchard(shape, roads=(side,)))
    assert reached(found)[found.target[found.kind == ALLEY]].tolist() == [is_in] * (found.kind == ALLEY).sum()


def test_a_road_that_ends_behind_a_tree_row_is_not_joined_through_it():
    """Where no alley runs outside the outermost row there is nothing to come upon from its side."""
    side = road((-80, 50), (-2, 50))
    laid = lay_rows(orchard(block("B", box(0, 0, 100, 100), row_spacing_m=6.0, tree_spacing_m=5.0), roads=(side,)), RowParams())[0]
    (ground,) = laid.blocks
    inner = replace(laid, blocks=(replace(ground, alleys=tuple(a for a in ground.alleys if a.left_row > 0), headlands=()),))
    joined, cut = (travel_network(o, TravelParams()) for o in (laid, inner))
    assert reached(joined)[joined.target[joined.kind == ALLEY]].all()
    assert not reached(cut)[cut.target[cut.kind == ALLEY]].any()


def test_the_network_is_symmetric_where_no_way_is_one_way():
    """Every edge has its like in the other direction, and CSR order holds."""
    found = network_of(two_blocks_and_a_road())
    forward = set(zip(found.source.tolist(), found.target.tolist(), found.length_m.round(9).tolist(), strict=True))
    assert forward == {(b, a, m) for a, b, m in forward}
    assert found.indptr[-1] == len(found.target) and (np.diff(found.indptr) >= 0).all()


def test_without_roads_every_headland_is_an_entry():
    """Access is unknown: all is taken as reached."""
    found = network_of(forty_acres())
    assert not found.roads_known and found.yard_node == -1
    assert reached(found).all()


@pytest.mark.parametrize("parts", [{"yard": Point(-5, -5)}, {"gates": (Feature(role=Role.GATES, name="gate", geometry=Point(20, -1)),)}])
def test_a_yard_or_gate_without_roads_leaves_every_headland_an_entry(parts):
    """Two blocks far apart, the yard by one of them: nothing tells how to the other, so it counts as reached, as is said."""
    far = [block(name, box(x, 0, x + 60, 100)) for name, x in (("A", 0), ("B", 500))]
    found = network_of(orchard(*far, **parts))
    assert reached(found).all() and found.yard_node == (-1 if "gates" in parts else found.yard_node)


def test_a_block_across_an_undrawn_avenue_is_reached_through_its_neighbour():
    """Eight metres between two blocks, the road beyond the first; thirty are too far, and the far block is told."""
    road_south = road((-10, -6), (70, -6))
    for gap, is_in in ((8, True), (11.9, True), (12.1, False), (60, False)):
        blocks = [block(name, box(0, y, 60, y + 100), headland_m=8.0) for name, y in (("A", 0), ("B", 100 + gap))]
        laid = lay_rows(orchard(*blocks, roads=(road_south,)), RowParams())[0]
        found = travel_network(laid, TravelParams())
        assert reached(found).all() == is_in
        assert {"block_off_roads"} & {f.code for f in check(laid)} == (set() if is_in else {"block_off_roads"})


def test_an_isolated_road_is_kept_but_not_reached():
    """A road behind the canal stays in the graph; from the yard nobody comes there."""
    far = road((0, 500), (100, 500), name="far")
    found = network_of(orchard(roads=(road((0, 0), (100, 0)), far), yard=Point(0, 1)))
    assert reached(found)[at(found, 0, 0)] and not reached(found)[at(found, 100, 500)]


def ditch(*xy):
    """A ditch through these points."""
    return Feature(role=Role.DITCHES, name="ditch", geometry=LineString(xy))


def test_a_ditch_cuts_alleys_unless_a_road_crosses_it():
    """A ditch over all alleys at y = 50: the north is cut off, until a road with its culvert goes over."""
    ground = block("B", box(0, 0, 60, 100), row_spacing_m=6.0, tree_spacing_m=5.0)
    south = road((-10, -4), (70, -4))
    across = (ditch((-20, 50), (80, 50)),)
    dry = network_of(orchard(ground, roads=(south,)))
    wet = network_of(orchard(ground, roads=(south,), features=across))
    assert metres(dry, (30, -4), (30, 97)) < 120
    assert metres(wet, (30, -4), (30, 97)) == np.inf
    gaps = [metres(wet, (30, -4), (30, y)) for y in (49, 51)]
    assert np.isfinite(gaps[0]) and np.isinf(gaps[1])
    bridge = (south, road((-6, -4), (-6, 104), name="side"))
    assert np.isfinite(metres(network_of(orchard(ground, roads=bridge, features=across)), (30, -4), (30, 97)))


def test_a_ditch_along_the_headland_cuts_the_links_to_the_road():
    """Between road and block runs a ditch: nothing leads in."""
    ground = block("B", box(0, 0, 60, 100))
    found = network_of(
        orchard(ground, roads=(road((-10, -6), (70, -6)),), features=(ditch((-20, -2), (80, -2)),))
    )
    assert not reached(found)[at(found, 30, 50)]


def test_parts_of_a_block_hang_on_the_road_between_them():
    """Two parts, the road between: all reached."""
    assert reached(network_of(two_part_block())).all()


def test_gates_are_where_vehicles_come_from():
    """Without a yard, the gate's road is the way in; another road is not."""
    gate = Feature(role=Role.GATES, name="gate", geometry=Point(0, 3))
    found = network_of(orchard(roads=(road((0, 0), (100, 0)), road((0, 300), (100, 300))), gates=(gate,)))
    assert reached(found)[at(found, 100, 0)] and not reached(found)[at(found, 100, 300)]


def test_an_empty_orchard_has_an_empty_network():
    """No way at all: no node, and nothing is reached."""
    found = network_of(orchard())
    assert len(found.node_xy) == 0 and found.yard_node == -1
    assert shortest(found, [], VEHICLE).tolist() == [] and reached(found).tolist() == []


segment = st.tuples(*[st.integers(0, 12)] * 4).filter(lambda s: s[:2] != s[2:])


@given(segments=st.lists(segment, min_size=1, max_size=8), source=st.integers(0, 1000))
@settings(max_examples=40, deadline=None)
def test_shortest_ways_equal_networkx_and_floyd_warshall(segments, source):
    """Random roads on a grid of 10 m: our metres against NetworkX's Dijkstra and SciPy's Floyd–Warshall."""
    roads = tuple(road((10 * a, 10 * b), (10 * c, 10 * d), name=str(k)) for k, (a, b, c, d) in enumerate(segments))
    found = network_of(orchard(roads=roads), snap_m=1.0)
    start = source % len(found.node_xy)
    ours = shortest(found, [start], VEHICLE)
    graph = nx.Graph()
    graph.add_nodes_from(range(len(found.node_xy)))
    for a, b, m in zip(found.source.tolist(), found.target.tolist(), found.length_m.tolist(), strict=True):
        if not graph.has_edge(a, b) or graph[a][b]["weight"] > m:
            graph.add_edge(a, b, weight=m)
    theirs = nx.single_source_dijkstra_path_length(graph, start)
    for node in range(len(found.node_xy)):
        assert ours[node] == pytest.approx(theirs.get(node, np.inf))
    assert ours == pytest.approx(floyd_warshall(graph_of(found, VEHICLE))[start])


@given(segments=st.lists(st.tuples(segment, st.booleans()), min_size=1, max_size=7), source=st.integers(0, 1000))
@settings(max_examples=60, deadline=None)
def test_one_way_roads_equal_networkx_on_lines_noded_by_geos(segments, source):
    """Random roads, some one way, over and along each other: GEOS nodes the lines, each piece takes its directions from the
    roads on which its middle lies, NetworkX finds the metres."""
    roads = tuple(
        road((10 * a, 10 * b), (10 * c, 10 * d), name=str(k), one_way=one_way)
        for k, ((a, b, c, d), one_way) in enumerate(segments)
    )
    found = network_of(orchard(roads=roads), snap_m=1e-3)
    graph = nx.DiGraph()

    def name(xy):
        return round(xy[0], 3) + 0.0, round(xy[1], 3) + 0.0

    for piece in get_parts(union_all([r.line for r in roads])):
        a, b, middle = piece.coords[0], piece.coords[-1], piece.interpolate(0.5, normalized=True)
        for r in (r for r in roads if r.line.distance(middle) < 1e-6):
            along = r.line.project(Point(b)) > r.line.project(Point(a))
            for start, end, forward in ((a, b, along), (b, a, not along)):
                if forward or not r.one_way:
                    graph.add_edge(name(start), name(end), weight=piece.length)
    start = roads[source % len(roads)].line.coords[source % 2]
    ours = shortest(found, [at(found, *start)], VEHICLE)
    theirs = nx.single_source_dijkstra_path_length(graph, name(start))
    for r in roads:
        for end in (r.line.coords[0], r.line.coords[-1]):
            assert ours[at(found, *end)] == pytest.approx(theirs.get(name(end), np.inf), abs=0.02)


@given(segments=st.lists(segment, min_size=2, max_size=6))
@settings(max_examples=40, deadline=None)
def test_roads_that_touch_are_joined(segments):
    """Two roads that share a point are reached from one another: the parts are those of the union of the lines."""
    roads = tuple(road((10 * a, 10 * b), (10 * c, 10 * d), name=str(k)) for k, (a, b, c, d) in enumerate(segments))
    found = network_of(orchard(roads=roads), snap_m=1e-3)
    parts = get_parts(union_all([r.line.buffer(1e-4) for r in roads]))
    graph = nx.Graph(list(zip(found.source.tolist(), found.target.tolist(), strict=True)))
    assert nx.number_connected_components(graph) == len(parts)
    covered = sum(found.length_m[found.kind == ROAD]) / 2
    assert covered >= union_all([r.line for r in roads]).length - 1e-3
