"""What the options of a round's ways are paid for: stops served and cuts crossed, at the prices of a linear programme.

Each round serves every stop and crosses every cut round something to visit, so paying for that, and asking the sum back in the end, changes no
round's cost; but it turns the cost of what a round still has to do into an even flow, by which half-made rounds can be compared. Where a stop
is served twice or a cut crossed more often than it must be, the price was paid too often; it is put back as soon as
the last way of the row is settled.

Reference: Lagrangian duality; Geoffrion 1974, Math. Program. Study 2:82-114 (from memory). To put back what was paid too much is our own.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from mudcap.route.program import PaidRows
from mudcap.route.steps import Step


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Settling:
    """What one step adds to the sums, and which of them are complete after it."""

    column: NDArray[np.int64]
    """(c,) columns of the sums that the step's way adds to."""
    value: NDArray[np.int16]
    """(o, c) what each option adds."""
    fresh: NDArray[np.int64]
    """Columns that begin anew with this step."""
    done: NDArray[np.int64]
    """(d,) columns complete after it."""
    limit: NDArray[np.float64]
    price: NDArray[np.float64]
    """(d,) [s]"""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Dues:
    """The rows in the order in which a sweep settles them."""

    paid: float
    """What all rows together are paid for a round that meets each of them exactly, and the cheapest option of each way [s]."""
    width: int
    """Columns that the sums of the rows in progress take."""
    settlings: tuple[_Settling, ...]

    def settle(
        self, step: int, sums: NDArray[np.int16], option: NDArray[np.uint16]
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """(s,) what has been paid too much for rows complete after the step [s], and which states fall short of none.

        ``sums`` (s, width) is brought up to date in place.
        """
        here = self.settlings[step]
        if len(here.fresh):
            sums[:, here.fresh] = 0
        if len(here.column):
            sums[:, here.column] += here.value[option]
        if not len(here.done):
            return np.zeros(len(sums)), np.ones(len(sums), bool)
        over = sums[:, here.done] - here.limit
        return np.maximum(over, 0) @ here.price, np.asarray((over >= 0).all(axis=1))


def priced_steps(
    steps: Sequence[Step], edges: Sequence[int], rows: PaidRows, *, paid_s: float = 0.0
) -> tuple[list[Step], Dues]:
    """The steps with each option's pay taken off its cost, and the dues of the rows; ``edges`` is the way of each step.

    The cheapest option of each way then costs nothing; what it did cost is part of what is paid. Where the steps are priced
    already, ``paid_s`` is what every round is paid by that.
    """
    at = np.full(max(edges) + 1, -1, np.int64)
    at[list(edges)] = np.arange(len(edges))
    number = np.repeat(np.arange(len(rows.limit)), np.diff(rows.row_ptr))
    step_of = at[rows.row_edge]
    pay = [np.zeros(len(step.cost)) for step in steps]
    for k, o, worth in zip(step_of, rows.row_option, rows.row_value * rows.price[number], strict=True):
        pay[k][o] += worth
    least = [float((step.priced - taken).min()) for step, taken in zip(steps, pay, strict=True)]
    priced = [
        replace(step, priced=step.priced - taken - low) for step, taken, low in zip(steps, pay, least, strict=True)
    ]
    return priced, _in_order(steps, step_of, number, rows, float(sum(least)) + paid_s)


def share_columns(first: NDArray[np.int64], last: NDArray[np.int64]) -> tuple[NDArray[np.int64], int]:
    """(r,) a column for each row that is in progress from one step to another, and how many columns there are.

    A column serves again after the last step of its row.
    """
    column = np.full(len(first), -1, np.int64)
    in_use: list[tuple[int, int]] = []
    width = 0
    for r in np.argsort(first, kind="stable").tolist():
        if in_use and in_use[0][0] < first[r]:
            column[r] = heapq.heappop(in_use)[1]
        else:
            column[r], width = width, width + 1
        heapq.heappush(in_use, (int(last[r]), int(column[r])))
    return column, width


def _in_order(
    steps: Sequence[Step], step_of: NDArray[np.int64], number: NDArray[np.int64], rows: PaidRows, least_s: float
) -> Dues:
    """Each row gets a column for as long as it is in progress; ``step_of`` and ``number`` are the step and row of each entry."""
    num_rows = len(rows.limit)
    first, last = np.full(num_rows, len(steps), np.int64), np.full(num_rows, -1, np.int64)
    np.minimum.at(first, number, step_of)
    np.maximum.at(last, number, step_of)
    begins: list[list[int]] = [[] for _ in steps]
    ends: list[list[int]] = [[] for _ in steps]
    for r in range(num_rows):
        begins[first[r]].append(r)
        ends[last[r]].append(r)
    order = np.argsort(step_of, kind="stable")
    bound = np.searchsorted(step_of[order], np.arange(len(steps) + 1))
    column, width = share_columns(first, last)
    settlings = []
    for k, step in enumerate(steps):
        mine = order[bound[k] : bound[k + 1]]
        columns, place = np.unique(column[number[mine]], return_inverse=True)
        value = np.zeros((len(step.cost), len(columns)), np.int16)
        value[rows.row_option[mine], place] = np.rint(rows.row_value[mine])
        done = np.array(ends[k], np.int64)
        settlings.append(
            _Settling(
                column=columns, value=value, fresh=column[np.array(begins[k], np.int64)], done=column[done],
                limit=rows.limit[done], price=rows.price[done],
            )
        )  # fmt: skip
    return Dues(paid=float(rows.limit @ rows.price) + least_s, width=width, settlings=tuple(settlings))
