"""From stations and trees of a whole orchard to one placement problem a block."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mudcap.geo.units import round_half_up
from mudcap.orchard.model import Exclusion, Orchard
from mudcap.place.candidates import Candidates
from mudcap.place.demand import Demand
from mudcap.place.near import nearest_m
from mudcap.place.params import AccessParams, MudParams, PlaceParams
from mudcap.place.problem import Placement, PlacementProblem, SolveJob

SOFT: Final = Exclusion.TOO_FAR_TO_WALK | Exclusion.NO_MUD
"""Limits of convenience, which may be relaxed where the ground leaves no choice; all others keep bees or people safe."""
REACH_M: Final = 35.0
"""Trees farther from every station that may carry a shelter count as out of reach: of marked Osmia cornifrons in tart cherry most
were within 35 m of the nest (Biddinger et al. 2013, Apidologie, by its abstract)."""
WHOLE: Final = 0.9
"""A block of which so large a share is within reach gets all its sites; a convention of ours."""
_CARRIED_M: Final = 1e6
"""Stands for the distance to mud where there is none at all."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BlockTask:
    """One block's placement problem, and which stations and trees of the orchard it speaks of."""

    block: int
    """Index into orchard.blocks."""
    quota: int
    """Sites asked for: by the density and the sites added by hand, or as many as are pinned. The problem has fewer where part of the
    block is out of reach, or stations are few."""
    station: NDArray[np.int64]
    """(n,) candidate number of each of the problem's candidates."""
    tree: NDArray[np.int64]
    """(m,) demand number of each of the problem's demand points."""
    problem: PlacementProblem | None
    """None where no station may carry a shelter."""
    added: int = 0
    """Sites added by hand, part of the quota."""
    share: float = 1.0
    """Share of the block within reach of stations that may carry a shelter, for which it gets sites; 1 where that is nearly all or none."""
    relaxed: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    """Candidate numbers on which a soft limit had to be relaxed to make up the quota."""
    start: NDArray[np.int64] | None = None
    """Problem candidates from which the search starts; None = the sites of the kept plan, where there are any."""


def quota(acres: float, per_acre: float) -> int:
    """Sites for a block: acres × sites an acre, rounded half up, at least 1.

    >>> quota(40, 9), quota(0.05, 9), quota(2.5, 9)
    (360, 1, 23)
    """
    return max(1, round_half_up(acres * per_acre))


def block_tasks(
    orchard: Orchard,
    candidates: Candidates,
    demand: Demand,
    *,
    place: PlaceParams,
    pinned: NDArray[np.int64],
    added: Mapping[int, int],
    previous: NDArray[np.int64],
    access: AccessParams | None = None,
    mud: MudParams | None = None,
) -> tuple[BlockTask, ...]:
    """One task a block, in orchard order.

    A pinned station is a site even where a rule speaks against it. For ground out of reach of every station that may carry a
    shelter (behind a canal, say) there are no sites, since they would crowd the rest of the block. Where fewer stations are free
    than sites are to stand, those that miss only the walk or mud limit of `access` and `mud` join, the least beyond it first: the
    limit is relaxed there and nowhere else. `previous` (k,) are stations of a plan to be kept as far as it is good.
    """
    bars = candidates.reasons.copy()
    bars[pinned] = 0
    beyond_m = _beyond_m(candidates, bars, access or AccessParams(), mud or MudParams())
    tasks = []
    for index, block in enumerate(orchard.blocks):
        own = np.flatnonzero(candidates.block == index)
        tree = np.flatnonzero(demand.block == index)
        by_hand = int(np.isin(own, pinned).sum())
        wanted = max(quota(block.acres, place.per_acre) + added.get(index, 0), by_hand)
        free = own[bars[own] == 0]
        wanting = tree[demand.weight[tree] > 0]
        share = _share_within(candidates.xy[own[_may_carry(bars[own], beyond_m[own])]], demand.xy[wanting])
        count = max(quota(block.acres * share, place.per_acre) + added.get(index, 0), by_hand)
        relaxed = _least_beyond(own, bars, beyond_m, count - len(free))
        station = np.sort(np.concatenate([free, relaxed]))
        fixed = np.flatnonzero(np.isin(station, pinned))
        count = min(count, len(station))
        problem = None
        if count and len(tree):
            problem = PlacementProblem.from_points(
                candidates.xy[station],
                demand.xy[tree],
                count,
                weights=demand.weight[tree],
                fixed=fixed.tolist(),
                slack=place.slack,
                row_economy=place.row_economy,
                candidate_row=candidates.row[station],
                previous=np.flatnonzero(np.isin(station, previous)).tolist(),
                move_penalty=place.move_penalty(block.acres, count),
                holds_rest=True,
            )
        tasks.append(
            BlockTask(
                block=index, quota=wanted, station=station, tree=tree, problem=problem, added=added.get(index, 0),
                share=share, relaxed=relaxed,
            )
        )  # fmt: skip
    return tuple(tasks)


