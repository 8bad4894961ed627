"""Sparse service lists and the state of a layout: which open site serves each demand point, and what a move changes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from mudcap.place.problem import PlacementProblem

Cap = float | NDArray[np.float64]
"""Farthest that a site may serve [m]: one for all demand points, or one each (m,)."""
TINY_M = 1e-150
"""Its square is still a number: the k-d tree squares the reach it is asked for."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Service:
    """What it costs to serve each demand point from each candidate near it (sparse, both ways)."""

    num_candidates: int
    num_demand: int
    demand_start: NDArray[np.int64]
    demand_candidate: NDArray[np.int32]
    """Candidates near each demand point, nearest first."""
    demand_cost: NDArray[np.float64]
    candidate_start: NDArray[np.int64]
    candidate_demand: NDArray[np.int32]
    """Demand points near each candidate, by number."""
    candidate_cost: NDArray[np.float64]
    outside_cost: NDArray[np.float64]
    """(m,) cost where no candidate of the list is a site: that of the site outside, or a large penalty."""
    limit_cost: NDArray[np.float64]
    """(m,) no candidate outside the list of a point serves it more cheaply than this (inf: none may serve it)."""
    site_cost: NDArray[np.float64]
    """(n,) cost of a site in itself (a moved site's penalty counts as a gain of the sites that stay)."""
    site_state: NDArray[np.int8]
    """(n,) 1 fixed, -1 banned, 0 free."""
    penalty: float
    """Cost of a point that no site and nobody outside serves; more than any layout that serves all costs."""


def power_cost(distance_m: NDArray[np.float64], power: int) -> NDArray[np.float64]:
    """Return the distance to the power 1 or 2."""
    return distance_m * distance_m if power == 2 else distance_m


def build_service(
    problem: PlacementProblem, *, power: int, cap_m: Cap = np.inf, num_near: int = 0
) -> Service:
    """Return the service lists: all candidates within ``cap_m``, or the ``num_near`` nearest where there is no cap.

    Demand points of weight 0 have empty lists and cost nothing. ``cap_m``, one for all or one a demand point (m,), is
    taken as it is: add the tolerance before.
    """
    n, m = len(problem.candidate_xy), len(problem.demand_xy)
    needs = np.flatnonzero(problem.weights > 0)
    capped = not np.isinf(cap_m).all()
    cap = np.broadcast_to(np.asarray(cap_m, float), (m,))[needs]
    distance, near = _near(problem, needs, cap, num_near or default_near(problem))
    inside = np.isfinite(distance)
    weight = problem.weights[needs]
    cost = power_cost(np.where(inside, distance, 0.0), power) * weight[:, None]
    lengths = np.zeros(m, np.int64)
    lengths[needs] = inside.sum(axis=1)
    demand = np.repeat(np.arange(m, dtype=np.int32), lengths)
    candidate, flat = near[inside].astype(np.int32), cost[inside]
    served = problem.served_m[needs]
    served = np.where(served <= cap, served, np.inf)
    penalty = 1e4 * (float(flat.max(initial=0.0)) + 1.0)
    outside, limit = np.zeros(m), np.full(m, np.inf)
    outside[needs] = np.where(
        np.isfinite(served), power_cost(np.where(np.isfinite(served), served, 0.0), power) * weight, penalty
    )
    if not capped and distance.shape[1] < n - len(problem.banned):
        limit[needs] = cost[:, -1]
    state, site_cost = np.zeros(n, np.int8), np.zeros(n)
    state[problem.fixed], state[problem.banned] = 1, -1
    # a site given up costs as if the points of one site had that much more mean square (or mean) each
    site_cost[problem.previous] = -problem.move_penalty * problem.weights.sum() / problem.count
    return Service(
        num_candidates=n, num_demand=m, demand_start=_starts(lengths), demand_candidate=candidate, demand_cost=flat,
        **_by_candidate(n, demand, candidate, flat), outside_cost=outside, limit_cost=limit, site_cost=site_cost,
        site_state=state, penalty=penalty,
    )  # fmt: skip


def _starts(lengths: NDArray[np.int64]) -> NDArray[np.int64]:
    return np.concatenate([[0], np.cumsum(lengths)]).astype(np.int64)


