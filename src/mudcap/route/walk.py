"""A round as a crew drives it: the chosen ways strung into one walk, with the stops served on each leg."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from mudcap.route.stopgraph import StopGraph


@dataclass(frozen=True, slots=True, kw_only=True)
class Use:
    """What is done with one way of the graph."""

    passes: int = 0
    onward: int | None = None
    """How many of the passes go from tail to head; None where each may go either way."""
    until_m: float = -np.inf
    """Driven in from the tail to here and back out."""
    from_m: float = np.inf
    """Driven in from the head to here and back out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Halt:
    """A stop served on a leg."""

    stop: int
    at_m: float
    """Distance driven since the leg began."""
    side: int
    """+1 on the right of the crew as it comes, -1 on the left."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Leg:
    """One way driven through, or driven into and out of again."""

    edge: int
    begin: int
    """Vertex where the leg begins."""
    end: int
    """Vertex where it ends; the same as `begin` where the crew turns round inside."""
    length_m: float
    """Metres driven, both ways where the crew turns round."""
    turn_m: float | None
    """Depth at which the crew turns round; None where it drives through."""
    halts: tuple[Halt, ...]


def walk(graph: StopGraph, uses: Sequence[Use]) -> tuple[Leg, ...]:
    """Return the legs from start to end that use each way as chosen; every stop is served once, by the first leg that passes.

    Raises ``ValueError`` where the uses do not hang together or serve not all stops.
    """
    legs = []
    served: set[int] = set()
    on_edge: list[list[int]] = [[] for _ in range(len(graph.tail))]
    for p in range(len(graph.place_stop)):
        on_edge[graph.place_edge[p]].append(p)
    visited: set[int] = set()
    for edge, begin, end in [(-1, graph.start, graph.start), *_string(graph, uses)]:
        if edge >= 0:
            legs.append(leg_on(graph, edge, begin, end, None, on_edge[edge], served))
        if end not in visited:
            visited.add(end)
            for inside, depth in _drives_in(graph, uses, end):
                legs.append(leg_on(graph, inside, end, end, depth, on_edge[inside], served))
    if len(served) != graph.num_stops:
        raise ValueError(f"the walk serves {len(served)} of {graph.num_stops} stops.")
    return tuple(legs)


def _drives_in(graph: StopGraph, uses: Sequence[Use], vertex: int) -> list[tuple[int, float]]:
    """Ways driven into from a vertex and out again, with the depth of each."""
    found = []
    for e in np.flatnonzero((graph.tail == vertex) | (graph.head == vertex)).tolist():
        if graph.tail[e] == vertex and np.isfinite(uses[e].until_m):
            found.append((e, uses[e].until_m))
        if graph.head[e] == vertex and np.isfinite(uses[e].from_m):
            found.append((e, float(graph.length_m[e]) - uses[e].from_m))
    return found


def _string(graph: StopGraph, uses: Sequence[Use]) -> list[tuple[int, int, int]]:
    """An Eulerian walk over the passes, as (way, from, to) (Hierholzer 1873, from memory), which avoids turning straight back.

    The same where passes have a direction: then as many have to leave each vertex as come to it.
    """
    at: dict[int, list[tuple[int, int, int]]] = {}
    number = 0
    for e, use in enumerate(uses):
        for k in range(use.passes):
            a, b = int(graph.tail[e]), int(graph.head[e])
            if use.onward is None or k < use.onward:
                at.setdefault(a, []).append((number, e, b))
            if use.onward is None or k >= use.onward:
                at.setdefault(b, []).append((number, e, a))
            number += 1
    used = [False] * number
    stack = [(-1, -1, graph.start)]
    strung: list[tuple[int, int, int]] = []
    while stack:
        edge, origin, vertex = stack[-1]
        ways = at.get(vertex, [])
        ways[:] = [w for w in ways if not used[w[0]]]
        if not ways:
            strung.append((edge, origin, vertex))
            stack.pop()
            continue
        onward = next((w for w in ways if w[1] != edge), ways[0])
        used[onward[0]] = True
        stack.append((onward[1], vertex, onward[2]))
    strung.reverse()
    ends_meet = all(a[2] == b[1] for a, b in itertools.pairwise(strung))
    if len(strung) != number + 1 or not ends_meet or strung[-1][2] != graph.end:
        raise ValueError("the chosen ways do not make one walk from start to end.")
    return strung[1:]


def leg_on(
    graph: StopGraph,
    edge: int,
    begin: int,
    end: int,
    depth: float | None,
    places: Sequence[int],
    served: set[int],
) -> Leg:
    """One leg, turning round at ``depth``, with the stops on it that nobody has served yet, in the order the crew comes by.

    ``places`` are those on the way; the stops served are added to ``served``.
    """
    length = float(graph.length_m[edge])
    onward = int(graph.tail[edge]) == begin
    reach = length if depth is None else depth
    halts = []
    for p in places:
        at_m = float(graph.place_m[p]) if onward else length - float(graph.place_m[p])
        stop, side = int(graph.place_stop[p]), int(graph.place_side[p])
        if at_m <= reach + 1e-9 and stop not in served:
            halts.append(Halt(stop=stop, at_m=at_m, side=side if onward else -side))
            served.add(stop)
    return Leg(
        edge=edge, begin=begin, end=end, length_m=length if depth is None else 2 * depth, turn_m=depth,
        halts=tuple(sorted(halts, key=lambda h: (h.at_m, h.stop))),
    )  # fmt: skip
