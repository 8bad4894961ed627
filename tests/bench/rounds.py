"""Rounds through one block: ours beside the snake, nearest neighbour, LKH, OR-tools and PyVRP, on the same network.

    python tests/bench/rounds.py                 ours, the snake and nearest neighbour on B40 and B640
    python tests/bench/rounds.py --seconds 30    and LKH (elkai), OR-tools and PyVRP with that time, on B40
    python tests/bench/rounds.py --crews         12 blocks, 3 crews, 2 days, beside OR-tools with ten times the time

The peers get each stop fixed to the drive row from which our round serves it, which can only help them: they cannot choose.
Times are CPU seconds of this process; the first call of ours, which compiles or loads the compiled programme, is not counted.
"""

from __future__ import annotations

import argparse
import resource
import time
from collections.abc import Callable, Iterator

import numpy as np
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra

from mudcap.route.aisles import BlockTour, solve_block
from mudcap.route.options import RoundParams
from mudcap.route.service import ServiceProblem, solve_service
from mudcap.route.sides import sides_of
from mudcap.route.stopgraph import StopGraph, block_graph
from mudcap.route.visits import BlockWork, Crew

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


def crew_problem(seed: int) -> ServiceProblem:
    """Twelve blocks of 20 to 40 rows with 90 stops or so each, strewn over 3 km; three crews, two days, no break."""
    rng = np.random.default_rng(seed)
    work = []
    for b in range(12):
        rows = int(rng.integers(20, 41))
        row, y = regular_layout(rows, 73, int(rng.integers(2, 4)), 180)
        pick = np.sort(rng.choice(len(row), len(row) // 2, replace=False))
        graph = block(rows, 73, row[pick], y[pick], int(rng.integers(2, 4)))
        n = graph.num_stops
        work.append(BlockWork(block_id=f"B{b}", graph=graph, service_s=np.full(n, 110.0), load=np.zeros(n)))
    at = np.vstack([[0.0, 0.0], rng.uniform(-1500, 1500, (12, 2))])
    crews = tuple(
        Crew(name=f"crew {k}", break_s=0.0, params=RoundParams(aisle_m_s=2.2, road_m_s=3.3)) for k in range(3)
    )
    between = np.abs(at[:, None] - at[None]).sum(axis=2)
    return ServiceProblem(work=tuple(work), between_m=between, crews=crews, num_days=2)


def stop_seconds(problem: ServiceProblem) -> tuple[np.ndarray, np.ndarray]:
    """Driving seconds between the yard and all stops, each fixed to the side from which our round serves it; and service."""
    params = problem.crews[0].params
    sizes = [w.graph.num_stops for w in problem.work]
    first = np.concatenate([[1], 1 + np.cumsum(sizes)])
    inside, home = [], np.zeros(first[-1])
    for k, work in enumerate(problem.work):
        metres = distances(work.graph, solve_block(work.graph, params), params)
        inside.append(metres[1:, 1:])
        home[first[k] : first[k + 1]] = metres[0, 1:]
    of = np.concatenate([[0], np.repeat(np.arange(1, len(sizes) + 1), sizes)])
    seconds = home[:, None] + problem.between_m[of[:, None], of[None]] / params.road_m_s + home[None]
    for k, part in enumerate(inside):
        seconds[first[k] : first[k + 1], first[k] : first[k + 1]] = part
    return seconds, np.concatenate([[0.0], *(w.service_s for w in problem.work)])


def or_tools_crews(
    problem: ServiceProblem, seconds: np.ndarray, service: np.ndarray, limit_s: float
) -> float:
    """Finishing time by OR-tools alone: one vehicle a crew and day, the latest end as short as it can, in hours from midnight."""
    from ortools.constraint_solver import pywrapcp, routing_enums_pb2

    slots = [(d, c) for d in range(problem.num_days) for c in problem.crews]
    whole = np.rint((seconds + service[:, None]) * 10).astype(int).tolist()
    manager = pywrapcp.RoutingIndexManager(len(whole), len(slots), 0)
    model = pywrapcp.RoutingModel(manager)
    transit = model.RegisterTransitMatrix(whole)
    model.SetArcCostEvaluatorOfAllVehicles(transit)
    model.AddDimension(transit, 0, 10 * 2 * 86_400, False, "time")
    time_of = model.GetDimensionOrDie("time")
    for v, (day, crew) in enumerate(slots):
        begin = int(10 * (day * 86_400 + crew.start_s))
        time_of.CumulVar(model.Start(v)).SetRange(begin, begin)
        time_of.CumulVar(model.End(v)).SetRange(begin, begin + int(10 * crew.shift_s))
    time_of.SetGlobalSpanCostCoefficient(100)
    search = pywrapcp.DefaultRoutingSearchParameters()
    search.first_solution_strategy = routing_enums_pb2.FirstSolutionStrategy.PARALLEL_CHEAPEST_INSERTION
    search.local_search_metaheuristic = routing_enums_pb2.LocalSearchMetaheuristic.GUIDED_LOCAL_SEARCH
    search.time_limit.FromMilliseconds(int(limit_s * 1000))
    found = model.SolveWithParameters(search)
    if found is None:
        return float("nan")
    ends = [
        found.Value(time_of.CumulVar(model.End(v)))
        for v in range(len(slots))
        if model.IsVehicleUsed(found, v)
    ]
    return max(ends) / 36_000


def bench_crews() -> None:
    """Print finishing times in hours from midnight of the first day."""
    for seed in range(2):
        problem = crew_problem(seed)
        began = time.process_time()
        plan = solve_service(problem)
        spent = time.process_time() - began
        seconds, service = stop_seconds(problem)
        theirs = or_tools_crews(problem, seconds, service, max(10 * spent, 20.0))
        print(
            f"12 blocks, 3 crews, 2 days (seed {seed}): {len(service) - 1} stops, unserved {len(plan.unserved)}, "
            f"finish {plan.finish_s / 3600:.2f} h in {spent:.1f} s; OR-tools {theirs:.2f} h in {max(10 * spent, 20.0):.0f} s",
            flush=True,
        )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--seconds", type=float, default=0.0, help="time for OR-tools and PyVRP each; 0 leaves all three out"
    )
    parser.add_argument(
        "--crews", action="store_true", help="many blocks, crews and days instead of single blocks"
    )
    arguments = parser.parse_args()
    seconds = arguments.seconds
    if arguments.crews:
        bench_crews()
        return
    peers: dict[str, Callable[[np.ndarray, float], float]] = {"nearest": nearest_neighbour}
    if seconds:
        peers |= {"LKH": lkh, "OR-tools": or_tools, "PyVRP": py_vrp}
    solve_block(next(iter(instances()))[1])
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


if __name__ == "__main__":
    main()
