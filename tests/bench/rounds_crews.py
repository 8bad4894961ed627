"""Many blocks, crews and days: seeded instances, and OR-tools alone on them in two strong models.

Both models know the exact distances of the network and get each stop fixed to the drive row from which our round of its block
serves it, which can only help them. `stops` has a node for each stop; `clusters` one for each run of ten stops in the order of
our exact rounds, entered at either end, so that the search is over some hundred nodes only. The best of both is the peer.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np

from mudcap.route.aisles import solve_block
from mudcap.route.options import RoundParams
from mudcap.route.service import ServiceProblem
from mudcap.route.stopgraph import StopGraph
from mudcap.route.visits import BlockWork, Crew

_TENTHS = 10


def crew_problem(
    seed: int, block: Callable[[np.random.Generator], StopGraph], *, blocks: int = 12, crews: int = 3, days: int = 2,
    reach_m: float = 1_500.0,
) -> ServiceProblem:  # fmt: skip
    """Blocks strewn round a yard, 110 s at each stop; crews alike, no break."""
    rng = np.random.default_rng(seed)
    work = []
    for b in range(blocks):
        graph = block(rng)
        n = graph.num_stops
        work.append(BlockWork(block_id=f"B{b}", graph=graph, service_s=np.full(n, 110.0), load=np.zeros(n)))
    at = np.vstack([[0.0, 0.0], rng.uniform(-reach_m, reach_m, (blocks, 2))])
    crew = RoundParams(aisle_m_s=2.2, road_m_s=3.3)
    return ServiceProblem(
        work=tuple(work), between_m=np.abs(at[:, None] - at[None]).sum(axis=2), num_days=days,
        crews=tuple(Crew(name=f"crew {k}", break_s=0.0, params=crew) for k in range(crews)),
    )  # fmt: skip


def stop_seconds(
    problem: ServiceProblem, distances: Callable[..., np.ndarray]
) -> tuple[np.ndarray, np.ndarray, list[list[int]]]:
    """Driving seconds between the yard and all stops, service, and each block's stops in the order of its exact round."""
    params = problem.crews[0].params
    sizes = [w.graph.num_stops for w in problem.work]
    first = np.concatenate([[1], 1 + np.cumsum(sizes)])
    inside, home, rounds = [], np.zeros(first[-1]), []
    for k, work in enumerate(problem.work):
        tour = solve_block(work.graph, params)
        seconds = distances(work.graph, tour, params)
        inside.append(seconds[1:, 1:])
        home[first[k] : first[k + 1]] = seconds[0, 1:]
        rounds.append([int(first[k]) + h.stop for leg in tour.legs for h in leg.halts])
    of = np.concatenate([[0], np.repeat(np.arange(1, len(sizes) + 1), sizes)])
    whole = home[:, None] + problem.between_m[of[:, None], of[None]] / params.road_m_s + home[None]
    for k, part in enumerate(inside):
        whole[first[k] : first[k + 1], first[k] : first[k + 1]] = part
    return whole, np.concatenate([[0.0], *(w.service_s for w in problem.work)]), rounds


def by_stops(problem: ServiceProblem, seconds: np.ndarray, service: np.ndarray, limit_s: float) -> float:
    """Finishing time in hours from midnight, a node for each stop."""
    return _solve(problem, seconds + service[:, None], [[k] for k in range(1, len(seconds))], limit_s)


def by_clusters(
    problem: ServiceProblem, seconds: np.ndarray, service: np.ndarray, rounds: list[list[int]], limit_s: float, size: int = 10
) -> float:  # fmt: skip
    """The same, a node for each run of stops and end at which it may be entered."""
    runs = [
        part.tolist()
        for order in rounds
        for part in np.array_split(np.array(order), max(1, -(-len(order) // size)))
    ]
    nodes = [run for forward in runs for run in (forward, forward[::-1])]
    first, last = np.array([0] + [n[0] for n in nodes]), np.array([0] + [n[-1] for n in nodes])
    within = [0.0] + [float(sum(seconds[a, b] for a, b in pairwise(n)) + service[n].sum()) for n in nodes]
    transit = seconds[last[:, None], first[None]] + np.array(within)[:, None]
    return _solve(problem, transit, [[2 * k + 1, 2 * k + 2] for k in range(len(runs))], limit_s)


def _solve(problem: ServiceProblem, transit_s: np.ndarray, either: list[list[int]], limit_s: float) -> float:
    """OR-tools with one vehicle a crew and day, the latest end as early as it can; one node of each list is to visit."""
    from ortools.constraint_solver import pywrapcp, routing_enums_pb2

    slots = [(d, c) for d in range(problem.num_days) for c in problem.crews]
    whole = np.rint(transit_s * _TENTHS).astype(int).tolist()
    manager = pywrapcp.RoutingIndexManager(len(whole), len(slots), 0)
    model = pywrapcp.RoutingModel(manager)
    transit = model.RegisterTransitMatrix(whole)
    model.SetArcCostEvaluatorOfAllVehicles(transit)
    for nodes in either:
        if len(nodes) > 1:
            model.AddDisjunction([manager.NodeToIndex(n) for n in nodes], 10**9)
    model.AddDimension(transit, 0, _TENTHS * problem.num_days * 86_400, False, "time")
    time_of = model.GetDimensionOrDie("time")
    for v, (day, crew) in enumerate(slots):
        begin = int(_TENTHS * (day * 86_400 + crew.start_s))
        time_of.CumulVar(model.Start(v)).SetRange(begin, begin)
        time_of.CumulVar(model.End(v)).SetRange(begin, begin + int(_TENTHS * crew.shift_s))
    time_of.SetGlobalSpanCostCoefficient(100)
    search = pywrapcp.DefaultRoutingSearchParameters()
    search.first_solution_strategy = routing_enums_pb2.FirstSolutionStrategy.PARALLEL_CHEAPEST_INSERTION
    search.local_search_metaheuristic = routing_enums_pb2.LocalSearchMetaheuristic.GUIDED_LOCAL_SEARCH
    search.time_limit.FromMilliseconds(int(limit_s * 1000))
    found = model.SolveWithParameters(search)
    if found is None:
        return float("nan")
    dropped = sum(
        all(found.Value(model.NextVar(manager.NodeToIndex(n))) == manager.NodeToIndex(n) for n in nodes)
        for nodes in either
    )
    if dropped:
        return float("nan")
    ends = [
        found.Value(time_of.CumulVar(model.End(v)))
        for v in range(len(slots))
        if model.IsVehicleUsed(found, v)
    ]
    return max(ends) / (3_600 * _TENTHS)
