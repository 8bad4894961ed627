"""The round through one block: against slow and sure searches, a block worked by hand, and the snake."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from route_blocks import place_distances, random_block, regular_block, snake_m
from route_oracle import cheapest_by_search, held_karp

from mudcap.route.aisles import solve_block
from mudcap.route.options import RoundParams
from mudcap.route.stopgraph import Gap, block_graph
from mudcap.route.walk import Use, walk


@pytest.mark.parametrize("seed", range(150))
def test_equals_the_search_over_all_states(seed: int) -> None:
    """Sides, gaps, turns, missing crossings, open ends: never dearer and never cheaper than an exhaustive search."""
    rng = np.random.default_rng(seed)
    graph = random_block(seed)
    params = RoundParams()
    if seed % 3:
        params = RoundParams(
            aisle_m_s=1.5, road_m_s=2.0, headland_turn_s=rng.uniform(0, 10), u_turn_s=rng.uniform(0, 10)
        )
    tour = solve_block(graph, params)
    assert tour.status == "optimal"
    assert tour.objective == pytest.approx(cheapest_by_search(graph, params), abs=1e-6)


@pytest.mark.parametrize("seed", range(200))
def test_equals_held_and_karp(seed: int) -> None:
    """With every stop fixed to one drive row it is a travelling-salesman tour over shortest ways."""
    graph = random_block(7_000 + seed, fixed_share=1.1, largest=8)
    graph = replace(graph, end=graph.start)
    assert solve_block(graph).length_m == pytest.approx(held_karp(place_distances(graph)), abs=1e-6)


def _hand_block(stop_row: list[int], stop_y_m: list[float]):  # type: ignore[no-untyped-def]
    """Three drive rows 6 m apart, 100 m long, between two headlands; the start in the corner."""
    return block_graph(
        aisle_x_m=[0.0, 6.0, 12.0], cross_y_m=[0.0, 100.0], stop_row=stop_row, stop_y_m=stop_y_m
    )


def test_block_worked_by_hand() -> None:
    """Two stops on both sides of the middle drive row: 6 m along, 30 m in, 30 m out, 6 m home."""
    tour = solve_block(_hand_block([0, 1], [20.0, 30.0]))
    assert tour.length_m == 72.0
    assert [(leg.length_m, leg.turn_m) for leg in tour.legs] == [(6.0, None), (60.0, 30.0), (6.0, None)]
    halts = tour.legs[1].halts
    assert [(h.stop, h.at_m, h.side) for h in halts] == [(0, 20.0, -1), (1, 30.0, 1)]


def test_deep_stop_worked_by_hand() -> None:
    """A stop at 95 m: in and out of the middle row is 12 + 190 = 202 m, round by a second row 12 + 200 = 212 m."""
    graph = _hand_block([0, 1, 1], [20.0, 30.0, 95.0])
    assert solve_block(graph).length_m == 202.0
    turning = solve_block(graph, RoundParams(u_turn_s=30.0))
    assert (turning.length_m, turning.objective) == (212.0, 212.0)
    assert {leg.turn_m for leg in turning.legs} == {None}
    both = solve_block(graph, RoundParams(u_turn_s=30.0, headland_turn_s=15.0))
    assert (both.length_m, both.objective) == (202.0, 262.0)  # 202 + 30 + 2 × 15 against 212 + 4 × 15


def test_pond_cuts_a_drive_row() -> None:
    """Stops on both sides of a pond in the outer row are served from both headlands, round by the next row."""
    graph = block_graph(
        aisle_x_m=[0.0, 10.0], cross_y_m=[0.0, 100.0], stop_row=[-1, -1], stop_y_m=[10.0, 80.0],
        gaps=[Gap(aisle=0, first_m=40.0, last_m=60.0)],
    )  # fmt: skip
    tour = solve_block(graph)
    assert tour.length_m == 2 * 10 + 2 * 20 + 2 * (10 + 100 + 10)
    assert sorted(leg.turn_m for leg in tour.legs if leg.turn_m) == [10.0, 20.0]


@pytest.mark.parametrize("levels", [2, 3])
@pytest.mark.parametrize("num_stops", [3, 20, 120])
def test_never_longer_than_the_snake(levels: int, num_stops: int) -> None:
    """Whatever the stops, the round is at most the snake through every row that needs it, and each stop is served once."""
    rng = np.random.default_rng(num_stops)
    row, y = rng.integers(0, 24, num_stops), rng.uniform(0, 200, num_stops)
    graph = regular_block(num_rows=24, length_m=200.0, stop_row=row, stop_y_m=y, levels=levels)
    tour = solve_block(graph)
    assert tour.status == "optimal"
    assert tour.length_m <= snake_m(graph, 24, row, 200.0) + 1e-6
    assert sorted(h.stop for leg in tour.legs for h in leg.halts) == list(range(num_stops))
    assert tour.length_m == pytest.approx(tour.objective)


@pytest.mark.parametrize("seed", range(20))
def test_walk_hangs_together(seed: int) -> None:
    """Each leg begins where the last one ended, halts lie on their leg in order, from the side on which the stop stands."""
    graph = random_block(500 + seed)
    legs = solve_block(graph).legs
    at = graph.start
    for leg in legs:
        assert leg.begin == at
        at = leg.end
        assert {leg.begin, leg.end} <= {int(graph.tail[leg.edge]), int(graph.head[leg.edge])}
        reach = leg.length_m if leg.turn_m is None else leg.turn_m
        assert all(0 <= h.at_m <= reach + 1e-9 for h in leg.halts)
        assert [h.at_m for h in leg.halts] == sorted(h.at_m for h in leg.halts)
    assert at == graph.end


def test_nothing_to_do() -> None:
    """Without stops the round is empty, and between two gates it is the way from one to the other."""
    graph = _hand_block([], [])
    assert (solve_block(graph).length_m, solve_block(graph).legs) == (0.0, ())
    across = block_graph(aisle_x_m=[0.0, 6.0], cross_y_m=[0.0, 100.0], stop_row=[], stop_y_m=[], end=(1, 1))
    assert solve_block(across).length_m == 106.0


def test_too_few_states_is_said() -> None:
    """Where states had to be dropped the round is still whole but no bound is claimed beyond what is proven."""
    rng = np.random.default_rng(3)
    graph = regular_block(
        num_rows=12,
        length_m=120.0,
        stop_row=rng.integers(0, 12, 30),
        stop_y_m=rng.uniform(0, 120, 30),
        levels=3,
    )
    exact, hasty = (
        solve_block(graph),
        solve_block(graph, RoundParams(plain_states=20, max_states=20, max_halves=1)),
    )
    assert hasty.status == "feasible"
    assert exact.objective <= hasty.objective
    assert hasty.bound is None or hasty.bound <= exact.objective + 1e-6


def test_long_rows_with_many_stops_are_proven() -> None:
    """Half a mile of drive row with some thirty stops beside each; with fewer places to turn round the same round is not certified."""
    rng = np.random.default_rng(3)
    graph = regular_block(num_rows=12, length_m=800.0, stop_row=rng.integers(0, 12, 180), stop_y_m=rng.uniform(8, 792, 180))
    assert np.bincount(graph.place_edge).max() > 24
    found, short = (solve_block(graph, RoundParams(u_turn_s=20.0, max_depths=depths)) for depths in (RoundParams().max_depths, 24))
    assert found.status == "optimal" and found.bound == pytest.approx(found.objective)
    assert short.bound is None and short.status == "feasible" and short.objective >= found.objective - 1e-6


def test_same_input_same_round() -> None:
    """Two runs give the same legs, ties included."""
    graph = random_block(77)
    assert solve_block(graph).legs == solve_block(graph).legs


def test_unreachable_stop_is_refused() -> None:
    """A stop in no drive row, and ways that do not use each other, are named rather than left out."""
    with pytest.raises(ValueError, match="stop 0 in row 5"):
        _hand_block([5], [20.0])
    graph = _hand_block([0], [20.0])
    with pytest.raises(ValueError, match="serves 0 of 1"):
        walk(graph, [Use()] * len(graph.tail))
    with pytest.raises(ValueError, match="one walk"):
        walk(graph, [Use(passes=1)] + [Use()] * (len(graph.tail) - 1))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"start": 99}, "start, end"),
        ({"length_m": np.full(7, -1.0)}, "length_m"),
        ({"place_m": np.array([500.0, 500.0])}, "outside its way"),
        ({"place_edge": np.array([0, 70])}, "place_edge"),
        ({"head": np.full(7, 50)}, "tail, head"),
        ({"is_aisle": np.ones(3, bool)}, "is_aisle"),
        ({"place_stop": np.array([1, 1])}, "one or two places"),
    ],
)
def test_malformed_graph_is_refused(change: dict[str, object], message: str) -> None:
    """Each array that does not fit the others is named."""
    with pytest.raises(ValueError, match=message):
        replace(_hand_block([0], [20.0]), **change).check()  # type: ignore[arg-type]


@pytest.mark.parametrize("seed", range(60))
def test_guided_search_claims_only_what_is_true(seed: int) -> None:
    """Guided by the relaxed cost to go, the round found is whole and the bound never exceeds the true optimum."""
    graph = random_block(9_000 + seed)
    params = RoundParams(plain_states=0, max_states=(5, 40, 4_000)[seed % 3], u_turn_s=float(seed % 4))
    tour = solve_block(graph, params)
    truth = cheapest_by_search(graph, params)
    assert tour.bound is not None
    assert tour.bound <= truth + 1e-6 <= tour.objective + 2e-6
    if seed % 3 == 2:
        assert tour.status == "optimal"
    if tour.status == "optimal":
        assert tour.objective == pytest.approx(truth, abs=1e-5)
