"""Lines across the drive rows: who crosses a line one way has to come back across it, by another way or the same.

A line parts the vertices in those above and those below it. Column by column, what a round does at the line goes through few
states: how many passes more have gone up than down so far, which the ways beside the line have to carry on, above it and below,
and whether the stops beside the last way are served. So with a price for each pass across the line, for each option that serves
stops without passing, and for each pass beside the line, the cheapest course through the states is a limit that no round falls
short of. The programme holds the moves themselves, as a flow of one unit through the states that takes no more than the round
makes of each quantity; its prices are those at which the limit counts.

Lines are our own; to hold a programme's states as a flow is the way of Martin, Rardin & Campbell 1990, Oper. Res. 38:127-138 (from
memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix, vstack

from mudcap.route.columns import Columns
from mudcap.route.net import Floats, Ints
from mudcap.route.stopgraph import StopGraph, levels, spans

_MOST = 6
"""Passes more up than down that are told apart at most; more count as so many."""
_MOST_WIDE, _CROSSINGS = 3, 500
"""The same where more ways cross lines, each counted at each line, and nothing is guided by them, for the work's sake: with 15 lines
across 40 drive rows each programme took 25 s with six."""
_LINES = 24
"""Lines at most, for the work's sake; where the ground has more, so many are spread over it."""


def lay_lines(graph: StopGraph, columns: Columns, *, guides: bool = True) -> list[Line]:
    """The lines between the vertices' numbers along their columns, counted from either end; ``guides`` says whether they guide the
    frontier programme.

    Those are left out that fewer than three ways cross, or a way from column to column.
    """
    below = levels(graph)
    above = np.bincount(graph.column)[graph.column] - 1 - below
    masks = [m for k in range(1, int(below.max()) + 1) for m in (below >= k, above < k)]
    sides = list({m.tobytes(): m for m in masks if _is_worth(graph, m)}.values())
    if len(sides) > _LINES:
        sides = [sides[int(k)] for k in np.round(np.linspace(0, len(sides) - 1, _LINES))]
    tail, head = graph.tail[graph.through], graph.head[graph.through]
    crossings = sum(int((is_above[tail] != is_above[head]).sum()) for is_above in sides)
    most = _MOST if guides or crossings <= _CROSSINGS else _MOST_WIDE
    return [Line(graph, columns, is_above, most) for is_above in sides]


def _is_worth(graph: StopGraph, is_above: NDArray[np.bool_]) -> bool:
    tail, head = graph.tail[graph.through], graph.head[graph.through]
    across = is_above[tail] != is_above[head]
    return int(across.sum()) > 2 and not (graph.column[tail] != graph.column[head])[across].any()


@dataclass(slots=True)
class _Moves:
    """Moves from state to state, being gathered."""

    layer: list[int]
    begin: list[int]
    """State before, within its layer."""
    end: list[int]
    """State after, within the next layer."""
    takes: list[list[tuple[int, int]]]
    """(quantity, how much of it) each."""


