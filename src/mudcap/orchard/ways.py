"""Ways on the ground cut and joined into the edges of the travel network."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from shapely import LineString

from mudcap.orchard.model import Orchard, Role
from mudcap.orchard.params import TravelParams

MODE_BITS: Final = {"truck": 1, "cart": 2, "foot": 4}
ALLEY_MODES: Final = {"truck": 7, "cart": 6, "foot": 4}
_ROAD, _HEADLAND, _ALLEY, _LINK = 0, 1, 2, 3
_SAME_M: Final = 2e-3
"""Points nearer than this are one node."""
_BREAK_M: Final = 0.5
"""A way cut by a ditch ends this far before it."""
_BANK_M: Final = 2.0
"""A road over a ditch carries a vehicle this much beside its own width."""
YARD_REACH_M: Final = 1000.0
"""A yard farther than this from every way is not joined."""


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
    yard_node: int
    gate_nodes: NDArray[np.int64]


@dataclass(slots=True, kw_only=True, eq=False)
class _Way:
    """One way while the network is being made: where it is to be cut, and where a ditch breaks it."""

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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Link:
    """A straight joint between two points that lie on ways."""

    start: tuple[float, float]
    end: tuple[float, float]


def lay_ways(orchard: Orchard, params: TravelParams) -> Edges:
    """All edges of an orchard's ways, noded where they cross or meet, with links where they nearly do."""
    if params.alley_mode not in ALLEY_MODES:
        raise ValueError(f"alley_mode: {params.alley_mode!r} is none of {', '.join(ALLEY_MODES)}.")
    ways = _ways(orchard, params)
    _cut_crossings(ways)
    ditches = _Ditches(orchard)
    links = [*_road_ends(ways, params.snap_m), *_ways_in(ways, params.snap_m)]
    gates, gate_links = _gates(orchard, ways, params.snap_m)
    yard, yard_links = _yard(orchard, ways)
    links = [link for link in (*links, *gate_links) if not ditches.cross(link)] + yard_links
    for way in ways:
        if way.kind != _ROAD:
            way.breaks += ditches.breaks(way.line)
    return _edges(ways, links, gates, yard)


def _ways(orchard: Orchard, params: TravelParams) -> list[_Way]:
    ways = []
    for road in orchard.roads:
        bits = sum(MODE_BITS[m] for m in road.modes if m in MODE_BITS)
        back = bits & MODE_BITS["foot"] if road.one_way else bits
        ways.append(_Way(line=road.line, kind=_ROAD, forward=bits, backward=back))
    serial = 0
    for k, block in enumerate(orchard.blocks):
        parts = shapely.get_parts(block.polygon)
        for headland in block.headlands:
            ways.append(_Way(line=headland, kind=_HEADLAND, forward=7, backward=7, owner=(k, _part(headland, parts))))
        bits = ALLEY_MODES[params.alley_mode]
        for alley in block.alleys:
            up, down = (bits & 4 if alley.one_way == "down" else bits), (bits & 4 if alley.one_way == "up" else bits)
            ways.append(_Way(line=alley.line, kind=_ALLEY, forward=up, backward=down, owner=(k, _part(alley.line, parts)), alley=serial))
            serial += 1
    return [way for way in ways if way.line.length > _SAME_M]


def _part(line: LineString, parts: NDArray[Any]) -> int:
    """The part of a block in which a line lies."""
    return 0 if len(parts) == 1 else int(np.argmin(shapely.distance(parts, line.interpolate(0.5, normalized=True))))


def _cut_crossings(ways: list[_Way]) -> None:
    """Cut roads, and what they cross, at the crossings."""
    roads = [way for way in ways if way.kind == _ROAD]
    if not roads:
        return
    tree = shapely.STRtree([road.line for road in roads])
    i, j = tree.query(np.array([way.line for way in ways], dtype=object), predicate="intersects")
    for a, b in zip(i.tolist(), j.tolist(), strict=True):
        one, two = ways[a], roads[b]
        if one.kind == _ROAD and a >= b:
            continue
        for x, y in _touch_points(one.line, two.line):
            _cut(one, x, y)
            _cut(two, x, y)


def _touch_points(a: LineString, b: LineString) -> list[tuple[float, float]]:
    """Points where two lines cross or begin and end to run together."""
    points: list[tuple[float, float]] = []
    for part in shapely.get_parts(shapely.intersection(a, b)):
        xy = shapely.get_coordinates(part)
        points += [(float(x), float(y)) for x, y in (xy if part.geom_type == "Point" else xy[[0, -1]])]
    return points


