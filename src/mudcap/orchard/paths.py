"""Shortest ways on the travel network: metres and seconds, the way itself, tables between stops, and stops beside a way."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra
from shapely import LineString

from mudcap.orchard.network import CART, FOOT, ROAD, TRUCK, Days, TravelNetwork, open_on
from mudcap.orchard.params import TravelParams

By = Literal["metres", "seconds"]
"""What is to be least."""
_SAME_M: Final = 2e-3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShortestPaths:
    """The best way from the nearest source to every node (or, backward, from every node to its nearest source)."""

    metres: NDArray[np.float64]
    """(v,) inf where no way leads."""
    seconds: NDArray[np.float64]
    predecessor: NDArray[np.int64]
    """(v,) the node before (backward: after) each on its way; -1 at sources and where no way leads."""
    is_backward: bool = False

    def nodes_to(self, node: int) -> NDArray[np.int64]:
        """Nodes from the source to `node` (backward: from `node` to the source); empty where no way leads."""
        if not np.isfinite(self.metres[node]):
            return np.empty(0, np.int64)
        way = [node]
        while self.predecessor[way[-1]] >= 0:
            way.append(int(self.predecessor[way[-1]]))
        return np.array(way if self.is_backward else way[::-1], np.int64)


def shortest_paths(
    network: TravelNetwork,
    sources: ArrayLike,
    *,
    mode: int,
    by: By = "metres",
    params: TravelParams | None = None,
    days: Days = None,
    backward: bool = False,
) -> ShortestPaths:
    """The best ways of one vehicle (`mode` TRUCK, CART or FOOT) from any of the nodes `sources` to all nodes.

    One-way ways, gates and ditches count; dated closings only with `days`. Speeds are those of `params`.
    """
    num = len(network.node_xy)
    start = np.unique(np.asarray(sources, np.int64).reshape(-1))
    seconds = edge_seconds(open_on(network, days), params or TravelParams(), mode)
    cost = np.where(np.isfinite(seconds), network.length_m, np.inf) if by == "metres" else seconds
    best, edge = _graph(network, cost)
    if not len(start) or not num:
        nothing = np.full(num, np.inf)
        return ShortestPaths(metres=nothing, seconds=nothing, predecessor=np.full(num, -1), is_backward=backward)
    found, before, _source = dijkstra(
        best.T.tocsr() if backward else best, indices=start, min_only=True, return_predecessors=True
    )
    before = np.where(before >= 0, before, -1).astype(np.int64)
    node = np.flatnonzero(before >= 0)
    tail, head = (node, before[node]) if backward else (before[node], node)
    key = network.source[edge] * num + network.target[edge]
    step = np.zeros((num, 2))
    step[node] = np.column_stack([network.length_m, seconds])[edge[np.searchsorted(key, tail * num + head)]]
    metres, duration = _along(step, before).T
    reached = np.isfinite(found)
    return ShortestPaths(
        metres=np.where(reached, metres, np.inf), seconds=np.where(reached, duration, np.inf), predecessor=before,
        is_backward=backward,
    )  # fmt: skip


def travel_table(
    network: TravelNetwork,
    nodes: ArrayLike,
    *,
    mode: int,
    by: By = "metres",
    params: TravelParams | None = None,
    days: Days = None,
) -> NDArray[np.float64]:
    """(k, k) metres or seconds from each of `nodes` to each other with one vehicle; inf where no way leads."""
    stops = np.asarray(nodes, np.int64).reshape(-1)
    if not len(stops):
        return np.empty((0, 0))
    seconds = edge_seconds(open_on(network, days), params or TravelParams(), mode)
    cost = np.where(np.isfinite(seconds), network.length_m, np.inf) if by == "metres" else seconds
    once, where = np.unique(stops, return_inverse=True)
    table = dijkstra(_graph(network, cost)[0], indices=once)[:, once]
    return np.asarray(table[np.ix_(where, where)], float)


def edge_seconds(network: TravelNetwork, params: TravelParams, mode: int) -> NDArray[np.float64]:
    """(e,) seconds that one vehicle takes for each edge; inf where it may not go. Only roads are driven at road speed."""
    speeds = {
        TRUCK: (params.truck_road_m_s, params.truck_alley_m_s),
        CART: (params.cart_road_m_s, params.cart_alley_m_s),
        FOOT: (params.foot_m_s, params.foot_m_s),
    }
    if mode not in speeds:
        raise ValueError(f"mode: {mode} is none of TRUCK, CART, FOOT; a way is gone with one vehicle.")
    road, alley = speeds[mode]
    seconds = network.length_m / np.where(network.kind == ROAD, road, alley)
    return np.where((network.mode & mode) != 0, seconds, np.inf)


def path_line(network: TravelNetwork, nodes: ArrayLike) -> LineString:
    """The line along nodes; empty for fewer than two."""
    way = np.asarray(nodes, np.int64).reshape(-1)
    return LineString(network.node_xy[way]) if len(way) > 1 else LineString()


def with_stops(
    network: TravelNetwork, xy: ArrayLike, *, mode: int, reach_m: float = np.inf
) -> tuple[TravelNetwork, NDArray[np.int64], NDArray[np.float64]]:
    """The network with a node where each point (k, 2) is nearest to a way open to a vehicle in `mode`; those nodes; how far off.

    Old nodes keep their numbers. A point farther off than `reach_m` gets node -1 and the distance inf.
    """
    points = shapely.points(np.asarray(xy, float).reshape(-1, 2))
    node, off = np.full(len(points), -1, np.int64), np.full(len(points), np.inf)
    source, num = network.source, len(network.node_xy)
    open_to = np.flatnonzero((network.mode & mode) != 0)
    if not len(open_to) or not len(points):
        return network, node, off
    pair = np.minimum(source, network.target) * num + np.maximum(source, network.target)
    pairs = np.unique(pair[open_to])
    low, high = pairs // num, pairs % num
    lines = shapely.linestrings(np.stack([network.node_xy[low], network.node_xy[high]], axis=1))
    limit = {} if np.isinf(reach_m) else {"max_distance": reach_m}
    (i, j), distance = shapely.STRtree(lines).query_nearest(
        points, return_distance=True, all_matches=False, **limit
    )
    off[i] = distance
    at = np.asarray(shapely.line_locate_point(lines[j], points[i]))
    total = shapely.length(lines[j])
    node[i] = np.where(at < _SAME_M, low[j], np.where(at > total - _SAME_M, high[j], -1))
    inner = np.flatnonzero(node[i] < 0)
    keys, which = np.unique(np.column_stack([j[inner], np.round(at[inner], 3)]), axis=0, return_inverse=True)
    node[i[inner]] = num + which.reshape(-1)
    way = keys[:, 0].astype(np.int64)
    new_xy = shapely.get_coordinates(shapely.line_interpolate_point(lines[way], keys[:, 1]))
    return _split(network, pair, pairs[way], keys[:, 1] / shapely.length(lines[way]), new_xy), node, off


def _split(
    network: TravelNetwork, pair: NDArray[np.int64], cut: NDArray[np.int64], share: NDArray[np.float64], xy: NDArray[np.float64]
) -> TravelNetwork:
    """The network with new nodes at a share of the edges whose ends are `cut`, from the lower-numbered end; both come sorted."""
    num, source = len(network.node_xy), network.source
    first, last = np.searchsorted(cut, pair), np.searchsorted(cut, pair, side="right")
    whole = np.flatnonzero(first == last)
    edge, tail, head, length = [whole], [source[whole]], [network.target[whole]], [network.length_m[whole]]
    for e in np.flatnonzero(first < last).tolist():
        inside = np.arange(first[e], last[e])
        stops = np.concatenate([[0.0], share[inside], [1.0]]) * network.length_m[e]
        nodes = np.concatenate([[pair[e] // num], num + inside, [pair[e] % num]])
        if source[e] > network.target[e]:
            nodes = nodes[::-1]
            stops = stops[-1] - stops[::-1]
        edge.append(np.full(len(nodes) - 1, e))
        tail.append(nodes[:-1])
        head.append(nodes[1:])
        length.append(np.diff(stops))
    of, start, end = (np.concatenate(part).astype(np.int64) for part in (edge, tail, head))
    metres = np.concatenate(length).astype(np.float64)
    order = np.lexsort((end, start))
    of = of[order]
    counts = np.bincount(start, minlength=num + len(xy))
    return replace(
        network, node_xy=np.vstack([network.node_xy, xy]), indptr=np.concatenate([[0], np.cumsum(counts)]),
        target=end[order], length_m=metres[order], mode=network.mode[of], kind=network.kind[of],
        alley=_taken(network.alley, of), gate=_taken(network.gate, of), shut=_taken(network.shut, of),
    )  # fmt: skip


def _taken(of_edges: NDArray[np.int64], edges: NDArray[np.int64]) -> NDArray[np.int64]:
    """What is known of some edges; nothing where it is known of none."""
    return of_edges[edges] if len(of_edges) else of_edges


def _graph(network: TravelNetwork, cost: NDArray[np.float64]) -> tuple[Any, NDArray[np.int64]]:
    """A SciPy matrix of the finite costs, of parallel edges the cheapest, and its edges in order of source and target."""
    edge = np.flatnonzero(np.isfinite(cost))
    source = network.source
    edge = edge[np.lexsort((cost[edge], network.target[edge], source[edge]))]
    first = np.ones(len(edge), bool)
    first[1:] = (np.diff(source[edge]) != 0) | (np.diff(network.target[edge]) != 0)
    edge = edge[first]
    num = len(network.node_xy)
    return csr_matrix((cost[edge], (source[edge], network.target[edge])), shape=(num, num)), edge


def _along(step: NDArray[np.float64], before: NDArray[np.int64]) -> NDArray[np.float64]:
    """Sums of `step` from each node back to its source, doubling the stride each time."""
    total, jump = step.copy(), before.copy()
    while (jump >= 0).any():
        on = np.flatnonzero(jump >= 0)
        ahead = jump[on]
        total[on] += total[ahead]
        jump[on] = jump[ahead]
    return total
