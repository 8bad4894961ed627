"""Branch and bound over the programme: against the exhaustive search, and on ground too wide for the frontier programme."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from route_blocks import check_legs, check_walk, in_turn, random_block, regular_block
from route_oracle import solved_one_way

from mudcap.place.linear import BranchAndBound
from mudcap.route.aisles import solve_block
from mudcap.route.anyground import tour_any
from mudcap.route.blocktour import all_options, leg_seconds, turn_costs
from mudcap.route.columns import lay_columns
from mudcap.route.options import EdgeOptions, RoundParams
from mudcap.route.program import Program
from mudcap.route.stopgraph import StopGraph
from mudcap.route.walk import Leg
from mudcap.route.whole import Whole, _uses, whole_round

PARAMS = RoundParams(aisle_m_s=1.5, road_m_s=2.0, headland_turn_s=3.0, u_turn_s=5.0, kicks=200)


def _program(graph: StopGraph, rounds: int) -> tuple[Program, list[EdgeOptions]]:
    """The programme after so many solutions, and the options of each way."""
    groups, of_edge, options, is_whole = all_options(graph, turn_costs(graph, PARAMS), PARAMS)
    assert is_whole
    program = Program(graph, lay_columns(graph, groups, of_edge, options))
    program.tighten(rounds)
    return program, options


def _finish(graph: StopGraph, upper: float, near: float, *, rounds: int = 3) -> Whole:
    program, options = _program(graph, rounds)
    return whole_round(
        program, options, upper=upper, near=near, cost_of=lambda legs: _cost(graph, legs),
        improve=lambda order: tour_any(graph, turn_costs(graph, PARAMS), PARAMS, order=order),
    )  # fmt: skip


def _cost(graph: StopGraph, legs: tuple[Leg, ...]) -> float:
    return sum(leg_seconds(graph, legs, PARAMS))


def test_the_cheapest_round_and_no_higher_bound() -> None:
    """From a round twice as dear the cheapest is found and proven; from the cheapest none cheaper is."""
    solved = 0
    for graph, best in solved_one_way(160, PARAMS):
        solved += 1
        found = _finish(graph, 2 * best + 1, 0.0)
        assert found.legs is not None
        check_walk(graph, found.legs)
        assert _cost(graph, found.legs) == pytest.approx(best, abs=1e-6)
        assert found.bound == pytest.approx(best, rel=1e-5)
        assert found.bound <= best + 1e-6
        again = _finish(graph, best, 0.05)
        assert again.legs is None
        assert 0.95 * best - 1e-6 <= again.bound <= best + 1e-6
    assert solved > 60


def test_stopped_early_it_still_bounds(monkeypatch: pytest.MonkeyPatch) -> None:
    """With hardly any work allowed the bound is no lower than before and no higher than the cheapest round."""
    monkeypatch.setattr("mudcap.route.whole._NODES", 1)
    monkeypatch.setattr("mudcap.route.whole._CALLS", 1)
    for graph, best in solved_one_way(40, PARAMS):
        before = _program(graph, 3)[0].bound()
        found = _finish(graph, 2 * best + 1, 0.0)
        assert before - 1e-6 <= found.bound <= best + 1e-6
        if found.legs is not None:
            check_walk(graph, found.legs)


def test_each_run_knows_more_than_the_one_before(monkeypatch: pytest.MonkeyPatch) -> None:
    """The solver is asked again only where rows were added; some rounds need more than one run, and some are joined of pieces."""
    rows: list[int] = []
    joined: list[int] = []

    class Recorded(BranchAndBound):
        def branch_on_halves(self, *cuts: np.ndarray) -> None:
            super().branch_on_halves(*cuts)
            (rows if len(cuts) == 3 else joined).append(self.getNumRow())

    monkeypatch.setattr("mudcap.route.whole.BranchAndBound", Recorded)
    most = 0
    for graph, best in solved_one_way(80, PARAMS):
        rows.clear()
        _finish(graph, 2 * best + 1, 0.0, rounds=1)
        most = max(most, len(rows))
        assert all(more > fewer for fewer, more in itertools.pairwise(rows))
    assert most > 1
    assert joined


def test_a_choice_in_whole_numbers_has_directions() -> None:
    """Passes back are told from passes onward, so a vertex is left as often as it is come to, whatever the rows so far."""
    for graph, _ in solved_one_way(80, PARAMS):
        program, _ = _program(graph, 1)
        choice, _, _ = BranchAndBound(program.model(), limit=np.inf, gap=0.0).solve(
            enough=np.inf, nodes=1_000, calls=10_000
        )
        assert choice is not None
        program.value = choice.astype(float)
        uses = _uses(program, _program(graph, 1)[1])
        out = np.zeros(len(graph.vertex_xy), np.int64)
        for e, use in enumerate(uses):
            if use.passes:
                assert use.onward is not None
                assert 0 <= use.onward <= use.passes
                assert graph.directions[e] * (2 * use.onward - use.passes) in (0, use.passes)
                out[graph.tail[e]] += 2 * use.onward - use.passes
                out[graph.head[e]] -= 2 * use.onward - use.passes
        out[graph.start] -= graph.start != graph.end
        out[graph.end] += graph.start != graph.end
        assert not out.any()


def test_ground_open_both_ways_is_refused() -> None:
    """There passes have no directions in the programme."""
    with pytest.raises(ValueError, match="one-way"):
        _finish(random_block(3), 1e6, 0.0)


def _wide(seed: int) -> StopGraph:
    """Drive rows up and down by turns over eight headlands and cross-roads: too many open junctions for states with directions."""
    rng = np.random.default_rng(seed)
    row, y = rng.integers(0, 10, 14), rng.uniform(0, 400, 14)
    graph = regular_block(num_rows=10, length_m=400.0, stop_row=row, stop_y_m=y, levels=8)
    return in_turn(graph)


@pytest.mark.parametrize("seed", range(3))
def test_wide_ground_with_rows_in_turn(seed: int) -> None:
    """Found by search, no dearer than the search alone, its bound within one percent; and the same again."""
    graph = _wide(seed)
    tour, again = solve_block(graph, PARAMS), solve_block(graph, PARAMS)
    check_legs(graph, tour)
    assert tour.method == "search"
    assert tour.objective <= _cost(graph, tour_any(graph, turn_costs(graph, PARAMS), PARAMS)) + 1e-6
    assert tour.gap is not None
    assert 0 <= tour.gap <= 0.01
    assert (tour.legs, tour.bound) == (again.legs, again.bound)
