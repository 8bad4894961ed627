"""The cheapest round on ground with one-way ways, by the frontier programme over balances (see `states`).

Of a two-way way the options are those of `options`, with the single pass in either direction, and more passes the same way; a
cheapest round that drives a way more than twice goes the same way each time, for of two opposite passes beyond a first one
both can be left out. Of a one-way way they are any number of passes along it; nobody turns round in it, but who stands at its
end serves what stands right there.

How often a way may have to be driven has no limit but what a round may cost: each pass has a way back of its own. Where that
allows more passes than are followed, the bound covers them all the same. For prices y of the vertices such that y(tail) - y(head) is no more than a pass costs, whichever way it may
go, every round costs y(start) - y(end) plus its passes at their cost less that difference, which is at least 0: so a round with
more passes than are followed promises no less than the last numbers of passes, odd and even, that are laid out; what these
promise counts as dropped. The prices are those of the balance in the linear programme, lowered where they break the condition
by a rounding error (shortest ways, as of Ford & Fulkerson, from memory). Rows that are paid for are paid at most in full, so
further passes earn nothing.

Where lines across the drive rows are priced as well (see `courses`), the states are guided by what is still to pay at them. That takes
ground with more vertices beside each other than can be followed otherwise, where what has no room counts as dropped too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra

from mudcap.route.courses import Courses, PricedLine, doings, line_pay
from mudcap.route.dues import Dues, priced_steps
from mudcap.route.frontier import Outcome
from mudcap.route.net import Floats
from mudcap.route.options import EdgeOptions, Group
from mudcap.route.prices import Prices
from mudcap.route.program import PaidRows
from mudcap.route.search import NEAR, UNWATCHED, Guided, Priced, Watch
from mudcap.route.states import Layout, flow_layout
from mudcap.route.steps import (
    DOUBLE,
    MAX_FLOW_SLOTS,
    MAX_GUIDED_SLOTS,
    NONE,
    SINGLE,
    TOUCH_BOTH,
    Flow,
    Step,
    TooWide,
)
from mudcap.route.stopgraph import StopGraph
from mudcap.route.sweep import Turn, lay_steps, must_cross, sweeps, take_turns, weigh
from mudcap.route.walk import Use

_TINY_M = _TINY_S = 1e-9
_LEAST, _MOST = 3, 60
"""Passes followed at least, even where fewer cost too much, and at most; a row is paid in full by two."""
_MOST_WIDE = 7
"""The same where states have no room for such balances."""
_AT_ONCE = 256
"""Vertices whose distances are held at a time."""
_WIDTHS = (300, 3_000)
_PEAK = 300_000
"""States after a step, before the least promising are left out, beyond which no wider run is begun, judged by the one before."""
_WIDER = (1, 4)
"""Times as many states as asked for that are kept, one after the other."""
_PROOF, _WORK = 1_000_000, 1e9
"""States kept, and states times options tried, where nothing but the bound is wanted and lines guide: a minute or two."""
_NEARER = 0.99
"""Share of what the bound may lack that it then does lack."""
_LESS = 0.0, 1e-6, 1e-4, 1e-2, 1.0
"""Shares by which the prices of lines are lowered, one after the other, until no pass costs less than the vertices' prices and it is
worth at the lines."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Directed:
    """The options of one way with the direction of passes."""

    options: EdgeOptions
    gain: NDArray[np.int64]
    """(o,) passes from tail to head less passes from head to tail."""
    is_over: NDArray[np.bool_]
    """(o,) True for numbers of passes that are not followed."""
    origin: NDArray[np.int64]
    """(o,) number of the option it is made of."""


