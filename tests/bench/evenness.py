"""Bench of the even and mean objectives: farthest, mean square, mean, spread of the load and driven rows, all peers in one run.

    python tests/bench/evenness.py --i40 TREES.csv --i40-area 161874 --tsplib rl1304.tsp --tsplib u1432.tsp

"msd" is the mean square over the hexagon yardstick 5/(18√3)·A/N of the plane without edges, no bound where demand is trees.
"""

from __future__ import annotations

import argparse
import resource
import time
from collections.abc import Callable, Iterator

import numpy as np
from farthest import Sites, best_of_200, farthest_first, hexagonal, k_means
from instances import FOOT_M, ROW_SPACING_FT, TREE_SPACING_FT, Instance, b40, b640, i40, tsplib

from mudcap.place import PlacementProblem, solve
from mudcap.place.problem import Effort
from mudcap.place.rows import num_driven
from mudcap.place.swap_ties import assign_evenly

HEXAGON = 5 / (18 * np.sqrt(3))
PUBLISHED_MEDIAN = {
    # totals of distances rounded down: Duran-Mateluna, Ales & Elloumi 2023, European Journal of Operational
    # Research 308:84-96
    ("rl1304", 100): 491_639, ("rl1304", 300): 177_326, ("u1432", 100): 243_793, ("u1432", 300): 123_689,
}  # fmt: skip
_DENSE_LIMIT = 6_000


def fasterpam(instance: Instance, count: int) -> Sites:
    """Return the medoids of FasterPAM on squared distances, by the kmedoids package (a full matrix)."""
    import kmedoids
    from scipy.spatial.distance import cdist

    squares = cdist(instance.xy, instance.xy, "sqeuclidean").astype(np.float32)
    return np.sort(kmedoids.fasterpam(squares, count, random_state=0).medoids).astype(np.int64)


PEERS: dict[str, Callable[[Instance, int], Sites]] = {
    "hexagonal grid, snapped": hexagonal,
    "best of 200 such grids": best_of_200,
    "farthest-first": farthest_first,
    "k-means + snap": k_means,
    "k-medoids (FasterPAM)": fasterpam,
}
_HEAVY = ("best of 200 such grids", "k-means + snap", "k-medoids (FasterPAM)")


def regular_area_m2(instance: Instance) -> float:
    """Return the area that the trees of a regular block stand for [m²]."""
    return len(instance.xy) * ROW_SPACING_FT * TREE_SPACING_FT * FOOT_M**2


def measured(instance: Instance, sites: Sites, area_m2: float) -> str:
    """Return farthest, msd, mean, CV and driven rows of a layout as columns."""
    problem = PlacementProblem.from_points(instance.xy, instance.xy, len(sites))
    _, away, load = assign_evenly(problem, np.sort(sites))
    msd = float((away**2).mean()) / (HEXAGON * area_m2 / len(sites))
    rows = 0 if instance.row is None else num_driven(instance.row[sites])
    return f"{away.max():9.4f} {msd:7.4f} {away.mean():8.4f} {load.std() / load.mean():6.4f} {rows:4d}"


def even_lines(
    instance: Instance, area_m2: float, slack: float, economy: float, efforts: list[Effort], peers: bool
) -> Iterator[str]:
    """Yield ours at each effort, then the peers."""
    head = f"{instance.name:7} slack {slack:4.2f} rows {economy:4.2f}"
    problem = PlacementProblem.from_points(
        instance.xy, instance.xy, instance.count, slack=slack, row_economy=economy, candidate_row=instance.row
    )
    for effort in efforts:
        began = time.process_time()
        found = solve(problem, effort=effort)
        spent = time.process_time() - began
        proof = ", ".join(f"{v.name} ≥ {v.bound:.4g} {v.status}" for v in found.levels if v.bound is not None)
        yield line(head, f"mudcap {effort}", measured(instance, found.sites, area_m2), spent, proof)
    for name, peer in PEERS.items() if peers else ():
        if name in _HEAVY and len(instance.xy) > _DENSE_LIMIT:
            yield line(head, name, "left out: too large for it", 0.0, "")
            continue
        began = time.process_time()
        try:
            sites = peer(instance, instance.count)
        except ImportError as missing:
            yield line(head, name, f"left out: {missing.name} is not installed", 0.0, "")
            continue
        yield line(head, name, measured(instance, sites, area_m2), time.process_time() - began, "")


