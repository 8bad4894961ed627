"""Each block of a ranch against the best of 200 hexagonal grids snapped to the same stations with as many sites.

    python tests/bench/blocks.py sample_blocks [--effort normal] [--grids 200]

Prints, a line a block, farthest distance and mean square [m, m²] of ours (row economy 0, and the default), of the grid with
the smallest farthest distance and of the grid with the smallest mean square; then whether ours is below both.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from mudcap.files.layers import read_orchard
from mudcap.files.ranch import open_ranch
from mudcap.orchard.network import travel_network
from mudcap.orchard.rows import lay_rows
from mudcap.place import PlacementProblem, solve
from mudcap.place.candidates import lay_candidates
from mudcap.place.demand import lay_demand
from mudcap.place.layout import block_tasks

Points = NDArray[np.float64]


def problems(ranch: Path) -> Iterator[tuple[str, PlacementProblem]]:
    """Yield the placement problem of each block of a ranch."""
    spec = open_ranch(ranch)
    orchard, _ = read_orchard(spec)
    params = spec.params
    orchard, _ = lay_rows(orchard, params.rows)
    network = travel_network(orchard, params.travel)
    candidates = lay_candidates(orchard, network, params.access, params.mud, params.rows, params.travel)
    tasks = block_tasks(
        orchard, candidates, lay_demand(orchard), place=params.place,
        pinned=np.empty(0, np.int64), added={}, previous=np.empty(0, np.int64),
    )  # fmt: skip
    for task in tasks:
        if task.problem is not None:
            yield orchard.blocks[task.block].block_id, task.problem


def grid(problem: PlacementProblem, rng: np.random.Generator) -> NDArray[np.int64]:
    """A hexagonal grid, turned and shifted by lot, as wide as still gives enough sites, snapped, cut or filled to the count."""
    angle, shift = rng.uniform(0, np.pi / 3), rng.random(2)
    tree = cKDTree(problem.candidate_xy)
    low, high = problem.demand_xy.min(axis=0), problem.demand_xy.max(axis=0)
    span = float(np.hypot(*(high - low)))
    small, large = span / (20 * np.sqrt(problem.count)), span
    best = np.arange(problem.count)
    for _ in range(30):
        spacing = np.sqrt(small * large)
        n = int(span / spacing) + 2
        i, j = np.mgrid[-n : n + 1, -n : n + 1]
        base = (
            np.column_stack([(i + j / 2).ravel(), (j * np.sqrt(3) / 2).ravel()]) * spacing + shift * spacing
        )
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        points = base @ turn.T + (low + high) / 2
        away, nearest = tree.query(points, distance_upper_bound=spacing / 2)
        sites = np.unique(nearest[np.isfinite(away)])
        if len(sites) >= problem.count:
            best, small = sites, spacing
        else:
            large = spacing
    best = rng.permutation(best)[: problem.count] if len(best) > problem.count else best
    return best


def measured(problem: PlacementProblem, sites: NDArray[np.int64]) -> tuple[float, float]:
    """Farthest distance [m] and mean square [m²] of the demand points."""
    away = cKDTree(problem.candidate_xy[sites]).query(problem.demand_xy)[0]
    return float(away.max()), float(np.average(away**2, weights=problem.weights))


def main() -> None:
    """Run the bench."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("ranch", type=Path)
    parser.add_argument("--effort", default="normal", choices=["quick", "normal", "long"])
    parser.add_argument("--grids", type=int, default=200)
    given = parser.parse_args()
    print(
        f"{'block':14}{'sites':>6} {'ours':>16} {'CPU s':>7} {'default economy':>17} {'grid, farthest':>16} {'grid, square':>16}  below"
    )
    for name, problem in problems(given.ranch):
        began = time.process_time()
        plain = PlacementProblem.from_points(
            problem.candidate_xy, problem.demand_xy, problem.count, weights=problem.weights,
            candidate_row=problem.candidate_row, row_economy=0.0, slack=0.0,
        )  # fmt: skip
        ours = measured(problem, solve(plain, effort=given.effort).sites)
        spent = time.process_time() - began
        economy = measured(problem, solve(problem, effort=given.effort).sites)
        grids = [measured(problem, grid(problem, np.random.default_rng(k))) for k in range(given.grids)]
        far, square = min(grids), min(grids, key=lambda g: g[1])
        below = ours[0] <= far[0] + 1e-9 and ours[1] < square[1]
        cells = [f"{a:7.2f} {b:8.2f}" for a, b in (ours, economy, far, square)]
        print(
            f"{name[:13]:14}{problem.count:6} {cells[0]:>16} {spent:7.1f} {cells[1]:>17} {cells[2]:>16} {cells[3]:>16}  {'yes' if below else 'NO'}"
        )


if __name__ == "__main__":
    main()
