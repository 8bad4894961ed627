"""Descent to a layout that no exchange of one site for one candidate, near or far, makes better."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numba import njit

from mudcap.place.swap import (
    Layout,
    Service,
    apply_move,
    candidate_lists,
    demand_lists,
    service_of,
    total_cost,
)

MAX_SWEEPS = 200
"""Sweeps over all candidates after which the descent ends in any case; ten are usual."""


def descend(service: Service, layout: Layout, *, stop: Callable[[], bool] | None = None) -> bool:
    """Improve the layout in place until no single exchange helps; True if stopped before.

    References
    ----------
    Gain, loss and correction of an exchange: Resende & Werneck 2007, "A fast swap-based local search procedure
    for location problems", Annals of Operations Research 150:205-230 (from memory), here over sparse lists.
    """
    step = 1e-10 * (abs(total_cost(service, layout)) + 1.0)
    for _ in range(MAX_SWEEPS):
        if stop is not None and stop():
            return True
        done = _sweep(
            step, service.site_state, service.site_cost, *candidate_lists(service), *demand_lists(service),
            layout.sites, layout.place, *service_of(layout),
        )  # fmt: skip
        if done == 0:
            return False
    return False


@njit(cache=True)
def _losses(state, site_cost, sites, first, first_cost, second_cost, loss):  # type: ignore[no-untyped-def]
    """Fill what closing each site costs (inf where fixed); return the site that costs least, -1 if none may close."""
    loss[:] = 0.0
    for j in range(len(first)):
        if first[j] >= 0:
            loss[first[j]] += second_cost[j] - first_cost[j]
    cheapest = -1
    for r in sites:
        loss[r] = np.inf if state[r] > 0 else loss[r] - site_cost[r]
        if cheapest < 0 or loss[r] < loss[cheapest]:
            cheapest = r
    return cheapest if cheapest >= 0 and state[cheapest] <= 0 else -1


@njit(cache=True)
def _sweep(  # type: ignore[no-untyped-def]
    step, state, site_cost, cstart, cdemand, ccost, start, candidate, cost, outside,
    sites, place, first, second, first_cost, second_cost,
):  # fmt: skip
    """Try each closed candidate once against its best partner; return the number of exchanges made."""
    n = len(state)
    loss = np.empty(n)
    extra = np.zeros(n)
    touched = np.empty(n, np.int32)
    cheapest = _losses(state, site_cost, sites, first, first_cost, second_cost, loss)
    if cheapest < 0:
        return 0
    done = 0
    for a in range(n):
        if place[a] >= 0 or state[a] < 0:
            continue
        gain = -site_cost[a]
        num_touched = 0
        for k in range(cstart[a], cstart[a + 1]):
            j = cdemand[k]
            here, r = ccost[k], first[j]
            if here < first_cost[j]:
                gain += first_cost[j] - here
            saved = second_cost[j] - max(here, first_cost[j])
            if r >= 0 and saved > 0:
                if extra[r] == 0.0:
                    touched[num_touched] = r
                    num_touched += 1
                extra[r] += saved
        best, best_r = gain - loss[cheapest], cheapest
        for t in range(num_touched):
            r = touched[t]
            if gain - loss[r] + extra[r] > best:
                best, best_r = gain - loss[r] + extra[r], r
            extra[r] = 0.0
        if best > step:
            apply_move(
                best_r, a, cstart, cdemand, ccost, start, candidate, cost, outside, sites, place,
                first, second, first_cost, second_cost,
            )  # fmt: skip
            cheapest = _losses(state, site_cost, sites, first, first_cost, second_cost, loss)
            done += 1
    return done
