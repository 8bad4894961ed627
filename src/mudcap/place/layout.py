"""From stations and trees of a whole orchard to one placement problem a block."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from mudcap.geo.units import round_half_up
from mudcap.orchard.model import Exclusion, Orchard
from mudcap.place.candidates import Candidates
from mudcap.place.demand import Demand
from mudcap.place.params import MudParams, PlaceParams
from mudcap.place.problem import Effort, Placement, PlacementProblem


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BlockTask:
    """One block's placement problem, and which stations and trees of the orchard it speaks of."""

    block: int
    """Index into orchard.blocks."""
    quota: int
    """Sites asked for."""
    station: NDArray[np.int64]
    """(n,) candidate number of each of the problem's candidates."""
    tree: NDArray[np.int64]
    """(m,) demand number of each of the problem's demand points."""
    problem: PlacementProblem | None
    """None where no station may carry a shelter."""
    added: int = 0
    """Sites added by hand, part of the quota."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SolveJob:
    """What a solver needs for one block."""

    name: str
    problem: PlacementProblem
    effort: Effort
    seed: int
    start: NDArray[np.int64] | None = None


def quota(acres: float, per_acre: float) -> int:
    """Sites for a block: acres × sites an acre, rounded half up, at least 1.

    >>> quota(40, 9), quota(0.05, 9), quota(2.5, 9)
    (360, 1, 23)
    """
    return max(1, round_half_up(acres * per_acre))


def barring(reasons: NDArray[np.int64], mud: MudParams) -> NDArray[np.int64]:
    """Of each station's reasons (n,) those that bar a shelter; the mud flag bars only where mud must exist already."""
    ignored = 0 if mud.mode == "existing" else int(Exclusion.NO_MUD)
    return np.asarray(reasons & ~ignored, np.int64)


def block_tasks(
    orchard: Orchard,
    candidates: Candidates,
    demand: Demand,
    *,
    place: PlaceParams,
    mud: MudParams,
    pinned: NDArray[np.int64],
    added: dict[int, int],
    previous: NDArray[np.int64],
    move_penalty: float = 0.0,
) -> tuple[BlockTask, ...]:
    """One task a block, in orchard order.

    A pinned station is a site even where a rule speaks against it. Where fewer stations are allowed than the quota asks
    for, the problem takes them all; the caller says so.
    """
    may = barring(candidates.reasons, mud) == 0
    may[pinned] = True
    tasks = []
    for index, block in enumerate(orchard.blocks):
        station = np.flatnonzero((candidates.block == index) & may)
        tree = np.flatnonzero(demand.block == index)
        wanted = quota(block.acres, place.per_acre) + added.get(index, 0)
        fixed = np.flatnonzero(np.isin(station, pinned))
        count = min(max(wanted, len(fixed)), len(station))
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
                move_penalty=move_penalty,
            )
        tasks.append(
            BlockTask(
                block=index,
                quota=wanted,
                station=station,
                tree=tree,
                problem=problem,
                added=added.get(index, 0),
            )
        )
    return tuple(tasks)


def solve_jobs(tasks: Sequence[BlockTask], orchard: Orchard, place: PlaceParams) -> tuple[SolveJob, ...]:
    """The jobs of the tasks that have a problem, in order."""
    return tuple(
        SolveJob(
            name=orchard.blocks[t.block].block_id, problem=t.problem, effort=place.effort, seed=place.seed
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
