"""Rows that a fractional round breaks: what hangs together in it, and how often the bounds of a set of vertices are crossed.

A set of vertices without the start is crossed twice wherever a stop is served from within (connection), and an even number of
times, or an odd one where it holds just one of two different terminals (parity). Sets are sought by what hangs together in the
solution, by growing, and by minimum cuts.

References
----------
Edmonds & Johnson 1973, Math. Program. 5:88–124 (parity); Letchford 1997, Eur. J. Oper. Res. 96:317–322; Corberán, Letchford &
Sanchis 2001, Math. Program. 90:291–316 (general routing problem). All cited from memory. The share that options of other ways
have in serving a stop is our own.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

_SMALL = 100
"""Vertices of a set up to which it also stands for the other stops that it touches."""


class Net(NamedTuple):
    """What the search for rows needs to know of the ground; ways are those driven through from one vertex to another."""

    tail: Ints
    """(w,)"""
    head: Ints
    """(w,)"""
    single: Ints
    """(w,) column of driving through once; -1 where there is none."""
    double: Ints
    """(w,) column of driving through twice; -1 where there is none."""
    more: Ints
    """(w,) column that counts passes without limit; -1 where there is none."""
    at_ptr: Ints
    """(v + 1,) range of each vertex in `at_way`."""
    at_way: Ints
    """Ways that meet each vertex."""
    stop_ptr: Ints
    """(n + 1,) range of each stop in the next three."""
    stop_column: Ints
    """Columns that serve the stop."""
    stop_one: Ints
    """Vertex from which the column serves it."""
    stop_other: Ints
    """The other vertex where the way is driven through; -1 where it is not, or where both are the same."""
    near_ptr: Ints
    """(v + 1,) range of each vertex in `near_stop`, `near_column` and `near_other`: the same, vertex by vertex."""
    near_stop: Ints
    near_column: Ints
    near_other: Ints
    way_of: Ints
    """(columns,) way that the column drives through; -1 where it does not."""
    mark: Ints
    """(v,) odd numbers to tell sets of vertices apart."""
    start: int
    end: int


def build_net(
    *,
    num_vertices: int,
    num_columns: int,
    ways: tuple[Ints, Ints, Ints, Ints, Ints],
    serves: tuple[Ints, Ints, Ints, Ints],
    num_stops: int,
    terminals: tuple[int, int],
) -> Net:
    """Lay out a net: ``ways`` as in its first five fields, ``serves`` (stop, column, one vertex, other vertex or -1)."""
    tail, head, single, double, more = ways
    at_ptr, order = _by(np.concatenate([tail, head]), num_vertices)
    at_way = np.tile(np.arange(len(tail)), 2)[order]
    stop, column, one, other = serves
    stop_ptr, order = _by(stop, num_stops)
    through = np.flatnonzero(other >= 0)
    twice = np.concatenate([np.arange(len(stop)), through])
    near_ptr, near = _by(np.concatenate([one, other[through]]), num_vertices)
    beyond = np.concatenate([other, one[through]])
    way_of = np.full(num_columns, -1, np.int64)
    for columns in (single, double, more):
        way_of[columns[columns >= 0]] = np.flatnonzero(columns >= 0)
    mark = np.random.default_rng(0).integers(1, 1 << 62, num_vertices)
    return Net(
        tail=tail, head=head, single=single, double=double, more=more, at_ptr=at_ptr, at_way=at_way,
        stop_ptr=stop_ptr, stop_column=column[order], stop_one=one[order], stop_other=other[order],
        near_ptr=near_ptr, near_stop=stop[twice[near]], near_column=column[twice[near]], near_other=beyond[near],
        way_of=way_of, mark=mark, start=terminals[0], end=terminals[1],
    )  # fmt: skip


def _by(key: Ints, count: int) -> tuple[Ints, Ints]:
    """Ranges and order of entries sorted by a number from 0 to ``count`` - 1."""
    ptr = np.concatenate([[0], np.cumsum(np.bincount(key, minlength=count))]).astype(np.int64)
    return ptr, np.argsort(key, kind="stable").astype(np.int64)


@njit(cache=True)
def passes(columns, z):  # type: ignore[no-untyped-def]
    """(w,) values of one column a way, 0 where it has none."""
    value = np.zeros(len(columns))
    for w in range(len(columns)):
        if columns[w] >= 0:
            value[w] = z[columns[w]]
    return value


@njit(cache=True)
def joined_sets(net, weight, thresholds, parting):  # type: ignore[no-untyped-def]
    """Sets of vertices that ways heavier than a threshold join, as (ranges, vertices), each once.

    ``parting``: without the set of the start, but with all that is not in it; else those of two vertices or more.
    """
    v = len(net.mark)
    ptr = np.zeros(2 * v * len(thresholds) + 1, np.int64)
    vertex = np.empty(2 * v * len(thresholds), np.int64)
    count, size = 0, 0
    parent = np.empty(v, np.int64)
    number = np.empty(v + 1, np.int64)
    seen = set()
    seen.add(np.int64(0))
    for t in thresholds:
        for i in range(v):
            parent[i] = i
        for w in range(len(weight)):
            if weight[w] > t:
                a, b = _root(parent, net.tail[w]), _root(parent, net.head[w])
                if a != b:
                    parent[max(a, b)] = min(a, b)
        number[:] = 0
        for i in range(v):
            number[_root(parent, i) + 1] += 1
        for i in range(v):
            number[i + 1] += number[i]
        members = np.empty(v, np.int64)
        at = number[:v].copy()
        for i in range(v):
            r = _root(parent, i)
            members[at[r]] = i
            at[r] += 1
        home = _root(parent, net.start)
        for r in range(v):
            first, last = number[r], number[r + 1]
            rest = parting and r == home
            if last == first or (not parting and last - first < 2):
                continue
            name = np.int64(0)
            begin = size
            if rest:
                for i in range(v):
                    if _root(parent, i) != home:
                        vertex[size] = i
                        size += 1
                        name ^= net.mark[i]
            else:
                for k in range(first, last):
                    vertex[size] = members[k]
                    size += 1
                    name ^= net.mark[members[k]]
            if name in seen:
                size = begin
                continue
            seen.add(name)
            count += 1
            ptr[count] = size
    return ptr[: count + 1].copy(), vertex[:size].copy()


@njit(cache=True)
def _root(parent, i):  # type: ignore[no-untyped-def]
    while parent[i] != i:
        parent[i] = parent[parent[i]]
        i = parent[i]
    return i


@njit(cache=True)
def weak_sets(net, ptr, vertex, x, z, slack):  # type: ignore[no-untyped-def]
    """For each set the stop whose connection it breaks most; -1 where the end's, -2 where none by more than ``slack``."""
    v, n = len(net.mark), len(net.stop_ptr) - 1
    worst = np.full(len(ptr) - 1, -2, np.int64)
    stamp = np.full(v, -1, np.int64)
    served = np.zeros(n)
    for s in range(n):
        for k in range(net.stop_ptr[s], net.stop_ptr[s + 1]):
            served[s] += z[net.stop_column[k]]
    inside = np.zeros(n)
    touched = np.empty(n, np.int64)
    for c in range(len(ptr) - 1):
        mine = vertex[ptr[c] : ptr[c + 1]]
        for i in mine:
            stamp[i] = c
        if stamp[net.start] == c:
            continue
        crossed = 0.0
        for i in mine:
            for k in range(net.at_ptr[i], net.at_ptr[i + 1]):
                w = net.at_way[k]
                if stamp[net.tail[w]] != c or stamp[net.head[w]] != c:
                    crossed += x[w]
        if stamp[net.end] == c:
            if crossed < 1 - slack:
                worst[c] = -1
            continue
        if crossed >= 2 - slack:
            continue
        num = 0
        for i in mine:
            for k in range(net.near_ptr[i], net.near_ptr[i + 1]):
                s, other = net.near_stop[k], net.near_other[k]
                if other >= 0 and stamp[other] == c and other < i:
                    continue  # counted there
                if inside[s] == 0.0:
                    touched[num] = s
                    num += 1
                    inside[s] = 1e-300
                inside[s] += z[net.near_column[k]]
        least = 2 - slack
        for k in range(num):
            s = touched[k]
            total = crossed + 2 * (served[s] - inside[s])
            inside[s] = 0.0
            if total < least:
                least = total
                worst[c] = s
    return worst


