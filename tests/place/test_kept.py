"""A kept plan: what stands is held, what is missing is added, what is too much is left out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from laid import QUICK, lay, neighbours, tasks_of
from mudcap.geo.units import M2_PER_ACRE
from mudcap.place.borders import bordering, share_borders
from mudcap.place.kept import standing_jobs
from mudcap.place.layout import spread
from mudcap.place.params import PlaceParams
from mudcap.place.solve import solve
from mudcap.plan.make import solve_here
from orchards import one_row

PLACE = replace(QUICK, per_acre=8.0)
LAID = lay(neighbours(2.0, rows=2, trees=20))
"""Three blocks of two rows each; two sites a block."""
NEAR = bordering(LAID.orchard, 15.0)
OWN = [np.flatnonzero(LAID.candidates.block == b) for b in range(3)]


def jobs_of(previous, pinned=(), near=NEAR, place=PLACE):
    tasks = tasks_of(LAID, place, previous=np.array(previous, np.int64), pinned=np.array(pinned, np.int64))
    return tasks, standing_jobs(tasks, near, LAID.orchard, LAID.candidates, LAID.demand, place)


def stations(task, job) -> set[int]:
    return set(task.station[solve(job.problem, effort=job.effort, start=job.start).sites].tolist())


def test_sites_that_stand_are_held_and_missing_ones_added():
    """One of two stands in the first block, both in the second, none in the third."""
    stand = [OWN[0][3], OWN[1][5], OWN[1][30]]
    tasks, jobs = jobs_of(stand)
    found = [stations(t, j) for t, j in zip(tasks, jobs, strict=True)]
    assert [len(f) for f in found] == [2, 2, 2]
    assert OWN[0][3] in found[0] and found[1] == {OWN[1][5], OWN[1][30]}
    fresh = replace(PLACE, effort="normal")
    assert [j.effort for j in jobs_of(stand, place=fresh)[1]] == ["quick", "quick", "normal"]


def test_too_many_are_left_out_but_never_a_pinned_one():
    """Four stand and one is pinned where two are asked for: the pinned one, and one of the four."""
    stand = OWN[0][[2, 9, 25, 33]].tolist()
    tasks, jobs = jobs_of(stand, pinned=[OWN[0][15]])
    found = stations(tasks[0], jobs[0])
    assert len(found) == 2 and OWN[0][15] in found and len(found & set(stand)) == 1


def test_sites_across_the_border_count():
    """Trees beside a neighbour's standing site are served by it; without a border only by what is added."""
    stand = [OWN[0][3], OWN[1][5], OWN[1][30]]
    served = jobs_of(stand)[1][0].problem.served_m
    xy = LAID.candidates.xy[OWN[1][[5, 30]]]
    trees = LAID.demand.xy[LAID.demand.block == 0]
    assert served == pytest.approx(np.linalg.norm(trees[:, None] - xy[None], axis=2).min(axis=1))
    assert np.isinf(jobs_of(stand, near=((), (), ()))[1][0].problem.served_m).all()


def test_what_a_move_has_to_gain_suits_the_density():
    """A quarter of the mean square of a hexagon's points from its middle, here by adding up many of them."""
    grid = (np.arange(2000) + 0.5) / 2000 * 2 - 1
    x, y = np.meshgrid(grid, grid)
    inside = (np.abs(x) <= 3**0.5 / 2) & (np.abs(x) / 3**0.5 + np.abs(y) <= 1)
    share = float((x**2 + y**2)[inside].mean()) / (1.5 * 3**0.5)
    for acres, count in ((40.0, 360), (0.5, 3)):
        expected = share * acres * M2_PER_ACRE / count / 4
        assert PlaceParams().move_penalty(acres, count) == pytest.approx(expected, rel=1e-3)
    assert PlaceParams(move_penalty_m2=0.0).move_penalty(40.0, 360) == 0.0


@pytest.mark.parametrize("penalty, slack, is_moved", [(0.9, 0.6, True), (1.1, 0.6, False), (1e6, 0.4, True), (1e6, 0.6, False)])
def test_what_stands_is_given_up_where_it_pays_or_leaves_trees_far(penalty, slack, is_moved):
    """Ten trees in a row, sites at the third and the seventh: to the eighth the farthest distance falls from three trees to two and
    the squares from 25 to 20, which is one a tree of each site's five."""
    row = lay(one_row())
    tree_m = float(np.linalg.norm(row.candidates.xy[1] - row.candidates.xy[0]))
    place = replace(
        QUICK, per_acre=2 / row.orchard.blocks[0].acres, slack=slack, row_economy=0.0, move_penalty_m2=penalty * tree_m**2
    )
    tasks = tasks_of(row, place, previous=np.array([2, 6]))
    jobs = standing_jobs(tasks, ((),), row.orchard, row.candidates, row.demand, place)
    standing = spread(tasks, solve_here(jobs))
    assert standing[0].sites.tolist() == [2, 6]

    def best(jobs):
        return [solve(replace(j.problem, previous=np.empty(0, np.int64)), effort="quick") for j in jobs]

    shared = share_borders(
        row.orchard, tasks, standing, row.candidates, row.demand, place=place, solve_all=best, is_standing=True
    )
    assert shared[0].sites.tolist() == ([2, 7] if is_moved else [2, 6])
    level = {v.name: v for v in shared[0].levels}
    assert level["farthest"].value == pytest.approx((2 if is_moved else 3) * tree_m)
    assert all(v.bound is None or v.bound <= v.value for v in level.values())
