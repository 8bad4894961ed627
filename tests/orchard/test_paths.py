"""Shortest ways in metres and seconds: by hand, against NetworkX and SciPy on random networks, and stops beside a way."""

from __future__ import annotations

from datetime import date
from itertools import pairwise

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import bellman_ford, johnson
from shapely import Point, box

from mudcap.orchard.model import AlleyRule, Closure, Gate, Role
from mudcap.orchard.network import CART, FOOT, LINK, ROAD, TRUCK, TravelNetwork, shortest, travel_network
from mudcap.orchard.params import RowParams, TravelParams
from mudcap.orchard.paths import edge_seconds, path_line, shortest_paths, travel_table, with_stops
from mudcap.orchard.rows import lay_rows
from orchards import block, orchard, road

SPEEDS = TravelParams(truck_road_m_s=5.0, truck_alley_m_s=2.0, cart_road_m_s=4.0, cart_alley_m_s=2.5, foot_m_s=1.25)


def at(network, x, y):
    """The node nearest to a place, and near to it."""
    gap = np.hypot(*(network.node_xy - (x, y)).T)
    assert gap.min() < 0.05
    return int(np.argmin(gap))


def near(value):
    """To the millimetre: rows follow true north, the plane its grid."""
    return pytest.approx(value, abs=1e-3)


def three_row_block():
    """Three rows at x = 5, 15, 25; alleys between them at x = 10 and 20 from y = 5 to 95; headlands at y = 5 and 95.

    A road along the south at y = −5 from x = −40 to x = 40, and from its west end up to y = 105 and along the north to
    x = 40, the northern part one way (drawn west to east). The yard is at (−40, −5). A locked gate stands on the south road
    at x = 0. The alley at x = 20 is driven from north to south only.
    """
    ground = block("B", box(0, 0, 30, 100), row_spacing_m=10.0, tree_spacing_m=5.0, headland_m=10.0)
    gate = Gate(role=Role.GATES, name="South gate", geometry=Point(0, -5), locked=frozenset({"truck", "cart"}))
    down = AlleyRule(name="down", line=road((20, 100), (20, 0)).line, one_way=True)
    made = orchard(
        ground, yard=Point(-40, -5), gates=(gate,), alley_rules=(down,),
        roads=(
            road((-40, -5), (40, -5), name="South"), road((-40, -5), (-40, 105), name="West"),
            road((-40, 105), (40, 105), name="North", one_way=True),
        ),
    )  # fmt: skip
    return lay_rows(made, RowParams())[0]


def test_a_block_worked_by_hand():
    """Every metre and second from the yard to the south end of the alley at x = 20 (20, 5), step by step.

    With the key the cart drives the South road from x = −40 to x = 20, 60 m, then the link from the road (y = −5) to the
    alley's end (y = 5), 10 m: 70 m, in 60/4 + 10/2.5 = 19 s.

    Without it the gate at x = 0 stops the cart. It goes up the West road, 110 m; along the North road to x = 20, 60 m; over
    the link from the road (y = 105) to the alley's north end (y = 95), 10 m; down the alley, 90 m: 270 m. Roads 170/4, link
    and alley 100/2.5: 42.5 + 40 = 82.5 s. (By headlands and other alleys it is as far, but slower.) On foot the gate is passed:
    70 m at 1.25 m/s, 56 s.

    Back from there: up the alley at x = 20 is against its direction, and the North road leads away. The south headland to
    x = 10, 10 m; up that alley, 90 m; the link to the North road, 10 m; but from there only east to x = 40, where it ends. So
    without the key there is no way back at all; with it, it is the way it came, 70 m.
    """
    ground = three_row_block()
    open_gate = travel_network(ground, TravelParams(keys="South gate"))
    shut_gate = travel_network(ground, TravelParams())
    goal = at(shut_gate, 20, 5)
    with_key = shortest_paths(open_gate, [open_gate.yard_node], mode=CART, params=SPEEDS, by="seconds")
    assert with_key.metres[goal] == near(70)
    assert with_key.seconds[goal] == near(19)
    found = shortest_paths(shut_gate, [shut_gate.yard_node], mode=CART, params=SPEEDS, by="seconds")
    assert found.metres[goal] == near(270) and found.seconds[goal] == near(82.5)
    way = path_line(shut_gate, found.nodes_to(goal))
    corners = [(-40, -5), (-40, 105), (20, 105), (20, 5)]
    assert way.length == near(270) and way.simplify(0.05).equals_exact(road(*corners).line, 0.05)
    walked = shortest_paths(shut_gate, [shut_gate.yard_node], mode=FOOT, params=SPEEDS)
    assert walked.metres[goal] == near(70) and walked.seconds[goal] == near(56)
    back = shortest_paths(shut_gate, [shut_gate.yard_node], mode=CART, backward=True)
    assert np.isinf(back.metres[goal]) and len(back.nodes_to(goal)) == 0
    back = shortest_paths(open_gate, [open_gate.yard_node], mode=CART, backward=True)
    assert back.metres[goal] == near(70)
    assert back.nodes_to(goal)[[0, -1]].tolist() == [goal, open_gate.yard_node]