def mean_lines(instance: Instance, count: int, efforts: list[Effort], peers: bool) -> Iterator[str]:
    """Yield the p-median total of ours at each effort and of the peers, with the distance from the published optimum."""
    head = f"{instance.name:7} p = {count:<14d}"
    published = PUBLISHED_MEDIAN.get((instance.name, count))
    problem = PlacementProblem.from_points(
        instance.xy, instance.xy, count, objective="mean", distance="euclid_floor"
    )

    def shown(total: float) -> str:
        return f"{total:9.0f} " + (f"{100 * (total / published - 1):+.4f} %" if published else "")

    for effort in efforts:
        began = time.process_time()
        found = solve(problem, effort=effort)
        spent = time.process_time() - began
        proof = f"≥ {(found.bound or 0) * len(instance.xy):.0f} {found.status}"
        yield line(head, f"mudcap {effort}", shown(found.objective * len(instance.xy)), spent, proof)
    for name in ("k-means + snap", "k-medoids (FasterPAM)") if peers else ():
        began = time.process_time()
        try:
            sites = PEERS[name](instance, count)
        except ImportError as missing:
            yield line(head, name, f"left out: {missing.name} is not installed", 0.0, "")
            continue
        _, away, _ = assign_evenly(problem, np.sort(sites))
        yield line(head, name, shown(float(away.sum())), time.process_time() - began, "")


def line(head: str, name: str, values: str, seconds: float, note: str) -> str:
    """Return one line of the table."""
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    return f"{head} {name:24} {values:42} {seconds:7.2f} s {memory:5.2f} GB  {note}"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options that both tables share."""
    parser.add_argument("--i40", help="CSV of the irregular block")
    parser.add_argument("--i40-area", type=float, default=161_874.257, help="its area [m²]")
    parser.add_argument("--tsplib", action="append", default=[], help="TSPLIB file, may be repeated")
    parser.add_argument("--efforts", default="quick,normal", help="comma-separated")
    parser.add_argument("--no-peers", action="store_true")
    parser.add_argument("--only", help="names of instances, comma-separated")


def run(args: argparse.Namespace) -> None:
    """Print the lines of every instance asked for."""
    efforts: list[Effort] = args.efforts.split(",")
    wanted = args.only.split(",") if args.only else None
    warm_up()
    print(f"{'instance':27} {'solver':24} farthest     msd     mean     CV rows")
    cases = [(b40(), 0.04, 0.0), (b40(), 0.04, 0.03), (b640(), 0.04, 0.0)]
    if args.i40:
        block = i40(args.i40)
        cases[2:2] = [(block, 0.0, 0.0), (block, 0.04, 0.0), (block, 0.04, 0.03)]
    seen: set[str] = set()
    for instance, slack, economy in cases:
        if wanted is None or instance.name in wanted:
            area = args.i40_area if instance.name == "I40" else regular_area_m2(instance)
            peers = not args.no_peers and instance.name not in seen
            seen.add(instance.name)
            for text in even_lines(instance, area, slack, economy, efforts, peers):
                print(text, flush=True)
    for path in args.tsplib:
        for count in (100, 300):
            instance = tsplib(path)
            if (wanted is None or instance.name in wanted) and (instance.name, count) in PUBLISHED_MEDIAN:
                for text in mean_lines(instance, count, efforts, not args.no_peers):
                    print(text, flush=True)


def warm_up() -> None:
    """Load the compiled code: the first call of a process should not be in the times."""
    row, tree = np.divmod(np.arange(120), 12)
    xy = np.column_stack([row * 6.7, tree * 5.5])
    solve(PlacementProblem.from_points(xy, xy, 10, candidate_row=row), effort="quick")
    solve(PlacementProblem.from_points(xy, xy, 10, objective="mean"), effort="quick")


def main() -> None:
    """Run the bench."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    add_arguments(parser)
    run(parser.parse_args())


if __name__ == "__main__":
    main()
