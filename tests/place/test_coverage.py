"""Coverage numbers against SciPy, closed forms of lattices and published constants."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.distance import cdist
from shapely import box

from mudcap.place.coverage import clark_evans, coverage, weighted_quantile, yardstick_m

ACRE_M2 = 4046.8564224


def square_lattice(side: int, spacing: float) -> np.ndarray:
    """Return a square lattice of ``side`` × ``side`` points, half a spacing off the edge of its square."""
    line = (np.arange(side) + 0.5) * spacing
    return np.stack(np.meshgrid(line, line), axis=-1).reshape(-1, 2)


def hexagonal_lattice(rows: int, columns: int, spacing: float) -> np.ndarray:
    """Return a hexagonal lattice."""
    row, column = np.divmod(np.arange(rows * columns), columns)
    return np.column_stack([(column + 0.5 * (row % 2)) * spacing, row * spacing * np.sqrt(3) / 2])


@pytest.mark.parametrize(
    ("per_acre", "radius_m"),
    [(4, 19.73), (6, 16.11), (8, 13.954), (9, 13.156), (10, 12.481), (12, 11.39)],
)
def test_yardstick_is_the_covering_radius_of_the_hexagonal_lattice(per_acre: int, radius_m: float) -> None:
    """Hexagons of A/N have this circumradius (closed form: side² · 3√3/2 = area)."""
    assert yardstick_m(ACRE_M2, per_acre) == pytest.approx(radius_m, abs=0.006)
    side = yardstick_m(ACRE_M2, per_acre)
    assert side**2 * 1.5 * np.sqrt(3) == pytest.approx(ACRE_M2 / per_acre)


def test_square_lattice_has_the_closed_forms_of_its_cell() -> None:
    """Mean 0.3826·s, mean and farthest of a fine grid over square cells of s = 10 m; farthest s/√2."""
    sites = square_lattice(4, 10.0)
    demand = square_lattice(400, 0.1)
    found = coverage(sites, demand, None, 1600.0, box(0, 0, 40, 40))
    assert found.mean_m == pytest.approx(3.826, abs=0.001)
    assert found.farthest_m == pytest.approx(10 / np.sqrt(2), abs=0.08)
    assert (found.trees_min, found.trees_max, found.trees_cv) == (10_000, 10_000, 0)
    assert found.ratio == pytest.approx(found.farthest_m / yardstick_m(1600.0, 16))


def test_clark_evans_of_lattices_without_edges() -> None:
    """Square lattice 2, hexagonal lattice 2·√(2/√3) = 2.1491 (Clark & Evans 1954)."""
    assert clark_evans(square_lattice(10, 3.0), 900.0, 0.0) == pytest.approx(2.0)
    lattice = hexagonal_lattice(10, 10, 3.0)
    cell = 9 * np.sqrt(3) / 2
    assert clark_evans(lattice, 100 * cell, 0.0) == pytest.approx(2.1491, abs=1e-4)


def test_clark_evans_of_random_points_is_one_with_the_edge_correction() -> None:
    """The mean over 400 random patterns of 60 points in a rectangle is 1; without the correction it is too large."""
    rng = np.random.default_rng(4)
    patterns = [rng.random((60, 2)) * [300, 100] for _ in range(400)]
    corrected = np.mean([clark_evans(p, 30_000.0, 800.0) for p in patterns])
    plain = np.mean([clark_evans(p, 30_000.0, 0.0) for p in patterns])
    assert corrected == pytest.approx(1.0, abs=0.015)
    assert plain > 1.04


def test_one_site_has_no_neighbour() -> None:
    """The ratio of a single site is not a number; the rest is."""
    found = coverage([(0, 0)], [(3, 4), (0, 0)], None, 100.0)
    assert np.isnan(found.clark_evans)
    assert (found.mean_m, found.p95_m, found.trees_cv) == (2.5, 5.0, 0.0)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 8), st.integers(1, 40))
def test_distances_agree_with_scipy(seed: int, num_sites: int, num_trees: int) -> None:
    """Mean, quantile and farthest equal those of SciPy's full distance matrix; loads sum to the weights."""
    rng = np.random.default_rng(seed)
    sites, trees = rng.integers(0, 9, (num_sites, 2)), rng.integers(0, 9, (num_trees, 2))
    weights = rng.integers(0, 4, num_trees).astype(float)
    weights[0] = 1.0
    found = coverage(sites, trees, weights, 81.0)
    away = cdist(trees, sites).min(axis=1)
    wanted = np.repeat(away, weights.astype(int))
    assert found.mean_m == pytest.approx(wanted.mean())
    assert found.farthest_m == pytest.approx(wanted.max())
    assert found.p95_m == pytest.approx(np.quantile(wanted, 0.95, method="inverted_cdf"))
    assert found.trees_mean * num_sites == pytest.approx(weights.sum())
    assert found.trees_min <= found.trees_mean <= found.trees_max


def test_ties_are_split() -> None:
    """Trees half-way between two sites go to either side in equal numbers."""
    sites = [(0.0, 0.0), (2.0, 0.0)]
    trees = [(1.0, y) for y in range(10)]
    assert coverage(sites, trees, None, 10.0).trees_max == 5


def test_quantile_needs_no_interpolation() -> None:
    """A share that falls on a value's own weight gives that value."""
    assert weighted_quantile(np.array([1.0, 2.0]), np.array([1.0, 1.0]), 0.5) == 1.0
    assert weighted_quantile(np.array([1.0, 2.0]), np.array([1.0, 1.0]), 0.51) == 2.0


@pytest.mark.parametrize(
    ("sites", "trees", "weights", "area"),
    [
        ([], [(0, 0)], None, 1.0),  # no site
        ([(0, 0)], [], None, 1.0),  # no tree
        ([(0, 0)], [(0, 0)], [0.0], 1.0),  # no tree that wants a site
        ([(0, 0)], [(0, 0)], None, 0.0),  # no area
    ],
)
def test_impossible_calls_are_refused(sites: list, trees: list, weights: list | None, area: float) -> None:
    """A wrong call is a ValueError."""
    with pytest.raises(ValueError):
        coverage(sites, trees, weights, area)
