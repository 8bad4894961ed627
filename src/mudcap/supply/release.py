"""Where cocoons are set out: central in each block as the trade does, or spread over it, and how many at each place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import ceil, comb
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, QhullError, cKDTree
from scipy.spatial.distance import cdist

from mudcap.lang import _
from mudcap.orchard.model import Exclusion, Finding, Orchard
from mudcap.place.candidates import Candidates
from mudcap.place.demand import Demand
from mudcap.supply.apportion import largest_remainder
from mudcap.supply.bees import cocoons_for
from mudcap.supply.model import ReleasePoint
from mudcap.supply.params import StockingParams

Mode = Literal["central", "spread"]
BRUTE_FORCE: Final = 20_000
"""Up to so many sets of stations every one is tried."""
_SAMPLE: Final = 400
"""Stations and trees that a search over several points looks at before it settles among all stations near its points."""
_SAME_M: Final = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class ReleaseParams:
    """How cocoons are set out."""

    mode: Mode = "central"
    """`central`: nearest on average to the trees, common practice, no source; `spread`: no tree far from a point. The number
    of release sites had no effect in an almond trial (Artz et al. 2014, J. Econ. Entomol. 107:2045-2054)."""
    points: int = 1
    """Places in each block."""
    capacity: int = 1000
    """Cocoons a container, here those of one almond acre; they lie loose, at most 2-3 in deep: common practice, no source."""
    lane_clear_m: float = 6.0
    """Clear distance from the width a sprayer sweeps; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockCocoons:
    """The bees that one block releases, and the stations on which its sites stand."""

    block: int
    """Index into orchard.blocks."""
    females: int
    males: int
    stations: tuple[int, ...]


def plan_release(
    orchard: Orchard,
    candidates: Candidates,
    demand: Demand,
    stock: Sequence[BlockCocoons],
    params: ReleaseParams,
    stocking: StockingParams,
) -> tuple[tuple[ReleasePoint, ...], tuple[Finding, ...]]:
    """The release points of every block that has cocoons, and what to know of them.

    A point is a station where a shelter might hang and a crew gets to (mud does not matter to it), clear of spray lanes.
    Where a block has none, the sites' own stations stand in. The bees of each block are shared out exactly by the weighted
    trees nearest to each point; containers are counted for the cocoons from which these are expected to come.
    """
    points: list[ReleasePoint] = []
    said: list[Finding] = []
    for cocoons in stock:
        if not cocoons.stations:
            continue
        stations, near_lane = _allowed(candidates, cocoons, params)
        tree = np.flatnonzero(demand.block == cocoons.block)
        weight = demand.weight[tree] if demand.weight[tree].any() else np.ones(len(tree))
        wants = weight > 0
        chosen = choose_points(
            candidates.xy[stations], demand.xy[tree][wants], weight[wants], params.points, params.mode
        )
        made = _points(
            orchard, candidates, demand.xy[tree][wants], weight[wants], stations[chosen], cocoons, params, stocking, len(points)
        )
        points += made
        if near_lane:
            said.append(_near_lane(orchard, cocoons.block, made))
    return tuple(points), tuple(said)


def choose_points(
    station_xy: NDArray[np.float64], tree_xy: NDArray[np.float64], weight: NDArray[np.float64], count: int, mode: Mode
) -> NDArray[np.int64]:
    """Numbers (k,) of the stations (n, 2) that serve as release points, ascending.

    `central`: the smallest weighted sum of distances from the trees (vertex median); `spread`: the smallest farthest
    distance (vertex center), ties to the smaller sum. Exact for one point and where all sets can be tried; else found by
    exchanging points until none is better.

    References: Hakimi 1964, Operations Research 12:450-459 (from memory).
    """
    count = min(count, len(station_xy))
    if count == 1 and mode == "central":
        return np.array([_median(station_xy, tree_xy, weight)])
    if count == 1:
        return np.array([_centre(station_xy, tree_xy, weight)])
    if comb(len(station_xy), count) * len(tree_xy) <= BRUTE_FORCE * 100 and comb(len(station_xy), count) <= BRUTE_FORCE:
        away = cdist(station_xy, tree_xy)
        best = min(combinations(range(len(station_xy)), count), key=lambda c: _cost(away[list(c)], weight, mode))
        return np.array(best, np.int64)
    return _exchanged(station_xy, tree_xy, weight, count, mode)


