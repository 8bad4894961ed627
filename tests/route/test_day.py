"""What a day is made of: lunch, daylight, kinds of vehicle, paid hours, and the rest of a day planned anew."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from route_blocks import regular_block

from mudcap.route.access import Access
from mudcap.route.options import RoundParams
from mudcap.route.service import crew_now, replan, solve_service
from mudcap.route.visits import BlockWork, Crew, RoutePlan, ServiceProblem

HOUR_S = 3600.0


def _problem(*crews: Crew, num_blocks: int = 4, each: int = 25, **said: object) -> ServiceProblem:
    """Blocks of 12 rows along a road, the yard at its west end; two minutes at each stop, one shelter to hang."""
    rng = np.random.default_rng(3)
    work = []
    for b in range(num_blocks):
        graph = regular_block(
            num_rows=12,
            length_m=150.0,
            stop_row=rng.integers(0, 12, each),
            stop_y_m=rng.uniform(0, 150, each),
        )
        work.append(
            BlockWork(block_id=f"B{b}", graph=graph, service_s=np.full(each, 120.0), load=np.ones(each))
        )
    along = np.append(0.0, 300.0 + 200.0 * np.arange(num_blocks))
    between = np.abs(along[:, None] - along[None])
    return ServiceProblem(work=tuple(work), access=Access.at_starts([w.graph.start for w in work], between), crews=crews or (Crew(name="A"),), **said)  # type: ignore[arg-type]


def _served(plan: RoutePlan) -> set[tuple[str, int]]:
    """What is served; nothing twice, no moment twice, none missing."""
    stops = [(s.block_id, s.stop) for r in plan.routes for s in r.steps if s.kind == "serve"]
    assert len(set(stops)) == len(stops)
    for route in plan.routes:
        assert all(a.end_s == pytest.approx(b.begin_s) for a, b in pairwise(route.steps))
    return set(stops)


def _everything(problem: ServiceProblem) -> set[tuple[str, int]]:
    return {(w.block_id, s) for w in problem.work for s in range(w.graph.num_stops) if s not in w.done}


def test_lunch_and_break_each_once() -> None:
    """Half an hour after two hours and forty minutes at noon, each once, at the first halt from then."""
    problem = _problem(
        Crew(name="A", start_s=8 * HOUR_S, lunch_s=2400.0, break_after_s=2 * HOUR_S), num_blocks=6, each=30
    )
    (route,) = solve_service(problem).routes
    pauses = {s.kind: s for s in route.steps if s.kind in ("break", "lunch")}
    assert len([s for s in route.steps if s.kind in ("break", "lunch")]) == 2
    assert 10 * HOUR_S <= pauses["break"].begin_s <= 10 * HOUR_S + 400
    assert 12 * HOUR_S <= pauses["lunch"].begin_s <= 12 * HOUR_S + 400
    assert pauses["lunch"].end_s - pauses["lunch"].begin_s == pytest.approx(2400.0)
    assert route.seconds("travel", "drive", "serve", "break", "lunch", "wait") == pytest.approx(
        route.end_s - route.begin_s
    )


def test_no_pause_after_the_last_stop() -> None:
    """A break that falls due at the last halt of the day is left out: the crew goes home."""
    problem = _problem(num_blocks=1, each=10)
    end = max(s.end_s for s in solve_service(problem).routes[0].steps if s.kind == "serve")
    crew = Crew(name="A", break_after_s=end - 7 * HOUR_S)
    assert {s.kind for s in solve_service(replace(problem, crews=(crew,))).routes[0].steps} <= {
        "travel",
        "drive",
        "serve",
    }


def test_back_before_dark() -> None:
    """Whatever the shift allows, the crew is back by the latest end, and what is left goes on the next day or is said."""
    problem = _problem(Crew(name="A", latest_end_s=9 * HOUR_S), num_days=5)
    plan = solve_service(problem)
    assert _served(plan) == _everything(problem)
    assert all(r.end_s - r.day * 86_400 <= 9 * HOUR_S + 1e-6 for r in plan.routes)
    assert {r.day for r in plan.routes} == {0, 1, 2}
    dark = solve_service(replace(problem, num_days=1))
    assert _served(dark) | set(dark.unserved) == _everything(problem)
    assert dark.unserved


def test_paid_hours_against_finishing_time() -> None:
    """One crew that suffices is cheapest; all three are soonest."""
    crews = tuple(Crew(name=f"crew {k}") for k in range(3))
    soon, cheap = solve_service(_problem(*crews)), solve_service(_problem(*crews, objective="paid"))
    assert (len(soon.routes), len(cheap.routes)) == (3, 1)
    assert soon.finish_s < cheap.finish_s
    assert cheap.paid_s < soon.paid_s


def test_faster_vehicle_gets_more() -> None:
    """Of two crews, one at a quarter of the speed, the fast one serves more."""
    slow = RoundParams(aisle_m_s=0.5, road_m_s=0.8, u_turn_s=20.0)
    problem = _problem(Crew(name="slow", params=slow), Crew(name="fast"))
    plan = solve_service(problem)
    assert _served(plan) == _everything(problem)
    count = {r.crew: sum(s.kind == "serve" for s in r.steps) for r in plan.routes}
    assert count["fast"] > 1.1 * count["slow"]
    assert max(r.end_s for r in plan.routes) - min(r.end_s for r in plan.routes) < 900


def test_vehicles_of_two_kinds_go_on_their_own_ground() -> None:
    """A truck that needs twice the metres between blocks and a block in which its graph is longer."""
    problem = _problem(Crew(name="cart"), Crew(name="truck", mode=1))
    longer = tuple(
        replace(w, by_mode={1: replace(w.graph, length_m=2 * w.graph.length_m, place_m=2 * w.graph.place_m)})
        for w in problem.work
    )
    problem = replace(problem, work=longer, access_by_mode={1: Access.at_starts([w.graph.start for w in longer], 2 * problem.access.starts_m)})
    plan = solve_service(problem)
    assert _served(plan) == _everything(problem)
    truck = next(r for r in plan.routes if r.crew == "truck")
    first = next(s.block_id for s in truck.steps if s.block_id)
    assert truck.steps[0].metres == 2 * problem.access.starts_m[0, 1 + int(first[1:])]
    graph = problem.work[0].graph_of(problem.crews[1])
    for step in truck.steps:
        if step.kind == "drive" and step.from_vertex != step.to_vertex:
            assert step.metres <= graph.length_m.max() + 1e-6
    with pytest.raises(ValueError, match="by_mode"):
        solve_service(replace(problem, work=(replace(longer[0], by_mode={1: regular_block(
            num_rows=2, length_m=50.0, stop_row=np.array([0]), stop_y_m=np.array([5.0]))}), *longer[1:])))  # fmt: skip


def test_rest_of_the_day_planned_anew() -> None:
    """At a quarter to eight one crew falls out: what is done stays out, the others start where they are and when they are free."""
    crews = tuple(Crew(name=f"crew {k}", capacity=60.0) for k in range(3))
    problem = _problem(*crews)
    plan = solve_service(problem)
    clock = 7.75 * HOUR_S
    done: dict[str, set[int]] = {}
    now = {}
    for route in plan.routes:
        steps = [s for s in route.steps if s.kind == "serve" and s.end_s <= clock]
        for s in steps:
            done.setdefault(s.block_id, set()).add(s.stop)
        crew = next(c for c in crews if c.name == route.crew)
        now[route.crew] = crew_now(
            problem, crew, clock, at_stop=(steps[-1].block_id, steps[-1].stop), load=float(len(steps))
        )
    left = replan(problem, done, now)
    left = replace(left, crews=left.crews[:2])
    after = solve_service(left)
    assert _served(after) == _everything(problem) - {(b, s) for b, stops in done.items() for s in stops}
    assert all(r.begin_s == clock for r in after.routes)
    assert plan.finish_s < after.finish_s < clock + (plan.finish_s - clock) * 1.5 + 900
    for route in after.routes:
        block = int(next(s.block_id for s in route.steps if s.block_id)[1:])
        assert route.steps[0].metres == pytest.approx(now[route.crew].to_access_m[block])
        seen = sum(s.kind == "serve" for s in route.steps[: next(
            (k for k, s in enumerate(route.steps) if s.kind == "reload"), len(route.steps))])  # fmt: skip
        assert now[route.crew].load + seen <= 60


def test_full_vehicle_goes_to_the_yard_first() -> None:
    """A crew that stands in a block with its vehicle full unloads before anything else."""
    problem = _problem(Crew(name="A", capacity=40.0))
    here = crew_now(problem, problem.crews[0], 10 * HOUR_S, at_stop=("B2", 4), load=40.0, paused=["break"])
    plan = solve_service(replan(problem, {"B2": [4]}, {"A": here}))
    steps = plan.routes[0].steps
    assert [s.kind for s in steps[:3]] == ["travel", "reload", "travel"]
    assert steps[0].metres == pytest.approx(here.to_yard_m)
    assert all(s.kind != "break" for s in steps)
    with pytest.raises(ValueError, match="B9"):
        replan(problem, {"B9": [1]}, {})


def test_where_a_crew_is() -> None:
    """Metres from a stop are those to its block's start and on by road; from the yard they are the road's."""
    problem = _problem()
    crew = problem.crews[0]
    assert crew_now(problem, crew, 0.0).to_access_m == tuple(problem.access.starts_m[0, 1:])
    graph = problem.work[1].graph
    here = crew_now(problem, crew, 0.0, at_stop=("B1", 0))
    home = here.to_access_m[1]
    assert home > 0
    assert here.to_yard_m == pytest.approx(home + problem.access.starts_m[2, 0])
    at = graph.place_m[graph.place_stop == 0].min()
    assert home >= min(at, 150.0 + 2 * 3.81 - at) - 1e-6


def test_same_problem_same_plan() -> None:
    """Nothing depends on the clock or on chance."""
    crews = tuple(Crew(name=f"crew {k}") for k in range(2))
    assert solve_service(_problem(*crews)) == solve_service(_problem(*crews))
