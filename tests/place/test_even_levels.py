"""The even objective: its levels, ties split for balance, service from outside."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mudcap.place import PlacementProblem, solve
from mudcap.place.swap_ties import balance


@settings(max_examples=150, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_ties_are_split_as_evenly_as_any_choice_can(seed: int) -> None:
    """Against all choices of up to 8 tied points of equal weight: the same sum of squared loads."""
    rng = np.random.default_rng(seed)
    num_sites, num_points = int(rng.integers(1, 6)), int(rng.integers(1, 9))
    options = [
        rng.permutation(num_sites)[: rng.integers(1, min(3, num_sites) + 1)] for _ in range(num_points)
    ]
    start = np.cumsum([0] + [len(o) for o in options])
    chosen, load = balance(start, np.concatenate(options), np.ones(num_points), num_sites)
    assert all(c in o for c, o in zip(chosen, options, strict=True))
    assert np.array_equal(load, np.bincount(chosen, minlength=num_sites))
    best = min((np.bincount(c, minlength=num_sites) ** 2).sum() for c in product(*options))
    assert (load**2).sum() == best


def test_weighted_ties_are_not_made_worse_than_the_first_choice() -> None:
    """Unequal weights: loads add up and no single point's move would help."""
    rng = np.random.default_rng(2)
    options = [rng.permutation(6)[:2] for _ in range(40)]
    weights = rng.integers(1, 5, 40).astype(float)
    start = np.arange(0, 82, 2)
    chosen, load = balance(start, np.concatenate(options), weights, 6)
    np.testing.assert_allclose(load, np.bincount(chosen, weights=weights, minlength=6))
    for j, pair in enumerate(options):
        other = pair[0] if pair[1] == chosen[j] else pair[1]
        assert load[chosen[j]] - load[other] <= weights[j] + 1e-9


def block(num_rows: int, num_trees: int) -> np.ndarray:
    """Return a regular block of 6.7 m rows with a tree every 5.5 m."""
    row, tree = np.divmod(np.arange(num_rows * num_trees), num_trees)
    return np.column_stack([row * 6.7, tree * 5.5])


def test_slack_zero_holds_the_farthest_exactly_and_slack_buys_mean_square() -> None:
    """The farthest of `even` at slack 0 is that of `farthest`; with slack it stays within it and the rest is no worse."""
    rng = np.random.default_rng(1)
    xy = block(14, 15) + rng.normal(0, 0.4, (210, 2))
    alone = solve(PlacementProblem.from_points(xy, xy, 18, objective="farthest"), effort="quick")
    tight = solve(PlacementProblem.from_points(xy, xy, 18, slack=0.0), effort="quick")
    loose = solve(PlacementProblem.from_points(xy, xy, 18, slack=0.2), effort="quick")
    assert tight.objective == pytest.approx(alone.objective, abs=1e-6)
    assert loose.objective <= 1.2 * alone.objective + 1e-6
    names = [level.name for level in loose.levels]
    assert names == ["farthest", "mean_square", "cv"]
    assert loose.levels[1].value < tight.levels[1].value


def test_level_values_are_those_of_the_placement() -> None:
    """Each level's value follows from the sites and the assignment returned."""
    xy = block(14, 15)
    placement = solve(PlacementProblem.from_points(xy, xy, 18), effort="quick")
    load = np.bincount(placement.assigned, minlength=len(xy))[placement.sites]
    values = {level.name: level.value for level in placement.levels}
    assert values["farthest"] == pytest.approx(placement.distance_m.max())
    assert values["mean_square"] == pytest.approx((placement.distance_m**2).mean())
    assert values["cv"] == pytest.approx(load.std() / load.mean())


def test_points_served_from_outside_need_no_site_near() -> None:
    """With one half served from outside, all but stragglers of the sites go to the other half."""
    xy = block(14, 15)
    served = np.where(xy[:, 0] < xy[:, 0].mean(), 3.0, np.inf)
    placement = solve(PlacementProblem.from_points(xy, xy, 9, served_m=served), effort="quick")
    assert (xy[placement.sites, 0] < xy[:, 0].mean() - 7).sum() <= 1
    assert (placement.assigned == -1).sum() > 90
    assert placement.distance_m[placement.assigned == -1].max() <= 3.0


def test_weights_draw_sites() -> None:
    """Where the need is five-fold, sites stand closer."""
    xy = block(14, 15)
    heavy = xy[:, 0] > xy[:, 0].mean()
    problem = PlacementProblem.from_points(xy, xy, 18, np.where(heavy, 5.0, 1.0), slack=1.0)
    assert heavy[solve(problem, effort="quick").sites].mean() > 0.55


def test_every_candidate_a_site() -> None:
    """No freedom: all candidates are taken, farthest zero and proven."""
    xy = block(3, 4)
    placement = solve(PlacementProblem.from_points(xy, xy, 12), effort="quick")
    assert placement.sites.tolist() == list(range(12))
    assert [level.value for level in placement.levels] == [0, 0, 0]
    assert placement.status == "optimal"