def test_the_fastest_way_need_not_be_the_shortest():
    """By a slow alley it is 130 m, round by road 150 m: in a hurry one takes the road."""
    ground = block("B", box(0, 0, 30, 100), row_spacing_m=10.0, tree_spacing_m=5.0, headland_m=10.0)
    roads = (road((-10, -5), (40, -5)), road((-10, -5), (-10, 105)), road((-10, 105), (40, 105)))
    found = travel_network(lay_rows(orchard(ground, roads=roads), RowParams())[0], TravelParams())
    start, goal = at(found, 10, -5), at(found, 10, 105)
    short = shortest_paths(found, [start], mode=CART, params=SPEEDS)
    quick = shortest_paths(found, [start], mode=CART, params=SPEEDS, by="seconds")
    assert (short.metres[goal], short.seconds[goal]) == (near(110), near(44))
    assert (quick.metres[goal], quick.seconds[goal]) == (near(150), near(37.5))
    slow = shortest_paths(found, [start], mode=TRUCK, params=SPEEDS)
    assert slow.metres[goal] == near(150), "no truck in alleys"


def test_on_its_days_closed_ground_is_not_passed():
    """Irrigation over the middle of the direct road from the 3rd to the 5th: round by the other road, 300 m."""
    roads = (road((0, 0), (100, 0)), road((0, 0), (0, 100), (100, 100), (100, 0)))
    wet = Closure(name="set 4", geometry=box(40, -10, 60, 10), first=date(2027, 3, 3), last=date(2027, 3, 5))
    found = travel_network(orchard(roads=roads, closures=(wet,)), TravelParams())
    goal = at(found, 100, 0)

    def metres(days):
        return shortest_paths(found, [at(found, 0, 0)], mode=CART, days=days).metres[goal]

    assert metres(None) == pytest.approx(100)
    assert metres(date(2027, 3, 2)) == metres(date(2027, 3, 6)) == pytest.approx(100)
    assert metres(date(2027, 3, 3)) == metres(date(2027, 3, 5)) == pytest.approx(300)
    assert metres((date(2027, 2, 1), date(2027, 3, 3))) == pytest.approx(300)
    assert metres((date(2027, 3, 6), date(2027, 3, 9))) == pytest.approx(100)
    assert shortest(found, [at(found, 0, 0)], FOOT, days=date(2027, 3, 4))[goal] == pytest.approx(300)


def test_sources_and_modes_that_make_no_sense():
    """No source: no way. A sum of modes is no vehicle. Days the wrong way round."""
    wet = Closure(name="c", geometry=box(40, -10, 60, 10), first=date(2027, 3, 3), last=date(2027, 3, 5))
    found = travel_network(orchard(roads=(road((0, 0), (100, 0)),), closures=(wet,)), TravelParams())
    assert np.isinf(shortest_paths(found, [], mode=CART).metres).all()
    with pytest.raises(ValueError, match="one vehicle"):
        shortest_paths(found, [0], mode=CART | TRUCK)
    with pytest.raises(ValueError, match="before"):
        shortest_paths(found, [0], mode=CART, days=(date(2027, 3, 3), date(2027, 3, 2)))
    assert travel_table(found, [], mode=CART).shape == (0, 0)
    assert path_line(found, [0]).is_empty


@st.composite
def networks(draw):
    """A random directed network of up to 12 nodes, with parallel edges, modes and kinds."""
    num = draw(st.integers(2, 12))
    edges = draw(
        st.lists(
            st.tuples(st.integers(0, num - 1), st.integers(0, num - 1), st.integers(1, 50), st.integers(1, 7), st.integers(0, 3)),
            min_size=1, max_size=50,
        )
    )  # fmt: skip
    edges = sorted(e for e in edges if e[0] != e[1])
    source, target, length, mode, kind = np.array(edges, np.int64).reshape(-1, 5).T
    return TravelNetwork(
        node_xy=np.random.default_rng(num).uniform(0, 100, (num, 2)),
        indptr=np.concatenate([[0], np.cumsum(np.bincount(source, minlength=num))]), target=target,
        length_m=length.astype(float), mode=mode.astype(np.uint8), kind=kind.astype(np.uint8), yard_node=0,
        alley=np.full(len(edges), -1), gate=np.full(len(edges), -1), shut=np.full(len(edges), -1),
    )  # fmt: skip


