"""Where rounds come to blocks and leave them: the quickest trip, against every choice there is; bounds; clock times that add up."""

from __future__ import annotations

import itertools
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from route_blocks import in_turn, regular_block

from mudcap.route import rounds as rounds_module
from mudcap.route.access import ENOUGH_S, Access
from mudcap.route.aisles import solve_block
from mudcap.route.rounds import Rounds
from mudcap.route.service import crew_now, replan, solve_service
from mudcap.route.stopgraph import StopGraph, corners
from mudcap.route.visits import BlockWork, Crew, RoutePlan, ServiceProblem


def _access(graphs: list[StopGraph], apart_m: float) -> Access:
    """Blocks side by side from west to east, the yard southwest of the first; as the crow flies between their corners."""
    block, vertex, xy, east = [-1], [-1], [np.array([-60.0, -20.0])], 0.0
    for b, graph in enumerate(graphs):
        for v in corners(graph):
            block.append(b)
            vertex.append(v)
            xy.append(graph.vertex_xy[v] + (east, 0.0))
        east += float(np.ptp(graph.vertex_xy[:, 0])) + apart_m
    at = np.array(xy)
    return Access(block=np.array(block), vertex=np.array(vertex), metres=np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1)))


def _side_by_side(seed: int, blocks: int = 3, each: int = 6, rows: int = 5, levels: int = 2, **crew: float) -> ServiceProblem:
    rng = np.random.default_rng(seed)
    graphs = [
        regular_block(num_rows=rows, length_m=90.0, stop_row=rng.integers(0, rows, each), stop_y_m=rng.uniform(0, 90, each), levels=levels)
        for _ in range(blocks)
    ]
    return _problem(graphs, **crew)


def _problem(graphs: list[StopGraph], **crew: float) -> ServiceProblem:
    access = _access(graphs, 8.0)
    work = tuple(
        BlockWork(block_id=f"B{b}", graph=g, service_s=np.full(g.num_stops, 60.0), load=np.ones(g.num_stops)) for b, g in enumerate(graphs)
    )
    return ServiceProblem(work=work, access=access, crews=(Crew(name="A", **crew),))  # type: ignore[arg-type]


def _check(problem: ServiceProblem, plan: RoutePlan) -> None:
    """Every stop once; each way begins where the one before ends; travel takes the metres between its points."""
    access = problem.access
    assert access is not None
    served = [(s.block_id, s.stop) for r in plan.routes for s in r.steps if s.kind == "serve"]
    assert sorted(served) == [(w.block_id, k) for w in problem.work for k in range(w.graph.num_stops)]
    for route in plan.routes:
        for before, after in pairwise([s for s in route.steps if s.kind in ("travel", "drive", "serve")]):
            assert after.begin_s == pytest.approx(before.end_s) or after.kind == "travel"
            if before.kind == "travel" and after.block_id:
                assert access.vertex[before.to_vertex] == after.from_vertex
                assert access.block[before.to_vertex] == int(after.block_id[1:])
            elif after.kind == "travel" and before.block_id:
                assert access.vertex[after.from_vertex] == before.to_vertex
            elif before.block_id and (before.edge, before.from_vertex) != (after.edge, after.from_vertex):
                assert before.to_vertex == after.from_vertex
        for step in route.steps:
            if step.kind == "travel" and step.from_vertex >= 0:
                assert step.metres == pytest.approx(access.metres[step.from_vertex, step.to_vertex])
    assert plan.paid_s >= plan.bound_s - 1e-6


