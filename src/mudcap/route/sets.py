"""Sets of vertices about which a fractional round may break a row: what hangs together in it, and what is all but cut off."""

from __future__ import annotations

import numpy as np
from numba import njit

_SMALL = 100
"""Vertices of a set up to which it also stands for the other stops that it touches."""


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
def cut_off_sets(net, x, z, first, limit, slack, most_work):  # type: ignore[no-untyped-def]
    """Sets about stops from which less than two leads to the start, by minimum cuts (Ford & Fulkerson 1956, from memory).

    The stops are taken from ``first`` on, without those that a small set found before touches, until ``limit`` sets are found,
    each once, or so many vertices have been reached in all.
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
    count, size, work = 0, 0, 0
    for turn in range(n + 1):
        if count == limit or work > most_work:
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
            work += reached
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