def _cost(away: NDArray[np.float64], weight: NDArray[np.float64], mode: Mode) -> tuple[float, float]:
    nearest = away.min(axis=0)
    total = float(weight @ nearest)
    return (round(total, 9), 0.0) if mode == "central" else (round(float(nearest.max()), 9), total)


def _median(
    station_xy: NDArray[np.float64], tree_xy: NDArray[np.float64], weight: NDArray[np.float64]
) -> int:
    """The station with the smallest weighted sum of distances, exactly.

    The sum is convex, so each station tried gives a plane below it everywhere; stations are tried in the order of the
    highest plane until none can be better (Kelley 1960, J. SIAM 8:703-712, from memory).
    """
    low = np.full(len(station_xy), -np.inf)
    best, value = -1, np.inf
    at = int(np.argmin(((station_xy - np.average(tree_xy, axis=0, weights=weight)) ** 2).sum(axis=1)))
    tried = np.zeros(len(station_xy), bool)
    while True:
        away = station_xy[at] - tree_xy
        metres = np.hypot(*away.T)
        total = float(weight @ metres)
        tried[at] = True
        if total < value - _SAME_M or (total <= value and at < best):
            best, value = at, total
        slope = (weight / np.maximum(metres, 1e-12)) @ away
        low = np.maximum(low, total + (station_xy - station_xy[at]) @ slope)
        rest = np.where(tried, np.inf, low)
        at = int(rest.argmin())
        if rest[at] >= value - _SAME_M * max(value, 1.0):
            return best


def _centre(
    station_xy: NDArray[np.float64], tree_xy: NDArray[np.float64], weight: NDArray[np.float64]
) -> int:
    """The station whose farthest tree is nearest; only trees on the outline can be farthest."""
    try:
        rim = tree_xy[ConvexHull(tree_xy).vertices]
    except (QhullError, ValueError):
        rim = tree_xy
    far = np.round(np.max([np.hypot(*(station_xy - t).T) for t in rim], axis=0), 9)
    ties = np.flatnonzero(far == far.min())
    return int(ties[_median(station_xy[ties], tree_xy, weight)])


def _exchanged(
    station_xy: NDArray[np.float64], tree_xy: NDArray[np.float64], weight: NDArray[np.float64], count: int, mode: Mode
) -> NDArray[np.int64]:
    """Exchanges of one point for another: first over a sample of stations, then over those near each point."""
    tree = np.unique(np.linspace(0, len(tree_xy) - 1, min(len(tree_xy), _SAMPLE)).astype(int))
    some = np.unique(np.linspace(0, len(station_xy) - 1, min(len(station_xy), _SAMPLE)).astype(int))
    away = cdist(station_xy[some], tree_xy[tree])
    chosen = [int(away.sum(axis=1).argmin())]
    while len(chosen) < count:  # the tree farthest from all points so far draws the next one
        chosen.append(int(away[:, away[chosen].min(axis=0).argmax()].argmin()))
        chosen = list(dict.fromkeys(chosen))
        if len(chosen) < count and away[chosen].min(axis=0).max() <= _SAME_M:
            chosen += [k for k in range(len(some)) if k not in chosen][: count - len(chosen)]
    chosen = _settled(away, weight[tree], chosen, mode)
    near = cKDTree(station_xy).query(station_xy[some[chosen]], k=min(30, len(station_xy)))[1]
    close = np.union1d(np.asarray(near).ravel(), some[chosen]).astype(np.int64)
    start = np.searchsorted(close, some[chosen]).tolist()
    final = _settled(cdist(station_xy[close], tree_xy), weight, start, mode)
    return np.sort(close[final]).astype(np.int64)