@njit(cache=True)
def connection_rows(net, ptr, vertex, worst):  # type: ignore[no-untyped-def]
    """Rows (ranges, columns, values, limits) that ask of each set with a broken stop that it be entered and left."""
    stamp = np.full(len(net.mark), -1, np.int64)
    room, num = 0, 0
    for c in range(len(worst)):
        if worst[c] == -2:
            continue
        num += 1
        for i in vertex[ptr[c] : ptr[c + 1]]:
            room += 3 * (net.at_ptr[i + 1] - net.at_ptr[i])
        if worst[c] >= 0:
            room += net.stop_ptr[worst[c] + 1] - net.stop_ptr[worst[c]]
    row_ptr, limit = np.zeros(num + 1, np.int64), np.empty(num)
    column, value = np.empty(room, np.int64), np.empty(room)
    size, row = 0, 0
    for c in range(len(worst)):
        if worst[c] == -2:
            continue
        for i in vertex[ptr[c] : ptr[c + 1]]:
            stamp[i] = c
        for i in vertex[ptr[c] : ptr[c + 1]]:
            for k in range(net.at_ptr[i], net.at_ptr[i + 1]):
                w = net.at_way[k]
                if stamp[net.tail[w]] == c and stamp[net.head[w]] == c:
                    continue
                for j, a in ((net.single[w], 1.0), (net.double[w], 2.0), (net.more[w], 1.0)):
                    if j >= 0:
                        column[size], value[size] = j, a
                        size += 1
        s = worst[c]
        if s >= 0:
            for k in range(net.stop_ptr[s], net.stop_ptr[s + 1]):
                other = net.stop_other[k]
                if stamp[net.stop_one[k]] != c and (other < 0 or stamp[other] != c):
                    column[size], value[size] = net.stop_column[k], 2.0
                    size += 1
        limit[row] = 2.0 if s >= 0 else 1.0
        row += 1
        row_ptr[row] = size
    return row_ptr, column[:size].copy(), value[:size].copy(), limit


