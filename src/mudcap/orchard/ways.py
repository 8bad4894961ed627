"""Ways on the ground and how they meet: roads, headlands and alleys, cut and linked for the travel network."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString

from mudcap.orchard.barriers import (
    ALL_MODES,
    BREAK_M,
    MODE_BITS,
    VEHICLES,
    Ditches,
    Narrow,
    Shut,
    Walls,
    bits,
    closed_ground,
    gate_bits,
)
from mudcap.orchard.edges import ALLEY, HEADLAND, LINK, ROAD, SAME_M, Edges, Link, Way, join_edges
from mudcap.orchard.joints import joints, land
from mudcap.orchard.model import Alley, Gate, Orchard
from mudcap.orchard.params import TravelParams
from mudcap.orchard.turns import turns

ALLEY_MODES: Final = {"truck": 7, "cart": 6, "foot": 4}
YARD_REACH_M: Final = 1000.0
"""A yard farther than this from every way is not joined."""
_AT_GATE_M: Final = 1.0
"""Of two roads a gate closes the one that ends this near to it, as where a road branches off behind it."""


def lay_ways(orchard: Orchard, params: TravelParams) -> Edges:
    """All edges of an orchard's ways, noded where they cross or meet, with links where they nearly do."""
    if params.alley_mode not in ALLEY_MODES:
        raise ValueError(f"alley_mode: {params.alley_mode!r} is none of {', '.join(ALLEY_MODES)}.")
    ways = _ways(orchard, params)
    _cut_crossings(ways)
    ditches = Ditches(orchard)
    closed = closed_ground(orchard)
    _cut_at(ways, [shapely.boundary(area) for area, _span in closed])
    links = _round_walls(joints(orchard, ways, params.snap_m), Walls(orchard))
    gates, gate_links = _gates(orchard, ways, params)
    yard, yard_links = _yard(orchard, ways)
    links = [link for link in (*links, *gate_links) if not ditches.cross(link.line)] + yard_links
    for way in ways:
        if way.kind != ROAD:
            way.breaks += ditches.breaks(way.line)
        elif way.bridge != ALL_MODES:
            for low, high in ditches.spans(way.line):
                way.narrow(Narrow(low, high, way.bridge))
    return join_edges(ways, links, gates=gates, yard=yard, closed=closed)


def _round_walls(links: list[Link], walls: Walls) -> list[Link]:
    """Links that do not lead into what nobody crosses; a yard or gate in it is joined all the same."""
    stopped = walls.enter(np.array([link.line for link in links], dtype=object))
    return [link for link, stops in zip(links, stopped.tolist(), strict=True) if not stops]


def _ways(orchard: Orchard, params: TravelParams) -> list[Way]:
    ways = []
    for road in orchard.roads:
        forward = bits(road.modes)
        back = forward & MODE_BITS["foot"] if road.one_way else forward
        ways.append(
            Way(line=road.line, kind=ROAD, forward=forward, backward=back, shuts=_shuts(road.closed), bridge=bits(road.bridge))
        )
    serial, walls = 0, Walls(orchard)
    for k, block in enumerate(orchard.blocks):
        parts = shapely.get_parts(block.polygon)
        for headland in block.headlands:
            owner = (k, _part(headland, parts))
            ways.append(
                Way(line=headland, kind=HEADLAND, forward=ALL_MODES, backward=ALL_MODES, owner=owner)
            )
        for turn in turns(orchard, block, walls):
            owner = (k, _part(turn, parts))
            ways.append(Way(line=turn, kind=LINK, forward=ALL_MODES, backward=ALL_MODES, owner=owner))
        for alley in block.alleys:
            ways.append(_alley_way(alley, ALLEY_MODES[params.alley_mode], (k, _part(alley.line, parts)), serial))
            serial += 1
    return [way for way in ways if way.line.length > SAME_M]


def _alley_way(alley: Alley, usual: int, owner: tuple[int, int], serial: int) -> Way:
    both = usual if alley.modes is None else bits(alley.modes)
    foot = both & MODE_BITS["foot"]
    return Way(
        line=alley.line, kind=ALLEY, forward=foot if alley.one_way == "down" else both,
        backward=foot if alley.one_way == "up" else both, owner=owner, alley=serial, shuts=_shuts(alley.closed),
    )  # fmt: skip


