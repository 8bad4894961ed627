"""The levels of an even layout, one after another: farthest, mean of squares, spread of the load per site."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mudcap.place.cooling import Stop, lower_mean_square, num_moves
from mudcap.place.farthest import EFFORTS as FARTHEST_EFFORTS
from mudcap.place.farthest import FarthestParams, FarthestResult, solve_farthest, solve_rest
from mudcap.place.few_even import fewest_driven_of_few, near_sites, part_of_candidates
from mudcap.place.few_mean import EFFORTS as FEW_EFFORTS
from mudcap.place.few_moves import few_moves
from mudcap.place.mean import MeanParams, better, few_level, has_few_sites, mean_level
from mudcap.place.problem import Effort, Level, PlacementProblem
from mudcap.place.rows import fewest_driven
from mudcap.place.rows_search import EFFORTS as ROWS_EFFORTS
from mudcap.place.rows_search import RowsSearch, driven_of, find_few_rows, mean_distance, restricted
from mudcap.place.swap import (
    Cap,
    Layout,
    Service,
    build_service,
    num_unserved,
    open_sites,
    total_cost,
)
from mudcap.place.swap_balance import even_out
from mudcap.place.swap_descent import descend
from mudcap.place.swap_start import even_density
from mudcap.place.swap_ties import assign_evenly

EFFORTS: dict[Effort, MeanParams] = {
    "quick": MeanParams(anneal_moves=2500, work=2e5, rounds_per_candidate=2, bound_steps=100),
    "normal": MeanParams(anneal_moves=40_000, work=4e6, rounds_per_candidate=20, bound_steps=500),
    "long": MeanParams(anneal_moves=180_000, work=3e7, rounds_per_candidate=100, bound_steps=3000),
}


MEAN_SQUARE_GIVEN = 0.0005
"""Share of the mean square that the spread of the loads may cost."""
EXACT_BEFORE_OTHERS: dict[Effort, dict[str, Any]] = {
    "quick": {},
    "normal": {"work": 600_000, "nonzeros": 6_000, "gap_share": 0.01},
    "long": {"work": 6_000_000, "nonzeros": 16_000, "gap_share": 0.03},
}
SEARCH_WITH_SLACK, RELAXATIONS_WITH_SLACK = 0.4, 8
"""Share of the search, and most relaxations, of the farthest level where some of it is given up anyway: the rest of the time
is better spent on the levels after it."""
SCOUT_SHARE, SPARING_SHARE = 0.2, 0.4
"""Shares of the work, where rows are spared, that go into the layout before (it only shows how good the mean can be) and
into the one that stands in the end; the rest of the time goes into the search for rows."""
FEW_WORK: dict[Effort, Effort] = {"quick": "quick", "normal": "quick", "long": "normal"}
"""Search of few sites among a part of the candidates: each move touches nearly all points, and few moves do."""
BALANCE_SHARE = 12
"""One move in so many of the cooling is tried for the loads."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EvenResult:
    """The sites of an even layout, and what is proven of each level."""

    sites: NDArray[np.int64]
    levels: tuple[Level, ...]
    is_stopped: bool


def solve_even(
    problem: PlacementProblem,
    *,
    effort: Effort = "normal",
    seed: int = 0,
    start: NDArray[np.int64] | None = None,
    stop: Stop = None,
) -> EvenResult:
    """Return sites for the lexicographic objective: farthest, then mean of squares, then CV of weight per site."""
    params = EFFORTS[effort]
    far_params = farthest_params(effort, problem.slack)
    far = solve_farthest(problem, seed=seed, start=start, stop=stop, params=far_params)
    cap_m, sites = caps(problem, far, far_params, seed, stop)
    stopped = far.level.status == "stopped"
    if has_few_sites(problem):
        return _solve_few(problem, effort, far, seed, start, stop)
    # bounds are about all layouts within the farthest level, whatever the rest are held to
    if problem.has_kept and start is not None:
        return _solve_kept(problem, effort, far, sites, cap_m, seed, start, stop)
    service = build_service(problem, power=2, cap_m=cap_m)
    proven = service if isinstance(cap_m, float) else build_service(problem, power=2, cap_m=plain_cap_m(problem, far))
    least = 0 if problem.candidate_row is None else fewest_driven(problem, proven)
    sites, stopped = _lower_levels(problem, service, sites, least, effort, cap_m, seed, start, stop, stopped)
    square = mean_level(
        problem, "mean_square", proven, open_sites(proven, sites), params.bound_steps, stopped, stop
    )
    return _result(problem, sites, far, least, square, stopped)


