"""Iterated local search: shake a few sites at one spot, descend only around it, keep or undo."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numba import njit
from numpy.typing import NDArray

from mudcap.place.swap import (
    Layout,
    Service,
    candidate_lists,
    demand_lists,
    next_random,
    open_sites,
    random_state,
    rescan,
    service_of,
    total_cost,
)

CHUNKS = 50
"""Parts of one search; between two of them it may be stopped."""
MAX_SHAKE = 4
"""Largest number of sites moved at random before the descent."""


def iterate(
    service: Service,
    layout: Layout,
    *,
    rounds: int,
    hot: float = 0.0,
    seed: int = 0,
    centres: NDArray[np.int64] | None = None,
    stop: Callable[[], bool] | None = None,
) -> tuple[Layout, bool]:
    """Return the best layout of ``rounds`` shakes and True if stopped before the end.

    ``centres`` are the demand points to shake at (all where None). ``hot`` [cost] is the temperature at which a slightly worse layout is walked on from; it falls to zero.
    """
    random = random_state(seed)
    spots = np.arange(service.num_demand) if centres is None else centres
    n, p = service.num_candidates, len(layout.sites)
    work = (np.zeros(n), np.zeros(n), np.empty(n, np.int32), np.empty(n, np.int32), np.zeros(n, np.bool_))
    journal = np.empty((max(64, 4 * p), 2), np.int32)
    best, best_cost = layout.sites.copy(), total_cost(service, layout)
    step = 1e-10 * (abs(best_cost) + 1.0)
    chunks = min(CHUNKS, rounds)
    for chunk in range(chunks):
        if stop is not None and stop():
            break
        total = np.array([total_cost(service, layout)])
        best_cost = _iterate(
            rounds // chunks, hot * (1 - chunk / chunks), step, total, best_cost, best, random, spots, *work, journal,
            service.site_state, service.site_cost, *candidate_lists(service), *demand_lists(service),
            layout.sites, layout.place, *service_of(layout),
        )  # fmt: skip
    else:
        return open_sites(service, np.sort(best).astype(np.int64)), False
    return open_sites(service, np.sort(best).astype(np.int64)), True


@njit(cache=True)
def _touch(  # type: ignore[no-untyped-def]
    j,
    total,
    loss,
    queue,
    queued,
    tail,
    start,
    candidate,
    cost,
    outside,
    place,
    first,
    second,
    first_cost,
    second_cost,
):
    """Find the service of one point again, correct losses and total, and queue the candidates near it."""
    reach = second_cost[j]
    total[0] -= first_cost[j]
    if first[j] >= 0:
        loss[first[j]] -= second_cost[j] - first_cost[j]
    rescan(j, start, candidate, cost, outside, place, first, second, first_cost, second_cost)
    if first[j] >= 0:
        loss[first[j]] += second_cost[j] - first_cost[j]
    total[0] += first_cost[j]
    reach = max(reach, second_cost[j])
    n = len(queue)
    for k in range(start[j], start[j + 1]):
        if cost[k] >= reach:
            break
        a = candidate[k]
        if not queued[a]:
            queued[a] = True
            queue[tail % n] = a
            tail += 1
    return tail


@njit(cache=True)
def _exchange(  # type: ignore[no-untyped-def]
    r, a, total, loss, queue, queued, tail, site_cost, cstart, cdemand, ccost, start, candidate, cost, outside,
    sites, place, first, second, first_cost, second_cost,
):  # fmt: skip
    """Close r, open a; keep the losses right and queue what may have changed; return the queue's new end."""
    sites[place[r]] = a
    place[a] = place[r]
    place[r] = -1
    loss[a] = -site_cost[a]
    for k in range(cstart[r], cstart[r + 1]):
        j = cdemand[k]
        if first[j] == r or second[j] == r:
            tail = _touch(j, total, loss, queue, queued, tail, start, candidate, cost, outside, place,
                          first, second, first_cost, second_cost)  # fmt: skip
    total[0] += site_cost[a] - site_cost[r]
    for k in range(cstart[a], cstart[a + 1]):
        j = cdemand[k]
        if ccost[k] < second_cost[j]:
            tail = _touch(j, total, loss, queue, queued, tail, start, candidate, cost, outside, place,
                          first, second, first_cost, second_cost)  # fmt: skip
    return tail


@njit(cache=True)
def _cheapest(state, sites, loss):  # type: ignore[no-untyped-def]
    best = -1
    for r in sites:
        if state[r] <= 0 and (best < 0 or loss[r] < loss[best]):
            best = r
    return best


