"""Paying for what options serve changes no round's cost, proves no more than is true, and takes back what was paid too often."""

from __future__ import annotations

import numpy as np
import pytest
from route_blocks import random_block, regular_block

from mudcap.route.aisles import solve_block
from mudcap.route.dues import priced_steps
from mudcap.route.frontier import run
from mudcap.route.options import RoundParams, edge_options, find_groups
from mudcap.route.prices import price_round
from mudcap.route.program import PaidRows
from mudcap.route.relax import relax
from mudcap.route.search import choose_kept
from mudcap.route.stopgraph import StopGraph
from mudcap.route.sweep import lay_steps, must_cross, sweeps, take_turns


def _laid(graph: StopGraph, params: RoundParams | None = None):  # type: ignore[no-untyped-def]
    """The turns, steps, and prices of a graph in the first order that fits."""
    groups, of_edge, must = find_groups(graph)
    options = [
        edge_options(graph, e, [groups[g] for g in of_edge[e]], must[e], (0.0, 0.0), params or RoundParams())[0]
        for e in range(len(graph.tail))
    ]
    prices = price_round(graph, groups, of_edge, options, rounds=60)
    for rank in sweeps(graph, groups):
        turns = take_turns(graph, rank)
        steps = turns and lay_steps(graph, turns, options, groups, of_edge)
        if steps:
            return turns, steps, prices
    raise AssertionError("no order fits")


def _wide_block(seed: int) -> StopGraph:
    """Some 30 stops between six rows and five roads, most of them free to be served from either side."""
    rng = np.random.default_rng(seed)
    return regular_block(
        num_rows=6, length_m=120.0, stop_row=rng.integers(0, 6, 30), stop_y_m=rng.uniform(0, 120, 30), levels=5
    )


@pytest.mark.parametrize("seed", range(60))
def test_paid_for_or_not_the_cheapest_costs_the_same(seed: int) -> None:
    """With all states kept: the same cost, with and without what is still to pay; and the prices alone prove no more than it."""
    graph = random_block(4_000 + seed) if seed % 2 else _wide_block(seed)
    turns, steps, prices = _laid(graph)
    plain = run(steps, max_states=10**6)
    assert plain is not None
    priced, dues = priced_steps(steps, [t.edge for t in turns], prices.connection)
    layers = relax(priced, choose_kept(priced, 32), must_cross(graph, turns), max_states=100_000)
    assert layers is not None
    assert dues.paid <= layers[0].to_go[0] + dues.paid <= plain.cost + 1e-6
    for ahead in (None, layers):
        found = run(priced, max_states=10**6, layers=ahead, dues=dues)
        assert found is not None
        assert found.cost == pytest.approx(plain.cost, abs=1e-6)
        assert found.bound == pytest.approx(plain.cost, abs=1e-6)


@pytest.mark.parametrize("seed", range(40))
def test_with_few_states_the_bound_holds(seed: int) -> None:
    """However few states are kept, and where only the bound is asked for, it is never above the cheapest round's cost."""
    graph = _wide_block(1_000 + seed)
    turns, steps, prices = _laid(graph)
    plain = run(steps, max_states=10**6)
    assert plain is not None
    priced, dues = priced_steps(steps, [t.edge for t in turns], prices.connection)
    layers = relax(priced, choose_kept(priced, 4), must_cross(graph, turns), max_states=100_000)
    for width in (1, 5, 40):
        for ahead in (None, layers):
            found = run(priced, max_states=width, layers=ahead, dues=dues)
            assert found is not None
            assert found.bound <= plain.cost + 1e-6 <= found.cost + 2e-6
            proof = run(priced, max_states=width, layers=ahead, dues=dues, is_proof=True)
            assert proof is not None
            assert found.bound - 1e-6 <= proof.bound <= plain.cost + 1e-6


def test_a_way_back_to_where_it_began_keeps_degrees_even() -> None:
    """Ten metres in, round a loop of thirty with a stop on it, ten back: what is still to pay is never more than the round."""
    graph = StopGraph(
        vertex_xy=np.array([(0.0, 0.0), (0.0, 10.0)]), tail=np.array([0, 1]), head=np.array([1, 1]),
        length_m=np.array([10.0, 30.0]), is_aisle=np.array([False, False]), column=np.zeros(2, np.int64),
        place_stop=np.array([0]), place_edge=np.array([1]), place_m=np.array([15.0]), place_side=np.array([1]), start=0, end=0,
    )  # fmt: skip
    turns, steps, prices = _laid(graph, RoundParams(u_turn_s=40.0))
    found = run(steps, max_states=100)
    layers = relax(steps, choose_kept(steps, 32), must_cross(graph, turns), max_states=100)
    assert found is not None and layers is not None
    assert found.cost == 50.0
    assert layers[0].to_go[0] == 30.0
    assert prices.bound == pytest.approx(50.0)


def test_what_was_paid_too_often_is_put_back() -> None:
    """One row at 7 s for options that between them must count 2: a round that counts 3 has been paid 7 s too much, and one that
    counts 1 is none."""
    _, steps, _ = _laid(_wide_block(0))
    steps = steps[:2]
    row = PaidRows(
        row_ptr=np.array([0, 2]), row_edge=np.array([5, 9]), row_option=np.array([0, 0]), row_value=np.array([1.0, 2.0]),
        limit=np.array([2.0]), price=np.array([7.0]),
    )  # fmt: skip
    priced, dues = priced_steps(steps, [5, 9], row)
    assert dues.width == 1
    sums = np.full((3, 1), 99, np.int16)  # of a row before: begun anew
    surplus, keeps = dues.settle(0, sums, np.array([0, 1, 0], np.uint16))
    assert sums[:, 0].tolist() == [1, 0, 1] and not surplus.any() and keeps.all()
    surplus, keeps = dues.settle(1, sums, np.array([0, 0, 1], np.uint16))
    assert sums[:, 0].tolist() == [3, 2, 1]
    assert surplus.tolist() == [7.0, 0.0, 0.0] and keeps.tolist() == [True, True, False]
    for step, paid, count in zip(steps, priced, (1, 2), strict=True):
        taken = step.cost - paid.priced
        assert taken[0] - taken[1] == pytest.approx(7.0 * count)
        assert paid.priced.min() == pytest.approx(0.0)


def test_a_round_guided_by_prices_is_the_exact_one() -> None:
    """With the programme held to a handful of states: within one percent of a bound that is no dearer than the exact round."""
    near = 0
    for seed in range(12):
        graph = _wide_block(2_000 + seed)
        exact = solve_block(graph)
        assert exact.status == "optimal"
        guided = solve_block(graph, RoundParams(plain_states=10, max_states=60))
        assert guided.bound is not None
        assert guided.bound <= exact.objective + 1e-6 <= guided.objective + 2e-6
        near += guided.gap is not None and guided.gap <= 0.01
    assert near >= 10
