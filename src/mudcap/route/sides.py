"""From which side to serve each stop, where the programme cannot leave all of them open at once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from mudcap.route.stopgraph import StopGraph
from mudcap.route.walk import Leg


def busiest_side(graph: StopGraph) -> NDArray[np.int64]:
    """(n,) way from which each stop is served when drive rows are opened one by one, those that serve most new stops a metre first."""
    num = len(graph.tail)
    served = np.full(graph.num_stops, -1, np.int64)
    gain = np.bincount(graph.place_edge, minlength=num).astype(float)
    of_edge = [np.flatnonzero(graph.place_edge == e) for e in range(num)]
    other: list[list[int]] = [[] for _ in range(graph.num_stops)]
    for p in range(len(graph.place_stop)):
        other[graph.place_stop[p]].append(int(graph.place_edge[p]))
    length = np.maximum(graph.length_m, 1e-9)
    for _ in range(num):
        e = int(np.argmax(gain / length))
        if gain[e] <= 0:
            break
        for p in of_edge[e].tolist():
            s = int(graph.place_stop[p])
            if served[s] < 0:
                served[s] = e
                for way in other[s]:
                    gain[way] -= 1
    return served


def sides_of(legs: tuple[Leg, ...], num_stops: int) -> NDArray[np.int64]:
    """(n,) way from which a round serves each stop."""
    served = np.full(num_stops, -1, np.int64)
    for leg in legs:
        for halt in leg.halts:
            served[halt.stop] = leg.edge
    return served


def fix_sides(graph: StopGraph, served: NDArray[np.int64], phase: int, period: int) -> StopGraph:
    """The graph with each stop fixed to its side, but for those between every ``period``-th pair of columns, from ``phase`` on.

    With ``phase`` -1 all are fixed.
    """
    heads = np.where(graph.head >= 0, graph.head, graph.tail)
    column = np.minimum(graph.column[graph.tail], graph.column[heads])[graph.place_edge]
    lowest = np.full(graph.num_stops, np.iinfo(np.int64).max)
    np.minimum.at(lowest, graph.place_stop, column)
    free = (lowest % period == phase)[graph.place_stop]
    keep = free | (graph.place_edge == served[graph.place_stop])
    return replace(
        graph,
        place_stop=graph.place_stop[keep],
        place_edge=graph.place_edge[keep],
        place_m=graph.place_m[keep],
        place_side=graph.place_side[keep],
    )
