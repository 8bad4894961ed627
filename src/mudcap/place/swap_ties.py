"""Which site serves each demand point where several are equally near: so that the sites' loads are as even as can be."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from mudcap.place.near import tolerance
from mudcap.place.problem import PlacementProblem

MAX_PATH_SITES = 20_000
"""Sites that one search for a balancing path may visit: every one of a block of 2,000 acres."""


def nearest_sites(
    problem: PlacementProblem, sites: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """Return, per demand point, the run and the positions in ``sites`` of its equally near sites, and their distance.

    Points that a site outside serves from nearer have an empty run and that site's distance.
    """
    slack = tolerance(problem.candidate_xy, problem.demand_xy)
    is_floor = problem.distance == "euclid_floor"
    start, near, away = tied_sites(problem.candidate_xy[sites], problem.demand_xy, slack, is_floor=is_floor)
    inside = away <= problem.served_m + slack
    lengths = np.diff(start)
    near = near[np.repeat(inside, lengths)]
    start = np.concatenate([[0], np.cumsum(np.where(inside, lengths, 0))])
    return start, near, np.minimum(away, problem.served_m)


def tied_sites(
    site_xy: NDArray[np.float64],
    demand_xy: NDArray[np.float64],
    tolerance_m: float,
    *,
    is_floor: bool = False,
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """Return, per demand point, the run and the numbers of its equally near sites, and their distance [m]."""
    tree = cKDTree(site_xy)
    k = min(4, len(site_xy))
    while True:
        away, near = tree.query(demand_xy, k=np.arange(1, k + 1))
        if is_floor:
            away = np.floor(away + tolerance_m)
        tied = away <= away[:, :1] + tolerance_m
        if k == len(site_xy) or not tied[:, -1].any():
            break
        k = min(len(site_xy), 2 * k)
    start = np.concatenate([[0], np.cumsum(tied.sum(axis=1))])
    return start, near[tied], away[:, 0]


def assign_evenly(
    problem: PlacementProblem, sites: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    """Return each demand point's site (-1 outside), its distance [m] and the weight that each site serves.

    Among equally near sites the choice makes the sum of squared loads least: exactly where the weights are equal,
    by a descent over single points and paths of points where they are not.
    """
    start, near, distance = nearest_sites(problem, sites)
    chosen, load = balance(start, near, problem.weights, len(sites))
    assigned = np.where(chosen >= 0, sites[np.maximum(chosen, 0)], -1)
    return assigned, distance, load


def balance(
    start: NDArray[np.int64], near: NDArray[np.int64], weights: NDArray[np.float64], num_sites: int
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return the position of the site that serves each point and the sites' loads, by balancing paths.

    References
    ----------
    A choice is best for a separable convex cost exactly when no path of unit moves lowers it: the optimality
    condition of convex-cost flow (Ahuja, Magnanti & Orlin 1993, *Network Flows*, ch. 14; from memory).
    """
    order = np.argsort(-weights, kind="stable")
    chosen, load = _first_choice(start, near, weights, order, num_sites)
    free = np.flatnonzero(np.diff(start) > 1)
    _balance(start, near, weights, free, chosen, load, MAX_PATH_SITES)
    return chosen, load


@njit(cache=True)
def _first_choice(start, near, weights, order, num_sites):  # type: ignore[no-untyped-def]
    """Points with one nearest site first, then the others by weight, each to the least loaded of its sites."""
    m = len(start) - 1
    chosen = np.full(m, -1, np.int64)
    load = np.zeros(num_sites)
    for j in range(m):
        if start[j + 1] - start[j] == 1:
            chosen[j] = near[start[j]]
            load[chosen[j]] += weights[j]
    for j in order:
        if start[j + 1] - start[j] > 1:
            best = near[start[j]]
            for k in range(start[j], start[j + 1]):
                if load[near[k]] < load[best]:
                    best = near[k]
            chosen[j] = best
            load[best] += weights[j]
    return chosen, load


@njit(cache=True)
def _balance(start, near, weights, free, chosen, load, max_visits):  # type: ignore[no-untyped-def]
    """Shift points along paths of sites from a heavy to a light site until no path helps."""
    num_sites = len(load)
    head = np.full(num_sites, -1, np.int64)
    follow = np.full(len(free), -1, np.int64)
    came_by = np.empty(num_sites, np.int64)
    seen = np.full(num_sites, -1, np.int64)
    queue = np.empty(num_sites, np.int64)
    for f in range(len(free)):
        j = free[f]
        follow[f] = head[chosen[j]]
        head[chosen[j]] = f
    mark, changed = 0, True
    while changed:
        changed = False
        for u in np.argsort(-load):
            while True:
                mark += 1
                v = _lighter(
                    u, mark, start, near, weights, free, load, head, follow, came_by, seen, queue, max_visits
                )
                if v < 0:
                    break
                _shift(u, v, weights, free, chosen, load, head, follow, came_by)
                changed = True


@njit(cache=True)
def _lighter(  # type: ignore[no-untyped-def]
    u, mark, start, near, weights, free, load, head, follow, came_by, seen, queue, max_visits
):
    """Return the first site found, breadth first, that should take a point's weight from u; -1 if none."""
    seen[u] = mark
    queue[0] = u
    first, last = 0, 1
    while first < last and last < max_visits:
        at = queue[first]
        first += 1
        f = head[at]
        while f >= 0:
            j = free[f]
            for k in range(start[j], start[j + 1]):
                v = near[k]
                if v == u or weights[j] <= 0:
                    continue
                # along a path all points must weigh the same, or the sites between change too
                if at != u and (seen[v] == mark or weights[free[came_by[at]]] != weights[j]):
                    continue
                if load[u] - load[v] > weights[j] * (1 + 1e-9):
                    came_by[v] = f
                    return v
                if seen[v] == mark:
                    continue
                seen[v] = mark
                came_by[v] = f
                queue[last] = v
                last += 1
            f = follow[f]
    return -1


@njit(cache=True)
def _shift(u, v, weights, free, chosen, load, head, follow, came_by):  # type: ignore[no-untyped-def]
    """Move one point along each step of the path that ends at v."""
    while v != u:
        f = came_by[v]
        j = free[f]
        origin = chosen[j]
        if head[origin] == f:
            head[origin] = follow[f]
        else:
            g = head[origin]
            while follow[g] != f:
                g = follow[g]
            follow[g] = follow[f]
        follow[f] = head[v]
        head[v] = f
        chosen[j] = v
        load[origin] -= weights[j]
        load[v] += weights[j]
        v = origin
