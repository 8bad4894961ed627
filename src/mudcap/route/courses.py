"""What a half-made round still pays at each line across the drive rows (see `lines`), by which the frontier programme is guided.

At the prices of a linear programme each line has a cheapest course from each of its states to the end. A way that crosses the line
moves the round on in that course. What it pays by that, with what is then still to pay, is no less than what was to pay before: the
difference is its rise. The course says how many passes there have to be beside the line up to the next way across; they are paid
for at once, and a pass beside the line that is one too many is put back when it is made. Added up, with what the options cost at
the same prices, the rises say how much dearer than the bound a round is bound to become, while it is still half made.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mudcap.route.dues import share_columns
from mudcap.route.lines import Line
from mudcap.route.net import Floats, Ints
from mudcap.route.steps import DOUBLE, NONE, TOUCH_BOTH

PricedLine = tuple[Line, Floats]
"""A line, and the (q,) price of each of its quantities [s]."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Doings:
    """What the options of one way come to at a line."""

    passes: Ints
    """(o,) without directions."""
    gain: Ints
    """(o,) passes from tail to head less passes from head to tail."""
    is_over: NDArray[np.bool_]
    """(o,) True where an option stands for all with more passes."""
    touches: NDArray[np.bool_]
    """(o,) True where stops are served without passing."""


def doings(effect: NDArray[np.int8], gain: Ints, is_over: NDArray[np.bool_]) -> Doings:
    """The doings of a way's options; what they do to its ends is as of `steps`."""
    passes = np.where(gain != 0, np.abs(gain), np.where(effect == DOUBLE, 2, 0))
    touches = (gain == 0) & (effect != NONE) & (effect <= TOUCH_BOTH)
    return Doings(passes=passes, gain=gain, is_over=is_over, touches=touches)


@dataclass(frozen=True, slots=True, eq=False)
class Standing:
    """Where states of the frontier programme stand in the courses."""

    net_up: NDArray[np.int16]
    """(s, l) passes up less passes down across each line so far."""
    is_served: NDArray[np.bool_]
    """(s, l) whether anything was done with the last way across it."""
    owed: NDArray[np.int16]
    """(s, c) passes beside lines that have been paid for and not yet made."""

    def take(self, keep: Ints) -> Standing:
        """Those of some states."""
        return Standing(self.net_up[keep], self.is_served[keep], self.owed[keep])


@dataclass(frozen=True, slots=True, eq=False)
class _Crossing:
    """One way across one line."""

    line: int
    rises: bool
    """Whether its head is above the line."""
    pass_s: float
    touch_s: float
    """Price of a pass, and of an option that serves without passing [s]."""
    most: int
    before: Floats
    """(2 m + 1, 2) still to pay before it, by passes up less passes down and whether the last way was served."""
    after: Floats
    """The same after it, with what the passes beside the line pay."""
    beyond: tuple[Floats, Floats]
    """The least of it for so many passes up or fewer, or for so many or more, the way served."""
    needs: Ints
    """(2 m + 1, 2) passes above and below the line that are paid for up to the next way."""
    owed: tuple[int, int]
    """Columns of what is owed above and below; -1 where nothing is."""


@dataclass(slots=True)
class _Beside:
    """Columns of what is owed, and the price in each [s], that one way makes passes for."""

    column: list[int]
    price: list[float]


