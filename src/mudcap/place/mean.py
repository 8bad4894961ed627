"""The mean level: the sites from which the demand points are nearest on average (the weighted p-median)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mudcap.place.few_farthest import are_few
from mudcap.place.few_mean import EFFORTS as FEW_EFFORTS
from mudcap.place.few_mean import few_sites_bound, few_sites_mean, total_of
from mudcap.place.mean_bound import lagrange_bound
from mudcap.place.problem import Effort, Level, LevelName, PlacementProblem, Status
from mudcap.place.swap import (
    Layout,
    Service,
    build_service,
    num_unserved,
    open_sites,
    total_cost,
)
from mudcap.place.swap_anneal import anneal
from mudcap.place.swap_descent import descend
from mudcap.place.swap_local import iterate
from mudcap.place.swap_start import spread

Stop = Callable[[], bool] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanParams:
    """How much work an effort stands for; all of it counted, none of it timed."""

    anneal_moves: int
    """Moves tried per site in the cooling."""
    work: float
    """Rounds of the local search times the square of the length of the lists."""
    rounds_per_candidate: int
    """Most rounds of the local search, where there are few candidates."""
    bound_steps: int
    """Steps of the Lagrangian bound."""


EFFORTS: dict[Effort, MeanParams] = {
    "quick": MeanParams(anneal_moves=500, work=8e6, rounds_per_candidate=10, bound_steps=200),
    "normal": MeanParams(anneal_moves=3000, work=1e8, rounds_per_candidate=100, bound_steps=1000),
    "long": MeanParams(anneal_moves=20000, work=8e8, rounds_per_candidate=800, bound_steps=6000),
}
SHAKEN_ON_ALL = 12
"""From so many sites on the local search shakes them among all points too; fewer are found by starting anew."""
HOT, COLD = 0.2, 0.01
"""Temperatures of the cooling, as shares of the cost of one site's points: found by trial on regular and irregular
blocks."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeanResult:
    """The sites of a mean level, and what is proven of it."""

    sites: NDArray[np.int64]
    level: Level
    is_stopped: bool


def solve_mean(
    problem: PlacementProblem,
    *,
    effort: Effort = "normal",
    seed: int = 0,
    start: NDArray[np.int64] | None = None,
    stop: Stop = None,
) -> MeanResult:
    """Return sites that make the weighted mean distance small, with a certified bound on how small it can be."""
    params = EFFORTS[effort]
    if has_few_sites(problem):
        return _solve_few(problem, effort, seed, start, stop)
    service = build_service(problem, power=1)
    layout = open_sites(service, spread(problem, service))
    stopped = descend(service, layout, stop=stop)
    if not stopped:
        stopped = cool(service, layout, moves=params.anneal_moves * problem.count, seed=seed, stop=stop)
    stopped = stopped or descend(service, layout, stop=stop)
    if start is not None:
        layout = better(service, layout, open_sites(service, np.asarray(start)))
    if not stopped:
        layout, stopped = iterate(service, layout, rounds=num_rounds(service, params), seed=seed, stop=stop)
    level = mean_level(problem, "mean", service, layout, params.bound_steps, stopped, stop)
    return MeanResult(sites=np.sort(layout.sites).astype(np.int64), level=level, is_stopped=stopped)


def has_few_sites(problem: PlacementProblem) -> bool:
    """Whether the ways of few sites among very many points are taken; they know of no cost of a moved site."""
    free = problem.count - len(problem.fixed)
    return not problem.has_kept and bool((problem.weights > 0).any()) and are_few(free, len(problem.candidate_xy))


