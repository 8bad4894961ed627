"""The linear programme that bounds a round, and the rows added to it where its solution breaks them.

Columns are the options of the ways (see `columns`); rows ask that each stop be served, that what serves it hang together with the
start, and that vertices be left as often as they are come to. The bound comes from the prices of the rows alone, so the solver's
tolerances do not matter.

On ground with one-way ways, such a way counts its passes without limit, and so may any other way beyond its first pass (more
than two passes of a two-way way all go the same way in a cheapest round); what is driven one way through each vertex balances.
Nobody turns round within a one-way way.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import highspy
import numpy as np
from scipy.sparse import csr_matrix, hstack

from mudcap.place.linear import InteriorPoint, Simplex
from mudcap.route.columns import Columns
from mudcap.route.lines import Line
from mudcap.route.net import Floats, Ints, passes
from mudcap.route.separate import connection_rows, grown_sets, parity_rows, weak_sets
from mudcap.route.sets import cut_off_sets, joined_sets
from mudcap.route.stopgraph import StopGraph

_COVER, _CONNECTION, _PARITY = range(3)
_NO_SOLUTION = highspy.HighsModelStatus.kInfeasible, highspy.HighsModelStatus.kUnboundedOrInfeasible
"""No round costs less than nothing, so the second one says the same."""
_SLACK = 1e-3
"""Rows broken by less are left be."""
_PAID = 1e-9
_JOINING = np.array([1e-6, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.99, 1.1, 1.5, 1.9])
"""Passes above which ways join vertices to sets, for connection."""
_SPLITTING = np.array([0.01, 0.1, 0.2, 0.3, 0.4])
"""The same for parity, by the distance from a whole number."""
_LARGEST = 8
"""Vertices to which a set is grown; this number and those below were found by trial."""
_CUT_SETS, _CUT_WORK = 1_000, 50_000_000
"""Sets by minimum cuts, and vertices reached in the search for them, at most at a time; the work is a few seconds."""
_STRIDE = 7_919
"""A prime, by which the stops about which cuts are sought first go round from programme to programme."""
_STALLED, _PROGRESS = 20, 2e-4
"""The end comes where so many programmes have raised the bound by less than this share of it."""
_IDLE = 8
"""Rounds after which a row that nothing is paid for is dropped."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PaidRows:
    """Rows of the programme at a price: for any round, the values of its options add up to at least the limit of each."""

    row_ptr: Ints
    """(r + 1,) range of each row in the next three."""
    row_edge: Ints
    row_option: Ints
    """Number of the option within the `EdgeOptions` of the way."""
    row_value: Floats
    limit: Floats
    """(r,)"""
    price: Floats
    """(r,) [s] for each unit; above 0."""


