"""Where ways that nearly meet are joined: road ends to roads, and roads to the drive rows and headlands of a block."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from mudcap.orchard.edges import ALLEY, HEADLAND, LINK, ROAD, SAME_M, Link, Way
from mudcap.orchard.model import Block, Orchard


def joints(orchard: Orchard, ways: list[Way], snap_m: float) -> list[Link]:
    """Straight links between ways within `snap_m` of each other; what they land on is cut there.

    Between a road and a block only what lies outside the block counts towards `snap_m`, since roads are drawn by their middle,
    blocks by their edge, and a drive row begins half a headland inside it.
    """
    links = [*_road_ends(ways, snap_m), *_block_ends(orchard, ways, snap_m)]
    return links + _dead_ends(orchard, ways, links, snap_m)


def _road_ends(ways: list[Way], snap_m: float) -> list[Link]:
    """Links from road ends to other roads that they nearly meet."""
    roads = [way for way in ways if way.kind == ROAD]
    if not roads:
        return []
    lines = np.array([road.line for road in roads], dtype=object)
    ends = [shapely.Point(road.line.coords[end]) for road in roads for end in (0, -1)]
    near: dict[int, list[int]] = {}
    which, other = shapely.STRtree(lines).query(np.array(ends, dtype=object), predicate="dwithin", distance=snap_m)
    for i, j in zip(which.tolist(), other.tolist(), strict=True):
        if i // 2 != j:
            near.setdefault(i, []).append(j)
    links = []
    for i, point in enumerate(ends):
        links += land(point, [roads[j] for j in sorted(near.get(i, []))], snap_m)
        if i % 2 and roads[i // 2].line.length > 4 * snap_m:
            a, b = ends[i - 1], point
            if SAME_M < a.distance(b) <= snap_m:
                links.append(Link(start=(a.x, a.y), end=(b.x, b.y)))
    return links


def land(point: Any, ways: list[Way], reach_m: float) -> list[Link]:
    """The link from a point to the nearest of `ways` within reach, which is cut there."""
    if not ways:
        return []
    lines = np.array([way.line for way in ways], dtype=object)
    distance = shapely.distance(lines, point)
    k = int(np.argmin(distance))
    if distance[k] > reach_m:
        return []
    where = float(shapely.line_locate_point(lines[k], point))
    ways[k].cuts.append(where)
    landing = shapely.line_interpolate_point(lines[k], where)
    return [Link(start=(point.x, point.y), end=(landing.x, landing.y))]


def _block_ends(orchard: Orchard, ways: list[Way], snap_m: float) -> list[Link]:
    """Links from alley ends and headland ends to the nearest road, and to the nearest headland of another block or part; of two blocks
    without any, whose rows go on from one into the other, to the alley there."""
    ends, owner = [], []
    for way in ways:
        if way.kind in (HEADLAND, ALLEY):
            ends += [way.line.coords[0][:2], way.line.coords[-1][:2]]
            owner += [way.owner] * 2
    if not ends:
        return []
    points = shapely.points(np.array(ends))
    roads = [way for way in ways if way.kind == ROAD]
    links, landed = [], np.zeros(len(points), bool)
    for i, link, way, where in _nearest(points, roads, 2 * snap_m):
        landed[i] = link.line.length <= snap_m
        if landed[i] or _leads_in(link, [(orchard.blocks[owner[i][0]], link.start)], snap_m):
            way.cuts.append(where)
            links.append(link)
    turning = [way for way in ways if way.kind in (HEADLAND, LINK)]
    bare = [way for way in ways if way.kind == ALLEY and not orchard.blocks[way.owner[0]].headlands]
    for here in sorted({way.owner for way in (*turning, *bare)}):
        mine = np.array([place == here for place in owner]) & ~landed
        others = [way for way in turning if way.owner != here]
        if not orchard.blocks[here[0]].headlands:
            others += [way for way in bare if way.owner[0] != here[0]]
        for _i, link, way, where in _nearest(points[mine], others, 2 * snap_m):
            is_near = way.kind == HEADLAND and link.line.length <= snap_m
            both = [(orchard.blocks[here[0]], link.start), (orchard.blocks[way.owner[0]], link.end)]
            if is_near or _leads_in(link, both, snap_m):
                way.cuts.append(where)
                links.append(link)
    return links


def _dead_ends(orchard: Orchard, ways: list[Way], links: list[Link], snap_m: float) -> list[Link]:
    """Links from road ends that nothing joins, as where a road comes upon a block's side, to the nearest alley or headland."""
    joined = shapely.STRtree(shapely.points(np.array([end for link in links for end in (link.start, link.end)]).reshape(-1, 2)))
    ends = [
        (road, metres, shapely.Point(road.line.coords[k][:2]))
        for road in ways
        if road.kind == ROAD
        for metres, k in ((0.0, 0), (road.line.length, -1))
    ]
    ends = [end for end in ends if not len(joined.query(end[2], predicate="dwithin", distance=SAME_M))]
    points = np.array([point for _road, _metres, point in ends], dtype=object)
    found = []
    for i, link, way, where in _nearest(points, [way for way in ways if way.kind != ROAD], 2 * snap_m):
        road, metres, _point = ends[i]
        is_first = not any(abs(cut - metres) <= link.line.length + SAME_M for cut in road.cuts)  # else the road itself gets there
        if is_first and _leads_in(link, [(orchard.blocks[way.owner[0]], link.end)], snap_m):
            way.cuts.append(where)
            found.append(link)
    return found


def _leads_in(link: Link, inner: Sequence[tuple[Block, tuple[float, float]]], snap_m: float) -> bool:
    """Whether a link is short enough outside blocks and leads, through none of their tree rows, to ways along their edges.

    `inner` are those of its ends that lie in a block, with the block.
    """
    outside = link.line
    for ground, end in inner:
        if shapely.Point(end).distance(ground.polygon.boundary) > snap_m:
            return False
        if ground.rows is not None and shapely.intersects(ground.rows.row_line, link.line).any():
            return False
        outside = shapely.difference(outside, ground.polygon)
    return bool(outside.length <= snap_m)


def _nearest(points: NDArray[Any], ways: list[Way], reach_m: float) -> list[tuple[int, Link, Way, float]]:
    """Which points have one of `ways` within reach, the link to the nearest, that way, and how far along it [m]."""
    if not ways or not len(points):
        return []
    lines = np.array([way.line for way in ways], dtype=object)
    i, j = shapely.STRtree(lines).query_nearest(points, max_distance=reach_m, all_matches=False)
    where = shapely.line_locate_point(lines[j], points[i])
    landing = shapely.get_coordinates(shapely.line_interpolate_point(lines[j], where))
    start = shapely.get_coordinates(points[i])
    return [
        (n, Link(start=(a[0], a[1]), end=(b[0], b[1])), ways[k], at)
        for n, a, b, k, at in zip(i.tolist(), start.tolist(), landing.tolist(), j.tolist(), where.tolist(), strict=True)
    ]
