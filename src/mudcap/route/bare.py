"""A block's ground bared to what a round can need: what its cheapest round leaves out anyhow is taken away beforehand.

A round is a walk from terminal to terminal (the ends of ways with stops along them, start and end), by shortest ways between
them. So only ways with stops, and one shortest way between each two terminals that have no third one between them, are kept;
what is left with nothing branching off it is drawn together. Distances between terminals stay, and with them the cheapest
round; the frontier grows far less wide where headlands have roads beside them, or where few stops are gone to.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra

from mudcap.route.options import RoundParams
from mudcap.route.stopgraph import StopGraph
from mudcap.route.walk import Leg

_TIE_S = 1e-10
"""Seconds added for each vertex that is no terminal, so that of equal ways the one past terminals is kept."""
_AT_ONCE = 256
"""Terminals whose distances are held at a time."""

Turns = list[tuple[float, float]]
"""Seconds of entering or leaving each way at its tail and at its head."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bare:
    """The bared graph, and what each of its ways stands for."""

    graph: StopGraph
    turns_s: Turns
    vertex: NDArray[np.int64]
    """(v,) vertex of the whole graph."""
    ways: tuple[tuple[tuple[int, int, int], ...], ...]
    """For each way those of the whole graph along it, from tail to head: way, vertex where it begins, vertex where it ends."""

    def whole_legs(self, graph: StopGraph, legs: Sequence[Leg]) -> tuple[Leg, ...]:
        """Legs of a round over the bared graph as legs over the whole one, which is ``graph``."""
        whole: list[Leg] = []
        for leg in legs:
            ways = self.ways[leg.edge]
            if len(ways) == 1:
                begin, end = int(self.vertex[leg.begin]), int(self.vertex[leg.end])
                length_m = float(graph.length_m[ways[0][0]]) if leg.turn_m is None else leg.length_m
                whole.append(replace(leg, edge=ways[0][0], begin=begin, end=end, length_m=length_m))
                continue
            onward = int(self.vertex[leg.begin]) == ways[0][1]
            for edge, a, b in ways if onward else reversed(ways):
                begin, end = (a, b) if onward else (b, a)
                whole.append(
                    Leg(
                        edge=edge,
                        begin=begin,
                        end=end,
                        length_m=float(graph.length_m[edge]),
                        turn_m=None,
                        halts=(),
                    )
                )
        return tuple(whole)


def bare_ground(graph: StopGraph, turns_s: Turns, params: RoundParams) -> Bare:
    """Return the graph with what no cheapest round needs taken away; directions of ways are not looked at.

    ``turns_s`` is the cost of entering or leaving each way at its tail and head.
    """
    has_stop = np.zeros(len(graph.tail), bool)
    has_stop[graph.place_edge] = True
    terminal = np.zeros(len(graph.vertex_xy), bool)
    terminal[[graph.start, graph.end]] = True
    terminal[graph.tail[has_stop]] = True
    terminal[graph.head[has_stop & (graph.head >= 0)]] = True
    if terminal.all():
        return Bare(
            graph=graph, turns_s=turns_s, vertex=np.arange(len(terminal)),
            ways=tuple(((e, int(graph.tail[e]), int(graph.head[e])),) for e in range(len(graph.tail))),
        )  # fmt: skip
    speed = np.where(graph.is_aisle, params.aisle_m_s, params.road_m_s)
    seconds = graph.length_m / speed + np.array(turns_s, float).reshape(-1, 2).sum(axis=1)
    keep = has_stop | _between_terminals(graph, seconds, terminal)
    return _drawn_together(graph, turns_s, seconds, params, keep, has_stop, terminal)


