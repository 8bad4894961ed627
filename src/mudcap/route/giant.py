"""The giant tour through all blocks laid out as arrays, with the slots that are to be filled from it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra

from mudcap.route.aisles import solve_block
from mudcap.route.blocktour import BlockTour
from mudcap.route.options import RoundParams
from mudcap.route.search import Watch
from mudcap.route.split import Slots, Visits
from mudcap.route.stopgraph import StopGraph, only
from mudcap.route.visits import BlockWork, Crew

if TYPE_CHECKING:
    from mudcap.route.service import ServiceProblem


def crew_kinds(crews: Sequence[Crew]) -> tuple[list[Crew], list[int]]:
    """One crew of each kind (vehicle, speeds and turns), and the kind of every crew."""
    keys = [(c.mode, c.params) for c in crews]
    first = list(dict.fromkeys(keys))
    return [crews[keys.index(key)] for key in first], [first.index(key) for key in keys]


def lay_visits(
    problem: ServiceProblem,
    known: dict[tuple[object, ...], BlockTour],
    tell: Callable[[int, float | None], None] = lambda block, gap: None,
    is_over: Callable[[], bool] = lambda: False,
) -> tuple[Visits, float]:
    """Return all visits that are to make, and a bound on the working seconds that they take.

    Each block's are in the order of its exact round for the first kind of crew. ``known`` takes up the rounds that were found;
    ``tell`` is called with each block, with a share by which the best round so far may be too dear while its round is sought, and with None
    when it is found. Once ``is_over`` says so, no more than a round of each is wanted.
    The bound counts driving only where all crews are of one kind.
    """
    kinds, _ = crew_kinds(problem.crews)
    columns: list[tuple[NDArray[np.int64], ...]] = []
    times: list[tuple[NDArray[np.float64], NDArray[np.float64]]] = []
    bound = 0.0
    for b, work in enumerate(problem.work):
        stops = np.array([s for s in range(work.graph.num_stops) if s not in work.done], np.int64)
        if not len(stops):
            continue
        tours = [_round(work, b, stops, crew, known, Watch(tell=partial(_tell_gap, b, tell), stop=is_over)) for crew in kinds]
        order = [h.stop for leg in tours[0].legs for h in leg.halts]
        bound += float(work.service_s[stops].sum()) + (tours[0].bound or 0.0 if len(kinds) == 1 else 0.0)
        columns.append((np.full(len(order), b), stops[order]))
        made = []
        for tour, crew in zip(tours, kinds, strict=True):
            side = {h.stop: leg.edge for leg in tour.legs for h in leg.halts}
            graph = only(work.graph_of(crew), stops)
            made.append(drives(graph, [(side[s], s) for s in order], crew.params))
        times.append((np.array([a for a, _ in made]), np.array([h for _, h in made])))
        tell(b, None)
    if not columns:
        columns = [(np.empty(0, np.int64),) * 2]
        times = [(np.empty((len(kinds), 0)),) * 2]
    block, stop = (np.concatenate(column).astype(np.int64) for column in zip(*columns, strict=True))
    service, load = np.zeros(len(stop)), np.zeros(len(stop))
    for b, work in enumerate(problem.work):
        mine = block == b
        service[mine], load[mine] = work.service_s[stop[mine]], work.load[stop[mine]]
    visits = Visits(
        block=block, stop=stop, service_s=service, load=load,
        onward_s=np.concatenate([a for a, _ in times], axis=1), home_s=np.concatenate([h for _, h in times], axis=1),
        road_s=np.array([problem.between_of(c) / c.params.road_m_s for c in kinds], float),
        opens_s=np.array([w.opens_s for w in problem.work], float),
    )  # fmt: skip
    return visits, bound


def _tell_gap(block: int, tell: Callable[[int, float | None], None], cost: float, bound: float) -> None:
    if np.isfinite(cost) and cost > 0:
        tell(block, max(0.0, 1 - bound / cost))


def _round(
    work: BlockWork, b: int, stops: NDArray[np.int64], crew: Crew, known: dict[tuple[object, ...], BlockTour], watch: Watch
) -> BlockTour:
    key = (b, crew.mode, crew.params, stops.tobytes())
    if key not in known:
        known[key] = solve_block(only(work.graph_of(crew), stops), crew.params, watch=watch)
    return known[key]


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
        first_s=np.array([
            np.array([*now.to_block_m, now.to_yard_m] if now else [*problem.between_of(c)[0, 1:], 0.0]) / c.params.road_m_s
            for (_, _, c), now in zip(slots, begins, strict=True)
        ]),
    )  # fmt: skip


def home_seconds(graph: StopGraph, stop: int, params: RoundParams) -> float:
    """Shortest driving time between a stop and the start of its block."""
    p = int(np.flatnonzero(graph.place_stop == stop)[0])
    _, home = drives(graph, [(int(graph.place_edge[p]), stop)], params)
    return float(home[0])


def drives(
    graph: StopGraph, halts: Sequence[tuple[int, int]], params: RoundParams
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Seconds from each halt to the next, and between each halt and the start (the mean of there and back), by the shortest ways
    and with no turns."""
    way = graph.directions
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
        for (begin, one), (end, other) in pairwise(chain):
            seconds = max((end - begin) / speed[e], 1e-9)
            links += [(one, other, seconds)] if way[e] >= 0 else []
            links += [(other, one, seconds)] if way[e] <= 0 else []
    size = v + len(halts)
    i, j, d = (np.array(column) for column in zip(*links, strict=True))
    order = np.lexsort((d, j, i))
    i, j, d = i[order], j[order], d[order]
    first = np.append(True, (i[1:] != i[:-1]) | (j[1:] != j[:-1]))
    net = csr_matrix((d[first], (i[first], j[first])), shape=(size, size))
    there, back = dijkstra(net, indices=graph.start)[v:], dijkstra(net.T.tocsr(), indices=graph.start)[v:]
    apart = np.zeros(len(halts))
    for first_row in range(0, len(halts) - 1, 200):
        rows = np.arange(first_row, min(first_row + 200, len(halts) - 1))
        apart[rows] = dijkstra(net, indices=v + rows)[np.arange(len(rows)), v + rows + 1]
    return apart, (there + back) / 2


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
