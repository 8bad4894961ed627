"""The farthest level: the sites whose worst-served demand point is as near as possible (the vertex p-center)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mudcap.place.cover import cover_at, reduce
from mudcap.place.cover_bracket import (
    Bracket,
    ExactParams,
    Ground,
    fill_up,
    lower_high,
    make_ground,
    radius_number,
    raise_low,
    settle,
)
from mudcap.place.cover_search import greedy_columns
from mudcap.place.few_farthest import EFFORTS as FEW_EFFORTS
from mudcap.place.few_farthest import FewParams, FewTask, are_few, few_farthest
from mudcap.place.near import Floats, Near, farthest_points, nearest_m, remeasured, tolerance, within
from mudcap.place.problem import Distance, Effort, Level, PlacementProblem, Status

Sites = NDArray[np.int64]

_GROWTH = 1.25
_SAMPLE, _SAMPLE_ENTRIES = 200, 2_000_000
_DENSE_REACH, _DENSE_PAIRS = 300, 1_500_000
_LEAST_SAMPLE, _JOINING = 50, 40


@dataclass(frozen=True, slots=True, kw_only=True)
class FarthestParams:
    """How much work an effort stands for; all of it counted, none of it timed."""

    search_steps: int
    """Swaps of the tabu search in all."""
    probe_steps: int
    """Swaps of its first attempt at a radius."""
    relaxations: int
    """Linear relaxations solved for the bound."""
    iterations: int
    """Steps of the first-order method in each of them, where the cover is large."""
    precision: float
    """Share of the radius below which the relaxations need not tell two radii apart."""
    exact: ExactParams
    """Branch and bound right below the best radius found."""
    rounds: int
    """Times that more demand points join, where sites are not few but each serves very many."""
    few: FewParams
    """Where few sites serve very many points."""


EFFORTS: dict[Effort, FarthestParams] = {
    "quick": FarthestParams(
        search_steps=60_000, probe_steps=5_000, relaxations=8, iterations=400, precision=3e-3,
        exact=ExactParams(work=400_000, nonzeros=2_500, gap_share=0.01, iterations=400), rounds=5,
        few=FEW_EFFORTS["quick"],
    ),
    "normal": FarthestParams(
        search_steps=2_500_000, probe_steps=20_000, relaxations=12, iterations=2000, precision=2e-4,
        exact=ExactParams(work=12_000_000, nonzeros=16_000, gap_share=0.03, iterations=2000), rounds=20,
        few=FEW_EFFORTS["normal"],
    ),
    "long": FarthestParams(
        search_steps=25_000_000, probe_steps=50_000, relaxations=25, iterations=8000, precision=1e-6,
        exact=ExactParams(work=200_000_000, nonzeros=60_000, gap_share=0.045, iterations=8000), rounds=20,
        few=FEW_EFFORTS["long"],
    ),
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FarthestResult:
    """The sites of the farthest level, and what is proven of it."""

    sites: Sites
    """(count,) candidate indices, ascending."""
    level: Level
    """Name, value [m], certified bound [m] and status."""
    tolerance_m: float
    """Distances closer than this [m] count as equal: a later level may hold ``value + tolerance_m``."""

    @property
    def value(self) -> float:
        """Largest distance [m] of a demand point of positive weight from what serves it."""
        return self.level.value


def solve_farthest(
    problem: PlacementProblem,
    *,
    effort: Effort = "normal",
    seed: int = 0,
    start: Sites | None = None,
    stop: Callable[[], bool] | None = None,
    params: FarthestParams | None = None,
) -> FarthestResult:
    """Return sites that make the farthest served distance small, with a certified bound on how small it can be.

    A demand point of weight 0 needs no site; one with ``served_m`` is served at that distance already. ``start``
    are candidates to begin with, where they are good; ``params`` go before ``effort``. Asked now and then, ``stop``
    returns True to end at once with the best so far, whose status is then ``stopped`` unless it is proven optimal.
    """
    halt, params = _Halt(stop), params or EFFORTS[effort]
    task = _make_task(problem)
    if task.free == 0 or not len(task.base) or task.base.max() <= 0:
        value = float(task.base.max(initial=0.0))
        return _result(task, np.arange(task.free), value, value, halt)
    begin = None if start is None else np.flatnonzero(np.isin(task.allowed, start))[: task.free]
    if _is_few(task):
        few = few_farthest(_few_task(task), params.few, seed=seed, begin=begin, halt=halt)
        return _result(task, few.sites, few.value, few.bound, halt)
    if _is_dense(task):
        return _solve_by_sample(task, params, seed, begin, halt)
    bracket = _solve_rows(task, np.arange(len(task.base)), params, seed, begin, halt)
    return _result(task, bracket.sites, bracket.value, bracket.bound, halt)


def solve_rest(
    problem: PlacementProblem, far: FarthestResult, *, seed: int = 0, params: FarthestParams,
    stop: Callable[[], bool] | None = None,
) -> tuple[Floats, FarthestResult] | None:  # fmt: skip
    """Return how near each demand point (m,) can be at best, and the farthest level of all but those that excluded ground sets.

    Excluded ground may keep a few points so far from every candidate that they alone set the farthest level. Here a point
    that is b away from its nearest candidate counts at radius r as served within max(r, b + r/2), though never beyond the
    farthest level with its slack; so the few stay near their best without claiming every candidate around that ground, and
    the rest get a level of their own. Its ``value`` is that r, at most the value of ``far``. None where no such point sets
    the level, or few sites serve very many points.
    """
    task = _make_task(problem)
    if task.free == 0 or not len(task.base) or _is_few(task) or _is_dense(task):
        return None
    best = np.minimum(task.base, nearest_m(
        task.candidate_xy, task.demand_xy, distance=task.distance, tolerance_m=task.tol
    ))  # fmt: skip
    if far.value > float(best.max()) + task.tol or far.value <= task.tol:
        return None
    halt = _Halt(stop)
    easing = _Easing(best_m=best, limit_m=far.value * (1 + problem.slack) + task.tol)
    bracket = _solve_rows(task, np.arange(len(task.base)), params, seed, None, halt, easing)
    least = np.zeros(len(problem.demand_xy))
    least[problem.weights > 0] = best
    return least, _result(task, bracket.sites, bracket.value, bracket.bound, halt)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Easing:
    """What a distance counts for where points that no candidate is near are to leave the rest alone."""

    best_m: Floats
    """(m,) distance of each demand point from its nearest candidate (or what serves it already)."""
    limit_m: float
    """Farthest that anybody may be served."""

    def eased(self, away_m: Floats, best_m: Floats) -> Floats:
        """The least r for which each distance is within max(r, best + r/2); distances beyond the limit as they are."""
        return np.where(away_m > self.limit_m, away_m, np.minimum(away_m, np.maximum(2 * (away_m - best_m), 0.0)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Task:
    """The problem without the points that need nothing and the candidates that are settled."""

    fixed: Sites
    allowed: Sites
    candidate_xy: Floats
    demand_xy: Floats
    base: Floats
    free: int
    distance: Distance
    tol: float


def _make_task(problem: PlacementProblem) -> _Task:
    active = problem.weights > 0
    fixed = problem.fixed
    allowed = np.setdiff1d(np.arange(len(problem.candidate_xy)), np.union1d(fixed, problem.banned))
    tol = tolerance(problem.candidate_xy, problem.demand_xy)
    demand_xy = problem.demand_xy[active]
    to_fixed = nearest_m(problem.candidate_xy[fixed], demand_xy, distance=problem.distance, tolerance_m=tol)
    return _Task(
        fixed=fixed, allowed=allowed, candidate_xy=problem.candidate_xy[allowed], demand_xy=demand_xy,
        base=np.minimum(problem.served_m[active], to_fixed), free=problem.count - len(fixed),
        distance=problem.distance, tol=tol,
    )  # fmt: skip


def _solve_rows(
    task: _Task, rows: Sites, params: FarthestParams, seed: int, begin: Sites | None, halt: _Halt,
    easing: _Easing | None = None,
) -> Bracket:  # fmt: skip
    """Return the bracket of the demand points ``rows`` alone, with distances eased where they are to be."""
    ground, first = _open(task, rows, seed, easing)
    sites, value = fill_up(ground, first)
    bracket = Bracket(ground=ground, sites=sites, value=value, high=radius_number(ground, value))
    if begin is not None:
        bracket.offer(begin)
    _improve(bracket, params, seed, halt)
    return bracket


def _is_few(task: _Task) -> bool:
    return are_few(task.free, len(task.candidate_xy))


def _few_task(task: _Task) -> FewTask:
    return FewTask(
        candidate_xy=task.candidate_xy, demand_xy=task.demand_xy, base=task.base, count=task.free,
        distance=task.distance, tol=task.tol,
    )  # fmt: skip


def _is_dense(task: _Task) -> bool:
    reach = 2 * len(task.candidate_xy) / task.free
    return reach > _DENSE_REACH and reach * len(task.base) > _DENSE_PAIRS


def _solve_by_sample(
    task: _Task, params: FarthestParams, seed: int, begin: Sites | None, halt: _Halt
) -> FarthestResult:
    """Return the result for few sites among very many points, from a growing part of the demand.

    What a part of the demand needs, the whole needs: its bound holds. The points that its sites serve worst join it,
    until there are none that lie farther than the part's own farthest.
    """
    wanted = np.flatnonzero(task.base > 0)
    away = np.full(len(wanted), np.inf)
    rows = wanted[farthest_points(task.demand_xy[wanted], away, max(20 * task.free, _LEAST_SAMPLE), 0.0)]
    best, value, bound = np.arange(task.free), np.inf, 0.0
    for _ in range(params.rounds):
        bracket = _solve_rows(task, rows, params, seed, begin, halt)
        begin, bound = bracket.sites, max(bound, bracket.bound)
        away = np.minimum(
            task.base, nearest_m(
                task.candidate_xy[begin], task.demand_xy, distance=task.distance, tolerance_m=task.tol
            ),
        )  # fmt: skip
        if away.max() < value:
            best, value = begin, float(away.max())
        if value <= bound + task.tol or away.max() <= bracket.value + task.tol or halt():
            break
        rows = np.union1d(rows, farthest_points(task.demand_xy, away, _JOINING, bracket.value + task.tol))
    return _result(task, best, value, value if value <= bound + task.tol else bound, halt)


def _improve(bracket: Bracket, params: FarthestParams, seed: int, halt: _Halt) -> None:
    raise_low(bracket, iterations=0, trials=64, precision=0.0)
    if halt():
        return
    raise_low(
        bracket, iterations=params.iterations, trials=params.relaxations, precision=params.precision
    )

    tried: set[int] = set()

    def settle_below(now: Bracket) -> bool:
        k = now.high - 1
        if k in tried:
            return False
        tried.add(k)
        return settle(now, k, params.exact)

    lower_high(
        bracket, steps=params.search_steps, probe=params.probe_steps, seed=seed, is_exact=settle_below, stop=halt
    )


class _Halt:
    """Asks the caller whether to stop, and remembers that it said so."""

    def __init__(self, ask: Callable[[], bool] | None) -> None:
        self._ask = ask
        self.is_stopped = False

    def __call__(self) -> bool:
        if not self.is_stopped and self._ask is not None:
            self.is_stopped = bool(self._ask())
        return self.is_stopped


def _open(task: _Task, rows: Sites, seed: int, easing: _Easing | None) -> tuple[Ground, Sites]:
    """Return the ground up to a radius at which a greedy cover is small enough, and that cover."""
    demand_xy, base = task.demand_xy[rows], task.base[rows]
    radius = _typical_radius(task.candidate_xy, demand_xy, task.free, seed)
    if easing is not None:
        radius, base = max(radius, easing.limit_m), easing.eased(base, easing.best_m)
    while True:
        near = within(task.candidate_xy, demand_xy, radius, distance=task.distance, tolerance_m=task.tol)
        if easing is not None:
            near = remeasured(near, easing.eased, easing.best_m)
        columns = _greedy_sites(near, base, radius, seed)
        if columns is not None and len(columns) <= task.free:
            return make_ground(near, base, task.free), columns
        radius *= _GROWTH


def _greedy_sites(near: Near, base: Floats, radius: float, seed: int) -> Sites | None:
    rows, columns = base > radius + near.tolerance_m, np.ones(near.num_candidates, np.bool_)
    cover = cover_at(near, radius, rows, columns)
    if cover.has_hopeless_row:
        return None
    small = reduce(cover)
    greedy = greedy_columns(small.cover, seed=seed)
    return np.concatenate([small.forced, small.cover.column_candidate[greedy]])


def _typical_radius(candidate_xy: Floats, demand_xy: Floats, count: int, seed: int) -> float:
    """Return about the radius within which a demand point finds one site in ``count``."""
    rng = np.random.default_rng(seed)
    size = max(min(_SAMPLE, _SAMPLE_ENTRIES // len(candidate_xy)), 10)
    sample = demand_xy[rng.permutation(len(demand_xy))[:size]]
    rank = min(len(candidate_xy) // count, len(candidate_xy) - 1)
    away = np.hypot(
        sample[:, None, 0] - candidate_xy[None, :, 0], sample[:, None, 1] - candidate_xy[None, :, 1]
    )
    typical = float(np.median(np.partition(away, rank, axis=1)[:, rank]))
    return typical if typical > 0 else float(away.max()) * 1e-3 + 1e-9


def _result(task: _Task, columns: Sites, value: float, bound: float, halt: _Halt) -> FarthestResult:
    status: Status = "optimal" if value <= bound else "stopped" if halt.is_stopped else "feasible"
    level = Level(name="farthest", value=value, bound=bound, status=status)
    sites = np.sort(np.concatenate([task.fixed, task.allowed[columns]]))
    return FarthestResult(sites=sites, level=level, tolerance_m=task.tol)
