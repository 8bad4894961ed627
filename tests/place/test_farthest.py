"""The farthest level: exact on small cases, never below its bound, and the same however the plane is turned."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mudcap.place.farthest import solve_farthest
from mudcap.place.problem import PlacementProblem

NUM_BRUTE = 240


def _distances(problem):
    gap = problem.demand_xy[:, None, :] - problem.candidate_xy[None, :, :]
    away = np.sqrt((gap**2).sum(axis=2))
    return np.floor(away + 1e-9) if problem.distance == "euclid_floor" else away


def _value(problem, sites):
    """Farthest distance by the definition, from the full matrix."""
    served = np.minimum(problem.served_m, _distances(problem)[:, sites].min(axis=1))
    return float(served[problem.weights > 0].max(initial=0.0))


def _brute_force(problem):
    """Least farthest distance over every choice of sites."""
    free = np.setdiff1d(np.arange(len(problem.candidate_xy)), np.union1d(problem.fixed, problem.banned))
    away, active = _distances(problem), problem.weights > 0
    best = np.inf
    for extra in combinations(free, problem.count - len(problem.fixed)):
        sites = np.concatenate([problem.fixed, np.array(extra, np.int64)])
        served = np.minimum(problem.served_m, away[:, sites].min(axis=1))
        best = min(best, served[active].max(initial=0.0))
    return float(best)


def _small_problem(seed):
    """A case of at most 14 candidates: lattices, doubles, clusters; fixed, banned, served, weightless at random."""
    rng = np.random.default_rng(seed)
    n, m = rng.integers(2, 15), rng.integers(1, 20)
    scale = float(rng.choice([1.0, 30.0, 2000.0]))
    candidates, demand = rng.random((n, 2)) * scale, rng.random((m, 2)) * scale
    if seed % 3 == 0:
        candidates, demand = np.floor(candidates * 5 / scale), np.floor(demand * 5 / scale)
    if seed % 4 == 1:
        demand = candidates.copy()
        m = n
    kind = rng.permutation(n)
    num_fixed = int(rng.integers(0, 3)) if n > 4 else 0
    num_banned = int(rng.integers(0, 3)) if n > 6 else 0
    count = int(rng.integers(max(num_fixed, 1), min(n - num_banned, num_fixed + 5) + 1))
    served = np.where(rng.random(m) < 0.2, rng.random(m) * scale / 2, np.inf) if seed % 2 else None
    return PlacementProblem.from_points(
        candidates, demand, count, weights=(rng.random(m) > 0.1).astype(float), fixed=kind[:num_fixed],
        banned=kind[num_fixed : num_fixed + num_banned], objective="farthest", served_m=served,
        distance="euclid_floor" if seed % 5 == 2 else "euclid",
    )  # fmt: skip


@pytest.mark.parametrize("effort", ["quick", "normal"])
def test_small_cases_are_solved_to_the_optimum(effort):
    """On every seeded small case the value is the brute-force optimum, and the result says so."""
    for seed in range(NUM_BRUTE):
        problem = _small_problem(seed)
        found = solve_farthest(problem, effort=effort, seed=seed)
        best = _brute_force(problem)
        assert len(np.unique(found.sites)) == problem.count, seed
        assert np.isin(problem.fixed, found.sites).all(), seed
        assert not np.isin(problem.banned, found.sites).any(), seed
        assert found.value == pytest.approx(_value(problem, found.sites), abs=1e-9), seed
        assert found.level.bound <= best + 1e-9 <= found.value + 2e-9, seed
        assert found.value == pytest.approx(best, abs=1e-6), seed
        assert found.level.status == "optimal", seed


def _cloud(seed, num_points=160, count=12):
    rng = np.random.default_rng(seed)
    return PlacementProblem.from_points(rng.random((num_points, 2)) * 100, rng.random((num_points, 2)) * 100, count)


@given(seed=st.integers(0, 10_000), angle=st.floats(0, 6.3), shift=st.floats(-5e6, 5e6), size=st.floats(0.01, 100))
@settings(max_examples=15, deadline=None)
def test_turning_shifting_and_scaling_change_nothing(seed, angle, shift, size):
    """The optimum moves with the plane."""
    plain = _cloud(seed, 60, 5)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]]) * size
    moved = PlacementProblem.from_points(
        plain.candidate_xy @ turn.T + shift, plain.demand_xy @ turn.T - 0.5 * shift + 1.5 * shift, plain.count
    )
    a, b = solve_farthest(plain), solve_farthest(moved)
    assert a.level.status == b.level.status == "optimal"
    assert b.value == pytest.approx(a.value * size, rel=1e-6, abs=1e-6)


@given(seed=st.integers(0, 10_000))
@settings(max_examples=15, deadline=None)
def test_reordering_changes_nothing(seed):
    """The optimum does not depend on the order of points."""
    plain, rng = _cloud(seed, 60, 5), np.random.default_rng(seed)
    mixed = PlacementProblem.from_points(
        rng.permutation(plain.candidate_xy), rng.permutation(plain.demand_xy), plain.count
    )
    assert solve_farthest(mixed).value == pytest.approx(solve_farthest(plain).value, abs=1e-9)


@given(seed=st.integers(0, 10_000), ban=st.sets(st.integers(0, 59), min_size=1, max_size=20))
@settings(max_examples=15, deadline=None)
def test_a_ban_never_helps_and_more_sites_never_hurt(seed, ban):
    """Fewer candidates cannot be better; one site more cannot be worse."""
    plain = _cloud(seed, 60, 5)
    parts = (plain.candidate_xy, plain.demand_xy)
    banned = PlacementProblem.from_points(*parts, 5, banned=sorted(ban))
    more = PlacementProblem.from_points(*parts, 6)
    value = solve_farthest(plain).value
    assert solve_farthest(banned).value >= value - 1e-9
    assert solve_farthest(more).value <= value + 1e-9


@pytest.mark.parametrize("effort", ["quick", "normal"])
def test_value_is_never_below_the_bound_where_nothing_is_proven(effort):
    """On larger clouds the bound stays below the value, and both belong to the sites given."""
    for seed in range(3):
        problem = _cloud(seed, 500, 100)
        found = solve_farthest(problem, effort=effort, seed=seed)
        assert 0 < found.level.bound <= found.value
        assert found.value == pytest.approx(_value(problem, found.sites), abs=1e-9)


def test_same_seed_same_sites():
    """Two runs with one seed agree in every site."""
    problem = _cloud(7, 500, 40)
    first, second = (solve_farthest(problem, effort="quick", seed=5) for _ in range(2))
    assert first.sites.tolist() == second.sites.tolist()
    assert first.level == second.level


def test_stop_keeps_the_best_so_far():
    """Stopped at the first question, the result is whole and says that it was stopped."""
    problem = _cloud(3, 700, 60)
    found = solve_farthest(problem, effort="long", stop=lambda: True)
    assert found.level.status == "stopped"
    assert len(found.sites) == problem.count
    assert found.level.bound <= found.value == pytest.approx(_value(problem, found.sites), abs=1e-9)


def test_a_good_start_is_not_lost():
    """The value is never worse than that of the start."""
    problem = _cloud(11, 400, 30)
    good = solve_farthest(problem, effort="quick", seed=4)
    again = solve_farthest(problem, effort="quick", seed=99, start=good.sites)
    assert again.value <= good.value


def _block(num_rows, num_trees, count, **more):
    row, tree = np.divmod(np.arange(num_rows * num_trees), num_trees)
    xy = np.column_stack([row * 22, tree * 18]) * 0.3048
    return PlacementProblem.from_points(xy, xy, count, **more)


def test_a_regular_block_is_proven_optimal():
    """On 4,380 trees 22 x 18 ft apart, 360 and 300 sites reach hypot(22, 36) ft, and 299 cannot."""
    reach = float(np.hypot(22, 36)) * 0.3048
    for count in (360, 300):
        found = solve_farthest(_block(60, 73, count), effort="quick")
        assert found.level.status == "optimal"
        assert found.value == pytest.approx(reach)
    assert solve_farthest(_block(60, 73, 299), effort="quick").level.bound > reach + 0.1


def test_served_and_fixed_points_need_no_site():
    """A neighbour's site and a fixed one leave the free site to the third corner."""
    xy = np.array([[0.0, 0.0], [100.0, 0.0], [0.0, 100.0]])
    problem = PlacementProblem.from_points(xy, xy, 2, fixed=[0], served_m=[np.inf, 3.0, np.inf])
    found = solve_farthest(problem)
    assert found.sites.tolist() == [0, 2]
    assert found.value == 3.0
    assert found.level.bound == 3.0


