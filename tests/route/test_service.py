"""Crews and days: every stop once, clock times that add up, shifts, loads and closures kept."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from route_blocks import regular_block, seven_roads

from mudcap.route.access import Access
from mudcap.route.aisles import solve_block
from mudcap.route.blocktour import leg_seconds
from mudcap.route.options import RoundParams
from mudcap.route.service import block_order, solve_service
from mudcap.route.stopgraph import only
from mudcap.route.visits import BlockWork, Crew, Progress, RoutePlan, ServiceProblem


def _problem(num_blocks: int = 4, each: int = 25, seed: int = 0, **crew: float) -> ServiceProblem:
    """Blocks of 12 rows along a road, the yard at its west end; two minutes at each stop, one shelter to hang."""
    rng = np.random.default_rng(seed)
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
    along = np.append(0.0, 300.0 + 200.0 * rng.permutation(num_blocks))
    between = np.abs(along[:, None] - along[None])
    return ServiceProblem(work=tuple(work), access=Access.at_starts([w.graph.start for w in work], between), crews=(Crew(name="A", **crew),))  # type: ignore[arg-type]


def _check(problem: ServiceProblem, plan: RoutePlan) -> None:
    """What must hold of every plan, looked at step by step."""
    served = [(s.block_id, s.stop) for r in plan.routes for s in r.steps if s.kind == "serve"]
    everything = [(w.block_id, k) for w in problem.work for k in range(w.graph.num_stops)]
    assert sorted([*served, *plan.unserved]) == sorted(everything)
    crews = {c.name: c for c in problem.crews}
    work = {w.block_id: w for w in problem.work}
    for route in plan.routes:
        crew = crews[route.crew]
        usual = route.day * 86_400 + crew.start_s
        assert usual - 1e-6 <= route.begin_s
        assert route.end_s - usual <= crew.shift_s + 1e-6
        if not any(w.opens_s for w in problem.work):
            assert route.begin_s == pytest.approx(usual)
        load = 0.0
        for before, after in pairwise(route.steps):
            assert after.begin_s == pytest.approx(before.end_s)
        for step in route.steps:
            assert step.end_s >= step.begin_s
            if step.block_id:
                assert step.begin_s >= work[step.block_id].opens_s - 1e-6
            if step.kind == "serve":
                load += work[step.block_id].load[step.stop]
                assert step.end_s - step.begin_s == pytest.approx(work[step.block_id].service_s[step.stop])
                graph = work[step.block_id].graph
                assert step.edge in graph.place_edge[graph.place_stop == step.stop]
            if step.kind == "reload":
                load = 0.0
            assert load <= crew.capacity
        parts = route.seconds("travel", "drive", "serve", "break", "wait", "reload")
        assert parts == pytest.approx(route.end_s - route.begin_s)
    if not plan.unserved:
        assert plan.paid_s >= plan.bound_s - 1e-6


def test_one_crew_one_day() -> None:
    """With room in the shift one crew does all, block by block, each by its exact round."""
    problem = _problem()
    plan = solve_service(problem)
    _check(problem, plan)
    assert plan.unserved == ()
    assert len(plan.routes) == 1
    drive = plan.routes[0].seconds("drive")
    exact = sum(solve_block(w.graph, problem.crews[0].params).objective for w in problem.work)
    assert drive == pytest.approx(exact)
    assert plan.routes[0].seconds("serve") == pytest.approx(100 * 120.0)
    assert plan.routes[0].seconds("travel") * 3.3 == pytest.approx(2 * problem.access.starts_m.max())


@pytest.mark.parametrize("num_crews", [2, 3])
def test_more_crews_finish_sooner(num_crews: int) -> None:
    """Crews share the giant tour so that the last is back well before one crew alone, with little more paid time."""
    problem = _problem()
    alone = solve_service(problem)
    crews = tuple(Crew(name=f"crew {k}") for k in range(num_crews))
    together = replace(problem, crews=crews)
    plan = solve_service(together)
    _check(together, plan)
    assert plan.unserved == ()
    work_s = alone.finish_s - 7 * 3600
    assert plan.finish_s - 7 * 3600 <= work_s / num_crews * 1.12
    assert plan.paid_s <= work_s * 1.12


def test_short_shifts_need_days() -> None:
    """What does not fit one day goes on the next; what fits no day is said, not dropped."""
    problem = _problem(shift_s=3 * 3600.0)
    week = replace(problem, num_days=5)
    plan = solve_service(week)
    _check(week, plan)
    assert plan.unserved == ()
    assert {r.day for r in plan.routes} == {0, 1}
    one_day = solve_service(problem)
    _check(problem, one_day)
    assert 0 < len(one_day.unserved) < 100
    nothing = solve_service(_problem(shift_s=60.0))
    assert len(nothing.unserved) == 100
    assert nothing.routes == ()


def test_closed_block_is_never_entered_early() -> None:
    """Blocks under a re-entry interval come last, and the crew leaves so late that it need not wait at them on the clock."""
    problem = _problem(break_s=0.0)
    opens = (10 * 3600.0, 0.0, 13 * 3600.0, 0.0)
    work = tuple(replace(w, opens_s=o) for w, o in zip(problem.work, opens, strict=True))
    closed = replace(problem, work=work)
    plan = solve_service(closed)
    _check(closed, plan)
    assert plan.unserved == ()
    first = {s.block_id: s.begin_s for r in plan.routes for s in reversed(r.steps) if s.kind == "serve"}
    assert first["B0"] >= 10 * 3600
    assert first["B2"] >= 13 * 3600
    at_once = solve_service(problem)
    assert plan.routes[0].begin_s > at_once.routes[0].begin_s + 600
    assert plan.routes[0].seconds("wait") <= 1.0
    assert plan.paid_s <= at_once.paid_s + 300  # the blocks come in another order


def test_the_day_begins_later_where_nothing_is_open() -> None:
    """One block that opens at 13:00: the crew is there at 13:00 sharp, has had lunch, and is paid for the work alone."""
    problem = _problem(num_blocks=1, lunch_s=1800.0, lunch_at_s=12 * 3600.0, break_s=0.0)
    late = replace(problem, work=(replace(problem.work[0], opens_s=13 * 3600.0),))
    route = solve_service(late).routes[0]
    assert route.steps[1].begin_s == pytest.approx(13 * 3600.0, abs=1.0)
    assert route.seconds("wait", "lunch") <= 1.0
    open_all_day = solve_service(replace(problem, crews=(replace(problem.crews[0], lunch_s=0.0),)))
    assert route.end_s - route.begin_s == pytest.approx(open_all_day.paid_s, abs=1.0)


def test_a_lunch_in_the_way_of_a_later_begin() -> None:
    """An hour of work, then a block that opens at 12:30: whatever lunch does, nobody is back later for a later begin."""
    problem = _problem(num_blocks=2, lunch_s=1800.0, lunch_at_s=12 * 3600.0, break_s=0.0)
    late = replace(problem, work=(problem.work[0], replace(problem.work[1], opens_s=12.5 * 3600.0)))
    plan = solve_service(late)
    parts = plan.routes[0].seconds("travel", "drive", "serve", "wait", "lunch")
    assert parts == pytest.approx(plan.paid_s)
    second = [s for s in plan.routes[0].steps if s.block_id == "B1"]
    assert second[0].begin_s == pytest.approx(12.5 * 3600.0, abs=1.0)
    assert plan.routes[0].begin_s > 10 * 3600.0


@pytest.mark.parametrize("objective", ["finish", "paid"])
def test_all_crews_share_a_block_that_opens_late(objective: str) -> None:
    """Three blocks for the morning, one for the last hour and a half, which one crew alone could never do: all go there then."""
    problem = _problem(each=60, break_s=0.0, shift_s=3.6 * 3600.0)
    opens_s = 7 * 3600.0 + 2.4 * 3600.0
    work = (*problem.work[:3], replace(problem.work[3], opens_s=opens_s))
    crews = tuple(replace(problem.crews[0], name=name) for name in "ABC")
    late = replace(problem, work=work, crews=crews, objective=objective)  # type: ignore[arg-type]
    alone_s = float(work[3].service_s.sum())
    assert alone_s > 1.5 * (7 * 3600.0 + 3.6 * 3600.0 - opens_s)
    plan = solve_service(late)
    _check(late, plan)
    assert plan.unserved == ()
    assert sum(any(s.block_id == "B3" and s.kind == "serve" for s in r.steps) for r in plan.routes) >= 2
    assert all(r.seconds("wait") <= 1.0 for r in plan.routes)


def test_it_tells_how_far_it_is_and_stops_when_asked() -> None:
    """Each block, then each search; asked to stop after the first plan it returns that one, marked, and never a worse one."""
    problem = replace(_problem(), crews=(Crew(name="A"), Crew(name="B")))
    heard: list[Progress] = []
    whole = solve_service(problem, tell=heard.append)
    assert [p.block for p in heard[:4]] == [0, 1, 2, 3]
    assert [p.done for p in heard] == sorted(p.done for p in heard)
    assert heard[-1].done == heard[-1].total
    assert heard[-1].best is not None
    assert not whole.stopped
    asked: list[bool] = []

    def stop() -> bool:
        asked.append(True)
        return len(asked) > 1

    heard.clear()
    stopped = solve_service(problem, stop=stop, tell=heard.append)
    _check(problem, stopped)
    assert stopped.stopped
    assert stopped.unserved == ()
    assert stopped.finish_s >= whole.finish_s - 1e-6
    assert heard[-1].done < heard[-1].total


def _hard_problem() -> ServiceProblem:
    """Two blocks, the first of seven roads across twelve rows in turn."""
    problem = _problem(2)
    work = BlockWork(block_id="B0", graph=seven_roads(), service_s=np.full(60, 120.0), load=np.ones(60))
    params = RoundParams(aisle_m_s=1.5, road_m_s=2.0, headland_turn_s=3.0, kicks=50, max_states=3_000)
    return replace(problem, work=(work, problem.work[1]), crews=(Crew(name="A", params=params),))


def test_it_tells_how_near_a_hard_round_is() -> None:
    """More than once before it is found, and ever nearer in the end."""
    problem = _hard_problem()
    heard: list[Progress] = []
    assert solve_service(problem, tell=heard.append).loose == ()
    found = next(k for k, p in enumerate(heard) if p.gap is None)
    gaps = [p.gap for p in heard[:found] if p.gap is not None]
    assert len(gaps) > 5
    assert 0 <= gaps[-1] < gaps[0] <= 1
    assert {(p.block, p.done) for p in heard[:found]} == {(0, 0)}
    assert (heard[found].block, heard[found].done) == (0, 1)


def test_blocks_driven_longer_than_is_proven_are_named() -> None:
    """With few states and no branching the hard block's round is not proven near; by how much is what its bound lacks."""
    problem = _problem(2)
    work = BlockWork(block_id="hard", graph=seven_roads(), service_s=np.full(60, 60.0), load=np.ones(60))
    params = RoundParams(aisle_m_s=1.5, road_m_s=2.0, kicks=50, max_states=30, branches=False)
    problem = replace(problem, work=(problem.work[0], work), crews=(Crew(name="A", params=params),))
    (loose,) = solve_service(problem).loose
    tour = solve_block(work.graph, params)
    assert tour.bound is not None
    assert loose.block_id == "hard"
    assert loose.seconds == pytest.approx(tour.objective - tour.bound)
    assert loose.share == pytest.approx(tour.gap)
    assert loose.share > 0.01


