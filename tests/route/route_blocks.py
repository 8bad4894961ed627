"""Blocks for the tests of rounds: random small ones with all their oddities, and regular ones with the snake beside them."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra

from mudcap.route.blocktour import BlockTour
from mudcap.route.stopgraph import Gap, StopGraph, block_graph
from mudcap.route.walk import Leg


def random_block(seed: int, *, fixed_share: float = 0.2, largest: int = 6) -> StopGraph:
    """A small block with slanted headlands, missing crossings, ponds, stops fixed to one side, and any start and end."""
    while True:
        rng = np.random.default_rng(seed)
        seed += 100_003
        m, h, n = int(rng.integers(2, 5)), int(rng.integers(2, 4)), int(rng.integers(1, largest + 1))
        inner = [rng.uniform(8, 12, m)] * (h - 2)
        y = np.column_stack([rng.uniform(-3, 0, m), *inner, rng.uniform(20, 40, m)])
        if h == 3 and rng.random() < 0.3:
            y[int(rng.integers(m)), 1] = np.nan
        gaps = []
        if rng.random() < 0.3:
            first = rng.uniform(3, 15)
            gaps = [Gap(aisle=int(rng.integers(m)), first_m=first, last_m=first + rng.uniform(1, 6))]
        row = rng.integers(0, m - 1, n) if rng.random() < 0.7 else rng.integers(-1, m, n)
        fixed = {s: max(int(row[s]), 0) for s in range(n) if rng.random() < fixed_share}
        try:
            return block_graph(
                aisle_x_m=np.cumsum(rng.uniform(2, 9, m)), cross_y_m=y, stop_row=row,
                stop_y_m=rng.integers(1, 20, n).astype(float), gaps=gaps, fixed_aisle=fixed,
                start=(int(rng.integers(m)), 0),
                end=(int(rng.integers(m)), h - 1) if rng.random() < 0.3 else None,
            )  # fmt: skip
        except ValueError:
            continue  # a stop fell into the pond: draw another block


def one_way_block(seed: int, shares: tuple[float, ...] = (0.3,)) -> StopGraph:
    """The same with a share of its ways one-way; where several are given, every fourth block has stops right at the tails of ways."""
    graph, rng = random_block(seed), np.random.default_rng(seed)
    way = np.where(rng.random(len(graph.tail)) < shares[seed % len(shares)], rng.choice([-1, 1], len(graph.tail)), 0)
    at_tail = (len(shares) > 1) & (seed % 4 == 0) & (rng.random(len(graph.place_m)) < 0.3)
    place_m = np.where(at_tail, 0.0, graph.place_m)
    return replace(graph, one_way=np.where(graph.head < 0, 0, way).astype(np.int8), place_m=place_m)


def regular_block(
    *, num_rows: int, length_m: float, stop_row: np.ndarray, stop_y_m: np.ndarray, levels: int = 2
) -> StopGraph:
    """Rows 22 ft apart between headlands 25 ft deep, with `levels` headlands and cross-roads evenly spread."""
    return block_graph(
        aisle_x_m=np.arange(num_rows + 1) * 22 * 0.3048,
        cross_y_m=np.linspace(-3.81, length_m + 3.81, levels),
        stop_row=stop_row,
        stop_y_m=stop_y_m,
    )


def in_turn(graph: StopGraph) -> StopGraph:
    """The same with its drive rows open upward only and downward only, by turns."""
    way = np.where(graph.column[graph.tail] % 2 == 0, 1, -1)
    return replace(graph, one_way=np.where(graph.is_aisle, way, 0).astype(np.int8))


def seven_roads() -> StopGraph:
    """Sixty stops in twelve tree rows, drive rows one-way in turn, seven headlands and cross-roads: too wide for the programme alone."""
    stop_y_m = np.random.default_rng(3).uniform(0, 300, 60)
    return in_turn(
        regular_block(num_rows=12, length_m=300.0, stop_row=np.repeat(np.arange(12), 5), stop_y_m=stop_y_m, levels=7)
    )


def snake_m(graph: StopGraph, num_rows: int, stop_row: np.ndarray, length_m: float) -> float:
    """Metres of the snake: from the first headland through every drive row needed, left to right, end to end, and home."""
    needed: list[int] = []
    for row in np.unique(stop_row):
        if not needed or needed[-1] < row:
            needed.append(min(int(row) + 1, num_rows))
    spacing, run = 22 * 0.3048, length_m + 2 * 3.81
    through = len(needed) + len(needed) % 2
    return 2 * needed[-1] * spacing + through * run if needed else 0.0


def place_distances(graph: StopGraph) -> np.ndarray:
    """Metres from the start to each stop's first place and between them, by Dijkstra over the cut-up ways."""
    v = len(graph.vertex_xy)
    first = [int(np.flatnonzero(graph.place_stop == s)[0]) for s in range(graph.num_stops)]
    links: list[tuple[int, int, float]] = []
    for e in range(len(graph.tail)):
        mine = sorted(
            (float(graph.place_m[p]), v + s) for s, p in enumerate(first) if graph.place_edge[p] == e
        )
        chain = [(0.0, int(graph.tail[e])), *mine]
        if graph.head[e] >= 0:
            chain.append((float(graph.length_m[e]), int(graph.head[e])))
        links += [(a, b, max(n - m, 1e-12)) for (m, a), (n, b) in itertools.pairwise(chain)]
    i, j, d = zip(*links, strict=True)
    size = v + len(first)
    net = csr_matrix((d, (i, j)), shape=(size, size))
    points = [graph.start, *range(v, size)]
    return np.asarray(dijkstra(net, directed=False, indices=points)[:, points])


def check_legs(graph: StopGraph, tour: BlockTour) -> None:
    """A round's legs are right, and as long as it says."""
    check_walk(graph, tour.legs)
    assert tour.length_m == pytest.approx(sum(leg.length_m for leg in tour.legs))


def check_walk(graph: StopGraph, legs: Sequence[Leg]) -> None:
    """Legs hang together, go the right way along, turn round in no one-way way, and serve every stop once."""
    at = graph.start
    for leg in legs:
        way = int(graph.directions[leg.edge])
        ends = (int(graph.tail[leg.edge]), int(graph.head[leg.edge]))
        assert leg.begin == at
        at = leg.end
        if leg.turn_m is None:
            assert (leg.begin, leg.end) in (
                (ends,) if way > 0 else (ends[::-1],) if way < 0 else (ends, ends[::-1])
            )
        else:
            assert way == 0 or leg.turn_m == 0.0
            assert leg.begin == leg.end
    assert at == graph.end
    assert sorted(h.stop for leg in legs for h in leg.halts) == list(range(graph.num_stops))