def _share_within(station_xy: NDArray[np.float64], tree_xy: NDArray[np.float64]) -> float:
    """Share of the trees (m, 2) within reach of a station (n, 2); 1 where that is nearly all or none, which other rules tell."""
    if not len(station_xy) or not len(tree_xy):
        return 1.0
    share = float((nearest_m(station_xy, tree_xy) <= REACH_M).mean())
    return share if 0 < share < WHOLE else 1.0


def _beyond_m(
    candidates: Candidates, bars: NDArray[np.int64], access: AccessParams, mud: MudParams
) -> NDArray[np.float64]:
    """How far (n,) each station lies beyond the walk and mud limits that bar it, added up; inf where nothing leads there.

    Where puddles are planned, mud that nothing brings bars no station for good: water can be carried. It only comes last.
    """
    beyond_m = np.zeros(len(bars))
    mud_m = candidates.reachable_mud_m
    if candidates.puddle_m is not None:
        mud_m = np.minimum(mud_m, _CARRIED_M)
    for flag, value, limit_m in (
        (Exclusion.TOO_FAR_TO_WALK, candidates.walk_m, access.walk_m),
        (Exclusion.NO_MUD, mud_m, mud.limit_m),
    ):
        barred = (bars & int(flag)) != 0
        beyond_m[barred] += value[barred] - limit_m
    return beyond_m


def _may_carry(bars: NDArray[np.int64], beyond_m: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which stations are free, or barred by nothing but a walk or mud limit that may be relaxed."""
    return np.asarray(((bars & ~int(SOFT)) == 0) & np.isfinite(beyond_m))


def _least_beyond(
    own: NDArray[np.int64], bars: NDArray[np.int64], beyond_m: NDArray[np.float64], missing: int
) -> NDArray[np.int64]:
    """Up to `missing` stations barred by nothing but the walk or mud limit, those least beyond it first."""
    if missing <= 0:
        return np.empty(0, np.int64)
    soft = own[(bars[own] != 0) & _may_carry(bars[own], beyond_m[own])]
    return np.sort(soft[np.lexsort((soft, beyond_m[soft]))[:missing]])


def solve_jobs(tasks: Sequence[BlockTask], orchard: Orchard, place: PlaceParams) -> tuple[SolveJob, ...]:
    """The jobs of the tasks that have a problem, in order; a kept plan is where the search starts."""
    return tuple(
        SolveJob(
            name=orchard.blocks[t.block].block_id,
            problem=t.problem,
            effort=place.effort,
            seed=place.seed,
            start=t.problem.previous if len(t.problem.previous) else t.start,
        )
        for t in tasks
        if t.problem is not None
    )


def chosen_stations(task: BlockTask, placement: Placement) -> NDArray[np.int64]:
    """Candidate numbers of a block's sites."""
    return task.station[placement.sites]


def with_bans(candidates: Candidates, banned: NDArray[np.int64]) -> Candidates:
    """The candidates with the given ones (k,) marked as banned by hand."""
    reasons = candidates.reasons.copy()
    reasons[banned] |= int(Exclusion.BANNED)
    reasons.setflags(write=False)
    return replace(candidates, reasons=reasons)


def spread(tasks: Sequence[BlockTask], solved: Sequence[Placement]) -> tuple[Placement | None, ...]:
    """The solved placements laid beside all tasks: None where a task had no problem."""
    rest = iter(solved)
    return tuple(None if task.problem is None else next(rest) for task in tasks)