def most_passes(graph: StopGraph, cost: NDArray[np.float64], upper: float) -> NDArray[np.float64]:
    """(e,) passes of each way one way, beyond which no round costs less than ``upper``; ``cost`` (e,) is that of a pass [s].

    Each pass one way has a way back of its own, in a round from start to another end all but one.
    """
    through = np.flatnonzero(graph.head >= 0)
    a, b, c = _arcs(graph, cost)
    order = np.lexsort((c, b, a))
    a, b, c = a[order], b[order], c[order]
    first = np.append(True, (a[1:] != a[:-1]) | (b[1:] != b[:-1])) if len(a) else np.empty(0, bool)
    size = len(graph.vertex_xy)
    links = csr_matrix((c[first], (a[first], b[first])), shape=(size, size))
    back = np.full(len(graph.tail), np.inf)
    for at in range(0, len(through), _AT_ONCE):
        some = through[at : at + _AT_ONCE]
        turned = graph.directions[some] < 0
        ends = graph.tail[some], graph.head[some]
        begin, end = np.where(turned, ends[0], ends[1]), np.where(turned, ends[1], ends[0])
        sources, row = np.unique(begin, return_inverse=True)
        back[some] = dijkstra(links, indices=sources)[row, end]
        both = graph.directions[some] == 0
        back[some[both]] = np.minimum(back[some[both]], cost[some[both]])
    loop = np.maximum(np.where(np.isfinite(cost), cost, 0.0) + back, _TINY_M)
    most = np.zeros(len(loop))
    np.divide(upper, loop, out=most, where=np.isfinite(loop))
    return np.floor(most) + (graph.start != graph.end)


def directed_options(
    graph: StopGraph, edge: int, options: EdgeOptions, most: int, *, has_more: bool = True
) -> Directed:
    """Return the options of a way with up to ``most`` passes one way, and two more that stand for all beyond if it ``has_more``."""
    way = int(graph.directions[edge])
    length = float(graph.length_m[edge])
    stays = options.effect != SINGLE
    if way:
        at_ends = ~(options.until_m > _TINY_M) & ~(options.from_m < length - _TINY_M)
        stays &= at_ends & (options.effect <= TOUCH_BOTH)
    origin = np.flatnonzero(stays)
    passes = np.arange(1, most + (3 if has_more else 1))
    gain = passes if way > 0 else -passes if way < 0 else np.column_stack([passes, -passes]).ravel()
    single = np.flatnonzero(options.effect == SINGLE)
    if not len(single):
        gain = gain[:0]
    number = np.append(origin, np.repeat(single, len(gain)))
    gain = np.append(np.zeros(len(origin), np.int64), gain)
    times = np.maximum(np.abs(gain), 1)
    is_odd = (gain % 2 == 1) & (graph.tail[edge] != graph.head[edge])
    made = EdgeOptions(
        effect=np.where(gain == 0, options.effect[number], np.where(is_odd, SINGLE, DOUBLE)).astype(np.int8),
        cost=options.cost[number] * times,
        until_m=options.until_m[number],
        from_m=options.from_m[number],
        left=tuple(a[number] for a in options.left),
    )
    return Directed(options=made, gain=gain, is_over=np.abs(gain) > most, origin=number)


def heights(graph: StopGraph, cost: NDArray[np.float64], height: NDArray[np.float64]) -> NDArray[np.float64]:
    """(v,) the prices of the vertices, lowered until no pass costs less than the difference; ``cost`` (e,) is that of a pass [s]."""
    a, b, c = _arcs(graph, cost)
    height = height.copy()
    for _ in range(len(height)):
        before = height.copy()
        np.minimum.at(height, a, height[b] + c)
        if np.array_equal(before, height):
            break
    return height


