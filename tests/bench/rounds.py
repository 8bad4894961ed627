"""Rounds: ours beside the snake, nearest neighbour, LKH, OR-tools and PyVRP, on the same network; the whole table in one run.

    python tests/bench/rounds.py                       ours, the snake and nearest neighbour, in a minute or so
    python tests/bench/rounds.py --seconds 30          and LKH (elkai), OR-tools and PyVRP with that time for each block
    python tests/bench/rounds.py --i40 CSV WKT         and I40 with gaps, a pond and a notch; --long 300 for its OR-tools run
    python tests/bench/rounds.py --tsplib FILE …       and the general tour on TSPLIB points, beside LKH
    python tests/bench/rounds.py --only crews scale    only some parts: blocks, irregular, crews, scale, tsplib

The peers get each stop fixed to the drive row from which our round serves it, which can only help them: they cannot choose.
Times of ours are CPU seconds of this process; the first call, which compiles or loads the compiled programme, is not counted.
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra
from scipy.spatial.distance import cdist

sys.path.insert(0, str(Path(__file__).parents[1]))  # the makers of orchards that the tests share
from instances import tsplib
from rounds_crews import by_clusters, by_stops, crew_problem, side_by_side, stop_seconds
from rounds_ground import ell_with_pond, ground_of, i40_with_pond

from mudcap.route.aisles import solve_block
from mudcap.route.blocktour import BlockTour
from mudcap.route.options import RoundParams
from mudcap.route.service import solve_service
from mudcap.route.sides import sides_of
from mudcap.route.stopgraph import StopGraph, block_graph
from mudcap.route.tour import plane_problem, solve_tour

FOOT_M = 0.3048
ROW_M, TREE_M, HEADLAND_M = 22 * FOOT_M, 18 * FOOT_M, 25 * FOOT_M


def regular_layout(num_rows: int, num_trees: int, every: int, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Row and position of sites in every k-th tree row, shifted from row to row."""
    rows = np.arange(every // 2, num_rows, every)
    each = count // len(rows)
    shift = np.where(np.arange(len(rows)) % 2, 0.25, 0.75)
    tree = np.floor((np.arange(each)[None] + shift[:, None]) * num_trees / each)
    return np.repeat(rows, each), (tree.ravel() + 0.5) * TREE_M


def block(num_rows: int, num_trees: int, row: np.ndarray, y: np.ndarray, levels: int) -> StopGraph:
    """A regular block with evenly spread headlands and cross-roads."""
    ends = -HEADLAND_M / 2, num_trees * TREE_M + HEADLAND_M / 2
    return block_graph(
        aisle_x_m=np.arange(num_rows + 1) * ROW_M,
        cross_y_m=np.linspace(*ends, levels),
        stop_row=row,
        stop_y_m=y,
    )


def instances() -> Iterator[tuple[str, StopGraph]]:
    """The blocks of the table."""
    for levels in (2, 3):
        for every in (1, 2, 3):
            row, y = regular_layout(60, 73, every, 360)
            yield f"B40, 360 sites, rows 1:{every}, {levels - 2} cross-roads", block(60, 73, row, y, levels)
    for seed in range(3):
        rng = np.random.default_rng(seed)
        row, y = regular_layout(60, 73, 1, 360)
        pick = np.sort(rng.choice(360, 60, replace=False))
        yield f"B40, 60 of 360 (seed {seed}), 1 cross-road", block(60, 73, row[pick], y[pick], 3)
    for every in (1, 3):
        row, y = regular_layout(240, 293, every, 5_760)
        yield f"B640, 5,760 sites, rows 1:{every}, 5 cross-roads", block(240, 293, row, y, 7)


def snake_m(graph: StopGraph) -> float:
    """Metres of the snake: every drive row needed from headland to headland, left to right, home along the first headland."""
    last = np.full(graph.num_stops, -1)
    first = np.full(graph.num_stops, np.iinfo(np.int64).max)
    column = graph.column[graph.tail[graph.place_edge]]
    np.maximum.at(last, graph.place_stop, column)
    np.minimum.at(first, graph.place_stop, column)
    needed: list[int] = []
    for s in np.argsort(last, kind="stable").tolist():
        if not needed or needed[-1] < first[s]:
            needed.append(int(last[s]))
    x, y = graph.vertex_xy.T
    across = 2 * float(x[graph.column == needed[-1]][0] - x[graph.start])
    return across + (len(needed) + len(needed) % 2) * float(y.max() - y.min())


def distances(graph: StopGraph, tour: BlockTour, params: RoundParams | None = None) -> np.ndarray:
    """Driving time (metres at the default speeds of 1) between the start and all stops, each where the round serves it."""
    params = params or RoundParams()
    side = sides_of(tour.legs, graph.num_stops)
    keep = graph.place_edge == side[graph.place_stop]
    v = len(graph.vertex_xy)
    links: list[tuple[int, int, float]] = []
    for e in range(len(graph.tail)):
        speed = params.aisle_m_s if graph.is_aisle[e] else params.road_m_s
        mine = np.flatnonzero(keep & (graph.place_edge == e))
        mine = mine[np.argsort(graph.place_m[mine])]
        at = [0.0, *graph.place_m[mine].tolist(), float(graph.length_m[e])]
        chain = [int(graph.tail[e]), *(v + graph.place_stop[mine]).tolist(), int(graph.head[e])]
        links += [
            (chain[k], chain[k + 1], max((at[k + 1] - at[k]) / speed, 1e-9)) for k in range(len(chain) - 1)
        ]
    i, j, d = zip(*links, strict=True)
    size = v + graph.num_stops
    net = csr_matrix((d, (i, j)), shape=(size, size))
    points = [graph.start, *range(v, size)]
    return np.asarray(dijkstra(net, directed=False, indices=points)[:, points])


def length(distance: np.ndarray, order: list[int]) -> float:
    """Metres of a closed tour."""
    return float(distance[order, np.roll(order, -1)].sum())


def nearest_neighbour(distance: np.ndarray, seconds: float) -> float:
    """Always on to the nearest stop not yet served."""
    order, left = [0], np.ones(len(distance), bool)
    left[0] = False
    while left.any():
        step = np.where(left, distance[order[-1]], np.inf)
        order.append(int(step.argmin()))
        left[order[-1]] = False
    return length(distance, order)


def lkh(distance: np.ndarray, seconds: float) -> float:
    """Lin–Kernighan–Helsgaun, one run through elkai (its time is its own)."""
    import elkai

    order = elkai.DistanceMatrix(np.rint(distance * 100).astype(int).tolist()).solve_tsp()
    return length(distance, order[:-1])


def or_tools(distance: np.ndarray, seconds: float) -> float:
    """OR-tools routing with guided local search."""
    from ortools.constraint_solver import pywrapcp, routing_enums_pb2

    whole = np.rint(distance * 100).astype(int)
    manager = pywrapcp.RoutingIndexManager(len(whole), 1, 0)
    model = pywrapcp.RoutingModel(manager)
    model.SetArcCostEvaluatorOfAllVehicles(model.RegisterTransitMatrix(whole.tolist()))
    search = pywrapcp.DefaultRoutingSearchParameters()
    search.first_solution_strategy = routing_enums_pb2.FirstSolutionStrategy.PATH_CHEAPEST_ARC
    search.local_search_metaheuristic = routing_enums_pb2.LocalSearchMetaheuristic.GUIDED_LOCAL_SEARCH
    search.time_limit.FromMilliseconds(int(seconds * 1000))
    found = model.SolveWithParameters(search)
    order, at = [], model.Start(0)
    while not model.IsEnd(at):
        order.append(manager.IndexToNode(at))
        at = found.Value(model.NextVar(at))
    return length(distance, order)


def py_vrp(distance: np.ndarray, seconds: float) -> float:
    """PyVRP's hybrid genetic search with one vehicle."""
    from pyvrp import Model
    from pyvrp.stop import MaxRuntime

    whole = np.rint(distance * 100).astype(int)
    model = Model()
    places = [model.add_location(0, 0) for _ in range(len(whole))]
    model.add_depot(places[0])
    for place in places[1:]:
        model.add_client(place)
    model.add_vehicle_type(1)
    for i, a in enumerate(places):
        for j, b in enumerate(places):
            model.add_edge(a, b, distance=int(whole[i, j]))
    result = model.solve(MaxRuntime(seconds), display=False, seed=0)
    return float(result.best.distance()) / 100


def mixed_block(rng: np.random.Generator) -> StopGraph:
    """Twenty to forty rows with a site in every second or third, half of them to see; up to one cross-road."""
    rows = int(rng.integers(20, 41))
    row, y = regular_layout(rows, 73, int(rng.integers(2, 4)), 180)
    pick = np.sort(rng.choice(len(row), len(row) // 2, replace=False))
    return block(rows, 73, row[pick], y[pick], int(rng.integers(2, 4)))


def small_block(rng: np.random.Generator) -> StopGraph:
    """Fourteen rows of eighteen trees, some two acres, with twenty sites."""
    row, y = regular_layout(14, 18, 1, 28)
    pick = np.sort(rng.choice(len(row), 20, replace=False))
    return block(14, 18, row[pick], y[pick], 2)


def full_block(rng: np.random.Generator) -> StopGraph:
    """Thirty to sixty rows with some 200 sites."""
    rows = int(rng.integers(30, 61))
    row, y = regular_layout(rows, 73, int(rng.integers(1, 4)), 212)
    return block(rows, 73, row, y, int(rng.integers(2, 4)))


def bench_crews(seconds: float) -> None:
    """Print finishing times in hours from midnight of the first day."""
    print(
        f"\n{'12 blocks, 3 crews, 2 days':30}{'stops':>7}{'finish h':>10}{'CPU s':>8}{'OR-tools, a node':>22}"
    )
    print(f"{'':55}{'a stop':>10}{'10 stops':>10}{'5 stops':>10}{'time s each':>13}")
    strewn = [(f"strewn, seed {seed}", crew_problem(seed, mixed_block)) for seed in range(3)]
    beside = [(f"side by side, seed {seed}", side_by_side(seed, mixed_block)) for seed in range(2)]
    small = [(f"two acres each, seed {seed}", side_by_side(seed, small_block, crews=1, days=1)) for seed in range(2)]
    for name, problem in (*strewn, *beside, *small):
        began = time.process_time()
        plan = solve_service(problem)
        spent = time.process_time() - began
        matrix, service, rounds = stop_seconds(problem, distances)
        limit = max(10 * spent, seconds)
        theirs = [
            by_stops(problem, matrix, service, limit),
            *(by_clusters(problem, matrix, service, rounds, limit, size) for size in (10, 5)),
        ]
        assert not plan.unserved
        print(
            f"{name:30}{len(service) - 1:7d}{plan.finish_s / 3600:10.2f}{spent:8.1f}"
            + "".join(f"{h:10.2f}" for h in theirs)
            + f"{limit:13.0f}",
            flush=True,
        )


def bench_scale() -> None:
    """Print time and memory against the number of blocks."""
    print(f"\n{'crews and days':30}{'stops':>7}{'days':>6}{'paid h':>9}{'bound h':>9}{'CPU s':>8}{'MB':>6}")
    for blocks in (8, 15, 30):
        problem = crew_problem(7, full_block, blocks=blocks, crews=4, days=10, reach_m=3_000.0)
        began = time.process_time()
        plan = solve_service(problem)
        spent = time.process_time() - began
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
        stops = sum(w.graph.num_stops for w in problem.work)
        assert not plan.unserved
        print(
            f"{f'{blocks} blocks, 4 crews':30}{stops:7d}{1 + max(r.day for r in plan.routes):6d}{plan.paid_s / 3600:9.1f}"
            f"{plan.bound_s / 3600:9.1f}{spent:8.1f}{peak:6d}",
            flush=True,
        )


def bench_irregular(i40: list[str] | None, seconds: float, long_s: float) -> None:
    """Print rounds on ground that is no lattice; on I40 OR-tools gets the long time."""
    orchards = [
        (f"L-shape with a pond, slanted rows ({seed})", ell_with_pond(seed), seconds) for seed in range(3)
    ]
    if i40:
        orchards.append(("I40, gaps, pond, notch", i40_with_pond(*i40), long_s))
        orchards.append(("I40, the same and a road across", i40_with_pond(*i40, cross_road=True), long_s))
    print(
        f"\n{'irregular ground':46}{'metres':>10}{'gap':>8}{'CPU s':>8}{'nearest':>10}{'LKH':>10}{'OR-tools':>10}"
    )
    for name, orchard, limit in orchards:
        for count, every in ((360, 1), (60, 1)):
            graph = ground_of(orchard, count, 1, every=every).graph
            began = time.process_time()
            tour = solve_block(graph)
            spent = time.process_time() - began
            gap = "none" if tour.gap is None else f"{100 * tour.gap:.2f}%"
            matrix = distances(graph, tour)
            peers = [nearest_neighbour(matrix, 0.0)]
            peers += [lkh(matrix, 0.0), or_tools(matrix, limit)] if limit else []
            print(
                f"{f'{name}, {graph.num_stops} sites':46}{tour.length_m:10.1f}{gap:>8}{spent:8.2f}"
                + "".join(f"{100 * (p / tour.length_m - 1):+9.2f}%" for p in peers),
                flush=True,
            )


def bench_tsplib(paths: list[str]) -> None:
    """Print the general tour on points of the plane, rounded as TSPLIB has it, beside LKH."""
    print(f"\n{'general tour':30}{'ours':>10}{'CPU s':>8}{'LKH':>10}")
    for path in paths:
        instance = tsplib(path)
        whole = np.rint(cdist(instance.xy, instance.xy))
        began = time.process_time()
        tour = solve_tour(plane_problem(whole), kicks=40_000)
        spent = time.process_time() - began
        theirs = lkh(whole, 0.0) if len(whole) <= 500 else float("nan")
        print(f"{instance.name:30}{tour.length:10.0f}{spent:8.1f}{theirs:10.0f}", flush=True)


def bench_blocks(seconds: float) -> None:
    """Print rounds through single regular blocks."""
    peers: dict[str, Callable[[np.ndarray, float], float]] = {"nearest": nearest_neighbour}
    if seconds:
        peers |= {"LKH": lkh, "OR-tools": or_tools, "PyVRP": py_vrp}
    print(
        f"{'block':46}{'metres':>10}{'gap':>8}{'CPU s':>8}{'MB':>6}{'snake':>9}"
        + "".join(f"{p:>10}" for p in peers)
    )
    for name, graph in instances():
        began = time.process_time()
        tour = solve_block(graph)
        spent = time.process_time() - began
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
        gap = "none" if tour.gap is None else f"{100 * tour.gap:.2f}%"
        over = [f"{100 * (snake_m(graph) / tour.length_m - 1):+8.1f}%"]
        if graph.num_stops <= 400:
            distance = distances(graph, tour)
            over += [f"{100 * (run(distance, seconds) / tour.length_m - 1):+9.1f}%" for run in peers.values()]
        print(f"{name:46}{tour.length_m:10.1f}{gap:>8}{spent:8.2f}{peak:6d}" + "".join(over), flush=True)


def sampled(rows: int, trees: int, every: int, count: int, levels: int, picked: int, seed: int) -> StopGraph:
    """Some of the sites of a regular block, picked at random."""
    row, y = regular_layout(rows, trees, every, count)
    pick = np.sort(np.random.default_rng(seed).choice(len(row), picked, replace=False))
    return block(rows, trees, row[pick], y[pick], levels)


def up_and_down(graph: StopGraph) -> StopGraph:
    """The graph with every second drive row open upward only, the others downward only."""
    whole = graph.is_aisle & (graph.head >= 0)
    rises = graph.vertex_xy[np.maximum(graph.head, 0), 1] > graph.vertex_xy[graph.tail, 1]
    way = np.where(whole, np.where((graph.column[graph.tail] % 2 == 0) == rises, 1, -1), 0)
    return replace(graph, one_way=way.astype(np.int8))


def bench_hard() -> None:
    """Print rounds that the exact programme cannot take, or not prove, with the bound found for each."""
    print(f"\n{'hard ground':52}{'by':>11}{'metres':>10}{'bound':>10}{'gap':>8}{'CPU s':>8}{'MB':>6}")
    cases = [
        ("640 acres, 576 of 5,760 sites, 6 cross-roads", sampled(240, 293, 1, 5_760, 8, 576, 0)),
        ("the same, sites in every third row", sampled(240, 293, 3, 5_760, 8, 576, 0)),
        ("40 rows, 16 roads, 100 of 400 sites", sampled(40, 146, 1, 400, 16, 100, 0)),
        ("40 rows, 16 roads, 400 sites", sampled(40, 146, 1, 400, 16, 400, 0)),
        ("60 rows, 14 roads, 150 of 720 sites", sampled(60, 146, 2, 720, 14, 150, 0)),
        ("30 rows, 20 roads, 60 of 90 sites", sampled(30, 60, 1, 100, 20, 60, 0)),
        ("B40, 60 of 360, 1 cross-road, rows one-way in turn", up_and_down(sampled(60, 73, 1, 360, 3, 60, 0))),
        ("30 rows, 40 of 180, 1 cross-road, one-way in turn", up_and_down(sampled(30, 60, 1, 180, 3, 40, 0))),
        ("40 rows, 6 roads, 60 of 240, one-way in turn", up_and_down(sampled(40, 73, 1, 240, 6, 60, 0))),
        ("40 rows, 8 roads, 60 of 240, one-way in turn", up_and_down(sampled(40, 73, 1, 240, 8, 60, 0))),
        ("60 rows, 5 roads, 360 sites, one-way in turn", up_and_down(sampled(60, 73, 1, 360, 5, 360, 1))),
        ("60 rows, 6 roads, 360 sites, one-way in turn", up_and_down(sampled(60, 73, 1, 360, 6, 360, 0))),
        ("30 rows, 8 roads, 200 of 240, one-way in turn", up_and_down(sampled(30, 73, 1, 240, 8, 200, 0))),
        ("60 rows, 7 roads, 360 sites, one-way in turn", up_and_down(sampled(60, 73, 1, 360, 7, 360, 0))),
        ("60 rows, 8 roads, 360 sites, one-way in turn", up_and_down(sampled(60, 73, 1, 360, 8, 360, 0))),
        ("30 rows, 180 sites, one-way in turn", up_and_down(sampled(30, 60, 1, 180, 2, 180, 0))),
    ]
    for name, graph in cases:
        began = time.process_time()
        tour = solve_block(graph)
        spent = time.process_time() - began
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
        bound, gap = ("none",) * 2 if tour.bound is None else (f"{tour.bound:.1f}", f"{100 * (tour.gap or 0):.2f}%")
        print(f"{name:52}{tour.method:>11}{tour.objective:10.1f}{bound:>10}{gap:>8}{spent:8.1f}{peak:6d}", flush=True)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--seconds",
        type=float,
        default=0.0,
        help="time for OR-tools and PyVRP each; 0 leaves them and LKH out",
    )
    parser.add_argument("--long", type=float, help="time for OR-tools on I40; as --seconds where not given")
    parser.add_argument("--i40", nargs=2, metavar=("CSV", "WKT"), help="trees and outline of I40")
    parser.add_argument("--tsplib", nargs="*", default=[], metavar="FILE")
    parts = ("blocks", "hard", "irregular", "crews", "scale", "tsplib")
    parser.add_argument("--only", nargs="*", choices=parts, default=list(parts))
    said = parser.parse_args()
    solve_block(next(iter(instances()))[1])
    solve_tour(plane_problem(np.ones((3, 3))), kicks=1)
    solve_service(crew_problem(99, mixed_block, blocks=1, crews=1, days=1))
    long_s = said.seconds if said.long is None else said.long
    for part in said.only:
        if part == "blocks":
            bench_blocks(said.seconds)
        elif part == "hard":
            bench_hard()
        elif part == "irregular":
            bench_irregular(said.i40, said.seconds, long_s)
        elif part == "crews":
            bench_crews(max(said.seconds, 20.0))
        elif part == "scale":
            bench_scale()
        else:
            bench_tsplib(said.tsplib)


if __name__ == "__main__":
    main()