@pytest.mark.parametrize("seed", range(6))
def test_no_choice_of_points_makes_a_quicker_trip(seed: int) -> None:
    """All choices for three blocks in a row, each round between two points found anew."""
    problem = _side_by_side(seed, levels=2 + seed % 3 // 2)
    if seed % 2:
        problem = _problem([in_turn(w.graph) for w in problem.work])
    crew, access = problem.crews[0], problem.access
    assert access is not None
    rounds = Rounds(problem.work, problem.access_of)
    parts = [(b, range(w.graph.num_stops)) for b, w in enumerate(problem.work)]
    for b, stops in parts:
        rounds.whole(b, np.array(stops), crew)
    shares = rounds.trip(crew, parts, access.metres[0])
    speed = crew.params.road_m_s

    def seconds(ends: list[tuple[int, int]], costs: list[float]) -> float:
        at = [0, *itertools.chain.from_iterable(ends), 0]
        return sum(costs) + sum(float(access.metres[a, b]) for a, b in zip(at[::2], at[1::2], strict=True)) / speed

    ours = seconds([(s.begin, s.end) for s in shares], [s.tour.objective for s in shares])
    each = []
    for b, work in enumerate(problem.work):
        mine = access.of(b)
        each.append([
            ((a, z), solve_block(replace(work.graph, start=int(access.vertex[a]), end=int(access.vertex[z])), crew.params).objective)
            for a in mine for z in mine
        ])  # fmt: skip
    best = min(seconds([e for e, _ in choice], [c for _, c in choice]) for choice in itertools.product(*each))
    assert best - 1e-6 <= ours <= best + ENOUGH_S + 1e-6
    assert len(rounds.known) < sum(len(e) for e in each)  # not all are sought


@pytest.mark.parametrize(("blocks", "levels", "crews"), [(4, 2, 1), (3, 3, 2), (5, 2, 3)])
def test_going_on_from_block_to_block_saves_driving(blocks: int, levels: int, crews: int) -> None:
    """Less than with coming back in each block to where its ways begin, and never less than the bound."""
    problem = _side_by_side(7, blocks=blocks, each=14, rows=8, levels=levels)
    problem = replace(problem, crews=tuple(replace(problem.crews[0], name=f"crew {k}") for k in range(crews)), objective="paid")
    plan = solve_service(problem)
    _check(problem, plan)
    back = solve_service(replace(problem, access=Access.at_starts([w.graph.start for w in problem.work], problem.access.starts_m)))
    driven = [sum(r.seconds("drive", "travel") for r in p.routes) for p in (plan, back)]
    assert driven[0] < 0.96 * driven[1]


def test_loads_and_what_opens_late_keep_to_it() -> None:
    """Trips back to the yard between loads, a block that opens later, and days that are too short: all hold as before."""
    problem = _side_by_side(3, blocks=4, each=12, rows=8, capacity=17.0, reload_s=120.0)
    opens = 8.5 * 3600.0
    problem = replace(problem, work=(replace(problem.work[0], opens_s=opens), *problem.work[1:]))
    plan = solve_service(problem)
    _check(problem, plan)
    (route,) = plan.routes
    assert sum(s.kind == "reload" for s in route.steps) == 2
    assert all(s.begin_s >= opens - 1e-6 for s in route.steps if s.block_id == "B0")
    short = solve_service(replace(problem, crews=(replace(problem.crews[0], shift_s=5_000.0),), num_days=2))
    assert all(r.end_s - r.begin_s <= 5_000.0 + 1e-6 for r in short.routes)


def test_heavy_ground_comes_back_to_where_it_is_come_to(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where rounds between points would take too long, the one round is begun at the best point that it passes."""
    problem = _side_by_side(5, blocks=3, each=9, rows=7)
    free = solve_service(problem)
    monkeypatch.setattr(rounds_module, "_WORK", 0.0)
    plan = solve_service(problem)
    _check(problem, plan)
    back = solve_service(replace(problem, access=Access.at_starts([w.graph.start for w in problem.work], problem.access.starts_m)))
    assert free.paid_s < plan.paid_s <= back.paid_s + 3 * ENOUGH_S
    drive = sum(s.end_s - s.begin_s for s in plan.routes[0].steps if s.kind == "drive")
    assert drive == pytest.approx(sum(solve_block(w.graph, problem.crews[0].params).objective for w in problem.work))
    assert plan.bound_s <= free.paid_s


def test_the_rest_of_a_day_goes_on_by_the_nearest_point() -> None:
    """From where the crew is to whichever point of a block suits best, not by way of its beginning."""
    problem = _side_by_side(9, blocks=2, each=10, rows=8)
    now = crew_now(problem, problem.crews[0], 9 * 3600.0, at_stop=("B1", 3))
    access = problem.access
    assert access is not None and len(now.to_access_m) == len(access.block) - 1
    plan = solve_service(replan(problem, {"B1": [3]}, {"A": now}))
    (route,) = plan.routes
    first = route.steps[0]
    assert first.from_vertex == -1 and first.metres == now.to_access_m[first.to_vertex - 1]
    chosen = access.block[first.to_vertex]
    start = access.of(int(chosen))[0]
    assert first.metres <= now.to_access_m[start - 1]
