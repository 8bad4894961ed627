"""What a service round is, from what is asked for to what each crew does when."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

Task = Literal["hang", "check", "wet", "fetch"]
Mode = Literal["cart", "truck", "foot"]
TASKS: Final[tuple[Task, ...]] = ("hang", "check", "wet", "fetch")
MODES: Final[tuple[Mode, ...]] = ("cart", "truck", "foot")
STOP_S: Final[Mapping[Task, float]] = {"hang": 180.0, "check": 45.0, "fetch": 120.0}
"""Seconds at each stop: common practice, no source; each can be set. Wetting: the plan's [mud] options say."""
RELOAD_S: Final = 600.0
"""At the yard between two loads: common practice, no source."""
STATES: Final = ("planned", "hung", "stocked", "released", "checked", "wetted", "fetched", "stored", "opened", "flagged")
"""What a log may say of a site (or, `wetted`, of a puddle); `flagged` asks for a look whatever the sample says."""
DAY_S: Final = 86_400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Closed:
    """A block that may not be entered before a time (re-entry interval)."""

    block_id: str
    opens_s: float
    """Seconds from midnight of the first day."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One line of a log: what was done at a site."""

    name: str
    """site_id, or a puddle's name."""
    state: str
    """One of `STATES`; '' = what the round is about was done."""
    day: date | None = None
    time_s: float | None = None
    """Seconds after midnight."""
    is_utc: bool = False
    """Whether day and time are those of UTC, not of the place."""
    note: str = ""
    crew: str = ""
    """Who did it."""
    source: str = field(default="", compare=False)
    """File, line and column of the name, for messages."""

    def in_zone(self, hours: float) -> Entry:
        """The same by a clock that is so many hours ahead of UTC; a time that is not one of UTC stays as it is.

        >>> Entry(name="A", state="", time_s=61_200.0, is_utc=True).in_zone(-8.0).time_s
        32400.0
        """
        if not self.is_utc or self.time_s is None:
            return self
        days, time_s = divmod(self.time_s + 3600.0 * hours, 86_400.0)
        day = self.day
        if day is not None and date.min < day < date.max:
            day += timedelta(days=int(days))
        return replace(self, day=day, time_s=time_s, is_utc=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleOptions:
    """Which part of the sites a round sees; the first that is given counts, else as many as the panels need."""

    stops: int | None = None
    share: float | None = None
    half_width: float | None = None
    """As many as make the expected half-width of the share of occupied cavities this small."""
    panel: int = 1
    panels: int | None = None
    """This is the `panel`-th of so many rounds, which together see every site."""
    seed: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundOptions:
    """What is asked of a round; times of day are seconds after midnight."""

    task: Task
    num_crews: int = 1
    num_days: int = 1
    mode: Mode = "cart"
    start_s: float = 7 * 3600.0
    day_s: float = 8 * 3600.0
    """Longest time from leaving the yard to being back, lunch included."""
    first_day: date | None = None
    zone_h: float | None = None
    """Hours of the clock ahead of UTC; None = standard time of the longitude."""
    daylight: bool = True
    """Stay between sunrise and sunset (needs `first_day`)."""
    lunch_s: float | None = None
    """No halt is begun after this before lunch; None = no lunch."""
    lunch_length_s: float = 1800.0
    stop_s: float | None = None
    """At each stop; None = `STOP_S`, for wetting what stopping and pouring take."""
    cavity_s: float = 0.0
    """At each stop for each of its cavities."""
    capacity: float | None = None
    """Shelters (litres, for wetting) that a vehicle takes; None = all, for wetting the tank of the plan's options."""
    reload_s: float | None = None
    """At the yard between two loads; None = `RELOAD_S`, for wetting as long as the tank fills."""
    alley_m_s: float | None = None
    """In alleys; None = as the plan's [travel] says."""
    road_m_s: float | None = None
    closed: tuple[Closed, ...] = ()
    sample: SampleOptions | None = None
    """None = every site."""
    flagged: tuple[str, ...] = ()
    """Sites (or puddles, when wetting) that are seen in any case, also where a check of this round is in the log."""
    now_s: float | None = None
    """Time of the first day from which the rest is planned."""
    objective: Literal["finish", "paid"] = "finish"
    """`finish`: all done as soon as can be; `paid`: the fewest crew hours."""

    def day_of(self, number: int) -> date | None:
        """Date of day `number` (0 = the first)."""
        return None if self.first_day is None else self.first_day + timedelta(days=number)


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleFacts:
    """How the sample was drawn, and what it can prove."""

    population: int
    count: int
    panel: int
    panels: int
    """After so many rounds every site has been seen."""
    seed: int
    half_width: float
    """Expected half-width (95 %) of the share of occupied cavities, at most; 0 where every site is seen."""
    wanted: tuple[tuple[float, int], ...]
    """Half-widths and the fewest stops that reach each."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """One place to go to."""

    name: str
    """site_id, or the puddle's name."""
    site: int
    """Index into the plan's sites; -1 for a puddle."""
    puddle: int = -1
    block_id: str
    address: str
    number: int
    """On the map."""
    row: int
    tree: int
    xy: tuple[float, float]
    lonlat: tuple[float, float]
    service_s: float
    load: float


StillWhy = Literal["done", "not_sampled", "no_way", "closed", "no_time"]


@dataclass(frozen=True, slots=True, kw_only=True)
class NotVisited:
    """A place that this round does not go to, and why."""

    name: str
    site: int
    block_id: str
    why: StillWhy
    """`done`: before this round; `not_sampled`: another panel's turn; the others are left undone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """A visit as it is made."""

    order: int
    """1, 2, … over the crew's day."""
    visit: Visit
    side: Literal["left", "right", ""]
    """Of the crew as it comes; '' at a puddle."""
    begin_s: float
    end_s: float


LegKind = Literal["travel", "row", "along", "puddle", "reload", "lunch", "wait"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Leg:
    """One line of a crew's instructions."""

    kind: LegKind
    """`travel`: by road between yard, blocks and puddles; `row`: in an alley between two tree rows; `along`: on headlands
    and cross-roads."""
    begin_s: float
    end_s: float
    metres: float = 0.0
    block_id: str = ""
    """Block (or puddle) that it is in or goes to; '' = the yard."""
    rows: tuple[int, int] = (0, 0)
    """`row`: the tree rows on the left and on the right; 0 where there is none."""
    heading: int = -1
    """Eighth of the compass (0 north, 1 north-east, …) in which it goes, of `travel` on which side of the block it ends; -1 where it has
    none."""
    from_headland: bool = True
    """`row`: it is entered at the alley's end, not from a way that crosses it."""
    to_headland: bool = True
    turns: bool = False
    """`row`: the crew turns round inside and comes out where it went in."""
    continues: bool = False
    """`row`: it goes on after lunch where the leg before it stopped."""
    pauses: bool = False
    """`row`: lunch comes before it goes on."""
    on_foot: bool = False
    at_yard: bool = True
    """`travel` back and `reload`: to or in the yard; False where no way leads to one, so that this is where vehicles come in."""
    stops: tuple[Stop, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CrewDay:
    """What one crew does on one day."""

    crew: str
    day: int
    """0 is the first day."""
    legs: tuple[Leg, ...]
    track: NDArray[np.float64]
    """(n, 2) way of the vehicle (or of the crew on foot) in the plane [m]."""

    @property
    def stops(self) -> tuple[Stop, ...]:
        """All stops in order."""
        return tuple(s for leg in self.legs for s in leg.stops)

    @property
    def begin_s(self) -> float:
        """When it leaves the yard, seconds from midnight of the first day."""
        return self.legs[0].begin_s

    @property
    def end_s(self) -> float:
        """When it is back."""
        return self.legs[-1].end_s

    @property
    def metres(self) -> float:
        """All the way."""
        return sum(leg.metres for leg in self.legs)

    @property
    def service_s(self) -> float:
        """At the stops."""
        return sum(s.end_s - s.begin_s for s in self.stops)

    @property
    def idle_s(self) -> float:
        """Waiting for a block to open."""
        return sum(leg.end_s - leg.begin_s for leg in self.legs if leg.kind == "wait")

    @property
    def lunch_s(self) -> float:
        """Break."""
        return sum(leg.end_s - leg.begin_s for leg in self.legs if leg.kind == "lunch")

    @property
    def reload_s(self) -> float:
        """At the yard between two loads."""
        return sum(leg.end_s - leg.begin_s for leg in self.legs if leg.kind == "reload")

    @property
    def moving_s(self) -> float:
        """Driving, walking and turning."""
        moving = sum(leg.end_s - leg.begin_s for leg in self.legs if leg.kind in ("travel", "row", "along", "puddle"))
        return moving - self.service_s

    @property
    def blocks(self) -> tuple[str, ...]:
        """Blocks with a stop, in order of the first one."""
        return tuple(dict.fromkeys(s.visit.block_id for s in self.stops))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Round:
    """A whole round: who goes where and when, and what becomes of every site of the plan."""

    options: RoundOptions
    zone_h: float
    """Hours of its clock ahead of UTC."""
    light_s: tuple[float, float] | None
    """Sunrise and sunset that every day keeps within, seconds after midnight; None where they were not looked at."""
    days: tuple[CrewDay, ...]
    """By day, then crew."""
    not_visited: tuple[NotVisited, ...]
    sample: SampleFacts | None
    hardware: tuple[int, ...]
    """Fetching: sites (indices) whose posts and anchors must be out before shakers run; () otherwise."""
    notes: tuple[str, ...] = field(default=())
    """What had to be assumed, one sentence each."""
    bound_s: float = 0.0
    """No plan that comes to blocks and leaves them at their access points needs fewer working seconds in all; 0 where nothing is proven, or something is left undone."""
    stopped: bool = False
    """The search was stopped by hand: the best round until then."""

    @property
    def left(self) -> tuple[NotVisited, ...]:
        """What should have been visited and is not."""
        return tuple(n for n in self.not_visited if n.why not in ("done", "not_sampled"))

    @property
    def num_stops(self) -> int:
        """Stops of all crews and days."""
        return sum(len(d.stops) for d in self.days)
