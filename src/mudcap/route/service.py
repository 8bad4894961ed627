"""Many blocks, crews and days: one giant tour, split by shift so that the work is done soonest, each share driven exactly."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from mudcap.route.blocktour import EPS
from mudcap.route.clock import Share, latest_begin
from mudcap.route.distances import home_seconds
from mudcap.route.giant import block_order, lay_slots, lay_visits
from mudcap.route.rounds import Rounds
from mudcap.route.search import NEAR
from mudcap.route.split import Order, Slots, Visits, best_order, split, weave
from mudcap.route.visits import Crew, CrewNow, Loose, Progress, Route, RoutePlan, ServiceProblem

__all__ = ["block_order", "crew_now", "replan", "solve_service"]

_TRIED, _FEWEST_TRIALS, _MOST_TRIALS = 10_000, 2, 5
"""The cuts are laid anew with what the shares really took as often as so many visits allow; where there are many, they hardly move
(5,921 stops: the same plan with two as with five); found by trial."""
_WORK = 40_000_000
"""Visits looked at while the order of the blocks is improved."""
_RESTARTED, _MOST_RESTARTS = 8_000, 6
"""The order is sought anew, and driven exactly, as often as so many visits allow."""
_TRIAL_RANGE = (3_000, 40_000)
_TRIALS_A_PAIR = 300


def solve_service(
    problem: ServiceProblem,
    *,
    stop: Callable[[], bool] = lambda: False,
    tell: Callable[[Progress], None] = lambda progress: None,
) -> RoutePlan:
    """Return routes for all crews and days that are done soonest (or cost least), as far as one giant tour allows.

    Each block's stops are strung in the order of its own exact round. Local search over the order of the blocks finds the giant
    tour whose split is best: shifts are filled one after the other, all up to one latest end, which is as early as can be
    (`finish`), or up to their own (`paid`). Each share's blocks are then driven by their own exact rounds, and the cuts are laid
    anew with the times that these took. Blocks that are closed are waited for if nothing else is left, and who would wait on
    the clock begins the day later. What does not fit the shifts is returned as unserved. Stops that are `done` are left out.

    ``tell`` hears how far the search is. Once ``stop`` says so, the best until then is returned; before there is one, the first
    that is found with no more work on a block than it takes to get round.

    Raises ``ValueError`` without crews or days, or where one stop's load is more than a vehicle takes.
    """
    _check(problem)
    rounds = Rounds(problem.work, problem.access_of, stop)
    to_do = [sum(s not in w.done for s in range(w.graph.num_stops)) for w in problem.work]
    at_work = [b for b, n in enumerate(to_do) if n]
    restarts = _restarts(sum(to_do))
    total = len(at_work) + restarts
    visits, bound = lay_visits(
        problem,
        rounds,
        lambda b, gap: tell(Progress(done=at_work.index(b) + (gap is None), total=total, block=b, gap=gap)),
        stop,
    )
    slots = lay_slots(problem)
    size = np.bincount(visits.block, minlength=len(problem.work))
    blocks = [b for b in block_order(problem.access.starts_m, [w.opens_s for w in problem.work]) if size[b]]
    if not blocks:
        return RoutePlan(routes=(), unserved=(), bound_s=0.0)
    trials = int(min(np.clip(_WORK / len(visits.stop), *_TRIAL_RANGE), _TRIALS_A_PAIR * len(blocks) ** 2))
    by_finish = problem.objective == "finish"
    best: RoutePlan | None = None
    for seed in range(restarts):
        order = best_order(
            visits, slots, np.array(blocks, np.int64), by_finish=by_finish, trials=trials, seed=seed
        )
        for is_woven in (False, True)[: 1 + _opens_within(visits, slots)]:
            slack = np.ones(len(slots.kind))
            for _ in range(int(np.clip(_TRIED / sum(to_do), _FEWEST_TRIALS, _MOST_TRIALS))):
                if best is not None and stop():
                    return replace(best, stopped=True)
                laid = order
                if is_woven:
                    laid, cuts, estimated = weave(visits, slots, order, slack, by_finish=by_finish)
                else:
                    cuts, estimated = split(visits, slots, order, slack, by_finish=by_finish)
                plan, real = _build(problem, visits, laid, cuts, bound, rounds)
                if best is None or _rank(plan, by_finish) < _rank(best, by_finish):
                    best = plan
                    tell(Progress(done=len(at_work) + seed, total=total, best=best))
                filled = (estimated > 0) & (real > 0)
                slack[filled] = estimated[filled] / np.maximum(real[filled], 1.0)
        tell(Progress(done=len(at_work) + seed + 1, total=total, best=best))
    assert best is not None
    return best


def replan(
    problem: ServiceProblem, done: Mapping[str, Collection[int]], now: Mapping[str, CrewNow]
) -> ServiceProblem:
    """Return the problem of what is left in the middle of the first day: stops that are done by block, crews by name where
    they are (see `crew_now`). Stops keep their numbers; crews that are not named begin their day as usual.

    Raises ``ValueError`` for a block or crew that the problem does not have.
    """
    strangers = (set(done) - {w.block_id for w in problem.work}) | (
        set(now) - {c.name for c in problem.crews}
    )
    if strangers:
        raise ValueError(f"done, now: no block or crew is called {', '.join(sorted(strangers))}.")
    work = tuple(replace(w, done=w.done | {int(s) for s in done.get(w.block_id, ())}) for w in problem.work)
    crews = tuple(replace(c, now=now.get(c.name, c.now)) for c in problem.crews)
    return replace(problem, work=work, crews=crews)


def crew_now(
    problem: ServiceProblem,
    crew: Crew,
    at_s: float,
    *,
    at_stop: tuple[str, int] | None = None,
    load: float = 0.0,
    paused: Collection[str] = (),
) -> CrewNow:
    """Return where a crew is at a time [s from midnight]: at a stop (block, stop) that it has just served, or else at the yard.

    The metres are those of the shortest ways from there.
    """
    access = problem.access_of(crew)
    to_m = access.metres[0]
    if at_stop is not None:
        b = next(k for k, w in enumerate(problem.work) if w.block_id == at_stop[0])
        metres, points = replace(crew.params, aisle_m_s=1.0, road_m_s=1.0), access.of(b)
        home_m = home_seconds(problem.work[b].graph_of(crew), at_stop[1], metres, access.vertex[points])
        to_m = (home_m[:, None] + access.metres[points]).min(axis=0)
    return CrewNow(
        at_s=at_s, to_access_m=tuple(to_m[1:].tolist()), to_yard_m=float(to_m[0]), load=load, paused=frozenset(paused),
    )  # fmt: skip


def _opens_within(visits: Visits, slots: Slots) -> bool:
    """Whether a block with visits opens in the middle of a shift."""
    opens_s = visits.opens_s[np.unique(visits.block)][:, None]
    return bool(((opens_s > slots.begin_s) & (opens_s < slots.begin_s + slots.limit_s)).any())


def _restarts(num_visits: int) -> int:
    """How often the order of the blocks is sought anew."""
    return int(np.clip(_RESTARTED / max(num_visits, 1), 1, _MOST_RESTARTS))


def _check(problem: ServiceProblem) -> None:
    if not problem.crews or problem.num_days < 1:
        raise ValueError("crews, num_days: at least one crew and one day are needed.")
    room = min(c.capacity for c in problem.crews)
    if any((w.load > room).any() for w in problem.work):
        raise ValueError(f"load: a stop carries more than the {room:g} that a vehicle takes.")
    for w in problem.work:
        if any(g.num_stops != w.graph.num_stops for g in w.by_mode.values()):
            raise ValueError(f"by_mode: block {w.block_id} has not the same stops for each kind of vehicle.")


def _rank(plan: RoutePlan, by_finish: bool) -> tuple[int, float, float]:
    """What is better: more done, then sooner or in less paid time."""
    costs = (plan.finish_s, plan.paid_s)
    return len(plan.unserved), *(costs if by_finish else costs[::-1])


def _build(
    problem: ServiceProblem,
    visits: Visits,
    order: Order,
    cuts: NDArray[np.int64],
    bound_s: float,
    rounds: Rounds,
) -> tuple[RoutePlan, NDArray[np.float64]]:
    """Routes with clock times for the shares between the cuts, and the seconds each share takes.

    What a shift has no room for after all is left to the shifts after it, and goes unserved if none has.
    """
    routes: dict[int, Route] = {}
    driven: list[Share] = []
    real = np.zeros(len(cuts))
    begin = 0
    for k in order.slots.tolist():
        day, crew = divmod(k, len(problem.crews))
        crew = problem.crews[crew]
        last = max(int(cuts[k]), begin)
        while last > begin:
            chosen = order.visits[begin:last]
            late_s = np.maximum(visits.opens_s[visits.block[chosen]] - crew.begin_s(day), 0.0)
            chosen = chosen[np.argsort(late_s, kind="stable")]  # what is open comes first
            loads = _shares(problem, visits, chosen, crew, day, rounds)
            route = latest_begin(problem.work, problem.access_of(crew), crew, day, loads)
            taken = route.end_s - crew.begin_s(day)
            real[k] = max(real[k], taken)
            if taken <= crew.limit_s(day) + 1e-6:
                routes[k] = route
                driven += [share for trip in loads for share in trip]
                break
            last -= max(1, int((last - begin) * (1 - crew.limit_s(day) / taken)))
        begin = last
    left = order.visits[begin:]
    unserved = tuple((problem.work[visits.block[v]].block_id, int(visits.stop[v])) for v in left.tolist())
    return RoutePlan(
        routes=tuple(routes[k] for k in sorted(routes)), unserved=unserved, bound_s=bound_s, loose=_loose(problem, driven)
    ), real


def _loose(problem: ServiceProblem, driven: Sequence[Share]) -> tuple[Loose, ...]:
    """The blocks where what is driven may be above the least by more than is asked for."""
    found = []
    for b, work in enumerate(problem.work):
        tours = [share.tour for share in driven if share.block == b]
        cost = sum(t.objective for t in tours)
        above = cost - sum(t.bound or 0.0 for t in tours)
        if above > NEAR * cost + EPS:
            found.append(Loose(block_id=work.block_id, seconds=above, share=above / cost))
    return tuple(found)


def _shares(
    problem: ServiceProblem, visits: Visits, chosen: NDArray[np.int64], crew: Crew, day: int, rounds: Rounds
) -> list[list[Share]]:
    """The loads of a shift, each the blocks to go to with their exact rounds."""
    loads: list[list[tuple[int, list[int]]]] = [[]]
    now = crew.now if day == 0 else None
    load = now.load if now is not None else 0.0
    for v in chosen.tolist():
        if load + visits.load[v] > crew.capacity + 1e-9:
            loads.append([])
            load = 0.0
        load += float(visits.load[v])
        b = int(visits.block[v])
        if not loads[-1] or loads[-1][-1][0] != b:
            loads[-1].append((b, []))
        loads[-1][-1][1].append(int(visits.stop[v]))
    yard_m = problem.access_of(crew).metres[0]
    first_m = yard_m if now is None else np.array([now.to_yard_m, *now.to_access_m])
    return [rounds.trip(crew, trip, yard_m if k else first_m) for k, trip in enumerate(loads)]
