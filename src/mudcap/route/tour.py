"""A short tour past all stops where nothing is known of the ground but distances: each stop at one of a few points.

The general routine for ground that the frontier programme cannot take. Distances may depend on the direction, and a stop may
be served from either of several points (two sides, two headings). Iterated local search: 2-opt, moving and turning short
runs (Or 1976), each stop to its best point, then a double bridge in a small window (Martin, Otto & Felten 1991), kept where
the tour is hardly longer (record-to-record travel, Dueck 1993); the points are chosen anew by dynamic programming over the order. Cited from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

from mudcap.route.chance import begin as begin_chance
from mudcap.route.chance import draw

_NEIGHBOURS = 12
_LONGEST_RUN = 3
"""Stops of a run that is moved elsewhere at once."""
_WINDOW = 50
"""Stops within which a double bridge cuts."""
_SLACK = 1.0
"""Mean steps by which a tour may be longer than the best to be carried on from, at first; then less and less."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TourProblem:
    """Points, the distances between them, and which of them serve each stop."""

    distance: NDArray[np.float64]
    """(p, p) from each point to each, the shortest way."""
    choices: NDArray[np.int64]
    """(n, k) points from which each stop may be served; -1 where it has fewer than k."""
    twin: NDArray[np.int64]
    """(p,) the same place with the opposite heading; the point itself where the heading does not matter."""
    start: int
    end: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tour:
    """The stops in order, each with its point."""

    stops: NDArray[np.int64]
    points: NDArray[np.int64]
    length: float


def plane_problem(distance: ArrayLike) -> TourProblem:
    """Return the problem of a closed tour over all points of a distance matrix, the first one the start."""
    d = np.asarray(distance, float)
    return TourProblem(
        distance=d, choices=np.arange(1, len(d))[:, None], twin=np.arange(len(d)), start=0, end=0
    )


def solve_tour(
    problem: TourProblem, *, kicks: int, seed: int = 0, order: NDArray[np.int64] | None = None
) -> Tour:
    """Return a tour that no move shortens and that ``kicks`` double bridges have not improved further; no bound is given.

    The search begins with the stops in ``order``, or always going on to the nearest stop where none is given.

    Raises ``ValueError`` where a stop cannot be reached.
    """
    n = len(problem.choices)
    if not n:
        length = float(problem.distance[problem.start, problem.end])
        return Tour(stops=np.empty(0, np.int64), points=np.empty(0, np.int64), length=length)
    near = _near(problem)
    stop, point, length = _search(
        np.ascontiguousarray(problem.distance, np.float64), np.ascontiguousarray(problem.choices, np.int64),
        problem.twin.astype(np.int64), problem.start, problem.end, near, kicks, begin_chance(seed),
        np.empty(0, np.int64) if order is None else order.astype(np.int64),
    )  # fmt: skip
    if not np.isfinite(length):
        raise ValueError("a stop, the start or the end cannot be reached from the others.")
    return Tour(stops=stop[1:-1], points=point[1:-1], length=float(length))


def _near(problem: TourProblem) -> NDArray[np.int64]:
    """(n, m) nearest other stops of each stop, by the shorter of the two directions between any of their points."""
    n = len(problem.choices)
    m = min(_NEIGHBOURS, n - 1)
    near = np.zeros((n, m), np.int64)
    missing = problem.choices < 0
    columns = np.where(missing, 0, problem.choices)
    for s in range(n):
        best = np.full(n, np.inf)
        for c in problem.choices[s][problem.choices[s] >= 0].tolist():
            both = np.minimum(problem.distance[c][columns], problem.distance[:, c][columns])
            np.minimum(best, np.where(missing, np.inf, both).min(axis=1), out=best)
        best[s] = np.inf
        if m:
            first = np.argpartition(best, m - 1)[:m]
            near[s] = first[np.argsort(best[first], kind="stable")]
    return near


@njit(cache=True)
def _sums(d, twin, point, forth, back, begin):  # type: ignore[no-untyped-def]
    """Lengths of the tour up to each position, as driven and as driven the other way, from ``begin`` on."""
    for i in range(begin, len(point) - 1):
        forth[i + 1] = forth[i] + d[point[i], point[i + 1]]
        back[i + 1] = back[i] + d[twin[point[i + 1]], twin[point[i]]]


@njit(cache=True)
def _turn(stop, point, at, twin, i, j):  # type: ignore[no-untyped-def]
    """Turn the stops from position i to j round."""
    while i <= j:
        stop[i], stop[j] = stop[j], stop[i]
        a, b = twin[point[i]], twin[point[j]]
        point[i], point[j] = b, a
        if i == j:
            point[i] = a
        at[stop[i]], at[stop[j]] = i, j
        i, j = i + 1, j - 1


@njit(cache=True)
def _flip(stop, point, i, j):  # type: ignore[no-untyped-def]
    """Write the stops from position i to j backwards, headings as they are."""
    while i < j:
        s, p = stop[i], point[i]
        stop[i], point[i] = stop[j], point[j]
        stop[j], point[j] = s, p
        i += 1
        j -= 1


