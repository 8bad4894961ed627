"""The ground of a round: which visits are reached from where, on wheels or on foot, and the ways between."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree
from shapely import LineString, Point

from mudcap.orchard.model import Block, Closure
from mudcap.orchard.network import CART, FOOT, TRUCK, TravelNetwork, graph_of, open_on
from mudcap.plan.model import Plan
from mudcap.plan.round_model import DAY_S, Entry, RoundOptions, Visit
from mudcap.route.ground import Ground, lay_ground
from mudcap.route.stopgraph import StopGraph

_BITS: Final = {"cart": CART, "truck": TRUCK, "foot": FOOT}


@dataclass(frozen=True, slots=True, kw_only=True)
class Speeds:
    """How fast a crew moves [m/s]."""

    alley: float
    road: float
    foot: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Place:
    """Visits that are reached from one point on the road: those of a block, or a puddle."""

    block: int
    """Index into the orchard's blocks; -1 for a puddle."""
    ground: Ground | None
    """None for a puddle."""
    graph: StopGraph
    """The ground's graph, its metres stretched where the crew walks: one speed then stands for both."""
    visits: tuple[int, ...]
    """Visit of each stop of the graph."""
    on_foot: bool
    stretch: tuple[float, float]
    """Factor of the graph's metres in alleys and on other ways."""
    node: int
    """Network node where it begins and ends; for a puddle the nearer end of its way."""
    ends: tuple[tuple[int, float], ...] = ()
    """Of a puddle: both ends of the way on which the truck stands, with the metres to them; () = `node` itself."""
    xy: tuple[float, float] | None = None
    """Of a puddle: where the truck stands."""
    opens_s: float = 0.0


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


def speeds_of(plan: Plan, options: RoundOptions) -> Speeds:
    """Speeds of the round's mode, as the plan's travel options say unless the round's do."""
    travel = plan.params.travel
    road = {"cart": travel.cart_road_m_s, "truck": travel.truck_road_m_s, "foot": travel.foot_m_s}[options.mode]
    alley = travel.foot_m_s if options.mode == "foot" else travel.cart_alley_m_s
    return Speeds(alley=options.alley_m_s or alley, road=options.road_m_s or road, foot=travel.foot_m_s)


