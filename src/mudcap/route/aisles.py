"""One crew in one block: the cheapest round past all stops, by the frontier programme."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from mudcap.route.anyground import tour_any, two_way
from mudcap.route.bare import Turns, bare_ground
from mudcap.route.columns import lay_columns
from mudcap.route.directed import directed_round, takes
from mudcap.route.dues import priced_steps
from mudcap.route.frontier import Outcome
from mudcap.route.lines import lay_lines
from mudcap.route.options import EdgeOptions, Group, RoundParams, edge_options, find_groups
from mudcap.route.prices import Prices, price_round, prices_of
from mudcap.route.program import Program
from mudcap.route.search import NEAR, Priced, cheapest, choose_kept
from mudcap.route.sides import busiest_side, fix_sides, sides_of
from mudcap.route.steps import DOUBLE, MAX_GUIDED_SLOTS, SINGLE, Step, TooWide
from mudcap.route.stopgraph import StopGraph
from mudcap.route.sweep import Turn, lay_steps, must_cross, sweeps, take_turns, weigh
from mudcap.route.thinned import thinned
from mudcap.route.walk import Leg, Use, walk
from mudcap.route.whole import whole_round

_TOO_MANY = 100_000.0
"""Estimated states a step beyond which no order is hoped to be exact outright."""
_KEPT_VALUES = 512
"""Values of open groups by which orders that promise too many states are compared."""
_ROUNDS = 60
"""Linear programmes from which prices are taken."""
_BOUND_ROUNDS, _PATIENCE = 400, 80
"""The same where nothing but the bound is wanted: at most so many, and how many that hardly raise it are put up with; there the bound
may stand still for sixty and then rise by 3 %."""
_LINE_PATIENCE, _GUIDE_PATIENCE = 20, 4
"""Such programmes that are put up with where there are lines, and where those then guide the frontier programme."""
_EPS = 1e-6
_UNREACHED = "a stop, the start or the end cannot be reached from the others."
_HALF_STATES = 3_000
"""`max_states` where one half of the tree rows is held to its sides."""
_SEARCHED_STOPS = 1_000
"""A round of so many stops that is not proven is also sought by local search."""
_MORE_KICKS = 20
"""Times as many trials of the local search where its round is not near its bound."""
_FEWER_KICKS = 20
"""Of the trials of the local search one in so many, where it only sets a limit for the programme."""


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


def solve_block(graph: StopGraph, params: RoundParams | None = None) -> BlockTour:
    """Return the cheapest round that serves every stop, each from whichever of its ways suits best.

    Exact for any graph whose frontier stays narrow, such as parallel drive rows with a few headlands and cross-roads, whole
    or with rows missing, cut or of unequal length. ``plain_states``, ``max_states`` and ``max_depths`` keep the work in
    bounds. Where they had to drop so much that the bound is not within one percent, a local search follows, and the sides are
    settled for one half of the tree rows at a time, the other half held. The status is ``feasible`` unless the bound proves the
    round. Where ways are one-way, the states hold the balance of the vertices (see `directed`); where the network is too wide for
    the programme, a local search finds the round, which on ground with one-way ways also begins with rounds of thinned ground, and
    a linear programme bounds it (``method``); there lines across the drive rows, and then branch and bound, follow where the bound
    is not within one percent.

    Raises ``ValueError`` where the graph is malformed or a stop cannot be reached from the start and left again.
    """
    graph.check()
    params = params or RoundParams()
    try:
        return _directed(graph, params) if graph.directions.any() else _exact(graph, params)
    except TooWide:
        return _search(graph, params)


def _directed(graph: StopGraph, params: RoundParams) -> BlockTour:
    """The round by the frontier programme over balances, or by local search where that is no dearer; the bound is the programme's.

    `TooWide` is raised where the programme cannot take the graph.
    """
    turns_s = _turn_costs(graph, params)
    groups, of_edge, options, is_whole = _options(graph, turns_s, params)
    if not takes(graph, groups):
        raise TooWide("a dead end goes one way only, or the graph is too wide for the programme with directions.")
    legs: tuple[Leg, ...] | None = None
    with suppress(ValueError):  # the search can run into a dead end where there is a round
        legs = tour_any(graph, turns_s, replace(params, kicks=params.kicks // _FEWER_KICKS))
    cost = np.inf if legs is None else sum(leg_seconds(graph, legs, params))
    try:
        prices = price_round(graph, groups, of_edge, options, rounds=_ROUNDS)
    except ValueError as none:
        raise ValueError(_UNREACHED) from none
    outcome, uses = directed_round(
        graph, groups, of_edge, options, prices, upper=cost + 10 * _EPS, max_states=params.max_states
    )
    method: Literal["programme", "search"] = "search"
    if uses is not None:
        legs, method = walk(graph, uses), "programme"
    if legs is None:
        raise ValueError(_UNREACHED)
    bound = outcome.bound if is_whole else None
    best = _tour(graph, params, legs, bound, method, outcome.peak_states)
    if not best.is_near:
        more = tour_any(graph, turns_s, params, order=_order(best))
        other = _tour(graph, params, more, bound, "search", outcome.peak_states)
        best = min([best, other], key=lambda t: t.objective)
    made = None if best.is_near or not params.branches else _programme(graph, turns_s, params, best.objective)
    return best if made is None else _branch(graph, turns_s, params, best, *made)


def _search(graph: StopGraph, params: RoundParams) -> BlockTour:
    """A round by local search, with the bound of a linear programme, and of the exact programme on two-way ground."""
    turns_s = _turn_costs(graph, params)
    bound, order = None, None
    if graph.directions.any():
        with suppress(TooWide):
            found = _exact(two_way(graph), params)
            bound = found.bound
            order = _order(found) if len(_order(found)) == graph.num_stops else None
    best = _tour(graph, params, tour_any(graph, turns_s, params, order=order), bound, "search")
    if params.branches and graph.directions.any():
        best = _begun_thin(graph, turns_s, params, best)
        order = _order(best)
    if not best.is_near:
        ground = (graph, turns_s)
        if not graph.directions.any():
            bare = bare_ground(graph, turns_s, params)
            ground = (bare.graph, bare.turns_s)
        made = _programme(*ground, params, best.objective)
        linear = None if made is None else made[0].bound()
        bound = max((b for b in (bound, linear) if b is not None), default=None)
        best = _tour(graph, params, best.legs, bound, "search")
    if not best.is_near:
        more = tour_any(graph, turns_s, replace(params, kicks=_MORE_KICKS * params.kicks), order=order)
        best = min([best, _tour(graph, params, more, bound, "search")], key=lambda t: t.objective)
    if best.is_near or made is None or not (params.branches and graph.directions.any()):
        return best
    return _branch(graph, turns_s, params, best, *made)


def _begun_thin(graph: StopGraph, turns_s: Turns, params: RoundParams, best: BlockTour) -> BlockTour:
    """The best of a round and of those that begin on thinned ground."""
    for thin in thinned(graph):
        if best.is_near:
            break
        with suppress(ValueError):  # too wide even so, or with no way round
            order = _order(_directed(thin, replace(params, branches=False, max_states=_HALF_STATES)))
            other = _tour(graph, params, tour_any(graph, turns_s, params, order=order), best.bound, "search")
            best = min([best, other], key=lambda t: t.objective)
    return best


def _programme(
    graph: StopGraph, turns_s: Turns, params: RoundParams, objective: float
) -> tuple[Program, list[EdgeOptions]] | None:
    """The linear programme, worked on until it bounds a round of this cost [s] near enough, and the options of each way.

    None where options are left out.
    """
    groups, of_edge, options, is_whole = _options(graph, turns_s, params)
    if not is_whole:
        return None
    program = Program(graph, lay_columns(graph, groups, of_edge, options))
    program.tighten(_BOUND_ROUNDS, enough=(1 - NEAR) * objective, stalled=_PATIENCE)
    return program, options


def _branch(
    graph: StopGraph, turns_s: Turns, params: RoundParams, best: BlockTour, program: Program, options: list[EdgeOptions]
) -> BlockTour:
    """The round with what lines across the drive rows prove, and taken on by branch and bound where that is not near enough."""
    lines = lay_lines(graph, program.columns)
    if lines:
        finer = program.with_lines(lines)
        is_guided = takes(graph, find_groups(graph)[0], MAX_GUIDED_SLOTS)
        finer.tighten(
            _BOUND_ROUNDS, enough=(1 - NEAR) * best.objective, stalled=_GUIDE_PATIENCE if is_guided else _LINE_PATIENCE
        )
        best = _tour(graph, params, best.legs, max(finer.bound(), best.bound or 0.0), best.method, best.peak_states)
        if not best.is_near and is_guided:
            return _guided(graph, turns_s, params, best, prices_of(finer, options))
    if best.is_near:
        return best
    found = whole_round(
        program, options, upper=best.objective, near=NEAR, cost_of=lambda legs: sum(leg_seconds(graph, legs, params)),
        improve=lambda order: tour_any(graph, turns_s, params, order=order),
    )  # fmt: skip
    bound = max(found.bound, best.bound or 0.0)
    if found.legs is None:
        return _tour(graph, params, best.legs, bound, best.method, best.peak_states)
    return _tour(graph, params, found.legs, bound, "search", best.peak_states)


def _guided(graph: StopGraph, turns_s: Turns, params: RoundParams, best: BlockTour, prices: Prices) -> BlockTour:
    """The round by the frontier programme guided by lines, or the one given with the bound that the programme proves."""
    groups, of_edge, options, _ = _options(graph, turns_s, params)
    found, uses = directed_round(
        graph, groups, of_edge, options, prices, upper=best.objective + 10 * _EPS, max_states=params.max_states
    )
    bound, peak = max(found.bound, best.bound or 0.0), max(found.peak_states, best.peak_states)
    legs, method = (best.legs, best.method) if uses is None else (walk(graph, uses), "programme")
    return _tour(graph, params, legs, bound, method, peak)


def _tour(
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
        status="optimal" if bound is not None and bound >= cost - _EPS else "feasible",
        length_m=sum(leg.length_m for leg in legs),
        legs=legs,
        peak_states=peak_states,
        method=method,
    )


def _exact(graph: StopGraph, params: RoundParams) -> BlockTour:
    """The round by the frontier programme; `TooWide` is raised where it cannot take the graph."""
    bare = bare_ground(graph, _turn_costs(graph, params), params)
    tour = _exact_on(bare.graph, bare.turns_s, params)
    legs = bare.whole_legs(graph, tour.legs)
    return replace(tour, legs=legs, length_m=sum(leg.length_m for leg in legs))


def _exact_on(graph: StopGraph, turns_s: Turns, params: RoundParams) -> BlockTour:
    """The same over ground that is bare of what no round needs."""
    best = _solve(graph, turns_s, params, is_priced=True)
    if best is None:
        raise ValueError(_UNREACHED)
    if best.status == "optimal" or graph.num_stops == len(graph.place_stop):
        return best
    if best.is_near:
        return best
    bound = best.bound
    tour = _solve(fix_sides(graph, busiest_side(graph), -1, 2), turns_s, params, best.objective)
    best = min([best, tour or best], key=lambda t: t.objective)
    if _is_small(graph):
        legs = tour_any(graph, turns_s, params, order=_order(best))
        cost = sum(leg_seconds(graph, legs, params, turns_s))
        if cost < best.objective - _EPS:
            length = sum(leg.length_m for leg in legs)
            best = replace(best, objective=cost, legs=legs, length_m=length)
    since = 0
    quick = replace(params, max_states=min(params.max_states, _HALF_STATES))
    for k in range(params.max_halves):
        if bound is not None and bound >= best.objective - _EPS:
            break
        half = fix_sides(graph, sides_of(best.legs, graph.num_stops), k % 2, 2)
        tour = _solve(half, turns_s, quick, best.objective)
        since = 0 if tour and tour.objective < best.objective - _EPS else since + 1
        best = min([best, tour or best], key=lambda t: t.objective)
        if since == 2:
            break
    proven = bound is not None and bound >= best.objective - _EPS
    return replace(best, bound=bound, status="optimal" if proven else "feasible")


def _order(tour: BlockTour) -> NDArray[np.int64]:
    """The stops as the round comes by."""
    return np.array([h.stop for leg in tour.legs for h in leg.halts], np.int64)


def _is_small(graph: StopGraph) -> bool:
    """Whether a local search over all stops is worth its matrix."""
    return graph.num_stops <= _SEARCHED_STOPS


def _solve(
    graph: StopGraph, turns_s: Turns, params: RoundParams, upper: float = np.inf, *, is_priced: bool = False
) -> BlockTour | None:
    """One run of the programme over a graph as it stands; None where it finds nothing (cheaper than ``upper``).

    With ``is_priced`` by the prices of a linear programme where it is not proven without them.
    """
    groups, of_edge, options, whole = _options(graph, turns_s, params)

    def price(steps: Sequence[Step], edges: Sequence[int]) -> Priced:
        prices = price_round(graph, groups, of_edge, options, rounds=_ROUNDS)
        return *priced_steps(steps, edges, prices.connection), prices.bound

    outcome, edges = _best_sweep(graph, groups, of_edge, options, params, upper, price if is_priced else None)
    if outcome is None:
        return None
    chosen = {e: int(o) for e, o in zip(edges, outcome.options, strict=True)}
    uses = [_use(options[e], chosen[e]) for e in range(len(graph.tail))]
    legs = walk(graph, uses)
    exact = whole and outcome.bound >= outcome.cost - _EPS
    return BlockTour(
        objective=outcome.cost,
        bound=outcome.bound if whole else None,
        status="optimal" if exact else "feasible",
        length_m=sum(leg.length_m for leg in legs),
        legs=legs,
        peak_states=outcome.peak_states,
    )


def _options(
    graph: StopGraph, turns_s: Turns, params: RoundParams
) -> tuple[list[Group], list[list[int]], list[EdgeOptions], bool]:
    """The groups, those of each way, the options of each way, and whether all that could be cheapest are among them."""
    groups, of_edge, must = find_groups(graph)
    options, whole = [], True
    for e in range(len(graph.tail)):
        made, complete = edge_options(graph, e, [groups[g] for g in of_edge[e]], must[e], turns_s[e], params)
        options.append(made)
        whole = whole and (complete or bool(graph.directions[e]))  # nobody turns round in a one-way way, at whatever depth
    return groups, of_edge, options, whole


def _best_sweep(
    graph: StopGraph,
    groups: list[Group],
    of_edge: list[list[int]],
    options: list[EdgeOptions],
    params: RoundParams,
    upper: float,
    price: Callable[[Sequence[Step], Sequence[int]], Priced] | None,
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
        price=None if price is None else lambda steps: price(steps, edges),
    )  # fmt: skip
    return outcome, edges


def _turn_costs(graph: StopGraph, params: RoundParams) -> Turns:
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


def _use(options: EdgeOptions, o: int) -> Use:
    """What is done with one way, for the walk."""
    passes = {SINGLE: 1, DOUBLE: 2}.get(int(options.effect[o]), 0)
    return Use(
        passes=passes,
        until_m=-np.inf if passes else float(options.until_m[o]),
        from_m=np.inf if passes else float(options.from_m[o]),
    )


def leg_seconds(
    graph: StopGraph, legs: tuple[Leg, ...], params: RoundParams, turns_s: Turns | None = None
) -> list[float]:
    """Driving time of each leg, turns included; their sum is the round's objective.

    ``turns_s`` is the cost of entering or leaving each way, where it is not that of the graph itself.
    """
    turns = _turn_costs(graph, params) if turns_s is None else turns_s
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
