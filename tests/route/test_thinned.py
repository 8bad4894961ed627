"""Thinned ground: the same stops and drive rows with three roads, and rounds on wide one-way ground no dearer than those on it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from route_blocks import check_legs, in_turn, regular_block

from mudcap.route.aisles import solve_block
from mudcap.route.anyground import tour_any
from mudcap.route.beyond import begun_thin
from mudcap.route.blocktour import tour_of, turn_costs
from mudcap.route.options import RoundParams
from mudcap.route.stopgraph import StopGraph, levels
from mudcap.route.thinned import thinned

PARAMS = RoundParams(aisle_m_s=1.5, road_m_s=2.0, headland_turn_s=3.0, u_turn_s=5.0, kicks=20)


def _in_turn(num_rows: int, num_levels: int, each: int) -> StopGraph:
    """Drive rows up and down by turns, with so many stops in each tree row."""
    rng = np.random.default_rng(num_rows)
    row = np.repeat(np.arange(num_rows), each)
    graph = regular_block(
        num_rows=num_rows, length_m=300.0, stop_row=row, stop_y_m=rng.uniform(0, 300, len(row)), levels=num_levels
    )
    return in_turn(graph)


@pytest.mark.parametrize(("num_levels", "inner"), [(2, []), (3, [1]), (4, [1, 2]), (7, [3, 2, 4, 1, 5])])
def test_the_outer_roads_and_one_more_stay(num_levels: int, inner: list[int]) -> None:
    """Each of the inner roads, from the middle outwards; drive rows, stops and their places stay as they are."""
    graph = _in_turn(6, num_levels, 2)
    kept = []
    for thin in thinned(graph):
        thin.check()
        level = levels(thin)
        roads = np.unique(level[thin.tail[~thin.is_aisle]]).tolist()
        assert {0, num_levels - 1} <= set(roads)
        assert len(roads) <= 3
        kept += [k for k in roads if 0 < k < num_levels - 1]
        assert int(thin.is_aisle.sum()) == int(graph.is_aisle.sum())
        for one, other in ((graph.tail, thin.tail), (graph.head, thin.head), (graph.directions, thin.directions)):
            assert np.array_equal(one[graph.place_edge], other[thin.place_edge])
    assert kept == inner
    assert len(list(thinned(graph))) == max(1, len(inner))


def test_a_search_that_begins_on_thinned_ground() -> None:
    """A poor round gives way to one no dearer than the best on three of seven roads; one near its bound stays as it is."""
    graph, poor = _in_turn(14, 7, 10), replace(PARAMS, kicks=0)
    turns_s = turn_costs(graph, poor)
    worst = tour_of(graph, poor, tour_any(graph, turns_s, poor), None, "search")
    best = begun_thin(graph, turns_s, poor, worst, thinned(graph))
    check_legs(graph, best)
    least = min(solve_block(thin, poor).objective for thin in thinned(graph))
    assert best.objective <= least + 1e-6 < worst.objective
    near = replace(worst, bound=worst.objective)
    assert begun_thin(graph, turns_s, poor, near, thinned(graph)) is near
