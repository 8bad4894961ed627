"""Driven rows: the fewest that serve the sites, the bound on them, and the search for few."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mudcap.place import PlacementProblem, solve
from mudcap.place.rows import drive_rows, even_pattern, fewest_driven, num_driven
from mudcap.place.swap import build_service


@settings(max_examples=200, deadline=None)
@given(st.lists(st.integers(-4, 12), min_size=1, max_size=10))
def test_number_of_driven_rows_is_the_smallest(rows: list[int]) -> None:
    """Against all choices of sides; each site is served from one of its two sides."""
    driven = drive_rows(rows)
    assert all(d in (r - 1, r) for d, r in zip(driven, rows, strict=True))
    best = min(len(set(choice)) for choice in product(*[(r - 1, r) for r in set(rows)]))
    assert num_driven(rows) == len(set(driven.tolist())) == best


@pytest.mark.parametrize(("low", "high", "count"), [(1, 60, 20), (1, 60, 19), (-36, 40, 26), (5, 5, 1)])
def test_even_patterns_leave_no_wide_gap(low: int, high: int, count: int) -> None:
    """Neighbouring drive rows are at most one row farther apart than the mean."""
    rows = even_pattern(low, high, count, 0.0)
    assert len(rows) == count
    pitch = (high - low + 1) / count
    assert np.diff(rows).max(initial=0) <= np.ceil(pitch)
    assert rows[0] - low <= pitch / 2 + 1 and high - rows[-1] <= pitch / 2 + 1


def block(num_rows: int, num_trees: int) -> tuple[np.ndarray, np.ndarray]:
    """Return a regular block of 6.7 m rows with a tree every 5.5 m, and the trees' rows."""
    row, tree = np.divmod(np.arange(num_rows * num_trees), num_trees)
    return np.column_stack([row * 6.7, tree * 5.5]), row


def test_bound_by_hand() -> None:
    """A cap of one row spacing: a drive row's sites reach four tree rows, so that 12 rows need 3 of them."""
    xy, row = block(12, 10)
    problem = PlacementProblem.from_points(xy, xy, 40, candidate_row=row)
    assert fewest_driven(problem, build_service(problem, power=2, cap_m=6.8)) == 3
    fixed = PlacementProblem.from_points(xy, xy, 40, candidate_row=row, fixed=[0, 30, 60, 90, 110])
    assert fewest_driven(fixed, build_service(fixed, power=2, cap_m=6.8)) == 5


@pytest.mark.parametrize("missing", [0.0, 0.1])
def test_economy_spares_rows_within_its_limits(missing: float) -> None:
    """Fewer driven rows than without, at least the bound; farthest within the slack, the mean hardly longer."""
    xy, row = block(24, 30)
    keep = np.random.default_rng(3).random(len(xy)) >= missing
    xy, row = xy[keep], row[keep]
    free, spare = (
        solve(
            PlacementProblem.from_points(xy, xy, 64, candidate_row=row, row_economy=economy), effort="quick"
        )
        for economy in (0.0, 0.03)
    )
    levels = {level.name: level for level in spare.levels}
    assert [level.name for level in spare.levels] == ["farthest", "driven_rows", "mean_square", "cv"]
    driven = levels["driven_rows"]
    assert driven.value == num_driven(row[spare.sites]) < num_driven(row[free.sites])
    assert driven.bound is not None and driven.bound <= driven.value
    assert (
        spare.objective <= 1.04 * free.levels[0].bound + 1e-6
        or spare.objective <= 1.04 * free.objective + 1e-6
    )
    assert spare.distance_m.mean() <= 1.05 * free.distance_m.mean()


def test_fixed_sites_stay_whatever_rows_they_cost() -> None:
    """A pinned site in an odd row is kept and its row driven."""
    xy, row = block(24, 30)
    placement = solve(
        PlacementProblem.from_points(xy, xy, 64, candidate_row=row, fixed=[7, 400]), effort="quick"
    )
    assert {7, 400} <= set(placement.sites.tolist())


def test_rows_are_counted_where_none_are_spared() -> None:
    """With an economy of 0 the level is reported all the same."""
    xy, row = block(12, 14)
    placement = solve(
        PlacementProblem.from_points(xy, xy, 14, candidate_row=row, row_economy=0.0), effort="quick"
    )
    assert {level.name for level in placement.levels} == {"farthest", "driven_rows", "mean_square", "cv"}