def _solve_few(
    problem: PlacementProblem, effort: Effort, seed: int, start: NDArray[np.int64] | None, stop: Stop
) -> MeanResult:
    few = FEW_EFFORTS[effort]
    sites, stopped = few_sites_mean(problem, few, seed=seed, start=start, stop=stop)
    if not stopped and problem.count >= SHAKEN_ON_ALL:
        near = max(16, 3 * len(problem.candidate_xy) // problem.count)
        service = build_service(problem, power=1, num_near=near)
        layout = open_sites(service, sites)
        layout, stopped = iterate(service, layout, rounds=num_rounds(service, EFFORTS[effort]), seed=seed, stop=stop)
        if total_of(problem, layout.sites.astype(np.int64), power=1) < total_of(problem, sites, power=1):
            sites = np.sort(layout.sites).astype(np.int64)
    return MeanResult(sites=sites, level=few_level(problem, "mean", sites, few.bound_steps, stopped, stop), is_stopped=stopped)


def few_level(
    problem: PlacementProblem, name: LevelName, sites: NDArray[np.int64], bound_steps: int, is_stopped: bool, stop: Stop,
    cap_m: float = np.inf,
) -> Level:  # fmt: skip
    """The same as ``mean_level`` without service lists, for few sites."""
    power = 1 if name == "mean" else 2
    weight, total = float(problem.weights.sum()), total_of(problem, sites, power=power, cap_m=cap_m)
    if power == 1 and problem.count <= len(problem.fixed) + 1:
        bound = total  # all others were looked at
    else:
        bound = few_sites_bound(problem, sites, power=power, cap_m=cap_m, steps=bound_steps, stop=stop)
    return _level(problem, name, total, bound, weight, is_stopped)


def cool(service: Service, layout: Layout, *, moves: int, seed: int, stop: Stop, hot: float = HOT) -> bool:
    """Anneal in place at temperatures that suit the cost of the layout; True if stopped."""
    unit = float(np.where(layout.first >= 0, layout.first_cost, 0.0).sum()) / max(1, len(layout.sites))
    if unit <= 0:
        return False
    return anneal(service, layout, moves=moves, hot=hot * unit, cold=COLD * unit, seed=seed, stop=stop)


def num_rounds(service: Service, params: MeanParams) -> int:
    """Return how many rounds of the local search make the work that is wanted."""
    length = max(4.0, len(service.demand_cost) / service.num_demand)
    return int(min(params.work / length**2, params.rounds_per_candidate * service.num_candidates))


def better(service: Service, one: Layout, other: Layout) -> Layout:
    """Return the cheaper of two layouts, the first where they are alike."""
    return other if total_cost(service, other) < total_cost(service, one) else one


def mean_level(
    problem: PlacementProblem,
    name: LevelName,
    service: Service,
    layout: Layout,
    bound_steps: int,
    is_stopped: bool,
    stop: Stop,
) -> Level:
    """Return the level of a layout: its weighted mean, and the bound that Lagrangian prices prove."""
    weight = float(problem.weights.sum())
    if weight <= 0:
        return Level(name=name, value=0.0, bound=0.0, status="optimal")
    total = float(layout.first_cost.sum())
    if num_unserved(service, layout):
        raise AssertionError(f"{num_unserved(service, layout)} demand points have no site in their lists")
    found = lagrange_bound(service, problem.count, total, layout.second_cost, steps=bound_steps, stop=stop)
    return _level(problem, name, total, found.total, weight, is_stopped)


def _level(
    problem: PlacementProblem, name: LevelName, total: float, proven: float, weight: float, is_stopped: bool
) -> Level:
    bound = min(_whole(problem, name, proven), total)
    status: Status = "optimal" if total - bound <= 1e-9 * total else "stopped" if is_stopped else "feasible"
    return Level(name=name, value=total / weight, bound=bound / weight, status=status)


def _whole(problem: PlacementProblem, name: LevelName, total: float) -> float:
    """Round a bound up where every total is a whole number."""
    whole = problem.distance == "euclid_floor" and bool((problem.weights == np.floor(problem.weights)).all())
    whole = whole and bool(
        (np.isinf(problem.served_m) | (problem.served_m == np.floor(problem.served_m))).all()
    )
    return float(np.ceil(total - 1e-6)) if whole else total
