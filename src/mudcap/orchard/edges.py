"""Ways that are cut and joined, made into the directed edges of the travel network."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from shapely import LineString

from mudcap.orchard.barriers import ALL_MODES, BREAK_M, Narrow, Shut, Span

ROAD, HEADLAND, ALLEY, LINK = 0, 1, 2, 3
SAME_M: Final = 2e-3
"""Points nearer than this are one node."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Edges:
    """Directed edges between nodes, before sorting; all ways, links and gates."""

    node_xy: NDArray[np.float64]
    source: NDArray[np.int64]
    target: NDArray[np.int64]
    length_m: NDArray[np.float64]
    mode: NDArray[np.uint8]
    kind: NDArray[np.uint8]
    alley: NDArray[np.int64]
    gate: NDArray[np.int64]
    """Gate through which the edge leads; -1 elsewhere."""
    shut: NDArray[np.int64]
    """Index into `shuts`; -1 where no date closes the edge."""
    shuts: tuple[tuple[Shut, ...], ...]
    yard_node: int
    gate_nodes: NDArray[np.int64]
    """Nodes of the gates that let a vehicle through."""
    is_gated: bool
    """True where some gate stands on a way."""


@dataclass(slots=True, kw_only=True, eq=False)
class Way:
    """One way while the network is being made: where it is to be cut, and what breaks, narrows or closes it."""

    line: LineString
    kind: int
    forward: int
    """Mode bits from first to last point."""
    backward: int
    owner: tuple[int, int] = (-1, 0)
    """Block and part of it; -1 for roads."""
    alley: int = -1
    cuts: list[float] = field(default_factory=list)
    breaks: list[float] = field(default_factory=list)
    narrows: list[Narrow] = field(default_factory=list)
    shuts: tuple[Shut, ...] = ()
    bridge: int = ALL_MODES
    """Who gets over ditches by it."""

    def cut(self, x: float, y: float) -> None:
        """Cut it at the point nearest to (x, y)."""
        self.cuts.append(float(shapely.line_locate_point(self.line, shapely.Point(x, y))))

    def narrow(self, narrow: Narrow) -> None:
        """Let only some pass on a stretch."""
        self.narrows.append(narrow)
        self.cuts += [m for m in (narrow.low_m, narrow.high_m) if 0 < m < self.line.length]


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """A straight joint between two points that lie on ways."""

    start: tuple[float, float]
    end: tuple[float, float]

    @property
    def line(self) -> LineString:
        """The joint as a line."""
        return LineString([self.start, self.end])


@dataclass(slots=True, eq=False)
class _Pieces:
    """Undirected pieces of ways while they are gathered."""

    xy: list[NDArray[np.float64]] = field(default_factory=list)
    row: list[NDArray[np.int64]] = field(default_factory=list)
    """First point, kind, forward, backward, alley, gate, set of shuts."""
    sets: dict[tuple[Shut, ...], int] = field(default_factory=dict)
    count: int = 0

    def add(self, chain: NDArray[np.float64], facts: Sequence[NDArray[np.int64] | int]) -> None:
        """A chain of points; facts of each piece between them."""
        row = np.empty((len(chain) - 1, 7), np.int64)
        row[:, 0] = self.count + np.arange(len(chain) - 1)
        for k, fact in enumerate(facts, start=1):
            row[:, k] = fact
        self.xy.append(chain)
        self.row.append(row)
        self.count += len(chain)

    def set_of(self, shuts: tuple[Shut, ...]) -> int:
        """Number of a set of shuts; -1 for the empty one."""
        return self.sets.setdefault(shuts, len(self.sets)) if shuts else -1