def test_more_sites_than_places_and_nobody_to_serve():
    """All at one spot: the value is 0; weights all zero: nothing to serve, still the count of sites."""
    same = np.zeros((4, 2))
    found = solve_farthest(PlacementProblem.from_points(same, same, 3))
    assert (found.value, found.level.status, len(found.sites)) == (0.0, "optimal", 3)
    idle = solve_farthest(PlacementProblem.from_points(np.eye(2), np.eye(2), 1, weights=[0, 0]))
    assert (idle.value, idle.level.status, len(idle.sites)) == (0.0, "optimal", 1)


@pytest.mark.parametrize("count", [1, 3, 8])
def test_few_sites_among_very_many_points(count, monkeypatch):
    """A growing sample of the demand gives the same optimum as all of it at once."""
    rng = np.random.default_rng(8)
    problem = PlacementProblem.from_points(rng.random((250, 2)) * 100, rng.random((400, 2)) * 100, count)
    monkeypatch.setattr("mudcap.place.farthest.are_few", lambda count, num_candidates: False)
    whole = solve_farthest(problem)
    monkeypatch.setattr("mudcap.place.farthest._DENSE_REACH", 10)
    monkeypatch.setattr("mudcap.place.farthest._DENSE_PAIRS", 1_000)
    found = solve_farthest(problem)
    assert found.value == pytest.approx(_value(problem, found.sites), abs=1e-9)
    assert found.level.status == whole.level.status == "optimal"
    assert found.value == pytest.approx(whole.value, abs=1e-9)
    if count == 1:
        assert found.value == pytest.approx(float(_distances(problem).max(axis=0).min()), abs=1e-9)
