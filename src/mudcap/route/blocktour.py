"""A round through one block, and what is proven of it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from mudcap.route.bare import Turns
from mudcap.route.options import EdgeOptions, Group, RoundParams, edge_options, find_groups
from mudcap.route.search import NEAR
from mudcap.route.stopgraph import StopGraph
from mudcap.route.walk import Leg

EPS = 1e-6
"""Costs [s] closer than this count as equal."""
UNREACHED = "a stop, the start or the end cannot be reached from the others."


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BlockTour:
    """A round through one block, leg by leg, and what is proven of it."""

    objective: float
    """Cost of driving [s], turns included, service not."""
    bound: float | None
    """Certified lower bound [s]; equal to the objective where the round is exact."""
    status: Literal["optimal", "feasible"]
    length_m: float
    legs: tuple[Leg, ...]
    peak_states: int
    method: Literal["programme", "search"] = "programme"
    """`search`: found by local search, where the programme cannot take the ground or found none cheaper; never said to be
    optimal unless the bound proves it."""

    @property
    def gap(self) -> float | None:
        """(objective - bound) / objective; 0 where the objective is 0, None without a bound."""
        if self.bound is None:
            return None
        return 0.0 if self.objective == 0 else (self.objective - self.bound) / self.objective

    @property
    def is_near(self) -> bool:
        """Whether the bound is as near as is asked for."""
        return self.gap is not None and self.gap <= NEAR


def tour_of(
    graph: StopGraph,
    params: RoundParams,
    legs: tuple[Leg, ...],
    bound: float | None,
    method: Literal["programme", "search"],
    peak_states: int = 0,
) -> BlockTour:
    """A round as it is told, with what is proven of all rounds [s]."""
    cost = sum(leg_seconds(graph, legs, params))
    bound = None if bound is None else min(bound, cost)
    return BlockTour(
        objective=cost,
        bound=bound,
        status="optimal" if bound is not None and bound >= cost - EPS else "feasible",
        length_m=sum(leg.length_m for leg in legs),
        legs=legs,
        peak_states=peak_states,
        method=method,
    )


def raised(tour: BlockTour, bound: float) -> BlockTour:
    """The round with a bound [s] that is at least so high."""
    bound = min(max(tour.bound or 0.0, bound), tour.objective)
    return replace(tour, bound=bound, status="optimal" if bound >= tour.objective - EPS else "feasible")


def order_of(tour: BlockTour) -> NDArray[np.int64]:
    """The stops as the round comes by."""
    return np.array([h.stop for leg in tour.legs for h in leg.halts], np.int64)


Options = tuple[list[Group], list[list[int]], list[EdgeOptions], bool]
"""The groups, those of each way, the options of each way, and whether all that could be cheapest are among them."""


def all_options(graph: StopGraph, turns_s: Turns, params: RoundParams) -> Options:
    """The groups, those of each way, the options of each way, and whether all that could be cheapest are among them."""
    groups, of_edge, must = find_groups(graph)
    options, whole = [], True
    for e in range(len(graph.tail)):
        made, complete = edge_options(graph, e, [groups[g] for g in of_edge[e]], must[e], turns_s[e], params)
        options.append(made)
        whole = whole and (complete or bool(graph.directions[e]))  # nobody turns round in a one-way way, at whatever depth
    return groups, of_edge, options, whole


def turn_costs(graph: StopGraph, params: RoundParams) -> Turns:
    """Cost of entering or leaving each way at its tail and head: a turn where a drive row meets no other drive row."""
    met: NDArray[np.int64] = np.zeros(len(graph.vertex_xy), np.int64)
    np.add.at(met, graph.tail[graph.is_aisle], 1)
    np.add.at(met, graph.head[graph.is_aisle & (graph.head >= 0)], 1)
    turn = params.headland_turn_s
    return [
        (
            turn if aisle and met[tail] == 1 else 0.0,
            turn if aisle and head >= 0 and met[head] == 1 else 0.0,
        )
        for tail, head, aisle in zip(
            graph.tail.tolist(), graph.head.tolist(), graph.is_aisle.tolist(), strict=True
        )
    ]


def leg_seconds(
    graph: StopGraph, legs: tuple[Leg, ...], params: RoundParams, turns_s: Turns | None = None
) -> list[float]:
    """Driving time of each leg, turns included; their sum is the round's objective.

    ``turns_s`` is the cost of entering or leaving each way, where it is not that of the graph itself.
    """
    turns = turn_costs(graph, params) if turns_s is None else turns_s
    seconds = []
    for leg in legs:
        s_m = 1 / (params.aisle_m_s if graph.is_aisle[leg.edge] else params.road_m_s)
        at_tail, at_head = turns[leg.edge]
        if leg.turn_m is None:
            seconds.append(leg.length_m * s_m + at_tail + at_head)
        else:
            end = at_tail if leg.begin == graph.tail[leg.edge] else at_head
            seconds.append(leg.length_m * s_m + (params.u_turn_s + 2 * end if leg.turn_m > 0 else 0.0))
    return seconds
