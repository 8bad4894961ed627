"""A round by branch and bound over the programme with cutting planes (see `program`), for ground with one-way ways that is too wide
for the frontier programme.

The solver finds the cheapest choice that keeps the rows known so far; it may branch on how often a cut through all rows, or between two
of them, is crossed one way, which tells more than a single way does. Where what it drives does not hang together, rows are added
and it is asked again, until a choice breaks none and so makes one walk. Each answer's bound is one on all rounds; its pieces, strung
together one after the other, are an order from which the local search begins.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components

from mudcap.place.linear import BranchAndBound
from mudcap.route.net import Ints
from mudcap.route.options import EdgeOptions
from mudcap.route.program import Program
from mudcap.route.search import UNWATCHED, Watch
from mudcap.route.steps import DOUBLE, SINGLE
from mudcap.route.stopgraph import StopGraph, levels, only
from mudcap.route.walk import Leg, Use, walk

_RUNS = 12
_NODES, _CALLS = 5_000, 30_000
"""Runs, nodes of all, and times that the solver asks whether to go on in each, after which it ends; found by trial: a quarter of an
hour at most."""
_MENDS, _MEND_NODES = 12, 500
"""Runs in which pieces are joined with the cuts crossed as often, and nodes of each; found by trial, most take a node or two."""
_MARGIN = 1e-6
"""Share by which the solver's bounds are lowered, for its tolerances."""
_TINY_M = 1e-9
_EPS = 1e-6


Cuts = tuple[csr_matrix, Ints, Ints]
"""Passes over each cut, and how they are counted: see `_crossings`."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Whole:
    """What was found."""

    legs: tuple[Leg, ...] | None
    """A round cheaper than the one given; None where none was found."""
    bound: float
    """[s]; no round costs less."""


def whole_round(
    program: Program,
    options: Sequence[EdgeOptions],
    *,
    upper: float,
    near: float,
    cost_of: Callable[[tuple[Leg, ...]], float],
    improve: Callable[[Ints], tuple[Leg, ...]],
    watch: Watch = UNWATCHED,
) -> Whole:
    """Go on until the bound is within a share ``near`` of the cheapest round known, which costs ``upper`` [s] at first.

    ``options`` are those of each way of which the programme is made, ``cost_of`` says what a round costs [s], and ``improve``
    makes one of an order of the stops. ``watch`` hears how far it is, and may end it. The programme must be solved; rows are added to it.

    Raises ``ValueError`` where no way is one-way: then passes have no directions in the programme.
    """
    if not program.columns.is_mixed:
        raise ValueError("program: ground with one-way ways is needed.")
    bound, cuts = program.bound(), _crossings(program)
    best: tuple[Leg, ...] | None = None
    nodes = _NODES
    for _ in range(_RUNS):
        if not watch.goes_on(upper, bound) or bound >= (1 - near) * upper:
            break
        solver = BranchAndBound(program.model(), limit=(1 - near / 2) * upper, gap=near / 4)
        solver.branch_on_halves(*cuts)
        enough = (1 - near) * upper / (1 - 2 * _MARGIN)
        choice, proven, is_done = solver.solve(enough=enough, nodes=nodes, calls=_CALLS, goes_on=partial(watch.above(bound).goes_on, upper))
        nodes -= int(solver.getInfo().mip_node_count)
        bound = max(bound, proven * (1 - _MARGIN))
        if choice is None:
            break
        for passed in solver.passed:
            program.value = passed.astype(float)
            program.cut()
        is_broken, rounds = _taken_up(program, options, choice, improve)
        if is_broken:
            rounds += _mended(program, options, choice, cuts, upper=upper, gap=near / 4, improve=improve, watch=watch)
        for legs in rounds:
            if cost_of(legs) < upper - _EPS:
                best, upper = legs, cost_of(legs)
        if not (is_done and is_broken) or nodes <= 0:
            break
    return Whole(legs=best, bound=min(bound, upper))


def _taken_up(
    program: Program, options: Sequence[EdgeOptions], choice: Ints, improve: Callable[[Ints], tuple[Leg, ...]]
) -> tuple[bool, list[tuple[Leg, ...]]]:
    """Whether a choice broke rows, which are added, and rounds made of it."""
    program.value = choice.astype(float)
    uses, is_broken = _uses(program, options), program.cut()
    rounds = [improve(_order(program.graph, uses))]
    if not is_broken:  # pieces apart from the start serve nobody who is not served without them
        rounds.append(walk(program.graph, _part(program.graph, uses, program.graph.start)))
    return is_broken, rounds


def _mended(
    program: Program,
    options: Sequence[EdgeOptions],
    choice: Ints,
    cuts: Cuts,
    *,
    upper: float,
    gap: float,
    improve: Callable[[Ints], tuple[Leg, ...]],
    watch: Watch,
) -> list[tuple[Leg, ...]]:
    """Rounds that cross each cut as often as a choice that does not hang together; there are few of them, so they are soon found."""
    rows, odd, _ = cuts
    often = (rows @ choice - odd).astype(np.int64) // 2
    rounds: list[tuple[Leg, ...]] = []
    for _ in range(_MENDS):
        solver = BranchAndBound(program.model(), limit=upper, gap=gap)
        solver.branch_on_halves(rows, odd, often, often)
        found, _, _ = solver.solve(enough=np.inf, nodes=_MEND_NODES, calls=_CALLS, goes_on=lambda bound: not watch.stop())
        if found is None:
            break
        is_broken, made = _taken_up(program, options, found, improve)
        rounds += made
        if not is_broken:
            break
    return rounds


def _crossings(program: Program) -> Cuts:
    """(r, c) passes over each cut between columns, and over each across all columns; of these (r,) how many take a round from its start
    to an end beyond, and (r,) how often at least it goes there and back besides.
    """
    graph, net, asked = program.graph, program.columns.net, program.columns.asked
    column, level = graph.column, levels(graph)
    sides = [number > k for number in (column, level) for k in range(int(number.min()), int(number.max()))]
    beyond = np.array(sides, bool).reshape(len(sides), len(column))
    beyond ^= beyond[:, [graph.start]]
    rows = csr_matrix((beyond[:, net.tail] != beyond[:, net.head]).astype(float)) @ program.columns.passing()
    odd = beyond[:, graph.end].astype(np.int64)
    reached = beyond[:, net.stop_one] | (beyond[:, net.stop_other] & (net.stop_other >= 0))
    needed = [reached[:, net.stop_ptr[s] : net.stop_ptr[s + 1]].all(axis=1) for s in asked.tolist()]
    return csr_matrix(rows), odd, (np.any(needed, axis=0) & (odd == 0)).astype(np.int64)


def _uses(program: Program, options: Sequence[EdgeOptions]) -> list[Use]:
    """What the programme's solution, in whole numbers, does with each way."""
    columns, graph = program.columns, program.graph
    net = columns.net
    number = np.rint(program.value).astype(np.int64)
    back = np.zeros(len(graph.tail), np.int64)
    back[columns.back_edge] = number[columns.back_column]
    number[columns.back_column] = 0
    passes, both = np.zeros(len(back), np.int64), np.zeros(len(back), np.int64)
    until, since = np.full(len(back), -np.inf), np.full(len(back), np.inf)
    for j in np.flatnonzero(number).tolist():
        e, o = int(columns.edge[j]), int(columns.option[j])
        effect = options[e].effect[o] if o >= 0 else SINGLE
        if o < 0 and graph.directions[e]:  # who stands at an end serves what stands right there
            if net.stop_one[np.flatnonzero(net.stop_column == j)[0]] == graph.tail[e]:
                until[e] = 0.0
            else:
                since[e] = graph.length_m[e]
        elif effect == DOUBLE:
            both[e] = 1
        elif effect == SINGLE:
            passes[e] += number[j]
        else:
            until[e], since[e] = options[e].until_m[o], options[e].from_m[o]
    onward = np.where(graph.directions < 0, 0, passes - back + both)
    uses = []
    for e, times in enumerate((passes + 2 * both).tolist()):
        if times:
            uses.append(Use(passes=times, onward=int(onward[e])))
        else:
            uses.append(Use(until_m=float(until[e]), from_m=float(since[e])))
    return uses


