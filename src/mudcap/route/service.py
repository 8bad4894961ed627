"""Many blocks, crews and days: one giant tour, split by shift so that the work is done soonest, each share driven exactly.

References
----------
Beasley 1983, Omega 11:403–408 (route first, cluster second); Prins 2004, Comput. Oper. Res. 31:1985–2002 (exact split of a
giant tour). From memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra

from mudcap.route.aisles import BlockTour, only, solve_block
from mudcap.route.clock import DAY_S, Share, run_day
from mudcap.route.options import RoundParams
from mudcap.route.stopgraph import StopGraph
from mudcap.route.visits import BlockWork, Crew, Route, RoutePlan

_HALVINGS = 18
_TRIALS = 4
"""Times the cuts are laid anew with what the shares really took."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ServiceProblem:
    """Work in blocks, the metres between them, and who can do it when."""

    work: tuple[BlockWork, ...]
    between_m: NDArray[np.float64]
    """(k + 1, k + 1) road metres between the yard (0) and where the round of block i - 1 starts (i)."""
    crews: tuple[Crew, ...]
    num_days: int = 1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Giant:
    """All visits in the order of the giant tour, with what a share of them from i to j takes."""

    block: NDArray[np.int64]
    stop: NDArray[np.int64]
    service_s: NDArray[np.float64]
    load: NDArray[np.float64]
    onward_s: NDArray[np.float64]
    """(n,) driving from each visit to the next one in the same block (0 after a block's last)."""
    home_s: NDArray[np.float64]
    """(n,) driving between each visit and the start of its block."""


def solve_service(problem: ServiceProblem) -> RoutePlan:
    """Return routes for all crews and days that are done soonest, as far as one giant tour allows.

    Blocks are strung by road, each block's stops in the order of its exact round. The fewest days that suffice are taken:
    the earlier ones are filled, the last one is cut so that its longest share is as short as possible for this order (by
    halving, each trial filling one shift after the other). Each share's blocks are then driven by their own exact rounds,
    and the cuts are laid anew with the times that these took. What does not fit the shifts is returned as unserved.

    Raises ``ValueError`` without crews or days, or where one stop's load is more than a vehicle takes.
    """
    if not problem.crews or problem.num_days < 1:
        raise ValueError("crews, num_days: at least one crew and one day are needed.")
    room = min(c.capacity for c in problem.crews)
    if any((w.load > room).any() for w in problem.work):
        raise ValueError(f"load: a stop carries more than the {room:g} that a vehicle takes.")
    params = problem.crews[0].params
    tours = [solve_block(w.graph, params) for w in problem.work]
    giant = _string(problem, tours, params)
    alike = all(c.params == params for c in problem.crews)
    bound = sum(float(w.service_s.sum()) for w in problem.work)
    bound += sum(t.bound or 0.0 for t in tours) if alike else 0.0
    days = next(
        (d for d in range(1, problem.num_days) if _fits(problem, giant, _slots(problem, d))), problem.num_days
    )
    slots = _slots(problem, days)
    known: dict[tuple[object, ...], BlockTour] = {}
    slack = np.ones(len(slots))
    best: RoutePlan | None = None
    for _ in range(_TRIALS):
        cuts, estimated = _cuts(problem, giant, slots, slack)
        plan, real = _build(problem, giant, slots, cuts, bound, known)
        if best is None or _rank(plan) < _rank(best):
            best = plan
        filled = (estimated > 0) & (real > 0)
        slack[filled] = estimated[filled] / np.maximum(real[filled], 1.0)
    assert best is not None
    return best


def _slots(problem: ServiceProblem, days: int) -> list[tuple[int, Crew]]:
    return [(d, c) for d in range(days) for c in problem.crews]


def _rank(plan: RoutePlan) -> tuple[int, float, float]:
    """What is better: more done, sooner, in less paid time."""
    return len(plan.unserved), plan.finish_s, plan.paid_s