@njit(cache=True)
def _partner(  # type: ignore[no-untyped-def]
    a,
    cheapest,
    loss,
    extra,
    touched,
    state,
    site_cost,
    cstart,
    cdemand,
    ccost,
    first,
    first_cost,
    second_cost,
):
    """Return the site whose exchange for a saves most, and how much."""
    gain = -site_cost[a]
    num_touched = 0
    for k in range(cstart[a], cstart[a + 1]):
        j = cdemand[k]
        here = ccost[k]
        if here < second_cost[j]:
            r = first[j]
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
        if state[r] <= 0 and gain - loss[r] + extra[r] > best:
            best, best_r = gain - loss[r] + extra[r], r
        extra[r] = 0.0
    return best_r, best


@njit(cache=True)
def _iterate(  # type: ignore[no-untyped-def]
    rounds, temperature, step, total, best_cost, best, random, centres, loss, extra, touched, queue, queued, journal,
    state, site_cost, cstart, cdemand, ccost, start, candidate, cost, outside,
    sites, place, first, second, first_cost, second_cost,
):  # fmt: skip
    loss[:] = 0.0
    for j in range(len(first)):
        if first[j] >= 0:
            loss[first[j]] += second_cost[j] - first_cost[j]
    for r in sites:
        loss[r] -= site_cost[r]
    for _ in range(rounds):
        before = total[0]
        made, tail = _shake(
            total, loss, queue, queued, journal, random, centres, state, site_cost, cstart, cdemand, ccost, start, candidate,
            cost, outside, sites, place, first, second, first_cost, second_cost,
        )  # fmt: skip
        made = _settle(
            made, tail, step, total, loss, extra, touched, queue, queued, journal, state, site_cost, cstart, cdemand,
            ccost, start, candidate, cost, outside, sites, place, first, second, first_cost, second_cost,
        )  # fmt: skip
        worse = total[0] - before
        if worse <= 0 or (temperature > 0 and next_random(random) < np.exp(-worse / temperature)):
            if total[0] < best_cost - step:
                best_cost = total[0]
                best[:] = sites
            continue
        tail = 0
        for k in range(made - 1, -1, -1):
            tail = _exchange(
                journal[k, 1], journal[k, 0], total, loss, queue, queued, tail, site_cost, cstart, cdemand, ccost,
                start, candidate, cost, outside, sites, place, first, second, first_cost, second_cost,
            )  # fmt: skip
        for k in range(min(tail, len(queue))):
            queued[queue[k]] = False
        total[0] = before
    return best_cost


@njit(cache=True)
def _shake(  # type: ignore[no-untyped-def]
    total, loss, queue, queued, journal, random, centres, state, site_cost, cstart, cdemand, ccost, start, candidate, cost,
    outside, sites, place, first, second, first_cost, second_cost,
):  # fmt: skip
    """Move one to MAX_SHAKE sites at one spot to random candidates near them; return the moves and the queue's end."""
    made, tail = 0, 0
    j = centres[int(next_random(random) * len(centres))]
    for _ in range(1 + int(next_random(random) * MAX_SHAKE)):
        length = start[j + 1] - start[j]
        if length < 2:
            break
        r = first[j]
        a = candidate[start[j] + int(next_random(random) * length)]
        if r >= 0 and state[r] <= 0 and place[a] < 0 and state[a] >= 0:
            tail = _exchange(
                r, a, total, loss, queue, queued, tail, site_cost, cstart, cdemand, ccost, start, candidate, cost,
                outside, sites, place, first, second, first_cost, second_cost,
            )  # fmt: skip
            journal[made, 0], journal[made, 1] = r, a
            made += 1
        j = cdemand[cstart[a] + int(next_random(random) * (cstart[a + 1] - cstart[a]))]
    return made, tail


@njit(cache=True)
def _settle(  # type: ignore[no-untyped-def]
    made, tail, step, total, loss, extra, touched, queue, queued, journal, state, site_cost, cstart, cdemand,
    ccost, start, candidate, cost, outside, sites, place, first, second, first_cost, second_cost,
):  # fmt: skip
    """Descend over the queued candidates until none of them helps; return the number of moves made so far."""
    head, n = 0, len(queue)
    cheapest = _cheapest(state, sites, loss)
    while head < tail:
        a = queue[head % n]
        head += 1
        queued[a] = False
        if place[a] >= 0 or state[a] < 0 or made >= len(journal) or cheapest < 0:
            continue
        r, saved = _partner(
            a, cheapest, loss, extra, touched, state, site_cost, cstart, cdemand, ccost,
            first, first_cost, second_cost,
        )  # fmt: skip
        if saved > step:
            tail = _exchange(
                r, a, total, loss, queue, queued, tail, site_cost, cstart, cdemand, ccost, start, candidate, cost,
                outside, sites, place, first, second, first_cost, second_cost,
            )  # fmt: skip
            journal[made, 0], journal[made, 1] = r, a
            made += 1
            cheapest = _cheapest(state, sites, loss)
    return made
