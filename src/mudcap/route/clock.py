"""A crew's day by the clock: travel, driving, service, breaks and waiting, one after the other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mudcap.route.aisles import BlockTour, leg_seconds
from mudcap.route.visits import BlockWork, Crew, Route, RouteStep, StepKind

DAY_S = 86_400.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Share:
    """Some stops of a block and the round through them."""

    block: int
    stops: NDArray[np.int64]
    """Stop of the block's graph for each stop of the round."""
    tour: BlockTour


def run_day(
    work: Sequence[BlockWork],
    between_m: NDArray[np.float64],
    crew: Crew,
    day: int,
    loads: Sequence[Sequence[Share]],
) -> Route:
    """Return the route of one crew on one day: each load from the yard through its blocks and back.

    A block is never entered before it opens: the crew waits. The break is taken at the first halt that ends late enough; it
    is left out on a day that is over before.
    """
    clock = _Clock(crew, day)
    for number, load in enumerate(loads):
        if number:
            clock.pass_time("reload", crew.reload_s)
        at = 0
        for share in load:
            clock.go(float(between_m[at, share.block + 1]))
            at = share.block + 1
            clock.wait_until(work[share.block].opens_s)
            _serve_block(clock, work[share.block], crew, share)
        clock.go(float(between_m[at, 0]))
    return Route(crew=crew.name, day=day, steps=tuple(clock.steps))


def _serve_block(clock: _Clock, work: BlockWork, crew: Crew, share: Share) -> None:
    graph, params = work.graph, crew.params
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


class _Clock:
    """Steps being written down as time goes on."""

    def __init__(self, crew: Crew, day: int) -> None:
        self.crew = crew
        self.begin_s = day * DAY_S + crew.start_s
        self.now_s = self.begin_s
        self.steps: list[RouteStep] = []
        self.rested = False

    def pass_time(self, kind: StepKind, seconds: float, **said: object) -> None:
        """Write down a step that takes some seconds from now."""
        self.steps.append(RouteStep(kind=kind, begin_s=self.now_s, end_s=self.now_s + seconds, **said))  # type: ignore[arg-type]
        self.now_s += seconds

    def go(self, metres: float) -> None:
        """Travel by road outside the blocks."""
        self.pass_time("travel", metres / self.crew.params.road_m_s, metres=metres)

    def wait_until(self, opens_s: float) -> None:
        """Wait where a block is still closed."""
        if opens_s > self.now_s:
            self.pass_time("wait", opens_s - self.now_s)

    def rest(self) -> None:
        """Take the break where it is due."""
        if not self.rested and self.crew.break_s > 0 and self.now_s - self.begin_s >= self.crew.break_after_s:
            self.rested = True
            self.pass_time("break", self.crew.break_s)
