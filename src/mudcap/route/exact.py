"""The exact programme over two-way ground: the cheapest round past all stops, or the best found with its bound."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from mudcap.route.anyground import tour_any
from mudcap.route.bare import Turns, bare_ground
from mudcap.route.blocktour import EPS, UNREACHED, BlockTour, all_options, leg_seconds, order_of, turn_costs
from mudcap.route.dues import priced_steps
from mudcap.route.frontier import Outcome
from mudcap.route.options import EdgeOptions, Group, RoundParams
from mudcap.route.prices import ROUNDS, price_round
from mudcap.route.search import UNWATCHED, Priced, Watch, cheapest, choose_kept
from mudcap.route.sides import busiest_side, fix_sides, sides_of
from mudcap.route.steps import DOUBLE, SINGLE, Step, TooWide
from mudcap.route.stopgraph import StopGraph
from mudcap.route.sweep import Turn, lay_steps, must_cross, sweeps, take_turns, weigh
from mudcap.route.walk import Use, walk

_TOO_MANY = 100_000.0
"""Estimated states a step beyond which no order is hoped to be exact outright."""
_KEPT_VALUES = 512
"""Values of open groups by which orders that promise too many states are compared."""
_HALF_STATES = 3_000
"""`max_states` where one half of the tree rows is held to its sides."""
_SEARCHED_STOPS = 1_000
"""A round of so many stops that is not proven is also sought by local search."""


def exact(graph: StopGraph, params: RoundParams, watch: Watch = UNWATCHED) -> BlockTour:
    """The round by the frontier programme; `TooWide` is raised where it cannot take the graph. ``watch`` hears how far it is, and may end it."""
    bare = bare_ground(graph, turn_costs(graph, params), params)
    tour = _exact_on(bare.graph, bare.turns_s, params, watch)
    legs = bare.whole_legs(graph, tour.legs)
    return replace(tour, legs=legs, length_m=sum(leg.length_m for leg in legs))


def _exact_on(graph: StopGraph, turns_s: Turns, params: RoundParams, watch: Watch) -> BlockTour:
    """The same over ground that is bare of what no round needs."""
    best = _solve(graph, turns_s, params, is_priced=True, watch=watch)
    if best is None:
        raise ValueError(UNREACHED)
    if best.status == "optimal" or graph.num_stops == len(graph.place_stop):
        return best
    if best.is_near or watch.stop():
        return best
    bound = best.bound
    tour = _solve(fix_sides(graph, busiest_side(graph), -1, 2), turns_s, params, best.objective)
    best = min([best, tour or best], key=lambda t: t.objective)
    if _is_small(graph):
        legs = tour_any(graph, turns_s, params, order=order_of(best))
        cost = sum(leg_seconds(graph, legs, params, turns_s))
        if cost < best.objective - EPS:
            length = sum(leg.length_m for leg in legs)
            best = replace(best, objective=cost, legs=legs, length_m=length)
    since = 0
    quick = replace(params, max_states=min(params.max_states, _HALF_STATES))
    for k in range(params.max_halves):
        if (bound is not None and bound >= best.objective - EPS) or watch.stop():
            break
        watch.tell(best.objective, bound or 0.0)
        half = fix_sides(graph, sides_of(best.legs, graph.num_stops), k % 2, 2)
        tour = _solve(half, turns_s, quick, best.objective)
        since = 0 if tour and tour.objective < best.objective - EPS else since + 1
        best = min([best, tour or best], key=lambda t: t.objective)
        if since == 2:
            break
    proven = bound is not None and bound >= best.objective - EPS
    return replace(best, bound=bound, status="optimal" if proven else "feasible")


def _is_small(graph: StopGraph) -> bool:
    """Whether a local search over all stops is worth its matrix."""
    return graph.num_stops <= _SEARCHED_STOPS


def _solve(
    graph: StopGraph, turns_s: Turns, params: RoundParams, upper: float = np.inf, *, is_priced: bool = False,
    watch: Watch = UNWATCHED,
) -> BlockTour | None:
    """One run of the programme over a graph as it stands; None where it finds nothing (cheaper than ``upper``).

    With ``is_priced`` by the prices of a linear programme where it is not proven without them.
    """
    groups, of_edge, options, whole = all_options(graph, turns_s, params)

    def price(steps: Sequence[Step], edges: Sequence[int]) -> Priced:
        prices = price_round(graph, groups, of_edge, options, rounds=ROUNDS, goes_on=lambda bound: not watch.stop())
        return *priced_steps(steps, edges, prices.connection), prices.bound

    outcome, edges = _best_sweep(graph, groups, of_edge, options, params, upper, price if is_priced else None, watch)
    if outcome is None:
        return None
    chosen = {e: int(o) for e, o in zip(edges, outcome.options, strict=True)}
    uses = [_use(options[e], chosen[e]) for e in range(len(graph.tail))]
    legs = walk(graph, uses)
    exact = whole and outcome.bound >= outcome.cost - EPS
    return BlockTour(
        objective=outcome.cost,
        bound=outcome.bound if whole else None,
        status="optimal" if exact else "feasible",
        length_m=sum(leg.length_m for leg in legs),
        legs=legs,
        peak_states=outcome.peak_states,
    )


def _best_sweep(
    graph: StopGraph,
    groups: list[Group],
    of_edge: list[list[int]],
    options: list[EdgeOptions],
    params: RoundParams,
    upper: float,
    price: Callable[[Sequence[Step], Sequence[int]], Priced] | None,
    watch: Watch,
) -> tuple[Outcome | None, list[int]]:
    """The outcome in the order that promises the fewest states, and the ways in that order.

    Where every order promises too many, in the one whose relaxation keeps the most groups.
    """
    ranked: list[tuple[float, int, list[Turn]]] = []
    for rank in sweeps(graph, groups):
        turns = take_turns(graph, rank)
        if turns is not None:
            ranked.append((weigh(turns, groups, of_edge) / (len(turns) + 1), len(ranked), turns))
    ranked.sort(key=lambda r: r[:2])
    fits: list[tuple[int, list[Turn], list[Step]]] = []
    for weight, _, turns in ranked:
        steps = lay_steps(graph, turns, options, groups, of_edge)
        if steps is None:
            continue
        if weight <= _TOO_MANY:
            fits = [(0, turns, steps)]
            break
        fits.append((-sum(int(k.sum()) for k in choose_kept(steps, _KEPT_VALUES)), turns, steps))
    if not fits:
        raise TooWide("the graph is too wide for the frontier programme.")
    _, turns, steps = min(fits, key=lambda f: f[0])
    edges = [turn.edge for turn in turns]
    outcome = cheapest(
        steps, must_cross(graph, turns), plain_states=params.plain_states, max_states=params.max_states, upper=upper,
        price=None if price is None else lambda steps: price(steps, edges), watch=watch,
    )  # fmt: skip
    return outcome, edges


def _use(options: EdgeOptions, o: int) -> Use:
    """What is done with one way, for the walk."""
    passes = {SINGLE: 1, DOUBLE: 2}.get(int(options.effect[o]), 0)
    return Use(
        passes=passes,
        until_m=-np.inf if passes else float(options.until_m[o]),
        from_m=np.inf if passes else float(options.from_m[o]),
    )
