"""What a service round is made of: work in blocks, crews with their shifts, and routes with clock times."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from mudcap.route.access import Access
from mudcap.route.options import RoundParams
from mudcap.route.stopgraph import StopGraph

DAY_S = 86_400.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BlockWork:
    """The visits to make in one block."""

    block_id: str
    graph: StopGraph
    service_s: NDArray[np.float64]
    """(n,) seconds at each stop of the graph."""
    load: NDArray[np.float64]
    """(n,) room each stop takes in the vehicle (shelters to hang or fetched); 0 where nothing is carried."""
    opens_s: float = 0.0
    """Seconds from midnight of the first day before which nobody may enter (re-entry interval); 0 = open."""
    done: frozenset[int] = frozenset()
    """Stops that need no visit (any more); they keep their numbers and are in no route."""
    by_mode: Mapping[int, StopGraph] = field(default_factory=dict)
    """The graph for vehicles of other modes than that of `graph` (see `Crew.mode`), with the stops numbered alike. Edges and
    vertices of a route's steps are those of `graph_of` its crew."""

    def graph_of(self, crew: Crew) -> StopGraph:
        """The graph on which a crew goes round."""
        return self.by_mode.get(crew.mode, self.graph)


@dataclass(frozen=True, slots=True, kw_only=True)
class CrewNow:
    """Where a crew is in the middle of the first day, when the rest of it is planned anew."""

    at_s: float
    """Seconds from midnight."""
    to_access_m: tuple[float, ...]
    """Metres from where it is to each access point of the blocks, in their order (see `Access`)."""
    to_yard_m: float
    load: float = 0.0
    """Room in use."""
    paused: frozenset[str] = frozenset()
    """Of "break" and "lunch" those that were taken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Crew:
    """One crew and its day; the same every day."""

    name: str
    start_s: float = 7 * 3600.0
    """Seconds after midnight at which it leaves the yard."""
    shift_s: float = 8 * 3600.0
    """Longest time from leaving the yard to being back, breaks included."""
    capacity: float = np.inf
    reload_s: float = 600.0
    """At the yard between two loads."""
    break_after_s: float = 4 * 3600.0
    """The break falls at the first halt that ends this long after the start, if stops are still to come."""
    break_s: float = 1800.0
    params: RoundParams = field(
        default_factory=lambda: RoundParams(aisle_m_s=2.2, road_m_s=3.3, u_turn_s=20.0)
    )
    """Speeds and turns; common practice, no source."""
    lunch_at_s: float = 12 * 3600.0
    """The lunch falls at the first halt that ends after this time of day, if stops are still to come."""
    lunch_s: float = 0.0
    latest_end_s: float = np.inf
    """Time of day by which the crew must be back (daylight), whatever its shift."""
    mode: int = 0
    """Kind of vehicle, where blocks or roads differ by it (`BlockWork.by_mode`, `ServiceProblem.access_by_mode`)."""
    now: CrewNow | None = None
    """Where it is and since when it is free on the first day; None: at the yard when its day begins."""

    def begin_s(self, day: int) -> float:
        """When its work of a day begins; seconds from midnight of the first day."""
        usual = day * DAY_S + self.start_s
        return max(usual, self.now.at_s) if self.now is not None and day == 0 else usual

    def limit_s(self, day: int) -> float:
        """Longest time from then to being back; 0 where the day is over."""
        end = day * DAY_S + min(self.start_s + self.shift_s, self.latest_end_s)
        return max(end - self.begin_s(day), 0.0)

    def pauses(self, day: int, begin_s: float | None = None) -> tuple[tuple[StepKind, float, float], ...]:
        """Break and lunch: kind, seconds after the beginning at which it falls due, length; inf where it was taken.

        Where the day begins later than it might, at ``begin_s``, the break moves with it, and lunch was had by one who begins
        after it.
        """
        taken = self.now.paused if self.now is not None and day == 0 else frozenset()
        usual, lunch_s = day * DAY_S - self.begin_s(day), self.lunch_at_s
        after = usual + self.start_s + self.break_after_s
        if begin_s is not None:
            usual = day * DAY_S - begin_s
            lunch_s = np.inf if usual + lunch_s <= 0 else lunch_s
        due: tuple[tuple[StepKind, float, float], ...] = (
            ("break", after, self.break_s),
            ("lunch", usual + lunch_s, self.lunch_s),
        )
        return tuple((k, np.inf if k in taken or not s else at, s) for k, at, s in due)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ServiceProblem:
    """Work in blocks, the metres between them, and who can do it when."""

    work: tuple[BlockWork, ...]
    access: Access
    """Where rounds may begin and end, and the road metres between, for vehicles of the first mode."""
    crews: tuple[Crew, ...]
    num_days: int = 1
    objective: Literal["finish", "paid"] = "finish"
    """`finish`: the last crew back as soon as can be; `paid`: the fewest crew hours in all."""
    access_by_mode: Mapping[int, Access] = field(default_factory=dict)
    """As `access`, for vehicles of other modes (see `Crew.mode`)."""

    def access_of(self, crew: Crew) -> Access:
        """Where a crew's rounds may begin and end."""
        return self.access_by_mode.get(crew.mode, self.access)


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """How far the search for a plan is."""

    done: int
    """Steps: the round of each block, then each time that the order of all blocks is sought."""
    total: int
    block: int = -1
    """Position of the block whose round was found last, or is sought; -1 for other steps."""
    gap: float | None = None
    """While a block's round is sought, by what share of it the best so far may be too dear; None once it is found."""
    best: RoutePlan | None = None
    """The best plan so far; None until there is one."""


