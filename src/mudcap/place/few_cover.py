"""Small dense covers as bit sets: which columns cover the rows, thinned out, and an exact search for a few columns.

Where a handful of sites serves thousands of points a radius takes in a large share of all pairs, so that lists are long and
bits are short.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from mudcap.place.cover import Cover

Bits = NDArray[np.uint64]
Flags = NDArray[np.bool_]
Numbers = NDArray[np.int64]

_LARGE, _HARDLY_LESS = 250, 0.9
"""Of more rows than this the thinning ends where a round takes out less than a tenth of them."""
_FOUND, _NONE, _UNDECIDED = 1, 0, -1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DenseCover:
    """Rows that no other row implies, and columns that no other column is better than."""

    matrix: Flags
    """(rows, columns) which column covers which row."""
    row: Numbers
    """(rows,) number of each row before the thinning."""
    column: Numbers
    """(columns,) number of each column before the thinning."""

    def listed(self) -> Cover:
        """Return the same cover as lists."""
        row, column = np.nonzero(self.matrix)
        back, owner = np.nonzero(self.matrix.T)
        num_rows, num_columns = self.matrix.shape
        return Cover(
            row_ptr=_starts(row, num_rows), row_column=column.astype(np.int32),
            column_ptr=_starts(back, num_columns), column_row=owner.astype(np.int32),
            row_demand=np.arange(num_rows), column_candidate=self.column,
        )  # fmt: skip


def thin_out(matrix: Flags) -> DenseCover:
    """Return the cover without dominated rows and columns: a cover of it covers all rows of ``matrix`` too.

    Among equal columns the first stays. In a large cover some dominated ones may stay.
    """
    row, column = np.arange(matrix.shape[0]), np.arange(matrix.shape[1])
    while True:
        before = matrix.shape
        keep = _maximal(*_ordered(matrix.T, is_descending=True))
        matrix, column = matrix[:, keep], column[keep]
        keep = _minimal(*_ordered(matrix, is_descending=False))
        matrix, row = matrix[keep], row[keep]
        is_large = matrix.shape[0] > _LARGE
        if matrix.shape[0] >= before[0] * (_HARDLY_LESS if is_large else 1.0):
            return DenseCover(matrix=np.ascontiguousarray(matrix), row=row, column=column)


def search_few(
    cover: DenseCover, count: int, price: NDArray[np.int64], *, nodes: int
) -> tuple[Numbers | None, bool]:
    """Return at most ``count`` columns that cover all rows, or None; and whether that answer is proven.

    Depth first. ``price`` (rows,) are whole numbers of at least 0 that say what a row is worth: a branch ends where even
    the dearest columns left do not come to the price of the rows left. It goes on at the row with the fewest columns that are dear enough,
    and a column tried before is barred from the branches after it. At most ``nodes`` branches are looked at.
    """
    if count <= 0:
        return (np.empty(0, np.int64), True) if not len(cover.matrix) else (None, True)
    chosen = np.full(count, -1, np.int64)
    row_ptr = _ends(cover.matrix.sum(axis=1))
    column_ptr = _ends(cover.matrix.sum(axis=0))
    answer = _search(
        row_ptr, np.nonzero(cover.matrix)[1], column_ptr, np.nonzero(cover.matrix.T)[1], price, count, nodes, chosen
    )
    return (chosen[chosen >= 0], True) if answer == _FOUND else (None, bool(answer == _NONE))


def packed(flags: Flags) -> Bits:
    """Return each line of flags as bits in whole words."""
    flags = np.ascontiguousarray(flags)
    words = max(1, -(-flags.shape[1] // 64))
    padded = np.zeros((flags.shape[0], 8 * words), np.uint8)
    octets = np.packbits(flags, axis=1, bitorder="little")
    padded[:, : octets.shape[1]] = octets
    return padded.view("<u8").astype(np.uint64)


def _ordered(flags: Flags, *, is_descending: bool) -> tuple[Bits, Numbers]:
    size = flags.sum(axis=1)
    return packed(flags), np.argsort(-size if is_descending else size, kind="stable")


def _ends(length: Numbers) -> Numbers:
    return np.concatenate([[0], np.cumsum(length)]).astype(np.int64)


def _starts(owner: NDArray[np.int64], num_owners: int) -> Numbers:
    return _ends(np.bincount(owner, minlength=num_owners))


@njit(cache=True)
def _is_part(bits, part, whole):  # type: ignore[no-untyped-def]
    for w in range(bits.shape[1]):  # noqa: SIM110  (compiled code has no generators)
        if bits[part, w] & ~bits[whole, w]:
            return False
    return True


@njit(cache=True)
def _ones(x):  # type: ignore[no-untyped-def]
    x = x - ((x >> np.uint64(1)) & np.uint64(0x5555555555555555))
    x = (x & np.uint64(0x3333333333333333)) + ((x >> np.uint64(2)) & np.uint64(0x3333333333333333))
    x = (x + (x >> np.uint64(4))) & np.uint64(0x0F0F0F0F0F0F0F0F)
    return np.int64((x * np.uint64(0x0101010101010101)) >> np.uint64(56))


@njit(cache=True)
def _places(bits, line, places):  # type: ignore[no-untyped-def]
    """Fill in the places of the line's bits; return how many there are."""
    number = 0
    for w in range(bits.shape[1]):
        x = bits[line, w]
        while x:
            places[number] = 64 * w + _ones((x & (~x + np.uint64(1))) - np.uint64(1))
            number += 1
            x &= x - np.uint64(1)
    return number