def lay_places(
    plan: Plan, visits: Sequence[Visit], options: RoundOptions, speeds: Speeds
) -> tuple[list[Place], list[int], list[int]]:
    """The places of all visits, the visits that no way leads to, and those that stay closed all the round.

    What the vehicle cannot reach is reached on foot from where the block's ways begin.
    """
    places: list[Place] = []
    unreached: list[int] = []
    shut: list[int] = []
    known = {c.block_id: c.opens_s for c in options.closed}
    for k, block in enumerate(plan.orchard.blocks):
        mine = [i for i, v in enumerate(visits) if v.block_id == block.block_id and v.site >= 0]
        closures = _active(plan.orchard.closures, options)
        groups: dict[float, list[int]] = {}
        for i in mine:
            opens = max(_opens_s(closures, visits[i], options), known.get(block.block_id, 0.0))
            groups.setdefault(opens, []).append(i)
        for opens, members in sorted(groups.items()):
            if opens >= options.num_days * DAY_S:
                shut += members
                continue
            network = open_on(plan.network, _span(options, int(opens // DAY_S)))
            found, missing = _block_places(plan, network, k, block, visits, members, options, speeds)
            places += [dataclasses.replace(p, opens_s=opens) for p in found]
            unreached += missing
    places += [_puddle(plan, i, v) for i, v in enumerate(visits) if v.puddle >= 0]
    return places, sorted(unreached), sorted(shut)


def lay_roads(plan: Plan, places: Sequence[Place], options: RoundOptions) -> Roads:
    """The shortest ways between yard and places by the vehicle's roads, else on foot, else straight."""
    network = open_on(plan.network, _span(options))
    sides = [_Side(nodes=((_yard(network), 0.0),), xy=None), *(_side(p) for p in places)]
    k = len(places)
    between = np.zeros((k + 1, k + 1))
    paths: dict[tuple[int, int], NDArray[np.float64]] = {}
    straight = 0
    ways = [_Ways(network, _BITS[options.mode]), _Ways(network, FOOT)]
    for i in range(k + 1):
        for j in range(k + 1):
            if i == j:
                continue
            found = _shortest(ways, sides[i], sides[j])
            if found is None:
                found = _straight(network, sides[i].nodes[0][0], sides[j].nodes[0][0])
                straight += int(i < j)
            between[i, j], paths[i, j] = found
    return Roads(between_m=between, paths=paths, straight=straight)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Side:
    """One end of a way: nodes with the metres from there to the place itself."""

    nodes: tuple[tuple[NDArray[np.int64], float], ...]
    xy: tuple[float, float] | None
    """The place itself, where it is no node."""


def _side(place: Place) -> _Side:
    ends = place.ends or ((place.node, 0.0),)
    return _Side(nodes=tuple((np.array([n], np.int64), m) for n, m in ends), xy=place.xy)


def _shortest(ways: Sequence[_Ways], a: _Side, b: _Side) -> tuple[float, NDArray[np.float64]] | None:
    """Metres and points from one place to another by the first kind of ways that leads there; None where none does."""
    if a.xy is not None and b.xy is not None and [int(n[0]) for n, _m in a.nodes] == [int(n[0]) for n, _m in b.nodes]:
        return abs(a.nodes[0][1] - b.nodes[0][1]), np.array([a.xy, b.xy])  # on one and the same way
    for kind in ways:
        found = [
            (way[0] + one + two, way[1])
            for source, one in a.nodes for target, two in b.nodes
            if (way := kind.between(source, target)) is not None
        ]  # fmt: skip
        if found:
            metres, points = min(found, key=lambda f: f[0])
            ends = [[xy] for xy in (a.xy, b.xy) if xy is not None]
            before = ends[:1] if a.xy is not None else []
            after = ends[-1:] if b.xy is not None else []
            return metres, np.vstack([*before, points, *after])
    return None


def crew_origins(
    plan: Plan, places: Sequence[Place], options: RoundOptions, log: Sequence[Entry], names: str
) -> dict[str, Origin]:
    """Where each crew is at `options.now_s`: at the site it did last on that day, as the log says, else at the yard."""
    if options.now_s is None:
        return {}
    network = open_on(plan.network, _span(options))
    ways = [_Ways(network, _BITS[options.mode]), _Ways(network, FOOT)]
    tree = cKDTree(network.node_xy)
    site = {s.site_id: np.array([s.x_m, s.y_m]) for s in plan.sites}
    found = {}
    for name in names:
        last = max(
            (e for e in log if _is_of(e, name, options) and e.name in site), key=lambda e: e.time_s or 0.0, default=None
        )
        xy = None if last is None else site[last.name]
        source = _yard(network) if xy is None else np.array([int(tree.query(xy)[1])], np.int64)
        lead = 0.0 if xy is None else float(np.hypot(*(network.node_xy[source[0]] - xy)))
        here = _Side(nodes=((source, lead),), xy=None if xy is None else (float(xy[0]), float(xy[1])))
        each = []
        for there in (_Side(nodes=((_yard(network), 0.0),), xy=None), *(_side(p) for p in places)):
            each.append(_shortest(ways, here, there) or _straight(network, source, there.nodes[0][0]))
        found[name] = Origin(
            to_place_m=tuple(m for m, _p in each[1:]), to_yard_m=each[0][0], paths=tuple(p for _m, p in each)
        )
    return found


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


def _block_places(
    plan: Plan,
    network: TravelNetwork,
    k: int,
    block: Block,
    visits: Sequence[Visit],
    members: Sequence[int],
    options: RoundOptions,
    speeds: Speeds,
) -> tuple[list[Place], list[int]]:
    """The block's visits on wheels, and what is left of them on foot."""
    left = list(members)
    found: list[Place] = []
    for bits in dict.fromkeys((_BITS[options.mode], FOOT)):
        walks = bits == FOOT and options.mode != "foot"
        stretch = (speeds.alley / speeds.foot, speeds.road / speeds.foot) if walks else (1.0, 1.0)
        done: set[int] = set()
        while left:
            ground = _ground(plan, network, block, [visits[i] for i in left], bits, done)
            if ground is None or not (ground.alley >= 0).any():
                break
            done |= set(np.concatenate(ground.path).tolist())
            if not len(ground.stop):
                continue
            found.append(Place(
                block=k, ground=ground, graph=_stretched(ground.graph, stretch), visits=tuple(left[s] for s in ground.stop),
                on_foot=walks or options.mode == "foot", stretch=stretch, node=int(ground.node[ground.graph.start]),
            ))  # fmt: skip
            left = [left[s] for s in ground.unreached]
    return found, left


def _ground(
    plan: Plan, network: TravelNetwork, block: Block, visits: Sequence[Visit], bits: int, done: set[int]
) -> Ground | None:
    """The greatest part of the block's ways that is joined to none of the nodes `done` before; None where there is no more."""
    spacing = block.rows.row_spacing_m if block.rows is not None else plan.params.rows.row_spacing_m
    try:
        return lay_ground(
            plan.orchard, network, block, [v.row for v in visits], [v.xy for v in visits], mode=bits,
            row_spacing_m=spacing, besides=done,
        )  # fmt: skip
    except ValueError:  # no way of this kind in the block: the caller tries the next kind, then says so
        return None


def _stretched(graph: StopGraph, stretch: tuple[float, float]) -> StopGraph:
    factor = np.where(graph.is_aisle, *stretch)
    return dataclasses.replace(
        graph, length_m=graph.length_m * factor, place_m=graph.place_m * factor[graph.place_edge]
    )


def _puddle(plan: Plan, index: int, visit: Visit) -> Place:
    """A puddle is a place of its own: one way of no length with one stop on it, beside a way of the network."""
    network = plan.network
    source = network.source
    once = np.flatnonzero(source < network.target)
    lines = shapely.linestrings(np.stack([network.node_xy[source[once]], network.node_xy[network.target[once]]], axis=1))
    nearest = int(once[int(np.argmin(shapely.distance(lines, Point(visit.xy))))]) if len(once) else -1
    whole: dict[str, Any] = {"dtype": np.int64}
    graph = StopGraph(
        vertex_xy=np.array([visit.xy, visit.xy]), tail=np.array([0], **whole), head=np.array([1], **whole),
        length_m=np.zeros(1), is_aisle=np.zeros(1, bool), column=np.zeros(2, np.int64), place_stop=np.zeros(1, np.int64),
        place_edge=np.zeros(1, np.int64), place_m=np.zeros(1), place_side=np.ones(1, np.int64), start=0, end=0,
    )  # fmt: skip
    ends: tuple[tuple[int, float], ...] = ()
    at = visit.xy
    if nearest >= 0:
        one, two = int(source[nearest]), int(network.target[nearest])
        line = LineString(network.node_xy[[one, two]])
        along = float(line.project(Point(visit.xy)))
        stand = line.interpolate(along)
        at = (float(stand.x), float(stand.y))
        ends = ((one, along), (two, float(line.length) - along))
    node = min(ends, key=lambda e: e[1])[0] if ends else int(cKDTree(network.node_xy).query(visit.xy)[1])
    return Place(
        block=-1, ground=None, graph=graph, visits=(index,), on_foot=False, stretch=(1.0, 1.0), node=node, ends=ends, xy=at
    )


def _days(options: RoundOptions) -> list[date]:
    return [d for n in range(options.num_days) if (d := options.day_of(n)) is not None]


def _span(options: RoundOptions, first: int = 0) -> tuple[date, date] | None:
    """The round's days from day `first` on; None without a date."""
    days = _days(options)[first:]
    return (days[0], days[-1]) if days else None


def _active(closures: Sequence[Closure], options: RoundOptions) -> list[Closure]:
    """Closures of ground that hold on a day of the round."""
    days = _days(options)
    return [c for c in closures if any(_holds(c.first, c.last, day) for day in days)]


def _holds(first: date | None, last: date | None, day: date) -> bool:
    return (first is None or first <= day) and (last is None or day <= last)


def _end_s(closure: Closure, options: RoundOptions) -> float:
    """When a closure ends, seconds from midnight of the first day."""
    if closure.last is None or options.first_day is None:
        return np.inf
    return ((closure.last - options.first_day).days + 1) * DAY_S


def _opens_s(closures: Sequence[Closure], visit: Visit, options: RoundOptions) -> float:
    point = Point(visit.xy)
    return max((_end_s(c, options) for c in closures if c.geometry.intersects(point)), default=0.0)
