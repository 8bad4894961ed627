"""How many puddles a layout needs: greedy, the linear bound, ours and what is proven of it.

    python tests/bench/puddles.py [--i40 CSV] [--effort normal] [--radius 50 …]

The blocks are those of the other benches: B40 with 360 sites in every third row, placed by `farthest` and on a staggered grid, and I40 (a CSV with
columns row, tree, x_m, y_m) on a staggered grid. A puddle may lie in the middle of any alley, every 10 m. CPU seconds.
"""

from __future__ import annotations

import argparse
import itertools
import time

import numpy as np
from instances import FOOT_M, ROW_SPACING_FT, TREE_SPACING_FT, Instance, b40, i40
from numpy.typing import NDArray

from mudcap.place.bounds import counting_price, linear_price, needed_columns
from mudcap.place.cover import cover_at, reduce
from mudcap.place.fallback import hexagonal
from mudcap.place.fewest import fewest_sites
from mudcap.place.near import within
from mudcap.place.problem import PlacementProblem
from mudcap.place.solve import solve

STEP_M = 10.0


def every_third_row() -> NDArray[np.float64]:
    """B40's sites in 20 rows of 18, as evenly as whole trees allow."""
    rows = np.arange(1, 60, 3)
    step = 73 / 18
    places = [
        (row * ROW_SPACING_FT * FOOT_M, np.floor((k + 0.5) * step) * TREE_SPACING_FT * FOOT_M)
        for row in rows
        for k in range(18)
    ]
    return np.array(places)


def staggered(instance: Instance) -> NDArray[np.float64]:
    """The instance's sites on a hexagonal grid, snapped to trees."""
    return instance.xy[hexagonal(PlacementProblem.from_points(instance.xy, instance.xy, instance.count)).sites]


def placed(instance: Instance) -> NDArray[np.float64]:
    """The instance's sites where the farthest tree is as near as can be, and nothing else counts."""
    problem = PlacementProblem.from_points(instance.xy, instance.xy, instance.count, objective="farthest")
    return instance.xy[solve(problem, effort="quick").sites]


def alley_places(instance: Instance) -> NDArray[np.float64]:
    """Middles of the alleys, every 10 m, as far from the first tree as from the last and at least half a step from both."""
    assert instance.row is not None
    rows = np.unique(instance.row)
    out = []
    for low, high in itertools.pairwise(rows):
        a, b = instance.xy[instance.row == low], instance.xy[instance.row == high]
        shift = (b.mean(axis=0) - a.mean(axis=0)) if len(a) == len(b) else _across(instance, a, b)
        start, end = a[0] + shift / 2, a[-1] + shift / 2
        length = float(np.hypot(*(end - start)))
        spare = max(length - STEP_M, 0.0) % STEP_M
        for at in np.arange((STEP_M + spare) / 2, length, STEP_M):
            out.append(start + (end - start) * (at / length if length else 0.0))
    return np.array(out)


def _across(instance: Instance, a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """From one row straight to the next, where the two do not have as many trees."""
    along = (a[-1] - a[0]) / max(float(np.hypot(*(a[-1] - a[0]))), 1e-9)
    gap = b[0] - a[0]
    return np.asarray(gap - (gap @ along) * along)


def greedy(places: NDArray[np.float64], sites: NDArray[np.float64], radius: float) -> int:
    """Puddles when the one that reaches most of the rest comes next."""
    reach = np.hypot(*(places[:, None] - sites[None]).transpose(2, 0, 1)) <= radius + 1e-9
    left, count = reach.any(axis=0), 0
    while left.any():
        left = left & ~reach[int((reach & left).sum(axis=1).argmax())]
        count += 1
    return count


def linear(places: NDArray[np.float64], sites: NDArray[np.float64], radius: float) -> float:
    """The certified bound from linear prices, before rounding up."""
    near = within(places, sites, radius)
    reachable = np.diff(near.demand_ptr) > 0
    reduced = reduce(cover_at(near, radius, reachable, np.ones(len(places), bool)))
    if not reduced.cover.num_rows:
        return float(len(reduced.forced))
    prices = (counting_price(reduced.cover), linear_price(reduced.cover, iterations=20_000))
    return len(reduced.forced) + max(needed_columns(reduced.cover, p).fractional for p in prices)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--i40")
    parser.add_argument("--effort", default="normal", choices=["quick", "normal", "long"])
    parser.add_argument("--radius", type=float, nargs="*", default=[30.0, 50.0, 100.0])
    given = parser.parse_args()
    regular = b40()
    cases = [
        ("B40, every third row", regular, every_third_row()),
        ("B40, least farthest", regular, placed(regular)),
        ("B40, staggered", regular, staggered(regular)),
    ]
    if given.i40:
        irregular = i40(given.i40)
        cases.append(("I40, staggered", irregular, staggered(irregular)))
    print("| sites | R [m] | reached | greedy | linear bound | ours | bound | status | CPU [s] |\n|---|---|---|---|---|---|---|---|---|")
    for name, instance, sites in cases:
        places = alley_places(instance)
        for radius in given.radius:
            start = time.process_time()
            found = fewest_sites(places, sites, radius, effort=given.effort)
            seconds = time.process_time() - start
            print(
                f"| {name} | {radius:g} | {len(sites) - len(found.unreachable)}/{len(sites)} | {greedy(places, sites, radius)} | "
                f"{linear(places, sites, radius):.2f} | {len(found.sites)} | {found.bound} | {found.status} | {seconds:.1f} |",
                flush=True,
            )


if __name__ == "__main__":
    main()
