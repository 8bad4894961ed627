"""Slow and sure answers to compare with: search over position, heading and stops served, and Held–Karp."""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Iterator
from contextlib import suppress

import numpy as np
from route_blocks import one_way_block

from mudcap.route.options import RoundParams
from mudcap.route.stopgraph import StopGraph


def solved_one_way(count: int, params: RoundParams) -> Iterator[tuple[StopGraph, float]]:
    """Small odd blocks with one-way ways, and the cost of the cheapest round of each; those without any are passed over."""
    for seed in range(count):
        graph = one_way_block(seed, (0.3, 0.6))
        if graph.directions.any():
            with suppress(AssertionError):
                yield graph, cheapest_by_search(graph, params)


def cheapest_by_search(graph: StopGraph, params: RoundParams) -> float:
    """Cost of the cheapest round, by Dijkstra's search over (point, way just driven, stops served).

    It knows nothing of degrees, components or options: the vehicle moves from point to point along the ways, may turn round
    at any point, and serves a stop by standing at one of its places. The turning rules are those of `RoundParams`.
    """
    aisle_ends = np.bincount(
        np.concatenate([graph.tail[graph.is_aisle], graph.head[graph.is_aisle & (graph.head >= 0)]]),
        minlength=len(graph.vertex_xy),
    )
    points, moves = _points_and_moves(graph)
    serves = np.zeros(len(points), np.int64)
    for p in range(len(graph.place_stop)):
        serves[points[(int(graph.place_edge[p]), round(float(graph.place_m[p]), 9))]] |= 1 << int(
            graph.place_stop[p]
        )
    all_served = (1 << graph.num_stops) - 1
    num_vertices = len(graph.vertex_xy)

    def turn_s(point: int, came: int, goes: int) -> float:
        cost = 0.0
        if point < num_vertices:
            if aisle_ends[point] == 1:
                for way in (came, goes):
                    cost += params.headland_turn_s if way >= 0 and graph.is_aisle[way] else 0.0
            return cost
        return cost

    begin = (graph.start, -1, -1, int(serves[graph.start]))
    queue = [(0.0, begin)]
    best = {begin: 0.0}
    while queue:
        cost, state = heapq.heappop(queue)
        if cost > best[state]:
            continue
        point, came_from, came_way, mask = state
        if mask == all_served and point == graph.end:
            closing = turn_s(point, came_way, -1)
            if not closing:
                return cost
            after = (point, -2, -1, mask)
            if cost + closing < best.get(after, np.inf):
                best[after] = cost + closing
                heapq.heappush(queue, (cost + closing, after))
            if came_from == -2:
                return cost
        if came_from == -2:
            continue
        for to, way, length in moves[point]:
            s_m = 1 / (params.aisle_m_s if graph.is_aisle[way] else params.road_m_s)
            step = length * s_m + turn_s(point, came_way, way)
            if point >= num_vertices and to == came_from:
                step += params.u_turn_s
            after = (to, point, way, mask | int(serves[to]))
            if cost + step < best.get(after, np.inf) - 1e-12:
                best[after] = cost + step
                heapq.heappush(queue, (cost + step, after))
    raise AssertionError("no round serves all stops")


def _points_and_moves(
    graph: StopGraph,
) -> tuple[dict[tuple[int, float], int], list[list[tuple[int, int, float]]]]:
    """Number of each place, the vertices first, and the moves (to, way, metres) from each point."""
    numbers: dict[tuple[int, float], int] = {}
    count = len(graph.vertex_xy)
    moves: list[list[tuple[int, int, float]]] = [[] for _ in range(count)]
    for e in range(len(graph.tail)):
        at = sorted({round(float(m), 9) for m in graph.place_m[graph.place_edge == e]})
        chain = [(0.0, int(graph.tail[e]))]
        for m in at:
            if m == 0.0:
                numbers[(e, m)] = int(graph.tail[e])
                continue
            if graph.head[e] >= 0 and m >= graph.length_m[e] - 1e-9:
                numbers[(e, m)] = int(graph.head[e])
                continue
            numbers[(e, m)] = count
            moves.append([])
            chain.append((m, count))
            count += 1
        if graph.head[e] >= 0:
            chain.append((float(graph.length_m[e]), int(graph.head[e])))
        for (m, a), (n, b) in itertools.pairwise(chain):
            if graph.directions[e] >= 0:
                moves[a].append((b, e, n - m))
            if graph.directions[e] <= 0:
                moves[b].append((a, e, n - m))
    return _Numbers(numbers, count), moves


class _Numbers(dict):  # type: ignore[type-arg]
    """Place numbers, whose length is the number of points."""

    def __init__(self, numbers: dict[tuple[int, float], int], count: int) -> None:
        super().__init__(numbers)
        self._count = count

    def __len__(self) -> int:
        return self._count


def held_karp(distance: np.ndarray) -> float:
    """Length of the shortest closed tour over a distance matrix (Held & Karp 1962, from memory); the first point is the start."""
    n = len(distance) - 1
    if n < 1:
        return 0.0
    best = np.full((1 << n, n), np.inf)
    for j in range(n):
        best[1 << j, j] = distance[0, j + 1]
    inner = distance[1:, 1:]
    for mask in range(1, 1 << n):
        row = best[mask]
        inside = np.flatnonzero(np.isfinite(row))
        for k in range(n):
            if not mask >> k & 1 and len(inside):
                value = (row[inside] + inner[inside, k]).min()
                best[mask | 1 << k, k] = min(best[mask | 1 << k, k], value)
    return float((best[-1] + distance[1:, 0]).min())
