"""The general tour: published optima, brute force with sides and headings, and wrong calls."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from mudcap.route.tour import TourProblem, plane_problem, solve_tour

EIL51 = """37 52 49 49 52 64 20 26 40 30 21 47 17 63 31 62 52 33 51 21 42 41 31 32 5 25 12 42 36 16 52 41 27 23 17 33 13 13
57 58 62 42 42 57 16 57 8 52 7 38 27 68 30 48 43 67 58 48 58 27 37 69 38 46 46 10 61 33 62 63 63 69 32 22 45 35 59 15 5 6
10 17 21 10 5 64 30 15 39 10 32 39 25 32 25 55 48 28 56 37 30 40"""
BURMA14 = """16.47 96.10 16.47 94.44 20.09 92.54 22.39 93.37 25.23 97.24 22.00 96.05 20.47 97.02 17.20 96.29 16.30 97.38
14.05 98.12 16.53 97.38 21.52 95.59 19.41 97.13 20.09 94.55"""
ULYSSES16 = """38.24 20.42 39.57 26.15 40.56 25.32 36.26 23.12 33.48 10.54 37.56 12.19 38.42 13.11 37.52 20.44 41.23 9.10
41.17 13.05 36.08 -5.21 38.47 15.13 38.15 15.35 37.51 15.17 35.49 14.32 39.36 19.56"""


def _points(text: str) -> np.ndarray:
    return np.array(text.split(), float).reshape(-1, 2)


def _plane(xy: np.ndarray) -> np.ndarray:
    """TSPLIB's EUC_2D: rounded to whole numbers."""
    return np.rint(np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1)))


def _globe(degrees: np.ndarray) -> np.ndarray:
    """TSPLIB's GEO: degrees and minutes on a sphere of 6378.388 km, its π of 3.141592 and all."""
    whole = np.trunc(degrees)
    lat, lon = (3.141592 * (whole + 5 * (degrees - whole) / 3) / 180).T
    q1, q2, q3 = np.cos(lon[:, None] - lon), np.cos(lat[:, None] - lat), np.cos(lat[:, None] + lat)
    inner = np.clip(0.5 * ((1 + q1) * q2 - (1 - q1) * q3), -1, 1)
    distance = np.trunc(6378.388 * np.arccos(inner) + 1)
    np.fill_diagonal(distance, 0)
    return distance


@pytest.mark.parametrize(
    ("distance", "optimum"),
    [(_plane(_points(EIL51)), 426), (_globe(_points(BURMA14)), 3323), (_globe(_points(ULYSSES16)), 6859)],
    ids=["eil51", "burma14", "ulysses16"],
)
def test_published_optima(distance: np.ndarray, optimum: int) -> None:
    """Optima and distance rules as in TSPLIB (Reinelt 1991, ORSA J. Comput. 3:376–384)."""
    assert solve_tour(plane_problem(distance), kicks=20_000).length == optimum


def _random_problem(seed: int, stops: int, choices: int, headings: bool) -> TourProblem:
    """Stops with some points each, distances that differ by direction; with headings the twins' distances mirror."""
    rng = np.random.default_rng(seed)
    size = stops * choices + 2
    xy = rng.uniform(0, 100, (size, 2))
    distance = np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1)) + rng.uniform(0, 15, (size, size))
    twin = np.arange(size)
    if headings:
        twin[2:] = np.arange(2, size).reshape(-1, 2)[:, ::-1].ravel()
        distance = np.minimum(distance, distance[np.ix_(twin, twin)].T)
    pick = np.arange(2, size).reshape(stops, choices)
    pick[::2, -1] = -1 if choices > 2 else pick[::2, -1]
    return TourProblem(distance=distance, choices=pick, twin=twin, start=0, end=1)


@pytest.mark.parametrize("headings", [False, True])
@pytest.mark.parametrize("seed", range(10))
def test_equals_brute_force(seed: int, headings: bool) -> None:
    """All orders and all points of six stops."""
    problem = _random_problem(seed, 6, 2, headings)
    d = problem.distance
    best = np.inf
    for order in itertools.permutations(range(6)):
        reach = {int(p): d[0, p] for p in problem.choices[order[0]]}
        for s in order[1:]:
            reach = {int(q): min(c + d[p, q] for p, c in reach.items()) for q in problem.choices[s]}
        best = min(best, min(c + d[p, 1] for p, c in reach.items()))
    tour = solve_tour(problem, kicks=2_000, seed=seed)
    assert tour.length == pytest.approx(best)


@pytest.mark.parametrize("stops", [1, 2, 3, 40])
def test_tour_is_what_it_says(stops: int) -> None:
    """Every stop once, each at one of its points, and the length is that of the way through them."""
    problem = _random_problem(stops, stops, 3, False)
    tour = solve_tour(problem, kicks=500)
    assert sorted(tour.stops.tolist()) == list(range(stops))
    assert all(p in problem.choices[s] for s, p in zip(tour.stops, tour.points, strict=True))
    through = [0, *tour.points.tolist(), 1]
    assert tour.length == pytest.approx(sum(problem.distance[a, b] for a, b in itertools.pairwise(through)))


def test_nothing_to_see_and_nowhere_to_go() -> None:
    """Without stops the tour is the way from start to end; an unreachable stop is a wrong call."""
    assert solve_tour(plane_problem([[0.0]]), kicks=10).length == 0.0
    with pytest.raises(ValueError, match="cannot be reached"):
        solve_tour(plane_problem([[0.0, np.inf], [np.inf, 0.0]]), kicks=10)
