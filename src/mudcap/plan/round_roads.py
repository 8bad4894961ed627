"""The ways of a round between the yard and its places, round blocks that are closed for a part of it."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree
from shapely import LineString, MultiLineString
from shapely.geometry.base import BaseGeometry

from mudcap.geo.detour import around
from mudcap.orchard.barriers import Shut, closed_ground, impassable_ground
from mudcap.orchard.model import Role
from mudcap.orchard.network import ALLEY, FOOT, TravelNetwork, graph_of, open_on
from mudcap.plan.model import Plan
from mudcap.plan.round_model import Entry, RoundOptions
from mudcap.plan.round_places import (
    BITS,
    Place,
    Speeds,
    Stand,
    as_driven,
    openings,
    shut_blocks,
    span,
    without,
)
from mudcap.route.access import Access


class Roads:
    """Ways between the yard and the places' access points, and on from where crews are: the quickest by vehicle; to where a place begins
    else on foot. Where no way at all joins two places, straight between any of their points. Metres in alleys and on foot are stretched,
    so that the road's speed stands for all."""

    def __init__(self, plan: Plan, places: Sequence[Place], options: RoundOptions, speeds: Speeds) -> None:
        self._opened = _Opened(plan, options, speeds)
        self.network = self._opened.network
        rows = [line for block in plan.orchard.blocks if block.rows is not None for line in block.rows.row_line]
        self._rows = shapely.STRtree(rows)
        self._planted = [
            MultiLineString(list(block.rows.row_line)).convex_hull
            for block in plan.orchard.blocks if block.rows is not None and len(block.rows.row_line)
        ]  # fmt: skip
        self._walls = _walls(plan, options)
        """What no straight line leads across where there is a way past it: first the water too, then without it."""
        yard = _Side.at_nodes(_yard(self.network))
        self._sides = [(yard, frozenset[int]()), *((side, p.through) for p in places for side in _sides(p))]
        owner = [-1, *(k for k, p in enumerate(places) for _ in p.access)]
        vertex = [-1, *(v for p in places for v in p.access)]
        self._first_of = [owner.index(k) for k in owner]
        """For each point the first one of its place."""
        size = len(owner)
        found = [[None if i == j else self._way(i, j) for j in range(size)] for i in range(size)]
        metres = np.array([[0.0 if way is None else way.metres for way in row] for row in found])
        self.access = Access(block=np.array(owner, np.int64), vertex=np.array(vertex, np.int64), metres=metres)
        begins = sorted(set(self._first_of))
        ways = (found[i][j] for i in begins for j in begins if j < i)
        self.straight = sum(way is not None and way.straight is not None for way in ways)
        """Pairs of places that no way joins: the straight line stands in, past what nobody enters, and the round says so."""

    def path(self, i: int, j: int) -> NDArray[np.float64]:
        """Plane points (n, 2) of the way from one access point (0: the yard) to another."""
        return np.empty((0, 2)) if i == j else self._way(i, j).points()

    def walked(self, i: int, j: int) -> bool:
        """Whether that way is gone on foot, since no vehicle of this round gets there."""
        return i != j and self._way(i, j).on_foot

    def onward(self, here: _Side) -> Origin:
        """The ways on from where a crew is."""
        ways = [
            self._between(here, side, through, (here, self._sides[first][0]), is_first=j == first)
            for j, ((side, through), first) in enumerate(zip(self._sides, self._first_of, strict=True))
        ]
        return Origin(
            to_access_m=tuple(way.metres for way in ways[1:]), to_yard_m=ways[0].metres, paths=tuple(way.points() for way in ways),
            walked=tuple(way.on_foot for way in ways),
        )

    def _way(self, i: int, j: int) -> _Way:
        (a, through), (b, there), firsts = self._sides[i], self._sides[j], (self._first_of[i], self._first_of[j])
        if firsts[0] == firsts[1]:
            return self._joined(a, b, through | there, is_first=False) or _Way(metres=np.inf, ends=(a, b))
        begins = self._sides[firsts[0]][0], self._sides[firsts[1]][0]
        return self._between(a, b, through | there, begins, is_first=firsts == (i, j))

    def _between(
        self, a: _Side, b: _Side, through: frozenset[int], begins: tuple[_Side, _Side], *, is_first: bool
    ) -> _Way:
        """The way between two points of two places; ``begins`` are the first ones. Where no way joins those either it is straight but for
        ground that nobody enters and blocks of trees; from or to another point only where no tree row is in its way; else it has no end."""
        way = self._joined(a, b, through, is_first=is_first)
        if way is not None:
            return way
        if not is_first and self._joined(*begins, through, is_first=True) is not None:
            return _Way(metres=np.inf, ends=(a, b))
        straight, is_past = _straight(self.network, a, b, self._walls, self._planted if is_first else ())
        if is_first or (is_past and not self._rows.query(LineString(straight.points()), predicate="intersects").size):
            return straight
        return _Way(metres=np.inf, ends=(a, b))

    def _joined(self, a: _Side, b: _Side, through: frozenset[int], *, is_first: bool) -> _Way | None:
        """The shortest way between two points, on foot only between places' first ones; None where there is none."""
        ways = self._opened.ways(through)
        return _shortest(ways if is_first else ways[:1], a, b)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Origin:
    """Where a crew is when the rest of a day is planned."""

    to_access_m: tuple[float, ...]
    """Metres to each access point, stretched like those of `Roads`."""
    to_yard_m: float
    paths: tuple[NDArray[np.float64], ...]
    """Plane points of the way to the yard (0) and to each access point (1 …)."""
    walked: tuple[bool, ...]
    """Whether each of them is gone on foot."""


