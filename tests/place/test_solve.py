"""The public solver against brute force, its own promises, and a reference library."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.distance import cdist

from mudcap.place import Placement, PlacementProblem, solve
from mudcap.place.even import MEAN_SQUARE_GIVEN

NUM_CASES = 500


def random_problem(seed: int, objective: str) -> PlacementProblem:
    """Return a small problem with lattice or free points, weights, fixed, banned and outside service now and then."""
    rng = np.random.default_rng(seed)
    n, m = int(rng.integers(2, 15)), int(rng.integers(1, 25))
    is_lattice = rng.random() < 0.5
    points = rng.integers(0, 6, (n + m, 2)).astype(float) if is_lattice else rng.random((n + m, 2)) * 10
    order = rng.permutation(n)
    num_fixed = int(rng.integers(0, 2)) if n > 3 else 0
    num_banned = int(rng.integers(0, 3)) if n > 6 else 0
    count = int(rng.integers(max(1, num_fixed), min(5, n - num_banned) + 1))
    weights = rng.integers(0, 4, m).astype(float) if rng.random() < 0.5 else None
    served = np.where(rng.random(m) < 0.2, rng.random(m) * 5, np.inf) if rng.random() < 0.3 else None
    return PlacementProblem.from_points(
        points[:n], points[n:], count, weights, fixed=order[:num_fixed].tolist(),
        banned=order[n - num_banned :].tolist(), objective=objective, slack=0.0, row_economy=0.0, served_m=served,
        distance="euclid_floor" if rng.random() < 0.2 else "euclid",
    )  # fmt: skip


def served_distances(problem: PlacementProblem, sites: tuple[int, ...]) -> np.ndarray:
    """Return each demand point's distance by the full matrix."""
    away = cdist(problem.demand_xy, problem.candidate_xy[list(sites)])
    if problem.distance == "euclid_floor":
        away = np.floor(away + 1e-9)
    return np.minimum(away.min(axis=1), problem.served_m)


def layouts(problem: PlacementProblem) -> list[tuple[int, ...]]:
    """Return all layouts that the problem allows."""
    free = np.setdiff1d(np.arange(len(problem.candidate_xy)), np.union1d(problem.fixed, problem.banned))
    rest = problem.count - len(problem.fixed)
    return [(*problem.fixed.tolist(), *more) for more in combinations(free.tolist(), rest)]


def score(problem: PlacementProblem, sites: tuple[int, ...]) -> tuple[float, float, float]:
    """Return farthest, mean and mean square of a layout; points of weight 0 count nowhere."""
    away, w = served_distances(problem, sites), problem.weights
    if not w.any():
        return 0.0, 0.0, 0.0
    return float(away[w > 0].max()), float(np.average(away, weights=w)), float(np.average(away**2, weights=w))


def levels(placement: Placement) -> dict[str, tuple[float, float | None, str]]:
    """Return value, bound and status by name."""
    return {level.name: (level.value, level.bound, level.status) for level in placement.levels}


def assert_is_sound(problem: PlacementProblem, placement: Placement) -> None:
    """Check what must hold of any placement: count, bans, fixed sites, nearest service, bounds."""
    sites = placement.sites
    assert len(np.unique(sites)) == problem.count
    assert set(problem.fixed) <= set(sites) and not set(problem.banned) & set(sites)
    away = served_distances(problem, tuple(sites))
    np.testing.assert_allclose(placement.distance_m, away, atol=1e-6)
    inside = placement.assigned >= 0
    own = np.hypot(*(problem.demand_xy - problem.candidate_xy[placement.assigned]).T)
    own = np.floor(own + 1e-9) if problem.distance == "euclid_floor" else own
    np.testing.assert_allclose(own[inside], away[inside], atol=1e-6)
    assert (problem.served_m[~inside] <= away[~inside] + 1e-6).all()
    for level in placement.levels:
        assert level.bound is None or level.bound <= level.value + 1e-9 * max(1.0, level.value)