@njit(cache=True)
def _keep(stop, point, kept_stop, kept_point):  # type: ignore[no-untyped-def]
    """Write one tour over another."""
    for q in range(len(stop)):
        kept_stop[q] = stop[q]
        kept_point[q] = point[q]


@njit(cache=True)
def _shift(stop, point, at, i, j, k):  # type: ignore[no-untyped-def]
    """Swap the neighbouring runs from i to j and from j + 1 to k."""
    _flip(stop, point, i, j)
    _flip(stop, point, j + 1, k)
    _flip(stop, point, i, k)
    for q in range(i, k + 1):
        at[stop[q]] = q


@njit(cache=True)
def _choose(d, choices, stop, point, cost, came):  # type: ignore[no-untyped-def]
    """The best point for each stop in the given order; the length."""
    n, k = choices.shape
    for i in range(1, n + 1):
        for c in range(k):
            q = choices[stop[i], c]
            cost[i, c] = np.inf
            if q < 0:
                continue
            if i == 1:
                cost[i, c] = d[point[0], q]
                continue
            for b in range(k):
                p = choices[stop[i - 1], b]
                if p >= 0 and cost[i - 1, b] + d[p, q] < cost[i, c]:
                    cost[i, c] = cost[i - 1, b] + d[p, q]
                    came[i, c] = b
    best, at = np.inf, 0
    for c in range(k):
        q = choices[stop[n], c]
        if q >= 0 and cost[n, c] + d[q, point[n + 1]] < best:
            best, at = cost[n, c] + d[q, point[n + 1]], c
    for i in range(n, 0, -1):
        point[i] = choices[stop[i], at]
        at = came[i, at]
    return best


@njit(cache=True)
def _improve_at(d, choices, twin, near, stop, point, at, forth, back, s, touched):  # type: ignore[no-untyped-def]
    """The first move found that shortens the tour at stop s; positions of its cuts in ``touched``, their number returned."""
    n = len(near)
    i = at[s]
    for v in near[s]:
        p = at[v]
        # 2-opt: s and v become neighbours by turning what lies between them
        for which in range(2):
            if which == 0:
                lo, hi = (i + 1, p) if p > i else (p + 1, i)
            else:
                lo, hi = (i, p - 1) if p > i else (p, i - 1)
            if lo < hi:
                a, b = point[lo - 1], point[hi + 1]
                old = d[a, point[lo]] + d[point[hi], b] + forth[hi] - forth[lo]
                new = d[a, twin[point[hi]]] + d[twin[point[lo]], b] + back[hi] - back[lo]
                if new < old - 1e-7:
                    _turn(stop, point, at, twin, lo, hi)
                    _sums(d, twin, point, forth, back, lo - 1)
                    touched[0], touched[1], touched[2], touched[3] = lo - 1, lo, hi, hi + 1
                    return 4
        # a run that begins or ends at s goes to before or after v
        for length in range(1, 4):
            for side in range(2):
                lo = i if side == 0 else i - length + 1
                hi = lo + length - 1
                if lo < 1 or hi > n or (lo <= p <= hi):
                    continue
                gone = (
                    d[point[lo - 1], point[lo]]
                    + d[point[hi], point[hi + 1]]
                    - d[point[lo - 1], point[hi + 1]]
                )
                inner, inner_back = forth[hi] - forth[lo], back[hi] - back[lo]
                for after in range(2):
                    x = p if after else p - 1
                    if x + 1 == lo or x == hi:
                        continue
                    a, b = point[x], point[x + 1]
                    base = gone + d[a, b] + inner
                    straight = d[a, point[lo]] + d[point[hi], b] + inner
                    turned = d[a, twin[point[hi]]] + d[twin[point[lo]], b] + inner_back
                    if min(straight, turned) < base - 1e-7:
                        if turned < straight:
                            _turn(stop, point, at, twin, lo, hi)
                        if x < lo:
                            _shift(stop, point, at, x + 1, lo - 1, hi)
                            first = x
                        else:
                            _shift(stop, point, at, lo, hi, x)
                            first = lo - 1
                        _sums(d, twin, point, forth, back, max(first, 0))
                        touched[0], touched[1] = lo - 1 if x > hi else hi, lo if x > hi else hi + 1
                        touched[2], touched[3] = at[s], at[v]
                        touched[4], touched[5] = x, x + 1
                        return 6
        # s alone goes beside v and is served from whichever of its points suits
        if choices.shape[1] > 1:
            gone = d[point[i - 1], point[i]] + d[point[i], point[i + 1]] - d[point[i - 1], point[i + 1]]
            for after in range(2):
                x = p if after else p - 1
                if x == i or x + 1 == i:
                    continue
                for c in range(choices.shape[1]):
                    q = choices[s, c]
                    if q < 0:
                        continue
                    if d[point[x], q] + d[q, point[x + 1]] - d[point[x], point[x + 1]] < gone - 1e-7:
                        point[i] = q
                        if x < i:
                            _shift(stop, point, at, x + 1, i - 1, i)
                        else:
                            _shift(stop, point, at, i, i, x)
                        _sums(d, twin, point, forth, back, max(min(x, i - 1), 0))
                        touched[0], touched[1], touched[2], touched[3] = i - 1, i, at[s], at[v]
                        touched[4], touched[5] = min(i + 1, n + 1), x
                        return 6
    return 0


