"""Points that no candidate is near do not loosen what the rest are held to."""

from itertools import combinations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from mudcap.place import PlacementProblem, solve
from mudcap.place.farthest import EFFORTS, solve_farthest, solve_rest


def far_corner(seed: int, num: int, count: int) -> PlacementProblem:
    """Scattered trees of which one in a corner has no candidate near."""
    rng = np.random.default_rng(seed)
    xy = np.vstack([rng.uniform(0, 60, (num, 2)), [(140.0, 30.0)]])
    return PlacementProblem.from_points(xy, xy, count, banned=[num], slack=0.0)


@settings(max_examples=40)
@given(seed=st.integers(0, 10_000), num=st.integers(4, 11), count=st.integers(2, 3))
def test_the_rest_is_at_the_best_of_all_layouts(seed, num, count):
    """Brute force: the least r such that each point is within r, or within r/2 of the best it can have at all."""
    problem = far_corner(seed, num, count)
    far = solve_farthest(problem)
    found = solve_rest(problem, far, params=EFFORTS["normal"])
    away = np.hypot(*(problem.demand_xy[:, None] - problem.candidate_xy[None, :num]).transpose(2, 0, 1))
    best = away.min(axis=1)
    limit = min(away[:, list(c)].min(axis=1).max() for c in combinations(range(num), count)) + 1e-6
    eased = np.where(away > limit, away, np.minimum(away, 2 * (away - best[:, None])))
    layouts = [list(c) for c in combinations(range(num), count)]
    least = min(eased[:, c].min(axis=1).max() for c in layouts)
    if min(away[:, c].min(axis=1).max() for c in layouts) > best.max() + 1e-6:
        assert found is None
        return
    assert found is not None
    assert np.allclose(found[0], best)
    assert abs(found[1].value - least) < 1e-6
    assert found[1].level.bound <= least + 1e-9
    assert abs(eased[:, found[1].sites].min(axis=1).max() - found[1].value) < 1e-6


def test_a_keep_out_in_a_block_does_not_loosen_the_rest_of_it():
    """With a bare disc in the middle, trees well outside it are as near as in the whole block without the disc."""
    row, tree = np.divmod(np.arange(30 * 36), 36)
    xy = np.column_stack([row * 6.7056, tree * 5.4864])
    off = np.hypot(*(xy - xy.mean(axis=0)).T)
    problem = PlacementProblem.from_points(
        xy, xy, 90, banned=np.flatnonzero(off < 22), candidate_row=row, slack=0.0, row_economy=0.0, holds_rest=True,
    )
    placed = solve(problem, effort="quick")
    assert placed.levels[0].status == "optimal" and placed.levels[0].value > 18
    assert placed.distance_m[off > 30].max() < 14
    near = np.sqrt(((xy[placed.sites][:, None] - xy[placed.sites][None]) ** 2).sum(axis=2))
    assert (near < 6).sum() - len(placed.sites) <= 4, "sites crowd around the disc"