def _cut(way: _Way, x: float, y: float) -> None:
    way.cuts.append(float(shapely.line_locate_point(way.line, shapely.Point(x, y))))


def _road_ends(ways: list[_Way], snap_m: float) -> list[_Link]:
    """Links from road ends to other roads that they nearly meet."""
    roads = [way for way in ways if way.kind == _ROAD]
    links = []
    for k, road in enumerate(roads):
        others = [other for j, other in enumerate(roads) if j != k]
        for end in (0, -1):
            point = shapely.Point(road.line.coords[end])
            if others:
                links += _land(point, others, snap_m)
        if road.line.length > 4 * snap_m:
            a, b = road.line.coords[0], road.line.coords[-1]
            if _SAME_M < np.hypot(a[0] - b[0], a[1] - b[1]) <= snap_m:
                links.append(_Link(start=(a[0], a[1]), end=(b[0], b[1])))
    return links


def _land(point: Any, ways: list[_Way], reach_m: float) -> list[_Link]:
    """The link from a point to the nearest of `ways` within reach, which is cut there."""
    lines = np.array([way.line for way in ways], dtype=object)
    distance = shapely.distance(lines, point)
    k = int(np.argmin(distance))
    if distance[k] > reach_m:
        return []
    where = float(shapely.line_locate_point(lines[k], point))
    ways[k].cuts.append(where)
    landing = shapely.line_interpolate_point(lines[k], where)
    return [_Link(start=(point.x, point.y), end=(landing.x, landing.y))]


def _ways_in(ways: list[_Way], snap_m: float) -> list[_Link]:
    """Links from alley ends and headland ends to the nearest road, and to the nearest headland of another block or part."""
    ends, owner = [], []
    for way in ways:
        if way.kind in (_HEADLAND, _ALLEY):
            ends += [way.line.coords[0][:2], way.line.coords[-1][:2]]
            owner += [way.owner] * 2
    if not ends:
        return []
    points = shapely.points(np.array(ends))
    roads = [way for way in ways if way.kind == _ROAD]
    links, landed = _land_all(points, roads, snap_m)
    headlands = [way for way in ways if way.kind == _HEADLAND]
    for here in sorted({way.owner for way in headlands}):
        mine = np.array([place == here for place in owner]) & ~landed
        links += _land_all(points[mine], [way for way in headlands if way.owner != here], snap_m)[0]
    return links


def _land_all(
    points: NDArray[Any], ways: list[_Way], reach_m: float
) -> tuple[list[_Link], NDArray[np.bool_]]:
    """Links from points to the nearest of `ways` within reach, and which points have one."""
    landed = np.zeros(len(points), bool)
    if not ways or not len(points):
        return [], landed
    lines = np.array([way.line for way in ways], dtype=object)
    i, j = shapely.STRtree(lines).query_nearest(points, max_distance=reach_m, all_matches=False)
    where = shapely.line_locate_point(lines[j], points[i])
    landing = shapely.get_coordinates(shapely.line_interpolate_point(lines[j], where))
    start = shapely.get_coordinates(points[i])
    for k, at in zip(j.tolist(), where.tolist(), strict=True):
        ways[k].cuts.append(at)
    landed[i] = True
    links = [_Link(start=(a[0], a[1]), end=(b[0], b[1])) for a, b in zip(start.tolist(), landing.tolist(), strict=True)]
    return links, landed


def _gates(
    orchard: Orchard, ways: list[_Way], snap_m: float
) -> tuple[list[tuple[float, float]], list[_Link]]:
    """Where gates stand on (or within reach of) a road or headland, and the links to it."""
    passable = [way for way in ways if way.kind in (_ROAD, _HEADLAND)]
    at, links = [], []
    for gate in orchard.gates:
        point = gate.geometry.centroid
        found = _land(point, passable, snap_m) if passable else []
        if found:
            at.append((point.x, point.y))
            links += found
    return at, links


def _yard(orchard: Orchard, ways: list[_Way]) -> tuple[tuple[float, float] | None, list[_Link]]:
    """The yard and its link to the nearest road, or to a headland where there is no road."""
    roads = [way for way in ways if way.kind == _ROAD] or [way for way in ways if way.kind == _HEADLAND]
    if orchard.yard is None or not roads:
        return None, []
    links = _land(orchard.yard, roads, YARD_REACH_M)
    return (orchard.yard.x, orchard.yard.y) if links else None, links