@njit(cache=True)
def _descend(d, choices, twin, near, stop, point, at, forth, back, queue, queued, head, count):  # type: ignore[no-untyped-def]
    """Moves until none of the stops in the queue has one."""
    n = len(near)
    touched = np.zeros(6, np.int64)
    while count > 0:
        s = queue[head]
        head = (head + 1) % n
        count -= 1
        queued[s] = False
        found = _improve_at(d, choices, twin, near, stop, point, at, forth, back, s, touched)
        if found and not queued[s]:
            queue[(head + count) % n] = s
            count += 1
            queued[s] = True
        for t in range(found):
            i = touched[t]
            if 1 <= i <= n and not queued[stop[i]]:
                queue[(head + count) % n] = stop[i]
                count += 1
                queued[stop[i]] = True


@njit(cache=True)
def _greedy(d, choices, start, end):  # type: ignore[no-untyped-def]
    """Always on to the nearest stop."""
    n, k = choices.shape
    stop, point = np.full(n + 2, -1, np.int64), np.zeros(n + 2, np.int64)
    point[0], point[n + 1] = start, end
    left = np.arange(n)
    for i in range(1, n + 1):
        best, which, where = np.inf, 0, choices[left[0], 0]
        for q in range(n - i + 1):
            for c in range(k):
                p = choices[left[q], c]
                if p >= 0 and d[point[i - 1], p] < best:
                    best, which, where = d[point[i - 1], p], q, p
        stop[i], point[i] = left[which], where
        left[which] = left[n - i]
    return stop, point


@njit(cache=True)
def _search(d, choices, twin, start, end, near, kicks, chance, order):  # type: ignore[no-untyped-def]
    """The iterated local search: stops and points in order, start and end included, and the length."""
    n, k = choices.shape
    stop, point = _greedy(d, choices, start, end)
    if len(order) == n:
        stop[1 : n + 1] = order
    at = np.zeros(n, np.int64)
    for i in range(1, n + 1):
        at[stop[i]] = i
    forth, back = np.zeros(n + 2), np.zeros(n + 2)
    cost, came = np.zeros((n + 1, k)), np.zeros((n + 1, k), np.int64)
    queue, queued = stop[1 : n + 1].copy(), np.ones(n, np.bool_)
    best = _choose(d, choices, stop, point, cost, came)
    if not np.isfinite(best):
        return stop, point, best
    _sums(d, twin, point, forth, back, 0)
    _descend(d, choices, twin, near, stop, point, at, forth, back, queue, queued, 0, n)
    best = _choose(d, choices, stop, point, cost, came)
    _sums(d, twin, point, forth, back, 0)
    best_stop, best_point, now = stop.copy(), point.copy(), best
    kept_stop, kept_point = stop.copy(), point.copy()
    kicks = kicks if n >= 3 else 0
    for kick in range(kicks):
        window = min(_WINDOW, n)
        begin = 1 + draw(chance, n - window + 1)
        i = begin + draw(chance, window + 1)
        j = begin + draw(chance, window + 1)
        last = begin + draw(chance, window + 1)
        i, last = min(i, last), max(i, last)
        i, j = min(i, j), max(i, j)
        j, last = min(j, last), max(j, last)
        if i == j or j == last or last > n + 1:
            continue
        _shift(stop, point, at, i, j - 1, last - 1)
        if k > 1:
            for q in range(i, min(i + 3, last)):
                other = choices[stop[q], draw(chance, k)]
                if other >= 0:
                    point[q] = other
        _sums(d, twin, point, forth, back, i - 1)
        count = 0
        middle = i + last - j
        for q in (i - 1, i, middle - 1, middle, last - 1, last):
            if 1 <= q <= n and not queued[stop[q]]:
                queue[count] = stop[q]
                queued[stop[q]] = True
                count += 1
        _descend(d, choices, twin, near, stop, point, at, forth, back, queue, queued, 0, count)
        length = _choose(d, choices, stop, point, cost, came) if k > 1 else forth[n + 1]
        if length <= max(now, best + _SLACK * best / n * (1 - kick / kicks)):
            now = length
            _keep(stop, point, kept_stop, kept_point)
            if length < best - 1e-9:
                best = length
                _keep(stop, point, best_stop, best_point)
        else:
            _keep(kept_stop, kept_point, stop, point)
            for q in range(1, n + 1):
                at[stop[q]] = q
        _sums(d, twin, point, forth, back, 0)
    return best_stop, best_point, best
