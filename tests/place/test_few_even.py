"""The even levels of few sites among very many points: against all sets, with rows, bounds that hold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from test_few_farthest import _small, _value, always_few  # noqa: F401  (a fixture)
from test_few_mean import _layouts, _served

from mudcap.place import PlacementProblem, solve
from mudcap.place.even import MEAN_SQUARE_GIVEN


def test_small_problems_against_all_layouts(always_few):  # noqa: F811
    """The farthest level is the least of all; the mean square the least within it, never below its bound."""
    for seed in range(0, 200, 2):
        problem = replace(_small(seed), objective="even", slack=0.0, row_economy=0.0)
        if not problem.weights.any():
            continue
        found = solve(problem, effort="quick", seed=seed)
        level = {one.name: one for one in found.levels}
        scores = [(_value(problem, s), np.average(_served(problem, s) ** 2, weights=problem.weights)) for s in _layouts(problem)]
        farthest = min(far for far, _ in scores)
        best = min(square for far, square in scores if far <= farthest + 1e-6)
        assert level["farthest"].value == pytest.approx(farthest, abs=1e-6), seed
        assert best - 1e-9 <= level["mean_square"].value <= best * (1 + MEAN_SQUARE_GIVEN) + 1e-9, seed
        assert level["mean_square"].bound <= best + 1e-9, seed
        assert set(problem.fixed) <= set(found.sites) and not set(problem.banned) & set(found.sites), seed


@pytest.mark.parametrize("count", [1, 4])
def test_a_block_with_rows(count):
    """2,400 trees in rows: within the slack, as many sites as asked for, the same again, and no bound above its value."""
    row, tree = np.divmod(np.arange(2400), 60)
    xy = np.column_stack([row * 6.7, tree * 5.5])
    problem = PlacementProblem.from_points(xy, xy, count, candidate_row=row, holds_rest=True)
    found = solve(problem, effort="quick")
    assert len(found.sites) == count and found.sites.tolist() == solve(problem, effort="quick").sites.tolist()
    level = {one.name: one for one in found.levels}
    assert level["farthest"].value <= level["farthest"].bound * (1 + problem.slack) * 1.01
    assert level["mean_square"].value == pytest.approx(np.mean(found.distance_m**2))
    assert all(one.bound <= one.value + 1e-9 for one in found.levels)
    stopped = solve(problem, effort="quick", stop=lambda: True)
    assert stopped.stopped and len(stopped.sites) == count