@njit(cache=True)
def _odd_cut(net, mine, stamp, c, once, more, cut, taken):  # type: ignore[no-untyped-def]
    """(value, ways, taken ones) of the parity row of a set that the solution comes nearest to breaking; broken below 1.

    The ways that cross its bounds are written to ``cut``, and to ``taken`` which of them count as driven once. ``stamp`` is
    ``c`` for the members of the set. The value is inf where there is no such row.
    """
    size, num, value = 0, 0, 0.0
    flip, cost = -1, 2.0
    for i in mine:
        for k in range(net.at_ptr[i], net.at_ptr[i + 1]):
            w = net.at_way[k]
            if stamp[net.tail[w]] == c and stamp[net.head[w]] == c:
                continue
            cut[size] = w
            take = net.single[w] >= 0 and once[w] > 0.5
            taken[size] = take
            value += more[w] + (1 - once[w] if take else once[w])
            num += take
            if net.single[w] >= 0 and abs(2 * once[w] - 1) < cost:
                flip, cost = size, abs(2 * once[w] - 1)
            size += 1
    ends = 0
    if net.start != net.end:
        ends = int(stamp[net.start] == c) + int(stamp[net.end] == c)
    if (num + ends) % 2 == 0:
        if flip < 0:
            return np.inf, size, num
        num += -1 if taken[flip] else 1
        taken[flip] = not taken[flip]
        value += cost
    return value, size, num


