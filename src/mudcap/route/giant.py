"""The giant tour through all blocks laid out as arrays, with the slots that are to be filled from it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

import numpy as np
from numpy.typing import NDArray

from mudcap.route.distances import drives
from mudcap.route.rounds import Rounds
from mudcap.route.search import Watch
from mudcap.route.split import Slots, Visits
from mudcap.route.stopgraph import only
from mudcap.route.visits import Crew, CrewNow, ServiceProblem


def crew_kinds(crews: Sequence[Crew]) -> tuple[list[Crew], list[int]]:
    """One crew of each kind (vehicle, speeds and turns), and the kind of every crew."""
    keys = [(c.mode, c.params) for c in crews]
    first = list(dict.fromkeys(keys))
    return [crews[keys.index(key)] for key in first], [first.index(key) for key in keys]


def lay_visits(
    problem: ServiceProblem,
    rounds: Rounds,
    tell: Callable[[int, float | None], None] = lambda block, gap: None,
    is_over: Callable[[], bool] = lambda: False,
) -> tuple[Visits, float]:
    """Return all visits that are to make, and a bound on the working seconds that they take.

    Each block's are in the order of its exact round for the first kind of crew. ``rounds`` takes up the rounds that are found;
    ``tell`` is called with each block, with a share by which the best round so far may be too dear while its round is sought, and with None
    when it is found. Once ``is_over`` says so, no more than a round of each is wanted.
    The bound counts driving only where all crews are of one kind.
    """
    kinds, _ = crew_kinds(problem.crews)
    columns: list[tuple[NDArray[np.int64], ...]] = []
    times: list[tuple[NDArray[np.float64], list[NDArray[np.float64]]]] = []
    bound = 0.0
    for b, work in enumerate(problem.work):
        stops = np.array([s for s in range(work.graph.num_stops) if s not in work.done], np.int64)
        if not len(stops):
            continue
        tours = [rounds.whole(b, stops, crew, Watch(tell=partial(_tell_gap, b, tell), stop=is_over)) for crew in kinds]
        order = [h.stop for leg in tours[0].legs for h in leg.halts]
        bound += float(work.service_s[stops].sum()) + (rounds.bound_s(b, stops, kinds[0]) if len(kinds) == 1 else 0.0)
        columns.append((np.full(len(order), b), stops[order]))
        made = []
        for tour, crew in zip(tours, kinds, strict=True):
            side = {h.stop: leg.edge for leg in tour.legs for h in leg.halts}
            access = problem.access_of(crew)
            points = access.vertex[access.of(b)]
            made.append(drives(only(work.graph_of(crew), stops), [(side[s], s) for s in order], crew.params, points))
        times.append((np.array([a for a, _ in made]), [h for _, h in made]))
        tell(b, None)
    if not columns:
        columns = [(np.empty(0, np.int64),) * 2]
        times = [(np.empty((len(kinds), 0)), [np.empty((0, 1))] * len(kinds))]
    block, stop = (np.concatenate(column).astype(np.int64) for column in zip(*columns, strict=True))
    service, load = np.zeros(len(stop)), np.zeros(len(stop))
    for b, work in enumerate(problem.work):
        mine = block == b
        service[mine], load[mine] = work.service_s[stop[mine]], work.load[stop[mine]]
    visits = Visits(
        block=block, stop=stop, service_s=service, load=load,
        onward_s=np.concatenate([a for a, _ in times], axis=1), home_s=_home_s([h for _, h in times]),
        points=np.array([problem.access_of(c).first[1:] for c in kinds], np.int64), road_s=_road_s(problem, kinds),
        opens_s=np.array([w.opens_s for w in problem.work], float),
    )  # fmt: skip
    return visits, bound


def _tell_gap(block: int, tell: Callable[[int, float | None], None], cost: float, bound: float) -> None:
    if np.isfinite(cost) and cost > 0:
        tell(block, max(0.0, 1 - bound / cost))


def _home_s(of_block: Sequence[Sequence[NDArray[np.float64]]]) -> NDArray[np.float64]:
    """(c, n, e) seconds between each visit and each access point of its block; inf where there are fewer points."""
    most = max(h.shape[1] for of_kind in of_block for h in of_kind)
    kinds = zip(*of_block, strict=True)
    return np.array([
        np.concatenate([np.pad(h, ((0, 0), (0, most - h.shape[1])), constant_values=np.inf) for h in of_kind]) for of_kind in kinds
    ])  # fmt: skip


def _road_s(problem: ServiceProblem, kinds: Sequence[Crew]) -> NDArray[np.float64]:
    """(c, g, g) seconds between the yard and all access points; inf where a kind has fewer."""
    return _level([problem.access_of(c).metres / c.params.road_m_s for c in kinds])


def _level(each: Sequence[NDArray[np.float64]]) -> NDArray[np.float64]:
    """Arrays of several sizes as one, filled up with inf."""
    most = max(len(a) for a in each)
    return np.array([np.pad(a, (0, most - len(a)), constant_values=np.inf) for a in each])


def lay_slots(problem: ServiceProblem) -> Slots:
    """Return one slot for each day and crew: those of the first day first, in the order of the crews."""
    _, kind = crew_kinds(problem.crews)
    slots = [(d, k, c) for d in range(problem.num_days) for k, c in enumerate(problem.crews)]
    begins = [(c.now if d == 0 else None) for d, _, c in slots]
    return Slots(
        kind=np.array([kind[k] for _, k, _ in slots], np.int64), day=np.array([d for d, _, _ in slots], np.int64),
        begin_s=np.array([c.begin_s(d) for d, _, c in slots]), limit_s=np.array([c.limit_s(d) for d, _, c in slots]),
        room=np.array([c.capacity - (now.load if now else 0.0) for (_, _, c), now in zip(slots, begins, strict=True)]),
        capacity=np.array([c.capacity for _, _, c in slots], float), reload_s=np.array([c.reload_s for _, _, c in slots]),
        pause_after_s=np.array([[after for _, after, _ in c.pauses(d)] for d, _, c in slots]),
        pause_s=np.array([[length for *_, length in c.pauses(d)] for d, _, c in slots]),
        first_s=_first_s(problem, [c for *_, c in slots], begins),
    )  # fmt: skip


def _first_s(problem: ServiceProblem, crews: Sequence[Crew], begins: Sequence[CrewNow | None]) -> NDArray[np.float64]:
    """(s, g) seconds from where each crew is to the yard and to all access points; inf where its kind has fewer."""
    return _level([
        np.array([now.to_yard_m, *now.to_access_m] if now else problem.access_of(c).metres[0]) / c.params.road_m_s
        for c, now in zip(crews, begins, strict=True)
    ])  # fmt: skip


def block_order(between_m: NDArray[np.float64], opens_s: Sequence[float]) -> list[int]:
    """Order of the blocks from the yard and back: nearest first, then 2-opt; blocks that open later come after those before."""
    order: list[int] = []
    for opens in sorted(set(opens_s)):
        left = [b for b, o in enumerate(opens_s) if o == opens]
        run: list[int] = []
        at = order[-1] + 1 if order else 0
        while left:
            nearest = min(left, key=lambda b: (between_m[at, b + 1], b))
            left.remove(nearest)
            run.append(nearest)
            at = nearest + 1
        order += _two_opt(between_m, run, order[-1] + 1 if order else 0)
    return order


def _two_opt(between_m: NDArray[np.float64], run: list[int], begin: int) -> list[int]:
    """A run of blocks with pieces turned round as long as that is shorter, from `begin` and back to the yard."""
    path = [begin, *(b + 1 for b in run), 0]
    improved = True
    while improved:
        improved = False
        for i in range(1, len(path) - 2):
            for j in range(i + 1, len(path) - 1):
                now = between_m[path[i - 1], path[i]] + between_m[path[j], path[j + 1]]
                then = between_m[path[i - 1], path[j]] + between_m[path[i], path[j + 1]]
                if then < now - 1e-9:
                    path[i : j + 1] = path[i : j + 1][::-1]
                    improved = True
    return [p - 1 for p in path[1:-1]]