class Program:
    """The linear programme and the rows added to it so far."""

    def __init__(self, graph: StopGraph, columns: Columns, lines: Sequence[Line] = ()) -> None:
        """``lines`` are held by moves of their own (see `lines`), on ground with one-way ways; `paid` does not tell of them."""
        self.columns = columns
        self.graph = graph
        self._lines = lines
        self.value: Floats = np.zeros(len(columns.cost))
        """(c,) of each column in the solution."""
        self.num_solved = self.num_added = 0
        self._sets = _column_sets(graph)
        self._price: Floats = np.empty(0)
        self._kind: Ints = np.empty(0, np.int64)
        self._limit: Floats = np.empty(0)
        self._rows = csr_matrix((0, len(columns.cost)))
        self._idle: Ints = np.empty(0, np.int64)
        self._solver = InteriorPoint() if lines else Simplex()
        self._first = self._balance_at = 0
        self._line_at: list[int] = []
        self._lay()

    def _lay(self) -> None:
        """Columns, at most one option a way, balance at the vertices, and each stop served."""
        c = self.columns
        n = len(c.cost)
        none = np.empty(0, np.int32)
        self._solver.addCols(n, c.cost, np.zeros(n), c.most, 0, np.zeros(n, np.int32), none, np.empty(0))
        edge = c.edge[: c.num_options]
        used, at = np.unique(edge, return_index=True)
        ways = csr_matrix(
            (np.ones(len(edge)), np.arange(len(edge)), np.append(at, len(edge))), shape=(len(used), n)
        )
        self._enter(ways, np.where(c.must[used], 1.0, 0.0), np.ones(len(used)))
        self._balance, self._net_out = self._lay_balance()
        if c.is_mixed:
            self._balance_at = self._solver.getNumRow()
            self._enter(self._balance, self._net_out, self._net_out)
            self._enter(self._within(), np.zeros(len(c.back_edge)), np.full(len(c.back_edge), np.inf))
        for line in self._lines:
            self._lay_line(line)
        self._first = self._solver.getNumRow()
        count = np.diff(c.net.stop_ptr)
        serve = csr_matrix(
            (np.ones(len(c.net.stop_column)), c.net.stop_column, c.net.stop_ptr), shape=(len(count), n)
        )[c.asked]
        self._append(_COVER, serve, np.ones(len(c.asked)))

    def _lay_line(self, line: Line) -> None:
        """One unit through the states of a line, which takes no more of each quantity than the round makes."""
        at, (num_states, num_moves) = self._solver.getNumCol(), line.flow.shape
        none = np.empty(0, np.int32)
        self._solver.addCols(num_moves, np.zeros(num_moves), np.zeros(num_moves), np.full(num_moves, np.inf),
                             0, np.zeros(num_moves, np.int32), none, np.empty(0))  # fmt: skip
        unit = np.zeros(num_states)
        unit[0] = 1.0
        self._enter(hstack([csr_matrix((num_states, at)), line.flow], format="csr"), unit, unit)
        self._line_at.append(self._solver.getNumRow())
        num, width = line.quantity.shape
        left = hstack([line.quantity, csr_matrix((num, at - width)), -line.takes], format="csr")
        self._enter(left, np.zeros(num), np.full(num, np.inf))

    def _lay_balance(self) -> tuple[csr_matrix, Floats]:
        """Rows and right-hand sides, one a vertex, of what is driven away from it less what is driven to it."""
        c, g = self.columns, self.graph
        num_vertices, n = len(g.vertex_xy), len(c.cost)
        single, more = self._loose()
        edge = np.concatenate([self._one_way(), c.back_edge, c.back_edge, c.back_edge])
        along = c.net.more[np.searchsorted(self.graph.through, self._one_way())]
        column = np.concatenate([along, single, more, c.back_column])
        sign = np.where(g.directions[edge] < 0, -1.0, 1.0)
        sign[len(edge) - len(c.back_edge) :] = -2.0  # the pass is not onward, but back
        rows = csr_matrix(
            (np.append(sign, -sign), (np.append(g.tail[edge], g.head[edge]), np.append(column, column))),
            shape=(num_vertices, n),
        )
        out = np.zeros(num_vertices)
        if g.start != g.end:
            out[[g.start, g.end]] = 1.0, -1.0
        return rows, out

    def _one_way(self) -> Ints:
        """Ways of the net with a direction."""
        ways = self.graph.through
        one_way: Ints = ways[self.graph.directions[ways] != 0]
        return one_way

    def _loose(self) -> tuple[Ints, Ints]:
        """Columns of single and of further passes of the two-way ways with passes back."""
        c = self.columns
        at = np.searchsorted(self.graph.through, c.back_edge)
        return c.net.single[at], c.net.more[at]

    def _within(self) -> csr_matrix:
        """Rows that passes back be no more than passes that are not there and back."""
        single, more = self._loose()
        f = len(single)
        i, j = np.tile(np.arange(f), 3), np.concatenate([single, more, self.columns.back_column])
        return csr_matrix((np.repeat([1.0, 1.0, -1.0], f), (i, j)), shape=(f, len(self.columns.cost)))

    def _enter(self, rows: csr_matrix, low: Floats, high: Floats) -> None:
        if len(low):
            self._solver.addRows(
                len(low), low, high, rows.nnz, rows.indptr[:-1].astype(np.int32), rows.indices.astype(np.int32),
                rows.data.astype(float),
            )  # fmt: skip

    def _append(self, kind: int, rows: csr_matrix, limit: Floats) -> None:
        self._enter(rows, limit, np.full(len(limit), np.inf))
        self._rows = _stacked(self._rows, rows)
        self._kind = np.append(self._kind, np.full(len(limit), kind))
        self._limit = np.append(self._limit, limit)
        self._idle = np.append(self._idle, np.zeros(len(limit), np.int64))

    def tighten(
        self, rounds: int, *, enough: float = np.inf, stalled: int = _STALLED, progress: float = _PROGRESS,
        goes_on: Callable[[float], bool] = lambda bound: True,
    ) -> None:  # fmt: skip
        """Solve up to so many programmes, each with the rows that the one before breaks.

        No more are solved once the bound is ``enough`` [s], or ``stalled`` of them have raised it by less than ``progress`` as a
        share, or ``goes_on``, which hears the bound [s] of each, says False.
        """
        bounds: list[float] = []
        for number in range(1, rounds + 1):
            is_solved = self.solve()
            bounds.append(self.bound())
            is_idle = number > stalled and bounds[-1] - bounds[-1 - stalled] < progress * bounds[-1]
            is_over = number == rounds or is_idle or bounds[-1] >= enough
            if not goes_on(bounds[-1]) or not is_solved or is_over or not self.cut():
                break

    def cut(self) -> bool:
        """Add rows that the solution breaks; whether there were any."""
        net, z = self.columns.net, self.value
        once, twice, more = passes(net.single, z), passes(net.double, z), passes(net.more, z)
        driven = once + 2 * twice + more
        found = self._connect(_both(self._sets, joined_sets(net, driven, _JOINING, True)), driven)
        first = (self.num_solved * _STRIDE) % max(1, len(net.stop_ptr) - 1)
        found += self._connect(cut_off_sets(net, driven, z, first, _CUT_SETS, 5 * _SLACK, _CUT_WORK), driven)
        alone = np.arange(len(net.mark) + 1), np.arange(len(net.mark))
        sets = _both(alone, joined_sets(net, np.minimum(once, 1 - once) + more, _SPLITTING, False))
        found += self._add_rows(_PARITY, parity_rows(net, *sets, once, more, _SLACK))
        sets = grown_sets(net, once, more, _LARGEST, _SLACK)
        found += self._add_rows(_PARITY, parity_rows(net, *sets, once, more, _SLACK))
        return found > 0

    def _connect(self, sets: tuple[Ints, Ints], driven: Floats) -> int:
        """Add a row for each set that a stop's connection breaks; how many they are."""
        net = self.columns.net
        weak = weak_sets(net, *sets, driven, self.value, _SLACK)
        return self._add_rows(_CONNECTION, connection_rows(net, *sets, weak))

    def _add_rows(self, kind: int, found: tuple[Ints, Ints, Floats, Floats]) -> int:
        """Add rows, as (ranges, columns, values, limits); how many they are."""
        ptr, column, value, limit = found
        if len(limit):
            self._append(
                kind, csr_matrix((value, column, ptr), shape=(len(limit), self._rows.shape[1])), limit
            )
        self.num_added += len(limit)
        return len(limit)

    def solve(self) -> bool:
        """Solve the programme, and drop rows that have not been paid for in a while; whether the solver came to its end.

        Raises ``ValueError`` where there is no solution.
        """
        self._solver.run()
        self.num_solved += 1
        status = self._solver.getModelStatus()
        if status in _NO_SOLUTION:
            raise ValueError("no round serves all stops.")
        solution = self._solver.getSolution()
        self.value = np.array(solution.col_value)[: len(self.columns.cost)]
        self._price = np.array(solution.row_dual)
        self._idle = np.where(self._price[self._first :] > _PAID, 0, self._idle + 1)
        self._drop(np.flatnonzero((self._idle >= _IDLE) & (self._kind != _COVER)))
        return bool(status == highspy.HighsModelStatus.kOptimal)

    def _drop(self, rows: Ints) -> None:
        if not len(rows):
            return
        self._solver.deleteRows(len(rows), (self._first + rows).astype(np.int32))
        keep = np.ones(len(self._limit), bool)
        keep[rows] = False
        self._rows = self._rows[keep]
        self._kind, self._limit, self._idle = self._kind[keep], self._limit[keep], self._idle[keep]
        self._price = np.concatenate([self._price[: self._first], self._price[self._first :][keep]])

    def model(self) -> highspy.HighsLp:
        """The programme as it stands."""
        model: highspy.HighsLp = self._solver.getLp()
        return model

    def bound(self) -> float:
        """What the prices prove [s], by arithmetic of our own."""
        c = self.columns
        price = np.maximum(self._price[self._first :], 0.0)
        rest = c.cost - self._rows.T @ price
        total = float(price @ self._limit)
        for line, paid in self.line_prices():
            rest = rest - line.quantity.T @ paid
            total += line.limit(paid)
        if c.is_mixed:
            height = self.height()
            total += float(height @ self._net_out)
            rest = rest - self._balance.T @ height
            earned = np.minimum(
                rest[c.back_column], 0.0
            )  # by passes back, of which single and further ones allow as many
            single, more = self._loose()
            np.add.at(rest, single, earned)
            np.add.at(rest, more, earned)
            rest[c.back_column] = 0.0
        edge = c.edge[: c.num_options]
        if len(edge):
            used, at = np.unique(edge, return_index=True)
            least = np.minimum.reduceat(rest[: c.num_options], at)
            total += float(np.where(c.must[used], least, np.minimum(least, 0.0)).sum())
        # a cheapest round goes by shortest ways from stop to stop, each of which passes a way at most once
        times = np.minimum(c.most, 2.0 * (self.graph.num_stops + 1))[c.num_options :]
        return total + float(times @ np.minimum(rest[c.num_options :], 0.0))

    def height(self) -> Floats:
        """(v,) prices of the balance at the vertices [s]; 0 where it is no part of the programme."""
        if not self.columns.is_mixed:
            return np.zeros(len(self._net_out))
        found: Floats = self._price[self._balance_at :][: len(self._net_out)]
        return found

    def paid(self, *, is_parity: bool) -> PaidRows:
        """The rows of parity, or all others, that are paid for."""
        price = self._price[self._first :]
        chosen = np.flatnonzero(((self._kind == _PARITY) == is_parity) & (price > _PAID))
        rows = self._rows[chosen]
        return PaidRows(
            row_ptr=rows.indptr.astype(np.int64), row_edge=self.columns.edge[rows.indices],
            row_option=self.columns.option[rows.indices], row_value=rows.data, limit=self._limit[chosen],
            price=price[chosen],
        )  # fmt: skip

    def line_prices(self) -> list[tuple[Line, Floats]]:
        """The lines, with the (q,) price of each of their quantities [s]."""
        return [
            (line, np.maximum(self._price[at : at + line.quantity.shape[0]], 0.0))
            for at, line in zip(self._line_at, self._lines, strict=True)
        ]

    def with_lines(self, lines: Sequence[Line]) -> Program:
        """A programme with the rows of this one, which also keeps to some lines."""
        made = Program(self.graph, self.columns, lines)
        for kind in (_CONNECTION, _PARITY):
            mine = self._kind == kind
            made._append(kind, self._rows[mine], self._limit[mine])
        return made


