"""Simulated annealing by moving one site at a time to a candidate near it."""

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
    move_delta,
    next_random,
    random_state,
    service_of,
)

STEPS = 200
"""Temperatures in one cooling; between two of them the search may be stopped."""

WINDOW = 4096
"""Demand points among which a move is drawn; the window slides over all in each step, so that the lists in use stay in
the processor's cache."""


def anneal(
    service: Service,
    layout: Layout,
    *,
    moves: int,
    hot: float,
    cold: float,
    seed: int,
    stop: Callable[[], bool] | None = None,
) -> bool:
    """Improve the layout in place by ``moves`` tried moves, cooling from ``hot`` to ``cold`` [cost]; True if stopped."""
    random = random_state(seed)
    per_step = max(1, moves // STEPS)
    for step in range(STEPS):
        if stop is not None and stop():
            return True
        temperature = hot * (cold / hot) ** (step / (STEPS - 1))
        _anneal_step(
            per_step, temperature, random, service.site_state, service.site_cost, *candidate_lists(service),
            *demand_lists(service), layout.sites, layout.place, *service_of(layout),
        )  # fmt: skip
    return False


@njit(cache=True)
def _anneal_step(  # type: ignore[no-untyped-def]
    moves, temperature, random, state, site_cost, cstart, cdemand, ccost,
    start, candidate, cost, outside, sites, place, first, second, first_cost, second_cost,
):  # fmt: skip
    m = len(start) - 1
    window = min(m, WINDOW)
    for move in range(moves):
        j = move * m // moves + int(next_random(random) * window)
        j = j if j < m else j - m
        r = first[j]
        length = start[j + 1] - start[j]
        if r < 0 or length < 2:
            continue
        a = candidate[start[j] + int(next_random(random) * length)]
        if place[a] >= 0 or state[a] < 0 or state[r] > 0:
            continue
        delta = move_delta(r, a, cstart, cdemand, ccost, first, first_cost, second_cost)
        delta += site_cost[a] - site_cost[r]
        if delta <= 0 or next_random(random) < np.exp(-delta / temperature):
            apply_move(
                r, a, cstart, cdemand, ccost, start, candidate, cost, outside, sites, place,
                first, second, first_cost, second_cost,
            )  # fmt: skip
