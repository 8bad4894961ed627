"""Cooling and local search of a layout within a cap: how far a site may serve."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from mudcap.place.mean import HOT, MeanParams, better, cool, num_rounds
from mudcap.place.swap import Cap, Layout, Service, num_unserved, open_sites, with_penalty
from mudcap.place.swap_descent import descend
from mudcap.place.swap_local import iterate

Stop = Callable[[], bool] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Wall:
    """How a cooling treats points beyond the cap."""

    penalty: float
    """Cost of such a point as a multiple of its cost at the cap."""
    hot: float
    """Temperature to begin with, as a share of one site's cost."""
    moves: float
    """Share of the moves of a whole cooling."""


SOFT = Wall(penalty=2.4, hot=HOT, moves=1.0)
"""Found by trial: harder walls keep the sites from passing one another, softer ones lose points at the end."""
FIRM = Wall(penalty=20.0, hot=0.06, moves=0.05)
"""For a layout that has lost a few points: little moves but what brings them back."""
HARD_HOT = 0.1
"""Temperature at which cooling with a hard cap begins, as a share of one site's cost."""
REPAIRS, REPAIR_ROUNDS, REPAIRED_SHARE = 3, 200, 0.02
"""Times, and rounds each for every point, that the local search tries to bring points back within the cap; and the
share of the sites up to which it does."""
FULL_COOLING = 500
"""Sites up to which each gets its whole share of moves."""
LEAST_MOVES = 2000
"""Moves a site that large layouts get as well, where the effort has so many: with fewer the soft cap leaves points beyond it."""


def lower_mean_square(
    service: Service,
    layout: Layout,
    params: MeanParams,
    cap_m: Cap,
    seed: int,
    stop: Stop,
    begin: Layout | None = None,
) -> tuple[Layout, bool]:
    """Return a layout of lower cost, within the cap where one is found or given, and True if stopped.

    First by cooling with a soft cap, which lets sites pass one another; where that ends beyond the cap, by cooling
    with a hard one from the layout given. The soft cooling begins at ``begin`` where it is given: sites move slowly
    over large blocks, so that their density should be even from the start.
    """
    trial, stopped = soft_cool(service, begin or layout, params, cap_m, seed, stop)
    if not stopped:
        trial, stopped = repair(service, trial, params, cap_m, seed, stop)
    if not stopped and num_unserved(service, trial) and not num_unserved(service, layout):
        trial = open_sites(service, layout.sites.astype(np.int64))
        stopped = cool(
            service, trial, moves=num_moves(params, len(trial.sites)), seed=seed, stop=stop, hot=HARD_HOT
        )
    layout = better(service, layout, trial)
    # so many points beyond the cap never came back in trials: the time is better spent elsewhere
    if stopped or len(lost_points(service, layout)) > most_repaired(layout):
        return layout, stopped
    return iterate(service, layout, rounds=num_rounds(service, params), seed=seed, stop=stop)


def repair(
    service: Service, layout: Layout, params: MeanParams, cap_m: Cap, seed: int, stop: Stop
) -> tuple[Layout, bool]:
    """Return the layout with its few points beyond the cap brought back, where that succeeds, and True if stopped.

    Each attempt shakes at the points lost; between two of them all sites settle at a harder cap.
    """
    stopped = False
    for attempt in range(REPAIRS):
        lost = lost_points(service, layout)
        if stopped or not 0 < len(lost) <= most_repaired(layout):
            break
        if attempt:
            layout, stopped = soft_cool(service, layout, params, cap_m, seed + attempt, stop, FIRM)
            lost = lost_points(service, layout)
        if not stopped and len(lost):
            rounds = REPAIR_ROUNDS * len(lost)
            layout, stopped = iterate(
                service, layout, rounds=rounds, seed=seed + attempt, centres=lost, stop=stop
            )
    return layout, stopped


def most_repaired(layout: Layout) -> float:
    """Return the number of points beyond the cap up to which the local search tries to bring them back."""
    return max(5, REPAIRED_SHARE * len(layout.sites))


def lost_points(service: Service, layout: Layout) -> NDArray[np.int64]:
    """Return the demand points that nobody serves within the cap."""
    return np.flatnonzero((layout.first < 0) & (service.outside_cost == service.penalty))


def num_moves(params: MeanParams, count: int) -> int:
    """Return the moves of one cooling: those of the effort for each site, fewer for each where there are very many."""
    fewer = params.anneal_moves * min(1.0, FULL_COOLING / count) ** 0.4
    return int(count * max(fewer, min(LEAST_MOVES, params.anneal_moves)))


def soft_cool(
    service: Service,
    layout: Layout,
    params: MeanParams,
    cap_m: Cap,
    seed: int,
    stop: Stop,
    wall: Wall = SOFT,
) -> tuple[Layout, bool]:
    """Return the layout after cooling with a soft cap and a descent with the hard one."""
    costs = service.demand_cost[service.demand_cost > 0]
    typical = float(np.median(cap_m))
    weight = float(np.median(costs)) / (0.5 * typical**2) if len(costs) else 1.0
    soft = with_penalty(service, wall.penalty * weight * typical**2)
    if not isinstance(cap_m, float):
        lost = wall.penalty * weight * cap_m**2
        soft = replace(soft, outside_cost=np.where(soft.outside_cost == soft.penalty, lost, soft.outside_cost))
    annealed = open_sites(soft, layout.sites.astype(np.int64))
    stopped = cool(
        soft,
        annealed,
        moves=int(wall.moves * num_moves(params, len(layout.sites))),
        seed=seed,
        stop=stop,
        hot=wall.hot,
    )
    trial = open_sites(service, annealed.sites.astype(np.int64))
    return trial, stopped or descend(service, trial, stop=stop)
