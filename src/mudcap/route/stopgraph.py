"""What one crew has to go round: ways, and stops that stand along them, each served from one of at most two ways."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StopGraph:
    """Vertices, ways between them, and the places along the ways from which stops are served."""

    vertex_xy: NDArray[np.float64]
    """(v, 2) [m]; for drawing and for the order in which the programme sweeps, never for distances."""
    tail: NDArray[np.int64]
    """(e,) vertex where each way begins."""
    head: NDArray[np.int64]
    """(e,) vertex where it ends; -1 for a dead end (a row cut by a pond)."""
    length_m: NDArray[np.float64]
    """(e,)"""
    is_aisle: NDArray[np.bool_]
    """(e,) True for drive rows, False for headlands, cross-roads and roads."""
    column: NDArray[np.int64]
    """(v,) number across the rows: 0 for the ends of the first drive row, 1 for the next …"""
    place_stop: NDArray[np.int64]
    """(p,) stop that is served from the place; stops are 0 … n - 1, each with one or two places."""
    place_edge: NDArray[np.int64]
    """(p,) way on which the vehicle halts."""
    place_m: NDArray[np.float64]
    """(p,) distance from the tail of the way."""
    place_side: NDArray[np.int64]
    """(p,) +1 where the stop lies on the right of one who drives from tail to head, -1 on the left."""
    start: int
    """Vertex where the round begins."""
    end: int
    """Vertex where it ends; the same as `start` for a round trip."""
    one_way: NDArray[np.int8] | None = None
    """(e,) 1: from tail to head only, -1: from head to tail only, 0: both; None where all are open in both."""

    @property
    def directions(self) -> NDArray[np.int8]:
        """(e,) `one_way`, 0 where nothing is said."""
        return np.zeros(len(self.tail), np.int8) if self.one_way is None else self.one_way

    @property
    def through(self) -> NDArray[np.int64]:
        """(w,) ways that lead from one vertex to another."""
        return np.flatnonzero((self.head >= 0) & (self.head != self.tail))

    @property
    def num_stops(self) -> int:
        """Number of stops to serve."""
        return int(self.place_stop.max()) + 1 if len(self.place_stop) else 0

    def check(self) -> None:
        """Raise ``ValueError`` with the first thing that is wrong."""
        v, e = len(self.vertex_xy), len(self.tail)
        for name in ("head", "length_m", "is_aisle"):
            if len(getattr(self, name)) != e:
                raise ValueError(f"{name}: one entry for each of the {e} ways is needed.")
        if self.one_way is not None and (len(self.one_way) != e or np.abs(self.one_way).max(initial=0) > 1):
            raise ValueError("one_way: 1, -1 or 0 is needed for each way.")
        if e and (self.tail.min() < 0 or max(self.tail.max(), self.head.max()) >= v or self.head.min() < -1):
            raise ValueError(f"tail, head: vertices run from 0 to {v - 1}.")
        if not (0 <= self.start < v and 0 <= self.end < v):
            raise ValueError(f"start, end: vertices run from 0 to {v - 1}.")
        if not np.isfinite(self.length_m).all() or (self.length_m < 0).any():
            raise ValueError("length_m: finite lengths of at least 0 m are needed.")
        if len(self.place_stop) and (self.place_edge.min() < 0 or self.place_edge.max() >= e):
            raise ValueError(f"place_edge: ways run from 0 to {e - 1}.")
        along = self.length_m[self.place_edge]
        if ((self.place_m < 0) | (self.place_m > along + 1e-6)).any():
            raise ValueError("place_m: a place lies outside its way.")
        number = np.bincount(self.place_stop, minlength=self.num_stops)
        if len(number) and (number.min() < 1 or number.max() > 2):
            raise ValueError(f"stop {int(np.argmax((number < 1) | (number > 2)))} has not one or two places.")


def only(graph: StopGraph, stops: NDArray[np.int64]) -> StopGraph:
    """The graph with some of its stops, numbered in the order given."""
    number = np.full(graph.num_stops, -1, np.int64)
    number[stops] = np.arange(len(stops))
    keep = number[graph.place_stop] >= 0
    return replace(
        graph,
        place_stop=number[graph.place_stop[keep]],
        place_edge=graph.place_edge[keep],
        place_m=graph.place_m[keep],
        place_side=graph.place_side[keep],
    )


def levels(graph: StopGraph) -> NDArray[np.int64]:
    """Each vertex's number along its own column."""
    whole = (graph.head >= 0) & graph.is_aisle
    way = graph.vertex_xy[graph.head[whole]] - graph.vertex_xy[graph.tail[whole]]
    if len(way):
        way = way * np.where(way @ way[0] < 0, -1.0, 1.0)[:, None]
        along = graph.vertex_xy @ way.sum(axis=0)
    else:
        along = graph.vertex_xy[:, 1]
    level = np.empty(len(along), np.int64)
    for c in np.unique(graph.column):
        mine = np.flatnonzero(graph.column == c)
        level[mine[np.argsort(along[mine], kind="stable")]] = np.arange(len(mine))
    return level