def _solve_kept(
    problem: PlacementProblem,
    effort: Effort,
    far: FarthestResult,
    others: NDArray[np.int64],
    cap_m: Cap,
    seed: int,
    start: NDArray[np.int64],
    stop: Stop,
) -> EvenResult:
    """The same by few moves from the sites of a kept plan, ``others`` being sites within the cap; bounds are about layouts that reach as far as these do."""
    params = EFFORTS[effort]
    sites, stopped = few_moves(problem, cap_m, start, others, params, seed, stop)
    reach_m = farthest_level(problem, sites, far.level).value + far.tolerance_m
    proven = build_service(problem, power=2, cap_m=max(plain_cap_m(problem, far), reach_m))
    least = 0 if problem.candidate_row is None else fewest_driven(problem, proven)
    square = mean_level(problem, "mean_square", proven, open_sites(proven, sites), params.bound_steps, stopped, stop)
    return _result(problem, sites, far, least, square, stopped)


def _solve_few(
    problem: PlacementProblem, effort: Effort, far: FarthestResult, seed: int, start: NDArray[np.int64] | None, stop: Stop
) -> EvenResult:
    """The same for few sites: with a part of the candidates, then with those near the sites found."""
    cap_m, stopped = plain_cap_m(problem, far), far.level.status == "stopped"
    least = 0 if problem.candidate_row is None else fewest_driven_of_few(problem, cap_m)
    sites = far.sites
    keep = sites if start is None else np.union1d(sites, start)
    part = part_of_candidates(problem, keep, seed)
    service = build_service(part, power=2, cap_m=cap_m)
    work = FEW_WORK[effort]
    sites, stopped = _lower_levels(part, service, sites, least, work, cap_m, seed, start, stop, stopped)
    if not stopped:
        near = near_sites(problem, sites)
        service = build_service(near, power=2, cap_m=cap_m)
        layout = open_sites(service, sites)
        stopped = descend(service, layout, stop=stop)
        if not stopped:
            layout, stopped = more_even(near, service, layout, EFFORTS[work], seed, stop)
        sites = np.sort(layout.sites).astype(np.int64)
    steps = FEW_EFFORTS[effort].bound_steps
    square = few_level(problem, "mean_square", sites, steps, stopped, stop, cap_m)
    return _result(problem, sites, far, least, square, stopped)


def _lower_levels(
    problem: PlacementProblem,
    service: Service,
    sites: NDArray[np.int64],
    least: int,
    effort: Effort,
    cap_m: Cap,
    seed: int,
    start: NDArray[np.int64] | None,
    stop: Stop,
    is_stopped: bool,
) -> tuple[NDArray[np.int64], bool]:
    """Return sites within the cap, better in all levels after the farthest, and True if stopped."""
    params, stopped = EFFORTS[effort], is_stopped
    layout = open_sites(service, sites)
    if start is not None and len(start) == problem.count:
        layout = better(service, layout, open_sites(service, np.asarray(start)))
    if not stopped:
        begin = open_sites(service, even_density(problem, service)) if start is None else layout
        # with row economy this layout only says how good the mean can be: the work goes into the one that spares rows
        first = part_of(params, SCOUT_SHARE) if has_economy(problem) else params
        layout, stopped = lower_mean_square(service, layout, first, cap_m, seed, stop, begin)
    narrow = service
    if not stopped and has_economy(problem):
        narrow, layout, stopped = spare_rows(problem, service, layout, least, effort, cap_m, seed, stop)
    if not stopped:
        layout, stopped = more_even(problem, narrow, layout, params, seed, stop)
    return np.sort(layout.sites).astype(np.int64), stopped


def _result(
    problem: PlacementProblem, sites: NDArray[np.int64], far: FarthestResult, least: int, square: Level, is_stopped: bool
) -> EvenResult:
    levels = (
        farthest_level(problem, sites, far.level),
        *driven_levels(problem, sites, least),
        square,
        cv_level(problem, sites),
    )
    return EvenResult(sites=sites, levels=levels, is_stopped=is_stopped)


def caps(
    problem: PlacementProblem, far: FarthestResult, params: FarthestParams, seed: int, stop: Stop
) -> tuple[Cap, NDArray[np.int64]]:
    """Return how far a site may serve, and sites that keep to it.

    One cap for all points, unless the rest are to be held to what they can have where a few that no candidate is near set
    the farthest level alone: see ``solve_rest``. The slack is given in either case.
    """
    rest = None
    if problem.holds_rest and far.level.status != "stopped":
        rest = solve_rest(problem, far, seed=seed, params=params, stop=stop)
    if rest is None:
        return plain_cap_m(problem, far), far.sites
    least, others = rest
    within = np.minimum(np.maximum(others.value, least + others.value / 2), max(far.value, others.value))
    return within * (1 + problem.slack) + far.tolerance_m, others.sites


def plain_cap_m(problem: PlacementProblem, far: FarthestResult) -> float:
    """Return how far a site may serve by the farthest level."""
    return far.value * (1 + problem.slack) + far.tolerance_m


