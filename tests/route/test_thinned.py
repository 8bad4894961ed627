"""Thinned ground: the same stops and drive rows with three roads, and rounds on wide one-way ground no dearer than those on it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from route_blocks import check_legs, regular_block

from mudcap.route.aisles import solve_block
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
    up = np.where(graph.column[graph.tail] % 2 == 0, 1, -1)
    return replace(graph, one_way=np.where(graph.is_aisle, up, 0).astype(np.int8))


@pytest.mark.parametrize(("num_levels", "count"), [(2, 1), (3, 1), (4, 2), (7, 5)])
def test_the_outer_roads_and_one_more_stay(num_levels: int, count: int) -> None:
    """Each of the inner roads in turn; drive rows, stops and their places stay as they are."""
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
    assert kept == list(range(1, num_levels - 1))
    assert len(list(thinned(graph))) == count


def test_wide_ground_is_no_dearer_than_thinned() -> None:
    """With hardly any search of its own, a round on seven levels is still no dearer than the best on three of them."""
    graph = _in_turn(14, 7, 3)
    tour = solve_block(graph, PARAMS)
    check_legs(graph, tour)
    assert tour.method == "search"
    assert tour.objective <= min(solve_block(thin, PARAMS).objective for thin in thinned(graph)) + 1e-6
