"""The local search, for one-way ways and networks too wide for the exact programme: against the exhaustive search, and never without a bound."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from route_blocks import check_legs, check_walk, one_way_block, regular_block
from route_oracle import cheapest_by_search

import orchards
from mudcap.orchard.network import VEHICLE, travel_network
from mudcap.orchard.params import RowParams, TravelParams
from mudcap.orchard.rows import lay_rows
from mudcap.route.aisles import solve_block
from mudcap.route.anyground import tour_any
from mudcap.route.blocktour import leg_seconds, turn_costs
from mudcap.route.ground import lay_ground
from mudcap.route.options import RoundParams
from mudcap.route.stopgraph import block_graph


@pytest.mark.parametrize("seed", range(60))
def test_the_local_search_finds_the_cheapest_of_small_rounds(seed: int) -> None:
    """With turns, speeds and stops right at the ends of ways, on one-way ground, which is not left to it alone (see `test_directed`)."""
    graph = one_way_block(seed, (0.3, 0.3))
    params = RoundParams(
        aisle_m_s=1.5, road_m_s=2.0, headland_turn_s=3.0 * (seed % 2), u_turn_s=5.0 * (seed % 3 == 0), kicks=1_000
    )
    turns_s = turn_costs(graph, params)
    try:
        best = cheapest_by_search(graph, params)
    except AssertionError:
        with pytest.raises(ValueError, match="cannot be reached"):
            tour_any(graph, turns_s, params)
        return
    legs = tour_any(graph, turns_s, params)
    check_walk(graph, legs)
    assert sum(leg_seconds(graph, legs, params)) == pytest.approx(best, abs=1e-6)


def test_one_way_drive_row_worked_by_hand() -> None:
    """The middle row of three goes north only: 6 east, 100 north, 6 on, 100 south, 12 home instead of 6 + 60 + 6 in and out."""
    two = block_graph(aisle_x_m=[0.0, 6.0, 12.0], cross_y_m=[0.0, 100.0], stop_row=[0, 1], stop_y_m=[20.0, 30.0],
                      fixed_aisle={0: 1, 1: 1})  # fmt: skip
    assert solve_block(two).length_m == 72.0
    middle = two.is_aisle & (two.column[two.tail] == 1)
    tour = solve_block(replace(two, one_way=middle.astype(np.int8)))
    assert tour.length_m == pytest.approx(212.0)
    assert (tour.method, tour.status) == ("programme", "optimal")
    assert tour.bound == pytest.approx(212.0)
    assert [(h.stop, h.side) for leg in tour.legs for h in leg.halts] == [(0, -1), (1, 1)]


def test_network_too_wide_is_gone_round_all_the_same() -> None:
    """Fourteen roads across thirteen rows: a whole round, a bound below it, and the word that it was a search."""
    rng = np.random.default_rng(2)
    row, y = rng.integers(0, 12, 60), rng.uniform(0, 280, 60)
    graph = regular_block(num_rows=13, length_m=280.0, stop_row=row, stop_y_m=y, levels=15)
    tour = solve_block(graph, RoundParams(kicks=3_000))
    check_legs(graph, tour)
    assert tour.method == "search"
    assert tour.bound is not None
    assert 0.97 * tour.objective < tour.bound <= tour.objective
    few = regular_block(num_rows=13, length_m=280.0, stop_row=row, stop_y_m=y, levels=2)
    assert tour.objective <= solve_block(few).objective + 1e-6


def test_one_way_alley_of_an_orchard() -> None:
    """An alley that goes up only is never driven down, and its stops are served all the same."""
    orchard, _ = lay_rows(orchards.l_shaped_block(), RowParams())
    block = orchard.blocks[0]
    alleys = tuple(replace(a, one_way="up" if k % 2 else "down") for k, a in enumerate(block.alleys))
    orchard = replace(orchard, blocks=(replace(block, alleys=alleys),))
    block = orchard.blocks[0]
    assert block.rows is not None
    pick = np.arange(3, len(block.rows.tree_xy), 17)
    ground = lay_ground(
        orchard, travel_network(orchard, TravelParams()), block, block.rows.tree_row[pick].tolist(),
        block.rows.tree_xy[pick], mode=VEHICLE, row_spacing_m=block.rows.row_spacing_m,
    )  # fmt: skip
    graph = ground.graph
    assert ground.unreached == ()
    assert (graph.directions[graph.is_aisle] != 0).all()
    tour = solve_block(graph, RoundParams(kicks=2_000))
    check_legs(graph, tour)
    assert tour.gap is not None
    line = {k: np.array(a.line.coords)[[0, -1], :2] for k, a in enumerate(block.alleys)}
    for leg in tour.legs:
        if graph.is_aisle[leg.edge]:
            k = int(ground.alley[leg.edge])
            along = (line[k][1] - line[k][0]) * (1 if alleys[k].one_way == "up" else -1)
            assert along @ (graph.vertex_xy[leg.end] - graph.vertex_xy[leg.begin]) > 0
