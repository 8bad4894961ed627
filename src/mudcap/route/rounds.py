"""Rounds through blocks as crews need them, each found once: of all that is to do, or of a share, from one access point to another."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from mudcap.route.access import Access, Passage, best_passages
from mudcap.route.aisles import solve_block
from mudcap.route.blocktour import BlockTour
from mudcap.route.clock import Share
from mudcap.route.distances import apart_seconds
from mudcap.route.options import RoundParams
from mudcap.route.search import UNWATCHED, Watch
from mudcap.route.stopgraph import StopGraph, only
from mudcap.route.visits import BlockWork, Crew

_WORK, _EACH = 4e8, 10
"""States times ways that rounds between access points may take in all blocks together, half a minute or so, and how many of them a block
is taken to need; found by trial."""
_BOUND_STATES = 3_000
"""`max_states` where nothing but a bound is wanted."""


class Rounds:
    """The rounds of blocks that were found, and those that are found when they are asked for."""

    def __init__(
        self,
        work: Sequence[BlockWork],
        access_of: Callable[[Crew], Access],
        stop: Callable[[], bool] = lambda: False,
    ) -> None:
        self.work, self.access_of, self.stop = work, access_of, stop
        self.known: dict[tuple[object, ...], BlockTour] = {}
        self.is_light: dict[tuple[object, ...], bool] = {}
        """By block and kind of crew: whether rounds between its points are quickly found."""
        self.apart_s: dict[tuple[object, ...], NDArray[np.float64]] = {}

    def whole(self, b: int, stops: NDArray[np.int64], crew: Crew, watch: Watch = UNWATCHED) -> BlockTour:
        """The round past all that is to do in a block and back to where its graph begins."""
        tour = self._round(b, stops, crew, None, crew.params, watch)
        graph = self.work[b].graph_of(crew)
        work = tour.peak_states * len(graph.tail) * _EACH * len(self.work)
        self.is_light[b, crew.mode, crew.params] = tour.status == "optimal" and work <= _WORK
        return tour

    def bound_s(self, b: int, stops: NDArray[np.int64], crew: Crew) -> float:
        """No shares of the stops of a block that come and leave at its points take less in all; 0 where nothing is proven."""
        tour = self.whole(b, stops, crew)
        points = self._vertices(b, crew)
        if len(points) == 1 or not tour.bound:
            return tour.bound or 0.0
        if not self.is_light[b, crew.mode, crew.params]:  # each share comes back to where it came
            apart = self._apart(b, crew, points)
            return max(0.0, tour.bound - float((apart[0] + apart[:, 0]).sum()))
        params = replace(crew.params, branches=False, max_states=min(crew.params.max_states, _BOUND_STATES))
        graph = _joined(only(self.work[b].graph_of(crew), stops), points)
        return solve_block(graph, params, watch=Watch(stop=self.stop)).bound or 0.0

    def trip(
        self, crew: Crew, parts: Sequence[tuple[int, Sequence[int]]], begin_m: NDArray[np.float64]
    ) -> list[Share]:
        """A trip through blocks, each with some stops, from where ``begin_m`` (g,) metres lead to every access point; each block
        is come to and left so that no other points make the trip quicker by `ENOUGH_S`."""
        if not parts:
            return []
        access = self.access_of(crew)
        chosen = [np.array(sorted(picked), np.int64) for _, picked in parts]
        passages = [self._passage(b, stops, crew, access) for (b, _), stops in zip(parts, chosen, strict=True)]
        ends = best_passages(passages, access, begin_m, crew.params.road_m_s)
        return [
            Share(block=b, stops=stops, tour=self._found(b, stops, crew, at), begin=int(p.points[at[0]]), end=int(p.points[at[1]]))
            for (b, _), stops, p, at in zip(parts, chosen, passages, ends, strict=True)
        ]  # fmt: skip

    def _passage(self, b: int, stops: NDArray[np.int64], crew: Crew, access: Access) -> Passage:
        """What is known of the rounds past some stops of a block, which is that back to its beginning at least."""
        vertices, params = self._vertices(b, crew), replace(crew.params, branches=False)
        closed = self._round(b, stops, crew, None, params, Watch(stop=self.stop))
        size = len(vertices)
        found = np.full((size, size), np.inf)
        past = {leg.begin for leg in closed.legs}
        for a, vertex in enumerate(vertices.tolist()):
            found[a, a] = closed.objective if a == 0 or vertex in past else np.inf
        apart, least = np.zeros((size, size)), found.copy()
        if size > 1 and self.is_light[b, crew.mode, crew.params]:
            apart = self._apart(b, crew, vertices)
            least = np.maximum(closed.objective - apart[0][:, None] - apart[:, 0][None, :], 0.0)
            least[0, 0] = closed.objective
        passage = Passage(
            points=access.of(b), least_s=least, found_s=found, apart_s=apart,
            solve=lambda a, z: self._round(
                b, stops, crew, (int(vertices[a]), int(vertices[z])), params, Watch(stop=self.stop)
            ).objective,
        )  # fmt: skip
        for a, one in enumerate(vertices.tolist()):
            for z, other in enumerate(vertices.tolist()):
                if self._key(b, stops, crew, (one, other)) in self.known:
                    passage.find(a, z)
        return passage

    def _found(self, b: int, stops: NDArray[np.int64], crew: Crew, at: tuple[int, int]) -> BlockTour:
        """The best round known past some stops of a block between two of its points (positions among them)."""
        vertices = self._vertices(b, crew)
        ends = int(vertices[at[0]]), int(vertices[at[1]])
        if self._key(b, stops, crew, ends) in self.known:
            return self.known[self._key(b, stops, crew, ends)]
        closed = self.known[self._key(b, stops, crew, None)]
        return closed if at == (0, 0) else _begun_at(closed, ends[0])

    def _round(
        self, b: int, stops: NDArray[np.int64], crew: Crew, ends: tuple[int, int] | None, params: RoundParams, watch: Watch
    ) -> BlockTour:
        """The round past some stops of a block; back to where its graph begins, or between two vertices."""
        key = self._key(b, stops, crew, ends)
        if key not in self.known:
            graph = only(self.work[b].graph_of(crew), stops)
            if ends is not None:
                graph = replace(graph, start=ends[0], end=ends[1])
            tour = self.known[key] = solve_block(graph, params, watch=watch)
            if ends is not None and not graph.directions.any():
                self.known[self._key(b, stops, crew, ends[::-1])] = _backward(tour)
        return self.known[key]

    def _key(self, b: int, stops: NDArray[np.int64], crew: Crew, ends: tuple[int, int] | None) -> tuple[object, ...]:
        return b, crew.mode, crew.params, stops.tobytes(), ends

    def _apart(self, b: int, crew: Crew, vertices: NDArray[np.int64]) -> NDArray[np.float64]:
        key = b, crew.mode, crew.params
        if key not in self.apart_s:
            self.apart_s[key] = apart_seconds(self.work[b].graph_of(crew), vertices, crew.params)
        return self.apart_s[key]

    def _vertices(self, b: int, crew: Crew) -> NDArray[np.int64]:
        access = self.access_of(crew)
        return access.vertex[access.of(b)]


def _begun_at(tour: BlockTour, vertex: int) -> BlockTour:
    """A round that comes back to where it begins, begun at another vertex that it passes."""
    at = next(k for k, leg in enumerate(tour.legs) if leg.begin == vertex)
    return replace(tour, legs=tour.legs[at:] + tour.legs[:at])


def _backward(tour: BlockTour) -> BlockTour:
    """The round the other way about, where all ways are open both ways; where a crew turns round inside a way, it does so still."""
    legs = []
    for leg in reversed(tour.legs):
        if leg.turn_m is None:
            halts = tuple(
                replace(h, at_m=leg.length_m - h.at_m, side=-h.side) for h in sorted(leg.halts, key=lambda h: (-h.at_m, h.stop))
            )
            leg = replace(leg, begin=leg.end, end=leg.begin, halts=halts)
        legs.append(leg)
    return replace(tour, legs=tuple(legs))


def _joined(graph: StopGraph, points: NDArray[np.int64]) -> StopGraph:
    """The graph with ways of no length between its start and its other access points: shares of a round that come and leave at any
    of them make one walk there."""
    more = len(points) - 1
    return replace(
        graph, tail=np.append(graph.tail, np.full(more, graph.start)), head=np.append(graph.head, points[1:]),
        length_m=np.append(graph.length_m, np.zeros(more)), is_aisle=np.append(graph.is_aisle, np.zeros(more, bool)),
        one_way=None if graph.one_way is None else np.append(graph.one_way, np.zeros(more, np.int8)),
    )  # fmt: skip