def join_edges(
    ways: Iterable[Way],
    links: Sequence[Link],
    *,
    gates: Sequence[tuple[tuple[float, float], bool]],
    yard: tuple[float, float] | None,
    closed: Sequence[tuple[Any, Span]],
) -> Edges:
    """All edges; `gates` are the points of gates on ways and whether a vehicle gets through; `closed` areas with their days."""
    pieces = _Pieces()
    for way in ways:
        for chain, middle in _chains(way):
            forward, backward, gate = (np.full(len(middle), v, np.int64) for v in (way.forward, way.backward, -1))
            for narrow in way.narrows:
                inside = (middle > narrow.low_m) & (middle < narrow.high_m)
                forward[inside] &= narrow.mode
                backward[inside] &= narrow.mode
                gate[inside] = np.where(narrow.gate >= 0, narrow.gate, gate[inside])
            pieces.add(chain, (way.kind, forward, backward, way.alley, gate, pieces.set_of(way.shuts)))
    for link in links:
        pieces.add(np.array([link.start, link.end]), (LINK, ALL_MODES, ALL_MODES, -1, -1, -1))
    marks = [*(at for at, _opens in gates), *([yard] if yard else [])]
    if not pieces.xy and not marks:
        pieces.xy.append(np.empty((0, 2)))
    node, node_xy = _merge(np.vstack([*pieces.xy, np.array(marks, float).reshape(-1, 2)]))
    row = np.vstack([*pieces.row, np.empty((0, 7), np.int64)])
    a, b = node[row[:, 0]], node[row[:, 0] + 1]
    row[:, 6] = _with_closures(row[:, 6], (node_xy[a] + node_xy[b]) / 2, closed, pieces)
    length = np.hypot(*(node_xy[a] - node_xy[b]).T)
    mode = np.concatenate([row[:, 2], row[:, 3]])
    source, target, twice = np.concatenate([a, b]), np.concatenate([b, a]), np.concatenate([row, row])
    sets = tuple(pieces.sets)
    always = np.array([_always(shuts) for shuts in sets] + [0], np.int64)
    mode &= ~always[twice[:, 6]]
    use = (source != target) & (mode > 0)
    at_gate = node[pieces.count : pieces.count + len(gates)]
    return Edges(
        node_xy=node_xy, source=source[use], target=target[use], length_m=np.tile(length, 2)[use],
        mode=mode[use].astype(np.uint8), kind=twice[use, 1].astype(np.uint8), alley=twice[use, 4],
        gate=twice[use, 5], shut=twice[use, 6], shuts=sets,
        yard_node=int(node[-1]) if yard else -1,
        gate_nodes=np.unique(at_gate[np.array([opens for _at, opens in gates], bool)]), is_gated=bool(gates),
    )  # fmt: skip


def _with_closures(
    number: NDArray[np.int64], middle: NDArray[np.float64], closed: Sequence[tuple[Any, Span]], pieces: _Pieces
) -> NDArray[np.int64]:
    """Each piece's set of shuts, those of the closed ground under its middle added."""
    if not closed or not len(number):
        return number
    number = number.copy()
    tree = shapely.STRtree(shapely.points(middle))
    for area, span in closed:
        shapely.prepare(area)
        inside = tree.query(area, predicate="intersects")
        known = list(pieces.sets)
        for old in np.unique(number[inside]).tolist():
            before = known[old] if old >= 0 else ()
            new = pieces.set_of((*before, Shut(ALL_MODES, span)))
            mine = inside[number[inside] == old]
            number[mine] = new
            inside = np.setdiff1d(inside, mine)
    return number


def _always(shuts: tuple[Shut, ...]) -> int:
    """Modes that are stopped on every day."""
    out = 0
    for shut in shuts:
        out |= shut.mode if shut.span == (None, None) else 0
    return out


def _chains(way: Way) -> list[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Points of a way, cut points among them, in one chain for each stretch between breaks, and the middles [m] between them."""
    total = way.line.length
    corners = shapely.get_coordinates(way.line)
    steps = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
    breaks = np.sort(np.array(way.breaks))
    low = np.concatenate([[0.0], breaks + BREAK_M])
    high = np.concatenate([breaks - BREAK_M, [total]])
    stops = np.unique(np.round(np.concatenate([steps, way.cuts, low, high]), 9))
    chains = []
    for a, b in zip(low, high, strict=True):
        at = stops[(stops >= a - 1e-9) & (stops <= b + 1e-9)]
        at = at[(at >= 0) & (at <= total + 1e-9)]
        if len(at) > 1:
            x, y = np.interp(at, steps, corners[:, 0]), np.interp(at, steps, corners[:, 1])
            chains.append((np.column_stack([x, y]), (at[1:] + at[:-1]) / 2))
    return chains


def _merge(xy: NDArray[np.float64]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Node number of each point, points closer than `SAME_M` being one node, and the nodes."""
    if not len(xy):
        return np.empty(0, np.int64), xy
    pairs = cKDTree(xy).query_pairs(SAME_M, output_type="ndarray")
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(xy), len(xy)))
    label = connected_components(graph, directed=False)[1]
    _unused, first, node = np.unique(label, return_index=True, return_inverse=True)
    order = np.argsort(first)
    rank = np.empty(len(first), np.int64)
    rank[order] = np.arange(len(first))
    return rank[node.reshape(-1)], xy[first[order]]
