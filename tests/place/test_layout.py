"""From stations and trees to one problem a block: the quota, what is free, what is relaxed, what is held."""

from __future__ import annotations

from dataclasses import replace
from decimal import ROUND_HALF_UP, Decimal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from laid import QUICK, Laid, lay, small_block, tasks_of
from mudcap.orchard.model import Exclusion
from mudcap.place.layout import (
    SOFT,
    chosen_stations,
    quota,
    solve_jobs,
    spread,
    with_bans,
)
from mudcap.place.params import AccessParams, MudParams, PlaceParams
from mudcap.place.solve import solve
from orchards import one_row, orchard

WALK, MUD, HARD = int(Exclusion.TOO_FAR_TO_WALK), int(Exclusion.NO_MUD), int(Exclusion.HIVES)
ROW = lay(one_row())
"""Ten stations in a row; 0.091 acres."""
ACRES = ROW.orchard.blocks[0].acres


def place_for(sites: float, **said: object) -> PlaceParams:
    """So many sites on the one row."""
    return replace(QUICK, per_acre=sites / ACRES, **said)


def with_flags(flags: list[int], **arrays: object) -> Laid:
    return ROW.with_stations(reasons=np.array(flags), **arrays)


@pytest.mark.parametrize("acres", ["0.01", "0.05", "0.055", "2.5", "2.4999", "27.95", "40", "102.5"])
@pytest.mark.parametrize("per_acre", ["8", "9", "10", "8.5", "0.1"])
def test_the_quota_is_rounded_half_up_and_at_least_one(acres, per_acre):
    """Against decimal arithmetic."""
    exact = (Decimal(acres) * Decimal(per_acre)).to_integral_value(ROUND_HALF_UP)
    assert quota(float(acres), float(per_acre)) == max(1, int(exact))


def test_enough_free_stations_relax_nothing():
    """Barred stations stay out, also those that miss a soft limit by little."""
    (task,) = tasks_of(with_flags([0, WALK, 0, MUD, HARD, 0, 0, 0, 0, 0], walk_m=np.full(10, 60.1)), place_for(7))
    assert task.station.tolist() == [0, 2, 5, 6, 7, 8, 9] and task.relaxed.size == 0
    assert task.problem.count == task.quota == 7


def test_the_least_beyond_its_limit_joins_first():
    """5 m beyond the walk limit comes before 6 m beyond the mud limit, whatever the limits are; both beyond add up."""
    laid = with_flags(
        [0, WALK, MUD, WALK | MUD, WALK, 0, HARD, HARD, HARD, HARD],
        walk_m=np.array([0, 65.0, 0, 61.0, 90.0, 0, 0, 0, 0, 0]),
        mud_m=np.array([0, 0, 56.0, 52.0, 0, 0, 0, 0, 0, 0]),
    )
    order = []
    for sites in range(2, 8):
        (task,) = tasks_of(laid, place_for(sites))
        order.append(task.relaxed.tolist())
        assert task.problem.count == min(sites, 6) == len(task.station) and task.quota == sites
    assert order == [[], [3], [1, 3], [1, 2, 3], [1, 2, 3, 4], [1, 2, 3, 4]]


def test_the_limits_in_force_decide_what_is_least_beyond():
    """With a walk limit of 80 m, 90 m is only 10 beyond."""
    laid = with_flags([0, WALK, MUD, *[HARD] * 7], walk_m=np.full(10, 90.0), mud_m=np.full(10, 65.0))
    (task,) = tasks_of(laid, place_for(2), access=AccessParams(walk_m=80.0), mud=MudParams(limit_m=50.0))
    assert task.relaxed.tolist() == [1]
    (task,) = tasks_of(laid, place_for(2), access=AccessParams(walk_m=60.0), mud=MudParams(limit_m=50.0))
    assert task.relaxed.tolist() == [2]


def test_a_station_that_nothing_reaches_is_not_relaxed():
    """No mud at all is no limit missed by little."""
    laid = with_flags([0, MUD, *[HARD] * 8], mud_m=np.full(10, np.inf))
    (task,) = tasks_of(laid, place_for(5))
    assert task.station.tolist() == [0] and task.relaxed.size == 0