@given(network=networks(), mode=st.sampled_from([TRUCK, CART, FOOT]), by=st.sampled_from(["metres", "seconds"]), data=st.data())
@settings(max_examples=150, deadline=None)
def test_ways_equal_networkx_and_scipy(network, mode, by, data):
    """One-way edges, parallel edges, modes: our metres and seconds, forth and back, against NetworkX's Dijkstra and SciPy's
    Bellman–Ford and Johnson, which are told each edge by a plain loop; the way is a way of just that cost."""
    num = len(network.node_xy)
    sources = data.draw(st.lists(st.integers(0, num - 1), min_size=1, max_size=3))
    speed = {TRUCK: (5.0, 2.0), CART: (4.0, 2.5), FOOT: (1.25, 1.25)}[mode]
    cost = {}
    for a, b, m, bits, kind in zip(network.source, network.target, network.length_m, network.mode, network.kind, strict=True):
        if bits & mode:
            price = m if by == "metres" else m / speed[0 if kind == ROAD else 1]
            cost[a, b] = min(price, cost.get((a, b), np.inf))
    graph = nx.DiGraph()
    graph.add_nodes_from(range(num))
    graph.add_weighted_edges_from((a, b, m) for (a, b), m in cost.items())
    pairs = np.array(list(cost), np.int64).reshape(-1, 2)
    matrix = csr_matrix((list(cost.values()), pairs.T), shape=(num, num))
    for backward in (False, True):
        ours = shortest_paths(network, sources, mode=mode, by=by, params=SPEEDS, backward=backward)
        value = ours.metres if by == "metres" else ours.seconds
        theirs = nx.multi_source_dijkstra_path_length(graph.reverse() if backward else graph, set(sources))
        assert value == pytest.approx([theirs.get(n, np.inf) for n in range(num)])
        assert value == pytest.approx(bellman_ford(matrix.T if backward else matrix, indices=sources).min(axis=0))
        for node in np.flatnonzero(np.isfinite(value)).tolist():
            way = ours.nodes_to(node).tolist()
            assert {way[0], way[-1]} <= {node, *sources} and way[-1 if not backward else 0] == node
            assert sum(cost[step] for step in pairwise(way)) == pytest.approx(value[node])
    table = travel_table(network, range(num), mode=mode, by=by, params=SPEEDS)
    assert table == pytest.approx(johnson(matrix))
    if by == "metres":
        assert shortest(network, sources, mode) == pytest.approx(bellman_ford(matrix, indices=sources).min(axis=0))


@given(network=networks(), xy=st.lists(st.tuples(st.floats(-10, 110), st.floats(-10, 110)), min_size=1, max_size=6))
@settings(max_examples=60, deadline=None)
def test_stops_change_no_way_between_old_nodes(network, xy):
    """With stops put in, old nodes keep numbers and distances; each stop lies as near to its way as anything does, and the
    metres over it on its own edge add up."""
    open_to = (network.mode & CART) != 0
    with_new, node, off = with_stops(network, xy, mode=CART)
    before = travel_table(network, range(len(network.node_xy)), mode=CART)
    after = travel_table(with_new, range(len(network.node_xy)), mode=CART)
    assert after == pytest.approx(before, abs=0.02)
    ends = np.stack([network.node_xy[network.source], network.node_xy[network.target]], axis=1)[open_to]
    for point, n, gap in zip(xy, node.tolist(), off.tolist(), strict=True):
        if n < 0:
            assert not open_to.any()
            continue
        assert gap == pytest.approx(min(road(*pair).line.distance(Point(point)) for pair in ends))
        assert np.hypot(*(with_new.node_xy[n] - point)) == pytest.approx(gap, abs=0.01)


def test_stops_beside_a_road_by_hand():
    """Two stops 3 m and 5 m off a one-way road of 100 m, at 20 m and 70 m: 50 m apart one way, no way the other; on foot 50."""
    found = travel_network(orchard(roads=(road((0, 0), (100, 0), one_way=True),)), TravelParams())
    stopped, node, off = with_stops(found, [(20, 3), (70, -5), (0, -1), (50, 90)], mode=CART, reach_m=20)
    assert off.tolist() == [3, 5, 1, np.inf] and node[3] == -1 and node[2] == at(found, 0, 0)
    table = travel_table(stopped, node[:2], mode=CART)
    assert table.tolist() == [[0, pytest.approx(50)], [np.inf, 0]]
    assert travel_table(stopped, node[:2], mode=FOOT)[1, 0] == pytest.approx(50)
    assert stopped.length_m[(stopped.mode & CART) != 0].sum() == pytest.approx(100)
    bare = TravelNetwork(
        node_xy=found.node_xy, indptr=found.indptr, target=found.target, length_m=found.length_m, mode=found.mode,
        kind=found.kind, yard_node=-1,
    )  # fmt: skip
    assert with_stops(bare, [(20, 3)], mode=CART)[0].length_m.sum() == pytest.approx(200)


def test_seconds_of_links_and_roads():
    """Only roads are driven at road speed."""
    found = travel_network(three_row_block(), TravelParams())
    seconds = edge_seconds(found, SPEEDS, CART)
    drives = np.isfinite(seconds)
    roads = (found.kind == ROAD) & drives
    assert seconds[roads] == pytest.approx(found.length_m[roads] / 4)
    links = (found.kind == LINK) & drives
    assert links.any() and seconds[links] == pytest.approx(found.length_m[links] / 2.5)