@pytest.mark.parametrize("objective", ["farthest", "mean", "even"])
def test_small_problems_against_all_layouts(objective: str) -> None:
    """500 seeded problems over the three objectives: the value is the best of all, the bound below the best."""
    seeds = [s for s in range(NUM_CASES) if ("farthest", "mean", "even")[s % 3] == objective]
    for seed in seeds:
        problem = random_problem(seed, objective)
        placement = solve(problem, effort="quick", seed=seed)
        assert_is_sound(problem, placement)
        scores = [score(problem, sites) for sites in layouts(problem)]
        found = levels(placement)
        farthest = min(s[0] for s in scores)
        if objective == "mean":
            best = min(s[1] for s in scores)
            value, bound, status = found["mean"]
            assert value == pytest.approx(best, abs=1e-9), seed
            assert bound is not None and bound <= best + 1e-9, seed
            assert status != "optimal" or value <= bound * (1 + 1e-8) + 1e-9, seed
            continue
        value, bound, status = found["farthest"]
        assert value == pytest.approx(farthest, abs=1e-6), seed
        assert bound is not None and bound <= farthest + 1e-6, seed
        assert status != "optimal" or bound == pytest.approx(value, abs=1e-6), seed
        if objective == "even":
            best = min(s[2] for s in scores if s[0] <= farthest + 1e-6)
            value, bound, _ = found["mean_square"]
            assert best - 1e-9 <= value <= best * (1 + MEAN_SQUARE_GIVEN) + 1e-9, seed
            assert bound is not None and bound <= best + 1e-9, seed


def block(num_rows: int, num_trees: int) -> tuple[np.ndarray, np.ndarray]:
    """Return a regular block of 6.7 m rows with a tree every 5.5 m, and the trees' rows."""
    row, tree = np.divmod(np.arange(num_rows * num_trees), num_trees)
    return np.column_stack([row * 6.7, tree * 5.5]), row


@pytest.mark.parametrize("objective", ["farthest", "mean", "even"])
def test_same_seed_same_sites(objective: str) -> None:
    """The same call gives the same bytes."""
    xy, row = block(12, 14)
    problem = PlacementProblem.from_points(xy, xy, 14, objective=objective, candidate_row=row)
    one, two = (solve(problem, effort="quick", seed=3) for _ in range(2))
    assert one.sites.tobytes() == two.sites.tobytes()
    assert one.assigned.tobytes() == two.assigned.tobytes()
    assert one.levels == two.levels


def test_input_order_changes_hardly_anything() -> None:
    """Shuffled input: the same farthest value, and a mean square within 2 %."""
    xy, _ = block(12, 14)
    order = np.random.default_rng(1).permutation(len(xy))
    one = levels(solve(PlacementProblem.from_points(xy, xy, 14), effort="quick"))
    two = levels(solve(PlacementProblem.from_points(xy[order], xy[order[::-1]], 14), effort="quick"))
    assert one["farthest"][0] == pytest.approx(two["farthest"][0], abs=1e-6)
    assert one["mean_square"][0] == pytest.approx(two["mean_square"][0], rel=0.02)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10**6), turn=st.floats(0, 6.3), scale=st.floats(0.1, 50))
def test_rotation_shift_and_scale_change_nothing_proven(seed: int, turn: float, scale: float) -> None:
    """Small problems are solved to their optimum, so that a turned, moved and scaled plane gives scaled values."""
    rng = np.random.default_rng(seed)
    xy = rng.random((12, 2)) * 10
    matrix = scale * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    moved = xy @ matrix.T + rng.random(2) * 1000
    for objective in ("farthest", "mean"):
        one = solve(PlacementProblem.from_points(xy, xy, 3, objective=objective), effort="quick")
        two = solve(PlacementProblem.from_points(moved, moved, 3, objective=objective), effort="quick")
        assert two.objective == pytest.approx(scale * one.objective, rel=1e-6)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_more_sites_never_hurt_and_bans_never_help(seed: int) -> None:
    """The farthest distance of a small problem falls with the count and rises with a ban."""
    rng = np.random.default_rng(seed)
    xy = rng.random((13, 2)) * 10
    three = solve(PlacementProblem.from_points(xy, xy, 3, objective="farthest"), effort="quick")
    four = solve(PlacementProblem.from_points(xy, xy, 4, objective="farthest"), effort="quick")
    ban = [int(three.sites[0])]
    banned = solve(PlacementProblem.from_points(xy, xy, 3, banned=ban, objective="farthest"), effort="quick")
    assert four.objective <= three.objective + 1e-9
    assert banned.objective >= three.objective - 1e-9


