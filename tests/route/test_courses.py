"""Rounds guided by lines: no price of a line leaves out the cheapest round or proves more than it costs; worked by hand."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from route_blocks import check_walk, in_turn, regular_block, seven_roads
from route_oracle import cheapest_by_search, solved_one_way

from mudcap.route import directed
from mudcap.route.aisles import solve_block
from mudcap.route.blocktour import all_options, leg_seconds, turn_costs
from mudcap.route.columns import lay_columns
from mudcap.route.courses import Courses, Doings, doings, line_pay
from mudcap.route.directed import directed_options, directed_round, takes
from mudcap.route.lines import Line, lay_lines
from mudcap.route.options import RoundParams
from mudcap.route.prices import Prices, prices_of
from mudcap.route.program import Program
from mudcap.route.steps import MAX_GUIDED_SLOTS
from mudcap.route.stopgraph import StopGraph, block_graph, levels
from mudcap.route.walk import walk

PARAMS = RoundParams(aisle_m_s=1.5, road_m_s=2.0, headland_turn_s=3.0, u_turn_s=5.0, kicks=0)


def _crossed(count: int) -> Iterator[tuple[StopGraph, float]]:
    """Seven drive rows over six or seven headlands and cross-roads, one-way in turn or here and there, with the cheapest round.

    Every third one has three or four over six to eight.
    """
    for seed in range(count):
        rng = np.random.default_rng(seed)
        rows, num_levels, n = 6, int(rng.integers(6, 8)), int(rng.integers(3, 6))
        if seed % 3 == 0:
            rows, num_levels = int(rng.integers(2, 4)), int(rng.integers(6, 9))
        graph = regular_block(
            num_rows=rows, length_m=200.0, stop_row=rng.integers(0, rows, n), stop_y_m=rng.uniform(0, 200, n),
            levels=num_levels,
        )  # fmt: skip
        goes = graph.is_aisle & (rng.random(len(graph.tail)) < rng.choice([0.4, 1.0]))
        way = np.where(goes, np.where(graph.column[graph.tail] % 2 == 0, 1, -1), 0)
        start, end = rng.integers(0, len(graph.vertex_xy), 2).tolist()
        graph = replace(graph, one_way=way.astype(np.int8), start=start, end=end if seed % 2 else start)
        if goes.any():
            graph = _turned(graph, rng.random(len(graph.tail)) < 0.5)
            yield graph, cheapest_by_search(graph, PARAMS)


def _turned(graph: StopGraph, turns: np.ndarray) -> StopGraph:
    """The same ground with some ways laid down from the other end."""
    there = turns[graph.place_edge]
    return replace(
        graph, tail=np.where(turns, graph.head, graph.tail), head=np.where(turns, graph.tail, graph.head),
        one_way=np.where(turns, -graph.directions, graph.directions),
        place_m=np.where(there, graph.length_m[graph.place_edge] - graph.place_m, graph.place_m),
        place_side=np.where(there, -graph.place_side, graph.place_side),
    )  # fmt: skip


def _priced(graph: StopGraph, rng: np.random.Generator | None) -> tuple[tuple, Prices] | None:
    """What `directed_round` takes, with the prices of a programme with lines, those of the lines at random with ``rng``."""
    groups, of_edge, options, is_whole = all_options(graph, turn_costs(graph, PARAMS), PARAMS)
    columns = lay_columns(graph, groups, of_edge, options)
    lines = lay_lines(graph, columns)
    if not is_whole or not lines or not takes(graph, groups, MAX_GUIDED_SLOTS):
        return None
    program = Program(graph, columns, lines)
    program.tighten(20)
    prices = prices_of(program, options)
    if rng is not None:
        made = [
            (line, np.where(rng.random(len(price)) < 0.5, price, rng.exponential(20.0, len(price))))
            for line, price in prices.lines
        ]
        prices = replace(prices, lines=tuple(made))
    return (graph, groups, of_edge, options), prices


@pytest.mark.parametrize("is_random", [False, True])
@pytest.mark.parametrize("is_crossed", [False, True])
def test_the_cheapest_round_is_found_and_proven(monkeypatch: pytest.MonkeyPatch, is_crossed: bool, is_random: bool) -> None:
    """Whatever the lines are priced at, where no state is left out; below its cost nothing is found, and the bound says so."""
    monkeypatch.setattr(directed, "_WIDTHS", (10**7,))
    monkeypatch.setattr(directed, "_PEAK", 10**12)
    solved = wide = 0
    rng = np.random.default_rng(0) if is_random else None
    for graph, best in _crossed(9) if is_crossed else solved_one_way(80, PARAMS):
        given = _priced(graph, rng)
        if given is None:
            continue
        ground, prices = given
        solved += 1
        wide += not takes(graph, ground[1])
        outcome, uses = directed_round(*ground, prices, upper=best + 1.0, max_states=10**7)
        assert uses is not None
        assert outcome.cost == pytest.approx(best, abs=1e-6)
        assert outcome.bound == pytest.approx(best, abs=1e-4)
        legs = walk(graph, uses)
        check_walk(graph, legs)
        assert sum(leg_seconds(graph, legs, PARAMS)) == pytest.approx(best)
        none, uses = directed_round(*ground, prices, upper=best - 0.01, max_states=10**7)
        assert uses is None
        assert none.bound == pytest.approx(best - 0.01)
    assert solved > 7
    assert wide > 4 or not is_crossed


def test_few_states_prove_no_more_than_the_cheapest_round_costs(monkeypatch: pytest.MonkeyPatch) -> None:
    """Also where most states are dropped, and a round that is asked for cheaper than there is one gets no higher bound than that."""
    solved = 0
    monkeypatch.setattr(directed, "_PROOF", 500)
    for graph, best in _crossed(6):
        given = _priced(graph, None)
        if given is None:
            continue
        ground, prices = given
        for width in (3, 301):
            outcome, _ = directed_round(*ground, prices, upper=1.05 * best, max_states=width)
            solved += 1
            assert outcome.bound <= best + 1e-4
            assert outcome.cost >= best - 1e-6
    assert solved > 10


def test_passes_that_are_not_followed_are_covered_by_the_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows up and one down, driven once for each, where one pass is followed and up to three are laid out: no bound beyond the cost.

    At whatever prices of the line, and of the programme by which most of what is dropped is seen to cost more.
    """
    monkeypatch.setattr(directed, "_LEAST", 1)
    monkeypatch.setattr(directed, "_MOST", 1)
    rng = np.random.default_rng(1)
    for n in (4, 5, 6, 7):
        graph = block_graph(
            aisle_x_m=6.0 * np.arange(n + 1), cross_y_m=[0.0, 50.0], stop_row=np.arange(n), stop_y_m=np.full(n, 20.0),
            fixed_aisle={a: a for a in range(n)},
        )  # fmt: skip
        for down in (0, n // 2, n):
            way = np.where(graph.is_aisle, np.where(graph.column[graph.tail] == down, -1, 1), 0)
            fan = replace(graph, one_way=way.astype(np.int8))
            best = cheapest_by_search(fan, PARAMS)
            for is_random in (False, *[True] * 6):
                ground, prices = _priced(fan, rng if is_random else None) or pytest.fail("a line is needed")
                outcome, uses = directed_round(*ground, prices, upper=1.2 * best, max_states=10_000)
                assert uses is None
                assert outcome.bound <= best + 1e-4


def _up_and_down(num_levels: int = 2, *, is_first_open: bool = False) -> tuple[StopGraph, Line, list[Doings], list[int]]:
    """Four rows up and down in turn, 100 m long, round trip from the first, its line above the first headland, and an order of the ways.

    With ``is_first_open`` the first row goes both ways.
    """
    graph = regular_block(
        num_rows=3, length_m=100.0, stop_row=np.arange(3), stop_y_m=np.full(3, 20.0), levels=num_levels
    )
    way = in_turn(graph).directions
    way[graph.column[graph.tail] == 0] *= not is_first_open
    graph = replace(graph, one_way=way, start=0, end=0)
    groups, of_edge, options, _ = all_options(graph, turn_costs(graph, PARAMS), PARAMS)
    line = Line(graph, lay_columns(graph, groups, of_edge, options), levels(graph) >= 1)
    made = [directed_options(graph, e, found, 3) for e, found in enumerate(options)]
    done = [doings(d.options.effect, d.gain, d.is_over) for d in made]
    roads = np.flatnonzero(~graph.is_aisle)
    edges = [int(line.edge[0])]
    for c in range(1, 4):  # the roads from column to column, then the next drive row
        edges += [*roads[graph.column[graph.tail[roads]] == c - 1].tolist(), int(line.edge[c])]
    return graph, line, done, edges


def _paid(ground: tuple[StopGraph, Line, list[Doings], list[int]], doing: list[int | str]) -> float:
    """Courses' limit and the rises of so many passes along each way in turn, or of a touch; 2 s across, 0.5 s a touch, 1 s beside."""
    graph, line, done, edges = ground
    courses = Courses([(line, np.repeat([2.0, 0.5, 1.0, 1.0], [4, 4, 3, 3]))], edges, done)
    standing, total = courses.start(), courses.limit
    for k, (e, times) in enumerate(zip(edges, doing, strict=True)):
        passes = 0 if times == "touch" else int(times)
        gain = passes * (int(graph.directions[e]) or 1)
        option = np.flatnonzero((done[e].gain == gain) & (done[e].touches == (times == "touch")) & (done[e].passes == passes))
        rise = courses.rise(k, standing)
        assert rise.min() >= -1e-12
        total += float(rise[0, courses.kind[k][option[0]]])
        standing = courses.follow(k, standing.take(np.zeros(1, np.int64)), option[:1].astype(np.uint16))
    return total


def test_worked_by_hand() -> None:
    """Four rows, up, down, up, down: rows 2 and 3 serve all: 4 s across; to row 2 and home 2 passes beside, 2 from it to row 3: 8 s.

    All four rows take 8 s across, and 2 s from each to the next. A pass that nothing asks for is put on top; between rows 2 and 3
    two passes on either side will do, so there the third is. Of two roads above the line the second pass is, on whichever it is.
    """
    ground = _up_and_down()
    _, line, done, edges = ground
    price = np.repeat([2.0, 0.5, 1.0, 1.0], [4, 4, 3, 3])
    assert Courses([(line, price)], edges, done).limit == pytest.approx(8.0)
    assert _paid(ground, [0, 1, 1, 1, 1, 1, 1, 0, 0, 0]) == pytest.approx(8.0)
    assert _paid(ground, [0, 1, 1, 1, 1, 1, 1, 1, 0, 0]) == pytest.approx(9.0)
    assert _paid(ground, [1, 1, 1, 1, 1, 1, 1, 1, 1, 1]) == pytest.approx(4 * 2.0 + 6.0)
    assert _paid(ground, [1, 1, 1, 1, 3, 1, 1, 1, 1, 1]) == pytest.approx(4 * 2.0 + 7.0)
    ground = _up_and_down(3)
    assert _paid(ground, [1, 1, 1, 0, 1, 1, 1, 0, 1, 1, 1, 0, 1]) == pytest.approx(4 * 2.0 + 6.0)
    assert _paid(ground, [1, 1, 1, 1, 1, 1, 1, 0, 1, 1, 1, 0, 1]) == pytest.approx(4 * 2.0 + 7.0)
    ground = _up_and_down(is_first_open=True)
    assert _paid(ground, ["touch", 1, 1, 1, 1, 1, 1, 0, 0, 0]) == pytest.approx(8.5)


def test_a_line_whose_ways_come_in_another_order_says_nothing() -> None:
    """Nothing is paid at it, and nothing rises."""
    _, line, done, edges = _up_and_down()
    courses = Courses([(line, np.ones(line.quantity.shape[0]))], edges[::-1], done)
    assert courses.limit == 0.0
    assert not any(courses.rise(k, courses.start()).any() for k in range(len(edges)))


def test_pay_is_what_the_quantities_are_worth() -> None:
    """Of each option of each way: two passes twice that of one; a road beside the line counts at each side it lies on."""
    graph, line, done, _ = _up_and_down()
    pay = line_pay([(line, np.repeat([2.0, 0.5, 1.0, 3.0], [4, 4, 3, 3]))], done)
    for e, d in enumerate(done):
        each = 2.0 if e in line.edge else 1.0 if levels(graph)[graph.tail[e]] == 1 else 3.0
        assert pay[e] == pytest.approx(each * d.passes + 0.5 * d.touches)


def test_wide_ground_is_taken_by_the_guided_programme() -> None:
    """Seven roads across twelve rows in turn: within 1 %, and the same again."""
    graph = seven_roads()
    params = replace(PARAMS, kicks=50, max_states=3_000)
    tour, again = solve_block(graph, params), solve_block(graph, params)
    check_walk(graph, tour.legs)
    assert tour.gap is not None
    assert tour.gap <= 0.01
    assert (tour.legs, tour.bound, tour.peak_states) == (again.legs, again.bound, again.peak_states)