def _by_candidate(
    n: int, demand: NDArray[np.int32], candidate: NDArray[np.int32], cost: NDArray[np.float64]
) -> dict[str, Any]:
    order = np.argsort(candidate, kind="stable")
    return {
        "candidate_start": _starts(np.bincount(candidate, minlength=n)),
        "candidate_demand": demand[order],
        "candidate_cost": cost[order],
    }


def default_near(problem: PlacementProblem) -> int:
    """Return how many candidates a list needs so that several sites are in it, wherever the demand point lies."""
    n = len(problem.candidate_xy)
    return min(n, max(16, 8 * n // problem.count))


def _near(
    problem: PlacementProblem, needs: NDArray[np.int64], cap: NDArray[np.float64], num_near: int
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return distance and number of the nearest candidates of each demand point, ascending; inf beyond the cap."""
    n, floor = len(problem.candidate_xy), problem.distance == "euclid_floor"
    allowed = np.setdiff1d(np.arange(n), problem.banned)
    tree, demand_xy = cKDTree(problem.candidate_xy[allowed]), problem.demand_xy[needs]
    widest = float(cap.max(initial=0.0))
    reach = max(float(np.nextafter(np.floor(widest) + 1 if floor else widest, np.inf)), TINY_M)
    k = min(len(allowed), num_near if np.isinf(widest) else 16)
    while True:
        distance, near = tree.query(demand_xy, k=np.arange(1, k + 1), distance_upper_bound=reach)
        if np.isinf(widest) or k == len(allowed) or not np.isfinite(distance[:, -1]).any():
            break
        k = min(len(allowed), 2 * k)
    if floor:
        distance = np.floor(distance + 1e-9)
    if floor or (cap < widest).any():
        distance[distance > cap[:, None]] = np.inf
    return distance, allowed[np.minimum(near, len(allowed) - 1)]


def with_penalty(service: Service, penalty: float) -> Service:
    """Return the same lists with another cost of a point that nobody serves."""
    unserved = service.outside_cost == service.penalty
    return replace(service, outside_cost=np.where(unserved, penalty, service.outside_cost), penalty=penalty)


def num_unserved(service: Service, layout: Layout) -> int:
    """Return how many demand points no site of their list and nobody outside serves."""
    return int(np.sum((layout.first < 0) & (service.outside_cost == service.penalty)))


@dataclass(slots=True, kw_only=True, eq=False)
class Layout:
    """A layout under search. The kernels change its arrays in place; nobody else holds them."""

    sites: NDArray[np.int32]
    """(p,) open candidates, in no order."""
    place: NDArray[np.int32]
    """(n,) position in `sites`, -1 where closed."""
    first: NDArray[np.int32]
    second: NDArray[np.int32]
    """(m,) nearest and second nearest site of each demand point, -1 where there is none in the list."""
    first_cost: NDArray[np.float64]
    second_cost: NDArray[np.float64]


def open_sites(service: Service, sites: NDArray[np.int64]) -> Layout:
    """Return the layout with these candidates open."""
    m = service.num_demand
    place = np.full(service.num_candidates, -1, np.int32)
    place[sites] = np.arange(len(sites), dtype=np.int32)
    layout = Layout(
        sites=sites.astype(np.int32), place=place, first=np.empty(m, np.int32), second=np.empty(m, np.int32),
        first_cost=np.empty(m), second_cost=np.empty(m),
    )  # fmt: skip
    _rescan_all(*demand_lists(service), place, *service_of(layout))
    return layout


def total_cost(service: Service, layout: Layout) -> float:
    """Return the cost of the layout, penalties for unserved points and costs of the sites included."""
    return float(layout.first_cost.sum() + service.site_cost[layout.sites].sum())


def demand_lists(
    service: Service,
) -> tuple[NDArray[np.int64], NDArray[np.int32], NDArray[np.float64], NDArray[np.float64]]:
    """Return the demand-major arrays in the order the kernels take them."""
    return service.demand_start, service.demand_candidate, service.demand_cost, service.outside_cost


def candidate_lists(service: Service) -> tuple[NDArray[np.int64], NDArray[np.int32], NDArray[np.float64]]:
    """Return the candidate-major arrays in the order the kernels take them."""
    return service.candidate_start, service.candidate_demand, service.candidate_cost


def service_of(
    layout: Layout,
) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.float64], NDArray[np.float64]]:
    """Return first, second and their costs in the order the kernels take them."""
    return layout.first, layout.second, layout.first_cost, layout.second_cost


@njit(cache=True)
def rescan(j, start, candidate, cost, outside, place, first, second, first_cost, second_cost):  # type: ignore[no-untyped-def]
    """Find the two nearest sites of one demand point again."""
    base = outside[j]
    first[j] = -1
    second[j] = -1
    first_cost[j] = base
    second_cost[j] = base
    found = 0
    for k in range(start[j], start[j + 1]):
        if cost[k] >= base:
            break
        i = candidate[k]
        if place[i] >= 0:
            if found == 0:
                first[j] = i
                first_cost[j] = cost[k]
                found = 1
            else:
                second[j] = i
                second_cost[j] = cost[k]
                break


@njit(cache=True)
def _rescan_all(start, candidate, cost, outside, place, first, second, first_cost, second_cost):  # type: ignore[no-untyped-def]
    for j in range(len(start) - 1):
        rescan(j, start, candidate, cost, outside, place, first, second, first_cost, second_cost)


@njit(cache=True)
def move_delta(r, a, cstart, cdemand, ccost, first, first_cost, second_cost):  # type: ignore[no-untyped-def]
    """Change of the cost when the site r closes and the candidate a opens (costs of the sites themselves apart)."""
    kr, kr_end = cstart[r], cstart[r + 1]
    ka, ka_end = cstart[a], cstart[a + 1]
    delta = 0.0
    while kr < kr_end or ka < ka_end:
        jr = cdemand[kr] if kr < kr_end else 2147483647
        ja = cdemand[ka] if ka < ka_end else 2147483647
        if ja < jr:
            if ccost[ka] < first_cost[ja]:
                delta += ccost[ka] - first_cost[ja]
            ka += 1
        elif jr < ja:
            if first[jr] == r:
                delta += second_cost[jr] - first_cost[jr]
            kr += 1
        else:
            if first[jr] == r:
                delta += min(second_cost[jr], ccost[ka]) - first_cost[jr]
            elif ccost[ka] < first_cost[jr]:
                delta += ccost[ka] - first_cost[jr]
            ka += 1
            kr += 1
    return delta


@njit(cache=True)
def apply_move(  # type: ignore[no-untyped-def]
    r,
    a,
    cstart,
    cdemand,
    ccost,
    start,
    candidate,
    cost,
    outside,
    sites,
    place,
    first,
    second,
    first_cost,
    second_cost,
):
    """Close r, open a and find the service of the points near them again."""
    sites[place[r]] = a
    place[a] = place[r]
    place[r] = -1
    for k in range(cstart[r], cstart[r + 1]):
        j = cdemand[k]
        if first[j] == r or second[j] == r:
            rescan(j, start, candidate, cost, outside, place, first, second, first_cost, second_cost)
    for k in range(cstart[a], cstart[a + 1]):
        j = cdemand[k]
        if ccost[k] < second_cost[j]:
            rescan(j, start, candidate, cost, outside, place, first, second, first_cost, second_cost)


@njit(cache=True)
def next_random(state):  # type: ignore[no-untyped-def]
    """Next number in [0, 1) of a xorshift generator whose state is an array of one uint64.

    References
    ----------
    Marsaglia 2003, J. Stat. Softw. 8(14), "Xorshift RNGs" (shifts 13, 7, 17; from memory).
    """
    x = state[0]
    x ^= x << np.uint64(13)
    x ^= x >> np.uint64(7)
    x ^= x << np.uint64(17)
    state[0] = x
    return np.float64(x >> np.uint64(11)) * (1.0 / 9007199254740992.0)


def random_state(seed: int) -> NDArray[np.uint64]:
    """Return the generator's state for a seed, never zero."""
    return np.random.SeedSequence(seed).generate_state(1, np.uint64) | np.uint64(1)