def _stacked(one: csr_matrix, other: csr_matrix) -> csr_matrix:
    """Rows below rows."""
    ptr = np.concatenate([one.indptr, one.indptr[-1] + other.indptr[1:]])
    parts = np.concatenate([one.data, other.data]), np.concatenate([one.indices, other.indices])
    return csr_matrix((*parts, ptr), shape=(one.shape[0] + other.shape[0], one.shape[1]))


def _both(one: tuple[Ints, Ints], other: tuple[Ints, Ints]) -> tuple[Ints, Ints]:
    """Two lists of sets, as (ranges, vertices), in one."""
    return np.concatenate([one[0], one[0][-1] + other[0][1:]]), np.concatenate([one[1], other[1]])


def _column_sets(graph: StopGraph) -> tuple[Ints, Ints]:
    """The sets of vertices beyond each gap between columns, seen from the start, as (ranges, vertices)."""
    column = graph.column
    home = int(column[graph.start])
    sets = [np.flatnonzero(column > c) for c in range(home, int(column.max()))]
    sets += [np.flatnonzero(column < c) for c in range(home, int(column.min()), -1)]
    ptr = np.cumsum([0] + [len(s) for s in sets])
    return ptr.astype(np.int64), np.concatenate([np.empty(0, np.int64), *sets])
