"""One-way ground by the frontier programme: against the exhaustive search, by hand, and beside the local search and the linear bound."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from route_blocks import check_legs, in_turn, one_way_block, regular_block
from route_oracle import cheapest_by_search

from mudcap.route import directed
from mudcap.route.aisles import solve_block
from mudcap.route.anyground import tour_any
from mudcap.route.blocktour import leg_seconds
from mudcap.route.directed import heights, most_passes
from mudcap.route.options import RoundParams, edge_options, find_groups
from mudcap.route.prices import price_round
from mudcap.route.stopgraph import StopGraph, block_graph

MIXED = (0.3, 0.5, 0.8)
"""Shares of the ways that go one way only."""


def _alternating(num_rows: int, levels: int, num_stops: int, seed: int) -> StopGraph:
    """Drive rows that go up and down by turns, with stops free to be served from either side."""
    rng = np.random.default_rng(seed)
    row, y = rng.integers(0, num_rows, num_stops), rng.uniform(0, 120, num_stops)
    graph = regular_block(num_rows=num_rows, length_m=120.0, stop_row=row, stop_y_m=y, levels=levels)
    return in_turn(graph)


@pytest.mark.parametrize("seed", range(1_000, 1_220))
def test_equals_the_exhaustive_search(seed: int) -> None:
    """With turns, speeds, gaps and open ends, proven in each; where no round exists that is said."""
    graph = one_way_block(seed, MIXED)
    params = RoundParams(
        aisle_m_s=1.5,
        road_m_s=2.0,
        headland_turn_s=3.0 * (seed % 2),
        u_turn_s=5.0 * (seed % 5 < 2),
        kicks=200,
    )
    try:
        best = cheapest_by_search(graph, params)
    except AssertionError:
        with pytest.raises(ValueError, match="cannot be reached"):
            solve_block(graph, params)
        return
    tour = solve_block(graph, params)
    check_legs(graph, tour)
    assert tour.objective == pytest.approx(best, abs=1e-6)
    assert sum(leg_seconds(graph, tour.legs, params)) == pytest.approx(tour.objective)
    assert (tour.method, tour.status) == ("programme", "optimal")
    assert tour.bound == pytest.approx(best, abs=1e-4)


def test_two_rows_up_and_one_down_worked_by_hand() -> None:
    """Each row up is followed by the one row down: 4 x 100, at the top 12 + 6, at the bottom 6 + 12."""
    graph = block_graph(aisle_x_m=[0.0, 6.0, 12.0], cross_y_m=[0.0, 100.0], stop_row=[0, 1], stop_y_m=[20.0, 30.0],
                        fixed_aisle={0: 0, 1: 1})  # fmt: skip
    way = np.where(graph.is_aisle, np.where(graph.column[graph.tail] == 2, -1, 1), 0)
    tour = solve_block(replace(graph, one_way=way.astype(np.int8)))
    assert tour.length_m == pytest.approx(436.0)
    assert (tour.method, tour.status) == ("programme", "optimal")
    down = [leg for leg in tour.legs if graph.is_aisle[leg.edge] and graph.column[leg.begin] == 2]
    assert len(down) == 2
    assert sorted(h.stop for leg in tour.legs for h in leg.halts) == [0, 1]


def _fan(n: int) -> tuple[StopGraph, float]:
    """Rows up and one row down at their right, which is driven once after each, and the length of the cheapest round [m].

    Rows are 6 m apart and 50 m long: 2 n x 50 m, and from row to row down and back 2 x 6 x (1 + ... + n) m.
    """
    graph = block_graph(
        aisle_x_m=6.0 * np.arange(n + 1), cross_y_m=[0.0, 50.0], stop_row=np.arange(n), stop_y_m=np.full(n, 20.0),
        fixed_aisle={a: a for a in range(n)},
    )  # fmt: skip
    way = np.where(graph.is_aisle, np.where(graph.column[graph.tail] == n, -1, 1), 0)
    return replace(graph, one_way=way.astype(np.int8)), 2 * n * 50.0 + 6.0 * n * (n + 1)


def test_many_passes_of_one_row_worked_by_hand() -> None:
    """Fifty rows up and one down, which is driven fifty times."""
    graph, best = _fan(50)
    tour = solve_block(graph, RoundParams(kicks=500))
    check_legs(graph, tour)
    assert tour.length_m == pytest.approx(best)
    assert tour.status == "optimal"


def test_passes_that_are_not_followed_are_covered_by_the_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the cheapest round drives a way more often than is followed, the bound is no higher than that round."""
    monkeypatch.setattr(directed, "_MOST", 3)
    for n in (3, 4, 5, 8, 12):
        graph, best = _fan(n)
        tour = solve_block(graph, RoundParams(kicks=500))
        check_legs(graph, tour)
        assert tour.bound is not None
        assert tour.bound <= best + 1e-6 <= tour.objective + 2e-6
        assert tour.bound > 0.9 * best
    graph, best = _fan(80)
    monkeypatch.undo()
    tour = solve_block(graph, RoundParams(kicks=500))
    assert tour.bound is not None
    assert tour.bound <= best + 1e-6 <= tour.objective + 2e-6