def _settled(
    away: NDArray[np.float64], weight: NDArray[np.float64], chosen: list[int], mode: Mode
) -> list[int]:
    """The points after the best exchanges, one at a time, until none is better."""
    value = _cost(away[chosen], weight, mode)
    while True:
        best, which = value, None
        for k in range(len(chosen)):
            rest = np.delete(chosen, k)
            others = away[rest].min(axis=0)
            nearest = np.minimum(away, others)
            total = nearest @ weight
            far = np.round(nearest.max(axis=1), 9)
            key = np.lexsort((total, far)) if mode == "spread" else np.argsort(total, kind="stable")
            c = int(next(i for i in key if i not in rest))
            cost = _cost(away[[*rest, c]], weight, mode)
            if cost < best and cost[0] < best[0] + _SAME_M:
                best, which = cost, (k, c)
        if which is None:
            return chosen
        chosen = [*chosen[: which[0]], which[1], *chosen[which[0] + 1 :]]
        value = best


def _allowed(
    candidates: Candidates, cocoons: BlockCocoons, params: ReleaseParams
) -> tuple[NDArray[np.int64], bool]:
    """Candidate numbers where cocoons may be set out, and whether a spray lane is nearer than wanted."""
    own = np.flatnonzero(candidates.block == cocoons.block)
    free = own[(candidates.reasons[own] & ~int(Exclusion.NO_MUD)) == 0]
    if not len(free):
        free = np.array(sorted(cocoons.stations), np.int64)
    lane = candidates.barring_lane_m[free]
    clear = lane >= params.lane_clear_m
    if clear.any():
        return free[clear], False
    return free[lane >= lane.max() - _SAME_M], True


def _points(
    orchard: Orchard,
    candidates: Candidates,
    tree_xy: NDArray[np.float64],
    weight: NDArray[np.float64],
    stations: NDArray[np.int64],
    cocoons: BlockCocoons,
    params: ReleaseParams,
    stocking: StockingParams,
    before: int,
) -> list[ReleasePoint]:
    away, of = cKDTree(candidates.xy[stations]).query(tree_xy)
    share = np.bincount(of, weight, len(stations)).astype(float)
    females, males = (largest_remainder(n, share) for n in (cocoons.females, cocoons.males))
    lonlat = orchard.plane.to_lonlat(candidates.xy[stations])
    return [
        ReleasePoint(
            name=f"A{before + k + 1}", block_id=orchard.blocks[cocoons.block].block_id,
            x_m=float(candidates.xy[s, 0]), y_m=float(candidates.xy[s, 1]), lon=float(lonlat[k, 0]), lat=float(lonlat[k, 1]),
            row=int(candidates.row[s]), tree=int(candidates.tree[s]), females=int(females[k]), males=int(males[k]),
            containers=ceil(sum(cocoons_for(int(n), stocking) for n in (females[k], males[k])) / params.capacity),
            farthest_m=float(away[of == k].max(initial=0.0)), lane_m=float(candidates.lane_m[s]),
        )
        for k, s in enumerate(stations.tolist())
    ]  # fmt: skip


def _near_lane(orchard: Orchard, block: int, points: Sequence[ReleasePoint]) -> Finding:
    text = _(
        "Block {block}: no station is as far from the spray lanes as release.lane_clear_m asks, so the cocoons are set out at the one "
        "farthest off ({points}). Set none out before or during a spray; follow the label."
    ).format(block=orchard.blocks[block].block_id, points=", ".join(f"{p.name}, {p.address}" for p in points))
    return Finding(
        level="warning", code="release_near_lane", layer="", feature=orchard.blocks[block].block_id, text=text
    )
