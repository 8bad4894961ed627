"""Set cover at a radius: which candidates reach which demand points, thinned out without losing an optimum."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from mudcap.place.near import Indices, Near, Pointers

Flags = NDArray[np.bool_]

_MAX_DOMINANCE_WORK = 400_000_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cover:
    """Rows (demand points) to be covered by columns (candidates), listed from both sides."""

    row_ptr: Pointers
    row_column: Indices
    column_ptr: Pointers
    column_row: Indices
    row_demand: NDArray[np.int64]
    """Demand point of each row."""
    column_candidate: NDArray[np.int64]
    """Candidate of each column."""

    @property
    def num_rows(self) -> int:
        """Number of rows."""
        return len(self.row_ptr) - 1

    @property
    def num_columns(self) -> int:
        """Number of columns."""
        return len(self.column_ptr) - 1

    def worth(self, price: NDArray[Any]) -> NDArray[Any]:
        """(num_columns,) sum of the prices (num_rows,) of the rows that each column covers."""
        running = np.concatenate([np.zeros(1, price.dtype), np.cumsum(price[self.column_row])])
        return np.asarray(running[self.column_ptr[1:]] - running[self.column_ptr[:-1]])

    def is_covered_by(self, columns: NDArray[np.int64]) -> bool:
        """Whether some columns cover all rows."""
        covered = np.zeros(self.num_rows, np.bool_)
        for c in columns:
            covered[self.column_row[self.column_ptr[c] : self.column_ptr[c + 1]]] = True
        return bool(covered.all())

    @property
    def has_hopeless_row(self) -> bool:
        """True where some row has no column: no choice covers it."""
        return bool((np.diff(self.row_ptr) == 0).any())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReducedCover:
    """A cover without dominated rows and columns: an optimum of it plus ``forced`` is one of the original."""

    cover: Cover
    forced: NDArray[np.int64]
    """Candidates that some optimum surely uses (the only one, but for dominated ones, near some point)."""
    stands_for: NDArray[np.int64]
    """(num_columns of the original,) column of the original that dominates each, itself where none does."""


def cover_at(near: Near, radius_m: float, rows: NDArray[np.bool_], columns: NDArray[np.bool_]) -> Cover:
    """Return the cover of the demand points ``rows`` by the candidates ``columns`` within a radius.

    ``radius_m`` is at most the radius of ``near``; a pair counts up to the tolerance beyond it.
    """
    limit = radius_m + near.tolerance_m
    by_row = _Runs(near.demand_ptr, near.demand_candidate, near.demand_m <= limit)
    by_column = _Runs(near.candidate_ptr, near.candidate_demand, near.candidate_m <= limit)
    return _cut(by_row, by_column, rows, columns, np.arange(len(rows)), np.arange(len(columns)))


def reduce(cover: Cover) -> ReducedCover:
    """Return the cover with dominated rows and columns and forced columns taken out, until nothing changes.

    A row is dominated where covering another row covers it too; a column, where another covers all it covers.
    """
    alive_row = np.ones(cover.num_rows, np.bool_)
    alive_column = np.ones(cover.num_columns, np.bool_)
    stands_for = np.arange(cover.num_columns)
    forced = np.zeros(cover.num_columns, np.bool_)
    lists = (cover.row_ptr, cover.row_column, cover.column_ptr, cover.column_row)
    if _dominance_work(cover) <= _MAX_DOMINANCE_WORK:
        _reduce(*lists, alive_row, alive_column, stands_for, forced)
    by_row = _Runs(cover.row_ptr, cover.row_column, None)
    by_column = _Runs(cover.column_ptr, cover.column_row, None)
    small = _cut(by_row, by_column, alive_row, alive_column, cover.row_demand, cover.column_candidate)
    return ReducedCover(cover=small, forced=cover.column_candidate[forced], stands_for=stands_for)


def _dominance_work(cover: Cover) -> int:
    row_length, column_length = np.diff(cover.row_ptr), np.diff(cover.column_ptr)
    return int(column_length[cover.row_column].sum() + row_length[cover.column_row].sum())


class _Runs(NamedTuple):
    """Neighbours of each owner, of which ``keep`` marks those that count (None: all)."""

    ptr: Pointers
    other: Indices
    keep: Flags | None


def _cut(
    by_row: _Runs, by_column: _Runs, rows: Flags, columns: Flags,
    row_demand: NDArray[np.int64], column_candidate: NDArray[np.int64],
) -> Cover:  # fmt: skip
    """Return the cover of the rows and columns marked, numbered anew."""
    row_ptr, row_column = _cut_runs(by_row, rows, columns)
    column_ptr, column_row = _cut_runs(by_column, columns, rows)
    return Cover(
        row_ptr=row_ptr, row_column=row_column, column_ptr=column_ptr, column_row=column_row,
        row_demand=row_demand[rows], column_candidate=column_candidate[columns],
    )  # fmt: skip


def _cut_runs(runs: _Runs, owners: Flags, others: Flags) -> tuple[Pointers, Indices]:
    keep = others[runs.other] & np.repeat(owners, np.diff(runs.ptr))
    if runs.keep is not None:
        keep &= runs.keep
    before = np.concatenate([[0], np.cumsum(keep)])
    length = before[runs.ptr[1:]] - before[runs.ptr[:-1]]
    ptr = np.concatenate([[0], np.cumsum(length[owners])])
    number = (np.cumsum(others) - 1).astype(np.int32)
    return ptr, number[runs.other[keep]]


@njit(cache=True)
def _reduce(row_ptr, row_column, column_ptr, column_row, alive_row, alive_column, stands_for, forced):  # type: ignore[no-untyped-def]
    """Mark what stays alive; ``stands_for`` and ``forced`` are filled in place."""
    row_count = np.zeros(len(alive_row), np.int64)
    column_count = np.zeros(len(alive_column), np.int64)
    check_row = np.ones(len(alive_row), np.bool_)
    check_column = np.ones(len(alive_column), np.bool_)
    changed = True
    while changed:
        changed = _drop_rows(
            row_ptr,
            row_column,
            column_ptr,
            column_row,
            alive_row,
            alive_column,
            row_count,
            check_row,
            check_column,
        )
        changed |= _force(
            row_ptr, row_column, column_ptr, column_row, alive_row, alive_column, check_column, forced
        )
        changed |= _drop_columns(
            row_ptr, row_column, column_ptr, column_row, alive_row, alive_column, column_count, check_row,
            check_column, stands_for,
        )  # fmt: skip
    for c in range(len(stands_for)):
        top = c
        while stands_for[top] != top:
            top = stands_for[top]
        stands_for[c] = top


@njit(cache=True)
def _living(ptr, other, alive, owner):  # type: ignore[no-untyped-def]
    number = 0
    for k in range(ptr[owner], ptr[owner + 1]):
        number += alive[other[k]]
    return number


@njit(cache=True)
def _drop_rows(  # type: ignore[no-untyped-def]
    row_ptr, row_column, column_ptr, column_row, alive_row, alive_column, count, check_row, check_column
):
    """Drop rows that contain all columns of another row; only rows whose columns have changed dominate anew."""
    changed = False
    for i in range(len(alive_row)):
        if not (alive_row[i] and check_row[i]):
            continue
        check_row[i] = False
        length = _living(row_ptr, row_column, alive_column, i)
        for k in range(row_ptr[i], row_ptr[i + 1]):
            c = row_column[k]
            if alive_column[c]:
                for q in range(column_ptr[c], column_ptr[c + 1]):
                    other = column_row[q]
                    if other != i and alive_row[other]:
                        count[other] += 1
                        if count[other] == length:
                            alive_row[other] = False
                            changed = True
                            _mark(row_ptr, row_column, other, check_column)
        for k in range(row_ptr[i], row_ptr[i + 1]):
            c = row_column[k]
            for q in range(column_ptr[c], column_ptr[c + 1]):
                count[column_row[q]] = 0
    return changed


@njit(cache=True)
def _drop_columns(  # type: ignore[no-untyped-def]
    row_ptr,
    row_column,
    column_ptr,
    column_row,
    alive_row,
    alive_column,
    count,
    check_row,
    check_column,
    stands_for,
):
    """Drop columns all of whose rows another column covers; only columns that lost rows can become dominated."""
    changed = False
    for c in range(len(alive_column)):
        if not (alive_column[c] and check_column[c]):
            continue
        check_column[c] = False
        length = _living(column_ptr, column_row, alive_row, c)
        if length == 0:
            alive_column[c] = False
            continue
        better = -1
        for k in range(column_ptr[c], column_ptr[c + 1]):
            i = column_row[k]
            if alive_row[i]:
                for q in range(row_ptr[i], row_ptr[i + 1]):
                    other = row_column[q]
                    if other != c and alive_column[other]:
                        count[other] += 1
                        if count[other] == length and better < 0:
                            better = other
        for k in range(column_ptr[c], column_ptr[c + 1]):
            i = column_row[k]
            for q in range(row_ptr[i], row_ptr[i + 1]):
                count[row_column[q]] = 0
        if better >= 0:
            alive_column[c] = False
            stands_for[c] = better
            changed = True
            _mark(column_ptr, column_row, c, check_row)
    return changed


@njit(cache=True)
def _force(row_ptr, row_column, column_ptr, column_row, alive_row, alive_column, check_column, forced):  # type: ignore[no-untyped-def]
    """Take the only column of a row into the solution, and all rows it covers out of the cover."""
    changed = False
    for i in range(len(alive_row)):
        if alive_row[i] and _living(row_ptr, row_column, alive_column, i) == 1:
            for k in range(row_ptr[i], row_ptr[i + 1]):
                c = row_column[k]
                if alive_column[c]:
                    forced[c] = True
                    alive_column[c] = False
                    changed = True
                    for q in range(column_ptr[c], column_ptr[c + 1]):
                        row = column_row[q]
                        if alive_row[row]:
                            alive_row[row] = False
                            _mark(row_ptr, row_column, row, check_column)
    return changed


@njit(cache=True)
def _mark(ptr, other, owner, flags):  # type: ignore[no-untyped-def]
    for k in range(ptr[owner], ptr[owner + 1]):
        flags[other[k]] = True
