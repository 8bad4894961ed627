"""Seconds by the shortest ways of a block: between its stops, and between them and where rounds begin and end."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra

from mudcap.route.options import RoundParams
from mudcap.route.stopgraph import StopGraph


def drives(
    graph: StopGraph, halts: Sequence[tuple[int, int]], params: RoundParams, points: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """(n,) seconds from each halt (way, stop) to the next, and (n, e) between each halt and some vertices (the mean of there and
    back), with no turns."""
    net = _net(graph, params, halts)
    v = len(graph.vertex_xy)
    there, back = dijkstra(net, indices=points)[:, v:], dijkstra(net.T.tocsr(), indices=points)[:, v:]
    apart = np.zeros(len(halts))
    for first_row in range(0, len(halts) - 1, 200):
        rows = np.arange(first_row, min(first_row + 200, len(halts) - 1))
        apart[rows] = dijkstra(net, indices=v + rows)[np.arange(len(rows)), v + rows + 1]
    return apart, np.ascontiguousarray((there + back).T / 2)


def home_seconds(graph: StopGraph, stop: int, params: RoundParams, points: NDArray[np.int64]) -> NDArray[np.float64]:
    """(e,) seconds between a stop and some vertices."""
    p = int(np.flatnonzero(graph.place_stop == stop)[0])
    home: NDArray[np.float64] = drives(graph, [(int(graph.place_edge[p]), stop)], params, points)[1][0]
    return home


def apart_seconds(graph: StopGraph, points: NDArray[np.int64], params: RoundParams) -> NDArray[np.float64]:
    """(e, e) seconds between vertices, with no turns."""
    found: NDArray[np.float64] = dijkstra(_net(graph, params, ()), indices=points)[:, points]
    return found


def _net(graph: StopGraph, params: RoundParams, halts: Sequence[tuple[int, int]]) -> csr_matrix:
    """Seconds along all ways, with a vertex for each halt after those of the graph."""
    way = graph.directions
    speed = np.where(graph.is_aisle, params.aisle_m_s, params.road_m_s)
    v = len(graph.vertex_xy)
    at = {
        (int(e), int(s)): float(m)
        for e, s, m in zip(graph.place_edge, graph.place_stop, graph.place_m, strict=True)
    }
    by_edge: dict[int, list[tuple[float, int]]] = {}
    for k, (e, s) in enumerate(halts):
        by_edge.setdefault(e, []).append((at[e, s], v + k))
    links: list[tuple[int, int, float]] = []
    for e in range(len(graph.tail)):
        chain = [(0.0, int(graph.tail[e])), *sorted(by_edge.get(e, []))]
        if graph.head[e] >= 0:
            chain.append((float(graph.length_m[e]), int(graph.head[e])))
        for (begin, one), (end, other) in pairwise(chain):
            seconds = max((end - begin) / speed[e], 1e-9)
            links += [(one, other, seconds)] if way[e] >= 0 else []
            links += [(other, one, seconds)] if way[e] <= 0 else []
    size = v + len(halts)
    if not links:
        return csr_matrix((size, size))
    i, j, d = (np.array(column) for column in zip(*links, strict=True))
    order = np.lexsort((d, j, i))
    i, j, d = i[order], j[order], d[order]
    first = np.append(True, (i[1:] != i[:-1]) | (j[1:] != j[:-1]))
    return csr_matrix((d[first], (i[first], j[first])), shape=(size, size))