def _string(problem: ServiceProblem, tours: Sequence[BlockTour], params: RoundParams) -> _Giant:
    """The giant tour over all blocks."""
    parts: list[tuple[NDArray[Any], ...]] = []
    for b in block_order(problem.between_m, [w.opens_s for w in problem.work]):
        work = problem.work[b]
        halts = [(leg.edge, h.stop) for leg in tours[b].legs for h in leg.halts]
        if not halts:
            continue
        stop = np.array([s for _, s in halts], np.int64)
        apart, home = _drives(work.graph, halts, params)
        parts.append((np.full(len(stop), b), stop, work.service_s[stop], work.load[stop], apart, home))
    if not parts:
        none = np.zeros(0)
        parts = [(none, none, none, none, none, none)]
    block, stop, service, load, onward, home = (np.concatenate(column) for column in zip(*parts, strict=True))
    return _Giant(
        block=block.astype(np.int64), stop=stop.astype(np.int64), service_s=service, load=load, onward_s=onward, home_s=home
    )  # fmt: skip


def _drives(
    graph: StopGraph, halts: Sequence[tuple[int, int]], params: RoundParams
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Seconds from each halt to the next, and between each halt and the start, by the shortest ways and with no turns."""
    speed = np.where(graph.is_aisle, params.aisle_m_s, params.road_m_s)
    v = len(graph.vertex_xy)
    at = {
        (int(e), int(s)): float(m)
        for e, s, m in zip(graph.place_edge, graph.place_stop, graph.place_m, strict=True)
    }
    by_edge: dict[int, list[tuple[float, int]]] = {}
    for k, (e, s) in enumerate(halts):
        by_edge.setdefault(e, []).append((at[e, s], v + k))
    links: list[tuple[int, int, float]] = []
    for e in range(len(graph.tail)):
        chain = [(0.0, int(graph.tail[e])), *sorted(by_edge.get(e, []))]
        if graph.head[e] >= 0:
            chain.append((float(graph.length_m[e]), int(graph.head[e])))
        links += [
            (chain[k][1], chain[k + 1][1], max((chain[k + 1][0] - chain[k][0]) / speed[e], 1e-9))
            for k in range(len(chain) - 1)
        ]
    size = v + len(halts)
    i, j, d = (np.array(column) for column in zip(*links, strict=True))
    order = np.lexsort((d, j, i))
    i, j, d = i[order], j[order], d[order]
    first = np.append(True, (i[1:] != i[:-1]) | (j[1:] != j[:-1]))
    net = csr_matrix((d[first], (i[first], j[first])), shape=(size, size))
    home = dijkstra(net, directed=False, indices=graph.start)[v:]
    apart = np.zeros(len(halts))
    for begin in range(0, len(halts) - 1, 200):
        rows = np.arange(begin, min(begin + 200, len(halts) - 1))
        apart[rows] = dijkstra(net, directed=False, indices=v + rows)[np.arange(len(rows)), v + rows + 1]
    return apart, home


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


def _fits(problem: ServiceProblem, giant: _Giant, slots: Sequence[tuple[int, Crew]]) -> bool:
    return _cut(problem, giant, slots, np.array([c.shift_s for _, c in slots]))[0][-1] == len(giant.stop)


def _cut(
    problem: ServiceProblem, giant: _Giant, slots: Sequence[tuple[int, Crew]], limit_s: NDArray[np.float64]
) -> tuple[list[int], NDArray[np.float64]]:
    """Where each shift's share ends when the shifts are filled in turn up to their limits, and the seconds each takes."""
    cuts, used, at = [], np.zeros(len(slots)), 0
    for k, (day, crew) in enumerate(slots):
        at, used[k] = _fill(problem, giant, crew, at, float(limit_s[k]), day)
        cuts.append(at)
    return cuts, used


def _fill(
    problem: ServiceProblem, giant: _Giant, crew: Crew, begin: int, limit_s: float, day: int
) -> tuple[int, float]:
    """First visit that no longer fits a shift which starts with visit ``begin``, and the seconds that those before take."""
    road = problem.between_m / crew.params.road_m_s
    clock, load, at_block, used = 0.0, 0.0, -1, 0.0
    start = day * DAY_S + crew.start_s
    for i in range(begin, len(giant.stop)):
        b = int(giant.block[i])
        if at_block < 0:
            clock += road[0, b + 1] + giant.home_s[i]
        elif load + giant.load[i] > crew.capacity:
            clock += (
                giant.home_s[i - 1] + road[at_block + 1, 0] + crew.reload_s + road[0, b + 1] + giant.home_s[i]
            )
            load = 0.0
        elif b != at_block:
            clock += giant.home_s[i - 1] + road[at_block + 1, b + 1] + giant.home_s[i]
        else:
            clock += giant.onward_s[i - 1]
        if b != at_block:
            clock = max(clock, problem.work[b].opens_s - start)
        at_block = b
        clock += giant.service_s[i]
        load += giant.load[i]
        back = clock + giant.home_s[i] + road[b + 1, 0]
        pause = crew.break_s if back > crew.break_after_s else 0.0
        if back + pause > limit_s:
            return i, used
        used = back + pause
    return len(giant.stop), used


def _cuts(
    problem: ServiceProblem, giant: _Giant, slots: Sequence[tuple[int, Crew]], slack: NDArray[np.float64]
) -> tuple[list[int], NDArray[np.float64]]:
    """The cuts with which the work is done soonest: earlier days filled, the last one shared evenly.

    ``slack`` is by how much more than its limit each shift may take by estimate, since its exact rounds are shorter.
    """
    shift = np.array([c.shift_s for _, c in slots]) * slack
    last = np.array([d for d, _ in slots]) == slots[-1][0]
    best = _cut(problem, giant, slots, shift)
    low, high = 0.0, 1.0
    for _ in range(_HALVINGS if best[0][-1] == len(giant.stop) else 0):
        middle = (low + high) / 2
        found = _cut(problem, giant, slots, np.where(last, middle * shift, shift))
        if found[0][-1] == len(giant.stop):
            best, high = found, middle
        else:
            low = middle
    return best


def _build(
    problem: ServiceProblem,
    giant: _Giant,
    slots: Sequence[tuple[int, Crew]],
    cuts: Sequence[int],
    bound_s: float,
    known: dict[tuple[object, ...], BlockTour],
) -> tuple[RoutePlan, NDArray[np.float64]]:
    """Routes with clock times for the shares between the cuts, and the seconds each share takes.

    What a shift has no room for after all is left to the shifts after it, and goes unserved if none has.
    """
    routes: list[Route] = []
    real = np.zeros(len(slots))
    begin = 0
    for k, ((day, crew), end) in enumerate(zip(slots, cuts, strict=True)):
        last = max(end, begin)
        while last > begin:
            loads = _shares(problem, giant, crew, begin, last, known)
            route = run_day(problem.work, problem.between_m, crew, day, loads)
            real[k] = max(real[k], route.end_s - route.begin_s)
            if route.end_s - route.begin_s <= crew.shift_s + 1e-6:
                routes.append(route)
                break
            last -= max(1, int((last - begin) * (1 - crew.shift_s / (route.end_s - route.begin_s))))
        begin = last
    unserved = tuple(
        (problem.work[giant.block[i]].block_id, int(giant.stop[i])) for i in range(begin, len(giant.stop))
    )
    return RoutePlan(routes=tuple(routes), unserved=unserved, bound_s=bound_s), real


def _shares(
    problem: ServiceProblem,
    giant: _Giant,
    crew: Crew,
    begin: int,
    end: int,
    known: dict[tuple[object, ...], BlockTour],
) -> list[list[Share]]:
    """The loads of a shift, each the blocks to go to with their exact rounds."""
    loads: list[list[tuple[int, list[int]]]] = [[]]
    load = 0.0
    for i in range(begin, end):
        if load + giant.load[i] > crew.capacity:
            loads.append([])
            load = 0.0
        load += giant.load[i]
        b = int(giant.block[i])
        if not loads[-1] or loads[-1][-1][0] != b:
            loads[-1].append((b, []))
        loads[-1][-1][1].append(int(giant.stop[i]))
    shares: list[list[Share]] = []
    for trip in loads:
        shares.append([])
        for b, stops in trip:
            chosen = np.array(sorted(stops), np.int64)
            key = (b, crew.params, chosen.tobytes())
            if key not in known:
                known[key] = solve_block(only(problem.work[b].graph, chosen), crew.params)
            shares[-1].append(Share(block=b, stops=chosen, tour=known[key]))
    return shares