def beyond_closed(plan: Plan, places: Sequence[Place], options: RoundOptions, speeds: Speeds) -> list[Place]:
    """The places; where no way leads round the closed blocks, all of these are entered, and a crew sets out once all are open."""
    shut = shut_blocks(plan, options)
    if not shut:
        return list(places)
    opened = _Opened(plan, options, speeds)
    known = openings(options)
    all_open = max(known[plan.orchard.blocks[k].block_id] for k in shut)
    yard = _Side.at_nodes(_yard(opened.network))
    found = []
    for place in places:
        side = _sides(place)[0]
        way = _shortest(opened.ways(shut)[:1], yard, side)
        if way is not None and _shortest(opened.ways(place.through)[:1], yard, side) is None:
            place = dataclasses.replace(place, through=shut, opens_s=max(place.opens_s, all_open + way.metres / speeds.road))
        elif way is not None and place.way is not None and place.through:  # deep inside: driven to once it is open
            ground = shapely.union_all([plan.orchard.blocks[k].polygon for k in sorted(place.through)])
            within = LineString(way.points()).intersection(ground).length
            place = dataclasses.replace(place, opens_s=place.opens_s + within / speeds.road)
        found.append(place)
    return found


class _Opened:
    """Ways by which a crew goes, without those inside blocks that are closed for a part of the round."""

    def __init__(self, plan: Plan, options: RoundOptions, speeds: Speeds) -> None:
        self.network = as_driven(open_on(plan.network, span(options)), BITS[options.mode])
        alley = np.where(self.network.kind == ALLEY, speeds.road / speeds.alley, 1.0)
        self._stretch = alley, np.full(len(alley), speeds.road / speeds.foot)
        self._plan, self._bits, self._shut = plan, BITS[options.mode], shut_blocks(plan, options)
        self._known: dict[frozenset[int], list[_Ways]] = {}

    def ways(self, entered: frozenset[int]) -> list[_Ways]:
        """By vehicle and on foot, into some of the closed blocks."""
        barred = self._shut - entered
        if barred not in self._known:
            network = without(self.network, self._plan, barred)
            self._known[barred] = [
                _Ways(dataclasses.replace(network, length_m=network.length_m * stretch), bits)
                for stretch, bits in zip(self._stretch, (self._bits, FOOT), strict=True)
            ]  # fmt: skip
        return self._known[barred]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Side:
    """One end of a way: nodes with the metres from there to the place itself, to come and to leave by."""

    come: tuple[tuple[NDArray[np.int64], float], ...]
    leave: tuple[tuple[NDArray[np.int64], float], ...]
    stand: Stand | None = None
    """The place itself, where it is no node."""
    xy: tuple[float, float] | None = None

    @staticmethod
    def at_nodes(nodes: NDArray[np.int64]) -> _Side:
        """Any of some nodes."""
        return _Side(come=((nodes, 0.0),), leave=((nodes, 0.0),))