class _Ditches:
    """The ditches of an orchard and where roads take one over them."""

    def __init__(self, orchard: Orchard) -> None:
        self.lines = [f.geometry for f in orchard.features if f.role == Role.DITCHES]
        self.all = shapely.union_all(self.lines) if self.lines else None
        self.bridges = shapely.union_all(
            [
                shapely.buffer(shapely.intersection(line, road.line), road.width_m / 2 + _BANK_M)
                for road in orchard.roads
                for line in self.lines
            ]
        )

    def cross(self, link: _Link) -> bool:
        """Whether a link crosses a ditch where no road does."""
        return self.all is not None and bool(self.breaks(LineString([link.start, link.end])))

    def breaks(self, line: LineString) -> list[float]:
        """Distances along a line at which a ditch cuts it."""
        if self.all is None or not self.all.intersects(line):
            return []
        wet = shapely.intersection(self.all, line)
        points = [p for p in shapely.points(shapely.get_coordinates(wet)) if not self.bridges.intersects(p)]
        return [float(shapely.line_locate_point(line, p)) for p in points]


def _edges(
    ways: Iterable[_Way], links: list[_Link], gates: list[tuple[float, float]], yard: tuple[float, float] | None
) -> Edges:
    xy: list[NDArray[np.float64]] = []
    pairs: list[tuple[int, int, int, int, int]] = []
    count = 0
    for way in ways:
        for chain in _chains(way):
            xy.append(chain)
            pairs += [(count + k, way.kind, way.forward, way.backward, way.alley) for k in range(len(chain) - 1)]
            count += len(chain)
    for link in links:
        xy.append(np.array([link.start, link.end]))
        pairs.append((count, _LINK, 7, 7, -1))
        count += 2
    marks = [*gates, *([yard] if yard else [])]
    all_xy = np.vstack([*xy, np.array(marks, float).reshape(-1, 2)]) if xy or marks else np.empty((0, 2))
    node, node_xy = _merge(all_xy)
    rows = np.array(pairs, np.int64).reshape(-1, 5)
    a, b = node[rows[:, 0]], node[rows[:, 0] + 1]
    length = np.hypot(*(node_xy[a] - node_xy[b]).T)
    source, target = np.concatenate([a, b]), np.concatenate([b, a])
    mode = np.concatenate([rows[:, 2], rows[:, 3]])
    use = (source != target) & (mode > 0)
    twice = np.concatenate([rows, rows])
    return Edges(
        node_xy=node_xy, source=source[use], target=target[use], length_m=np.tile(length, 2)[use],
        mode=mode[use].astype(np.uint8), kind=twice[use, 1].astype(np.uint8), alley=twice[use, 4],
        yard_node=int(node[-1]) if yard else -1,
        gate_nodes=np.unique(node[count : count + len(gates)]),
    )  # fmt: skip


def _chains(way: _Way) -> list[NDArray[np.float64]]:
    """The points of a way, cut points among them, in one chain for each stretch between breaks."""
    total = way.line.length
    corners = shapely.get_coordinates(way.line)
    steps = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
    breaks = np.sort(np.array(way.breaks))
    low = np.concatenate([[0.0], breaks + _BREAK_M])
    high = np.concatenate([breaks - _BREAK_M, [total]])
    stops = np.unique(np.round(np.concatenate([steps, way.cuts, low, high]), 9))
    chains = []
    for a, b in zip(low, high, strict=True):
        at = stops[(stops >= a - 1e-9) & (stops <= b + 1e-9)]
        at = at[(at >= 0) & (at <= total + 1e-9)]
        if len(at) > 1:
            x, y = np.interp(at, steps, corners[:, 0]), np.interp(at, steps, corners[:, 1])
            chains.append(np.column_stack([x, y]))
    return chains


def _merge(xy: NDArray[np.float64]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Node number of each point, points closer than `_SAME_M` being one node, and the nodes."""
    if not len(xy):
        return np.empty(0, np.int64), xy
    pairs = cKDTree(xy).query_pairs(_SAME_M, output_type="ndarray")
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(xy), len(xy)))
    label = connected_components(graph, directed=False)[1]
    _unused, first, node = np.unique(label, return_index=True, return_inverse=True)
    order = np.argsort(first)
    rank = np.empty(len(first), np.int64)
    rank[order] = np.arange(len(first))
    return rank[node.reshape(-1)], xy[first[order]]