@settings(max_examples=150, deadline=None)
@given(
    flags=st.lists(st.sampled_from([0, 0, *map(int, Exclusion), WALK | HARD, WALK | MUD]), min_size=10, max_size=10),
    pins=st.sets(st.integers(0, 9), max_size=4), sites=st.integers(1, 14), seed=st.integers(0, 99),
)  # fmt: skip
def test_only_soft_limits_give_way_and_only_as_far_as_needed(flags, pins, sites, seed):
    """Whatever bars the stations: hard rules hold except at pins, and no more is relaxed than is missing."""
    rng = np.random.default_rng(seed)
    laid = with_flags(flags, walk_m=rng.uniform(60, 99, 10), mud_m=rng.uniform(50, 99, 10))
    (task,) = tasks_of(laid, place_for(sites), pinned=np.array(sorted(pins), np.int64))
    free = {k for k in range(10) if flags[k] == 0} | pins
    soft = {k for k in range(10) if flags[k] and not flags[k] & ~int(SOFT)} - pins
    assert set(task.relaxed.tolist()) <= soft
    assert len(task.relaxed) == min(len(soft), max(0, sites - len(free)))
    assert set(task.station.tolist()) == free | set(task.relaxed.tolist())
    if not len(task.station):
        assert task.problem is None
        return
    assert task.problem.count == min(max(sites, len(pins)), len(task.station))
    assert set(task.station[task.problem.fixed].tolist()) == pins


def test_a_pin_is_a_site_even_where_a_rule_speaks_against_it():
    """Solved, not only asked."""
    laid = with_flags([HARD, 0, 0, 0, 0, 0, 0, 0, 0, HARD])
    (task,) = tasks_of(laid, place_for(3), pinned=np.array([9]))
    stations = chosen_stations(task, solve(task.problem, effort="quick"))
    assert 9 in stations and 0 not in stations and len(stations) == 3


def test_added_sites_come_on_top_of_the_quota():
    """`add` is a pin and one site more."""
    (task,) = tasks_of(ROW, place_for(3), pinned=np.array([2]), added={0: 1})
    assert (task.quota, task.added, task.problem.count) == (4, 1, 4)


def test_bans_bar_a_station_and_keep_its_other_reasons():
    """Marked, so that the map shows why; the given candidates stay as they are."""
    laid = with_flags([MUD, *[0] * 9])
    banned = with_bans(laid.candidates, np.array([0, 4]))
    assert banned.reasons.tolist() == [MUD | int(Exclusion.BANNED), 0, 0, 0, int(Exclusion.BANNED), *[0] * 5]
    assert laid.candidates.reasons[4] == 0 and not banned.reasons.flags.writeable


def test_jobs_leave_out_blocks_without_a_problem_and_placements_find_their_tasks_again():
    """A block that is wholly banned has none; the others keep their order."""
    ground = lay(orchard(small_block("A", 0, 0), small_block("B", 500, 0), small_block("C", 1000, 0)))
    b = np.flatnonzero(ground.candidates.block == 1)
    laid = Laid(orchard=ground.orchard, candidates=with_bans(ground.candidates, b), demand=ground.demand)
    tasks = tasks_of(laid)
    jobs = solve_jobs(tasks, laid.orchard, replace(QUICK, seed=3))
    assert [(j.name, j.effort, j.seed, j.start) for j in jobs] == [("A", "quick", 3, None), ("C", "quick", 3, None)]
    solved = [solve(j.problem, effort="quick") for j in jobs]
    assert spread(tasks, solved) == (solved[0], None, solved[1])


def test_a_kept_plan_is_where_the_search_starts():
    """Its stations, as far as they are free, and the penalty of leaving them."""
    laid = with_flags([HARD, *[0] * 9])
    tasks = tasks_of(laid, place_for(3, move_penalty_m2=7.0), previous=np.array([0, 4, 8]))
    (job,) = solve_jobs(tasks, laid.orchard, QUICK)
    assert tasks[0].station[job.start].tolist() == [4, 8] and job.problem.move_penalty == 7.0
    assert set(solve(job.problem, effort="quick", start=job.start).sites) >= set(job.start)
