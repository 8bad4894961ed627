"""Rounds on ground that the exact programme does not take: with one-way ways, or with too many roads and drive rows crossing."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from itertools import islice
from typing import Literal

import numpy as np

from mudcap.route.anyground import tour_any, two_way
from mudcap.route.bare import Turns, bare_ground
from mudcap.route.blocktour import (
    EPS,
    UNREACHED,
    BlockTour,
    Options,
    all_options,
    leg_seconds,
    order_of,
    raised,
    tour_of,
    turn_costs,
)
from mudcap.route.columns import lay_columns
from mudcap.route.directed import directed_round, takes
from mudcap.route.exact import exact
from mudcap.route.lines import lay_lines
from mudcap.route.options import RoundParams
from mudcap.route.prices import ROUNDS, Prices, price_round, prices_of
from mudcap.route.program import Program
from mudcap.route.search import NEAR, UNWATCHED, Watch
from mudcap.route.steps import MAX_GUIDED_SLOTS, TooWide
from mudcap.route.stopgraph import StopGraph
from mudcap.route.thinned import thinned
from mudcap.route.walk import Leg, walk
from mudcap.route.whole import whole_round

_BOUND_ROUNDS, _PATIENCE = 400, 80
"""Linear programmes where nothing but the bound is wanted, at most, and how many that hardly raise it are put up with; there it may
stand still for sixty and then rise by 3 %."""
_GUIDE_PATIENCE, _GUIDE_PROGRESS = 3, 2e-3
"""Where lines guide the frontier programme, so many programmes are to raise the bound by such a share of it; found by trial (60 rows
in turn, 7 levels, 60 stops: 160 s instead of 380)."""
_MORE_KICKS = 20
"""Times as many trials of the local search where its round is not near its bound."""
_FEWER_KICKS = 20
"""Of the trials of the local search one in so many, where it only sets a limit for the programme."""
_THIN_STATES = 3_000
"""`max_states` on thinned ground, and on the same ground with all ways two-way."""


@dataclass(frozen=True, slots=True, eq=False)
class _Proof:
    """What proves the bound of a round, to go on from."""

    program: Program
    """Without lines."""
    guide: Prices | None = None
    """With lines, where they guide the frontier programme."""


def directed(graph: StopGraph, params: RoundParams, watch: Watch = UNWATCHED) -> BlockTour:
    """The round by the frontier programme over balances, or by local search where that is no dearer; the bound is the programme's.

    `TooWide` is raised where the programme cannot take the graph. ``watch`` hears how far it is, and may end it.
    """
    turns_s = turn_costs(graph, params)
    laid = all_options(graph, turns_s, params)
    groups, of_edge, options, is_whole = laid
    if not takes(graph, groups):
        raise TooWide("a dead end goes one way only, or the graph is too wide for the programme with directions.")
    legs: tuple[Leg, ...] | None = None
    with suppress(ValueError):  # the search can run into a dead end where there is a round
        legs = tour_any(graph, turns_s, replace(params, kicks=params.kicks // _FEWER_KICKS))
    cost = np.inf if legs is None else sum(leg_seconds(graph, legs, params))
    try:
        prices = price_round(graph, groups, of_edge, options, rounds=ROUNDS, goes_on=lambda bound: not watch.stop())
    except ValueError as none:
        raise ValueError(UNREACHED) from none
    outcome, uses = directed_round(
        graph, groups, of_edge, options, prices, upper=cost + 10 * EPS, max_states=params.max_states, watch=watch,
    )  # fmt: skip
    method: Literal["programme", "search"] = "search"
    if uses is not None:
        legs, method = walk(graph, uses), "programme"
    if legs is None:
        raise ValueError(UNREACHED)
    bound = outcome.bound if is_whole else None
    best = tour_of(graph, params, legs, bound, method, outcome.peak_states)
    if not best.is_near and not watch.stop():
        more = tour_any(graph, turns_s, params, order=order_of(best))
        other = tour_of(graph, params, more, bound, "search", outcome.peak_states)
        best = min([best, other], key=lambda t: t.objective)
    if best.is_near or watch.stop() or not params.branches:
        return best
    best, proof = _proven(graph, best, laid, watch, has_lines=True)
    return _branch(graph, turns_s, params, best, proof, laid, watch)


def search(graph: StopGraph, params: RoundParams, watch: Watch) -> BlockTour:
    """A round by local search, with the bound of a linear programme, and of the exact programme on two-way ground.

    ``watch`` hears how far it is, and may end it.
    """
    turns_s = turn_costs(graph, params)
    bound, order = None, None
    if graph.directions.any():
        with suppress(TooWide):
            quick = replace(params, max_states=min(params.max_states, _THIN_STATES))
            found = exact(two_way(graph), quick, Watch(stop=watch.stop))
            bound = found.bound
            order = order_of(found) if len(order_of(found)) == graph.num_stops else None
    best = tour_of(graph, params, tour_any(graph, turns_s, params, order=order), bound, "search")
    watch.tell(best.objective, best.bound or 0.0)
    branches = params.branches and bool(graph.directions.any())
    thin = thinned(graph) if branches else iter(())
    best = begun_thin(graph, turns_s, params, best, islice(thin, 1), watch)
    if best.is_near:
        return best
    ground = (graph, turns_s)
    if not graph.directions.any():
        bare = bare_ground(graph, turns_s, params)
        ground = (bare.graph, bare.turns_s)
    laid = all_options(*ground, params)
    best, proof = _proven(ground[0], best, laid, watch, has_lines=branches)
    best = begun_thin(graph, turns_s, params, best, thin, watch)
    if not best.is_near and not watch.stop():
        more = tour_any(graph, turns_s, replace(params, kicks=_MORE_KICKS * params.kicks), order=order_of(best) if branches else order)
        best = min([best, tour_of(graph, params, more, best.bound, "search")], key=lambda t: t.objective)
    return _branch(graph, turns_s, params, best, proof, laid, watch) if branches else best


def begun_thin(
    graph: StopGraph,
    turns_s: Turns,
    params: RoundParams,
    best: BlockTour,
    ground: Iterable[StopGraph],
    watch: Watch = UNWATCHED,
) -> BlockTour:
    """The best of a round and of those that begin on thinned ``ground``; ``watch`` may end it."""
    for thin in ground:
        if best.is_near or watch.stop():
            break
        with suppress(ValueError):  # too wide even so, or with no way round
            quick = replace(params, branches=False, max_states=_THIN_STATES)
            order = order_of(directed(thin, quick, Watch(stop=watch.stop)))
            other = tour_of(graph, params, tour_any(graph, turns_s, params, order=order), best.bound, "search")
            best = min([best, other], key=lambda t: t.objective)
    return best


def _programme(graph: StopGraph, found: Options, best: BlockTour, watch: Watch) -> Program | None:
    """The linear programme, worked on until it bounds the best round near enough; None where options are left out."""
    groups, of_edge, options, is_whole = found
    if not is_whole:
        return None
    program = Program(graph, lay_columns(graph, groups, of_edge, options))
    goes_on = partial(watch.above(best.bound or 0.0).goes_on, best.objective)
    program.tighten(_BOUND_ROUNDS, enough=(1 - NEAR) * best.objective, stalled=_PATIENCE, goes_on=goes_on)
    return program


def _proven(
    graph: StopGraph, best: BlockTour, laid: Options, watch: Watch, *, has_lines: bool
) -> tuple[BlockTour, _Proof | None]:
    """The round with what the linear programme proves, and lines across the drive rows where it has them and is not near enough without.

    ``graph`` is the ground on which the programme is laid, bared or not.
    """
    program = _programme(graph, laid, best, watch)
    if program is None:
        return best, None
    best = raised(best, program.bound())
    groups, _, options, _ = laid
    is_guided = takes(graph, groups, MAX_GUIDED_SLOTS)
    lines = [] if best.is_near or watch.stop() or not has_lines else lay_lines(graph, program.columns, guides=is_guided)
    if not lines:
        return best, _Proof(program)
    finer = program.with_lines(lines)
    enough = (1 - NEAR) * best.objective
    goes_on = partial(watch.above(best.bound or 0.0).goes_on, best.objective)
    if is_guided:
        finer.tighten(_BOUND_ROUNDS, enough=enough, stalled=_GUIDE_PATIENCE, progress=_GUIDE_PROGRESS, goes_on=goes_on)
    else:
        finer.tighten(_BOUND_ROUNDS, enough=enough, goes_on=goes_on)
    return raised(best, finer.bound()), _Proof(program, prices_of(finer, options) if is_guided else None)


def _branch(
    graph: StopGraph, turns_s: Turns, params: RoundParams, best: BlockTour, proof: _Proof | None, laid: Options, watch: Watch
) -> BlockTour:
    """The round taken on by the programme that lines guide, or by branch and bound, where it is not near enough."""
    if best.is_near or watch.stop() or proof is None:
        return best
    if proof.guide is not None:
        return _guided(graph, params, best, laid, proof.guide, watch)
    known = best.bound or 0.0  # by lines, often above what the programme alone proves
    found = whole_round(
        proof.program, laid[2], upper=best.objective, near=NEAR, cost_of=lambda legs: sum(leg_seconds(graph, legs, params)),
        improve=lambda order: tour_any(graph, turns_s, params, order=order), watch=watch.above(known),
    )  # fmt: skip
    bound = max(found.bound, known)
    if found.legs is None:
        return tour_of(graph, params, best.legs, bound, best.method, best.peak_states)
    return tour_of(graph, params, found.legs, bound, "search", best.peak_states)


def _guided(
    graph: StopGraph, params: RoundParams, best: BlockTour, laid: Options, prices: Prices, watch: Watch
) -> BlockTour:
    """The round by the frontier programme guided by lines, or the one given with the bound that the programme proves."""
    groups, of_edge, options, _ = laid
    found, uses = directed_round(
        graph, groups, of_edge, options, prices, upper=best.objective + 10 * EPS, max_states=params.max_states,
        watch=watch,
    )  # fmt: skip
    bound, peak = max(found.bound, best.bound or 0.0), max(found.peak_states, best.peak_states)
    legs, method = (best.legs, best.method) if uses is None else (walk(graph, uses), "programme")
    return tour_of(graph, params, legs, bound, method, peak)
