"""Where cocoons are set out: central in each block as the trade does, or spread over it, and how many at each place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from mudcap.lang import _
from mudcap.orchard.model import Exclusion, Finding, Orchard
from mudcap.place.candidates import Candidates
from mudcap.place.demand import Demand
from mudcap.place.params import PlaceParams
from mudcap.place.problem import PlacementProblem, SolveAll, SolveJob
from mudcap.supply.apportion import largest_remainder
from mudcap.supply.bees import cocoons_for
from mudcap.supply.model import ReleasePoint
from mudcap.supply.params import StockingParams

Mode = Literal["central", "spread"]
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
    *,
    place: PlaceParams,
    solve_all: SolveAll,
) -> tuple[tuple[ReleasePoint, ...], tuple[Finding, ...], bool]:
    """The release points of every block that has cocoons, what to know of them, and whether a search was stopped early.

    A point is a station where a shelter might hang and a crew gets to (mud does not matter to it), clear of spray lanes.
    Where a block has none, the sites' own stations stand in. The bees of each block are shared out exactly by the weighted
    trees nearest to each point; containers are counted for the cocoons from which these are expected to come.
    """
    grounds = [_ground(candidates, demand, cocoons, params) for cocoons in stock if cocoons.stations]
    jobs = [
        SolveJob(
            name=_("release points of {block}").format(block=orchard.blocks[g.cocoons.block].block_id), effort=place.effort,
            seed=place.seed,
            problem=release_problem(candidates.xy[g.stations], g.tree_xy, g.weight, params.points, params.mode),
        )
        for g in grounds
    ]  # fmt: skip
    solved = solve_all(jobs) if jobs else []
    points: list[ReleasePoint] = []
    said: list[Finding] = []
    for ground, placement in zip(grounds, solved, strict=True):
        chosen = ground.stations[placement.sites]
        made = _points(
            orchard, candidates, ground.tree_xy, ground.weight, chosen, ground.cocoons, params, stocking, len(points)
        )
        points += made
        if ground.is_near_lane:
            said.append(_near_lane(orchard, ground.cocoons.block, made))
    return tuple(points), tuple(said), any(placement.stopped for placement in solved)


def choose_points(
    station_xy: NDArray[np.float64], tree_xy: NDArray[np.float64], weight: NDArray[np.float64], count: int, mode: Mode
) -> NDArray[np.int64]:
    """Numbers (k,) of the stations (n, 2) that serve as release points, ascending, solved in this process."""
    # loads compiled kernels, which a process that hands the solving on never needs
    from mudcap.place.solve import solve

    return solve(release_problem(station_xy, tree_xy, weight, count, mode), effort="quick").sites


def release_problem(
    station_xy: NDArray[np.float64], tree_xy: NDArray[np.float64], weight: NDArray[np.float64], count: int, mode: Mode
) -> PlacementProblem:
    """What is asked of the stations (n, 2).

    `central`: the smallest weighted sum of distances from the trees (vertex median); `spread`: the smallest farthest
    distance (vertex center), ties to the smaller mean square.

    References: Hakimi 1964, Operations Research 12:450-459 (from memory).
    """
    return PlacementProblem.from_points(
        station_xy, tree_xy, min(count, len(station_xy)), weights=weight, slack=0.0, row_economy=0.0,
        objective="mean" if mode == "central" else "even",
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Ground:
    """Where the cocoons of a block may be set out, and for which trees."""

    cocoons: BlockCocoons
    stations: NDArray[np.int64]
    is_near_lane: bool
    tree_xy: NDArray[np.float64]
    weight: NDArray[np.float64]


def _ground(
    candidates: Candidates, demand: Demand, cocoons: BlockCocoons, params: ReleaseParams
) -> _Ground:
    stations, is_near_lane = _allowed(candidates, cocoons, params)
    tree = np.flatnonzero(demand.block == cocoons.block)
    weight = demand.weight[tree] if demand.weight[tree].any() else np.ones(len(tree))
    wants = weight > 0
    return _Ground(
        cocoons=cocoons, stations=stations, is_near_lane=is_near_lane, tree_xy=demand.xy[tree][wants], weight=weight[wants]
    )


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
