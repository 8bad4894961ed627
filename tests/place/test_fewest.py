"""The fewest sites within a radius: right by brute force, certified, and honest about what cannot be reached."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.distance import cdist

from mudcap.place.fewest import fewest_sites


def brute_force(cand: np.ndarray, dem: np.ndarray, radius: float) -> int:
    """The smallest number of candidates that reach every reachable point, by trying all sets."""
    covers = cdist(cand, dem) <= radius + 1e-9
    covers = covers[:, covers.any(axis=0)]
    if not covers.shape[1]:
        return 0
    for k in range(1, len(cand) + 1):
        if any(covers[list(chosen)].any(axis=0).all() for chosen in combinations(range(len(cand)), k)):
            return k
    raise AssertionError("all candidates together reach what can be reached")


@settings(max_examples=200, deadline=None)
@given(
    seed=st.integers(0, 10**6), n=st.integers(1, 12), m=st.integers(1, 25), radius=st.sampled_from([0.0, 1.0, 2.0, 3.0, 5.0, 9.0]),
    is_grid=st.booleans(),
)  # fmt: skip
def test_as_few_as_brute_force_finds_and_proven(seed, n, m, radius, is_grid):
    """On small instances the number is the optimum, the bound meets it, and the status says so; ties and doubles too."""
    rng = np.random.default_rng(seed)
    cand, dem = (
        rng.integers(0, 9, (k, 2)).astype(float) if is_grid else rng.random((k, 2)) * 9 for k in (n, m)
    )
    found = fewest_sites(cand, dem, radius, effort="quick")
    assert len(found.sites) == len(set(found.sites.tolist())) == brute_force(cand, dem, radius)
    assert found.bound == len(found.sites) and found.status == "optimal"
    away = cdist(cand, dem)
    lost = np.flatnonzero((away > radius + 1e-9).all(axis=0))
    assert found.unreachable.tolist() == lost.tolist()
    assert np.isinf(found.distance_m[lost]).all()
    reached = np.setdiff1d(np.arange(m), lost)
    if len(reached):
        nearest = away[np.ix_(found.sites, reached)].min(axis=0)
        assert found.distance_m[reached] == pytest.approx(nearest, abs=1e-9)
        assert away[found.assigned[reached], reached] == pytest.approx(nearest, abs=1e-9)
        assert (found.distance_m[reached] <= radius + 1e-9).all()


def test_among_as_few_the_nearest_is_taken():
    """Three candidates reach all points alone; the one in the middle is the nearest to them."""
    dem = [(0.0, 0.0), (10.0, 0.0), (5.0, 4.0)]
    found = fewest_sites([(3.0, 0.0), (5.0, 1.0), (7.0, 0.0)], dem, 8.0, effort="quick")
    assert found.sites.tolist() == [1]


def test_points_out_of_reach_are_named_and_do_not_hinder_the_rest():
    """The far point is listed, the others are served."""
    found = fewest_sites([(0, 0), (100, 0)], [(1, 0), (500, 0), (99, 0)], 5.0)
    assert found.sites.tolist() == [0, 1] and found.unreachable.tolist() == [1]
    assert found.assigned.tolist() == [0, -1, 1]


@pytest.mark.parametrize(
    ("cand", "dem"),
    [([], [(0, 0)]), ([(0, 0)], []), ([], []), ([(50, 0)], [(0, 0)])],  # nobody, nothing, neither, out of reach
)
def test_empty_cases(cand, dem):
    """No site, and every point unreachable."""
    found = fewest_sites(cand, dem, 5.0)
    assert found.sites.size == 0 and found.bound == 0 and found.status == "optimal"
    assert found.unreachable.tolist() == list(range(len(dem)))


def test_a_wider_radius_never_needs_more_and_the_bound_never_lies():
    """On a grid of 12 × 12, with the bound below the number throughout."""
    xy = np.stack(np.meshgrid(np.arange(12) * 6.0, np.arange(12) * 5.0), axis=-1).reshape(-1, 2)
    numbers = []
    for radius in (5.0, 8.0, 10.0, 13.0, 20.0):
        found = fewest_sites(xy, xy, radius, effort="quick")
        assert found.bound <= len(found.sites)
        assert found.distance_m.max() <= radius + 1e-9
        numbers.append(len(found.sites))
    assert numbers == sorted(numbers, reverse=True)


def test_far_from_the_origin_a_point_on_the_rim_is_still_served():
    """Grid coordinates of millions of metres: rounding must not lose a point that lies exactly at the radius."""
    shift = np.array([2.1e6, 4.4e6])
    cand, dem = np.array([(0.0, 0.0), (30.0, 0.0)]), np.array([(3.0, 4.0), (33.0, 4.0), (0.0, 5.0)])
    found = fewest_sites(cand + shift, dem + shift, 5.0, effort="quick")
    assert found.sites.tolist() == [0, 1] and found.unreachable.size == 0 and found.assigned.tolist() == [0, 1, 0]


def test_the_same_call_gives_the_same_sites():
    """Counted work and a seed."""
    rng = np.random.default_rng(5)
    xy = rng.random((60, 2)) * 50
    first, second = (fewest_sites(xy, xy, 9.0, effort="quick", seed=4) for _ in range(2))
    assert np.array_equal(first.sites, second.sites) and not first.sites.flags.writeable
