"""Lines across the drive rows: what they prove holds for every round, and lifts the bound where rows are one-way."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from route_blocks import check_walk, in_turn, regular_block
from route_oracle import solved_one_way

from mudcap.route.aisles import solve_block
from mudcap.route.anyground import tour_any
from mudcap.route.blocktour import all_options, turn_costs
from mudcap.route.columns import Columns, lay_columns
from mudcap.route.lines import Line, lay_lines
from mudcap.route.options import RoundParams
from mudcap.route.program import Program
from mudcap.route.stopgraph import StopGraph, block_graph, levels
from mudcap.route.walk import Leg

PARAMS = RoundParams(aisle_m_s=1.5, road_m_s=2.0, headland_turn_s=3.0, u_turn_s=5.0, kicks=0)


def _columns(graph: StopGraph) -> Columns:
    groups, of_edge, options, is_whole = all_options(graph, turn_costs(graph, PARAMS), PARAMS)
    assert is_whole
    return lay_columns(graph, groups, of_edge, options)


def _mixed(seed: int) -> StopGraph:
    """Six to nine drive rows over two to five headlands and cross-roads, of which some ways go one way, in turn or up first and then down; any
    start and end.

    In every third one, beside some parts of drive rows another leads from the same vertex to the same.
    """
    rng = np.random.default_rng(seed)
    rows, levels, n = int(rng.integers(5, 9)), int(rng.integers(2, 6)), int(rng.integers(4, 20))
    graph = regular_block(
        num_rows=rows, length_m=200.0, stop_row=rng.integers(0, rows, n), stop_y_m=rng.uniform(0, 200, n), levels=levels
    )
    more = rng.choice(np.flatnonzero(graph.is_aisle), 3 * (seed % 3 == 0))
    graph = replace(graph, **{
        name: np.append(getattr(graph, name), getattr(graph, name)[more]) for name in ("tail", "head", "length_m", "is_aisle")
    })  # fmt: skip
    column = graph.column[graph.tail]
    up = column % 2 == 0 if rng.random() < 0.5 else column <= rows // 2
    goes = graph.is_aisle & (rng.random(len(graph.tail)) < rng.choice([0.3, 1.0]))
    way = np.where(goes, np.where(up, 1, -1), 0)
    start, end = rng.integers(0, len(graph.vertex_xy), 2).tolist()
    return replace(graph, one_way=way.astype(np.int8), start=start, end=end if seed % 2 else start)


def _values(columns: Columns, legs: tuple[Leg, ...]) -> np.ndarray:
    """The columns that a round makes: passes of each way, and one option without passing where it only goes in and out."""
    net = columns.net
    value = np.zeros(len(columns.cost))
    way = {e: w for w, e in enumerate(columns.edge[net.more].tolist())}
    through = np.concatenate([net.single, net.double, net.more, columns.back_column])
    for e in {leg.edge for leg in legs}:
        passes = sum(leg.edge == e and leg.turn_m is None for leg in legs)
        if e not in way or not passes:
            touch = np.setdiff1d(np.flatnonzero(columns.edge == e), through)
            value[touch[:1]] = 1.0
        elif net.single[way[e]] < 0:
            value[net.more[way[e]]] = passes
        elif passes == 2:
            value[net.double[way[e]]] = 1.0
        else:
            value[net.single[way[e]]] = 1.0
            value[net.more[way[e]]] = passes - 1
    return value


def _rounds(count: int) -> Iterator[tuple[StopGraph, tuple[Leg, ...]]]:
    """Rounds good and bad: the cheapest found, and some that serve the stops in any order, which drives ways many times."""
    for seed in range(count):
        graph = _mixed(seed)
        rng = np.random.default_rng(seed)
        for params in (replace(PARAMS, kicks=300), PARAMS):
            order = rng.permutation(graph.num_stops) if params is PARAMS else None
            legs = tour_any(graph, turn_costs(graph, params), params, order=order)
            check_walk(graph, legs)
            yield graph, legs


def test_no_round_falls_short_of_a_limit() -> None:
    """At whatever prices; and the prices of single quantities say something on most lines."""
    rng = np.random.default_rng(0)
    told = lines = 0
    for graph, legs in _rounds(60):
        columns = _columns(graph)
        if not columns.is_mixed:
            continue
        made = _values(columns, legs)
        for line in lay_lines(graph, columns):
            lines += 1
            driven = line.quantity @ made
            for _ in range(20):
                price = np.where(rng.random(len(driven)) < rng.choice([0.1, 0.5, 1.0]), rng.exponential(size=len(driven)), 0.0)
                limit = line.limit(price)
                assert limit <= price @ driven + 1e-9
                told += limit > 0
    assert lines > 200
    assert told > 10 * lines


def _rows(ways: tuple[int, ...], *, is_shared: bool, most: int = 3) -> tuple[StopGraph, Line]:
    """Drive rows 6 m apart between two headlands, round trip from the first; ways as given; stops between rows or one a row.

    ``most`` is how many passes more up than down are told apart.
    """
    num = len(ways)
    tree_rows = np.arange(num - is_shared)
    graph = block_graph(
        aisle_x_m=6.0 * np.arange(num), cross_y_m=[0.0, 100.0], stop_row=tree_rows, stop_y_m=np.full(len(tree_rows), 50.0),
        fixed_aisle={} if is_shared else {k: k for k in range(num)},
    )  # fmt: skip
    way = np.where(graph.is_aisle, np.array(ways)[graph.column[graph.tail]], 0)
    graph = replace(graph, one_way=way.astype(np.int8))
    return graph, Line(graph, _columns(graph), levels(graph) == 1, most)


def _limit(line: Line, *, across: float, beside: float) -> float:
    """The limit at one price for each pass across and one for each beside."""
    m = (line.quantity.shape[0] + 2) // 4
    return line.limit(np.repeat([across, across, beside, beside], [m, m, m - 1, m - 1]))


def test_worked_by_hand() -> None:
    """Up, down, up, down: rows 2 and 3 serve all, one up, one down. To row 2 and home 2 beside, between them 1 above and 1 below.

    Up, up, down, down is no different. Up, up, up, down: rows 2 and 4 serve all, and from row 2 on 1 above and 1 below come to 6.
    """
    for ways, beside in (((1, -1, 1, -1), 4.0), ((1, 1, -1, -1), 4.0), ((1, 1, 1, -1), 6.0)):
        _, line = _rows(ways, is_shared=True)
        assert _limit(line, across=1.0, beside=0.0) == pytest.approx(2.0)
        assert _limit(line, across=0.0, beside=1.0) == pytest.approx(beside)
        assert _limit(line, across=1.0, beside=1.0) == pytest.approx(2.0 + beside)
    with pytest.raises(ValueError, match="no round"):
        graph, line = _rows((1, 1, 1, 1), is_shared=True)
        Program(graph, _columns(graph)).with_lines([line]).tighten(1)


def test_more_passes_than_are_told_apart_by_hand() -> None:
    """Four rows up, then four down, a stop in each: 1, 2, 3, 4, 3, 2, 1 passes above and as many below; the 4 counts as 3.

    Three rows up and one open both ways, by which the round comes back three times: 6 across; beside 1, 2, 3 above and below.
    """
    _, line = _rows((1, 1, 1, 1, -1, -1, -1, -1), is_shared=False)
    assert _limit(line, across=1.0, beside=0.0) == pytest.approx(8.0)
    assert _limit(line, across=0.0, beside=1.0) == pytest.approx(30.0)
    _, line = _rows((1, 1, 1, 1, -1, -1, -1, -1), is_shared=False, most=4)
    assert _limit(line, across=0.0, beside=1.0) == pytest.approx(32.0)
    _, line = _rows((1, 1, 1, 0), is_shared=False)
    assert _limit(line, across=1.0, beside=0.0) == pytest.approx(6.0)
    assert _limit(line, across=0.0, beside=1.0) == pytest.approx(12.0)


def test_bounds_of_small_blocks_hold_and_rise() -> None:
    """With lines the bound is no higher than the cheapest round, no lower than without but for tolerances, and at times higher."""
    solved = higher = 0
    for graph, best in solved_one_way(240, PARAMS):
        columns = _columns(graph)
        lines = lay_lines(graph, columns)
        if not lines:
            continue
        plain = Program(graph, columns)
        plain.tighten(2)
        finer = plain.with_lines(lines)
        finer.tighten(2)
        solved += 1
        higher += finer.bound() > plain.bound() + 1e-3
        assert plain.bound() * (1 - 1e-6) - 1e-6 <= finer.bound() <= best + 1e-6
    assert solved > 60
    assert higher > 5


def test_rows_in_turn_with_all_stops() -> None:
    """More than half of what the programme alone leaves open is closed; and the same each time."""
    rng = np.random.default_rng(1)
    graph = regular_block(
        num_rows=16, length_m=300.0, stop_row=np.repeat(np.arange(16), 4), stop_y_m=rng.uniform(0, 300, 64), levels=4
    )
    graph = in_turn(graph)
    columns = _columns(graph)
    plain = Program(graph, columns)
    plain.tighten(60)
    finer, again = (plain.with_lines(lay_lines(graph, columns)) for _ in range(2))
    finer.tighten(60)
    again.tighten(60)
    best = solve_block(graph, PARAMS)
    assert best.status == "optimal"
    assert finer.bound() == again.bound() <= best.objective + 1e-6
    assert best.objective - finer.bound() < 0.5 * (best.objective - plain.bound())


def test_lines_tell_fewer_passes_apart_on_the_widest_ground_unless_they_guide() -> None:
    """Fifteen lines across 34 drive rows are 510 crossings; across 33 they are 495."""
    for num_rows, most in ((33, 3), (32, 6)):
        graph = in_turn(
            regular_block(num_rows=num_rows, length_m=400.0, stop_row=np.array([0]), stop_y_m=np.array([9.0]), levels=16)
        )
        columns = _columns(graph)
        assert {line.most for line in lay_lines(graph, columns, guides=False)} == {most}
        assert {line.most for line in lay_lines(graph, columns)} == {6}