def _between_terminals(
    graph: StopGraph, seconds: NDArray[np.float64], terminal: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """(e,) ways on the chosen shortest way between two terminals that passes no third one."""
    v = len(terminal)
    through = graph.through
    a, b = graph.tail[through], graph.head[through]
    cost = seconds[through] + _TIE_S * (0.01 + (~terminal[a]) + (~terminal[b]))
    low, high = np.minimum(a, b), np.maximum(a, b)
    order = np.lexsort((through, cost, high, low))
    first = np.append(True, np.diff(low[order] * v + high[order]) != 0)[: len(order)]
    chosen = order[first]
    low, high, cost, edge = low[chosen], high[chosen], cost[chosen], through[chosen]
    net = csr_matrix((np.append(cost, cost), (np.append(low, high), np.append(high, low))), shape=(v, v))
    ends = np.flatnonzero(terminal)
    linked: set[int] = set()
    for at in range(0, len(ends), _AT_ONCE):
        sources = ends[at : at + _AT_ONCE]
        _, before = dijkstra(net, indices=sources, return_predecessors=True)
        linked.update(_links(sources, before, ends, terminal).tolist())
    code = low * v + high
    keep = np.zeros(len(graph.tail), bool)
    keep[edge[np.isin(code, np.array(sorted(linked), np.int64))]] = True
    return keep


@njit(cache=True)
def _links(sources, before, ends, terminal):  # type: ignore[no-untyped-def]
    """Codes (low vertex times v plus high one) of the links on ways from each source to later terminals with none between."""
    v = len(terminal)
    found = set()
    found.add(np.int64(-1))
    for k in range(len(sources)):
        s = sources[k]
        for t in ends:
            if t <= s or before[k, t] < 0:
                continue
            at = np.int64(before[k, t])
            while not terminal[at]:
                at = np.int64(before[k, at])
            if at != s:
                continue
            at = np.int64(t)
            while at != s:
                nearer = np.int64(before[k, at])
                found.add(min(at, nearer) * v + max(at, nearer))
                at = nearer
    return np.array(list(found))


def _drawn_together(
    graph: StopGraph,
    turns_s: Turns,
    seconds: NDArray[np.float64],
    params: RoundParams,
    keep: NDArray[np.bool_],
    has_stop: NDArray[np.bool_],
    terminal: NDArray[np.bool_],
) -> Bare:
    """The kept ways, those without stops joined where nothing else branches."""
    at: list[list[int]] = [[] for _ in range(len(terminal))]
    degree = np.zeros(len(terminal), np.int64)
    for e in np.flatnonzero(keep).tolist():
        for n in {int(graph.tail[e]), int(graph.head[e])} - {-1}:
            degree[n] += 1
            if not has_stop[e]:
                at[n].append(e)
    joint = terminal | (degree > 2)
    busy = np.zeros(int(graph.column.max()) + 1, bool)
    busy[graph.column[joint]] = True
    chains = [[(e, int(graph.tail[e]), int(graph.head[e]))] for e in np.flatnonzero(has_stop).tolist()]
    used = has_stop.copy()
    for n in np.flatnonzero(joint).tolist():
        for e in at[n]:
            if not used[e]:
                chains += _chains_from(graph, at, joint, busy, used, n, e)
    chains = [
        c if len(c) > 1 else [(c[0][0], int(graph.tail[c[0][0]]), int(graph.head[c[0][0]]))] for c in chains
    ]
    chains.sort(key=lambda chain: min(e for e, _, _ in chain))
    return _laid(graph, turns_s, seconds, params, chains)


def _chains_from(
    graph: StopGraph,
    at: list[list[int]],
    joint: NDArray[np.bool_],
    busy: NDArray[np.bool_],
    used: NDArray[np.bool_],
    vertex: int,
    edge: int,
) -> list[list[tuple[int, int, int]]]:
    """The chain from a vertex along a way to the next joint, cut where it leaves a column that has joints (so that each
    column can still be told from the next)."""
    column = graph.column
    chains: list[list[tuple[int, int, int]]] = [[]]
    while True:
        used[edge] = True
        onward = int(graph.head[edge]) if graph.tail[edge] == vertex else int(graph.tail[edge])
        chains[-1].append((edge, vertex, onward))
        if joint[onward]:
            return chains
        edge = next(e for e in at[onward] if e != edge)
        vertex = onward
        beyond = int(graph.head[edge]) if graph.tail[edge] == vertex else int(graph.tail[edge])
        if busy[column[vertex]] and column[vertex] not in (column[chains[-1][0][1]], column[beyond]):
            chains.append([])


def _laid(
    graph: StopGraph,
    turns_s: Turns,
    seconds: NDArray[np.float64],
    params: RoundParams,
    chains: list[list[tuple[int, int, int]]],
) -> Bare:
    """The graph whose ways are the chains."""
    ends = [(c[0][1], c[-1][2]) for c in chains]
    vertex = np.array(
        sorted({n for pair in ends for n in pair if n >= 0} | {graph.start, graph.end}), np.int64
    )
    number = np.full(len(graph.vertex_xy) + 1, -1, np.int64)
    number[vertex] = np.arange(len(vertex))
    of_edge = np.full(len(graph.tail), -1, np.int64)
    length, aisle, turns = [], [], []
    for k, chain in enumerate(chains):
        edges = [e for e, _, _ in chain]
        kinds = {bool(graph.is_aisle[e]) for e in edges}
        aisle.append(kinds == {True})
        if len(edges) == 1:
            of_edge[edges[0]] = k
            length.append(float(graph.length_m[edges[0]]))
            onward = int(graph.tail[edges[0]]) == chain[0][1]
            turns.append(turns_s[edges[0]] if onward else turns_s[edges[0]][::-1])
        elif len(kinds) == 1:
            length.append(float(graph.length_m[edges].sum()))
            turns.append((sum(sum(turns_s[e]) for e in edges), 0.0))
        else:
            length.append(float(seconds[edges].sum()) * params.road_m_s)
            turns.append((0.0, 0.0))
    bared = StopGraph(
        vertex_xy=graph.vertex_xy[vertex], tail=number[[a for a, _ in ends]], head=number[[b for _, b in ends]],
        length_m=np.array(length, float), is_aisle=np.array(aisle, bool),
        column=np.unique(graph.column[vertex], return_inverse=True)[1].astype(np.int64), place_stop=graph.place_stop,
        place_edge=of_edge[graph.place_edge], place_m=graph.place_m, place_side=graph.place_side,
        start=int(number[graph.start]), end=int(number[graph.end]),
    )  # fmt: skip
    return Bare(graph=bared, turns_s=turns, vertex=vertex, ways=tuple(tuple(c) for c in chains))
