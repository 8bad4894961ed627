"""Blocks that share a border share shelters: a shelter serves trees across a narrow road."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from mudcap.orchard.model import Orchard
from mudcap.place.candidates import Candidates
from mudcap.place.demand import Demand
from mudcap.place.layout import BlockTask, chosen_stations
from mudcap.place.params import PlaceParams
from mudcap.place.problem import Effort, Level, Placement, PlacementProblem, SolveAll, SolveJob
from mudcap.place.rows import num_driven

Placements = tuple[Placement | None, ...]

WORSE_M: Final = 1e-6
PASSES: Final = 5
"""Times that the blocks of a kept plan are gone through, at most; two or three were enough in trials."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BorderSaving:
    """What counting the neighbours' sites saved in one block."""

    block: int
    trees_across: int
    """Trees of this block that want bees and that a neighbour's site serves."""
    farthest_before_m: float
    farthest_m: float
    mean_before_m: float
    mean_m: float


def bordering(orchard: Orchard, border_m: float) -> tuple[tuple[int, ...], ...]:
    """For each block the blocks of the same crop no farther than `border_m` away, ascending; its own index left out."""
    polygons = [b.polygon for b in orchard.blocks]
    tree = shapely.STRtree(polygons)
    found: list[tuple[int, ...]] = []
    for i, polygon in enumerate(polygons):
        near = (
            tree.query(polygon, predicate="dwithin", distance=border_m) if border_m > 0 else np.empty(0, int)
        )
        found.append(
            tuple(sorted(int(j) for j in near if j != i and orchard.blocks[j].crop == orchard.blocks[i].crop))
        )
    return tuple(found)


def across_m(
    block: int,
    neighbours: Sequence[int],
    tasks: Sequence[BlockTask],
    placements: Sequence[Placement | None],
    candidates: Candidates,
    demand: Demand,
) -> NDArray[np.float64]:
    """Distance (m,) from each of a block's trees to the nearest site of its neighbours; inf where there is none."""
    stations = _sites_of(neighbours, tasks, placements)
    trees = demand.xy[tasks[block].tree]
    if not len(stations):
        return np.full(len(trees), np.inf)
    return np.asarray(cKDTree(candidates.xy[stations]).query(trees)[0], float)


def share_borders(
    orchard: Orchard,
    tasks: Sequence[BlockTask],
    placements: Placements,
    candidates: Candidates,
    demand: Demand,
    *,
    place: PlaceParams,
    solve_all: SolveAll,
    is_standing: bool = False,
) -> Placements:
    """Solve each bordering block again with its neighbours' sites counted, from where it stands; keep what is better.

    With ``is_standing`` the placements are those of a kept plan, and blocks without a neighbour are solved as well.

    Blocks are taken in fixed order, in groups no two of which border each other, so that the result does not depend on
    how the groups are spread over processes. A block's new sites are kept where the farthest distance grows neither in the
    block nor in a neighbour, and the squares of the distances over all of them add up to less, by the move penalty of each site
    of a kept plan that is given up; there also where the farthest distance shrinks by more than its slack, or to what is wanted,
    and all blocks are solved again until none changes. The bounds of the last
    solution are those of the block with its neighbours' sites counted.
    """
    near = bordering(orchard, place.border_m)
    now = list(placements)
    groups = _groups(near, now, is_alone=is_standing)
    effort: Effort = place.effort if is_standing else "quick"
    members = [i for group in groups for i in group]
    due = set(members)
    for _ in range(PASSES if is_standing else 1):
        before = list(now)
        for group in groups:
            if not (own := [i for i in group if i in due]):
                continue
            for i, again in _solved_again(own, orchard, tasks, now, near, candidates, demand, place, solve_all, effort):
                trial = [*now[:i], again, *now[i + 1 :]]
                if _better(i, near, tasks, now, trial, candidates, demand, place if is_standing else None):
                    now[i] = again
        changed = {i for i in members if now[i] is not before[i]}
        due = changed | {j for i in changed for j in near[i]}  # all others would be solved as they were
        if not due:
            break
    last = _solved_again(members, orchard, tasks, now, near, candidates, demand, place, solve_all, "quick")
    for i, again in last:
        problem, held = tasks[i].problem, now[i]
        if problem is not None and held is not None:
            served = across_m(i, near[i], tasks, now, candidates, demand)
            shared = with_levels(replace(problem, served_m=served), held, again.levels)
            now[i] = replace(shared, stopped=held.stopped or again.stopped)
    return tuple(now)


