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
from shapely import LineString

from mudcap.orchard.network import FOOT, TravelNetwork, graph_of, open_on
from mudcap.plan.model import Plan
from mudcap.plan.round_model import Entry, RoundOptions
from mudcap.plan.round_places import BITS, Place, Stand, openings, shut_blocks, span, without


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Roads:
    """Metres and ways between the yard (0) and the places (1 …)."""

    between_m: NDArray[np.float64]
    paths: dict[tuple[int, int], NDArray[np.float64]]
    """Plane points (n, 2) of each way."""
    straight: int
    """Pairs that no way joins: the straight line stands in, and the round says so."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Origin:
    """Where a crew is when the rest of a day is planned."""

    to_place_m: tuple[float, ...]
    """Metres to where each place begins."""
    to_yard_m: float
    paths: tuple[NDArray[np.float64], ...]
    """Plane points of the way to the yard (0) and to each place (1 …)."""


def lay_roads(plan: Plan, places: Sequence[Place], options: RoundOptions) -> Roads:
    """The shortest ways between yard and places by the vehicle's roads, else on foot, else straight."""
    network = open_on(plan.network, span(options))
    sides = [_Side.at_nodes(_yard(network)), *(_side(p) for p in places)]
    k = len(places)
    between = np.zeros((k + 1, k + 1))
    paths: dict[tuple[int, int], NDArray[np.float64]] = {}
    straight = 0
    opened = _Opened(plan, options)
    through = [frozenset[int](), *(p.through for p in places)]
    for i in range(k + 1):
        for j in range(k + 1):
            if i == j:
                continue
            found = _shortest(opened.ways(through[i] | through[j]), sides[i], sides[j])
            if found is None:
                found = _straight(network, sides[i].leave[0][0], sides[j].come[0][0])
                straight += int(i < j)
            between[i, j], paths[i, j] = found
    return Roads(between_m=between, paths=paths, straight=straight)


def beyond_closed(plan: Plan, places: Sequence[Place], options: RoundOptions, road_m_s: float) -> list[Place]:
    """The places; where no way leads round the closed blocks, all of these are entered, and a crew sets out once all are open."""
    shut = shut_blocks(plan, options)
    if not shut:
        return list(places)
    opened = _Opened(plan, options)
    known = openings(options)
    all_open = max(known[plan.orchard.blocks[k].block_id] for k in shut)
    yard = _Side.at_nodes(_yard(opened.network))
    found = []
    for place in places:
        way = _shortest(opened.ways(shut)[:1], yard, _side(place))
        if way is not None and _shortest(opened.ways(place.through)[:1], yard, _side(place)) is None:
            place = dataclasses.replace(place, through=shut, opens_s=max(place.opens_s, all_open + way[0] / road_m_s))
        elif way is not None and place.way is not None and place.through:  # deep inside: driven to once it is open
            ground = shapely.union_all([plan.orchard.blocks[k].polygon for k in sorted(place.through)])
            within = LineString(way[1]).intersection(ground).length
            place = dataclasses.replace(place, opens_s=place.opens_s + within / road_m_s)
        found.append(place)
    return found


class _Opened:
    """Ways by which a crew goes, without those inside blocks that are closed for a part of the round."""

    def __init__(self, plan: Plan, options: RoundOptions) -> None:
        self.network = open_on(plan.network, span(options))
        self._plan, self._bits, self._shut = plan, BITS[options.mode], shut_blocks(plan, options)
        self._known: dict[frozenset[int], list[_Ways]] = {}

    def ways(self, entered: frozenset[int]) -> list[_Ways]:
        """By vehicle and on foot, into some of the closed blocks."""
        barred = self._shut - entered
        if barred not in self._known:
            network = without(self.network, self._plan, barred)
            self._known[barred] = [_Ways(network, self._bits), _Ways(network, FOOT)]
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


def _side(place: Place) -> _Side:
    if place.way is None:
        return _Side.at_nodes(np.array([place.node], np.int64))
    stand = place.way
    ends = [(np.array([n], np.int64), m) for n, m in zip(stand.ends, stand.along_m, strict=True)]
    come = tuple(end for end, goes in zip(ends, stand.goes, strict=True) if goes)
    leave = tuple(end for end, goes in zip(ends, stand.goes[::-1], strict=True) if goes)
    return _Side(come=come, leave=leave, stand=stand, xy=stand.xy)


def _shortest(ways: Sequence[_Ways], a: _Side, b: _Side) -> tuple[float, NDArray[np.float64]] | None:
    """Metres and points from one place to another by the first kind of ways that leads there; None where none does."""
    if a.stand and b.stand and a.stand.ends == b.stand.ends:  # on one and the same way
        ahead = b.stand.along_m[0] - a.stand.along_m[0]
        if a.stand.goes[0 if ahead >= 0 else 1]:
            return abs(ahead), np.array([a.xy, b.xy])
    for kind in ways:
        found = [
            (way[0] + one + two, way[1])
            for source, one in a.leave for target, two in b.come
            if (way := kind.between(source, target)) is not None
        ]  # fmt: skip
        if found:
            metres, points = min(found, key=lambda f: f[0])
            before, after = ([] if side.xy is None else [[side.xy]] for side in (a, b))
            return metres, np.vstack([*before, points, *after])
    return None


def crew_origins(
    plan: Plan, places: Sequence[Place], options: RoundOptions, log: Sequence[Entry], names: str
) -> dict[str, Origin]:
    """Where each crew is at `options.now_s`: at the site or puddle it did last on that day, as the log says, else at the yard."""
    if options.now_s is None:
        return {}
    opened = _Opened(plan, options)
    network = opened.network
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
        each = []
        yard = (_Side.at_nodes(_yard(network)), frozenset[int]())
        for there, through in (yard, *((_side(p), p.through) for p in places)):
            each.append(_shortest(opened.ways(through), here, there) or _straight(network, source, there.come[0][0]))
        found[name] = Origin(
            to_place_m=tuple(m for m, _p in each[1:]), to_yard_m=each[0][0], paths=tuple(p for _m, p in each)
        )
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
    network: TravelNetwork, source: NDArray[np.int64], target: NDArray[np.int64]
) -> tuple[float, NDArray[np.float64]]:
    ends = _nearest_ends(network.node_xy, source, target)
    return float(np.hypot(*(ends[1] - ends[0]))), ends


class _Ways:
    """Shortest ways from a node set, kept for the next question."""

    def __init__(self, network: TravelNetwork, bits: int) -> None:
        self.network = network
        self.graph = graph_of(network, bits)
        self.known: dict[bytes, tuple[NDArray[np.float64], NDArray[np.int32]]] = {}

    def between(
        self, source: NDArray[np.int64], target: NDArray[np.int64]
    ) -> tuple[float, NDArray[np.float64]] | None:
        """Metres and points of the shortest way from any of `source` to any of `target`."""
        if not len(source) or not len(target):
            return None
        key = source.tobytes()
        if key not in self.known:
            metres, before, _sources = dijkstra(
                self.graph, indices=source, min_only=True, return_predecessors=True
            )
            self.known[key] = metres, before
        metres, before = self.known[key]
        end = int(target[int(np.argmin(metres[target]))])
        if not np.isfinite(metres[end]):
            return None
        nodes = [end]
        while before[nodes[-1]] >= 0:
            nodes.append(int(before[nodes[-1]]))
        return float(metres[end]), self.network.node_xy[nodes[::-1]]


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
