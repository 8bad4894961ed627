"""The columns of the programme that bounds a round: what may be done with each way, and which stops that serves from where."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix

from mudcap.route.net import Floats, Ints, Net, build_net
from mudcap.route.options import EdgeOptions, Group
from mudcap.route.steps import DOUBLE, NONE, SINGLE, TOUCH_BOTH, TOUCH_TAIL
from mudcap.route.stopgraph import StopGraph

_TINY_M = 1e-9
"""A stop so near an end of a way is served from there."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Columns:
    """Columns in this order: options of the ways; passes without limit; stays at ends of one-way ways; passes back.

    All but the first occur only on ground with one-way ways.
    """

    edge: Ints
    """(c,) way of each column, rising over the options."""
    option: Ints
    """(c,) number within the way's `EdgeOptions`; of passes on a one-way way that of `SINGLE`; -1 for the rest."""
    cost: Floats
    """(c,) [s]"""
    num_options: int
    """Columns that are options, of which a way has at most one."""
    most: Floats
    """(c,) upper limit."""
    must: NDArray[np.bool_]
    """(e,) ways of which an option has to be chosen."""
    back_edge: Ints
    """(f,) two-way ways with a column for how many of the passes that are not there and back go from head to tail."""
    back_column: Ints
    """(f,) that column."""
    asked: Ints
    """Stops of the net that are not served by whatever option of their way."""
    net: Net
    """Its stops are those of the graph but for one of all that the same columns serve from the same vertices."""

    @property
    def is_mixed(self) -> bool:
        """Whether there are one-way ways."""
        return len(self.cost) > self.num_options

    def passing(self) -> csr_matrix:
        """(w, c) passes of each way of the net that each column makes."""
        made = np.concatenate([self.net.single, self.net.double, self.net.more])
        some = made >= 0
        times, way = np.repeat([1.0, 2.0, 1.0], len(self.net.tail)), np.tile(np.arange(len(self.net.tail)), 3)
        return csr_matrix((times[some], (way[some], made[some])), shape=(len(self.net.tail), len(self.cost)))


def lay_columns(
    graph: StopGraph,
    groups: Sequence[Group],
    of_edge: Sequence[Sequence[int]],
    options: Sequence[EdgeOptions],
) -> Columns:
    """Return the columns for a graph; ``groups`` and ``of_edge`` as of `options.find_groups`."""
    one_way = (graph.directions != 0) & (graph.head >= 0)
    laid = _Laid(len(options))
    for e, found in enumerate(options):
        laid.add_options(e, found, bool(one_way[e]))
    num_options = len(laid.cost)
    if one_way.any():
        for e in np.flatnonzero(graph.head >= 0).tolist():
            laid.add_passes(e, options[e], bool(one_way[e]))
    serves, asked = _Serves(graph, laid), []
    grouped = np.zeros(graph.num_stops, bool)
    for g, group in enumerate(groups):
        grouped[group.stops] = True
        for e, at_m in zip(group.edges, group.at_m, strict=True):
            if one_way[e]:
                serves.add_one_way(e, group.stops, at_m)
            else:
                serves.add(e, options[e], group.stops, at_m, options[e].left[of_edge[e].index(g)])
    order = np.argsort(graph.place_stop, kind="stable")
    first = order[np.searchsorted(graph.place_stop[order], np.arange(graph.num_stops))]
    for s in range(graph.num_stops):
        e, at_m = int(graph.place_edge[first[s]]), graph.place_m[first[s] : first[s] + 1]
        if grouped[s] or one_way[e]:
            asked.append(s)
        if grouped[s]:
            continue
        if one_way[e]:
            mine = np.flatnonzero(graph.place_stop == s)
            serves.add_one_way(e, np.full(len(mine), s), graph.place_m[mine])
        else:
            serves.add(e, options[e], np.array([s]), at_m, np.zeros((len(options[e].cost), 2), np.int64))
    ways = graph.through
    either = ways[~one_way[ways]] if one_way.any() else ways[:0]
    back_column = np.array([laid.add(e, -1, 0.0, np.inf) for e in either.tolist()], np.int64)
    must = laid.must & ~one_way
    number, served = _alike(serves.arrays(), graph.num_stops)
    return Columns(
        edge=np.array(laid.edge, np.int64), option=np.array(laid.option, np.int64), cost=np.array(laid.cost, float),
        num_options=num_options, most=np.array(laid.most, float), must=must, back_edge=either, back_column=back_column,
        asked=np.unique(number[np.array(asked, np.int64)]),
        net=build_net(
            num_vertices=len(graph.vertex_xy), num_columns=len(laid.cost), num_stops=int(number.max(initial=-1)) + 1,
            ways=(graph.tail[ways], graph.head[ways], laid.single[ways], laid.double[ways], laid.more[ways]),
            serves=served, terminals=(graph.start, graph.end),
        ),
    )  # fmt: skip


