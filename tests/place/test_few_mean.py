"""The mean of few sites among very many points: against all sets, bounds that hold, and the same as with lists."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from test_few_farthest import _small, always_few  # noqa: F401  (a fixture)

from mudcap.place import PlacementProblem, solve
from mudcap.place.few_mean import few_sites_bound, total_of


def _served(problem, sites):
    gap = problem.demand_xy[:, None, :] - problem.candidate_xy[None, list(sites), :]
    away = np.sqrt((gap**2).sum(axis=2)).min(axis=1)
    return np.minimum(np.floor(away + 1e-9) if problem.distance == "euclid_floor" else away, problem.served_m)


def _layouts(problem):
    free = np.setdiff1d(np.arange(len(problem.candidate_xy)), np.union1d(problem.fixed, problem.banned))
    rest = combinations(free.tolist(), problem.count - len(problem.fixed))
    return [(*problem.fixed.tolist(), *more) for more in rest]


def test_small_problems_against_all_layouts(always_few):  # noqa: F811
    """Weights, fixed, banned, served points and whole distances: the least mean, never below its bound."""
    for seed in range(200):
        problem = replace(_small(seed), objective="mean")
        if not problem.weights.any():
            continue
        found = solve(problem, effort="quick", seed=seed)
        best = min(np.average(_served(problem, s), weights=problem.weights) for s in _layouts(problem))
        assert len(np.unique(found.sites)) == problem.count, seed
        assert set(problem.fixed) <= set(found.sites) and not set(problem.banned) & set(found.sites), seed
        assert found.objective == pytest.approx(best, abs=1e-9), seed
        assert found.bound <= best + 1e-9, seed
        assert found.status != "optimal" or found.bound == pytest.approx(found.objective), seed


def test_bound_of_squares_within_a_cap_against_all_layouts():
    """The bound of the mean square holds for every layout that serves all within the cap."""
    seen = 0
    for seed in range(120):
        problem = replace(_small(seed), distance="euclid")
        wants = problem.weights > 0
        scores = [(_served(problem, s)[wants], s) for s in _layouts(problem)] if wants.any() else []
        if not scores:
            continue
        cap = sorted(float(away.max(initial=0)) for away, _ in scores)[len(scores) // 3] * 1.01 + 1e-9
        inside = [(float(away**2 @ problem.weights[wants]), s) for away, s in scores if away.max(initial=0) <= cap]
        best, sites = min(inside)
        worst = max(inside)[1]
        for known in (sites, worst):
            total = total_of(problem, np.array(known), power=2, cap_m=cap)
            bound = few_sites_bound(problem, np.array(known), power=2, cap_m=cap, steps=200, stop=None)
            assert best - 1e-9 <= total and bound <= best + 1e-9, seed
        seen += 1
    assert seen > 80


def test_few_among_many():
    """One site by looking at all; five proven within a thousandth; stopped ones whole; the same call, the same sites."""
    rng = np.random.default_rng(4)
    xy, weights = rng.random((1200, 2)) * 1000, rng.random(1200)
    one = solve(PlacementProblem.from_points(xy, xy, 1, weights=weights, objective="mean"), effort="quick")
    away = np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1))
    assert one.status == "optimal" and one.objective * weights.sum() == pytest.approx((away @ weights).min())
    problem = PlacementProblem.from_points(xy, xy, 5, weights=weights, objective="mean")
    five = solve(problem, effort="quick")
    assert five.objective == pytest.approx(np.average(five.distance_m, weights=weights))
    assert five.gap < 3e-3
    assert solve(problem, effort="quick").sites.tolist() == five.sites.tolist()
    stopped = solve(problem, effort="quick", start=five.sites, stop=lambda: True)
    assert stopped.stopped and stopped.objective <= five.objective + 1e-12