def corners(graph: StopGraph) -> tuple[int, ...]:
    """Vertices at which rounds may well begin and end: the start, and both ends of the outermost drive rows."""
    level, ends = levels(graph), np.concatenate([graph.tail[graph.is_aisle], graph.head[graph.is_aisle & (graph.head >= 0)]])
    found = [graph.start]
    for column in (graph.column[ends].min(), graph.column[ends].max()):
        mine = ends[graph.column[ends] == column]
        found += [int(mine[level[mine].argmin()]), int(mine[level[mine].argmax()])]
    return tuple(dict.fromkeys(found))


def spans(graph: StopGraph) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """(n + 2,) first and last column to which a round may keep for each stop, then for start and end."""
    heads = np.where(graph.head >= 0, graph.head, graph.tail)
    columns = graph.column[[graph.tail, heads]][:, graph.place_edge]
    low = np.full(graph.num_stops, graph.column.max())
    high = np.zeros(graph.num_stops, np.int64)
    np.minimum.at(low, graph.place_stop, columns.min(axis=0))
    np.maximum.at(high, graph.place_stop, columns.max(axis=0))
    ends = graph.column[[graph.start, graph.end]]
    return np.append(low, ends), np.append(high, ends)


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """Ground in a drive row that cannot be passed: from one position along it to another [m]."""

    aisle: int
    first_m: float
    last_m: float


def block_graph(
    *,
    aisle_x_m: ArrayLike,
    cross_y_m: ArrayLike,
    stop_row: ArrayLike,
    stop_y_m: ArrayLike,
    start: tuple[int, int] = (0, 0),
    end: tuple[int, int] | None = None,
    gaps: Sequence[Gap] = (),
    fixed_aisle: Mapping[int, int] | None = None,
) -> StopGraph:
    """Return the graph of a block of parallel drive rows.

    Drive row a runs at ``aisle_x_m[a]``; tree row r stands between drive rows r and r + 1 (row -1 left of the first, the
    last row right of the last). ``cross_y_m`` is (h,) or (aisles, h): where each headland and cross-road meets each drive
    row, rising, NaN where it does not. Between neighbouring drive rows a headland is a straight line. ``start`` and ``end``
    are (drive row, cross-road). ``fixed_aisle`` names the drive row of stops that are not free to be served from either.

    Raises ``ValueError`` where a stop cannot be reached from any drive row.
    """
    x = np.asarray(aisle_x_m, float)
    y = np.asarray(cross_y_m, float)
    y = np.broadcast_to(y, (len(x), y.shape[-1]))
    at = np.full(y.shape, -1, np.int64)
    met = np.isfinite(y)
    at[met] = np.arange(int(met.sum()))
    xy = np.column_stack([np.broadcast_to(x[:, None], y.shape)[met], y[met]])
    ways = _Ways()
    for a in range(len(x)):
        _lay_aisle(ways, a, y[a], at[a], [g for g in gaps if g.aisle == a])
        if a:
            for j in np.flatnonzero((at[a] >= 0) & (at[a - 1] >= 0)):
                ways.add(at[a - 1, j], at[a, j], float(np.hypot(x[a] - x[a - 1], y[a, j] - y[a - 1, j])))
    stops = _Places()
    rows, along = np.asarray(stop_row, np.int64), np.asarray(stop_y_m, float)
    for s, (row, y_s) in enumerate(zip(rows.tolist(), along.tolist(), strict=True)):
        fixed = (fixed_aisle or {}).get(s)
        for aisle, side in ((row, 1), (row + 1, -1)):
            if fixed is None or aisle == fixed:
                stops.add(s, side, ways.find(aisle, y_s))
        if stops.last != s:
            raise ValueError(f"stop {s} in row {row} at {y_s:.1f} m is reached from no drive row.")
    return StopGraph(
        vertex_xy=xy, tail=np.array(ways.tail, np.int64), head=np.array(ways.head, np.int64),
        length_m=np.array(ways.length), is_aisle=np.array([a >= 0 for a in ways.aisle], bool),
        column=np.broadcast_to(np.arange(len(x))[:, None], y.shape)[met].astype(np.int64),
        place_stop=np.array(stops.stop, np.int64), place_edge=np.array(stops.edge, np.int64),
        place_m=np.array(stops.at_m, float), place_side=np.array(stops.side, np.int64),
        start=int(at[start]), end=int(at[start if end is None else end]),
    )  # fmt: skip