def test_loads_go_back_to_the_yard() -> None:
    """A vehicle that takes 30 shelters comes back to the yard three times for 100."""
    problem = _problem(capacity=30.0)
    plan = solve_service(problem)
    _check(problem, plan)
    assert plan.unserved == ()
    assert sum(s.kind == "reload" for s in plan.routes[0].steps) == 3
    with pytest.raises(ValueError, match="load"):
        solve_service(_problem(capacity=0.5))


def test_break_is_taken_once_and_late_enough() -> None:
    """Half an hour after four hours; none on a day that is over before."""
    problem = _problem(num_blocks=6, each=30)
    steps = solve_service(problem).routes[0].steps
    breaks = [s for s in steps if s.kind == "break"]
    assert [s.end_s - s.begin_s for s in breaks] == [pytest.approx(1800.0)]
    assert 11 * 3600 <= breaks[0].begin_s <= 11 * 3600 + 300
    short = solve_service(_problem(num_blocks=1, each=10))
    assert all(s.kind != "break" for s in short.routes[0].steps)


def test_leg_times_add_up_to_the_objective() -> None:
    """With turns and two speeds the legs' seconds sum to the round's cost."""
    graph = _problem(num_blocks=1, each=9).work[0].graph
    params = RoundParams(aisle_m_s=2.0, road_m_s=3.0, headland_turn_s=7.0, u_turn_s=15.0)
    tour = solve_block(graph, params)
    assert sum(leg_seconds(graph, tour.legs, params)) == pytest.approx(tour.objective)


