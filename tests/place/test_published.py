"""Published optima of the vertex p-center problem on an instance that a package registry carries.

d493 is a drilling problem of TSPLIB (Reinelt 1991, ORSA Journal on Computing 3:376-384), 493 points, taken from
``examples/d493.tsp`` of the Debian package r-cran-tsp 1.2-2; all points are candidates and demand.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import LinearConstraint, milp
from scipy.spatial.distance import cdist

from mudcap.place import PlacementProblem, solve

POINTS = np.loadtxt(Path(__file__).with_name("d493.csv"), delimiter=",", skiprows=1)
OPTIMA = {10: 458.30, 20: 312.74, 40: 206.02}
"""Chen and Chen 2009, Computers & Operations Research 36:1646-1655 (values from memory)."""


@pytest.mark.parametrize("count", OPTIMA)
def test_published_optimum_is_found_and_proven(count):
    """To the last digit printed."""
    placement = solve(PlacementProblem.from_points(POINTS, POINTS, count, objective="farthest"))
    (level,) = placement.levels
    assert level.status == "optimal" and level.value == pytest.approx(OPTIMA[count], abs=0.005)
    assert cdist(POINTS, POINTS[placement.sites]).min(axis=1).max() == pytest.approx(level.value)


def test_nothing_shorter_covers_with_forty():
    """An integer programme of SciPy's own, on the whole matrix, needs 41 points just below the published 206.02."""
    reach = cdist(POINTS, POINTS) < OPTIMA[40] - 0.01
    cover = milp(np.ones(493), integrality=np.ones(493), bounds=(0, 1), constraints=LinearConstraint(reach.astype(float), 1, np.inf))
    assert cover.success and round(cover.fun) == 41