@njit(cache=True)
def _maximal(bits, order):  # type: ignore[no-untyped-def]
    """Lines that are part of no other line, given from the largest on; of equal ones the first."""
    width = 64 * bits.shape[1]
    kept, places = np.zeros(len(order), np.bool_), np.empty(width, np.int64)
    # the lines kept stand in a list at each of their places; a line is compared with the shortest of its lists only
    head, length = np.full(width, -1, np.int64), np.zeros(width, np.int64)
    line, after = np.empty(1024, np.int64), np.empty(1024, np.int64)
    used = 0
    for c in order:
        number = _places(bits, c, places)
        best = places[0]
        for k in range(number):
            if length[places[k]] < length[best]:
                best = places[k]
        at = head[best] if number else np.int64(-1)
        kept[c] = number > 0
        while at >= 0:
            if _is_part(bits, c, line[at]):
                kept[c] = False
                break
            at = after[at]
        if kept[c]:
            while used + number > len(line):
                line, after = np.append(line, line), np.append(after, after)
            for k in range(number):
                i = places[k]
                line[used], after[used], head[i] = c, head[i], used
                length[i] += 1
                used += 1
    return kept


@njit(cache=True)
def _minimal(bits, order):  # type: ignore[no-untyped-def]
    """Lines that have no other line as a part, given from the smallest on; of equal ones the first."""
    flags = np.zeros(len(order), np.bool_)
    kept = np.empty(len(order), np.int64)
    number = 0
    for c in order:
        flags[c] = True
        for k in range(number):
            if _is_part(bits, kept[k], c):
                flags[c] = False
                break
        if flags[c]:
            kept[number] = c
            number += 1
    return flags


@njit(cache=True)
def _dearest(gain, barred, left, top):  # type: ignore[no-untyped-def]
    """Fill ``top`` with the ``left`` largest gains of columns that are not barred, descending."""
    top[:left] = 0
    for c in range(len(gain)):
        if barred[c] < 0 and gain[c] > top[left - 1]:
            k = left - 1
            while k > 0 and top[k - 1] < gain[c]:
                top[k] = top[k - 1]
                k -= 1
            top[k] = gain[c]


@njit(cache=True)
def _branches(row_ptr, row_column, covered, gain, barred, least, branch):  # type: ignore[no-untyped-def]
    """Fill ``branch`` with the columns of the open row that has the fewest of at least the ``least`` gain; return how many."""
    best, fewest = -1, 1 << 60
    for i in range(len(covered)):
        if covered[i] < 0:
            number = 0
            for k in range(row_ptr[i], row_ptr[i + 1]):
                c = row_column[k]
                if barred[c] < 0 and gain[c] >= least:
                    number += 1
                    if number >= fewest:
                        break
            if number < fewest:
                best, fewest = i, number
    number = 0
    for k in range(row_ptr[best], row_ptr[best + 1]):
        c = row_column[k]
        if barred[c] < 0 and gain[c] >= least:
            at = number
            while at > 0 and gain[branch[at - 1]] < gain[c]:
                branch[at] = branch[at - 1]
                at -= 1
            branch[at] = c
            number += 1
    return number


@njit(cache=True)
def _search(row_ptr, row_column, column_ptr, column_row, price, count, nodes, chosen):  # type: ignore[no-untyped-def]
    num_rows, num_columns = len(row_ptr) - 1, len(column_ptr) - 1
    gain = np.zeros((count + 1, num_columns), np.int64)
    for c in range(num_columns):
        for k in range(column_ptr[c], column_ptr[c + 1]):
            gain[0, c] += price[column_row[k]]
    worth, num_open = np.zeros(count + 1, np.int64), np.zeros(count + 1, np.int64)
    worth[0], num_open[0] = price.sum(), num_rows
    covered, barred = np.full(num_rows, -1, np.int64), np.full(num_columns, -1, np.int64)
    branch = np.empty((count + 1, num_columns), np.int64)
    number, at = np.zeros(count + 1, np.int64), np.zeros(count + 1, np.int64)
    top = np.zeros(count + 1, np.int64)
    depth, spent, is_new = 0, 0, True
    while depth >= 0:
        if is_new:
            if num_open[depth] == 0:
                return 1
            if spent >= nodes:
                return -1
            spent += 1
            left = count - depth
            number[depth], at[depth] = 0, 0
            if left > 0:
                _dearest(gain[depth], barred, left, top)
                least = worth[depth] - top[: left - 1].sum()
                if top[left - 1] >= least:
                    number[depth] = _branches(
                        row_ptr, row_column, covered, gain[depth], barred, least, branch[depth]
                    )
            is_new = False
        elif at[depth] > 0:
            barred[branch[depth, at[depth] - 1]] = depth
            c = chosen[depth]
            chosen[depth] = -1
            for k in range(column_ptr[c], column_ptr[c + 1]):
                if covered[column_row[k]] == depth:
                    covered[column_row[k]] = -1
        if at[depth] >= number[depth]:
            for k in range(number[depth]):
                barred[branch[depth, k]] = -1
            depth -= 1
            continue
        c = branch[depth, at[depth]]
        at[depth] += 1
        chosen[depth] = c
        gain[depth + 1] = gain[depth]
        worth[depth + 1], num_open[depth + 1] = worth[depth], num_open[depth]
        for k in range(column_ptr[c], column_ptr[c + 1]):
            i = column_row[k]
            if covered[i] < 0:
                covered[i] = depth
                worth[depth + 1] -= price[i]
                num_open[depth + 1] -= 1
                for q in range(row_ptr[i], row_ptr[i + 1]):
                    gain[depth + 1, row_column[q]] -= price[i]
        depth += 1
        is_new = True
    return 0