def with_levels(problem: PlacementProblem, held: Placement, proven: Sequence[Level]) -> Placement:
    """The placement `held` measured by `problem`, under the bounds that another solution of the same problem proved.

    A bound of a later level holds for layouts that give up no more of the levels before it than that solution could: where
    `held` may have given up more, it is left out.
    """
    from mudcap.place.swap_ties import assign_evenly  # compiled kernels, needed only where borders are shared

    assigned, distance_m, load = assign_evenly(problem, held.sites)
    need = problem.weights > 0
    weight = problem.weights if need.any() else np.ones(len(problem.weights))
    value: dict[str, float] = {
        "farthest": float(distance_m[need].max(initial=0.0)),
        "mean": float(np.average(distance_m, weights=weight)),
        "mean_square": float(np.average(distance_m**2, weights=weight)),
        "cv": float(load.std() / load.mean()) if load.mean() > 0 else 0.0,
    }
    if problem.candidate_row is not None:
        value["driven_rows"] = num_driven(problem.candidate_row[held.sites])
    for array in (assigned, distance_m):
        array.setflags(write=False)
    first = proven[0]
    cap = max(first.value, (first.bound or 0.0) * (1 + problem.slack))
    is_within = first.name != "farthest" or value["farthest"] <= cap * (1 + 1e-9)
    levels = tuple(
        _measured(level, value[level.name], is_valid=is_within or level is first) for level in proven
    )
    return replace(held, assigned=assigned, distance_m=distance_m, levels=levels)


def _measured(level: Level, value: float, *, is_valid: bool) -> Level:
    if level.bound is None or not is_valid or value < level.bound * (1 - 1e-9) - 1e-12:
        return Level(name=level.name, value=value, bound=None, status="bound_unknown")
    # the last digits of two ways of adding up
    value = max(value, level.bound)
    return replace(level, value=value, status="optimal" if value <= level.bound * (1 + 1e-9) else "feasible")


def _solved_again(
    blocks: Sequence[int],
    orchard: Orchard,
    tasks: Sequence[BlockTask],
    now: Sequence[Placement | None],
    near: Sequence[tuple[int, ...]],
    candidates: Candidates,
    demand: Demand,
    place: PlaceParams,
    solve_all: SolveAll,
    effort: Effort,
) -> list[tuple[int, Placement]]:
    served = [across_m(i, near[i], tasks, now, candidates, demand) for i in blocks]
    jobs = [_job(orchard, tasks[i], now[i], s, place, effort) for i, s in zip(blocks, served, strict=True)]
    return list(zip(blocks, solve_all(jobs), strict=True))


def border_savings(
    orchard: Orchard,
    tasks: Sequence[BlockTask],
    alone: Sequence[Placement | None],
    shared: Sequence[Placement | None],
    candidates: Candidates,
    demand: Demand,
    border_m: float,
) -> tuple[BorderSaving, ...]:
    """What sharing borders saved, a row a block that has a neighbour with sites."""
    near = bordering(orchard, border_m)
    rows = []
    for i, neighbours in enumerate(near):
        before, after = alone[i], shared[i]
        if before is None or after is None or not len(_sites_of(neighbours, tasks, shared)):
            continue
        need = demand.weight[tasks[i].tree]
        wants = need > 0 if need.any() else np.ones(len(need), bool)
        weight = need[wants] if need.any() else np.ones(len(need))
        own = _own_m(i, tasks, shared, candidates, demand)[wants]
        across = across_m(i, neighbours, tasks, shared, candidates, demand)[wants]
        both = np.minimum(own, across)
        alone_m = _own_m(i, tasks, alone, candidates, demand)[wants]
        rows.append(
            BorderSaving(
                block=i,
                trees_across=int((across < own - WORSE_M).sum()),
                farthest_before_m=float(alone_m.max()),
                farthest_m=float(both.max()),
                mean_before_m=float(np.average(alone_m, weights=weight)),
                mean_m=float(np.average(both, weights=weight)),
            )
        )
    return tuple(rows)