def farthest_params(effort: Effort, slack: float) -> FarthestParams:
    """The work of the farthest level where others follow: hardly any branch and bound, which on an irregular block can take
    minutes for a tenth of a metre, and less search where some of the farthest is given up anyway."""
    params = FARTHEST_EFFORTS[effort]
    exact = replace(params.exact, **EXACT_BEFORE_OTHERS[effort])
    if slack <= 0:
        return replace(params, exact=exact)
    return replace(
        params, exact=exact, search_steps=int(SEARCH_WITH_SLACK * params.search_steps),
        relaxations=min(RELAXATIONS_WITH_SLACK, params.relaxations),
    )  # fmt: skip


def has_economy(problem: PlacementProblem) -> bool:
    """Whether evenness may be given up for fewer driven rows."""
    return problem.candidate_row is not None and problem.row_economy > 0


def part_of(params: MeanParams, share: float) -> MeanParams:
    """A share of the work."""
    return replace(params, anneal_moves=int(share * params.anneal_moves), work=share * params.work)


def more_even(
    problem: PlacementProblem, service: Service, layout: Layout, params: MeanParams, seed: int, stop: Stop
) -> tuple[Layout, bool]:
    """Return the layout with its loads evened out at hardly any cost to the mean square, if that helps; True if stopped."""
    allowance = total_cost(service, layout) + MEAN_SQUARE_GIVEN * float(layout.first_cost.sum())
    before = layout.sites.astype(np.int64)
    trial, stopped = even_out(
        service, layout, problem.weights, allowance=allowance, moves=num_moves(params, len(before)) // BALANCE_SHARE,
        seed=seed, stop=stop,
    )  # fmt: skip
    if cv_level(problem, trial.sites.astype(np.int64)).value < cv_level(problem, before).value:
        return trial, stopped
    return open_sites(service, before), stopped


def spare_rows(
    problem: PlacementProblem,
    service: Service,
    layout: Layout,
    least: int,
    effort: Effort,
    cap_m: Cap,
    seed: int,
    stop: Stop,
) -> tuple[Service, Layout, bool]:
    """Return a layout within the cap and the mean allowed that needs as few driven rows as found.

    With it the service lists of the candidates beside those rows, and True if stopped.
    """

    def improve(service: Service, layout: Layout, params: MeanParams) -> tuple[Layout, bool]:
        return lower_mean_square(service, layout, params, cap_m, seed, stop)

    search = RowsSearch(
        problem=problem, cap_m=cap_m, mean_m=mean_distance(problem, layout), economy=problem.row_economy,
        params=ROWS_EFFORTS[effort], improve=improve, stop=stop,
    )  # fmt: skip
    free = np.sort(layout.sites).astype(np.int64)
    few = find_few_rows(search, free, least)
    beside_few = restricted(search, few.driven)
    if len(few.driven) >= driven_of(problem, free) or beside_few is None:
        layout, stopped = improve(service, open_sites(service, free), part_of(EFFORTS[effort], SPARING_SHARE))
        return service, layout, stopped
    narrow = build_service(beside_few, power=2, cap_m=cap_m)
    found, stopped = improve(narrow, open_sites(narrow, few.sites), part_of(EFFORTS[effort], SPARING_SHARE))
    if num_unserved(narrow, found) or mean_distance(problem, found) > search.mean_limit_m:
        found = open_sites(narrow, few.sites)
    return narrow, found, stopped


def driven_levels(problem: PlacementProblem, sites: NDArray[np.int64], bound: int) -> tuple[Level, ...]:
    """Return the level of driven rows where candidates have rows, with what the cap alone proves."""
    if problem.candidate_row is None:
        return ()
    value = driven_of(problem, sites)
    return (
        Level(
            name="driven_rows", value=value, bound=bound, status="optimal" if value == bound else "feasible"
        ),
    )


def farthest_level(problem: PlacementProblem, sites: NDArray[np.int64], proven: Level) -> Level:
    """Return the farthest level of the sites chosen in the end, with the bound of the level as solved."""
    _, distance, _ = assign_evenly(problem, sites)
    value = float(distance[problem.weights > 0].max(initial=0.0))
    if value <= proven.value * (1 + 1e-9):
        return replace(proven, value=max(value, proven.bound or 0.0))
    return Level(name="farthest", value=value, bound=proven.bound, status="feasible")


def cv_level(problem: PlacementProblem, sites: NDArray[np.int64]) -> Level:
    """Return the spread of the weight served per site: standard deviation over mean, ties split for balance."""
    _, _, load = assign_evenly(problem, sites)
    mean = float(load.mean())
    value = float(load.std() / mean) if mean > 0 else 0.0
    bound = _least_cv(problem)
    return Level(
        name="cv",
        value=max(value, bound),
        bound=bound,
        status="optimal" if value <= bound + 1e-12 else "feasible",
    )


def _least_cv(problem: PlacementProblem) -> float:
    """Return a spread that whole points of equal weight cannot go below; 0 where weights or outside service differ."""
    need = problem.weights[problem.weights > 0]
    if not len(need) or (need != need[0]).any() or np.isfinite(problem.served_m).any():
        return 0.0
    mean = len(need) / problem.count
    over = mean - np.floor(mean)
    return float(np.sqrt(over * (1 - over)) / mean)
