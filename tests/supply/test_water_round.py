"""The water truck's order: right by trying all, bounded, and never with more water than the tank holds."""

from __future__ import annotations

from itertools import permutations, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mudcap.supply import water_round
from mudcap.supply.water_round import WaterProblem, WaterRound, solve_round


def problem(seed: int, n: int, *, tank_l: float = 1000.0, taps: int = 0, is_one_way: bool = False) -> WaterProblem:
    """Puddles of 100 L, a yard and taps on a small square; shortest distances, one-way on request."""
    rng = np.random.default_rng(seed)
    at = rng.random((n + 1 + taps, 2)) * 100
    away = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1))
    if is_one_way:
        away = away * rng.uniform(1.0, 1.6, away.shape)
        for k in range(len(at)):
            away = np.minimum(away, away[:, k : k + 1] + away[k : k + 1])
    p = slice(1, n + 1)
    tap = range(n + 1, n + 1 + taps) if taps else [0]
    by_tap = np.min([away[:, [t]] + away[[t]] for t in tap], axis=0)
    return WaterProblem(
        between=away[p, p], out=by_tap[0, p], home=away[p, 0], refill=by_tap[p, p], litres=np.full(n, 100.0), tank_l=tank_l
    )


def length(job: WaterProblem, order: tuple[int, ...], fill: tuple[bool, ...]) -> float:
    """Metres of a round as it is told."""
    metres = job.out[order[0]] + job.home[order[-1]]
    for a, b, full in zip(order[:-1], order[1:], fill[1:], strict=True):
        metres += job.refill[a, b] if full else job.between[a, b]
    return float(metres)


def holds(job: WaterProblem, found: WaterRound) -> bool:
    """Whether the tank never runs dry: no more puddles from one filling to the next than it has water for."""
    left, run = 0.0, []
    for k, full in zip(found.order, found.fill_before, strict=True):
        left = job.tank_l if full else left
        left -= min(job.litres[k], job.tank_l) if found.order.count(k) == 1 else 0.0
        run.append(left)
    return min(run) >= -1e-6


def all_tried(job: WaterProblem) -> float:
    """The shortest round of all orders and all fillings that the tank allows."""
    n, most = len(job.litres), int(job.tank_l // 100)
    best = np.inf
    for order in permutations(range(n)):
        for fills in product((False, True), repeat=n - 1):
            fill = (True, *fills)
            starts = [k for k, full in enumerate(fill) if full] + [n]
            if max(np.diff(starts)) <= most:
                best = min(best, length(job, order, fill))
    return best


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 10**6), n=st.integers(1, 5), tank_l=st.sampled_from([100.0, 200.0, 300.0, 1000.0]),
    taps=st.integers(0, 2), is_one_way=st.booleans(),
)  # fmt: skip
def test_few_puddles_are_exact(seed, n, tank_l, taps, is_one_way):
    """Against all orders and fillings; the bound is the length itself."""
    job = problem(seed, n, tank_l=tank_l, taps=taps, is_one_way=is_one_way)
    found = solve_round(job, effort="quick")
    assert sorted(found.order) == list(range(n)) and found.fill_before[0] and holds(job, found)
    assert found.metres == pytest.approx(length(job, found.order, found.fill_before))
    assert found.metres == pytest.approx(all_tried(job)) == pytest.approx(found.bound_m)


def held_karp(job: WaterProblem) -> float:
    """The shortest round with one filling, by dynamic programming over sets."""
    n = len(job.litres)
    best = {(1 << k, k): float(job.out[k]) for k in range(n)}
    for done in range(1, 1 << n):
        for last in range(n):
            if (done, last) in best:
                for k in range(n):
                    if not done >> k & 1:
                        key = (done | 1 << k, k)
                        best[key] = min(best.get(key, np.inf), best[done, last] + job.between[last, k])
    return min(best[(1 << n) - 1, k] + float(job.home[k]) for k in range(n))


@pytest.mark.parametrize("is_one_way", [False, True])
@pytest.mark.parametrize("seed", range(4))
def test_the_search_comes_to_the_optimum_of_held_and_karp(seed, is_one_way, monkeypatch):
    """Nine puddles, exactly; then by the search alone: no shorter, rarely longer, and never below the bound."""
    job = problem(seed, 9, is_one_way=is_one_way)
    best = held_karp(job)
    assert solve_round(job).metres == pytest.approx(best)
    monkeypatch.setattr(water_round, "EXACT_ONE_TANK", 0)
    found = solve_round(job, effort="normal", seed=seed)
    assert best - 1e-6 <= found.metres <= 1.01 * best
    assert found.bound_m <= best + 1e-6 and found.bound_m >= (0.75 if is_one_way else 0.93) * best


def test_a_long_round_is_bounded_and_its_fillings_fit():
    """Forty puddles, a tank for seven of them: every one once, six fillings at least."""
    job = problem(3, 40, tank_l=700.0, taps=2)
    found = solve_round(job, effort="quick")
    assert sorted(found.order) == list(range(40)) and sum(found.fill_before) >= 6 and holds(job, found)
    assert found.bound_m <= found.metres == pytest.approx(length(job, found.order, found.fill_before))


def test_a_puddle_larger_than_the_tank_is_come_to_again():
    """250 L with a tank of 100 L: three visits, a filling before each, by hand 2 × 3 × 10 m."""
    one = WaterProblem(
        between=np.zeros((1, 1)), out=np.array([10.0]), home=np.array([10.0]), refill=np.array([[20.0]]),
        litres=np.array([250.0]), tank_l=100.0,
    )  # fmt: skip
    found = solve_round(one)
    assert found.order == (0, 0, 0) and found.fill_before == (True, True, True) and found.metres == 60.0


def test_no_puddle_no_round():
    """An empty problem is an empty round."""
    none = np.empty((0, 0))
    found = solve_round(WaterProblem(between=none, out=none[0:0].ravel(), home=none.ravel(), refill=none, litres=none.ravel(), tank_l=1.0))
    assert found == WaterRound(order=(), fill_before=(), metres=0.0, bound_m=0.0)
