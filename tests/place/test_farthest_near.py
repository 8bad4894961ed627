"""Sparse neighbours: complete, sorted, and with a tolerance that rounding cannot cross."""

import numpy as np
import pytest

from mudcap.place.near import distinct_radii, nearest_m, tolerance, within


def _all_distances(a, b):
    return np.hypot(a[:, None, 0] - b[None, :, 0], a[:, None, 1] - b[None, :, 1])


@pytest.mark.parametrize("distance", ["euclid", "euclid_floor"])
def test_within_lists_every_pair_from_both_sides(distance):
    """The pairs are those of the full matrix, nearest first."""
    rng = np.random.default_rng(1)
    candidates, demand = rng.random((40, 2)) * 50, rng.random((60, 2)) * 50
    near = within(candidates, demand, 12.0, distance=distance)
    full = _all_distances(demand, candidates)
    if distance == "euclid_floor":
        full = np.floor(full)
    for i in range(60):
        cands, away = near.candidates_of(i)
        assert sorted(cands) == np.flatnonzero(full[i] <= 12.0).tolist()
        assert (np.diff(away) >= 0).all()
        np.testing.assert_allclose(away, full[i, cands], atol=1e-12)
    for j in range(40):
        points, away = near.demand_of(j)
        assert sorted(points) == np.flatnonzero(full[:, j] <= 12.0).tolist()
        assert (np.diff(away) >= 0).all()


def test_a_lattice_radius_survives_rotation_and_shift():
    """At its own radius no pair of a lattice is lost to rounding, wherever the lattice lies."""
    row, tree = np.divmod(np.arange(400), 20)
    lattice = np.column_stack([row * 22, tree * 18]) * 0.3048
    radius = float(np.hypot(22, 2 * 18) * 0.3048)
    plain = within(lattice, lattice, radius)
    angle = 0.2971
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    moved = lattice @ turn.T + [612345.678, 4123456.789]
    again = within(moved, moved, radius)
    assert len(again.demand_candidate) == len(plain.demand_candidate)
    raw = _all_distances(moved, moved)
    assert (raw <= radius).sum() < len(plain.demand_candidate), "no rounding here: the test shows nothing"


def test_distinct_radii_merge_what_only_rounding_separates():
    """A lattice far from the origin has as many radii as the same lattice at it."""
    row, tree = np.divmod(np.arange(100), 10)
    lattice = np.column_stack([row * 22, tree * 18]) * 0.3048
    moved = lattice + np.array([612345.678, 4123456.789])
    counts = [len(distinct_radii(within(p, p, 30.0).demand_m, tolerance(p, p))) for p in (lattice, moved)]
    assert counts[0] == counts[1]
    assert len(np.unique(within(moved, moved, 30.0).demand_m)) > counts[0]


def test_floor_of_a_distance_that_rounds_below_its_integer():
    """A distance of 5 counts as 5 even where it is computed as 4.999…; 4.99 counts as 4."""
    demand = np.array([[5.0 - 1e-13, 0.0], [4.99, 0.0]])
    near = within(np.zeros((1, 2)), demand, 5.0, distance="euclid_floor")
    assert near.demand_m.tolist() == [5.0, 4.0]


def test_nearest_without_sites_is_infinite():
    """No site serves nobody."""
    assert np.isinf(nearest_m(np.empty((0, 2)), np.zeros((3, 2)))).all()