class _Ways:
    """Ways being gathered; for drive rows also where they lie along y."""

    def __init__(self) -> None:
        self.tail: list[int] = []
        self.head: list[int] = []
        self.length: list[float] = []
        self.aisle: list[int] = []
        self.spans: dict[int, list[tuple[float, float, int, bool]]] = {}

    def add(self, tail: int, head: int, length: float, aisle: int = -1) -> int:
        self.tail.append(int(tail))
        self.head.append(int(head))
        self.length.append(length)
        self.aisle.append(aisle)
        return len(self.tail) - 1

    def add_aisle(self, aisle: int, ends: tuple[int, int], low: float, high: float) -> None:
        """A drive row from y = low to high; an end of -1 is a dead end."""
        tail, head = ends
        downward = tail < 0
        edge = self.add(head if downward else tail, -1 if downward else head, high - low, aisle)
        self.spans.setdefault(aisle, []).append((low, high, edge, downward))

    def find(self, aisle: int, y: float) -> tuple[int, float, bool] | None:
        """Way, distance from its tail and whether it runs downward, for a position in a drive row."""
        for low, high, edge, downward in self.spans.get(aisle, []):
            if low - 1e-9 <= y <= high + 1e-9:
                return edge, min(max(high - y if downward else y - low, 0.0), high - low), downward
        return None


class _Places:
    """Places being gathered."""

    def __init__(self) -> None:
        self.stop: list[int] = []
        self.edge: list[int] = []
        self.at_m: list[float] = []
        self.side: list[int] = []
        self.last = -1

    def add(self, stop: int, side: int, found: tuple[int, float, bool] | None) -> None:
        if found is None:
            return
        edge, at_m, downward = found
        self.stop.append(stop)
        self.edge.append(edge)
        self.at_m.append(at_m)
        self.side.append(-side if downward else side)
        self.last = stop


def _lay_aisle(
    ways: _Ways, aisle: int, y: NDArray[np.float64], at: NDArray[np.int64], gaps: Sequence[Gap]
) -> None:
    """Add one drive row, cross-road by cross-road, cut where a gap lies."""
    levels = np.flatnonzero(at >= 0)
    for low, high in itertools.pairwise(levels):
        here, stop = float(y[low]), float(y[high])
        cuts = [g for g in gaps if g.first_m < stop and g.last_m > here]
        if not cuts:
            ways.add_aisle(aisle, (int(at[low]), int(at[high])), here, stop)
            continue
        first, last = min(g.first_m for g in cuts), max(g.last_m for g in cuts)
        if first > here:
            ways.add_aisle(aisle, (int(at[low]), -1), here, first)
        if last < stop:
            ways.add_aisle(aisle, (-1, int(at[high])), last, stop)
