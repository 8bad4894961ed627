"""The ground of a round: which visits are reached from where, on wheels or on foot, and the ways between."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely import LineString, Point

from mudcap.orchard.model import Block, Closure
from mudcap.orchard.network import CART, FOOT, TRUCK, TravelNetwork, open_on, shortest
from mudcap.plan.model import Plan
from mudcap.plan.round_model import DAY_S, RoundOptions, Visit
from mudcap.route.ground import Ground, lay_ground
from mudcap.route.stopgraph import StopGraph, corners

BITS: Final = {"cart": CART, "truck": TRUCK, "foot": FOOT}
_EDGE_M: Final = 1.0
"""Ways no farther inside a block than this count as beside it: our convention; headlands lie deeper."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Speeds:
    """How fast a crew moves [m/s]."""

    alley: float
    road: float
    foot: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """A point on a way of the network."""

    ends: tuple[int, int]
    """Nodes of the way."""
    along_m: tuple[float, float]
    """From each of them."""
    goes: tuple[bool, bool]
    """Whether the vehicle may drive from the first end to the second, and from the second to the first."""
    xy: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Place:
    """Visits that are gone to together: those of a block, or a puddle."""

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
    access: tuple[int, ...]
    """Vertices of the graph at which rounds may begin and end; the first is where vehicles come in."""
    nodes: tuple[int, ...]
    """The network node of each; for a puddle the nearer end of its way."""
    way: Stand | None = None
    """Of a puddle: where the truck stands; None = the node itself."""
    opens_s: float = 0.0
    through: frozenset[int] = frozenset()
    """Blocks closed for a part of the round that a crew enters on its way there: its own, or all where there is no way round them."""


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
    by_day: dict[int, TravelNetwork] = {}
    known, shut_now = openings(options), shut_blocks(plan, options)
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
            first = int(opens // DAY_S)
            if first not in by_day:
                by_day[first] = as_driven(open_on(plan.network, span(options, first)), BITS[options.mode])
            network = without(by_day[first], plan, shut_now - {k})
            found, missing = _block_places(plan, network, k, block, visits, members, options, speeds)
            places += [dataclasses.replace(p, opens_s=opens, through=shut_now & {k}) for p in found]
            unreached += missing
    places += [_puddle(plan, i, v, options) for i, v in enumerate(visits) if v.puddle >= 0]
    return places, sorted(unreached), sorted(shut)


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
    for bits in dict.fromkeys((BITS[options.mode], FOOT)):
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
            access = (ground.graph.start,) if walks else corners(ground.graph)  # who walks comes back to the vehicle
            found.append(Place(
                block=k, ground=ground, graph=_stretched(ground.graph, stretch), visits=tuple(left[s] for s in ground.stop),
                on_foot=walks or options.mode == "foot", stretch=stretch, access=access, nodes=tuple(int(ground.node[v]) for v in access),
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


def openings(options: RoundOptions) -> dict[str, float]:
    """When each block opens that the options close; the latest time where one is named twice."""
    known: dict[str, float] = {}
    for closed in options.closed:
        known[closed.block_id] = max(known.get(closed.block_id, 0.0), closed.opens_s)
    return known


def shut_blocks(plan: Plan, options: RoundOptions) -> frozenset[int]:
    """Blocks that are still closed when the round begins and open by a clock time."""
    begin = max(options.start_s, options.now_s or 0.0)
    late = {block_id for block_id, opens_s in openings(options).items() if opens_s > begin}
    return frozenset(k for k, block in enumerate(plan.orchard.blocks) if block.block_id in late)


def without(network: TravelNetwork, plan: Plan, blocks: frozenset[int]) -> TravelNetwork:
    """The network without its ways inside some blocks: open to nobody."""
    if not blocks:
        return network
    lines = shapely.linestrings(np.stack([network.node_xy[network.source], network.node_xy[network.target]], axis=1))
    inside = np.zeros(len(lines), bool)
    for k in sorted(blocks):
        inside |= shapely.intersects(plan.orchard.blocks[k].polygon.buffer(-_EDGE_M), lines)
    return dataclasses.replace(network, mode=np.where(inside, 0, network.mode).astype(network.mode.dtype))


def as_driven(network: TravelNetwork, bits: int) -> TravelNetwork:
    """The network with ways on foot alone where walkers come and the vehicle does not: it cannot be driven beyond what bars it. What
    neither comes to stays as it is: no way is drawn there, and a straight line is counted."""
    if bits == FOOT:
        return network
    drives, walks = (np.isfinite(shortest(network, network.entry, one)) for one in (bits, FOOT))
    barred = walks & ~drives
    beyond = barred[network.source] | barred[network.target]
    mode = np.where(beyond, network.mode & FOOT, network.mode)
    return dataclasses.replace(network, mode=mode.astype(network.mode.dtype))


def _puddle(plan: Plan, index: int, visit: Visit, options: RoundOptions) -> Place:
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
    way: Stand | None = None
    if nearest >= 0:
        ends = int(source[nearest]), int(network.target[nearest])
        line = LineString(network.node_xy[list(ends)])
        along = float(line.project(Point(visit.xy)))
        at = line.interpolate(along)
        drives = (network.mode & BITS[options.mode]) > 0
        onward, back = (bool(drives[(source == i) & (network.target == j)].any()) for i, j in (ends, ends[::-1]))
        goes = (onward, back) if onward or back else (True, True)
        way = Stand(ends=ends, along_m=(along, float(line.length) - along), goes=goes, xy=(float(at.x), float(at.y)))
    node = way.ends[int(np.argmin(way.along_m))] if way else int(cKDTree(network.node_xy).query(visit.xy)[1])
    inside = [k for k in sorted(shut_blocks(plan, options)) if plan.orchard.blocks[k].polygon.intersects(Point(visit.xy if way is None else way.xy))]
    known = openings(options)
    return Place(
        block=-1, ground=None, graph=graph, visits=(index,), on_foot=False, stretch=(1.0, 1.0), access=(0,), nodes=(node,), way=way,
        opens_s=max((known[plan.orchard.blocks[k].block_id] for k in inside), default=0.0), through=frozenset(inside),
    )  # fmt: skip


def _days(options: RoundOptions) -> list[date]:
    return [d for n in range(options.num_days) if (d := options.day_of(n)) is not None]


def span(options: RoundOptions, first: int = 0) -> tuple[date, date] | None:
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
