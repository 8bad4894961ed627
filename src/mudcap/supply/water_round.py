"""In which order a water truck comes to its puddles and where it fills its tank: exact for few, searched and bounded for more."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mudcap.place.problem import Effort

Floats = NDArray[np.float64]

EXACT_ONE_TANK: Final = 9
"""Up to so many visits the round is exact where one tank is enough."""
EXACT_MORE: Final = 7
"""Up to so many where it is not."""
KICKS: Final[dict[Effort, int]] = {"quick": 3, "normal": 150, "long": 2000}
"""Kicks of the search up to `FEW` visits; fewer for more, since each then takes longer."""
FEW: Final = 25
_ASCENT: Final = 80
_EPS: Final = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WaterProblem:
    """Metres between the yard, the puddles and the taps, and the water that each visit takes."""

    between: Floats
    """(n, n) from puddle to puddle."""
    out: Floats
    """(n,) from the yard to each puddle by the best tap, the tank filled on the way (at the yard where there is no tap)."""
    home: Floats
    """(n,) from each puddle back to the yard."""
    refill: Floats
    """(n, n) from puddle to puddle by the best tap."""
    litres: Floats
    """(n,)"""
    tank_l: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterRound:
    """The order of the puddles, and before which ones the tank is filled."""

    order: tuple[int, ...]
    """A puddle that takes more than a tank comes several times in a row."""
    fill_before: tuple[bool, ...]
    """By place in the order; the first is True: the tank is filled on the way out."""
    metres: float
    bound_m: float
    """No round is shorter."""


def solve_round(problem: WaterProblem, *, effort: Effort = "normal", seed: int = 0) -> WaterRound:
    """The shortest round found over all puddles; `bound_m` equals `metres` where it is exact.

    Few visits are solved by dynamic programming over sets (Held & Karp 1962, J. SIAM 10:196-210, from memory), with the
    water left as part of the state. More are searched by 2-opt and moved stretches from random kicks, the tank fillings
    put in by dynamic programming; the bound is then by 1-trees (Held & Karp 1970, Oper. Res. 18:1138-1162, from memory).
    """
    visit, load = _visits(problem)
    if not len(visit):
        return WaterRound(order=(), fill_before=(), metres=0.0, bound_m=0.0)
    job = _Job(
        between=problem.between[np.ix_(visit, visit)], out=problem.out[visit], home=problem.home[visit],
        refill=problem.refill[np.ix_(visit, visit)], load=load, tank=problem.tank_l,
    )  # fmt: skip
    is_small = len(visit) <= (EXACT_ONE_TANK if load.sum() <= problem.tank_l + _EPS else EXACT_MORE)
    bound = 0.0 if is_small else _tree_bound(job)
    order = _exact(job) if is_small else _searched(job, max(3, KICKS[effort] * FEW // max(FEW, len(visit))), seed, bound)
    metres, fill = _filled(job, order)
    bound = metres if is_small else min(bound, metres)
    return WaterRound(
        order=tuple(int(visit[k]) for k in order), fill_before=tuple(fill), metres=metres, bound_m=bound
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Job:
    """The problem by visits, none of which takes more than a tank."""

    between: Floats
    out: Floats
    home: Floats
    refill: Floats
    load: Floats
    tank: float


def _visits(problem: WaterProblem) -> tuple[NDArray[np.int64], Floats]:
    """Puddle and litres of each visit."""
    visit: list[int] = []
    load: list[float] = []
    for k, litres in enumerate(problem.litres.tolist()):
        while litres > problem.tank_l * (1 + _EPS):
            visit.append(k)
            load.append(problem.tank_l)
            litres -= problem.tank_l
        visit.append(k)
        load.append(litres)
    return np.array(visit, np.int64), np.array(load, float)


def _filled(job: _Job, order: NDArray[np.int64]) -> tuple[float, list[bool]]:
    """Metres of a round in this order with the tank filled where it costs least, and before which visits."""
    n = len(order)
    step = job.between[order[:-1], order[1:]]
    by_tap = job.refill[order[:-1], order[1:]]
    drunk = np.concatenate([[0.0], np.cumsum(job.load[order])])
    best, before = np.full(n, np.inf), np.full(n, -1)
    gone = np.concatenate([[0.0], np.cumsum(step)])
    for k in range(n):  # best[k]: as far as arriving at k with a full tank
        best[k] = job.out[order[0]] if k == 0 else np.inf
        for j in range(k - 1, -1, -1):
            if drunk[k] - drunk[j] > job.tank * (1 + _EPS):
                break
            metres = best[j] + gone[k - 1] - gone[j] + by_tap[k - 1]
            if metres < best[k]:
                best[k], before[k] = metres, j
    ends = [j for j in range(n) if drunk[n] - drunk[j] <= job.tank * (1 + _EPS)]
    last = min(ends, key=lambda j: (best[j] + gone[-1] - gone[j], j))
    fill = [False] * n
    metres = float(best[last] + gone[-1] - gone[last] + job.home[order[-1]])
    while last >= 0:
        fill[last] = True
        last = int(before[last])
    return metres, fill


def _exact(job: _Job) -> NDArray[np.int64]:
    """The best order of few visits: sets of visits done, the last one, and the water drawn since the last filling."""
    n = len(job.load)
    is_one = job.load.sum() <= job.tank * (1 + _EPS)
    state: dict[tuple[int, int, float], tuple[float, tuple[int, int, float] | None]] = {
        (1 << k, k, 0.0 if is_one else float(job.load[k])): (float(job.out[k]), None) for k in range(n)
    }
    layer = list(state)
    for _ in range(n - 1):
        following: dict[tuple[int, int, float], None] = {}
        for key in layer:
            done, last, drawn = key
            metres = state[key][0]
            for k in range(n):
                if done >> k & 1:
                    continue
                ways = [(metres + job.refill[last, k], float(job.load[k]))]
                if is_one:
                    ways = [(metres + job.between[last, k], 0.0)]
                elif drawn + job.load[k] <= job.tank * (1 + _EPS):
                    ways.append((metres + job.between[last, k], round(drawn + float(job.load[k]), 6)))
                for cost, water in ways:
                    new = (done | 1 << k, k, water)
                    if cost < state.get(new, (np.inf, None))[0] - 1e-12:
                        state[new] = (float(cost), key)
                        following[new] = None
        layer = list(following)
    full = (1 << n) - 1
    step: tuple[int, int, float] | None = min(
        (s for s in state if s[0] == full), key=lambda s: (state[s][0] + job.home[s[1]], s)
    )
    order: list[int] = []
    while step is not None:
        order.append(step[1])
        step = state[step][1]
    return np.array(order[::-1], np.int64)


def _searched(job: _Job, kicks: int, seed: int, bound: float) -> NDArray[np.int64]:
    """The best order found from the nearest-neighbour round by local search and double-bridge kicks."""
    ring = _ring(job)
    tour = _descend(ring, _nearest(ring))
    best, value = tour, _filled(job, tour[1:] - 1)[0]
    plain = _length(ring, tour)
    rng = np.random.default_rng(seed)
    for _ in range(kicks):
        if value <= bound + 1e-6:
            break
        trial = _descend(ring, _kicked(tour, rng))
        length = _length(ring, trial)
        if length < plain + 1e-9:
            tour, plain = trial, length
        metres = _filled(job, trial[1:] - 1)[0]
        if metres < value - 1e-9:
            best, value = trial, metres
    back = np.concatenate([best[:1], best[:0:-1]])
    if _filled(job, back[1:] - 1)[0] < value - 1e-9:
        best = back
    return best[1:] - 1


def _ring(job: _Job) -> Floats:
    """(n + 1, n + 1) metres with the yard as number 0."""
    n = len(job.load)
    ring = np.zeros((n + 1, n + 1))
    ring[1:, 1:], ring[0, 1:], ring[1:, 0] = job.between, job.out, job.home
    return ring


def _length(ring: Floats, tour: NDArray[np.int64]) -> float:
    return float(ring[tour, np.roll(tour, -1)].sum())


def _nearest(ring: Floats) -> NDArray[np.int64]:
    left = np.ones(len(ring), bool)
    tour = [0]
    left[0] = False
    while left.any():
        tour.append(int(np.where(left, ring[tour[-1]], np.inf).argmin()))
        left[tour[-1]] = False
    return np.array(tour, np.int64)


def _kicked(tour: NDArray[np.int64], rng: np.random.Generator) -> NDArray[np.int64]:
    """Two neighbouring stretches change places (a double bridge)."""
    a, b, c = np.sort(rng.choice(np.arange(1, len(tour) + 1), 3, replace=False))
    return np.concatenate([tour[:a], tour[b:c], tour[a:b], tour[c:]])


def _descend(ring: Floats, tour: NDArray[np.int64]) -> NDArray[np.int64]:
    """2-opt and moved stretches of up to three, the best change each time, until none is left; the yard stays first."""
    while True:
        turned = _best_turn(ring, tour)
        moved = _best_move(ring, tour)
        gain, better = min((turned, moved), key=lambda change: change[0])
        if gain > -1e-7:
            return tour
        tour = better


def _best_turn(ring: Floats, tour: NDArray[np.int64]) -> tuple[float, NDArray[np.int64]]:
    """Change of length and the tour when the best stretch is gone the other way; one-way roads count."""
    n = len(tour)
    following = np.append(tour[1:], tour[0])
    ahead = np.concatenate([[0.0], np.cumsum(ring[tour[:-1], tour[1:]])])
    back = np.concatenate([[0.0], np.cumsum(ring[tour[1:], tour[:-1]])])
    i, j = np.arange(1, n)[:, None], np.arange(1, n)[None, :]
    change = (
        ring[tour[i - 1], tour[j]] + ring[tour[i], following[j]] - ring[tour[i - 1], tour[i]]
        - ring[tour[j], following[j]] + (back[j] - back[i]) - (ahead[j] - ahead[i])
    )  # fmt: skip
    change = np.where(i < j, change, np.inf)
    at = int(change.argmin())
    a, b = at // (n - 1) + 1, at % (n - 1) + 1
    return float(change.flat[at]), np.concatenate([tour[:a], tour[a : b + 1][::-1], tour[b + 1 :]])


def _best_move(ring: Floats, tour: NDArray[np.int64]) -> tuple[float, NDArray[np.int64]]:
    """Change of length and the tour when the best stretch of up to three goes elsewhere, either way round."""
    n, best = len(tour), (np.inf, tour)
    for size in range(1, min(3, n - 2) + 1):
        for start in range(1, n - size + 1):
            piece = tour[start : start + size]
            rest = np.concatenate([tour[:start], tour[start + size :]])
            onward = np.append(rest[1:], rest[0])
            gap = ring[rest, onward]
            cut = ring[tour[start - 1], piece[0]] + ring[piece[-1], tour[(start + size) % n]] - gap[start - 1]
            for part in (piece, piece[::-1])[: 1 if size == 1 else 2]:
                inner = ring[part[:-1], part[1:]].sum() - ring[piece[:-1], piece[1:]].sum()
                change = ring[rest, part[0]] + ring[part[-1], onward] - gap - cut + inner
                k = int(change.argmin())
                if change[k] < best[0] - 1e-12:
                    best = float(change[k]), np.concatenate([rest[: k + 1], part, rest[k + 1 :]])
    return best


def _tree_bound(job: _Job) -> float:
    """A length that no round falls below: the best 1-tree found by an ascent over node prices; one-way pairs count as the shorter."""
    ring = _ring(job)
    ring = np.minimum(ring, ring.T)
    n = len(ring)
    if n < 3:
        return float(_filled(job, np.arange(n - 1))[0]) if n == 2 else 0.0
    price, best = np.zeros(n), 0.0
    step = float(ring.max()) / 20
    for _ in range(_ASCENT):
        length, degree = _one_tree(ring + price[:, None] + price[None, :])
        best = max(best, length - 2 * float(price.sum()))
        if (degree == 2).all():
            break
        price = price + step * (degree - 2)
        step *= 0.93
    return best * (1 - 1e-12)


def _one_tree(weight: Floats) -> tuple[float, NDArray[np.int64]]:
    """Length and degrees of the shortest tree over all but node 0 with the two shortest edges at node 0."""
    n = len(weight)
    degree = np.zeros(n, np.int64)
    near, parent = weight[1].copy(), np.ones(n, np.int64)
    left = np.ones(n, bool)
    left[:2] = False
    total = 0.0
    for _ in range(n - 2):
        k = int(np.where(left, near, np.inf).argmin())
        total += float(near[k])
        degree[k] += 1
        degree[parent[k]] += 1
        left[k] = False
        closer = weight[k] < near
        near, parent = np.where(closer, weight[k], near), np.where(closer, k, parent)
    two = np.argsort(weight[0, 1:], kind="stable")[:2] + 1
    degree[two] += 1
    degree[0] = 2
    return total + float(weight[0, two].sum()), degree
