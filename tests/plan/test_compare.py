"""Trade-offs: a line a density and a row economy, each solved on the plan's own ground, and the numbers beside them."""

from __future__ import annotations

import csv
import io
from dataclasses import fields, replace

import numpy as np
import pytest
from scipy.spatial import cKDTree

from laid import QUICK, small_block
from mudcap.files.trade_csv import trade_off_csv
from mudcap.orchard.model import Exclusion, KeepOut
from mudcap.place.fallback import hexagonal
from mudcap.place.layout import quota
from mudcap.plan.compare import CHECK_S, TradeOff, trade_offs
from mudcap.plan.make import make_plan, solve_here
from mudcap.plan.model import Edit, Params, Plan
from orchards import PLANE, Point, orchard

PLACE = replace(QUICK, slack=0.0, row_economy=0.0)
GROUND = orchard(small_block("B", 0, 0), small_block("A", 200, 0, rows=6))


def grid(jobs):
    return [hexagonal(j.problem) for j in jobs]


def plan_of(ground=GROUND, place=PLACE, edits=()) -> Plan:
    return make_plan(ground, Params(place=place), edits=edits, solve_all=grid)


@pytest.fixture(scope="module")
def rows() -> tuple[TradeOff, ...]:
    return trade_offs(plan_of(), densities=(4.0, 8.0, 12.0, 16.0), row_economies=(0.0, 0.3), solve_all=solve_here)


def test_a_line_a_density_and_a_row_economy_by_block(rows):
    """In the order of the blocks, densities first; what is asked for twice is there once."""
    choices = [(4.0, 0.0), (8.0, 0.0), (12.0, 0.0), (16.0, 0.0), (9.0, 0.0), (9.0, 0.3)]
    assert [(r.block_id, r.per_acre, r.row_economy) for r in rows] == [(b, *c) for b in "BA" for c in choices]
    counted = []

    def watch(jobs):
        counted.append(len(jobs))
        return grid(jobs)

    twice = trade_offs(plan_of(), densities=(9.0, 8.0, 9.0), row_economies=(0.0, 0.1), solve_all=watch)
    assert counted == [2, 2, 2] and len(twice) == 6


def test_more_sites_never_leave_a_tree_farther(rows):
    """At equal row economy and without slack."""
    for block in "AB":
        line = [r for r in rows if r.block_id == block and r.per_acre != 9.0]
        assert [r.sites for r in line] == [quota(GROUND.blocks[block == "A"].acres, r.per_acre) for r in line]
        farthest = [r.farthest_m for r in line]
        assert farthest == sorted(farthest, reverse=True) and farthest[0] > farthest[-1]
        means = [r.mean_m for r in line]
        assert means == sorted(means, reverse=True)


def test_row_economy_spares_rows_at_a_price(rows):
    """Never more rows, never a farther tree beyond the slack, and the mean pays."""
    for block in "AB":
        free, sparing = (r for r in rows if r.block_id == block and r.per_acre == 9.0)
        assert sparing.driven_rows <= free.driven_rows and sparing.mean_m >= free.mean_m - 1e-9
        assert sparing.mean_m <= free.mean_m * 1.3 + 1e-9 and sparing.farthest_m <= free.farthest_m + 1e-6


def test_the_same_again(rows):
    """Counted work: the same lines."""
    assert trade_offs(plan_of(), densities=(4.0, 8.0, 12.0, 16.0), row_economies=(0.0, 0.3), solve_all=solve_here) == rows


def test_the_numbers_are_those_of_the_layout():
    """Measured again from the sites that the solver handed over."""
    plan, placed = plan_of(), {}

    def watch(jobs):
        done = solve_here(jobs)
        placed.update({j.name: (j.problem, p) for j, p in zip(jobs, done, strict=True)})
        return done

    for row in trade_offs(plan, densities=(10.0,), solve_all=watch):
        problem, placement = placed[row.block_id]
        away, nearest = cKDTree(problem.candidate_xy[placement.sites]).query(problem.demand_xy)
        assert row.farthest_m == pytest.approx(away.max()) and row.mean_m == pytest.approx(away.mean())
        block = next(b for b in plan.orchard.blocks if b.block_id == row.block_id)
        # 400 females an acre of almonds, two cavities each
        assert row.cavities_mean * row.sites == pytest.approx(800 * block.acres, abs=2)
        assert row.cavities_max >= row.cavities_mean and nearest.max() < row.sites
        drive_s = row.driven_m / plan.params.travel.cart_alley_m_s
        assert row.round_h == pytest.approx((row.sites * CHECK_S + drive_s) / 3600)
        alleys = {a.left_row: a.line.length for a in block.alleys}
        assert row.driven_rows <= len(alleys) and row.driven_m <= sum(alleys.values()) + 1e-6


def edit_at(kind: str, station: int, plan: Plan) -> Edit:
    lon, lat = PLANE.to_lonlat(plan.candidates.xy[[station]])[0]
    return Edit(kind=kind, lon=lon, lat=lat)


def test_pins_bans_and_added_sites_are_held():
    """Each job has them fixed, without them, and one site more."""
    ground = orchard(small_block("B", 0, 0))
    free = plan_of(ground)
    plan = plan_of(ground, edits=(edit_at("pin", 3, free), edit_at("ban", 40, free), edit_at("add", 70, free)))
    jobs = []

    def watch(asked):
        jobs.extend(asked)
        return grid(asked)

    rows = trade_offs(plan, densities=(8.0,), solve_all=watch)
    (job,) = jobs
    held = job.problem.candidate_xy[job.problem.fixed]
    assert held == pytest.approx(plan.candidates.xy[[3, 70]])
    assert np.hypot(*(job.problem.candidate_xy - plan.candidates.xy[40]).T).min() > 1
    assert rows[0].sites == quota(ground.blocks[0].acres, 8.0) + 1


def test_a_block_without_a_free_station_has_no_line():
    """The others have theirs."""
    shut = KeepOut(name="bees", geometry=Point(25, 25), setback_m=60.0, reason="hives", rule=Exclusion.HIVES)
    rows = trade_offs(plan_of(replace(GROUND, keep_outs=(shut,))), densities=(8.0,), solve_all=grid)
    assert [r.block_id for r in rows] == ["A"]


def test_trees_that_want_nothing_are_no_part_of_the_distances():
    """The far half has weight 0."""
    plan = plan_of(orchard(small_block("B", 0, 0, trees=20)))
    weight = np.where(plan.demand.xy[:, 1] > 50, 0.0, 1.0)
    halved = replace(plan, demand=replace(plan.demand, weight=weight))
    (row,) = trade_offs(halved, densities=(3.0,), solve_all=solve_here)
    (whole,) = trade_offs(plan, densities=(3.0,), solve_all=solve_here)
    assert row.farthest_m < 0.8 * whole.farthest_m


def test_the_table_reads_back_and_no_name_is_a_formula(rows):
    """Comma-separated, names of fields as heads, numbers as numbers."""
    hostile = replace(rows[0], block_id='=HYPERLINK("x"),\n"Q"')
    table = list(csv.reader(io.StringIO(trade_off_csv([hostile, *rows]))))
    assert table[0] == [f.name for f in fields(TradeOff)] and len(table) == len(rows) + 2
    assert not table[1][0].startswith(("=", "+", "-", "@"))
    for line, row in zip(table[2:], rows, strict=True):
        assert line[0] == row.block_id and int(line[3]) == row.sites
        assert float(line[4]) == pytest.approx(row.farthest_m, rel=1e-5)
    assert trade_off_csv(rows) == trade_off_csv(rows)