def _sides(place: Place) -> list[_Side]:
    """One for each access point of a place."""
    if place.way is None:
        return [_Side.at_nodes(np.array([node], np.int64)) for node in place.nodes]
    stand = place.way
    ends = [(np.array([n], np.int64), m) for n, m in zip(stand.ends, stand.along_m, strict=True)]
    come = tuple(end for end, goes in zip(ends, stand.goes, strict=True) if goes)
    leave = tuple(end for end, goes in zip(ends, stand.goes[::-1], strict=True) if goes)
    return [_Side(come=come, leave=leave, stand=stand, xy=stand.xy)]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Way:
    """A shortest way, its points only where they are asked for."""

    metres: float
    ends: tuple[_Side, _Side]
    nodes: tuple[_Ways, NDArray[np.int64], NDArray[np.int64]] | None = None
    """By which ways, from and to which nodes of them; None for a piece of one way."""
    on_foot: bool = False
    """Whether no vehicle of the round gets there, so that the crew walks."""
    straight: NDArray[np.float64] | None = None
    """(n, 2) the straight line, with corners where it leads past something, where there is no way."""

    def points(self) -> NDArray[np.float64]:
        """(n, 2) in the plane."""
        before, after = ([] if side.xy is None else [[side.xy]] for side in self.ends)
        between = np.empty((0, 2)) if self.straight is None else self.straight
        if self.nodes is not None:
            ways, source, target = self.nodes
            between = ways.points(source, target)
        return np.vstack([*before, between, *after])


def _shortest(ways: Sequence[_Ways], a: _Side, b: _Side) -> _Way | None:
    """The shortest way from one place to another by the first kind of ways that leads there; None where none does."""
    if a.stand and b.stand and a.stand.ends == b.stand.ends:  # on one and the same way
        ahead = b.stand.along_m[0] - a.stand.along_m[0]
        if a.stand.goes[0 if ahead >= 0 else 1]:
            return _Way(metres=abs(ahead), ends=(a, b))
    for number, kind in enumerate(ways):
        found = [
            _Way(metres=metres + one + two, ends=(a, b), nodes=(kind, source, target), on_foot=number > 0)
            for source, one in a.leave for target, two in b.come
            if np.isfinite(metres := kind.metres(source, target))
        ]  # fmt: skip
        if found:
            return min(found, key=lambda way: way.metres)
    return None


def crew_origins(
    plan: Plan, roads: Roads, options: RoundOptions, log: Sequence[Entry], names: str
) -> dict[str, Origin]:
    """Where each crew is at `options.now_s`: at the site or puddle it did last on that day, as the log says, else at the yard."""
    if options.now_s is None:
        return {}
    network = roads.network
    tree = cKDTree(network.node_xy)
    spots = _spots(plan)
    found = {}
    for name in names:
        last = max(
            (e for e in log if _is_of(e, name, options) and e.name in spots), key=lambda e: e.time_s or 0.0, default=None
        )
        xy = None if last is None else spots[last.name]
        source = _yard(network) if xy is None else np.array([int(tree.query(xy)[1])], np.int64)
        lead = 0.0 if xy is None else float(np.hypot(*(network.node_xy[source[0]] - xy)))
        at = None if xy is None else (float(xy[0]), float(xy[1]))
        here = _Side(come=((source, lead),), leave=((source, lead),), xy=at)
        found[name] = roads.onward(here)
    return found


def unplaced(plan: Plan, options: RoundOptions, log: Sequence[Entry], names: str) -> str:
    """The crews that the log does not place at `options.now_s`, so that they set out from the yard."""
    known = _spots(plan)
    return "".join(name for name in names if not any(_is_of(e, name, options) and e.name in known for e in log))


def _spots(plan: Plan) -> dict[str, NDArray[np.float64]]:
    """Where sites and puddles lie in the plane, by name."""
    puddles = plan.puddles.puddles if plan.puddles else ()
    return {s.site_id: np.array([s.x_m, s.y_m]) for s in plan.sites} | {p.name: np.array([p.x_m, p.y_m]) for p in puddles}


def _is_of(entry: Entry, crew: str, options: RoundOptions) -> bool:
    """Whether a crew made this entry on the first day, up to now."""
    today = entry.day is None or entry.day == options.first_day
    return entry.crew.strip().upper() == crew and today and entry.time_s is not None and entry.time_s <= (options.now_s or 0.0)


def _straight(
    network: TravelNetwork, a: _Side, b: _Side, walls: Sequence[Sequence[BaseGeometry]], planted: Sequence[BaseGeometry]
) -> tuple[_Way, bool]:
    """The straight line past the first walls that there is a way past, and past ``planted`` ground where that can be; whether there
    is a way past any walls at all."""
    (source, before_m), (target, after_m) = a.leave[0], b.come[0]
    ends = _nearest_ends(network.node_xy, source, target)
    tries = ((shapes, trees) for shapes in walls for trees in ((planted, ()) if planted else ((),)))
    found = next((way for shapes, trees in tries if (way := _around_trees(ends, shapes, trees)) is not None), None)
    past = ends if found is None else found
    metres = float(np.hypot(*np.diff(past, axis=0).T).sum())
    return _Way(metres=before_m + metres + after_m, ends=(a, b), straight=past), found is not None


