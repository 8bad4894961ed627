"""Bench of the farthest level: every instance, all peers in one run, on one machine.

    python tests/bench/farthest.py --i40 TREES.csv --tsplib u1060.tsp --effort normal

Without paths only the regular blocks run. Columns: value and certified bound in the unit of the coordinates, gap,
what is proven, process CPU time, and the largest memory of the process so far.
"""

from __future__ import annotations

import argparse
import resource
import time
from collections.abc import Callable, Iterator

import numpy as np
from instances import Instance, b40, b640, i40, tsplib
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from mudcap.place.farthest import solve_farthest
from mudcap.place.problem import Effort, PlacementProblem

Sites = NDArray[np.int64]
PUBLISHED = {
    # vertex p-center optima, all points candidates; the reductions-and-MIP literature on TSPLIB agrees on them
    ("u1060", 60): 781.17, ("u1060", 100): 570.01, ("u1060", 150): 447.01,
}  # fmt: skip
_PEER_LIMIT = 6_000
_EXACT_PAIRS = 60_000


def farthest_m(instance: Instance, sites: Sites) -> float:
    """Return the farthest point's distance to its nearest site."""
    return float(cKDTree(instance.xy[sites]).query(instance.xy)[0].max())


def filled(instance: Instance, sites: Sites, count: int) -> Sites:
    """Return exactly ``count`` sites: cut off, or filled up at the farthest points."""
    chosen = list(dict.fromkeys(int(s) for s in sites))[:count]
    away = cKDTree(instance.xy[chosen]).query(instance.xy)[0]
    while len(chosen) < count:
        chosen.append(int(away.argmax()))
        away = np.minimum(away, np.hypot(*(instance.xy - instance.xy[chosen[-1]]).T))
    return np.array(chosen)


def hexagonal(instance: Instance, count: int, *, seed: int | None = None) -> Sites:
    """Return a hexagonal grid snapped to the points; turned and shifted by lot where a seed is given."""
    rng = np.random.default_rng(seed)
    angle, shift = (0.0, np.zeros(2)) if seed is None else (rng.uniform(0, np.pi / 3), rng.random(2))
    tree = cKDTree(instance.xy)
    low, high = instance.xy.min(axis=0), instance.xy.max(axis=0)
    span = float(np.hypot(*(high - low)))
    small, large, best = span / (20 * np.sqrt(count)), span, np.empty(0, np.int64)
    for _ in range(40):
        step = (small + large) / 2
        number = int(span / step) + 3
        i, j = np.meshgrid(np.arange(-number, number), np.arange(-number, number))
        grid = np.column_stack([(i + j / 2).ravel(), (j * np.sqrt(3) / 2).ravel()])
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        points = (grid + shift) * step @ turn.T + (low + high) / 2
        away, index = tree.query(points, distance_upper_bound=step / 2)
        sites = np.unique(index[np.isfinite(away)])
        if len(sites) > count:
            small = step
        else:
            large, best = step, sites
        if len(sites) == count:
            break
    return filled(instance, best, count)


def best_of_200(instance: Instance, count: int) -> Sites:
    """Return the best of 200 hexagonal grids."""
    grids = (hexagonal(instance, count, seed=seed) for seed in range(200))
    return min(grids, key=lambda sites: farthest_m(instance, sites))


def farthest_first(instance: Instance, count: int) -> Sites:
    """Return the sites of Gonzalez 1985: always the point farthest from all before."""
    middle = int(np.hypot(*(instance.xy - instance.xy.mean(axis=0)).T).argmin())
    return filled(instance, np.array([middle]), count)


def k_means(instance: Instance, count: int) -> Sites:
    """Return the centres of k-means snapped to the points."""
    from sklearn.cluster import KMeans

    centres = KMeans(n_clusters=count, n_init=1, random_state=0).fit(instance.xy).cluster_centers_
    return filled(instance, cKDTree(instance.xy).query(centres)[1], count)