def _pieces(graph: StopGraph, uses: Sequence[Use]) -> Ints:
    """(v,) number of the piece that each vertex belongs to: what passes join."""
    driven = np.array([e for e, use in enumerate(uses) if use.passes], np.int64)
    size = len(graph.vertex_xy)
    links = csr_matrix((np.ones(len(driven)), (graph.tail[driven], graph.head[driven])), shape=(size, size))
    piece: Ints = connected_components(links, directed=False)[1].astype(np.int64)
    return piece


def _part(graph: StopGraph, uses: Sequence[Use], vertex: int) -> list[Use]:
    """The uses without the passes that do not hang together with a vertex."""
    piece = _pieces(graph, uses)
    return [
        use if piece[graph.tail[e]] == piece[vertex] or not use.passes else Use()
        for e, use in enumerate(uses)
    ]


def _order(graph: StopGraph, uses: Sequence[Use]) -> Ints:
    """(n,) the stops as the pieces serve them: that of the start first, each other one after the stop nearest to its first."""
    piece = _pieces(graph, uses)
    stop_xy, found = np.zeros((graph.num_stops, 2)), np.full(graph.num_stops, -1, np.int64)
    home = int(piece[graph.start])
    for p in range(len(graph.place_stop)):
        e, m, s = int(graph.place_edge[p]), float(graph.place_m[p]), int(graph.place_stop[p])
        tail, head = int(graph.tail[e]), int(graph.head[e]) if graph.head[e] >= 0 else int(graph.tail[e])
        share = m / graph.length_m[e] if graph.length_m[e] > 0 else 0.0
        stop_xy[s] = graph.vertex_xy[tail] + share * (graph.vertex_xy[head] - graph.vertex_xy[tail])
        from_tail = uses[e].passes or m <= uses[e].until_m + _TINY_M
        from_head = m >= uses[e].from_m - _TINY_M
        for at, serves in ((tail, from_tail), (head, from_head)):
            if serves and (found[s] < 0 or piece[at] == home):
                found[s] = piece[at]
    order: list[int] = []
    for c in [home, *np.unique(found[found != home]).tolist()]:
        mine = np.flatnonzero(found == c)
        begin = graph.start if c == home else int(np.flatnonzero(piece == c)[0])
        end = graph.end if c == home else begin
        part = replace(only(graph, mine), start=begin, end=end)
        legs = walk(part, _part(graph, uses, begin)) if len(mine) else ()
        strung = [int(mine[h.stop]) for leg in legs for h in leg.halts]
        at = 0
        if order and strung:
            at = 1 + int(np.argmin(np.linalg.norm(stop_xy[order] - stop_xy[strung[0]], axis=1)))
        order[at:at] = strung
    return np.array(order, np.int64)
