"""Covers by search: a greedy start, and a tabu search with row weights for a given number of columns.

The search keeps the number of columns and swaps one at a time: it picks a row that is not covered, tries every
column that covers it against the cheapest column to give up, and raises the weight of the rows that stay uncovered
where no swap helps.

References: row weighting for the unicost set cover: Gao, Weise & Li 2015, European Journal of Operational Research
246:750-761; the same with a tabu list for the p-center: Zhang, Lü, Su, Li, Fang & Ma 2020, IJCAI (both from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from mudcap.place.cover import Cover
from mudcap.place.near import Indices, Pointers

Columns = NDArray[np.int64]

_CHUNK = 200_000
_MAX_WEIGHT = 1 << 40


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SearchResult:
    """The columns found, how many rows they leave uncovered, and the swaps it took."""

    columns: Columns
    num_uncovered: int
    steps: int


def greedy_columns(cover: Cover, *, seed: int, begin: Columns | None = None) -> Columns:
    """Return ``begin`` and then columns until all rows are covered, each the one that covers most rows anew.

    Ties go by lot. Rows without a column stay uncovered.
    """
    order = np.random.default_rng(seed).permutation(cover.num_columns)
    first = np.empty(0, np.int64) if begin is None else begin
    chosen: Columns = _greedy(*_lists(cover), order, first)
    return chosen


def search_cover(
    cover: Cover, start: Columns, *, steps: int, seed: int, stop: Callable[[], bool] | None = None
) -> SearchResult:
    """Return the best columns found in at most ``steps`` swaps from the distinct columns ``start``.

    It ends early where all rows are covered, and where ``stop`` returns True (asked every so many steps). The
    number of columns stays that of ``start``.
    """
    if not len(start):
        return SearchResult(columns=start, num_uncovered=cover.num_rows, steps=0)
    columns = best = start.astype(np.int64)
    least, done = cover.num_rows + 1, 0
    weight = np.ones(cover.num_rows, np.int64)
    state = np.array([(2 * seed + 1) * 0x9E3779B97F4A7C15 % 2**64], np.uint64)
    while least > 0 and done < steps and not (done and stop is not None and stop()):
        found, columns, uncovered, swaps = _search(
            *_lists(cover), columns, weight, min(_CHUNK, steps - done), state
        )
        done += max(int(swaps), 1)
        if uncovered < least:
            best, least = found, int(uncovered)
    return SearchResult(columns=best, num_uncovered=least, steps=done)


def _lists(cover: Cover) -> tuple[Pointers, Indices, Pointers, Indices]:
    return cover.row_ptr, cover.row_column, cover.column_ptr, cover.column_row


@njit(cache=True)
def _greedy(row_ptr, row_column, column_ptr, column_row, order, begin):  # type: ignore[no-untyped-def]
    num_columns = len(column_ptr) - 1
    gain = column_ptr[1:] - column_ptr[:-1]
    largest = 0
    for c in range(num_columns):
        largest = max(largest, gain[c])
    # columns wait in a list per gain; a gain only falls, so a column that is out of date moves down when met
    head = np.full(largest + 1, -1, np.int64)
    following = np.full(num_columns, -1, np.int64)
    covered = np.zeros(len(row_ptr) - 1, np.bool_)
    chosen = np.empty(num_columns + len(begin), np.int64)
    number = len(begin)
    for s in range(number):
        chosen[s] = begin[s]
        _take(row_ptr, row_column, column_ptr, column_row, begin[s], covered, gain)
    for c in order:
        following[c] = head[gain[c]]
        head[gain[c]] = c
    for level in range(largest, 0, -1):
        while head[level] >= 0:
            c = head[level]
            head[level] = following[c]
            if gain[c] < level:
                following[c] = head[gain[c]]
                head[gain[c]] = c
                continue
            chosen[number] = c
            number += 1
            _take(row_ptr, row_column, column_ptr, column_row, c, covered, gain)
    return chosen[:number].copy()


@njit(cache=True)
def _take(row_ptr, row_column, column_ptr, column_row, c, covered, gain):  # type: ignore[no-untyped-def]
    for k in range(column_ptr[c], column_ptr[c + 1]):
        i = column_row[k]
        if not covered[i]:
            covered[i] = True
            for q in range(row_ptr[i], row_ptr[i + 1]):
                gain[row_column[q]] -= 1


@njit(cache=True)
def _random_below(state, limit):  # type: ignore[no-untyped-def]
    """Return a number below ``limit`` and move the xorshift state on."""
    x = state[0]
    x ^= x << np.uint64(13)
    x ^= x >> np.uint64(7)
    x ^= x << np.uint64(17)
    state[0] = x
    return np.int64((x >> np.uint64(11)) % np.uint64(limit))


@njit(cache=True)
def _tree_set(tree, size, loss, stamp, slot_column, slot):  # type: ignore[no-untyped-def]
    """Carry a changed slot up the tournament tree; each node holds the slot of least loss, the older on a tie."""
    node = (slot + size) >> 1
    while node >= 1:
        left, right = tree[2 * node], tree[2 * node + 1]
        if left < 0 or right < 0:
            winner = max(left, right)
        else:
            a, b = slot_column[left], slot_column[right]
            winner = left
            if loss[b] < loss[a] or (loss[b] == loss[a] and stamp[b] < stamp[a]):
                winner = right
        tree[node] = winner
        node >>= 1


@njit(cache=True)
def _search(row_ptr, row_column, column_ptr, column_row, start, weight, steps, state):  # type: ignore[no-untyped-def]
    num_rows, num_columns, p = len(row_ptr) - 1, len(column_ptr) - 1, len(start)
    count = np.zeros(num_rows, np.int64)
    single = np.zeros(
        num_rows, np.int64
    )  # sum of the columns that cover a row: the column itself where it is one
    score = np.zeros(num_columns, np.int64)  # chosen: weight lost without it; else weight gained with it
    slot_of = np.full(num_columns, -1, np.int64)
    stamp = np.zeros(num_columns, np.int64)
    slot_column = start.copy()
    uncovered = np.empty(num_rows, np.int64)
    place = np.full(num_rows, -1, np.int64)
    for s in range(p):
        slot_of[start[s]] = s
        for k in range(column_ptr[start[s]], column_ptr[start[s] + 1]):
            count[column_row[k]] += 1
            single[column_row[k]] += start[s]
    num_uncovered, total = 0, 0
    for i in range(num_rows):
        if count[i] == 0:
            place[i] = num_uncovered
            uncovered[num_uncovered] = i
            num_uncovered += 1
            total += weight[i]
            for q in range(row_ptr[i], row_ptr[i + 1]):
                score[row_column[q]] += weight[i]
        elif count[i] == 1:
            score[single[i]] += weight[i]
    size = 1
    while size < p:
        size *= 2
    tree = np.full(2 * size, -1, np.int64)
    for s in range(p):
        tree[size + s] = s
    for s in range(0, size, 2):
        _tree_set(tree, size, score, stamp, slot_column, s)
    best = slot_column.copy()
    best_uncovered = num_uncovered
    relief = np.zeros(p, np.int64)
    touched = np.empty(p, np.int64)
    last_out = -1
    last_in = -1
    step = 0
    while step < steps and best_uncovered > 0:
        step += 1
        i = uncovered[_random_below(state, num_uncovered)]
        if last_in >= 0 and p > 1:
            # the newest column may not leave at once: it loses the tournament while its loss counts as endless
            held = score[last_in]
            score[last_in] = np.int64(1) << 62
            _tree_set(tree, size, score, stamp, slot_column, slot_of[last_in])
        cheapest = tree[1]
        cheapest_loss = score[slot_column[cheapest]]
        enter, leave, best_change, ties = -1, -1, np.int64(1) << 61, 0
        for q in range(row_ptr[i], row_ptr[i + 1]):
            c = row_column[q]
            if c == last_out and row_ptr[i + 1] - row_ptr[i] > 1:
                continue
            num_touched = 0
            for k in range(column_ptr[c], column_ptr[c + 1]):
                r = column_row[k]
                if count[r] == 1:
                    s = slot_of[single[r]]
                    if relief[s] == 0:
                        touched[num_touched] = s
                        num_touched += 1
                    relief[s] += weight[r]
            out, out_loss = cheapest, cheapest_loss
            for t in range(num_touched):
                s = touched[t]
                d = slot_column[s]
                left = score[d] - relief[s]
                relief[s] = 0
                if (d != last_in or p == 1) and (
                    left < out_loss or (left == out_loss and stamp[d] < stamp[slot_column[out]])
                ):
                    out, out_loss = s, left
            change = out_loss - score[c]
            if change < best_change:
                enter, leave, best_change, ties = c, out, change, 1
            elif change == best_change:
                ties += 1
                if _random_below(state, ties) == 0:
                    enter, leave = c, out
        if last_in >= 0 and p > 1:
            score[last_in] = held
            _tree_set(tree, size, score, stamp, slot_column, slot_of[last_in])
        if enter < 0:
            break
        gone = slot_column[leave]
        # the new column comes in first, so that the rows it shares with the old one never look uncovered
        slot_of[enter] = -2
        for k in range(column_ptr[enter], column_ptr[enter + 1]):
            r = column_row[k]
            if count[r] == 0:
                total -= weight[r]
                num_uncovered -= 1
                moved = uncovered[num_uncovered]
                uncovered[place[r]] = moved
                place[moved] = place[r]
                place[r] = -1
                for q in range(row_ptr[r], row_ptr[r + 1]):
                    score[row_column[q]] -= weight[r]
                score[enter] += weight[r]
            elif count[r] == 1:
                score[single[r]] -= weight[r]
                if single[r] != gone:
                    _tree_set(tree, size, score, stamp, slot_column, slot_of[single[r]])
            count[r] += 1
            single[r] += enter
        slot_of[gone] = -1
        for k in range(column_ptr[gone], column_ptr[gone + 1]):
            r = column_row[k]
            count[r] -= 1
            single[r] -= gone
            if count[r] == 0:
                total += weight[r]
                place[r] = num_uncovered
                uncovered[num_uncovered] = r
                num_uncovered += 1
                score[gone] -= weight[r]
                for q in range(row_ptr[r], row_ptr[r + 1]):
                    score[row_column[q]] += weight[r]
            elif count[r] == 1:
                score[single[r]] += weight[r]
                if single[r] != enter:
                    _tree_set(tree, size, score, stamp, slot_column, slot_of[single[r]])
        slot_of[enter] = leave
        slot_column[leave] = enter
        stamp[enter] = step
        stamp[gone] = step
        _tree_set(tree, size, score, stamp, slot_column, leave)
        last_in, last_out = enter, gone
        if num_uncovered < best_uncovered:
            best_uncovered = num_uncovered
            best[:] = slot_column
        if best_change >= 0:
            for u in range(num_uncovered):
                r = uncovered[u]
                if weight[r] < _MAX_WEIGHT:
                    weight[r] += 1
                    total += 1
                    for q in range(row_ptr[r], row_ptr[r + 1]):
                        score[row_column[q]] += 1
    return best, slot_column, best_uncovered, step
