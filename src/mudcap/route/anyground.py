"""The round through a block of any shape by local search: where networks are too wide for the exact programme, or to begin with.

The ways are cut up at the places of the stops, the general tour is found over the shortest ways between them, and the way it
takes is told leg by leg. It is no exact method: the bound comes from a linear programme (`program`) and, where ways are one-way,
from the exact round over ground with each way open in both directions.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra

from mudcap.route.options import RoundParams
from mudcap.route.stopgraph import StopGraph
from mudcap.route.tour import TourProblem, solve_tour
from mudcap.route.walk import Leg, leg_on

MAX_POINTS = 8_000
"""Points in one matrix of distances (half a gigabyte); beyond it the block is gone round part by part."""
_TINY = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Points:
    """A graph's vertices and places as points with links between them."""

    links: csr_matrix
    choices: NDArray[np.int64]
    """(n, k) points of each stop; -1 where it has fewer."""
    twin: NDArray[np.int64]
    edge: NDArray[np.int64]
    """(p,) way on which each point lies; -1 for vertices."""
    at_m: NDArray[np.float64]
    """(p,) metres from the way's tail."""
    direct: dict[tuple[int, int], int]
    """The way between two vertices with no place on it, by (from, to)."""


def tour_any(
    graph: StopGraph,
    turns_s: list[tuple[float, float]],
    params: RoundParams,
    *,
    order: NDArray[np.int64] | None = None,
) -> tuple[Leg, ...]:
    """Return the legs of a short round past all stops on any ground; ``turns_s`` as in `options.edge_options`.

    ``order`` is that of the stops on a round over similar ground, to begin with.

    Raises ``ValueError`` where a stop cannot be reached and left again.
    """
    points = _lay_points(graph, turns_s, params)
    wide = int((points.choices >= 0).sum())
    parts = _parts(graph, -(-wide // MAX_POINTS))
    legs: list[Leg] = []
    served: set[int] = set()
    on_edge: list[list[int]] = [[] for _ in range(len(graph.tail))]
    for p in range(len(graph.place_stop)):
        on_edge[graph.place_edge[p]].append(p)
    for number, stops in enumerate(parts):
        end = graph.end if number == len(parts) - 1 else graph.start
        left = np.array([s for s in stops.tolist() if s not in served], np.int64)
        for edge, begin, to, depth in _pieces(
            graph, points, _route(points, left, graph.start, end, params, order)
        ):
            legs.append(leg_on(graph, edge, begin, to, depth, on_edge[edge], served))
    return tuple(_with_stays(graph, legs, on_edge, served))


def _with_stays(graph: StopGraph, legs: list[Leg], on_edge: list[list[int]], served: set[int]) -> list[Leg]:
    """The legs, and where the crew comes by an end of a way that none drives along, one of no length for the stops right there."""
    at = [graph.start, *(leg.end for leg in legs)]
    stays: list[list[Leg]] = [[] for _ in at]
    for p, stop in enumerate(graph.place_stop.tolist()):
        e, m = int(graph.place_edge[p]), float(graph.place_m[p])
        ends = ((int(graph.tail[e]), m <= _TINY), (int(graph.head[e]), m >= graph.length_m[e] - _TINY))
        for vertex, is_there in ends:
            if is_there and stop not in served and vertex in at:
                stays[at.index(vertex)].append(leg_on(graph, e, vertex, vertex, 0.0, on_edge[e], served))
    return stays[0] + [leg for driven, there in zip(legs, stays[1:], strict=True) for leg in (driven, *there)]


def _parts(graph: StopGraph, count: int) -> list[NDArray[np.int64]]:
    """The stops in some parts of equal size, by the columns in which they stand."""
    column = np.zeros(graph.num_stops)
    column[graph.place_stop] = graph.column[graph.tail[graph.place_edge]]
    return [np.sort(part) for part in np.array_split(np.argsort(column, kind="stable"), count)]


def _lay_points(graph: StopGraph, turns_s: list[tuple[float, float]], params: RoundParams) -> _Points:
    """Vertices first, then the places: one point each, or one a heading where turning round costs something."""
    v = len(graph.vertex_xy)
    ways = graph.directions
    twin, edge, at_m = list(range(v)), [-1] * v, [0.0] * v
    links: dict[tuple[int, int], float] = {}
    of_stop: list[list[int]] = [[] for _ in range(graph.num_stops)]
    direct: dict[tuple[int, int], int] = {}

    def link(a: int, b: int, seconds: float, way: int = -1) -> None:
        if seconds < links.get((a, b), np.inf):
            links[a, b] = seconds
            direct[a, b] = way

    for e in range(len(graph.tail)):
        tail, head, length = int(graph.tail[e]), int(graph.head[e]), float(graph.length_m[e])
        s_m = 1 / (params.aisle_m_s if graph.is_aisle[e] else params.road_m_s)
        mine = np.flatnonzero(graph.place_edge == e)
        mine = mine[np.argsort(graph.place_m[mine], kind="stable")]
        headings = 2 if params.u_turn_s > 0 and not ways[e] else 1
        forth, back, begin = tail, tail, 0.0
        cost = turns_s[e][0]
        for p in mine.tolist():
            m, stop = float(graph.place_m[p]), int(graph.place_stop[p])
            at_end = tail if m <= _TINY else head if head >= 0 and m >= length - _TINY else -1
            if at_end >= 0:
                of_stop[stop].append(at_end)
                continue
            here, there = len(twin), len(twin) + headings - 1
            twin += [there, here][:headings]
            edge += [e] * headings
            at_m += [m] * headings
            of_stop[stop] += [here, there][:headings]
            seconds = max((m - begin) * s_m, _TINY) + cost
            if ways[e] >= 0:
                link(forth, here, seconds)
            if ways[e] <= 0:
                link(there, back, seconds)
            if headings == 2:
                link(here, there, params.u_turn_s)
                link(there, here, params.u_turn_s)
            forth, back, begin, cost = here, there, m, 0.0
        if head >= 0:
            seconds = max((length - begin) * s_m, _TINY) + cost + turns_s[e][1]
            way = e if forth == tail else -1
            if ways[e] >= 0:
                link(forth, head, seconds, way)
            if ways[e] <= 0:
                link(head, back, seconds, way)
    size = len(twin)
    k = max((len(c) for c in of_stop), default=1)
    i, j = np.array(list(links), np.int64).reshape(-1, 2).T
    return _Points(
        links=csr_matrix((np.array(list(links.values())), (i, j)), shape=(size, size)),
        choices=np.array([c + [-1] * (k - len(c)) for c in of_stop], np.int64).reshape(-1, k),
        twin=np.array(twin, np.int64), edge=np.array(edge, np.int64), at_m=np.array(at_m), direct=direct,
    )  # fmt: skip


def _route(
    points: _Points,
    stops: NDArray[np.int64],
    start: int,
    end: int,
    params: RoundParams,
    order: NDArray[np.int64] | None,
) -> list[int]:
    """All points passed on a short tour past some stops, in order."""
    choices = points.choices[stops]
    used = np.unique(
        np.concatenate([choices[choices >= 0], points.twin[choices[choices >= 0]], [start, end]])
    )
    number = np.full(len(points.twin), -1, np.int64)
    number[used] = np.arange(len(used))
    distance = dijkstra(points.links, indices=used)[:, used]
    tour = solve_tour(
        TourProblem(
            distance=distance, choices=np.where(choices >= 0, number[choices], -1), twin=number[points.twin[used]],
            start=int(number[start]), end=int(number[end]),
        ), kicks=params.kicks, order=None if order is None else _ranks(order, stops),
    )  # fmt: skip
    through = [start, *used[tour.points].tolist(), end]
    passed = [start]
    for at in range(0, len(through) - 1, 256):
        begin = through[at : at + 256]
        _, before = dijkstra(points.links, indices=begin, return_predecessors=True)
        for row, (a, b) in enumerate(zip(begin, through[at + 1 : at + 257], strict=False)):
            onward = [b]
            while onward[-1] != a:
                onward.append(int(before[row, onward[-1]]))
            passed += onward[-2::-1]
    return passed


def _ranks(order: NDArray[np.int64], stops: NDArray[np.int64]) -> NDArray[np.int64]:
    """Positions in ``stops`` in the order of the stops there."""
    rank = np.empty(len(order), np.int64)
    rank[order] = np.arange(len(order))
    return np.argsort(rank[stops], kind="stable")


def _pieces(graph: StopGraph, points: _Points, passed: list[int]) -> list[tuple[int, int, int, float | None]]:
    """(way, from vertex, to vertex, depth where the crew turns round or None) for each piece between two vertices."""
    pieces: list[tuple[int, int, int, float | None]] = []
    begin, inside = passed[0], list[int]()
    for point in passed[1:]:
        if points.edge[point] >= 0:
            inside.append(point)
            continue
        if not inside:
            pieces.append((points.direct[begin, point], begin, point, None))
        else:
            e = int(points.edge[inside[0]])
            depth = None
            if begin == point:
                at_m = points.at_m[inside]
                depth = float(at_m.max() if begin == graph.tail[e] else graph.length_m[e] - at_m.min())
            pieces.append((e, begin, point, depth))
        begin, inside = point, []
    return pieces


def two_way(graph: StopGraph) -> StopGraph:
    """The graph with every way open in both directions."""
    return replace(graph, one_way=None)
