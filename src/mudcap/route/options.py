"""The ways to treat one way of the graph: leave it, drive it once or twice, or drive in from an end and back out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mudcap.route.steps import DOUBLE, NONE, SINGLE, TOUCH_BOTH, TOUCH_HEAD, TOUCH_TAIL
from mudcap.route.stopgraph import StopGraph


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundParams:
    """Speeds and turns; with the defaults a round costs its metres and nothing else."""

    aisle_m_s: float = 1.0
    road_m_s: float = 1.0
    """On headlands, cross-roads and roads."""
    headland_turn_s: float = 0.0
    """Each time a drive row is entered or left at an end where it does not go on."""
    u_turn_s: float = 0.0
    """Each time the vehicle turns round inside a drive row (or backs out of it)."""
    plain_states: int = 100_000
    """Up to so many states after a step the programme runs outright, which takes a fraction of a second."""
    max_states: int = 30_000
    """States kept after each step where it has to be guided by bounds; the result is proven or comes with its bound."""
    max_halves: int = 4
    """Runs with one half of the tree rows held to their sides, where all at once are too many."""
    max_depths: int = 150
    """Positions in one way where the vehicle may turn round; where there are more, those beside the widest gaps are kept and
    the result is not certified. Rows of a mile with a shelter at every third tree have fewer."""
    kicks: int = 20_000
    """Trials of the local search on ground that the programme cannot take (one-way ways, very wide networks)."""
    branches: bool = True
    """Whether a round on one-way ground that is not near its bound is worked on for as long as it takes, which may be minutes."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Group:
    """Stops that can be served from the same two ways, in order along the first."""

    stops: NDArray[np.int64]
    edges: tuple[int, int]
    at_m: tuple[NDArray[np.float64], NDArray[np.float64]]
    """Where they stand along each of the two ways."""
    alone: bool
    """True where no other stop stands along either way, and neither is one-way: then few ways to treat them suffice (see
    `turning_points`)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeOptions:
    """All that may be done with one way."""

    effect: NDArray[np.int8]
    cost: NDArray[np.float64]
    until_m: NDArray[np.float64]
    """(o,) driven in from the tail to here and back; -inf where not."""
    from_m: NDArray[np.float64]
    """(o,) driven in from the head to here and back; inf where not."""
    left: tuple[NDArray[np.int64], ...]
    """For each group of the way, (o, 2): first stop left over and one after the last; both 0 where none is."""


def find_groups(graph: StopGraph) -> tuple[list[Group], list[list[int]], list[NDArray[np.float64]]]:
    """Return the groups, the groups of each way, and the positions on each way that must be served from it."""
    num_edges = len(graph.tail)
    order = np.argsort(graph.place_stop, kind="stable")
    must: list[list[float]] = [[] for _ in range(num_edges)]
    shared: dict[tuple[int, int], list[tuple[float, float, int]]] = {}
    at = 0
    while at < len(order):
        p = int(order[at])
        q = int(order[at + 1]) if at + 1 < len(order) else -1
        if q < 0 or graph.place_stop[q] != graph.place_stop[p] or graph.place_edge[q] == graph.place_edge[p]:
            must[graph.place_edge[p]].append(float(graph.place_m[p]))
            at += 1 if q < 0 or graph.place_stop[q] != graph.place_stop[p] else 2
            continue
        if graph.place_edge[q] < graph.place_edge[p]:
            p, q = q, p
        key = (int(graph.place_edge[p]), int(graph.place_edge[q]))
        shared.setdefault(key, []).append(
            (float(graph.place_m[p]), float(graph.place_m[q]), int(graph.place_stop[p]))
        )
        at += 2
    runs = [(edges, run) for edges, found in shared.items() for run in _monotone(sorted(found))]
    number = np.zeros(num_edges, np.int64)
    for edges, _ in runs:
        number[list(edges)] += 1
    groups: list[Group] = []
    of_edge: list[list[int]] = [[] for _ in range(num_edges)]
    for edges, run in runs:
        a, b = np.array([r[0] for r in run]), np.array([r[1] for r in run])
        alone = all(number[e] == 1 and not must[e] and not graph.directions[e] for e in edges)
        alone = alone and float(np.ptp(a - b)) < 1e-9
        for e in edges:
            of_edge[e].append(len(groups))
        groups.append(Group(stops=np.array([r[2] for r in run]), edges=edges, at_m=(a, b), alone=alone))
    return groups, of_edge, [np.unique(np.array(m, float)) for m in must]


def _monotone(run: list[tuple[float, float, int]]) -> list[list[tuple[float, float, int]]]:
    """The stops in one piece where both ways pass them in order (or in reverse order), else one by one."""
    steps = np.diff([r[1] for r in run])
    return [run] if (steps >= 0).all() or (steps <= 0).all() else [[r] for r in run]


def turning_points(
    groups: list[Group], must_m: NDArray[np.float64], edge: int, max_depths: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], bool]:
    """Positions to which one may drive in from the tail, those from the head, and whether any were left out.

    Where two ways share one group and nothing else stands along them, the stops served from the tails and those served from
    the heads are parted at the widest gap or not at all: of two drives from the same end the shorter is needless, and
    whoever drives, the sum of the depths is least there.
    """
    if len(groups) == 1 and groups[0].alone:
        at_m = groups[0].at_m[0 if groups[0].edges[0] == edge else 1]
        if len(at_m) == 1:
            return at_m, at_m, False
        g = int(np.argmax(np.diff(at_m)))
        return at_m[[g, -1]], at_m[[0, g + 1]], False
    places = [g.at_m[0 if g.edges[0] == edge else 1] for g in groups]
    depths = np.unique(np.concatenate([must_m, *places])) if places or len(must_m) else must_m
    if len(depths) <= max_depths:
        return depths, depths, False
    wide = np.sort(np.argsort(-np.diff(depths), kind="stable")[: max(1, max_depths - 1)])
    return np.append(depths[wide], depths[-1]), np.append(depths[0], depths[wide + 1]), True


def edge_options(
    graph: StopGraph,
    edge: int,
    groups: list[Group],
    must_m: NDArray[np.float64],
    turn_s: tuple[float, float],
    params: RoundParams,
) -> tuple[EdgeOptions, bool]:
    """Return the options of one way, and whether all that could be cheapest are among them.

    ``turn_s`` is the cost of entering or leaving at its tail and head.
    """
    length = float(graph.length_m[edge])
    s_m = 1 / (params.aisle_m_s if graph.is_aisle[edge] else params.road_m_s)
    tails, heads, thinned = turning_points(groups, must_m, edge, params.max_depths)
    until = np.append(-np.inf, tails)
    back = np.append(np.inf, heads) if graph.head[edge] >= 0 else np.array([np.inf])
    a, b = (m.ravel() for m in np.meshgrid(until, back, indexing="ij"))
    keep = a < b
    a, b = a[keep], b[keep]
    into, out = np.isfinite(a), np.isfinite(b)
    cost = np.zeros(len(a))
    cost[into] += _in_and_out(a[into], s_m, params.u_turn_s + 2 * turn_s[0])
    cost[out] += _in_and_out(length - b[out], s_m, params.u_turn_s + 2 * turn_s[1])
    effect = np.select([into & out, into, out], [TOUCH_BOTH, TOUCH_TAIL, TOUCH_HEAD], NONE)
    if graph.head[edge] >= 0:
        through = length * s_m + sum(turn_s)
        worth = cost < 2 * through - 1e-9
        worth[effect == NONE] = True
        a, b, cost, effect = a[worth], b[worth], cost[worth], effect[worth]
        a, b = np.append(a, [np.inf, np.inf]), np.append(b, [np.inf, np.inf])
        cost, effect = np.append(cost, [through, 2 * through]), np.append(effect, [SINGLE, DOUBLE])
    served = np.searchsorted(must_m, a, "right") >= np.searchsorted(must_m, b, "left")
    a, b, cost, effect = a[served], b[served], cost[served], effect[served]
    left = tuple(_left_over(g.at_m[0 if g.edges[0] == edge else 1], a, b) for g in groups)
    options = EdgeOptions(effect=effect.astype(np.int8), cost=cost, until_m=a, from_m=b, left=left)
    return options, not thinned


def _in_and_out(depth_m: NDArray[np.float64], s_m: float, turns_s: float) -> NDArray[np.float64]:
    """Cost of driving in and out again; nothing for a stop that stands right at the end of the way."""
    return np.where(depth_m > 0, 2 * depth_m * s_m + turns_s, 0.0)


def _left_over(
    at_m: NDArray[np.float64], a: NDArray[np.float64], b: NDArray[np.float64]
) -> NDArray[np.int64]:
    """(o, 2) the stops strictly between a and b, as a range in the group's order."""
    k = len(at_m)
    falling = k > 1 and at_m[0] > at_m[-1]
    rising = at_m[::-1] if falling else at_m
    low = np.searchsorted(rising, a, "right")
    high = np.searchsorted(rising, b, "left")
    none = low >= high
    low, high = (k - high, k - low) if falling else (low, high)
    return np.column_stack([np.where(none, 0, low), np.where(none, 0, high)]).astype(np.int64)