class Line:
    """One line, and the courses of a round at it.

    Quantities are: passes of each way across, options of each that serve without passing, and between each such way and the next
    the passes beside the line, above and below.
    """

    def __init__(self, graph: StopGraph, columns: Columns, is_above: NDArray[np.bool_], most: int = _MOST) -> None:
        """``is_above`` (v,) says which vertices lie above the line; ways that cross it stay in their column.

        ``most`` is how many passes more up than down are told apart.
        """
        net = columns.net
        self.most = most
        across = np.flatnonzero(is_above[net.tail] != is_above[net.head])
        across = across[np.argsort(graph.column[net.tail[across]], kind="stable")]
        self.edge: Ints = graph.through[across]
        """(m,) ways that cross it, column by column."""
        self.rises = is_above[graph.head[self.edge]]
        """(m,) whether the head of each is above the line."""
        self.quantity = _quantities(graph, columns, is_above, across, self.edge)
        """(q, c) how much of each quantity the columns of the programme make."""
        self.beside_of = _beside_ways(graph, is_above, across)
        """(2 m - 2, e) ways beside the line between each way across and the next, above, then below."""
        self._lay_courses(graph, is_above)
        self.flow = self._lay_flow()
        """(s, moves) balance of each state but the last ones; one unit leaves the first."""

    def _lay_courses(self, graph: StopGraph, is_above: NDArray[np.bool_]) -> None:
        """The moves from state to state."""
        asks, shares = _asked(graph, self.edge)
        first, last = spans(graph)
        column = graph.column[graph.tail[self.edge]]
        num = len(self.edge)
        out = np.zeros(len(is_above), np.int64)
        out[graph.start] += 1
        out[graph.end] -= 1
        before: list[tuple[int, bool]] = [(0, True)]
        self._states = [before]
        moves = _Moves([], [], [], [])
        self.needs: Ints = np.zeros((num, 2 * self.most + 1, 2), np.int64)
        """(m, 2 most + 1, 2) passes above and below the line that are taken between each way and the next at most, by passes up
        less passes down."""
        for i in range(num):
            is_last = i == num - 1
            so_far = graph.column <= column[i] if not is_last else np.ones(len(out), bool)
            above, below = int(out[is_above & so_far].sum()), int(out[~is_above & so_far].sum())
            has_gap = not is_last and column[i + 1] > column[i]
            ties = bool(last.min() <= column[i] < first.max())
            sign = int(graph.directions[self.edge[i]]) * (1 if self.rises[i] else -1)
            has_touch = bool(self.quantity[num + i].nnz)
            after: dict[tuple[int, bool], int] = {}
            for at, (net_up, is_served) in enumerate(before):
                for passes, touches, steps in _choices(sign, self.most, has_touch=has_touch):
                    serves = passes > 0 or touches > 0
                    if not serves and (asks[i] or (shares[i] and not is_served)):
                        continue
                    for now in _moved(net_up, steps, self.most):
                        if is_last and now != -above:
                            continue
                        needs = _beside(now, above, below, self.most, ties=ties) if has_gap else [(0, 0)]
                        end = after.setdefault((now, serves), len(after))
                        self.needs[i, now + self.most] = np.max(needs, axis=0)
                        for over, under in needs:
                            moves.layer.append(i)
                            moves.begin.append(at)
                            moves.end.append(end)
                            take = [(i, passes), (num + i, touches)]
                            take += [(2 * num + i, over), (3 * num - 1 + i, under)]
                            moves.takes.append([t for t in take if t[1]])
            before = list(after)
            self._states.append(before)
        self._layer, self._begin, self._end = (
            np.array(x, np.int64) for x in (moves.layer, moves.begin, moves.end)
        )
        which = np.repeat(np.arange(len(moves.takes)), [len(t) for t in moves.takes])
        flat = np.array([t for take in moves.takes for t in take], np.int64).reshape(-1, 2)
        shape = self.quantity.shape[0], len(moves.takes)
        self.takes = csr_matrix((flat[:, 1].astype(float), (flat[:, 0], which)), shape=shape)
        """(q, moves) how much of each quantity a move takes."""

    def _lay_flow(self) -> csr_matrix:
        """(states but the last ones, moves): what leaves each state less what comes to it."""
        num = len(self._layer)
        first = np.concatenate([[0], np.cumsum([len(states) for states in self._states])])
        last = int(first[-2])
        leave, come = first[self._layer] + self._begin, first[self._layer + 1] + self._end
        kept = np.flatnonzero(come < last)
        value = np.append(np.ones(num), -np.ones(len(kept)))
        where = np.append(leave, come[kept]), np.append(np.arange(num), kept)
        return csr_matrix((value, where), shape=(last, num))

    def limit(self, price: Floats) -> float:
        """What every round pays at least, at a price of at least 0 for each quantity."""
        return float(self.to_go(price)[0][self.most, 1])

    def to_go(self, price: Floats) -> list[Floats]:
        """For before each way and after the last, (2 most + 1, 2) what is at least still to pay, inf where nothing leads on.

        Rows are passes up less passes down so far, from -most to most; columns whether the last way has been served.
        """
        costs = self.takes.T @ price
        ends = np.searchsorted(self._layer, np.arange(len(self._states)))
        least = np.zeros(len(self._states[-1]))
        found = [self._table(-1, least)]
        for i in range(len(self._states) - 2, -1, -1):
            mine = slice(ends[i], ends[i + 1])
            before = np.full(len(self._states[i]), np.inf)
            np.minimum.at(before, self._begin[mine], least[self._end[mine]] + costs[mine])
            least = before
            found.append(self._table(i, least))
        return found[::-1]

    def beside(self, price: Floats) -> Floats:
        """(m, 2 most + 1) what the passes beside the line between each way and the next pay at least, by passes up less passes down."""
        num = len(self.edge)
        costs = self.takes[2 * num :].T @ price[2 * num :]
        ends = np.searchsorted(self._layer, np.arange(num + 1))
        least = np.full((num, 2 * self.most + 1), np.inf)
        for i in range(num):
            mine = slice(ends[i], ends[i + 1])
            net_up = np.array([net for net, _ in self._states[i + 1]], np.int64)
            np.minimum.at(least[i], net_up[self._end[mine]] + self.most, costs[mine])
        return least

    def of_pass(self, price: Floats) -> Floats:
        """(e,) what a pass of each way is worth."""
        num = len(self.edge)
        worth: Floats = self.beside_of.T @ price[2 * num :]
        worth[self.edge] += price[:num]
        return worth

    def _table(self, layer: int, value: Floats) -> Floats:
        """Values of the states of a layer, in a table of all."""
        table = np.full((2 * self.most + 1, 2), np.inf)
        for (net_up, is_served), v in zip(self._states[layer], value.tolist(), strict=True):
            table[net_up + self.most, int(is_served)] = v
        return table


