"""A search that is ended early: a whole round all the same, and no bound that is not one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from route_blocks import in_turn, random_block, regular_block, seven_roads
from route_oracle import cheapest_by_search, solved_one_way

from mudcap.route.aisles import solve_block
from mudcap.route.blocktour import BlockTour
from mudcap.route.options import RoundParams
from mudcap.route.search import Watch
from mudcap.route.stopgraph import StopGraph

QUICK = RoundParams(aisle_m_s=1.5, road_m_s=2.0, headland_turn_s=3.0, kicks=50, max_states=3_000)


def _after(asks: int) -> Callable[[], bool]:
    """A wish for an end that is there once it was asked about so often, and then stays."""
    asked = 0

    def stop() -> bool:
        nonlocal asked
        asked += 1
        return asked > asks

    return stop


def _check(graph: StopGraph, tour: BlockTour, truth: float) -> None:
    assert sorted(h.stop for leg in tour.legs for h in leg.halts) == list(range(graph.num_stops))
    assert tour.objective >= truth - 1e-6
    assert tour.bound is None or tour.bound <= truth + 1e-6


@pytest.mark.parametrize("seed", range(24))
def test_two_way_ground(seed: int) -> None:
    """Asked at once, or after some steps of the programme: the round serves all, and the bound holds."""
    graph = random_block(700 + seed)
    params = RoundParams(plain_states=0, max_states=40, u_turn_s=float(seed % 3))
    tour = solve_block(graph, params, watch=Watch(stop=_after((0, 7, 60)[seed % 3])))
    _check(graph, tour, cheapest_by_search(graph, params))


def test_one_way_ground() -> None:
    """The same where ways are one-way."""
    params = RoundParams(headland_turn_s=2.0, kicks=40)
    for number, (graph, truth) in enumerate(solved_one_way(12, params)):
        _check(graph, solve_block(graph, params, watch=Watch(stop=_after((0, 9, 80)[number % 3]))), truth)


def _wide() -> StopGraph:
    """Nine headlands and cross-roads: too wide for the frontier programme even where lines guide it."""
    rng = np.random.default_rng(5)
    graph = regular_block(num_rows=10, length_m=400.0, stop_row=np.repeat(np.arange(10), 4),
                          stop_y_m=rng.uniform(0, 400, 40), levels=9)  # fmt: skip
    return in_turn(graph)


@pytest.mark.parametrize("make", [seven_roads, _wide])
def test_wide_ground_is_left_when_asked(make: Callable[[], StopGraph]) -> None:
    """What is told first is a round; asked then, the search tells of hardly more and ends with that round or a better one."""
    graph = make()
    heard: list[tuple[float, float]] = []
    tour = solve_block(
        graph, QUICK, watch=Watch(tell=lambda cost, bound: heard.append((cost, bound)), stop=lambda: bool(heard))
    )
    assert len(heard) <= 3
    assert np.isfinite(heard[0][0])
    _check(graph, tour, max(bound for _, bound in heard))
    assert tour.objective <= heard[0][0] + 1e-6
    whole = solve_block(graph, replace(QUICK, branches=False))
    assert whole.objective <= tour.objective + 1e-6
    assert tour.bound is None or tour.bound <= whole.objective + 1e-6
