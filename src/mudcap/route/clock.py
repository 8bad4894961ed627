"""A crew's day by the clock: travel, driving, service, breaks and waiting, one after the other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mudcap.route.access import Access
from mudcap.route.blocktour import BlockTour, leg_seconds
from mudcap.route.visits import DAY_S, BlockWork, Crew, Route, RouteStep, StepKind

__all__ = ["DAY_S", "Share", "run_day"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Share:
    """Some stops of a block and the round through them."""

    block: int
    stops: NDArray[np.int64]
    """Stop of the block's graph for each stop of the round."""
    tour: BlockTour
    begin: int
    """Position in `Access` of where the round begins."""
    end: int
    """Where it ends."""


def run_day(
    work: Sequence[BlockWork],
    access: Access,
    crew: Crew,
    day: int,
    loads: Sequence[Sequence[Share]],
    *,
    begin_s: float | None = None,
) -> Route:
    """Return the route of one crew on one day: each load from the yard (or where the crew is) through its blocks and back.

    The day begins at ``begin_s``, or as soon as the crew may. A block is never entered before it opens: the crew waits. Break
    and lunch are taken at the first halt that ends late enough, or while the crew waits, and left out where no stop follows.
    A first load without blocks means that the yard comes first.
    """
    now = crew.now if day == 0 else None
    clock = _Clock(crew, day, begin_s, sum(len(share.stops) for load in loads for share in load))
    for number, load in enumerate(loads):
        if number:
            clock.pass_time("reload", crew.reload_s)
        at = 0
        if number == 0 and now is not None and not load:
            clock.go(now.to_yard_m, -1, 0)
            continue
        for k, share in enumerate(load):
            here = number == 0 and k == 0 and now is not None
            metres = now.to_access_m[share.begin - 1] if here and now else float(access.metres[at, share.begin])
            clock.go(metres, -1 if here else at, share.begin)
            at = share.end
            clock.wait_until(work[share.block].opens_s)
            _serve_block(clock, work[share.block], crew, share)
        clock.go(float(access.metres[at, 0]), at, 0)
    return Route(crew=crew.name, day=day, steps=tuple(clock.steps))


def latest_begin(
    work: Sequence[BlockWork],
    access: Access,
    crew: Crew,
    day: int,
    loads: Sequence[Sequence[Share]],
) -> Route:
    """Return the route of `run_day` begun so late that nobody waits on the clock, where it ends no later for that.

    A crew that is at work already (`Crew.now`) waits.
    """
    route = run_day(work, access, crew, day, loads)
    if crew.now is not None and day == 0:
        return route
    end_s = route.end_s
    for _ in range(_SHIFTS):
        idle = route.seconds("wait")
        share = 1.0
        while idle * share > 1.0:
            later = run_day(work, access, crew, day, loads, begin_s=route.begin_s + idle * share)
            if later.end_s <= end_s + 1e-6:
                break
            share /= 2  # a pause that came while waiting comes at another stop now
        else:
            break
        route = later
    return route


def _serve_block(clock: _Clock, work: BlockWork, crew: Crew, share: Share) -> None:
    graph, params = work.graph_of(crew), crew.params
    for leg, seconds in zip(share.tour.legs, leg_seconds(graph, share.tour.legs, params), strict=True):
        speed = params.aisle_m_s if graph.is_aisle[leg.edge] else params.road_m_s
        driven, spent = 0.0, 0.0
        where = {"block_id": work.block_id, "edge": leg.edge, "from_vertex": leg.begin, "to_vertex": leg.end}
        for halt in leg.halts:
            ahead = halt.at_m - driven
            if ahead > 0:
                clock.pass_time("drive", ahead / speed, metres=ahead, **where)
            driven, spent = halt.at_m, spent + ahead / speed
            stop = int(share.stops[halt.stop])
            clock.pass_time("serve", float(work.service_s[stop]), stop=stop, side=halt.side, **where)
            clock.rest()
        clock.pass_time("drive", max(seconds - spent, 0.0), metres=leg.length_m - driven, **where)


_SHIFTS = 6
"""Times the beginning of a day is moved on, since pauses then come elsewhere."""


class _Clock:
    """Steps being written down as time goes on."""

    def __init__(self, crew: Crew, day: int, begin_s: float | None, stops: int) -> None:
        self.crew = crew
        self.begin_s = crew.begin_s(day) if begin_s is None else begin_s
        self.now_s = self.begin_s
        self.steps: list[RouteStep] = []
        self.due = list(crew.pauses(day, begin_s))
        self.to_come = stops

    def pass_time(self, kind: StepKind, seconds: float, **said: object) -> None:
        """Write down a step that takes some seconds from now."""
        self.steps.append(RouteStep(kind=kind, begin_s=self.now_s, end_s=self.now_s + seconds, **said))  # type: ignore[arg-type]
        self.now_s += seconds

    def go(self, metres: float, here: int, there: int) -> None:
        """Travel by road outside the blocks, between access points."""
        self.pass_time("travel", metres / self.crew.params.road_m_s, metres=metres, from_vertex=here, to_vertex=there)

    def wait_until(self, opens_s: float) -> None:
        """Wait where a block is still closed; a pause that falls due meanwhile is taken there."""
        if opens_s <= self.now_s:
            return
        for pause in sorted(self.due, key=lambda p: p[1]):
            kind, after, seconds = pause
            due_s = self.begin_s + after
            if due_s < opens_s:
                self.due.remove(pause)
                if due_s > self.now_s:
                    self.pass_time("wait", due_s - self.now_s)
                self.pass_time(kind, seconds)
        if opens_s > self.now_s:
            self.pass_time("wait", opens_s - self.now_s)

    def rest(self) -> None:
        """Count a stop as served, and take the pauses that are due where more follow."""
        self.to_come -= 1
        for pause in list(self.due) if self.to_come else []:
            kind, after, seconds = pause
            if self.now_s - self.begin_s >= after:
                self.due.remove(pause)
                self.pass_time(kind, seconds)
