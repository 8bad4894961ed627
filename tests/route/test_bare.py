"""Ground bared to what a round can need: distances and cheapest rounds stay, roads beside headlands go."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from route_blocks import random_block, regular_block
from route_oracle import cheapest_by_search
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra

from mudcap.route.aisles import solve_block
from mudcap.route.bare import bare_ground
from mudcap.route.blocktour import leg_seconds
from mudcap.route.options import RoundParams
from mudcap.route.stopgraph import StopGraph, only

_FREE = RoundParams()


def _no_turns(graph: StopGraph) -> list[tuple[float, float]]:
    return [(0.0, 0.0)] * len(graph.tail)


def _beside(graph: StopGraph, gap_m: float) -> StopGraph:
    """The block with a road beside each headland, joined to it at every drive row: all its vertices along y once more, moved out."""
    y = graph.vertex_xy[:, 1]
    v, e = len(y), len(graph.tail)
    edge_of = np.flatnonzero(~graph.is_aisle)
    rungs = np.arange(v)
    moved = graph.vertex_xy + np.array([0.0, gap_m]) * np.where(y > y.mean(), 1, -1)[:, None]
    return replace(
        graph,
        vertex_xy=np.vstack([graph.vertex_xy, moved]),
        tail=np.concatenate([graph.tail, graph.tail[edge_of] + v, rungs]),
        head=np.concatenate([graph.head, graph.head[edge_of] + v, rungs + v]),
        length_m=np.concatenate([graph.length_m, graph.length_m[edge_of], np.full(v, gap_m)]),
        is_aisle=np.concatenate([graph.is_aisle, np.zeros(len(edge_of) + v, bool)]),
        column=np.concatenate([graph.column, graph.column]),
        one_way=None if graph.one_way is None else np.zeros(2 * e + v, np.int8),
    )


def _table(graph: StopGraph, vertices: np.ndarray) -> np.ndarray:
    """Shortest metres between some vertices."""
    v = len(graph.vertex_xy)
    metres = np.full((v, v), np.inf)
    for a, b, m in zip(graph.tail, graph.head, graph.length_m, strict=True):
        if b >= 0:
            metres[a, b] = metres[b, a] = min(metres[a, b], max(m, 1e-12))
    i, j = np.nonzero(np.isfinite(metres))
    return dijkstra(csr_matrix((metres[i, j], (i, j)), shape=(v, v)), indices=vertices)[:, vertices]


@pytest.mark.parametrize("seed", range(60))
def test_the_cheapest_round_stays(seed: int) -> None:
    """With a road beside every headland and half of the stops gone, the round is as cheap as an exhaustive search over all ground."""
    rng = np.random.default_rng(seed)
    graph = _beside(random_block(40_000 + seed, largest=5), 2.0)
    if graph.num_stops > 2:
        graph = only(graph, np.sort(rng.permutation(graph.num_stops)[: graph.num_stops // 2 + 1]))
    params = RoundParams(
        aisle_m_s=1.5, road_m_s=2.0, headland_turn_s=rng.uniform(0, 8), u_turn_s=rng.uniform(0, 8)
    )
    tour = solve_block(graph, params)
    assert tour.status == "optimal"
    assert tour.objective == pytest.approx(cheapest_by_search(graph, params), abs=1e-6)
    assert sum(leg_seconds(graph, tour.legs, params)) == pytest.approx(tour.objective, abs=1e-6)
    at = graph.start
    for leg in tour.legs:
        assert leg.begin == at
        assert {leg.begin, leg.end} <= {int(graph.tail[leg.edge]), int(graph.head[leg.edge])}
        at = leg.end
    assert at == graph.end
    assert sorted(h.stop for leg in tour.legs for h in leg.halts) == list(range(graph.num_stops))


@pytest.mark.parametrize("seed", range(40))
def test_distances_between_terminals_stay(seed: int) -> None:
    """Between the ends of all ways with stops, start and end, no shortest way grows longer or shorter."""
    graph = _beside(random_block(60_000 + seed), 3.0)
    bare = bare_ground(graph, _no_turns(graph), _FREE)
    bare.graph.check()
    stopped = np.unique(bare.graph.place_edge)
    ends = np.concatenate(
        [bare.graph.tail[stopped], bare.graph.head[stopped], [bare.graph.start, bare.graph.end]]
    )
    terminals = np.unique(ends[ends >= 0])
    assert _table(bare.graph, terminals) == pytest.approx(_table(graph, bare.vertex[terminals]), abs=1e-6)


def test_roads_beside_headlands_go() -> None:
    """Twenty-one rows with stops in all: the roads outside are needed by nobody, and nothing else goes."""
    rng = np.random.default_rng(1)
    inner = regular_block(
        num_rows=20, length_m=100.0, stop_row=rng.integers(0, 20, 200), stop_y_m=rng.uniform(0, 100, 200)
    )
    graph = _beside(inner, 4.0)
    bare = bare_ground(graph, _no_turns(graph), _FREE)
    assert len(graph.tail) > 2 * len(inner.tail)
    assert len(bare.graph.tail) == len(inner.tail)
    assert bare.graph.length_m.sum() == pytest.approx(inner.length_m.sum())


def test_rows_without_stops_are_drawn_together() -> None:
    """One stop in the last of 31 drive rows: one headland to it and back, told way by way as it lies."""
    graph = regular_block(num_rows=30, length_m=100.0, stop_row=np.array([29]), stop_y_m=np.array([40.0]))
    graph = only(graph, np.array([0]))
    bare = bare_ground(graph, _no_turns(graph), _FREE)
    assert len(bare.graph.tail) <= 6
    tour = solve_block(graph)
    between = [leg for leg in tour.legs if not leg.halts]
    assert len(between) in (2 * 29, 2 * 30)
    assert [leg.length_m for leg in between] == pytest.approx([22 * 0.3048] * len(between))
