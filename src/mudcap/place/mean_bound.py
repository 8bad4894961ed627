"""Certified lower bounds for the mean levels: Lagrangian relaxation of "each demand point is served once"."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from mudcap.place.swap import Service, candidate_lists, demand_lists

SAFETY = 1e-10
"""Share of the summed magnitudes taken off a bound: a thousand times what their rounding can come to."""
CHUNK = 50
"""Steps between two looks at the stop."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LagrangeBound:
    """A proven lower bound on the total cost, and the prices that prove it."""

    total: float
    price: NDArray[np.float64]
    """(m,) what being served is worth to each demand point."""


def lagrange_bound(
    service: Service,
    count: int,
    value: float,
    second_cost: NDArray[np.float64],
    *,
    steps: int,
    stop: Callable[[], bool] | None = None,
) -> LagrangeBound:
    """Return a lower bound on the total cost of any layout of ``count`` sites within the service lists.

    ``value`` is the cost of a layout known, to which the steps are scaled, and ``second_cost`` its points' costs from
    their second nearest sites, from which the prices begin; neither is part of the proof. Costs of sites are left out.

    References
    ----------
    Cornuejols, Fisher & Nemhauser 1977, Management Science 23:789-810 (the relaxation); Held, Wolfe & Crowder 1974,
    Mathematical Programming 6:62-88 (the steps); both from memory.
    """
    ceiling = np.minimum(service.limit_cost, service.outside_cost)
    price = np.minimum(ceiling, np.where(second_cost < service.penalty, second_cost, _dearest(service)))
    best_price, slope = price.copy(), np.zeros(len(price))
    state = np.array([-np.inf, 2.0, 0.0])
    for _ in range(max(1, steps // CHUNK)):
        if stop is not None and stop():
            break
        _ascend(
            CHUNK, count, value, ceiling, price, best_price, slope, state, service.site_state,
            *candidate_lists(service), *demand_lists(service)[:3],
        )  # fmt: skip
        if value - state[0] <= 1e-9 * abs(value) or state[1] < 1e-4:
            break
    return LagrangeBound(total=max(0.0, float(state[0])), price=best_price)


def _dearest(service: Service) -> NDArray[np.float64]:
    """Return the largest cost in each point's list, 0 where it is empty."""
    last = np.maximum(service.demand_start[1:] - 1, 0)
    dearest = service.demand_cost[last] if len(service.demand_cost) else np.zeros(len(last))
    return np.where(np.diff(service.demand_start) > 0, dearest, 0.0)


@njit(cache=True)
def _worth(price, site_state, cstart, cdemand, ccost, worth):  # type: ignore[no-untyped-def]
    """Fill what opening each candidate saves at these prices (never positive); return the summed magnitude."""
    size = 0.0
    for i in range(len(worth)):
        worth[i] = 0.0
        if site_state[i] < 0:
            continue
        for k in range(cstart[i], cstart[i + 1]):
            saved = ccost[k] - price[cdemand[k]]
            if saved < 0:
                worth[i] += saved
        size -= worth[i]
    return size


@njit(cache=True)
def _choose(count, worth, site_state, chosen):  # type: ignore[no-untyped-def]
    """Mark the fixed and the best of the free candidates, ``count`` in all; return the sum of their worth."""
    n = len(worth)
    total, left = 0.0, count
    free = np.empty(n)
    num_free = 0
    for i in range(n):
        chosen[i] = site_state[i] > 0
        if chosen[i]:
            total += worth[i]
            left -= 1
        elif site_state[i] == 0:
            free[num_free] = worth[i]
            num_free += 1
    if left <= 0:
        return total
    limit = np.partition(free[:num_free], left - 1)[left - 1]
    for i in range(n):
        if site_state[i] == 0 and worth[i] < limit:
            chosen[i] = True
            total += worth[i]
            left -= 1
    for i in range(n):
        if left > 0 and site_state[i] == 0 and worth[i] == limit:
            chosen[i] = True
            total += worth[i]
            left -= 1
    return total


@njit(cache=True)
def _ascend(  # type: ignore[no-untyped-def]
    steps, count, value, ceiling, price, best_price, slope, best, site_state,
    cstart, cdemand, ccost, start, candidate, cost,
):  # fmt: skip
    """Climb by deflected subgradients; ``best`` holds the bound, the step's length and the steps without gain."""
    n, m = len(site_state), len(price)
    worth = np.empty(n)
    chosen = np.zeros(n, np.bool_)
    gradient = np.empty(m)
    for _ in range(steps):
        size = _worth(price, site_state, cstart, cdemand, ccost, worth)
        sum_price, sum_size = 0.0, 0.0
        for j in range(m):
            sum_price += price[j]
            sum_size += abs(price[j])
        bound = sum_price + _choose(count, worth, site_state, chosen) - 1e-10 * (sum_size + size)
        if bound > best[0]:
            if bound - best[0] > 1e-5 * abs(value):
                best[2] = 0.0
            best[0] = bound
            best_price[:] = price
        else:
            best[2] += 1.0
        if best[2] >= 20.0:
            best[1] *= 0.6
            best[2] = 0.0
            price[:] = best_price
            slope[:] = 0.0
            continue
        norm = 0.0
        for j in range(m):
            gradient[j] = 1.0
            for k in range(start[j], start[j + 1]):
                if cost[k] >= price[j]:
                    break
                if chosen[candidate[k]]:
                    gradient[j] -= 1.0
            slope[j] = 0.7 * slope[j] + 0.3 * gradient[j]
            norm += slope[j] * slope[j]
        if norm == 0.0:
            return
        length = best[1] * max(value - bound, 1e-6 * abs(value)) / norm
        for j in range(m):
            price[j] = min(ceiling[j], price[j] + length * slope[j])