@pytest.mark.parametrize("objective", ["farthest", "mean", "even"])
def test_stop_keeps_the_best_so_far(objective: str) -> None:
    """A stop after a few looks gives a whole, sound placement marked as stopped; one at once too."""
    xy, _ = block(12, 14)
    problem = PlacementProblem.from_points(xy, xy * 1.01, 14, objective=objective, row_economy=0.0)
    for looks in (0, 5, 60):
        left = iter(range(looks))
        placement = solve(problem, stop=lambda left=left: next(left, None) is None)
        assert_is_sound(problem, placement)
        assert placement.stopped or placement.status == "optimal"


def test_start_is_never_made_worse() -> None:
    """A long search's sites, given as a start to a quick one, come back at least as good."""
    xy, _ = block(6, 8)
    problem = PlacementProblem.from_points(xy, xy, 8, objective="mean")
    best = solve(problem, effort="normal")
    again = solve(problem, effort="quick", start=best.sites, seed=9)
    assert again.objective <= best.objective + 1e-12


def test_moved_sites_cost_their_penalty() -> None:
    """With a large penalty an earlier plan's sites stay; without one most move."""
    xy, _ = block(12, 14)
    earlier = np.arange(14) * 12
    free = PlacementProblem.from_points(xy, xy, 14, slack=1.0, previous=earlier.tolist(), row_economy=0.0)
    tied = PlacementProblem.from_points(
        xy, xy, 14, slack=1.0, previous=earlier.tolist(), move_penalty=1e3, row_economy=0.0
    )
    kept = [len(np.intersect1d(solve(p, effort="quick").sites, earlier)) for p in (free, tied)]
    assert kept[0] < 7 < kept[1]


def test_effort_and_start_are_checked() -> None:
    """A wrong call is a ValueError."""
    problem = PlacementProblem.from_points([(0, 0), (1, 0)], [(0, 0)], 1)
    with pytest.raises(ValueError, match="effort"):
        solve(problem, effort="heroic")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="start"):
        solve(problem, start=[7])


# spopt still builds its models in the way that pulp 3.3 announces to change
@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_reference_library_agrees_on_small_problems() -> None:
    """PySAL's spopt (p-median and p-center as integer programs) finds the same values."""
    locate = pytest.importorskip("spopt.locate")
    pulp = pytest.importorskip("pulp")
    quiet = pulp.PULP_CBC_CMD(msg=False)
    rng = np.random.default_rng(5)
    for _ in range(3):
        xy = rng.random((14, 2)) * 100
        matrix = cdist(xy, xy)
        median = locate.PMedian.from_cost_matrix(matrix, np.ones(14), p_facilities=4).solve(quiet)
        center = locate.PCenter.from_cost_matrix(matrix, p_facilities=4).solve(quiet)
        ours = {
            o: solve(PlacementProblem.from_points(xy, xy, 4, objective=o), effort="quick").objective
            for o in ("mean", "farthest")
        }
        assert ours["mean"] * 14 == pytest.approx(median.problem.objective.value(), rel=1e-6)
        assert ours["farthest"] == pytest.approx(center.problem.objective.value(), rel=1e-6)


@pytest.mark.parametrize("objective", ["farthest", "mean", "even"])
def test_a_single_tree_at_the_origin(objective):
    """A cap of exactly 0 m once asked the k-d tree for a reach whose square is no number, and found no site."""
    problem = PlacementProblem.from_points([(0.0, 0.0)], [(0.0, 0.0)], 1, objective=objective)
    placed = solve(problem, effort="quick")
    assert placed.sites.tolist() == [0]
    assert placed.levels[0].value == 0