@njit(cache=True)
def parity_rows(net, ptr, vertex, once, more, slack):  # type: ignore[no-untyped-def]
    """Rows (ranges, columns, values, limits) of parity that the solution breaks by more than ``slack``, at most one a set."""
    stamp = np.full(len(net.mark), -1, np.int64)
    cut, taken = np.empty(2 * len(once), np.int64), np.empty(2 * len(once), np.bool_)
    row_ptr, limit = np.zeros(len(ptr), np.int64), np.empty(len(ptr))
    column, value = np.empty(1024, np.int64), np.empty(1024)
    size, row = 0, 0
    for c in range(len(ptr) - 1):
        mine = vertex[ptr[c] : ptr[c + 1]]
        for i in mine:
            stamp[i] = c
        total, width, num = _odd_cut(net, mine, stamp, c, once, more, cut, taken)
        if total >= 1 - slack:
            continue
        while size + 2 * width > len(column):
            column = np.concatenate((column, np.empty(len(column), np.int64)))
            value = np.concatenate((value, np.empty(len(value))))
        for k in range(width):
            if net.single[cut[k]] >= 0:
                column[size] = net.single[cut[k]]
                value[size] = -1.0 if taken[k] else 1.0
                size += 1
            if net.more[cut[k]] >= 0:
                column[size], value[size] = net.more[cut[k]], 1.0
                size += 1
        limit[row] = 1.0 - num
        row += 1
        row_ptr[row] = size
    return row_ptr[: row + 1].copy(), column[:size].copy(), value[:size].copy(), limit[:row].copy()


@njit(cache=True)
def grown_sets(net, once, more, largest, slack):  # type: ignore[no-untyped-def]
    """Sets whose parity is broken, grown from each vertex by the neighbour that makes the bounds least fractional."""
    v = len(net.mark)
    open_ = np.minimum(once, 1 - once) + more
    around = np.zeros(v)
    for i in range(v):
        for k in range(net.at_ptr[i], net.at_ptr[i + 1]):
            around[i] += open_[net.at_way[k]]
    stamp, beside = np.full(v, -1, np.int64), np.full(v, -1, np.int64)
    shared = np.zeros(v)
    cut, taken = np.empty(2 * len(once), np.int64), np.empty(2 * len(once), np.bool_)
    ptr, vertex = np.zeros(v + 1, np.int64), np.empty(v * largest, np.int64)
    mine, rim = np.empty(largest, np.int64), np.empty(v, np.int64)
    count, size = 0, 0
    seen = set()
    seen.add(np.int64(0))
    for first in range(v):
        if around[first] < 1e-4:
            continue
        mine[0], num, width, name = first, 1, 0, net.mark[first]
        stamp[first] = first
        newest = first
        while num < largest:
            for k in range(net.at_ptr[newest], net.at_ptr[newest + 1]):
                w = net.at_way[k]
                i = net.head[w] if net.tail[w] == newest else net.tail[w]
                if stamp[i] == first:
                    continue
                if beside[i] != first:
                    beside[i], shared[i] = first, 0.0
                    rim[width] = i
                    width += 1
                shared[i] += open_[w]
            newest, least = -1, np.inf
            for k in range(width):
                i = rim[k]
                if stamp[i] != first and around[i] - 2 * shared[i] < least:
                    newest, least = i, around[i] - 2 * shared[i]
            if newest < 0:
                break
            mine[num], stamp[newest] = newest, first
            num += 1
            name ^= net.mark[newest]
            if _odd_cut(net, mine[:num], stamp, first, once, more, cut, taken)[0] < 1 - slack:
                if name not in seen:
                    seen.add(name)
                    vertex[size : size + num] = mine[:num]
                    size += num
                    count += 1
                    ptr[count] = size
                break
    return ptr[: count + 1].copy(), vertex[:size].copy()