def _shuts(closed: tuple[tuple[Any, Any], ...]) -> tuple[Shut, ...]:
    """Dates on which a way is not driven; people still walk there."""
    return tuple(Shut(VEHICLES, span) for span in closed)


def _part(line: LineString, parts: NDArray[Any]) -> int:
    """The part of a block in which a line lies."""
    return 0 if len(parts) == 1 else int(np.argmin(shapely.distance(parts, line.interpolate(0.5, normalized=True))))


def _cut_crossings(ways: list[Way]) -> None:
    """Cut roads, and what they cross, at the crossings."""
    roads = [way for way in ways if way.kind == ROAD]
    if not roads:
        return
    tree = shapely.STRtree([road.line for road in roads])
    i, j = tree.query(np.array([way.line for way in ways], dtype=object), predicate="intersects")
    for a, b in zip(i.tolist(), j.tolist(), strict=True):
        one, two = ways[a], roads[b]
        if one.kind == ROAD and a >= b:
            continue
        for x, y in _touch_points(one.line, two.line):
            one.cut(x, y)
            two.cut(x, y)


def _touch_points(a: LineString, b: LineString) -> list[tuple[float, float]]:
    """Points where two lines cross or begin and end to run together."""
    points: list[tuple[float, float]] = []
    for part in shapely.get_parts(shapely.intersection(a, b)):
        xy = shapely.get_coordinates(part)
        points += [(float(x), float(y)) for x, y in (xy if part.geom_type == "Point" else xy[[0, -1]])]
    return points


def _cut_at(ways: list[Way], borders: list[Any]) -> None:
    """Cut ways where they enter and leave closed ground."""
    if not ways or not borders:
        return
    lines = np.array([way.line for way in ways], dtype=object)
    which, k = shapely.STRtree(lines).query(np.array(borders, dtype=object), predicate="intersects")
    for border, i in zip(which.tolist(), k.tolist(), strict=True):
        for x, y in _touch_points(ways[i].line, borders[border]):
            ways[i].cut(x, y)


def _gates(
    orchard: Orchard, ways: list[Way], params: TravelParams
) -> tuple[list[tuple[tuple[float, float], bool]], list[Link]]:
    """Where gates stand on (or within reach of) a road or headland, whether a vehicle gets through, and the links to them.

    A gate bars the way on which it stands for those it does not let through, and nothing beside it: no fence is known.
    """
    passable = [way for way in ways if way.kind in (ROAD, HEADLAND)]
    if not passable:
        return [], []
    lines = np.array([way.line for way in passable], dtype=object)
    at, links = [], []
    for k, gate in enumerate(orchard.gates):
        point = gate.geometry.centroid
        way = passable[_gated(point, lines)]
        found = land(point, [way], params.snap_m)
        if not found:
            continue
        open_to = gate_bits(gate, params.keys)
        at.append(((point.x, point.y), bool(open_to & VEHICLES)))
        links += found
        if isinstance(gate, Gate):
            where = float(shapely.line_locate_point(way.line, point))
            way.narrow(Narrow(where - BREAK_M, where + BREAK_M, open_to, k))
    return at, links


def _gated(point: Any, lines: NDArray[Any]) -> int:
    """The way that a gate closes: the nearest; of several as near the one that ends at the gate."""
    distance = shapely.distance(lines, point)
    near = np.flatnonzero(distance <= distance.min() + _AT_GATE_M / 2)
    to_end = shapely.distance(shapely.boundary(lines[near]), point)
    ends = np.where(to_end <= distance.min() + _AT_GATE_M, to_end, np.inf)
    best = int(np.argmin(ends)) if np.isfinite(ends).any() else int(np.argmin(distance[near]))
    return int(near[best])


def _yard(orchard: Orchard, ways: list[Way]) -> tuple[tuple[float, float] | None, list[Link]]:
    """The yard and its link to the nearest road, or to a headland where there is no road."""
    roads = [way for way in ways if way.kind == ROAD] or [way for way in ways if way.kind == HEADLAND]
    if orchard.yard is None or not roads:
        return None, []
    links = land(orchard.yard, roads, YARD_REACH_M)
    return (orchard.yard.x, orchard.yard.y) if links else None, links
