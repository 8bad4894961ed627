"""The covering as an objective of the solver: the same answer as asked for directly, and a fallback that covers."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.distance import cdist

from mudcap.place.fallback import hexagonal
from mudcap.place.fewest import fewest_sites
from mudcap.place.problem import PlacementProblem
from mudcap.place.solve import solve


def problem(seed: int, radius: float) -> PlacementProblem:
    """Eighty candidates and sixty points, each of which some candidate reaches."""
    rng = np.random.default_rng(seed)
    cand = rng.random((80, 2)) * 100
    return PlacementProblem.from_points(cand, cand[:60] + 1.0, 1, objective="fewest", within_m=radius)


@pytest.mark.parametrize("radius", [5.0, 20.0, 60.0])
@pytest.mark.parametrize("seed", range(3))
def test_solve_and_fallback_cover_all(seed, radius):
    """`solve` gives the proven number with its bound as a level; the fallback covers too, marked, with nothing proven."""
    job = problem(seed, radius)
    found, direct = solve(job, effort="quick"), fewest_sites(job.candidate_xy, job.demand_xy, radius, effort="quick")
    (level,) = found.levels
    assert found.sites.tolist() == direct.sites.tolist()
    assert (level.name, level.value, level.bound) == ("number", len(direct.sites), direct.bound) and level.status == direct.status
    stand_in = hexagonal(job)
    assert stand_in.fallback and stand_in.levels[0].bound is None and stand_in.levels[0].value == len(stand_in.sites)
    for sites in (found.sites, stand_in.sites):
        assert cdist(job.candidate_xy[sites], job.demand_xy).min(axis=0).max() <= radius + 1e-9
    assert len(stand_in.sites) >= len(found.sites) == found.objective


def test_stopping_between_stages_gives_the_best_so_far():
    """A cover all the same, and a bound that still holds."""
    rng = np.random.default_rng(1)
    cand, dem = rng.random((300, 2)) * 100, rng.random((200, 2)) * 100
    whole = fewest_sites(cand, dem, 9.0, effort="normal")
    cut = fewest_sites(cand, dem, 9.0, effort="normal", stop=lambda: True)
    assert cut.bound <= len(whole.sites) <= len(cut.sites) and cut.unreachable.tolist() == whole.unreachable.tolist()
    assert cut.status in ("stopped", "optimal")