def _alike(serves: tuple[Ints, Ints, Ints, Ints], num_stops: int) -> tuple[Ints, tuple[Ints, Ints, Ints, Ints]]:
    """(n,) new numbers of the stops, the same for those that are served alike, and what serves each, once."""
    order = np.lexsort(serves[::-1])
    stop, column, one, other = (a[order] for a in serves)
    rows = np.column_stack([column, one, other])
    ptr = np.searchsorted(stop, np.arange(num_stops + 1))
    known: dict[bytes, int] = {}
    number, is_first = np.empty(num_stops, np.int64), np.zeros(num_stops, bool)
    for s in range(num_stops):
        key = rows[ptr[s] : ptr[s + 1]].tobytes()
        is_first[s] = key not in known
        number[s] = known.setdefault(key, len(known))
    keep = is_first[stop]
    return number, (number[stop[keep]], column[keep], one[keep], other[keep])


class _Laid:
    """Columns being gathered."""

    def __init__(self, num_ways: int) -> None:
        self.edge: list[int] = []
        self.option: list[int] = []
        self.cost: list[float] = []
        self.most: list[float] = []
        self.single, self.double, self.more = (np.full(num_ways, -1, np.int64) for _ in range(3))
        self.must = np.ones(num_ways, bool)
        self.number: list[Ints] = []
        """For each way the column of each option; -1 where it has none."""

    def add(self, edge: int, option: int, cost: float, most: float) -> int:
        self.edge.append(edge)
        self.option.append(option)
        self.cost.append(cost)
        self.most.append(most)
        return len(self.cost) - 1

    def add_options(self, edge: int, options: EdgeOptions, is_one_way: bool) -> None:
        self.number.append(np.full(len(options.cost), -1, np.int64))
        for o, (effect, cost) in enumerate(zip(options.effect.tolist(), options.cost.tolist(), strict=True)):
            if effect == NONE:
                self.must[edge] = False
            elif not is_one_way:
                self.number[edge][o] = self.add(edge, o, cost, 1.0)
                if effect in (SINGLE, DOUBLE):
                    (self.single if effect == SINGLE else self.double)[edge] = self.number[edge][o]

    def add_passes(self, edge: int, options: EdgeOptions, is_one_way: bool) -> None:
        o = int(np.flatnonzero(options.effect == SINGLE)[0])
        self.more[edge] = self.add(edge, o if is_one_way else -1, float(options.cost[o]), np.inf)


@dataclass(slots=True)
class _Serves:
    """(stop, column, one vertex, other vertex or -1) of all that serves stops, being gathered."""

    graph: StopGraph
    laid: _Laid
    parts: list[tuple[Ints, Ints, Ints, Ints]] = field(default_factory=list)
    stays: dict[tuple[int, int], int] = field(default_factory=dict)
    """Column of stopping at an end of a one-way way, by (way, vertex)."""

    def add(self, edge: int, options: EdgeOptions, stops: Ints, at_m: Floats, left: Ints) -> None:
        """Stops of a group on a two-way way; ``left`` as in `EdgeOptions`."""
        rank = np.arange(len(stops))
        column = self.laid.number[edge]
        serves = (column >= 0) & ~((left[:, 0] <= rank[:, None]) & (rank[:, None] < left[:, 1]))
        i, o = np.nonzero(serves)
        tail, head = int(self.graph.tail[edge]), int(self.graph.head[edge])
        effect = options.effect[o]
        through = (effect == SINGLE) | (effect == DOUBLE)
        from_tail = (
            (effect == TOUCH_TAIL) | through | ((effect == TOUCH_BOTH) & (at_m[i] <= options.until_m[o]))
        )
        other = np.where(through & (head != tail), head, -1)
        self.parts.append((stops[i], column[o], np.where(from_tail, tail, head), other))

    def add_one_way(self, edge: int, stops: Ints, at_m: Floats) -> None:
        """Stops on a one-way way: served in passing, or from an end where they stand right there."""
        tail, head = int(self.graph.tail[edge]), int(self.graph.head[edge])
        one = np.unique(stops)
        other = np.full(len(one), head if head != tail else -1)
        self.parts.append((one, np.full(len(one), self.laid.more[edge]), np.full(len(one), tail), other))
        length_m = float(self.graph.length_m[edge])
        for vertex, there in ((tail, at_m <= _TINY_M), (head, at_m >= length_m - _TINY_M)):
            for s in np.unique(stops[there]).tolist():
                stay = self.stays.get((edge, vertex))
                if stay is None:
                    stay = self.stays[edge, vertex] = self.laid.add(edge, -1, 0.0, 1.0)
                self.parts.append(tuple(np.array([k]) for k in (s, stay, vertex, -1)))  # type: ignore[arg-type]

    def arrays(self) -> tuple[Ints, Ints, Ints, Ints]:
        """Everything gathered, as four arrays."""
        empty = np.empty(0, np.int64)
        stop, column, one, other = (
            (np.concatenate([empty, *p]) for p in zip(*self.parts, strict=True))
            if self.parts
            else [empty] * 4
        )
        return stop, column, one, other