def one_cp_sat_model(instance: Instance, count: int) -> Sites:
    """Return what one CP-SAT model of the whole level finds in 60 units of its deterministic time."""
    from ortools.sat.python import cp_model

    start = farthest_first(instance, count)
    reach = farthest_m(instance, start)
    pairs = cKDTree(instance.xy).sparse_distance_matrix(
        cKDTree(instance.xy), reach + 1e-9, output_type="ndarray"
    )
    model = cp_model.CpModel()
    use = [model.new_bool_var("") for _ in instance.xy]
    model.add(sum(use) <= count)
    worst = model.new_int_var(0, int(np.ceil(reach * 1000)), "")
    served: dict[int, list[cp_model.IntVar]] = {}
    for i, j, away in pairs:
        by = model.new_bool_var("")
        model.add_implication(by, use[int(j)])
        model.add(worst >= int(np.ceil(away * 1000))).only_enforce_if(by)
        served.setdefault(int(i), []).append(by)
    for choices in served.values():
        model.add_bool_or(choices)
    model.minimize(worst)
    solver = cp_model.CpSolver()
    solver.parameters.max_deterministic_time = 60.0
    solver.parameters.num_workers = 1
    for site, variable in enumerate(use):
        model.add_hint(variable, site in set(start.tolist()))
    if solver.solve(model) not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return start
    return filled(instance, np.flatnonzero([solver.value(v) for v in use]), count)


PEERS: dict[str, Callable[[Instance, int], Sites]] = {
    "hexagonal grid, snapped": hexagonal,
    "best of 200 such grids": best_of_200,
    "farthest-first": farthest_first,
    "k-means + snap": k_means,
    "one CP-SAT model": one_cp_sat_model,
}


def rows(instance: Instance, count: int, effort: Effort, peers: bool) -> Iterator[str]:
    """Yield the table lines of one instance: ours first, then the peers."""
    problem = PlacementProblem.from_points(instance.xy, instance.xy, count, objective="farthest")
    began = time.process_time()
    found = solve_farthest(problem, effort=effort)
    spent = time.process_time() - began
    level = found.level
    note = f"{level.status}, gap {level.gap:.2%}"
    if (instance.name, count) in PUBLISHED:
        note += f", published {PUBLISHED[instance.name, count]}"
    yield line(instance, count, f"mudcap {effort}", level.value, f"{level.bound:10.4f}", spent, note)
    for name, solve in PEERS.items() if peers else ():
        is_heavy = name in ("best of 200 such grids", "k-means + snap", "one CP-SAT model")
        pairs = len(instance.xy) ** 2 / count
        if (is_heavy and len(instance.xy) > _PEER_LIMIT) or ("CP-SAT" in name and pairs > _EXACT_PAIRS):
            yield line(instance, count, name, np.nan, "", 0.0, "left out: too large for it")
            continue
        began = time.process_time()
        try:
            value = farthest_m(instance, solve(instance, count))
        except ImportError as missing:
            yield line(instance, count, name, np.nan, "", 0.0, f"left out: {missing.name} is not installed")
            continue
        yield line(instance, count, name, value, "", time.process_time() - began, "")


def line(
    instance: Instance, count: int, name: str, value: float, bound: str, seconds: float, note: str
) -> str:
    """Return one line of the table."""
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    return (
        f"{instance.name:8} {count:6} {name:26} {value:10.4f} {bound:>10} {seconds:8.2f} s {memory:5.2f} GB  {note}"
    )


def main() -> None:
    """Run the bench."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--i40", help="CSV of the irregular block")
    parser.add_argument("--tsplib", action="append", default=[], help="TSPLIB file, may be repeated")
    parser.add_argument("--counts", default="60,100,150", help="numbers of sites for the TSPLIB files")
    parser.add_argument("--effort", default="normal", choices=["quick", "normal", "long"])
    parser.add_argument("--no-peers", action="store_true")
    parser.add_argument("--only", help="names of instances, comma-separated")
    args = parser.parse_args()
    cases = [(b40(), 360), (b40(), 300), (b40(), 299), (b640(), 5760)]
    if args.i40:
        cases.insert(1, (i40(args.i40), 360))
    for path in args.tsplib:
        cases += [(tsplib(path), int(count)) for count in args.counts.split(",")]
    # the first call of a process loads compiled code: keep it out of the times
    solve_farthest(PlacementProblem.from_points(np.eye(2), np.eye(2), 1), effort="quick")
    for instance, count in cases:
        if args.only and instance.name not in args.only.split(","):
            continue
        for text in rows(instance, count, args.effort, not args.no_peers):
            print(text, flush=True)


if __name__ == "__main__":
    main()
