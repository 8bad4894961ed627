"""The stated fallback: always exactly the quota, on allowed stations, spread about as a hexagonal grid is."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree

from mudcap.place.fallback import hexagonal, standing
from mudcap.place.problem import PlacementProblem


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10**6), n=st.integers(1, 120), share=st.floats(0, 1), fixed=st.integers(0, 3), banned=st.integers(0, 5),
    is_line=st.booleans(),
)  # fmt: skip
def test_exactly_the_quota_on_allowed_stations(seed, n, share, fixed, banned, is_line):
    """Fixed sites stay, banned ones are left out, whatever the stations look like; stations on one point and in a line too."""
    rng = np.random.default_rng(seed)
    xy = rng.integers(0, 15, (n, 2)) * (1.0, 0.0 if is_line else 1.0)
    order = rng.permutation(n)
    fix, ban = order[: min(fixed, n)], order[min(fixed, n) :][: min(banned, n - 1)]
    free = n - len(ban)
    count = max(1, len(fix), round(share * free))
    problem = PlacementProblem.from_points(xy, rng.random((30, 2)) * 15, count, fixed=fix, banned=ban)
    placement = hexagonal(problem)
    assert len(set(placement.sites.tolist())) == count == len(placement.sites)
    assert set(fix.tolist()) <= set(placement.sites.tolist()) and not set(ban.tolist()) & set(
        placement.sites.tolist()
    )
    assert (
        placement.stopped and {v.status for v in placement.levels} == {"stopped"} and placement.bound is None
    )
    assert np.array_equal(placement.sites, hexagonal(problem).sites)
    nearest = cKDTree(xy[placement.sites]).query(problem.demand_xy)[0]
    assert placement.distance_m == pytest.approx(nearest)


def test_it_is_about_as_even_as_hexagons():
    """On 40 acres of stations the farthest tree is within half again of the yardstick sqrt(2A/(3√3·N))."""
    xy = np.stack(np.meshgrid(np.arange(30) * 6.7, np.arange(146) * 5.5), axis=-1).reshape(-1, 2)
    placement = hexagonal(PlacementProblem.from_points(xy, xy, 360))
    yardstick = np.sqrt(2 * 30 * 146 * 6.7 * 5.5 / (3 * np.sqrt(3) * 360))
    assert yardstick < placement.objective < 1.6 * yardstick


def test_trees_served_from_outside_are_left_to_their_sites():
    """The neighbour's site counts where it is nearer."""
    problem = PlacementProblem.from_points([(0, 0)], [(0, 1), (0, 9)], 1, served_m=[np.inf, 2.0])
    placement = hexagonal(problem)
    assert placement.assigned.tolist() == [0, -1] and placement.distance_m.tolist() == [1.0, 2.0]


def test_a_standing_layout_is_taken_only_where_it_fits():
    """Right number, fixed in it, banned not."""
    xy = [(float(i), 0.0) for i in range(6)]
    problem = PlacementProblem.from_points(xy, xy, 2, fixed=[1], banned=[5])
    assert standing(problem, [1, 4]).sites.tolist() == [1, 4] and standing(problem, [4, 1]).stopped
    for wrong in ([1], [0, 4], [1, 5], [1, 1], [1, 6], [-1, 1], []):
        assert standing(problem, wrong) is None