class Courses:
    """The courses at all lines that a sweep crosses in their order."""

    def __init__(self, lines: Sequence[PricedLine], edges: Sequence[int], made: Sequence[Doings]) -> None:
        """``edges`` is the way of each step, ``made`` the doings of each way."""
        turn = {e: k for k, e in enumerate(edges)}
        fits = [
            (line, price)
            for line, price in lines
            if bool((np.diff([turn[e] for e in line.edge.tolist()]) > 0).all())
        ]
        self.limit = 0.0
        """What every round pays at the lines [s]."""
        self._num_lines = len(fits)
        self._crossings: list[list[_Crossing]] = [[] for _ in edges]
        self._beside = [_Beside([], []) for _ in edges]
        self._width = 0
        self._kinds: list[Doings] = []
        self.kind: list[Ints] = []
        """For each step (o,) column of `rise` that an option has."""
        owed = self._lay_owed(fits, turn)
        for n, (line, price) in enumerate(fits):
            left, beside = line.to_go(price), line.beside(price)
            self.limit += float(left[0][line.most, 1])
            num = len(line.edge)
            for i, e in enumerate(line.edge.tolist()):
                after = left[i + 1] + beside[i][:, None]
                served = after[:, 1]
                beyond = np.minimum.accumulate(served), np.minimum.accumulate(served[::-1])[::-1]
                self._crossings[turn[e]].append(
                    _Crossing(n, bool(line.rises[i]), float(price[i]), float(price[num + i]), line.most, left[i], after, beyond,
                              line.needs[i], (int(owed[n][i, 0]), int(owed[n][i, 1])))
                )  # fmt: skip
        for e in edges:
            rows = np.column_stack([made[e].passes, made[e].gain, made[e].is_over, made[e].touches])
            kinds, kind = np.unique(rows, axis=0, return_inverse=True)
            passes, gain, is_over, touches = kinds.T.astype(np.int64)
            self._kinds.append(
                Doings(passes=passes, gain=gain, is_over=is_over.astype(bool), touches=touches.astype(bool))
            )
            self.kind.append(kind.ravel().astype(np.int64))

    def _lay_owed(self, lines: Sequence[PricedLine], turn: dict[int, int]) -> list[Ints]:
        """For each line the (m, 2) columns of what is owed after each way across it, above and below; -1 where nothing is."""
        found = [np.full((len(line.edge), 2), -1, np.int64) for line, _ in lines]
        rows: list[tuple[int, int, list[int]]] = []
        for n, (line, price) in enumerate(lines):
            num = len(line.edge)
            for row in np.flatnonzero(price[2 * num :] > 0).tolist():
                turns = [turn[e] for e in line.beside_of[row].indices.tolist()]
                begin = turn[int(line.edge[row % (num - 1)])]
                if turns and min(turns) > begin:
                    rows.append((n, row, [begin, *sorted(turns)]))
        column, self._width = share_columns(
            np.array([turns[0] for *_, turns in rows], np.int64), np.array([turns[-1] for *_, turns in rows], np.int64)
        )
        for (n, row, turns), c in zip(rows, column.tolist(), strict=True):
            line, price = lines[n]
            num = len(line.edge)
            found[n][row % (num - 1), row // (num - 1)] = c
            for k in turns[1:]:
                self._beside[k].column.append(c)
                self._beside[k].price.append(float(price[2 * num + row]))
        return found

    def start(self) -> Standing:
        """Where the one state before the first step stands."""
        n = self._num_lines
        return Standing(
            np.zeros((1, n), np.int16), np.ones((1, n), bool), np.zeros((1, self._width), np.int16)
        )

    def rise(self, step: int, standing: Standing) -> Floats:
        """(s, k) how much each kind of option raises what is paid and still to pay [s].

        (1, k) zeros where the way neither crosses a line nor lies beside one.
        """
        kinds, beside = self._kinds[step], self._beside[step]
        if not self._crossings[step] and not beside.column:
            return np.zeros((1, len(kinds.gain)))
        rise: Floats = np.zeros((len(standing.net_up), len(kinds.gain)))
        if beside.column:
            left = np.maximum(standing.owed[:, beside.column], 0)
            for k in np.flatnonzero(kinds.passes).tolist():
                rise[:, k] += np.maximum(kinds.passes[k] - left, 0) @ np.array(beside.price)
        for c in self._crossings[step]:
            net_up = standing.net_up[:, c.line].astype(np.int64)
            before = c.before[_at(net_up, c.most), standing.is_served[:, c.line].astype(np.int64)]
            for k in range(len(kinds.gain)):
                gain = int(kinds.gain[k]) * (1 if c.rises else -1)
                now = _at(net_up + gain, c.most)
                serves = int(kinds.passes[k] > 0 or kinds.touches[k])
                to_pay = c.beyond[int(gain > 0)][now] if kinds.is_over[k] else c.after[now, serves]
                own = c.pass_s * kinds.passes[k] + c.touch_s * kinds.touches[k]
                rise[:, k] += own + to_pay - before
        return rise

    def follow(self, step: int, standing: Standing, option: NDArray[np.uint16]) -> Standing:
        """Where states stand after a step, each by its option; ``standing`` is where the states stood that they come from."""
        kinds, kind = self._kinds[step], self.kind[step][option]
        if self._beside[step].column:
            standing.owed[:, self._beside[step].column] -= kinds.passes[kind].astype(np.int16)[:, None]
        for c in self._crossings[step]:
            standing.net_up[:, c.line] += (kinds.gain[kind] * (1 if c.rises else -1)).astype(np.int16)
            standing.is_served[:, c.line] = (kinds.passes[kind] > 0) | kinds.touches[kind]
            now = _at(standing.net_up[:, c.line].astype(np.int64), c.most)
            for side, column in enumerate(c.owed):
                if column >= 0:
                    standing.owed[:, column] = c.needs[now, side]
        return standing


def _at(net_up: Ints, most: int) -> Ints:
    """Row of so many passes up less passes down."""
    row: Ints = np.clip(net_up, -most, most) + most
    return row


def line_pay(lines: Sequence[PricedLine], made: Sequence[Doings]) -> list[Floats]:
    """For each way the (o,) sums that its options are paid at the lines [s]."""
    each = np.zeros((len(made), 2))
    for line, price in lines:
        each[:, 0] += line.of_pass(price)
        each[line.edge, 1] += price[len(line.edge) : 2 * len(line.edge)]
    return [each[e, 0] * d.passes + each[e, 1] * d.touches for e, d in enumerate(made)]
