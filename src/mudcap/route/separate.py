"""Rows that a fractional round breaks: what hangs together in it, and how often the bounds of a set of vertices are crossed.

A set of vertices without the start is crossed twice wherever a stop is served from within (connection), and an even number of
times, or an odd one where it holds just one of two different terminals (parity). The sets come from `sets`, or are grown here.

References
----------
Edmonds & Johnson 1973, Math. Program. 5:88–124 (parity); Letchford 1997, Eur. J. Oper. Res. 96:317–322; Corberán, Letchford &
Sanchis 2001, Math. Program. 90:291–316 (general routing problem). All cited from memory. The share that options of other ways
have in serving a stop is our own.
"""

from __future__ import annotations

import numpy as np
from numba import njit


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