def _arcs(
    graph: StopGraph, cost: NDArray[np.float64]
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """(from, to, cost) of a pass along each way, in each direction that is allowed."""
    through = np.flatnonzero(graph.head >= 0)
    onward, back = through[graph.directions[through] >= 0], through[graph.directions[through] <= 0]
    a = np.append(graph.tail[onward], graph.head[back])
    b = np.append(graph.head[onward], graph.tail[back])
    return a, b, np.append(cost[onward], cost[back])


def directed_round(
    graph: StopGraph,
    groups: list[Group],
    of_edge: list[list[int]],
    options: list[EdgeOptions],
    prices: Prices,
    *,
    upper: float,
    max_states: int,
    watch: Watch = UNWATCHED,
) -> tuple[Outcome, list[Use] | None]:
    """Return what is done with each way in the cheapest round, and what is proven; no uses where none costs less than ``upper``.

    ``groups``, ``of_edge`` and ``options`` as of `options`, ``prices`` those of `prices.price_round`. The bound is one on rounds
    made of the options, with any number of passes.

    Raises `TooWide` where the frontier has no room in a state.
    """
    slots = MAX_GUIDED_SLOTS if prices.lines else MAX_FLOW_SLOTS
    single = [found.cost[found.effect == SINGLE] for found in options]
    through = np.array([float(c[0]) if len(c) else np.inf for c in single])
    limit = most_passes(graph, through, upper)
    most = np.clip(limit, _LEAST, _MOST if is_narrow(graph, groups) else _MOST_WIDE).astype(np.int64)
    made = [
        directed_options(graph, e, found, int(most[e]), has_more=bool(limit[e] > most[e]))
        for e, found in enumerate(options)
    ]
    turns, steps = _narrowest(graph, groups, of_edge, made, slots)
    edges = [turn.edge for turn in turns]
    done = [doings(m.options.effect, m.gain, m.is_over) for m in made]
    height, lines = _settled(graph, through, prices)
    rows = _rows(graph, options, made, prices.connection)

    def price(steps: Sequence[Step]) -> Priced:
        return *_price(graph, steps, edges, height, rows, line_pay(lines, done)), prices.bound

    courses = Courses(lines, edges, done) if lines else None
    found = Guided(steps, must_cross(graph, turns), upper, price, courses, watch)
    last = 1
    for asked in (*(w for w in _WIDTHS if w < max_states), *(k * max_states for k in _WIDER)):
        width = min(asked, last * _PEAK // found.peak)
        if width <= last or found.is_over:
            break
        if found.is_near and (found.is_proven or width > _WIDTHS[-1]):
            break
        if lines and last >= max_states:  # what is proven so costs less than a wider run
            found.raise_bound(_PROOF, enough=(1 - _NEARER * NEAR) * found.upper, max_work=_WORK)
            if found.is_near:
                break
        found.widen([width])
        last = width
    outcome = found.outcome()
    if outcome is None:
        bound = upper if found.has_failed else min(found.bound, upper)
        return Outcome(cost=np.inf, options=np.empty(0, np.int64), bound=bound, peak_states=found.peak), None
    uses = [Use()] * len(options)
    for e, o in zip(edges, outcome.options.tolist(), strict=True):
        uses[e] = _use(made[e], o)
    return outcome, uses


def takes(graph: StopGraph, groups: list[Group], slots: int = MAX_FLOW_SLOTS) -> bool:
    """Whether the programme can take a graph with so many slots in a state."""
    return not (graph.directions[graph.head < 0] != 0).any() and is_narrow(graph, groups, slots)


def is_narrow(graph: StopGraph, groups: list[Group], slots: int = MAX_FLOW_SLOTS) -> bool:
    """Whether the frontier has room in a state with so many slots in any order."""
    found = (take_turns(graph, rank) for rank in sweeps(graph, groups))
    return any(turns is not None and _num_slots(turns) <= slots for turns in found)


def _num_slots(turns: list[Turn]) -> int:
    return max((max(t.slots) + 1 for t in turns), default=1)


def _settled(graph: StopGraph, cost: Floats, prices: Prices) -> tuple[Floats, list[PricedLine]]:
    """The prices of vertices and of lines, lowered until no pass costs less than it is worth by both; ``cost`` (e,) is a pass's [s]."""
    for less in _LESS:
        lines = [(line, (1 - less) * price) for line, price in prices.lines if less < 1]
        left = cost - sum((line.of_pass(price) for line, price in lines), np.zeros(len(cost)))
        height = heights(graph, left, prices.height)
        a, b, c = _arcs(graph, left)
        if (height[a] <= height[b] + c + _TINY_S).all():
            break
    return height, lines


def _narrowest(
    graph: StopGraph, groups: list[Group], of_edge: list[list[int]], made: Sequence[Directed], slots: int
) -> tuple[list[Turn], list[Step]]:
    """The order that promises the fewest states, and its steps.

    Above all one with few ways whose passes have no limit and are not settled by a vertex that leaves with them.
    """
    ranked: list[tuple[int, float, int, list[Turn]]] = []
    for rank in sweeps(graph, groups):
        turns = take_turns(graph, rank)
        if turns is not None and _num_slots(turns) <= slots:
            loose = sum(bool(made[t.edge].is_over.any()) and not any(t.leaves) for t in turns)
            ranked.append((loose, weigh(turns, groups, of_edge) / (len(turns) + 1), len(ranked), turns))
    for *_, turns in sorted(ranked, key=lambda r: r[:3]):
        steps = lay_steps(graph, turns, [m.options for m in made], groups, of_edge)
        if steps is not None:
            layout = flow_layout(_num_slots(turns))
            return turns, [
                _flow(graph, turn, step, made[turn.edge], layout) for turn, step in zip(turns, steps, strict=True)
            ]
    raise TooWide("the graph is too wide for the frontier programme with directions.")


def _flow(graph: StopGraph, turn: Turn, step: Step, made: Directed, layout: Layout) -> Step:
    """The step with what its options drive one way."""
    ends = int(graph.tail[turn.edge]), int(graph.head[turn.edge])
    begins = [0 if graph.start == graph.end else int(v == graph.end) - int(v == graph.start) for v in ends]
    rows = np.column_stack([step.effect, made.gain, made.is_over]).astype(np.int64)
    kinds, kind = np.unique(rows, axis=0, return_inverse=True)
    return replace(step, flow=Flow(kinds=kinds, kind=kind.ravel(), layout=layout, begins=(begins[0], begins[1])))


def _price(
    graph: StopGraph, steps: Sequence[Step], edges: Sequence[int], height: Floats, rows: PaidRows, pay: Sequence[Floats]
) -> tuple[list[Step], Dues]:
    """The steps at the prices of the vertices and of rows, and what every round is paid by them; ``pay`` is each way's at the lines."""
    lifted = []
    for e, step in zip(edges, steps, strict=True):
        rise = height[graph.tail[e]] - height[graph.head[e]] if graph.head[e] >= 0 else 0.0
        gain = step.flow.kinds[step.flow.kind, 1] if step.flow else np.zeros(len(step.cost))
        lifted.append(replace(step, priced=step.cost - gain * rise - pay[e]))
    return priced_steps(lifted, edges, rows, paid_s=float(height[graph.start] - height[graph.end]))


def _rows(
    graph: StopGraph, options: Sequence[EdgeOptions], made: Sequence[Directed], flow: PaidRows
) -> PaidRows:
    """The rows over the directed options, of which none counts for more than the limit."""
    row, edge, option, value = [], [], [], []
    for r in range(len(flow.limit)):
        at = slice(flow.row_ptr[r], flow.row_ptr[r + 1])
        worth: dict[int, dict[int, float]] = {}
        for e, o, v in zip(
            flow.row_edge[at].tolist(), flow.row_option[at].tolist(), flow.row_value[at].tolist(), strict=True
        ):
            mine = worth.setdefault(e, {})
            mine[o] = mine.get(o, 0.0) + v
        for e, mine in worth.items():
            counts = np.minimum(_counts(bool(graph.directions[e]), options[e], made[e], mine), flow.limit[r])
            which = np.flatnonzero(counts > 0)
            row += [r] * len(which)
            edge += [e] * len(which)
            option += which.tolist()
            value += counts[which].tolist()
    ptr = np.searchsorted(np.array(row, np.int64), np.arange(len(flow.limit) + 1))
    return PaidRows(
        row_ptr=ptr.astype(np.int64), row_edge=np.array(edge, np.int64), row_option=np.array(option, np.int64),
        row_value=np.array(value, float), limit=flow.limit, price=flow.price,
    )  # fmt: skip


def _counts(
    is_one_way: bool, options: EdgeOptions, made: Directed, worth: dict[int, float]
) -> NDArray[np.float64]:
    """(o,) what each directed option of a way counts for in a row that has values for its columns."""
    each = np.zeros(len(options.cost))
    for o, v in worth.items():
        if o >= 0:
            each[o] = v
    more = worth.get(-1, 0.0)
    counts = each[made.origin]
    passed = np.abs(made.gain)
    if is_one_way:  # a stay may be at either end: none counts for too little
        stays = (passed == 0) & (made.options.effect != NONE)
        return np.where(passed > 0, counts * passed, np.where(stays, more, 0.0))
    return np.where(passed > 1, counts + more * (passed - 1), counts)


def _use(made: Directed, o: int) -> Use:
    """What is done with one way, for the walk."""
    gain = int(made.gain[o])
    if gain:
        return Use(passes=abs(gain), onward=max(gain, 0))
    if made.options.effect[o] == DOUBLE:
        return Use(passes=2, onward=1)
    return Use(until_m=float(made.options.until_m[o]), from_m=float(made.options.from_m[o]), onward=0)
