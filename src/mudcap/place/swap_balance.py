"""Evening out the weight per site: moves that make the loads more alike and keep the cost within an allowance."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numba import njit
from numpy.typing import NDArray

from mudcap.place.swap import (
    Layout,
    Service,
    apply_move,
    candidate_lists,
    demand_lists,
    move_delta,
    next_random,
    open_sites,
    random_state,
    service_of,
    total_cost,
)

STEPS = 50
"""Temperatures in one cooling; between two of them the search may be stopped."""
HOT, COLD = 8.0, 0.02
"""Temperatures of the cooling, as shares of the squared mean load over a hundred: found by trial."""
TIE_SHARE = 1e-9
"""Costs this much of the penalty apart count as equal."""


def even_out(
    service: Service,
    layout: Layout,
    weights: NDArray[np.float64],
    *,
    allowance: float,
    moves: int,
    seed: int,
    stop: Callable[[], bool] | None = None,
) -> tuple[Layout, bool]:
    """Return a layout of more even loads that costs at most ``allowance``, and True if stopped.

    A point with two equally near sites counts half for each: the loads are those before ties are split for balance.
    """
    random = random_state(seed)
    tie = TIE_SHARE * service.penalty * 1e-4
    load = np.zeros(service.num_candidates)
    unit = (weights.sum() / len(layout.sites)) ** 2 / 100
    now = np.array([total_cost(service, layout), 0.0, np.inf])
    best = layout.sites.copy()
    for step in range(STEPS):
        if stop is not None and stop():
            break
        heat = unit * HOT * (COLD / HOT) ** (step / (STEPS - 1))
        _even_step(
            max(1, moves // STEPS), heat, allowance, tie, random, weights, load, now, best, service.site_state,
            service.site_cost, *candidate_lists(service), *demand_lists(service), layout.sites, layout.place,
            *service_of(layout),
        )  # fmt: skip
    else:
        return open_sites(service, np.sort(best).astype(np.int64)), False
    return open_sites(service, np.sort(best).astype(np.int64)), True


@njit(cache=True)
def _share(j, sign, tie, weights, load, first, second, first_cost, second_cost):  # type: ignore[no-untyped-def]
    """Add (or take) one point's weight to (from) its sites; return the change of the sum of squared loads."""
    if first[j] < 0:
        return 0.0
    change = 0.0
    halves = second[j] >= 0 and second_cost[j] - first_cost[j] <= tie
    part = sign * weights[j] * (0.5 if halves else 1.0)
    change += part * (2 * load[first[j]] + part)
    load[first[j]] += part
    if halves:
        change += part * (2 * load[second[j]] + part)
        load[second[j]] += part
    return change


@njit(cache=True)
def _shares_near(  # type: ignore[no-untyped-def]
    r, a, sign, tie, weights, load, cstart, cdemand, first, second, first_cost, second_cost
):
    """Do that for all points near r or a, each once."""
    change = 0.0
    kr, kr_end, ka, ka_end = cstart[r], cstart[r + 1], cstart[a], cstart[a + 1]
    while kr < kr_end or ka < ka_end:
        jr = cdemand[kr] if kr < kr_end else 2147483647
        ja = cdemand[ka] if ka < ka_end else 2147483647
        j = min(jr, ja)
        kr += jr == j
        ka += ja == j
        change += _share(j, sign, tie, weights, load, first, second, first_cost, second_cost)
    return change


@njit(cache=True)
def _even_step(  # type: ignore[no-untyped-def]
    moves, heat, allowance, tie, random, weights, load, now, best, state, site_cost, cstart, cdemand, ccost,
    start, candidate, cost, outside, sites, place, first, second, first_cost, second_cost,
):  # fmt: skip
    """Try moves at one temperature; ``now`` holds the cost, the sum of squared loads and the least one found."""
    m = len(first)
    load[:] = 0.0
    now[1] = 0.0
    for j in range(m):
        now[1] += _share(j, 1.0, tie, weights, load, first, second, first_cost, second_cost)
    for _ in range(moves):
        if now[1] < now[2] - 1e-9 * now[1]:
            now[2] = now[1]
            best[:] = sites
        j = int(next_random(random) * m)
        r = first[j]
        length = start[j + 1] - start[j]
        if r < 0 or length < 2:
            continue
        a = candidate[start[j] + int(next_random(random) * length)]
        if place[a] >= 0 or state[a] < 0 or state[r] > 0:
            continue
        delta = (
            move_delta(r, a, cstart, cdemand, ccost, first, first_cost, second_cost)
            + site_cost[a]
            - site_cost[r]
        )
        if now[0] + delta > allowance:
            continue
        change = _shares_near(
            r, a, -1.0, tie, weights, load, cstart, cdemand, first, second, first_cost, second_cost
        )
        apply_move(
            r, a, cstart, cdemand, ccost, start, candidate, cost, outside, sites, place,
            first, second, first_cost, second_cost,
        )  # fmt: skip
        change += _shares_near(
            r, a, 1.0, tie, weights, load, cstart, cdemand, first, second, first_cost, second_cost
        )
        if change <= 0 or next_random(random) < np.exp(-change / heat):
            now[0] += delta
            now[1] += change
            continue
        _shares_near(r, a, -1.0, tie, weights, load, cstart, cdemand, first, second, first_cost, second_cost)
        apply_move(
            a, r, cstart, cdemand, ccost, start, candidate, cost, outside, sites, place,
            first, second, first_cost, second_cost,
        )  # fmt: skip
        _shares_near(r, a, 1.0, tie, weights, load, cstart, cdemand, first, second, first_cost, second_cost)
