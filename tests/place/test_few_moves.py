"""Even layouts by few moves from one that stands: within the cap where few lead there, and each move gains what it has to."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from mudcap.place import PlacementProblem, solve
from mudcap.place.cooling import lost_points
from mudcap.place.even import EFFORTS
from mudcap.place.few_moves import few_moves
from mudcap.place.rows import drive_rows
from mudcap.place.swap import build_service, open_sites

PENALTY = 15.0


def field(rows: int = 16, trees: int = 18, count: int = 32, **said) -> PlacementProblem:
    """Trees 5.5 m apart in rows 6.7 m apart; one site for nine of them."""
    xy = [(5.5 * j, 6.7 * i) for i in range(rows) for j in range(trees)]
    row = [i for i in range(rows) for _ in range(trees)]
    return PlacementProblem.from_points(xy, xy, count, candidate_row=row, **said)


FIELD = field()
SITES = solve(FIELD, effort="quick").sites
STANDING = replace(FIELD, previous=SITES, move_penalty=PENALTY)


def squares(problem: PlacementProblem, sites: np.ndarray) -> float:
    away = np.linalg.norm(problem.demand_xy[:, None] - problem.candidate_xy[sites][None], axis=2).min(axis=1)
    return float((away**2).sum())


def farthest(problem: PlacementProblem, sites: np.ndarray) -> float:
    return float(np.linalg.norm(problem.demand_xy[:, None] - problem.candidate_xy[sites][None], axis=2).min(axis=1).max())


def moved(problem: PlacementProblem, start: np.ndarray, cap_m: float = 40.0) -> np.ndarray:
    sites, stopped = few_moves(problem, cap_m, start, SITES, EFFORTS["quick"], 0, None)
    assert not stopped and len(sites) == problem.count == len(np.unique(sites))
    return sites


def jolted(seed: int, count: int) -> np.ndarray:
    """The good layout with some of its sites put anywhere."""
    rng = np.random.default_rng(seed)
    stay = rng.permutation(SITES)[count:]
    return np.sort(np.append(stay, rng.choice(np.setdiff1d(np.arange(288), SITES), count, replace=False)))


def test_a_good_layout_stays_whole():
    """Even in a solver that may search for long."""
    for effort in ("quick", "normal"):
        assert np.array_equal(solve(STANDING, effort=effort, start=SITES, seed=4).sites, SITES)


@pytest.mark.parametrize("seed", range(8))
def test_each_move_gains_what_it_has_to(seed):
    """Squares and penalties together never grow, and no single move is left that would pay, against all of them."""
    problem = replace(STANDING, previous=jolted(seed, 5), row_economy=0.0)
    sites = moved(problem, problem.previous)
    each = PENALTY * 288 / 32

    def cost(layout: np.ndarray) -> float:
        return squares(problem, layout) + each * len(np.setdiff1d(problem.previous, layout))

    assert cost(sites) < cost(problem.previous)
    for k in range(len(sites)):
        for other in np.setdiff1d(np.arange(288), sites):
            assert cost(np.append(np.delete(sites, k), other)) >= cost(sites) - 1e-6


def test_what_a_move_has_to_gain_decides_how_many_there_are():
    """For nothing many, for a little some, for a fortune none."""
    start = jolted(3, 8)
    stay = [
        len(np.intersect1d(moved(replace(STANDING, previous=start, move_penalty=penalty, row_economy=0.0), start), start))
        for penalty in (1e-9, PENALTY, 1e6)
    ]
    assert stay[0] < stay[1] < stay[2] == 32


@pytest.mark.parametrize("seed", range(4))
def test_points_beyond_the_cap_are_brought_back_by_few_moves(seed):
    """A site far from where it belongs leaves a hole; the rest stay where they are but for a few."""
    start = jolted(seed, 1)
    cap_m = 1.1 * farthest(FIELD, SITES)
    assert farthest(FIELD, start) > cap_m
    sites = moved(replace(STANDING, previous=start, move_penalty=100.0), start, cap_m)
    assert farthest(FIELD, sites) <= cap_m and len(np.intersect1d(sites, start)) >= 29


def test_a_cap_out_of_reach_is_widened_no_more_than_need_be():
    """No layout keeps 1 m: what comes back reaches no farther than what stood."""
    start = jolted(1, 4)
    sites = moved(replace(STANDING, previous=start), start, 1.0)
    assert farthest(FIELD, sites) <= farthest(FIELD, start) + 1e-9 and squares(FIELD, sites) < 0.98 * squares(FIELD, start)
    service = build_service(FIELD, power=2, cap_m=farthest(FIELD, start) + 1e-6)
    assert not len(lost_points(service, open_sites(service, sites)))


def test_levels_are_those_of_the_layout_also_beyond_the_cap():
    """Where few moves do not lead within the cap: its own distances, under bounds that are below them."""
    start = jolted(1, 4)
    held = solve(replace(STANDING, previous=start, move_penalty=1e6), effort="quick", start=start)
    level = {v.name: v for v in held.levels}
    assert level["farthest"].value > 1.04 * farthest(FIELD, SITES)
    assert level["farthest"].value == pytest.approx(farthest(FIELD, held.sites)) and level["farthest"].bound < level["farthest"].value
    assert level["mean_square"].value == pytest.approx(squares(FIELD, held.sites) / 288)
    assert 0 < level["mean_square"].bound < level["mean_square"].value


def test_no_other_row_is_driven():
    """Where rows are to be spared, sites go only beside the rows that were driven."""
    start = jolted(2, 3)
    driven = np.unique(drive_rows(FIELD.candidate_row[start]))
    sites = moved(replace(STANDING, previous=start), start)
    assert set(FIELD.candidate_row[sites].tolist()) <= set(driven.tolist()) | set((driven + 1).tolist())


def test_a_stop_leaves_the_sites_where_they_were():
    """Asked at once, nothing has moved."""
    start = jolted(0, 5)
    sites, stopped = few_moves(replace(STANDING, previous=start), 40.0, start, SITES, EFFORTS["normal"], 0, lambda: True)
    assert stopped and np.array_equal(sites, start)
