"""A bracket on the farthest distance: the best sites so far above, the largest radius proven too small below."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from mudcap.place.bounds import counting_price, linear_price, needed_columns, solve_cover
from mudcap.place.cover import ReducedCover, cover_at, reduce
from mudcap.place.cover_search import greedy_columns, search_cover
from mudcap.place.near import Floats, Near

Columns = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ground:
    """Demand points that need a site, candidates that may be one, and the radii that matter between them."""

    near: Near
    """Pairs up to at least the radius of the first sites known."""
    base_m: Floats
    """(rows,) distance [m] at which each demand point is served already, by a fixed site or one outside."""
    count: int
    """Number of sites to choose, at least 1."""
    run_low: Floats
    """Smallest distance of each run of equal ones, ascending."""
    run_high: Floats
    """Largest distance of each run of equal ones: the radius that takes in the whole run."""

    def reduced_at(self, k: int) -> ReducedCover | None:
        """Return the cover at radius number ``k``, thinned out; None where that shows it to be too small."""
        rows = self.base_m > self.run_high[k] + self.near.tolerance_m
        cover = cover_at(self.near, self.run_high[k], rows, np.ones(self.near.num_candidates, np.bool_))
        if cover.has_hopeless_row:
            return None
        small = reduce(cover)
        left = self.count - len(small.forced)
        return small if left > 0 or (left == 0 and small.cover.num_rows == 0) else None


@dataclass(slots=True, kw_only=True, eq=False)
class Bracket:
    """Where the optimum lies: above radius number ``low``, at most at number ``high``, which ``sites`` reach."""

    ground: Ground
    sites: Columns
    value: float
    high: int
    low: int = -1

    @property
    def is_closed(self) -> bool:
        """True where the sites are proven optimal."""
        return self.high - self.low <= 1

    @property
    def bound(self) -> float:
        """The certified lower bound [m]."""
        return self.value if self.is_closed else float(self.ground.run_low[self.low + 1])

    def offer(self, columns: Columns) -> bool:
        """Take these sites, filled up to the count, where they are better; return whether they are."""
        sites, value = fill_up(self.ground, columns)
        if value >= self.value:
            return False
        self.sites, self.value = sites, value
        self.high = min(self.high, radius_number(self.ground, value))
        return True

    def reject(self, k: int) -> None:
        """Note that radius number ``k`` is proven too small."""
        self.low = max(self.low, k)


def make_ground(near: Near, base_m: Floats, count: int) -> Ground:
    """Return the ground with its radii: all distances between its points, and those served already."""
    values = np.unique(np.concatenate([near.demand_m, base_m[base_m <= near.radius_m]]))
    step = np.flatnonzero(np.diff(values) > near.tolerance_m)
    return Ground(
        near=near, base_m=base_m, count=count,
        run_low=values[np.concatenate([[0], step + 1])],
        run_high=values[np.concatenate([step, [len(values) - 1]])],
    )  # fmt: skip


def radius_number(ground: Ground, value: float) -> int:
    """Return the number of the run of radii that ``value`` belongs to."""
    return int(np.searchsorted(ground.run_high, value - ground.near.tolerance_m))


def fill_up(ground: Ground, columns: Columns) -> tuple[Columns, float]:
    """Return the columns, filled up to the count where distances are worst, and the farthest distance [m]."""
    near = ground.near
    chosen = np.zeros(near.num_candidates, np.bool_)
    chosen[columns] = True
    away = ground.base_m.copy()
    _serve(near.candidate_ptr, near.candidate_demand, near.candidate_m, np.flatnonzero(chosen), away)
    spare = ground.count - int(chosen.sum())
    if spare > 0:
        _fill(
            near.demand_ptr, near.demand_candidate, near.demand_m,
            near.candidate_ptr, near.candidate_demand, near.candidate_m, chosen, away, spare,
        )  # fmt: skip
    return np.flatnonzero(chosen), float(away.max())


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """What a look at one radius gave: impossible, reached (by these columns), or only an estimate of the need."""

    is_impossible: bool = False
    columns: Columns | None = None
    need: float = np.inf
    """Number of sites that the proof asks for, before rounding up."""


def weigh(ground: Ground, k: int, *, iterations: int) -> Proof:
    """Return what reductions, counting and (with ``iterations``) the linear relaxation say of radius ``k``."""
    small = ground.reduced_at(k)
    if small is None:
        return Proof(is_impossible=True)
    left = ground.count - len(small.forced)
    if small.cover.num_rows == 0:
        return Proof(columns=small.forced, need=float(len(small.forced)))
    counted = needed_columns(small.cover, counting_price(small.cover))
    if iterations and not counted.exceeds(left):
        counted = needed_columns(small.cover, linear_price(small.cover, iterations=iterations))
    return Proof(is_impossible=counted.exceeds(left), need=len(small.forced) + counted.fractional)


def raise_low(bracket: Bracket, *, iterations: int, trials: int, precision: float) -> None:
    """Move the low end up by at most ``trials`` relaxations, until the two ends of what they say are near enough."""
    ground = bracket.ground
    radius, count = ground.run_high, ground.count
    upper, upper_need, lower_need = bracket.high, 0.0, np.inf
    for trial in range(trials):
        if upper - bracket.low <= 1:
            return
        if bracket.low >= 0 and radius[upper] - radius[bracket.low] < precision * radius[upper]:
            return
        k = (bracket.low + upper) // 2
        if trial % 3 < 2 and 0 < upper_need < lower_need < np.inf:
            # the need falls like a power of the radius: aim where it just exceeds the count
            share = np.log(lower_need / (count * 1.0003)) / np.log(lower_need / upper_need)
            aim = radius[bracket.low] * (radius[upper] / radius[bracket.low]) ** share
            k = int(np.searchsorted(radius, aim))
        k = min(max(k, bracket.low + 1), upper - 1)
        proof = weigh(ground, k, iterations=iterations)
        if proof.is_impossible:
            bracket.reject(k)
            lower_need = proof.need
        else:
            if proof.columns is not None:
                bracket.offer(proof.columns)
            upper, upper_need = min(k, bracket.high), proof.need


def lower_high(
    bracket: Bracket, *, steps: int, probe: int, seed: int, is_exact: Callable[[Bracket], bool],
    stop: Callable[[], bool],
) -> None:  # fmt: skip
    """Move the high end down by tabu search, in leaps that shrink where it fails, for at most ``steps`` swaps.

    ``is_exact`` is called where the search fails right below the best; it returns True where it moved an end.
    """
    leap, spent, attempt = max((bracket.high - bracket.low) // 2, 1), 0, 0
    budget = probe
    while not bracket.is_closed and spent < steps and not stop():
        k = max(bracket.high - leap, bracket.low + 1)
        attempt += 1
        swaps, is_reached = _attempt(bracket, k, min(budget, steps - spent), seed * 1000 + attempt, stop)
        spent += max(swaps, 1)
        if is_reached:
            leap = max(min(leap, (bracket.high - bracket.low) // 2), 1)
        elif leap > 1:
            leap = max(leap // 3, 1)
            budget = budget * 5 // 4
        elif not is_exact(bracket):
            budget *= 2


def _attempt(
    bracket: Bracket, k: int, steps: int, seed: int, stop: Callable[[], bool]
) -> tuple[int, bool]:
    """Return the swaps spent on radius ``k`` and whether better sites came of them."""
    ground = bracket.ground
    small = ground.reduced_at(k)
    if small is None:
        bracket.reject(k)
        return 0, False
    left = ground.count - len(small.forced)
    place = np.full(ground.near.num_candidates, -1)
    place[small.cover.column_candidate] = np.arange(small.cover.num_columns)
    begin = np.unique(place[small.stands_for[bracket.sites]])
    begin = begin[begin >= 0][:left]
    columns = greedy_columns(small.cover, seed=seed, begin=begin)[:left]
    found = search_cover(small.cover, columns, steps=steps, seed=seed, stop=stop)
    sites = np.concatenate([small.forced, small.cover.column_candidate[found.columns]])
    return found.steps, bracket.offer(sites)


@dataclass(frozen=True, slots=True, kw_only=True)
class ExactParams:
    """Where branch and bound is worth trying, and how long."""

    work: int
    """Nodes times entries of the cover at one radius."""
    nonzeros: int
    """Largest number of entries."""
    gap_share: float
    """Largest gap between count and relaxation, as a share of the count, over the one site that is always allowed."""
    iterations: int
    """Steps of the relaxation that measures the gap."""


def settle(bracket: Bracket, k: int, params: ExactParams) -> bool:
    """Return whether branch and bound moved an end of the bracket at radius ``k``, where it is worth trying."""
    ground = bracket.ground
    small = ground.reduced_at(k)
    if small is None:
        bracket.reject(k)
        return True
    if small.cover.num_rows == 0:
        return bracket.offer(small.forced)
    left, nonzeros = ground.count - len(small.forced), len(small.cover.row_column)
    if nonzeros > params.nonzeros:
        return False
    need = needed_columns(small.cover, linear_price(small.cover, iterations=params.iterations))
    if need.exceeds(left):
        bracket.reject(k)
        return True
    if left - need.fractional > params.gap_share * ground.count + 1.0:
        return False
    answer = solve_cover(small.cover, left, nodes=max(params.work // nonzeros, 1))
    if answer.is_impossible:
        bracket.reject(k)
    if answer.columns is not None:
        return bracket.offer(np.concatenate([small.forced, small.cover.column_candidate[answer.columns]]))
    return answer.is_impossible


@njit(cache=True)
def _serve(candidate_ptr, candidate_demand, candidate_m, sites, away):  # type: ignore[no-untyped-def]
    for c in sites:
        for k in range(candidate_ptr[c], candidate_ptr[c + 1]):
            i = candidate_demand[k]
            away[i] = min(away[i], candidate_m[k])


@njit(cache=True)
def _fill(  # type: ignore[no-untyped-def]
    demand_ptr, demand_candidate, demand_m, candidate_ptr, candidate_demand, candidate_m, chosen, away, spare
):
    """Add sites at the farthest points one by one, then anywhere."""
    hopeless = np.zeros(len(away), np.bool_)
    one = np.empty(1, np.int64)
    while spare > 0:
        worst = -1
        for i in range(len(away)):
            if not hopeless[i] and (worst < 0 or away[i] > away[worst]):
                worst = i
        if worst < 0:
            break
        site = -1
        for k in range(demand_ptr[worst], demand_ptr[worst + 1]):
            if demand_m[k] >= away[worst]:
                break
            if not chosen[demand_candidate[k]]:
                site = demand_candidate[k]
                break
        if site < 0:
            hopeless[worst] = True
            continue
        chosen[site] = True
        spare -= 1
        one[0] = site
        _serve(candidate_ptr, candidate_demand, candidate_m, one, away)
    for c in range(len(chosen)):
        if spare > 0 and not chosen[c]:
            chosen[c] = True
            spare -= 1
            one[0] = c
            _serve(candidate_ptr, candidate_demand, candidate_m, one, away)
