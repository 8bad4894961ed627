"""A layout to begin with: one site after another where the need is farthest from any."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from mudcap.place.problem import PlacementProblem
from mudcap.place.swap import Service, demand_lists


def spread(problem: PlacementProblem, service: Service) -> NDArray[np.int64]:
    """Return ``count`` candidates, the fixed ones among them, by farthest-first traversal.

    References
    ----------
    Gonzalez 1985, "Clustering to minimize the maximum intercluster distance", Theoretical Computer Science 38:293-306
    (from memory).
    """
    sites = np.full(problem.count, -1, np.int64)
    sites[: len(problem.fixed)] = problem.fixed
    away = np.where(problem.weights > 0, problem.served_m, -1.0)
    found = _spread(
        sites, len(problem.fixed), away, problem.candidate_xy, problem.demand_xy, service.site_state,
        *demand_lists(service)[:2],
    )  # fmt: skip
    sites = sites[:found]
    rest = np.setdiff1d(np.flatnonzero(service.site_state >= 0), sites)
    # what is left over helps nobody: spread it over the numbers instead of crowding it at the first ones
    pick = np.linspace(0, max(0, len(rest) - 1), problem.count - found).astype(np.int64)
    return np.sort(np.concatenate([sites, rest[pick]]))


@njit(cache=True)
def _spread(sites, found, away, candidate_xy, demand_xy, state, start, candidate):  # type: ignore[no-untyped-def]
    """Fill ``sites`` from ``found`` on; return how many there are when nobody is left that a new site would help."""
    m = len(away)
    is_open = np.zeros(len(state), np.bool_)
    for s in range(found):
        is_open[sites[s]] = True
        _serve(sites[s], away, candidate_xy, demand_xy)
    while found < len(sites):
        j = 0
        for other in range(m):
            if away[other] > away[j]:
                j = other
        if away[j] <= 0:
            break
        site = -1
        for k in range(start[j], start[j + 1]):
            i = candidate[k]
            if state[i] >= 0 and not is_open[i]:
                site = i
                break
        if site < 0:
            away[j] = 0.0
            continue
        is_open[site] = True
        sites[found] = site
        found += 1
        _serve(site, away, candidate_xy, demand_xy)
    return found


@njit(cache=True)
def _serve(site, away, candidate_xy, demand_xy):  # type: ignore[no-untyped-def]
    x, y = candidate_xy[site, 0], candidate_xy[site, 1]
    for j in range(len(away)):
        if away[j] > 0:
            dx, dy = demand_xy[j, 0] - x, demand_xy[j, 1] - y
            away[j] = min(away[j], np.sqrt(dx * dx + dy * dy))


def even_density(problem: PlacementProblem, service: Service) -> NDArray[np.int64]:
    """Return ``count`` candidates of even density: every so many units of weight along a curve that fills the plane.

    Falls short of candidates only where several quantiles share one; those are spread where they are missed.

    References
    ----------
    Order along a Z-shaped curve: Morton 1966, "A computer oriented geodetic data base" (from memory).
    """
    wants = np.flatnonzero((problem.weights > 0) & np.isinf(problem.served_m))
    free = problem.count - len(problem.fixed)
    open_to = np.flatnonzero(service.site_state == 0)
    if not len(wants) or free <= 0 or not len(open_to):
        return spread(problem, service)
    order = wants[np.argsort(_curve_place(problem.demand_xy[wants]), kind="stable")]
    running = np.cumsum(problem.weights[order])
    picks = np.searchsorted(running, (np.arange(free) + 0.5) / free * running[-1])
    _, nearest = cKDTree(problem.candidate_xy[open_to]).query(problem.demand_xy[order[picks]])
    chosen = np.unique(np.concatenate([problem.fixed, open_to[nearest]]))
    return spread(replace(problem, fixed=chosen), service)


def _curve_place(xy: NDArray[np.float64]) -> NDArray[np.int64]:
    low = xy.min(axis=0)
    cell = ((xy - low) / max(1e-300, float(np.ptp(xy, axis=0).max())) * 65535).astype(np.int64)
    place = np.zeros(len(xy), np.int64)
    for bit in range(16):
        place |= ((cell[:, 0] >> bit) & 1) << (2 * bit) | ((cell[:, 1] >> bit) & 1) << (2 * bit + 1)
    return place
