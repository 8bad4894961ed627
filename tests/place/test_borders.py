"""Blocks that share a border share shelters: nobody is worse off, and what is proven stays true."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial import cKDTree
from shapely import Point

from laid import QUICK, Laid, lay, neighbours, small_block, tasks_of
from mudcap.place.borders import across_m, border_savings, bordering, share_borders, with_levels
from mudcap.place.fallback import hexagonal
from mudcap.place.layout import chosen_stations, solve_jobs, spread
from mudcap.place.problem import Level, PlacementProblem
from mudcap.place.solve import solve
from mudcap.plan.make import solve_here
from orchards import block, orchard

PLACE = replace(QUICK, per_acre=8.0)
LAID = lay(neighbours(2.0, rows=2, trees=20))
"""Three blocks of two rows each, so narrow that a neighbour's shelters count; two sites a block."""
TASKS = tasks_of(LAID, PLACE)
ALONE = spread(TASKS, solve_here(solve_jobs(TASKS, LAID.orchard, PLACE)))


def shared(laid: Laid = LAID, tasks=TASKS, alone=ALONE, place=PLACE, solve_all=solve_here):
    return share_borders(laid.orchard, tasks, alone, laid.candidates, laid.demand, place=place, solve_all=solve_all)


@pytest.fixture(scope="module")
def together():
    return shared()


def served_m(placements, laid: Laid = LAID, tasks=TASKS, border_m: float = PLACE.border_m) -> list[np.ndarray]:
    """Distance of each block's trees to the nearest site of its own or of a block that it borders."""
    near = bordering(laid.orchard, border_m)
    sites = [
        np.empty((0, 2)) if p is None else laid.candidates.xy[chosen_stations(t, p)]
        for t, p in zip(tasks, placements, strict=True)
    ]
    return [
        cKDTree(np.vstack([sites[i], *(sites[j] for j in near[i])])).query(laid.demand.xy[t.tree])[0]
        for i, t in enumerate(tasks)
    ]


def test_only_blocks_of_one_crop_within_the_distance_border():
    """4 m apart: within 15 m; the third is of another crop; at 3.9 m nobody borders, at 0 sharing is off."""
    ground = neighbours(4.0, ("almond", "almond", "pear"))
    assert bordering(ground, 15.0) == ((1,), (0,), ())
    assert bordering(ground, 4.001) == ((1,), (0,), ())
    assert bordering(ground, 3.9) == bordering(ground, 0.0) == ((), (), ())
    assert bordering(neighbours(), 15.0) == ((1,), (0, 2), (1,))


@pytest.mark.parametrize("gap_m, crops", [(4.0, ("almond", "pear", "almond")), (15.5, ("almond",) * 3)])
def test_nothing_is_shared_across_crops_or_far_borders(gap_m, crops):
    """The placements come back as they were, without a single job."""
    laid = lay(neighbours(gap_m, crops))
    tasks = tasks_of(laid, PLACE)
    alone = spread(tasks, solve_here(solve_jobs(tasks, laid.orchard, PLACE)))

    def nobody(jobs):
        assert not jobs
        return []

    assert shared(laid, tasks, alone, solve_all=nobody) == alone


def test_no_block_gets_farther_and_the_whole_gets_nearer(together):
    """Against the sites of the blocks alone, with the neighbours' counted in both."""
    before, after = served_m(ALONE), served_m(together)
    assert all(a.max() <= b.max() + 1e-6 for a, b in zip(after, before, strict=True))
    total_before, total_after = (sum(float((d**2).sum()) for d in side) for side in (before, after))
    assert total_after < total_before  # on this ground sharing helps
    assert [len(p.sites) for p in together] == [len(p.sites) for p in ALONE]


@pytest.mark.parametrize("seed", range(6))
def test_a_bad_solver_does_no_harm(seed):
    """Whatever sites come back, none is taken that leaves a block farther or the whole worse."""
    rng = np.random.default_rng(seed)

    def anything(jobs):
        return [
            replace(hexagonal(j.problem), sites=np.sort(rng.choice(len(j.problem.candidate_xy), j.problem.count, replace=False)))
            for j in jobs
        ]

    before, after = served_m(ALONE), served_m(shared(solve_all=anything))
    assert all(a.max() <= b.max() + 1e-6 for a, b in zip(after, before, strict=True))
    assert sum(float((d**2).sum()) for d in after) <= sum(float((d**2).sum()) for d in before) * (1 + 1e-12)


def test_the_result_does_not_hang_on_how_jobs_are_spread(together):
    """One by one and from the last to the first, as several processes might."""

    def backwards(jobs):
        return [solve_here([j])[0] for j in reversed(jobs)][::-1]

    for a, b in zip(together, shared(solve_all=backwards), strict=True):
        assert np.array_equal(a.sites, b.sites) and a.levels == b.levels


def test_blocks_solved_at_once_never_border_each_other():
    """Each job sees neighbours that stand still: West and East go together, Mid alone."""
    batches = []

    def watch(jobs):
        batches.append([j.name for j in jobs])
        return solve_here(jobs)

    shared(solve_all=watch)
    assert batches == [["West", "East"], ["Mid"], ["West", "East", "Mid"]]


