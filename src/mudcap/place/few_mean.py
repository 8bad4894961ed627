"""The mean levels where few sites serve very many points: distances are taken afresh each time, no lists of them are kept.

A layout comes of many descents on a part of the points and a few on all of them; a bound of the same Lagrangian prices
as elsewhere, while candidates that no layout better than the one known can use are left out one after another.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from mudcap.place.mean_bound import SAFETY
from mudcap.place.problem import Effort, PlacementProblem

Floats = NDArray[np.float64]
Sites = NDArray[np.int64]
Stop = Callable[[], bool] | None

_PART = 500
"""Candidates and points of a part."""
_FRESH, _SHAKEN = 4, 4
"""One start in so many is fresh, the others shake up to so many sites of the best."""
_SWEEPS = 200
_CHUNK = 10
_LENGTH, _MEMORY = 1.0, 0.7
_PATIENCE, _PATIENCE_SHARE = 12, 25
"""Steps without gain after which they are shortened: so many, or one in so many of all; found by trial."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FewMeanParams:
    """How much work an effort stands for; all of it counted."""

    starts: int
    """Descents on a part of the points."""
    finals: int
    """Descents on all points, from the best of those."""
    bound_steps: int
    """Steps of the Lagrangian bound."""


EFFORTS: dict[Effort, FewMeanParams] = {
    "quick": FewMeanParams(starts=60, finals=2, bound_steps=300),
    "normal": FewMeanParams(starts=600, finals=5, bound_steps=1_000),
    "long": FewMeanParams(starts=5_000, finals=30, bound_steps=5_000),
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Costs:
    """What serving each point from each candidate costs, as a formula."""

    candidate_xy: Floats
    demand_xy: Floats
    weight: Floats
    outside: Floats
    """(m,) what each point costs if no site serves it: inf where nobody outside does."""
    power: int
    is_floor: bool
    cap_m: float
    """Farthest that a site may serve."""

    def lists(self) -> tuple[Floats, Floats, Floats, Floats, Floats, Floats, int, bool, float]:
        """Return the arrays in the order that the kernels take them: coordinates apart, which the processor likes better."""
        xy, at = self.candidate_xy, self.demand_xy
        columns = (np.ascontiguousarray(a) for a in (xy[:, 0], xy[:, 1], at[:, 0], at[:, 1]))
        x, y, px, py = columns
        return x, y, px, py, self.weight, self.outside, self.power, self.is_floor, self.cap_m


def costs_of(problem: PlacementProblem, *, power: int, cap_m: float = np.inf) -> Costs:
    """Return the costs of the points that have weight; every candidate is in, the banned ones too."""
    wants = problem.weights > 0
    served = np.where(problem.served_m[wants] <= cap_m, problem.served_m[wants], np.inf)
    weight = problem.weights[wants]
    return Costs(
        candidate_xy=problem.candidate_xy, demand_xy=problem.demand_xy[wants], weight=weight,
        outside=served**power * weight, power=power, is_floor=problem.distance == "euclid_floor", cap_m=cap_m,
    )  # fmt: skip


def few_sites_mean(
    problem: PlacementProblem, params: FewMeanParams, *, seed: int, start: Sites | None, stop: Stop
) -> tuple[Sites, bool]:
    """Return sites (count,) of a small weighted sum of distances, and True if stopped."""
    costs = costs_of(problem, power=1)
    free = np.setdiff1d(np.arange(len(problem.candidate_xy)), np.union1d(problem.fixed, problem.banned))
    if problem.count == len(problem.fixed):
        return problem.fixed.copy(), False
    if problem.count == len(problem.fixed) + 1:
        outside = _first_two(problem.fixed, *costs.lists())[1]
        total = _alone(free, outside, *costs.lists())
        return np.sort(np.append(problem.fixed, free[int(total.argmin())])), False
    trials = [] if start is None else [start.copy()]
    trials += _from_parts(problem, costs, free, params, seed, stop)
    best, least, stopped = trials[0], np.inf, False
    for sites in trials:
        stopped = stopped or (stop is not None and stop())
        total = _total(sites, costs) if stopped else _descend(sites, problem.fixed, free, costs, stop)
        if total < least:
            best, least = sites, total
    return np.sort(best), stopped


def total_of(problem: PlacementProblem, sites: Sites, *, power: int, cap_m: float = np.inf) -> float:
    """Return the weighted sum of the distances (or squares) of a layout."""
    return _total(sites, costs_of(problem, power=power, cap_m=cap_m))


def _total(sites: Sites, costs: Costs) -> float:
    return float(_first_two(sites, *costs.lists())[1].sum())


def _from_parts(
    problem: PlacementProblem, costs: Costs, free: Sites, params: FewMeanParams, seed: int, stop: Stop
) -> list[Sites]:
    """The best different layouts of descents on a part of the candidates and points.

    Each point has the weight of all that are nearest to it.
    """
    rng = np.random.default_rng(seed)
    spots = rng.permutation(len(costs.weight))[:_PART]
    _, near = cKDTree(costs.demand_xy[spots]).query(costs.demand_xy)
    heavy = np.bincount(near, costs.weight, len(spots)).astype(float)
    # of points at one place a single one has all the weight
    spots, heavy = spots[heavy > 0], heavy[heavy > 0]
    unit = costs.outside[spots] / costs.weight[spots]
    allowed = free[rng.permutation(len(free))[: max(_PART, 4 * problem.count)]]
    part = Costs(
        candidate_xy=costs.candidate_xy, demand_xy=costs.demand_xy[spots], weight=heavy,
        outside=unit * heavy, power=costs.power, is_floor=False, cap_m=np.inf,
    )  # fmt: skip
    found: dict[tuple[int, ...], float] = {}
    best, least, num_free = np.empty(0, np.int64), np.inf, problem.count - len(problem.fixed)
    for trial in range(params.starts):
        if found and stop is not None and stop():
            break
        sites = np.concatenate([problem.fixed, rng.permutation(allowed)[:num_free]])
        if trial >= params.starts // _FRESH:
            # shake a few sites of the best
            kept = rng.permutation(best[len(problem.fixed) :])[min(num_free, int(rng.integers(1, _SHAKEN + 1))) :]
            more = rng.permutation(np.setdiff1d(allowed, kept))[: num_free - len(kept)]
            sites = np.concatenate([problem.fixed, kept, more])
        total = _descend(sites, problem.fixed, allowed, part, None)
        found[tuple(np.sort(sites).tolist())] = total
        if total <= least:
            best, least = sites, total
    chosen = sorted(found, key=lambda sites: (found[sites], sites))[: params.finals]
    return [np.array(sites, np.int64) for sites in chosen]


def _descend(sites: Sites, fixed: Sites, free: Sites, costs: Costs, stop: Stop) -> float:
    """Improve the sites in place until no exchange of one for a candidate helps; return their total."""
    is_fixed = np.isin(sites, fixed)
    total = np.zeros(1)
    for _ in range(_SWEEPS):
        done = _sweep(sites, is_fixed, free, total, *costs.lists())
        if not done or (stop is not None and stop()):
            break
    return float(total[0])


def few_sites_bound(
    problem: PlacementProblem, sites: Sites, *, power: int, cap_m: float = np.inf, steps: int, stop: Stop
) -> float:
    """Return a lower bound on the total cost of any layout within the cap, at most that of ``sites``.

    A candidate is left out of the search for prices where any layout with it costs at least as much as ``sites``.

    References: as for ``mean_bound.lagrange_bound``; leaving candidates out by their price: Beasley 1993, European Journal of
    Operational Research 65:383-399 (from memory).
    """
    costs = costs_of(problem, power=power, cap_m=cap_m)
    _, first, second, _ = _first_two(sites, *costs.lists())
    value = float(first.sum())
    far = np.where(np.isfinite(second), second, 4.0**power * np.maximum(first, value / len(first)))
    patience = max(_PATIENCE, steps // _PATIENCE_SHARE)
    ascent = _Ascent(problem, costs, value, np.minimum(far, costs.outside), patience)
    for step in range(steps):
        if (step % _CHUNK == 0 and stop is not None and stop()) or not ascent.climb():
            break
    return min(max(ascent.bound, 0.0), value)


class _Ascent:
    """Deflected subgradient steps on the prices of the points."""

    def __init__(self, problem: PlacementProblem, costs: Costs, value: float, price: Floats, patience: int) -> None:
        self.patience = patience
        self.costs, self.value, self.price = costs, value, price
        self.fixed, self.num_free = problem.fixed, problem.count - len(problem.fixed)
        self.free = np.setdiff1d(np.arange(len(problem.candidate_xy)), np.union1d(problem.fixed, problem.banned))
        self.bound, self.best_price = -np.inf, price.copy()
        self.slope = np.zeros(len(price))
        self.length, self.idle = _LENGTH, 0
        self.lists = costs.lists()

    def climb(self) -> bool:
        """One step; False where there is nothing to gain."""
        held, worth = (_worth(numbers, self.price, *self.lists) for numbers in (self.fixed, self.free))
        order = np.argpartition(worth, min(self.num_free, len(worth) - 1)) if self.num_free else np.empty(0, np.int64)
        chosen = order[: self.num_free]
        size = float(np.abs(self.price).sum() - held.sum() - worth.sum())
        bound = float(self.price.sum() + held.sum() + worth[chosen].sum()) - SAFETY * size
        self._note(bound)
        if self.value - self.bound <= 1e-9 * abs(self.value) or self.length < 1e-3:
            return False
        open_now = np.concatenate([self.fixed, self.free[chosen]])
        self._leave_out(bound, worth, chosen)
        if self.idle >= self.patience:
            self.length, self.idle = self.length * 0.6, 0
            self.price, self.slope = self.best_price.copy(), np.zeros(len(self.price))
            return True
        gradient = 1.0 - _times_served(open_now, self.price, *self.lists)
        self.slope = _MEMORY * self.slope + (1 - _MEMORY) * gradient
        norm = float(self.slope @ self.slope)
        if norm == 0.0:
            return False
        move = self.length * max(self.value - bound, 1e-6 * abs(self.value)) / norm
        self.price = np.minimum(self.costs.outside, self.price + move * self.slope)
        return True

    def _note(self, bound: float) -> None:
        if bound > self.bound:
            self.idle = 0 if bound - self.bound > 1e-5 * abs(self.value) else self.idle + 1
            self.bound, self.best_price = bound, self.price.copy()
        else:
            self.idle += 1

    def _leave_out(self, bound: float, worth: Floats, chosen: Sites) -> None:
        if not 0 < self.num_free < len(self.free):
            return
        dearest = worth[chosen].max()
        keep = bound - dearest + worth < self.value * (1 - 1e-12)
        keep[chosen] = True
        self.free = self.free[keep]


@njit(cache=True)
def _cost(x, y, px, py, weight, power, is_floor, cap_m):  # type: ignore[no-untyped-def]
    square = (px - x) * (px - x) + (py - y) * (py - y)
    if power == 2 and not is_floor:
        return square * weight if square <= cap_m * cap_m else np.inf
    away = np.sqrt(square)
    if is_floor:
        away = np.floor(away + 1e-9)
    if away > cap_m:
        return np.inf
    return away * weight if power == 1 else away * away * weight


@njit(cache=True)
def _first_two(sites, x, y, px, py, weight, outside, power, is_floor, cap_m):  # type: ignore[no-untyped-def]
    """Place in ``sites`` of the nearest (-1: outside), its cost, that of the second nearest; and what closing each site costs."""
    m = len(px)
    nearest = np.full(m, -1, np.int64)
    first, second, loss = outside.copy(), outside.copy(), np.zeros(len(sites))
    for j in range(m):
        for s in range(len(sites)):
            i = sites[s]
            cost = _cost(x[i], y[i], px[j], py[j], weight[j], power, is_floor, cap_m)
            if cost < first[j]:
                nearest[j], second[j], first[j] = s, first[j], cost
            elif cost < second[j]:
                second[j] = cost
        if nearest[j] >= 0:
            loss[nearest[j]] += second[j] - first[j]
    return nearest, first, second, loss


@njit(cache=True)
def _alone(free, first, x, y, px, py, weight, outside, power, is_floor, cap_m):  # type: ignore[no-untyped-def]
    """Total cost with each of the candidates added to what serves already."""
    total = np.zeros(len(free))
    for a in range(len(free)):
        i = free[a]
        for j in range(len(px)):
            total[a] += min(first[j], _cost(x[i], y[i], px[j], py[j], weight[j], power, is_floor, cap_m))
    return total


@njit(cache=True)
def _sweep(sites, is_fixed, free, total, x, y, px, py, weight, outside, power, is_floor, cap_m):  # type: ignore[no-untyped-def]
    """Try each candidate once against its best partner; return the number of exchanges, and fill in the total."""
    nearest, first, second, loss = _first_two(sites, x, y, px, py, weight, outside, power, is_floor, cap_m)
    total[0] = first.sum()
    is_open = np.zeros(len(x), np.bool_)
    is_open[sites] = True
    extra = np.zeros(len(sites))
    done = 0
    for i in free:
        if is_open[i]:
            continue
        gain = 0.0
        extra[:] = 0.0
        for j in range(len(px)):
            cost = _cost(x[i], y[i], px[j], py[j], weight[j], power, is_floor, cap_m)
            if cost < second[j]:
                if cost < first[j]:
                    gain += first[j] - cost
                if nearest[j] >= 0:
                    extra[nearest[j]] += second[j] - max(cost, first[j])
        best, at = 1e-10 * total[0], -1
        for s in range(len(sites)):
            if not is_fixed[s] and gain - loss[s] + extra[s] > best:
                best, at = gain - loss[s] + extra[s], s
        if at >= 0:
            is_open[sites[at]] = False
            is_open[i] = True
            sites[at] = i
            done += 1
            nearest, first, second, loss = _first_two(
                sites, x, y, px, py, weight, outside, power, is_floor, cap_m
            )
            total[0] = first.sum()
    return done


@njit(cache=True, fastmath={"reassoc", "contract", "nsz"})
def _worth(numbers, price, x, y, px, py, weight, outside, power, is_floor, cap_m):  # type: ignore[no-untyped-def]
    """What opening each candidate saves at these prices (never positive)."""
    worth = np.zeros(len(numbers))
    m = len(px)
    limit = cap_m * cap_m
    for a in range(len(numbers)):
        u, v = x[numbers[a]], y[numbers[a]]
        saved = 0.0
        if power == 1 and not is_floor and np.isinf(cap_m):
            for j in range(m):
                square = (px[j] - u) * (px[j] - u) + (py[j] - v) * (py[j] - v)
                saved += min(np.sqrt(square) * weight[j] - price[j], 0.0)
        elif power == 2 and not is_floor:
            for j in range(m):
                square = (px[j] - u) * (px[j] - u) + (py[j] - v) * (py[j] - v)
                gain = min(square * weight[j] - price[j], 0.0)
                saved += gain if square <= limit else 0.0
        else:
            for j in range(m):
                saved += min(_cost(u, v, px[j], py[j], weight[j], power, is_floor, cap_m) - price[j], 0.0)
        worth[a] = saved
    return worth


@njit(cache=True)
def _times_served(numbers, price, x, y, px, py, weight, outside, power, is_floor, cap_m):  # type: ignore[no-untyped-def]
    """How many of the candidates serve each point for less than its price."""
    times = np.zeros(len(px))
    for i in numbers:
        for j in range(len(px)):
            if _cost(x[i], y[i], px[j], py[j], weight[j], power, is_floor, cap_m) < price[j]:
                times[j] += 1.0
    return times
