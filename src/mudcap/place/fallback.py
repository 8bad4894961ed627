"""The stated fallback: a hexagonal grid snapped to allowed stations, for when the solver crashed, hung or was stopped.

It shares no code with the solver, needs well under a second for thousands of sites, and always gives exactly the number
of sites asked for. Nothing is proven of it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from mudcap.place.problem import Effort, Level, Placement, PlacementProblem, Status

_HALVINGS: Final = 40


def hexagonal(problem: PlacementProblem, *, effort: Effort = "normal", seed: int = 0) -> Placement:
    """A layout with exactly `problem.count` sites, fixed ones kept, banned ones left out; every level is `stopped`."""
    if problem.objective == "fewest":
        return replace(_placed(problem, _greedy(problem), "stopped", effort, seed), fallback=True)
    allowed = np.setdiff1d(np.arange(len(problem.candidate_xy)), problem.banned)
    placed = _placed(problem, _reduce(problem, _widest_grid(problem, allowed)), "stopped", effort, seed)
    return replace(placed, fallback=True)


def standing(
    problem: PlacementProblem, sites: ArrayLike, *, effort: Effort = "normal", seed: int = 0
) -> Placement | None:
    """The layout of a search before, for when the one that was to better it ends early; None where it does not fit.

    Marked `stopped`, with nothing proven: a bound of the search before need not hold for this problem.
    """
    chosen = np.unique(np.asarray(sites, np.int64))
    fits = (
        len(chosen) == problem.count
        and np.isin(problem.fixed, chosen).all()
        and not np.isin(problem.banned, chosen).any()
        and chosen[0] >= 0
        and chosen[-1] < len(problem.candidate_xy)
    )
    return _placed(problem, chosen, "bound_unknown", effort, seed) if fits else None


def _placed(
    problem: PlacementProblem, sites: NDArray[np.int64], status: Status, effort: Effort, seed: int
) -> Placement:
    distance, nearest = cKDTree(problem.candidate_xy[sites]).query(problem.demand_xy)
    outside = problem.served_m < distance
    assigned = np.where(outside, -1, sites[nearest])
    served = np.minimum(distance, problem.served_m)
    return Placement(
        sites=sites, assigned=assigned, distance_m=served, levels=_levels(problem, assigned, sites, served, status),
        seed=seed, effort=effort, stopped=True,
    )  # fmt: skip


def _widest_grid(problem: PlacementProblem, allowed: NDArray[np.int64]) -> NDArray[np.int64]:
    """Stations of the widest hexagonal grid that still gives at least `count` sites, fixed ones included."""
    tree = cKDTree(problem.candidate_xy[allowed])
    low, high = 0.0, float(np.ptp(problem.candidate_xy[allowed], axis=0).max()) * 2 + 1.0
    best = allowed
    for _ in range(_HALVINGS):
        spacing = (low + high) / 2
        found = _snapped(problem, allowed, tree, spacing)
        if found is None or len(found) >= problem.count:
            low = spacing
            best = best if found is None else found
        else:
            high = spacing
    return best


def _snapped(
    problem: PlacementProblem, allowed: NDArray[np.int64], tree: cKDTree, spacing_m: float
) -> NDArray[np.int64] | None:
    """Stations nearest to the knots of a grid, with the fixed ones; None where the grid is too fine to be worth laying."""
    xy = problem.candidate_xy[allowed]
    start, end = xy.min(axis=0), xy.max(axis=0)
    rise = spacing_m * np.sqrt(3) / 2
    across, up = (end - start) / (spacing_m, rise) + 2
    if across * up > 50 * len(allowed) + 1000:
        return None
    j, i = np.mgrid[0 : int(up) + 1, 0 : int(across) + 1]
    knots = np.column_stack([(i + (j % 2) / 2).ravel() * spacing_m, j.ravel() * rise]) + start
    distance, nearest = tree.query(knots, distance_upper_bound=spacing_m * 0.58)
    return np.union1d(allowed[np.unique(nearest[np.isfinite(distance)])], problem.fixed)


def _greedy(problem: PlacementProblem) -> NDArray[np.int64]:
    """Candidates that together reach all that can be reached, the one that reaches most of the rest next."""
    reach = cKDTree(problem.demand_xy).query_ball_point(problem.candidate_xy, problem.within_m + 1e-9)
    left, chosen = set(np.concatenate([np.array(r, np.int64) for r in reach]).tolist()), []
    while left:
        chosen.append(max(range(len(reach)), key=lambda c: (len(left.intersection(reach[c])), -c)))
        left.difference_update(reach[chosen[-1]])
    return np.array(sorted(chosen), np.int64)


def _reduce(problem: PlacementProblem, sites: NDArray[np.int64]) -> NDArray[np.int64]:
    """Drop the more crowded of the closest pair until the number is right; fixed sites stay."""
    kept = list(sites)
    fixed = set(problem.fixed.tolist())
    while len(kept) > problem.count:
        index = np.array(kept)
        free = np.array([k not in fixed for k in kept])
        depth = min(3, len(kept))
        distance = cKDTree(problem.candidate_xy[index]).query(problem.candidate_xy[index], k=depth)[0]
        distance[~free] = np.inf
        order = np.lexsort((index, *distance.T[::-1]))
        # far-apart victims of one round do not change each other's neighbours much
        surplus = len(kept) - problem.count
        drop = order[: max(1, surplus // 4)]
        kept = list(np.delete(index, drop[free[drop]]))
    return np.array(sorted(kept), np.int64)


def _levels(
    problem: PlacementProblem,
    assigned: NDArray[np.int64],
    sites: NDArray[np.int64],
    served: NDArray[np.float64],
    status: Status,
) -> tuple[Level, ...]:
    mine = assigned >= 0
    load = np.bincount(np.searchsorted(sites, assigned[mine]), problem.weights[mine], len(sites))
    total = float(problem.weights.sum()) or 1.0
    farthest = float(served[problem.weights > 0].max(initial=0.0))
    mean_square = float(np.sum(problem.weights * served**2) / total)
    mean = float(np.sum(problem.weights * served) / total)
    cv = float(load.std() / load.mean()) if load.sum() else 0.0
    if problem.objective == "farthest":
        return (Level(name="farthest", value=farthest, bound=None, status=status),)
    if problem.objective == "fewest":
        return (Level(name="number", value=float(len(sites)), bound=None, status=status),)
    if problem.objective == "mean":
        return (Level(name="mean", value=mean, bound=None, status=status),)
    return (
        Level(name="farthest", value=farthest, bound=None, status=status),
        Level(name="mean_square", value=mean_square, bound=None, status=status),
        Level(name="cv", value=cv, bound=None, status=status),
    )
