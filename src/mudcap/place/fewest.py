"""The fewest points that bring everything within a radius: location set covering, with a certified bound."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from mudcap.place.bounds import counting_price, linear_price, needed_columns, solve_cover
from mudcap.place.cover import Cover, cover_at, reduce
from mudcap.place.cover_halves import cover_by_halves
from mudcap.place.cover_search import greedy_columns, search_cover
from mudcap.place.near import within
from mudcap.place.problem import Effort, PlacementProblem, Status
from mudcap.place.swap import build_service, open_sites
from mudcap.place.swap_descent import descend
from mudcap.place.swap_local import iterate

SEARCH_STEPS: Final[dict[Effort, int]] = {"quick": 5_000, "normal": 200_000, "long": 10_000_000}
NODES: Final[dict[Effort, int]] = {"quick": 200, "normal": 2_000, "long": 400_000}
PROGRAMS: Final[dict[Effort, int]] = {"quick": 50, "normal": 300, "long": 4_000}
"""Linear programmes of the branching by halves; where it ends in a proof, most often a few dozen do."""
MOST_SHORT: Final[dict[Effort, int]] = {"quick": 1, "normal": 1, "long": 10**9}
"""Branch and bound by single columns is tried where the bound lacks no more columns than this: two are hardly ever proven."""
ENTRIES: Final[dict[Effort, int]] = {"quick": 1_500, "normal": 20_000, "long": 10**9}
"""Branch and bound is tried on covers with no more entries than this: even its first node is long on larger ones."""
ROUNDS: Final[dict[Effort, int]] = {"quick": 2, "normal": 40, "long": 400}
LINEAR_ITERATIONS: Final[dict[Effort, int]] = {"quick": 1_000, "normal": 20_000, "long": 20_000}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FewestSites:
    """The fewest candidates that reach all demand points that can be reached, and what is proven of their number."""

    sites: NDArray[np.int64]
    """(k,) candidate numbers, ascending."""
    assigned: NDArray[np.int64]
    """(m,) nearest chosen candidate of each demand point; -1 where no candidate reaches it."""
    distance_m: NDArray[np.float64]
    """(m,) distance to it; inf where none reaches it."""
    bound: int
    """Certified lower bound on the number of candidates."""
    status: Status

    @property
    def unreachable(self) -> NDArray[np.int64]:
        """Demand points that no candidate reaches."""
        return np.flatnonzero(self.assigned < 0)


def fewest_sites(
    candidates_xy: ArrayLike,
    demand_xy: ArrayLike,
    radius_m: float,
    *,
    effort: Effort = "normal",
    seed: int = 0,
    stop: Callable[[], bool] | None = None,
) -> FewestSites:
    """The fewest candidates (n, 2) that bring each demand point (m, 2) within `radius_m`; among as few, the nearest.

    Solved by dominance, a weighted tabu search from above, and LP duality, branch and bound from below, all on counts
    of work. The second goal, the sum of distances, is a search within the radius and carries no proof. Where `stop` says so
    between two stages, the best so far comes back with status `stopped`.

    References: location set covering: Toregas, Swain, ReVelle & Bergman 1971, Operations Research 19:1363-1373 (from memory).

    >>> fewest_sites([(0, 0), (5, 0), (10, 0)], [(0, 0), (10, 0)], 5.0).sites.tolist()
    [1]
    """
    cand, dem = (np.array(xy, float).reshape(-1, 2) for xy in (candidates_xy, demand_xy))
    if not len(dem) or not len(cand):
        return _answer(cand, dem, np.empty(0, np.int64), np.zeros(len(dem), bool), 0)
    near = within(cand, dem, radius_m)
    reachable = np.diff(near.demand_ptr) > 0
    if not reachable.any():
        return _answer(cand, dem, np.empty(0, np.int64), reachable, 0)
    reduced = reduce(cover_at(near, radius_m, reachable, np.ones(len(cand), bool)))
    inner, bound, is_stopped = _fewest_columns(reduced.cover, cand, effort, seed, stop or (lambda: False))
    sites = np.unique(np.concatenate([reduced.forced, reduced.cover.column_candidate[inner]]))
    if bound >= len(inner):
        bound = len(inner)
    if not is_stopped:
        sites = _nearest(cand, dem[reachable], sites, radius_m + near.tolerance_m, effort, seed)
    return _answer(cand, dem, sites, reachable, bound + len(reduced.forced), is_stopped)


def _fewest_columns(
    cover: Cover, candidate_xy: NDArray[np.float64], effort: Effort, seed: int, stop: Callable[[], bool]
) -> tuple[NDArray[np.int64], int, bool]:
    """Columns that cover all rows, a certified bound on their number, and whether the search was stopped."""
    if not cover.num_rows:
        return np.empty(0, np.int64), 0, False
    best = greedy_columns(cover, seed=seed)
    bound = max(
        int(np.ceil(needed_columns(cover, price).fractional - 1e-9))
        for price in (counting_price(cover), linear_price(cover, iterations=LINEAR_ITERATIONS[effort]))
    )
    best = _searched(cover, best, bound, SEARCH_STEPS["quick"], seed)
    if effort != "quick":
        best = _searched(cover, best, bound, SEARCH_STEPS[effort], seed)
    while bound < len(best) and len(cover.row_column) <= ENTRIES[effort]:
        if stop():
            return best, bound, True
        exact = cover_by_halves(cover, candidate_xy, len(best) - 1, programs=PROGRAMS[effort])
        if exact.columns is None and not exact.is_impossible and len(best) - bound <= MOST_SHORT[effort]:
            exact = solve_cover(cover, len(best) - 1, nodes=NODES[effort])
        if exact.is_impossible:
            return best, len(best), False
        if exact.columns is None:
            break
        best = exact.columns
    return best, bound, False


def _searched(cover: Cover, best: NDArray[np.int64], bound: int, steps: int, seed: int) -> NDArray[np.int64]:
    """One column fewer at a time for as long as the tabu search finds a cover."""
    while bound < len(best):
        trial = search_cover(cover, best[:-1], steps=steps, seed=seed)
        if trial.num_uncovered:
            break
        best = trial.columns
    return best


def _nearest(
    cand: NDArray[np.float64],
    dem: NDArray[np.float64],
    sites: NDArray[np.int64],
    cap_m: float,
    effort: Effort,
    seed: int,
) -> NDArray[np.int64]:
    """As many sites, all within the cap, with a smaller sum of distances where the search finds one."""
    problem = PlacementProblem.from_points(cand, dem, len(sites))
    service = build_service(problem, power=1, cap_m=cap_m)
    layout = open_sites(service, sites)
    descend(service, layout)
    layout, _stopped = iterate(service, layout, rounds=ROUNDS[effort], seed=seed)
    return np.sort(layout.sites).astype(np.int64)


def _answer(
    cand: NDArray[np.float64],
    dem: NDArray[np.float64],
    sites: NDArray[np.int64],
    reachable: NDArray[np.bool_],
    bound: int,
    is_stopped: bool = False,
) -> FewestSites:
    assigned, distance = np.full(len(dem), -1, np.int64), np.full(len(dem), np.inf)
    if len(sites):
        away, nearest = cKDTree(cand[sites]).query(dem[reachable])
        assigned[reachable], distance[reachable] = sites[nearest], away
    for array in (sites, assigned, distance):
        array.setflags(write=False)
    status: Status = "optimal" if bound >= len(sites) else "stopped" if is_stopped else "feasible"
    return FewestSites(sites=sites, assigned=assigned, distance_m=distance, bound=bound, status=status)
