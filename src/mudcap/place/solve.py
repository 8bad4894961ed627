"""The placement solver: from a problem to chosen sites, with what is proven of them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from mudcap.place.problem import Effort, Level, Placement, PlacementProblem


def solve(
    problem: PlacementProblem,
    *,
    effort: Effort = "normal",
    start: ArrayLike | None = None,
    seed: int = 0,
    stop: Callable[[], bool] | None = None,
) -> Placement:
    """Return the best placement found, each level of its objective with a certified lower bound.

    ``effort`` is counted work, not time: the same problem, effort, start and seed give the same placement on any
    machine. ``start`` are candidates to begin with (a previous plan's sites); the result is never worse than they are.
    ``stop`` is asked now and then and ends the search where it returns True: the best so far comes back, with
    ``stopped`` set.

    >>> line = [(0.0, 0.0), (1.0, 0.0), (2.0, 0.0)]
    >>> solve(PlacementProblem.from_points(line, line, 1)).sites.tolist()
    [1]
    """
    if effort not in ("quick", "normal", "long"):
        raise ValueError(f"effort: {effort!r} is none of quick, normal, long.")
    # the compiled kernels take a second to load, which only a process that solves should pay
    from mudcap.place.swap_ties import assign_evenly

    begin = None if start is None else _checked(problem, start)
    sites, levels, stopped = _search(problem, effort, begin, seed, stop)
    assigned, distance, _ = assign_evenly(problem, sites)
    for array in (sites, assigned, distance):
        array.setflags(write=False)
    return Placement(
        sites=sites,
        assigned=assigned,
        distance_m=distance,
        levels=levels,
        seed=seed,
        effort=effort,
        stopped=stopped,
    )


def _search(
    problem: PlacementProblem,
    effort: Effort,
    start: NDArray[np.int64] | None,
    seed: int,
    stop: Callable[[], bool] | None,
) -> tuple[NDArray[np.int64], tuple[Level, ...], bool]:
    from mudcap.place.even import solve_even
    from mudcap.place.farthest import solve_farthest
    from mudcap.place.fewest import fewest_sites
    from mudcap.place.mean import solve_mean

    if problem.objective == "farthest":
        far = solve_farthest(problem, effort=effort, seed=seed, start=start, stop=stop)
        return far.sites, (far.level,), far.level.status == "stopped"
    if problem.objective == "fewest":
        few = fewest_sites(problem.candidate_xy, problem.demand_xy, problem.within_m, effort=effort, seed=seed, stop=stop)
        number = Level(name="number", value=float(len(few.sites)), bound=float(few.bound), status=few.status)
        return few.sites, (number,), few.status == "stopped"
    if problem.objective == "mean":
        mean = solve_mean(problem, effort=effort, seed=seed, start=start, stop=stop)
        return mean.sites, (mean.level,), mean.is_stopped
    even = solve_even(problem, effort=effort, seed=seed, start=start, stop=stop)
    return even.sites, even.levels, even.is_stopped


def _checked(problem: PlacementProblem, start: ArrayLike) -> NDArray[np.int64]:
    """Return the starting sites as a whole layout: bans left out, fixed ones put in, cut or filled up to the count."""
    sites = np.unique(np.asarray(start, np.int64).reshape(-1))
    if sites.size and (sites[0] < 0 or sites[-1] >= len(problem.candidate_xy)):
        raise ValueError(f"start: candidate numbers run from 0 to {len(problem.candidate_xy) - 1}.")
    sites = np.setdiff1d(sites, np.concatenate([problem.banned, problem.fixed]))
    rest = np.setdiff1d(
        np.arange(len(problem.candidate_xy)), np.concatenate([problem.banned, problem.fixed, sites])
    )
    return np.sort(np.concatenate([problem.fixed, sites, rest])[: problem.count]).astype(np.int64)


def rehearse() -> None:
    """Load the compiled kernels by solving a toy problem, so that the next `solve` starts at once."""
    xy = [(float(i), float(j)) for i in range(4) for j in range(4)]
    toy = PlacementProblem.from_points(xy, xy, 4, candidate_row=[i for i in range(4) for _ in range(4)])
    solve(toy, effort="quick")
