"""The p-median search and its Lagrangian bound."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_matrix
from scipy.spatial.distance import cdist

from mudcap.place.mean import solve_mean
from mudcap.place.mean_bound import lagrange_bound
from mudcap.place.problem import PlacementProblem
from mudcap.place.swap import build_service, open_sites, total_cost
from mudcap.place.swap_anneal import anneal
from mudcap.place.swap_descent import descend
from mudcap.place.swap_local import iterate
from mudcap.place.swap_start import spread


def exact_mean_total(xy: np.ndarray, weights: np.ndarray, count: int) -> float:
    """Return the optimal p-median total by HiGHS, from the textbook model (ReVelle & Swain 1970; from memory)."""
    n = len(xy)
    cost = (cdist(xy, xy) * weights[:, None]).ravel()
    demand, site = np.divmod(np.arange(n * n), n)
    once = coo_matrix((np.ones(n * n), (demand, np.arange(n * n))), shape=(n, n * n + n))
    only_open = coo_matrix(
        (
            np.r_[np.ones(n * n), -np.ones(n * n)],
            (np.tile(np.arange(n * n), 2), np.r_[np.arange(n * n), n * n + site]),
        ),
        shape=(n * n, n * n + n),
    )
    number = np.r_[np.zeros(n * n), np.ones(n)][None, :]
    solved = milp(
        np.r_[cost, np.zeros(n)], integrality=np.r_[np.zeros(n * n), np.ones(n)], bounds=Bounds(0, 1),
        constraints=[LinearConstraint(once, 1, 1), LinearConstraint(only_open, -np.inf, 0), LinearConstraint(number, count, count)],
    )  # fmt: skip
    return float(solved.fun)


@pytest.mark.parametrize(("seed", "count"), [(1, 4), (2, 7), (3, 10)])
def test_search_and_bound_meet_an_exact_model(seed: int, count: int) -> None:
    """50 weighted points: the search finds the optimum of an integer program, the bound is within 2 % below it."""
    rng = np.random.default_rng(seed)
    xy, weights = rng.random((50, 2)) * 100, rng.integers(1, 9, 50).astype(float)
    best = exact_mean_total(xy, weights, count) / weights.sum()
    found = solve_mean(PlacementProblem.from_points(xy, xy, count, weights, objective="mean"), effort="quick")
    assert found.level.value == pytest.approx(best, rel=1e-9)
    assert found.level.bound is not None
    assert 0.98 * best <= found.level.bound <= best * (1 + 1e-9)


@pytest.mark.parametrize("power", [1, 2])
def test_bound_stays_below_every_layout_whatever_the_value_given(power: int) -> None:
    """The value given scales the steps only: far too small or too large, the bound remains a bound."""
    rng = np.random.default_rng(7)
    xy = rng.random((60, 2)) * 100
    problem = PlacementProblem.from_points(xy, xy, 6, objective="mean")
    service = build_service(problem, power=power)
    layout = open_sites(service, spread(problem, service))
    descend(service, layout)
    layout, _ = iterate(service, layout, rounds=500)
    best = total_cost(service, layout)
    for value in (0.1 * best, best, 10 * best):
        assert lagrange_bound(service, 6, value, layout.second_cost, steps=300).total <= best * (1 + 1e-9)


def test_short_lists_give_valid_bounds_too() -> None:
    """With lists cut to the nearest few the bound is lower, never above the best layout."""
    rng = np.random.default_rng(8)
    xy = rng.random((80, 2)) * 100
    problem = PlacementProblem.from_points(xy, xy, 8, objective="mean")
    whole, cut = build_service(problem, power=1, num_near=80), build_service(problem, power=1, num_near=12)
    layout = open_sites(whole, spread(problem, whole))
    layout, _ = iterate(whole, layout, rounds=1000)
    best = total_cost(whole, layout)
    bounds = [lagrange_bound(s, 8, best, layout.second_cost, steps=400).total for s in (cut, whole)]
    assert bounds[0] <= best * (1 + 1e-9) and bounds[1] <= best * (1 + 1e-9)


def test_layout_keeps_its_books() -> None:
    """After annealing, descent and local search, the kept services equal those found from nothing."""
    rng = np.random.default_rng(9)
    xy = rng.random((200, 2)) * 100
    problem = PlacementProblem.from_points(xy, xy, 15, objective="mean", fixed=[3, 5], banned=[8, 9])
    service = build_service(problem, power=2)
    layout = open_sites(service, spread(problem, service))
    costs = [total_cost(service, layout)]
    anneal(service, layout, moves=20_000, hot=50.0, cold=1.0, seed=1)
    descend(service, layout)
    costs.append(total_cost(service, layout))
    layout, stopped = iterate(service, layout, rounds=300, hot=5.0)
    costs.append(total_cost(service, layout))
    fresh = open_sites(service, np.sort(layout.sites).astype(np.int64))
    np.testing.assert_allclose(layout.first_cost, fresh.first_cost)
    np.testing.assert_allclose(layout.second_cost, fresh.second_cost)
    assert not stopped and costs == sorted(costs, reverse=True)
    assert {3, 5} <= set(layout.sites.tolist()) and not {8, 9} & set(layout.sites.tolist())
    away = cdist(xy, xy[layout.sites]).min(axis=1)
    assert total_cost(service, layout) == pytest.approx((away**2).sum())


def test_whole_numbers_round_the_bound_up() -> None:
    """With distances rounded down the total is whole, and so is the bound."""
    rng = np.random.default_rng(3)
    xy = rng.random((60, 2)) * 1000
    level = solve_mean(
        PlacementProblem.from_points(xy, xy, 12, objective="mean", distance="euclid_floor"), effort="quick"
    ).level
    assert level.bound is not None
    assert level.bound * 60 == pytest.approx(round(level.bound * 60), abs=1e-6)


def test_no_weight_costs_nothing() -> None:
    """Points that want nothing make an optimum of zero."""
    level = solve_mean(
        PlacementProblem.from_points([(0, 0), (5, 5)], [(1, 1)], 1, [0.0], objective="mean")
    ).level
    assert (level.value, level.status) == (0.0, "optimal")
