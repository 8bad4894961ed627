"""How far a crew walks from where its vehicle may stop to a tree."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree

from mudcap.orchard.alleys import frame_of_rows
from mudcap.orchard.barriers import Walls, closed_ground
from mudcap.orchard.model import Block, Orchard, Role
from mudcap.orchard.network import ALLEY, TravelNetwork, usable
from mudcap.orchard.params import TravelParams

_BESIDE: Final = 0.8
"""A vehicle in an alley within this share of the row spacing stands beside the tree: its own alley, not the next."""
_PIECE_M: Final = 20.0
_NEXT: Final = 1.5
"""Neighbours in a row farther apart than this many spacings are joined only over the block's own ground."""


def walk_to_stop_m(
    orchard: Orchard,
    network: TravelNetwork,
    params: TravelParams,
    *,
    xy: NDArray[np.float64],
    block: NDArray[np.int64],
    row: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Walk [m] to each of the stations `xy` (n, 2) from the nearest place a vehicle can reach; inf where none does.

    A vehicle stops where a truck or cart can drive from where it comes and back again, all the way with one vehicle (on a
    day: give the network `open_on` it). From an alley the crew steps to the tree; else it walks along the row to a headland
    or road, or, unless the block says trellis or hedge, between the trees of a row into the next. Ditches, holes of the
    block and keep-outs that nobody crosses are gone round, and ground that is closed for good is not entered. Ground closed on
    some days is walked: which day one may go is the calendar's matter. Stations inside such a keep-out, which its own rule
    bars, are walked to from the nearest one outside.
    """
    walk = np.full(len(xy), np.inf)
    edges = _once(network, usable(network))
    alleys, others = (_pieces(network, edges[is_alley]) for is_alley in _split(network.kind[edges] == ALLEY))
    no_go = [area for area, span in closed_ground(orchard) if span == (None, None)]
    walls = Walls(orchard)
    barriers = shapely.union_all([*(f.geometry for f in orchard.features if f.role == Role.DITCHES), *no_go, *walls.shapes])
    shapely.prepare(barriers)
    for k, ground in enumerate(orchard.blocks):
        mine = np.flatnonzero(block == k)
        if not len(mine) or ground.rows is None:
            continue
        frame = frame_of_rows(ground, ground.rows, orchard)
        order = np.lexsort((frame.to_frame(xy[mine])[:, 1], row[mine]))
        mine = mine[order]
        stops = others
        if not network.roads_known and not ground.headlands:
            stops = shapely.STRtree(np.concatenate([others.geometries, _row_ends(ground)]))
        reach_m = params.snap_m + ground.rows.tree_spacing_m + (ground.headland_m or 0.0)
        around = shapely.box(*shapely.buffer(ground.polygon, reach_m).bounds)
        here = barriers if shapely.intersects(barriers, around) else shapely.Polygon()
        direct = np.minimum(
            _nearest_m(xy[mine], alleys, _BESIDE * ground.rows.row_spacing_m, here),
            _nearest_m(xy[mine], stops, reach_m, here, ground if ground.trellis else None, row[mine]),
        )
        i, j = _steps(xy[mine], row[mine], ground, here, frame.to_frame(xy[mine])[:, 1])
        walk[mine] = _spread(direct, xy[mine], i, j)
        _step_inside(walk, mine, xy, walls)
    return walk


def _step_inside(walk: NDArray[np.float64], mine: NDArray[np.int64], xy: NDArray[np.float64], walls: Walls) -> None:
    """Give the stations among `mine` that stand inside a wall the walk to their nearest one outside, and the step from there."""
    inside = walls.cross(shapely.points(xy[mine]))
    outside = mine[~inside & np.isfinite(walk[mine])]
    if inside.any() and len(outside):
        step, k = cKDTree(xy[outside]).query(xy[mine[inside]])
        walk[mine[inside]] = walk[outside[k]] + step


def _row_ends(ground: Block) -> NDArray[Any]:
    """Ends of the alleys of a block without headlands or known roads: somewhere outside them a vehicle turns."""
    ends = [alley.line.coords[k] for alley in ground.alleys for k in (0, -1)]
    return np.asarray(shapely.points(np.array(ends, float).reshape(-1, 2)))


def _once(network: TravelNetwork, use: NDArray[np.bool_]) -> NDArray[np.int64]:
    """The edges in use, of two in opposite directions the first."""
    edges = np.flatnonzero(use)
    ends = np.sort(np.column_stack([network.source[edges], network.target[edges]]), axis=1)
    return edges[np.sort(np.unique(ends, axis=0, return_index=True)[1])]


def _split(yes: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    return yes, ~yes


def _pieces(network: TravelNetwork, edges: NDArray[np.int64]) -> Any:
    """Straight ways, in pieces short enough for their boxes to tell them apart, as a tree of boxes."""
    if not len(edges):
        return shapely.STRtree(np.empty(0, object))
    ends = np.stack([network.node_xy[network.source[edges]], network.node_xy[network.target[edges]]], axis=1)
    lines = shapely.segmentize(shapely.linestrings(ends), _PIECE_M)
    xy, index = shapely.get_coordinates(lines, return_index=True)
    same = index[1:] == index[:-1]
    return shapely.STRtree(shapely.linestrings(np.stack([xy[:-1], xy[1:]], axis=1)[same]))


def _nearest_m(
    xy: NDArray[np.float64],
    ways: Any,
    reach_m: float,
    barriers: Any,
    trellis: Block | None = None,
    row: NDArray[np.int64] | None = None,
) -> NDArray[np.float64]:
    """Straight steps [m] to the nearest way within reach, over no barrier and through no other row of a trellis; else inf."""
    out = np.full(len(xy), np.inf)
    if not len(ways):
        return out
    points = shapely.points(xy)
    (i, j), distance = ways.query_nearest(points, max_distance=reach_m, return_distance=True, all_matches=False)
    out[i] = distance
    if barriers.is_empty and trellis is None:
        return out
    stopped = _stopped(points[i], ways.geometries[j], barriers, trellis, None if row is None else row[i])
    again = i[stopped]
    out[again] = np.inf
    i, j = ways.query(points[again], predicate="dwithin", distance=reach_m)
    i = again[i]
    free = ~_stopped(points[i], ways.geometries[j], barriers, trellis, None if row is None else row[i])
    np.minimum.at(out, i[free], shapely.distance(points[i[free]], ways.geometries[j[free]]))
    return out


def _stopped(
    points: NDArray[Any], ways: NDArray[Any], barriers: Any, trellis: Block | None, row: NDArray[np.int64] | None
) -> NDArray[np.bool_]:
    """Whether something stands between each point and the nearest point of its way."""
    steps = shapely.shortest_line(points, ways)
    stopped = np.asarray(shapely.intersects(barriers, steps))
    if trellis is not None and trellis.rows is not None and row is not None:
        a, b = shapely.STRtree(trellis.rows.row_line).query(steps, predicate="intersects")
        stopped[a[trellis.rows.row_number[b] != row[a]]] = True
    return stopped


def _steps(
    xy: NDArray[np.float64], row: NDArray[np.int64], ground: Block, barriers: Any, y: NDArray[np.float64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Pairs of stations between which a crew can walk straight; stations come sorted by row, then along it."""
    rows = ground.rows
    assert rows is not None
    i = np.flatnonzero(row[1:] == row[:-1])
    pairs = [np.column_stack([i, i + 1])]
    if not ground.trellis:
        numbers, first = np.unique(row, return_index=True)
        last = np.append(first[1:], len(row))
        for k in range(len(numbers) - 1):
            near, far = np.arange(first[k], last[k]), np.arange(first[k + 1], last[k + 1])
            right = np.clip(np.searchsorted(y[far], y[near]), 1, max(len(far) - 1, 1))
            left = np.minimum(right - 1, len(far) - 1)
            right = np.minimum(right, len(far) - 1)
            closer = np.where(np.abs(y[far[left]] - y[near]) <= np.abs(y[far[right]] - y[near]), left, right)
            pairs.append(np.column_stack([near, far[closer]]))
    both = np.vstack(pairs)
    gap = np.hypot(*(xy[both[:, 0]] - xy[both[:, 1]]).T)
    wide = gap > _NEXT * max(rows.row_spacing_m, rows.tree_spacing_m)
    keep = np.ones(len(both), bool)
    if not barriers.is_empty or wide.any():
        lines = shapely.linestrings(np.stack([xy[both[:, 0]], xy[both[:, 1]]], axis=1))
        shapely.prepare(ground.polygon)
        keep[wide] = shapely.covers(ground.polygon, lines[wide])
        keep &= ~shapely.intersects(barriers, lines)
    return both[keep, 0], both[keep, 1]


def _spread(
    direct: NDArray[np.float64], xy: NDArray[np.float64], i: NDArray[np.int64], j: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Shortest walk to each station when some can be reached directly at a cost and one may go from one to the next."""
    num = len(direct)
    start = np.flatnonzero(np.isfinite(direct))
    source = np.concatenate([np.full(len(start), num), i, j])
    target = np.concatenate([start, j, i])
    step = np.hypot(*(xy[i] - xy[j]).T)
    cost = np.concatenate([direct[start], step, step])
    cost = np.maximum(cost, 1e-9)
    graph = coo_matrix((cost, (source, target)), shape=(num + 1, num + 1)).tocsr()
    return np.asarray(dijkstra(graph, indices=num)[:num], float)