def test_some_of_the_stops() -> None:
    """A part of a block's stops keeps their places, numbered anew."""
    graph = _problem(num_blocks=1, each=9).work[0].graph
    part = only(graph, np.array([7, 2]))
    assert part.num_stops == 2
    for new, old in enumerate([7, 2]):
        theirs = graph.place_stop == old
        np.testing.assert_array_equal(part.place_m[part.place_stop == new], graph.place_m[theirs])


def test_blocks_are_strung_without_crossings() -> None:
    """Blocks round a square are visited round the square, and late ones after the others."""
    corner = np.array([[0, 0], [0, 100], [100, 100], [100, 0], [0, 50], [100, 50]], float)
    between = np.abs(corner[:, None] - corner[None]).sum(axis=2)
    order = block_order(between, [0.0] * 5)
    path = [0, *(b + 1 for b in order), 0]
    assert sum(between[a, b] for a, b in pairwise(path)) == 400.0
    assert block_order(between, [5.0, 0.0, 0.0, 0.0, 0.0])[-1] == 0


def test_nobody_to_do_it_is_an_error() -> None:
    """No crew or no day is a wrong call; no work is an empty plan."""
    problem = _problem()
    with pytest.raises(ValueError, match="crews"):
        solve_service(replace(problem, crews=()))
    empty = solve_service(replace(problem, work=(), access=Access.at_starts([], np.zeros((1, 1)))))
    assert (empty.routes, empty.unserved, empty.finish_s) == ((), (), 0.0)


def test_asked_while_a_block_is_sought_it_ends_with_a_whole_round() -> None:
    """The block is left as it is then, with what may be too long in it; the other blocks still get their rounds."""
    problem = _hard_problem()
    heard: list[Progress] = []
    plan = solve_service(problem, stop=lambda: bool(heard), tell=heard.append)
    _check(problem, plan)
    assert plan.stopped
    assert plan.unserved == ()
    assert 1 <= next(k for k, p in enumerate(heard) if p.gap is None) <= 3
    assert [loose.block_id for loose in plan.loose] == ["B0"]
    assert plan.loose[0].share > 0.01