def _job(
    orchard: Orchard,
    task: BlockTask,
    placement: Placement | None,
    served: NDArray[np.float64],
    place: PlaceParams,
    effort: Effort,
) -> SolveJob:
    if task.problem is None or placement is None:
        raise ValueError("only a block with sites can be solved again.")
    served = served.copy()
    served.setflags(write=False)
    return SolveJob(
        name=orchard.blocks[task.block].block_id,
        problem=replace(task.problem, served_m=served),
        effort=effort,
        seed=place.seed,
        start=placement.sites,
    )


def _groups(
    near: Sequence[tuple[int, ...]], placements: Sequence[Placement | None], *, is_alone: bool
) -> list[list[int]]:
    """Greedy colouring in block order: each group's members border none of the same group; with those that border none, or not."""
    colour: dict[int, int] = {}
    for i, neighbours in enumerate(near):
        if placements[i] is None or not (is_alone or any(placements[j] is not None for j in neighbours)):
            continue
        taken = {colour[j] for j in neighbours if j in colour}
        colour[i] = next(c for c in range(len(taken) + 1) if c not in taken)
    return [[i for i in colour if colour[i] == c] for c in range(max(colour.values(), default=-1) + 1)]


def _sites_of(
    blocks: Sequence[int], tasks: Sequence[BlockTask], placements: Sequence[Placement | None]
) -> NDArray[np.int64]:
    stations = [chosen_stations(tasks[j], p) for j in blocks if (p := placements[j]) is not None]
    return np.concatenate(stations) if stations else np.empty(0, np.int64)


def _own_m(
    block: int,
    tasks: Sequence[BlockTask],
    placements: Sequence[Placement | None],
    candidates: Candidates,
    demand: Demand,
) -> NDArray[np.float64]:
    stations = _sites_of([block], tasks, placements)
    return np.asarray(cKDTree(candidates.xy[stations]).query(demand.xy[tasks[block].tree])[0], float)


def _better(
    block: int,
    near: Sequence[tuple[int, ...]],
    tasks: Sequence[BlockTask],
    now: Sequence[Placement | None],
    trial: Sequence[Placement | None],
    candidates: Candidates,
    demand: Demand,
    standing: PlaceParams | None,
) -> bool:
    """Whether a block is better placed by a trial; ``standing`` are the options for placements of a kept plan, None for others."""
    before, after = (_score(block, near, tasks, p, candidates, demand) for p in (now, trial))
    if any(b > a + WORSE_M for a, b in zip(before[0], after[0], strict=True)):
        return False
    if standing is not None:
        wanted_m = np.inf if standing.farthest_m is None else standing.farthest_m + WORSE_M
        if after[0][0] < before[0][0] / (1 + standing.slack) - WORSE_M or after[0][0] <= wanted_m < before[0][0]:
            return True
    return after[1] < before[1] - 1e-9 * abs(before[1])


def _score(
    block: int,
    near: Sequence[tuple[int, ...]],
    tasks: Sequence[BlockTask],
    placements: Sequence[Placement | None],
    candidates: Candidates,
    demand: Demand,
) -> tuple[list[float], float]:
    """Farthest of a block and of each neighbour with sites, and the weighted sum of squares over all of them, less what each site
    of a kept plan is worth in itself.

    Each block counts the sites of all its own neighbours.
    """
    farthest, total = [], 0.0
    for i in (block, *near[block]):
        if placements[i] is None:
            continue
        own = _own_m(i, tasks, placements, candidates, demand)
        served = np.minimum(own, across_m(i, near[i], tasks, placements, candidates, demand))
        weight = demand.weight[tasks[i].tree]
        farthest.append(float(served[weight > 0].max(initial=0.0)))
        total += float((weight * served**2).sum())
        problem, placement = tasks[i].problem, placements[i]
        if problem is not None and placement is not None and len(problem.previous):
            kept = int(np.isin(placement.sites, problem.previous).sum())
            total -= kept * problem.move_penalty * float(problem.weights.sum()) / problem.count
    return farthest, total