def _around_trees(
    ends: NDArray[np.float64], shapes: Sequence[BaseGeometry], planted: Sequence[BaseGeometry]
) -> NDArray[np.float64] | None:
    """The shortest way past some shapes and past planted ground, but for that in which it begins or ends; None where there is none.

    Only planted ground that lies in the way is looked at, so that many blocks cost no more than the few between.
    """
    within = shapely.multipoints(ends)
    others = [ground for ground in planted if not ground.intersects(within)]
    met: set[int] = set()
    while True:
        way = around(ends[0], ends[1], [*shapes, *(others[i] for i in sorted(met))])
        if way is None:
            return None
        crossed = {i for i, ground in enumerate(others) if ground.intersects(LineString(way))} - met
        if not crossed:
            return way
        met |= crossed


def _walls(plan: Plan, options: RoundOptions) -> tuple[list[BaseGeometry], list[BaseGeometry]]:
    """Ground that nobody enters on the days of the round, with ditches and without them."""
    orchard, days = plan.orchard, span(options)
    closed = [orchard.blocks[k].polygon for k in sorted(shut_blocks(plan, options))]
    if days is not None:
        closed += [area for area, spell in closed_ground(orchard) if Shut(mode=FOOT, span=spell).bars(*days)]
    closed += [shape for _keep, shape in impassable_ground(orchard)]
    ditches = [f.geometry for f in orchard.features if f.role == Role.DITCHES]
    return [shapely.union_all([*closed, *ditches])], [shapely.union_all(closed)]


def reached_on_the_day(
    plan: Plan, places: Sequence[Place], options: RoundOptions, speeds: Speeds
) -> tuple[list[Place], list[int]]:
    """The places without those that ways lead to on other days and not on those of the round, since ground or a road is closed, and
    the visits of these."""
    now, ever = (_Opened(plan, day, speeds) for day in (options, dataclasses.replace(options, first_day=None)))
    found, closed = [], []
    for place in places:
        side = _sides(place)[0]
        today, other = (_shortest(o.ways(place.through), _Side.at_nodes(_yard(o.network)), side) for o in (now, ever))
        if today is None and other is not None:
            closed += list(place.visits)
        else:
            found.append(place)
    return found, closed


class _Ways:
    """Shortest ways from a node set, kept for the next question."""

    def __init__(self, network: TravelNetwork, bits: int) -> None:
        self.network = network
        self.graph = graph_of(network, bits)
        self.known: dict[bytes, tuple[NDArray[np.float64], NDArray[np.int32]]] = {}

    def metres(self, source: NDArray[np.int64], target: NDArray[np.int64]) -> float:
        """Metres of the shortest way from any of ``source`` to any of ``target``; inf where none leads there."""
        if not len(source) or not len(target):
            return np.inf
        return float(self._from(source)[0][target].min())

    def points(self, source: NDArray[np.int64], target: NDArray[np.int64]) -> NDArray[np.float64]:
        """(n, 2) points of that way."""
        metres, before = self._from(source)
        nodes = [int(target[int(np.argmin(metres[target]))])]
        while before[nodes[-1]] >= 0:
            nodes.append(int(before[nodes[-1]]))
        return self.network.node_xy[nodes[::-1]]

    def _from(self, source: NDArray[np.int64]) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
        key = source.tobytes()
        if key not in self.known:
            metres, before, _sources = dijkstra(
                self.graph, indices=source, min_only=True, return_predecessors=True
            )
            self.known[key] = metres, before
        return self.known[key]


def _nearest_ends(
    xy: NDArray[np.float64], source: NDArray[np.int64], target: NDArray[np.int64]
) -> NDArray[np.float64]:
    if not len(source) or not len(target):
        return np.repeat(xy[target if len(target) else source][:1], 2, axis=0) if len(xy) else np.zeros((2, 2))
    distance, which = cKDTree(xy[source]).query(xy[target])
    k = int(np.argmin(distance))
    return np.vstack([xy[source[which[k]]], xy[target[k]]])


def _yard(network: TravelNetwork) -> NDArray[np.int64]:
    """Where rounds start: the yard, else any node where vehicles come from."""
    return np.array([network.yard_node], np.int64) if network.yard_node >= 0 else np.asarray(network.entry, np.int64)