@pytest.mark.parametrize("levels", [2, 3, 4])
def test_alternating_rows(levels: int) -> None:
    """Never worse than the local search, never below the linear programme's bound, within 1 % of its own, and the same again."""
    params = RoundParams(headland_turn_s=4.0, kicks=2_000)
    for seed in range(4):
        graph = _alternating(12, levels, 30, seed)
        tour, again = solve_block(graph, params), solve_block(graph, params)
        check_legs(graph, tour)
        assert tour.legs == again.legs
        assert (tour.bound, tour.peak_states) == (again.bound, again.peak_states)
        turns_s = _turns(graph, params)
        legs = tour_any(graph, turns_s, params)
        assert tour.objective <= sum(leg_seconds(graph, legs, params)) + 1e-6
        groups, of_edge, must = find_groups(graph)
        options = [
            edge_options(graph, e, [groups[g] for g in of_edge[e]], must[e], turns_s[e], params)[0]
            for e in range(len(graph.tail))
        ]
        linear = price_round(graph, groups, of_edge, options, rounds=60).bound
        assert linear - 1e-4 <= (tour.bound or 0.0) <= tour.objective
        assert tour.gap is not None
        assert 0 <= tour.gap <= 0.01


def _turns(graph: StopGraph, params: RoundParams) -> list[tuple[float, float]]:
    """A turn at each end of a drive row where no other one goes on."""
    ends = np.concatenate([graph.tail[graph.is_aisle], graph.head[graph.is_aisle]])
    is_last = np.bincount(ends, minlength=len(graph.vertex_xy)) == 1
    turn_s = params.headland_turn_s
    return [
        (turn_s * float(a and is_last[i]), turn_s * float(a and is_last[j]))
        for i, j, a in zip(graph.tail, graph.head, graph.is_aisle, strict=True)
    ]


def test_heights_let_no_pass_cost_less_than_nothing() -> None:
    """Any prices are lowered until that holds in each direction allowed; those for which it holds stay."""
    for seed in range(20):
        graph, rng = one_way_block(seed, MIXED), np.random.default_rng(seed)
        cost = np.where(graph.head >= 0, graph.length_m, np.inf)
        found = heights(graph, cost, rng.normal(0, 50, len(graph.vertex_xy)))
        fall = found[graph.tail] - found[graph.head]
        through = graph.head >= 0
        assert (fall <= cost + 1e-9)[through & (graph.directions >= 0)].all()
        assert (-fall <= cost + 1e-9)[through & (graph.directions <= 0)].all()
        assert np.array_equal(found, heights(graph, cost, found))


def test_most_passes_worked_by_hand() -> None:
    """A square of 10 m ways, one of them one-way: 40 m or more for each pass of it, 20 m there and back for the others."""
    graph = block_graph(aisle_x_m=[0.0, 10.0], cross_y_m=[0.0, 10.0], stop_row=[0], stop_y_m=[5.0])
    graph = replace(
        graph, one_way=np.where(graph.is_aisle & (graph.column[graph.tail] == 0), 1, 0).astype(np.int8)
    )
    most = most_passes(graph, graph.length_m, 165.0)
    assert np.array_equal(most, np.where(graph.directions == 1, 4, 8))
    assert np.array_equal(most_passes(replace(graph, end=3), graph.length_m, 165.0), most + 1)
