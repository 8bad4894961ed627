"""Few sites among very many points: the same optimum as by trying all sets, proven, and bounds that hold."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from mudcap.place import PlacementProblem, solve
from mudcap.place.farthest import EFFORTS, solve_farthest
from mudcap.place.few_cover import search_few, thin_out
from mudcap.place.few_farthest import FewParams, are_few


@pytest.fixture
def always_few(monkeypatch):
    """Let small problems take the way of few sites as well."""
    monkeypatch.setattr("mudcap.place.few_farthest._CANDIDATES_A_SITE", 0)


def _away(problem):
    gap = problem.demand_xy[:, None, :] - problem.candidate_xy[None, :, :]
    away = np.sqrt((gap**2).sum(axis=2))
    return np.floor(away + 1e-9) if problem.distance == "euclid_floor" else away


def _value(problem, sites):
    served = np.minimum(problem.served_m, _away(problem)[:, list(sites)].min(axis=1))
    return float(served[problem.weights > 0].max(initial=0.0))


def _small(seed):
    rng = np.random.default_rng(seed)
    n, m = int(rng.integers(3, 15)), int(rng.integers(1, 40))
    points = rng.integers(0, 7, (n + m, 2)).astype(float) if seed % 3 == 0 else rng.random((n + m, 2)) * 50
    order = rng.permutation(n)
    num_fixed, num_banned = (int(rng.integers(0, 3)) if n > 6 else 0 for _ in range(2))
    count = int(rng.integers(max(num_fixed, 1), min(6, n - num_banned) + 1))
    served = np.where(rng.random(m) < 0.3, rng.random(m) * 20, np.inf) if seed % 2 else None
    return PlacementProblem.from_points(
        points[:n], points[n:], count, weights=(rng.random(m) > 0.1).astype(float), fixed=order[:num_fixed].tolist(),
        banned=order[n - num_banned :].tolist(), served_m=served, objective="farthest",
        distance="euclid_floor" if seed % 5 == 2 else "euclid",
    )  # fmt: skip


def test_small_problems_against_all_layouts(always_few):
    """Fixed, banned, weightless, served points and whole distances: the least of all, and known to be it."""
    for seed in range(250):
        problem = _small(seed)
        found = solve(problem, effort="quick", seed=seed)
        free = np.setdiff1d(np.arange(len(problem.candidate_xy)), np.union1d(problem.fixed, problem.banned))
        rest = combinations(free.tolist(), problem.count - len(problem.fixed))
        best = min(_value(problem, (*problem.fixed.tolist(), *more)) for more in rest)
        assert len(np.unique(found.sites)) == problem.count, seed
        assert set(problem.fixed) <= set(found.sites) and not set(problem.banned) & set(found.sites), seed
        assert found.objective == pytest.approx(_value(problem, found.sites), abs=1e-9), seed
        assert found.objective == pytest.approx(best, abs=1e-6), seed
        assert found.bound <= best + 1e-6 and found.status == "optimal", seed


def _cloud(num_points, count, seed=0, **more):
    xy = np.random.default_rng(seed).random((num_points, 2)) * 1000
    return PlacementProblem.from_points(xy, xy, count, objective="farthest", **more)


@pytest.mark.parametrize("count", [1, 2, 5])
def test_few_among_many_are_proven(count):
    """The optimum of 1,200 points, which no set of random sites undercuts; one site by looking at all."""
    problem = _cloud(1200, count)
    assert are_few(count, 1200) and not are_few(count, 12 * count)
    found = solve(problem, effort="quick")
    assert found.status == "optimal" and found.objective == pytest.approx(_value(problem, found.sites), abs=1e-9)
    if count == 1:
        assert found.objective == pytest.approx(float(_away(problem).max(axis=0).min()), abs=1e-9)
    rng = np.random.default_rng(count)
    assert all(_value(problem, rng.choice(1200, count, replace=False)) >= found.objective - 1e-9 for _ in range(30))


def test_four_sites_on_a_lattice():
    """On 41 x 41 points a point of a quarter of 20 x 21 lies at most 10 and 11 steps from its middle."""
    xy = np.array([(i, j) for i in range(41) for j in range(41)], float)
    found = solve(PlacementProblem.from_points(xy, xy, 4, objective="farthest"), effort="quick")
    assert found.status == "optimal" and found.objective <= np.hypot(11, 10)


def test_bound_stays_below_where_nothing_is_proven():
    """With hardly any work the bound still holds against the optimum that more work proves."""
    problem = _cloud(900, 14, seed=3)
    best = solve(problem, effort="normal")
    assert best.status == "optimal"
    for covers in (1, 5, 25):
        few = FewParams(search_steps=10, nodes=1, last_nodes=1, work=0, covers=covers, precision=1e-2)
        found = solve_farthest(problem, params=replace(EFFORTS["quick"], few=few))
        assert 0 < found.level.bound <= best.objective + 1e-9 <= found.value + 2e-9


def test_stop_start_and_seed():
    """Stopped at once the sites are whole; a start is never lost; the same call gives the same sites."""
    problem = _cloud(900, 9, seed=5)
    good = solve(problem, effort="quick")
    stopped = solve(problem, effort="quick", stop=lambda: True)
    assert stopped.stopped and len(stopped.sites) == 9 and stopped.bound <= stopped.objective
    kept = solve(problem, effort="quick", start=good.sites, stop=lambda: True)
    assert kept.objective <= good.objective
    assert solve(problem, effort="quick").sites.tolist() == good.sites.tolist()


def test_search_by_prices_against_all_sets():
    """Random covers: whether so many columns do, whatever the prices; thinning out changes nothing."""
    rng = np.random.default_rng(2)
    answers = set()
    for _ in range(150):
        rows, columns, count = rng.integers(1, 9), rng.integers(1, 9), int(rng.integers(0, 5))
        matrix = rng.random((rows, columns)) < 0.4
        matrix[np.arange(rows), rng.integers(0, columns, rows)] = True
        sets = combinations(range(columns), min(count, columns))
        is_possible = any(matrix[:, list(s)].any(axis=1).all() for s in sets)
        answers.add(is_possible)
        small = thin_out(matrix)
        for price in (np.ones(len(small.matrix), np.int64), rng.integers(0, 9, len(small.matrix))):
            found, is_proven = search_few(small, count, price, nodes=10_000)
            assert is_proven and (found is not None) == is_possible
            if found is not None:
                assert len(found) <= count and matrix[:, small.column[found]].any(axis=1).all()
    assert answers == {True, False}