@njit(cache=True)
def cut_off_sets(net, x, z, first, limit, slack):  # type: ignore[no-untyped-def]
    """Sets about stops from which less than two leads to the start, by minimum cuts (Ford & Fulkerson 1956, from memory).

    The stops are taken from ``first`` on, without those that a small set found before touches, until ``limit`` sets are found,
    each once.
    """
    v, n = len(net.mark), len(net.stop_ptr) - 1
    whole = np.empty(2 * len(x))
    for w in range(len(x)):
        whole[2 * w] = whole[2 * w + 1] = x[w]
    left = whole.copy()
    came, queue = np.full(v, -2, np.int64), np.empty(v, np.int64)
    spring = np.zeros(v)
    ptr, vertex = np.zeros(limit + 1, np.int64), np.empty(limit * v, np.int64)
    done = np.zeros(n, np.bool_)
    seen = set()
    seen.add(np.int64(0))
    count, size = 0, 0
    for turn in range(n + 1):
        if count == limit:
            break
        s = (first + turn) % n if turn < n else -1
        need = 2.0 if s >= 0 else 1.0
        if (s >= 0 and done[s]) or (s < 0 and net.start == net.end):
            continue
        left[:] = whole
        if s < 0:
            spring[net.end] = 1.0
        else:
            for k in range(net.stop_ptr[s], net.stop_ptr[s + 1]):
                share, one, other = z[net.stop_column[k]], net.stop_one[k], net.stop_other[k]
                if other < 0:
                    spring[one] += 2 * share
                else:
                    spring[one] += share
                    spring[other] += share
                    w = net.way_of[net.stop_column[k]]
                    left[2 * w] -= share
                    left[2 * w + 1] -= share
        flow = 0.0
        while flow < need - slack:
            pushed, reached = _push(net, left, spring, came, queue, s < 0)
            if pushed == 0.0:
                break
            flow += pushed
        if flow < need - slack:
            name = np.int64(0)
            for k in range(reached):
                name ^= net.mark[queue[k]]
            if name not in seen:
                seen.add(name)
                vertex[size : size + reached] = queue[:reached]
                size += reached
                count += 1
                ptr[count] = size
                if reached <= _SMALL:
                    for k in range(reached):
                        i = queue[k]
                        for j in range(net.near_ptr[i], net.near_ptr[i + 1]):
                            done[net.near_stop[j]] = True
        spring[:] = 0.0
    return ptr[: count + 1].copy(), vertex[:size].copy()


@njit(cache=True)
def _push(net, left, spring, came, queue, from_end):  # type: ignore[no-untyped-def]
    """(amount pushed, vertices reached) along one shortest way from the spring to a terminal; nothing where there is none."""
    tiny = 1e-9
    came[:] = -2
    filled = 0
    for i in range(len(spring)):
        if spring[i] > tiny:
            came[i] = -1
            queue[filled] = i
            filled += 1
    at, sink = 0, -1
    if came[net.start] == -1:
        sink = net.start
    elif not from_end and came[net.end] == -1:
        sink = net.end
    while at < filled and sink < 0:
        i = queue[at]
        at += 1
        for k in range(net.at_ptr[i], net.at_ptr[i + 1]):
            w = net.at_way[k]
            arc = 2 * w if net.tail[w] == i else 2 * w + 1
            j = net.head[w] if net.tail[w] == i else net.tail[w]
            if came[j] != -2 or left[arc] <= tiny:
                continue
            came[j] = arc
            queue[filled] = j
            filled += 1
            if j == net.start or (j == net.end and not from_end):
                sink = j
                break
    if sink < 0:
        return 0.0, filled
    amount, i = np.inf, sink
    while came[i] >= 0:
        amount = min(amount, left[came[i]])
        i = net.tail[came[i] // 2] if came[i] % 2 == 0 else net.head[came[i] // 2]
    amount = min(amount, spring[i])
    spring[i] -= amount
    i = sink
    while came[i] >= 0:
        left[came[i]] -= amount
        left[came[i] ^ 1] += amount
        i = net.tail[came[i] // 2] if came[i] % 2 == 0 else net.head[came[i] // 2]
    return amount, filled