def test_levels_tell_the_layout_as_shared(together):
    """Values as measured with the neighbours' sites counted, bounds never above them, `optimal` only at the bound."""
    for task, placement, away in zip(TASKS, together, served_m(together), strict=True):
        level = {v.name: v for v in placement.levels}
        assert level["farthest"].value == pytest.approx(away.max())
        assert level["mean_square"].value == pytest.approx((away**2).mean())
        assert level["driven_rows"].value == len(
            set(np.unique(np.array(placement_rows(task, placement))).tolist())
        )
        assert placement.distance_m == pytest.approx(away)
        for v in placement.levels:
            assert v.bound is None or v.bound <= v.value
            assert v.status != "optimal" or v.value == pytest.approx(v.bound)


def placement_rows(task, placement) -> list[int]:
    from mudcap.place.rows import drive_rows

    return drive_rows(LAID.candidates.row[chosen_stations(task, placement)]).tolist()


def test_a_bound_that_was_proven_under_another_cap_is_left_out():
    """A layout with a farther tree may have a smaller mean: the other one's bound says nothing of it."""
    xy = [(float(i), 0.0) for i in range(9)]
    problem = PlacementProblem.from_points(xy, xy, 2, slack=0.0)
    held = solve(replace(problem, objective="mean"), effort="quick")
    proven = (
        Level(name="farthest", value=1.0, bound=1.0, status="optimal"),
        Level(name="mean_square", value=1.0, bound=1.0, status="optimal"),
    )
    farthest, mean_square = with_levels(problem, held, proven).levels
    assert farthest == Level(name="farthest", value=2.0, bound=1.0, status="feasible")
    assert mean_square.bound is None and mean_square.status == "bound_unknown"
    # even one that is above the value is dropped, and the value stays what it is
    impossible = (replace(proven[0], value=9.0), replace(proven[1], bound=50.0))
    assert with_levels(problem, held, impossible).levels[1].value == mean_square.value


def test_a_search_that_was_stopped_while_sharing_marks_the_block():
    """The layout stays, and says that it is not what a whole run would give."""

    def stopped(jobs):
        return [replace(p, stopped=True) for p in solve_here(jobs)]

    assert all(p.stopped for p in shared(solve_all=stopped))


def test_blocks_without_a_site_take_no_part():
    """A barred block between two others: nothing to solve again, nothing served across it."""
    barred = LAID.candidates.reasons.copy()
    barred[LAID.candidates.block == 1] = 4
    laid = LAID.with_stations(reasons=barred)
    tasks = tasks_of(laid, PLACE)
    alone = spread(tasks, solve_here(solve_jobs(tasks, laid.orchard, PLACE)))
    assert alone[1] is None
    assert shared(laid, tasks, alone) == alone
    assert np.isinf(across_m(0, (1,), tasks, alone, laid.candidates, laid.demand)).all()


def test_what_sharing_saves(together):
    """Trees served across, farthest and mean before and after, by other means; a far block has no row."""
    rows = border_savings(LAID.orchard, TASKS, ALONE, together, LAID.candidates, LAID.demand, PLACE.border_m)
    assert [r.block for r in rows] == [0, 1, 2] and sum(r.trees_across for r in rows) > 0
    after = served_m(together)
    for row in rows:
        task, placement = TASKS[row.block], ALONE[row.block]
        alone_m = cKDTree(LAID.candidates.xy[chosen_stations(task, placement)]).query(LAID.demand.xy[task.tree])[0]
        own = cKDTree(LAID.candidates.xy[chosen_stations(task, together[row.block])]).query(LAID.demand.xy[task.tree])[0]
        assert row.farthest_before_m == pytest.approx(alone_m.max()) and row.mean_before_m == pytest.approx(alone_m.mean())
        assert row.farthest_m == pytest.approx(after[row.block].max()) and row.mean_m == pytest.approx(after[row.block].mean())
        assert row.farthest_m <= row.farthest_before_m + 1e-6
        assert row.trees_across == int((after[row.block] < own - 1e-6).sum())
    far = lay(orchard(small_block("A", 0, 0), small_block("B", 300, 0)))
    tasks = tasks_of(far, PLACE)
    alone = spread(tasks, solve_here(solve_jobs(tasks, far.orchard, PLACE)))
    assert border_savings(far.orchard, tasks, alone, alone, far.candidates, far.demand, PLACE.border_m) == ()


def test_trees_that_want_nothing_save_nothing():
    """Weight 0 counts neither among the trees served across nor in the farthest distance."""
    weight = LAID.demand.weight.copy()
    weight[LAID.demand.xy[:, 1] > 70] = 0.0
    laid = Laid(orchard=LAID.orchard, candidates=LAID.candidates, demand=replace(LAID.demand, weight=weight))
    tasks = tasks_of(laid, PLACE)
    rows = border_savings(laid.orchard, tasks, ALONE, ALONE, laid.candidates, laid.demand, PLACE.border_m)
    wants = weight[TASKS[0].tree] > 0
    assert rows[0].farthest_m == pytest.approx(served_m(ALONE)[0][wants].max())


def test_groups_do_not_depend_on_shapes():
    """A block that touches all others is alone in its group, whatever its form."""
    star = block("Star", Point(0, 0).buffer(60), row_spacing_m=6.0, tree_spacing_m=5.0)
    others = (small_block(f"S{k}", x, y) for k, (x, y) in enumerate(((-24, 62), (-24, -115), (62, -25))))
    assert bordering(orchard(star, *others), 5.0) == ((1, 2, 3), (0,), (0,), (0,))
