"""Many blocks, crews and days: seeded instances, and OR-tools alone on them in two strong models.

Both models know the exact distances of the network and get each stop fixed to the drive row from which our round of its block
serves it, which can only help them. `stops` has a node for each stop; `clusters` one for each run of ten stops in the order of
our exact rounds, entered at either end, so that the search is over some hundred nodes only. The best of both is the peer.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import numpy as np

from mudcap.route.access import Access
from mudcap.route.aisles import solve_block
from mudcap.route.distances import drives
from mudcap.route.options import RoundParams
from mudcap.route.sides import sides_of
from mudcap.route.stopgraph import StopGraph, corners
from mudcap.route.visits import BlockWork, Crew, ServiceProblem

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
        work=tuple(work), access=Access.at_starts([w.graph.start for w in work], np.abs(at[:, None] - at[None]).sum(axis=2)), num_days=days,
        crews=tuple(Crew(name=f"crew {k}", break_s=0.0, params=crew) for k in range(crews)),
    )  # fmt: skip


def side_by_side(
    seed: int, block: Callable[[np.random.Generator], StopGraph], *, blocks: int = 12, across: int = 4, lane_m: float = 10.0,
    crews: int = 3, days: int = 2,
) -> ServiceProblem:  # fmt: skip
    """The same with blocks in a lattice, lanes between them, and an access point at each corner; the yard at the southwest corner."""
    problem = crew_problem(seed, block, blocks=blocks, crews=crews, days=days)
    size = np.max([np.ptp(w.graph.vertex_xy, axis=0) for w in problem.work], axis=0) + lane_m
    of, vertex, xy = [-1], [-1], [np.array([-200.0, -lane_m])]
    for b, work in enumerate(problem.work):
        for v in corners(work.graph):
            of.append(b)
            vertex.append(v)
            xy.append(work.graph.vertex_xy[v] - work.graph.vertex_xy.min(axis=0) + (b % across, b // across) * size)
    at = np.array(xy)
    access = Access(block=np.array(of), vertex=np.array(vertex), metres=np.abs(at[:, None] - at[None]).sum(axis=2))
    return replace(problem, access=access)


def stop_seconds(
    problem: ServiceProblem, distances: Callable[..., np.ndarray]
) -> tuple[np.ndarray, np.ndarray, list[list[int]]]:
    """Driving seconds between the yard and all stops, service, and each block's stops in the order of its exact round."""
    params, access = problem.crews[0].params, problem.access_of(problem.crews[0])
    sizes = [w.graph.num_stops for w in problem.work]
    first = np.concatenate([[1], 1 + np.cumsum(sizes)])
    inside, rounds = [], []
    home = np.full((first[-1], len(access.block)), np.inf)  # between stops and all access points
    home[0, 0] = 0.0
    for k, work in enumerate(problem.work):
        tour = solve_block(work.graph, params)
        seconds = distances(work.graph, tour, params)
        inside.append(seconds[1:, 1:])
        side = sides_of(tour.legs, work.graph.num_stops)
        points = access.of(k)
        halts = [(int(e), s) for s, e in enumerate(side)]
        home[first[k] : first[k + 1], points] = drives(work.graph, halts, params, access.vertex[points])[1]
        rounds.append([int(first[k]) + h.stop for leg in tour.legs for h in leg.halts])
    road = access.metres / params.road_m_s
    out = np.array([(row[:, None] + road).min(axis=0) for row in home])
    whole = np.array([(row[None] + home).min(axis=1) for row in out])
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