def _quantities(
    graph: StopGraph, columns: Columns, is_above: NDArray[np.bool_], across: Ints, edge: Ints
) -> csr_matrix:
    """(4 m - 2, c) how much of each quantity the columns of the programme make."""
    net = columns.net
    through = np.concatenate([net.single, net.double, net.more])
    passing = columns.passing()
    parts = [passing[across]]
    other = np.ones(len(columns.cost), bool)
    other[through[through >= 0]] = False
    other[columns.back_column] = False
    touch = np.flatnonzero(other & np.isin(columns.edge, edge))
    number = np.zeros(len(graph.tail), np.int64)
    number[edge] = np.arange(len(edge))
    parts.append(
        csr_matrix(
            (np.ones(len(touch)), (number[columns.edge[touch]], touch)),
            shape=(len(edge), len(columns.cost)),
        )
    )
    parts.append(_beside_ways(graph, is_above, across)[:, graph.through] @ passing)
    return csr_matrix(vstack(parts))


def _beside_ways(graph: StopGraph, is_above: NDArray[np.bool_], across: Ints) -> csr_matrix:
    """(2 m - 2, e) ways beside the line between each way across and the next, first those above, then those below.

    ``across`` are the positions of the ways across among those that lead through.
    """
    ways = graph.through
    tail, head = graph.tail[ways], graph.head[ways]
    low = np.minimum(graph.column[tail], graph.column[head])
    high = np.maximum(graph.column[tail], graph.column[head])
    at = low[across]
    over = (low <= at[:-1, None]) & (high > at[:-1, None]) & (at[1:] > at[:-1])[:, None]
    found = np.zeros((2 * len(over), len(graph.tail)))
    for k, side in enumerate((is_above, ~is_above)):
        found[k * len(over) : (k + 1) * len(over), ways] = over & (side[tail] & side[head])
    return csr_matrix(found)


def _asked(graph: StopGraph, edge: Ints) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which of the ways have stops that only they serve, and which share stops with the one before."""
    number = {e: i for i, e in enumerate(edge.tolist())}
    asks, shares = np.zeros(len(edge), bool), np.zeros(len(edge), bool)
    for s in range(graph.num_stops):
        mine = np.unique(graph.place_edge[graph.place_stop == s]).tolist()
        at = sorted(number[e] for e in mine if e in number)
        if len(at) == len(mine) == 1:
            asks[at[0]] = True
        elif len(at) == 2 and at[1] == at[0] + 1:
            shares[at[1]] = True
    return asks, shares


def _beside(now: int, above: int, below: int, most: int, *, ties: bool) -> list[tuple[int, int]]:
    """Passes above and below the line that so many more passes up ask for; in either way where there are two.

    ``above`` and ``below`` is what start and end have sent out there so far; ``ties`` says that there are passes in any case.
    """
    if abs(now) == most:
        return [(max(0, most - abs(above)), max(0, most - abs(below)))]
    over, under = abs(now + above), abs(below - now)
    return [(2, 0), (0, 2)] if ties and not over + under else [(over, under)]


def _choices(sign: int, most: int, *, has_touch: bool) -> list[tuple[int, int, range | tuple[int, ...]]]:
    """(passes, options without passing, passes up less passes down) of what may be done with a way; three passes stand for more.

    ``sign`` is 1 where the way is open upward only, -1 for downward only, 0 for both.
    """
    far = 2 * most
    found: list[tuple[int, int, range | tuple[int, ...]]] = [(0, 0, (0,))]
    if has_touch:
        found.append((0, 1, (0,)))
    if sign:
        return [*found, (1, 0, (sign,)), (2, 0, (2 * sign,)), (3, 0, range(3 * sign, (far + 1) * sign, sign))]
    return [*found, (1, 0, (1, -1)), (2, 0, (0, 2, -2)), (3, 0, range(-far, far + 1))]


def _moved(net_up: int, steps: range | tuple[int, ...], most: int) -> list[int]:
    """What so many passes more up than down may become by one of the steps."""
    found: set[int] = set()
    for step in steps:
        now = net_up + step
        found.add(now)
        if abs(net_up) == most and net_up * step < 0:  # which stands for more
            found.update(range(min(now, net_up), max(now, net_up) + 1))
    return sorted({max(-most, min(most, n)) for n in found})