StepKind = Literal["travel", "drive", "serve", "break", "lunch", "wait", "reload"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RouteStep:
    """One thing a crew does, with its clock times."""

    kind: StepKind
    """`travel`: between yard and blocks; `drive`: inside a block."""
    begin_s: float
    """Seconds from midnight of the first day."""
    end_s: float
    metres: float = 0.0
    block_id: str = ""
    edge: int = -1
    """Way of the block's graph that is driven."""
    from_vertex: int = -1
    to_vertex: int = -1
    """Vertices between which the leg runs; equal where the crew turns round inside. Of `travel` the positions in `Access` of the
    points between which it leads; -1 where the crew was at the beginning (`CrewNow`)."""
    stop: int = -1
    """Stop of the block's graph that is served."""
    side: int = 0
    """+1: the stop is on the right of the crew, -1 on the left."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Route:
    """One crew's day."""

    crew: str
    day: int
    """0 is the first day."""
    steps: tuple[RouteStep, ...]

    @property
    def begin_s(self) -> float:
        """When it leaves the yard (or wherever it was, see `Crew.now`)."""
        return self.steps[0].begin_s

    @property
    def end_s(self) -> float:
        """When it is back."""
        return self.steps[-1].end_s

    @property
    def length_m(self) -> float:
        """Metres driven."""
        return sum(s.metres for s in self.steps)

    def seconds(self, *kinds: StepKind) -> float:
        """Time spent on steps of some kinds."""
        return sum(s.end_s - s.begin_s for s in self.steps if s.kind in kinds)


@dataclass(frozen=True, slots=True, kw_only=True)
class Loose:
    """What may be too long in the ways through one block."""

    block_id: str
    seconds: float
    """By how much the driving there, all crews and days together, may be above the least."""
    share: float
    """The same as a share of that driving."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RoutePlan:
    """All crews' days, and what is left undone."""

    routes: tuple[Route, ...]
    unserved: tuple[tuple[str, int], ...]
    """(block, stop) for which no shift has room."""
    bound_s: float
    """No plan that comes to blocks and leaves them at their access points needs fewer working seconds in all: service, and each block's
    proven shortest drive (0 where unproven)."""
    loose: tuple[Loose, ...] = ()
    """Blocks whose ways through are not proven to be within one percent of the quickest."""
    stopped: bool = False
    """True where the search was asked to stop: the best plan until then."""

    @property
    def finish_s(self) -> float:
        """When the last crew is back; seconds from midnight of the first day."""
        return max((r.end_s for r in self.routes), default=0.0)

    @property
    def paid_s(self) -> float:
        """Crew seconds from leaving the yard to being back."""
        return sum(r.end_s - r.begin_s for r in self.routes)
