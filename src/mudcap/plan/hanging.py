"""The loads of a hanging round: what goes on a vehicle each time that it leaves the yard, in the order in which it is hung."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

from mudcap.lang import _, joined
from mudcap.plan.model import Plan
from mudcap.plan.picking import Pick, picks
from mudcap.plan.round_model import CrewDay, NotVisited, Round, RoundOptions, Stop
from mudcap.plan.round_words import clock, day_name
from mudcap.supply.loads import FUZZ, Capacity

MOST_NAMED: Final = 10
"""Sites that a note names one by one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """What each site takes of a vehicle, in one measure."""

    taken: tuple[float, ...]
    """By site of the plan; never more than `capacity`, so that a site too large for the vehicle is a load of its own."""
    capacity: float | None
    """What a vehicle takes in the same measure; None = all there is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outing:
    """One load, and the crew's way with it until it is back for the next."""

    load: int
    """Number in the round, from 1: by day, crew and time."""
    crew: str
    day: int
    """0 is the first day."""
    number: int
    """1, 2, … in this crew's day."""
    count: int
    """Loads of this crew's day."""
    begin_s: float
    """When it sets out, loaded; seconds from midnight of the first day."""
    end_s: float
    """When it is back in the yard."""
    sites: tuple[int, ...]
    """Indices into the plan's sites in the order in which they are hung; the last of them goes on first."""
    shelters: int
    litres: float | None
    """None where the options say no volume of what goes."""
    kg: float | None
    over: bool = False
    """True where its single site is more than the vehicle takes."""
    from_yard: bool = True
    """False where the rest of a day is planned: the crew goes on from where it is, with what it has on board."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HangList:
    """The pick-list of a hanging round: every site that is not hung yet, by load."""

    outings: tuple[Outing, ...]
    picks: tuple[Pick, ...]
    """In picking order: by load, what comes off last first; what no crew comes to stands last, with load 0."""
    left: tuple[NotVisited, ...]
    """What no crew comes to, and why."""
    num_done: int
    """Sites that were hung before this round."""
    options: RoundOptions

    def outing(self, load: int) -> Outing:
        """The way out with one load."""
        return self.outings[load - 1]


def vehicle_limits(plan: Plan, options: RoundOptions) -> Capacity:
    """What a vehicle takes on a hanging round: the plan's own limits, but the shelters of the round where it names them."""
    supply = plan.params.supply if plan.supply else None
    if supply is None:
        return Capacity(shelters=options.capacity)
    shelters = supply.load_shelters if options.capacity is None else options.capacity
    return Capacity(shelters=shelters, litres=supply.load_l, kg=supply.load_kg)


def room(plan: Plan, options: RoundOptions) -> Room:
    """What each site takes of the vehicle on a hanging round.

    With shelters as the only limit it is shelters. With several it is the largest share that a site takes of any limit, so
    that a load which fits by it fits by each.
    """
    limits, shelters = vehicle_limits(plan, options), _shelters(plan)
    if limits.litres is None and limits.kg is None:
        return Room(taken=tuple(min(float(n), limits.shelters or float(n)) for n in shelters), capacity=limits.shelters)
    shares = [
        max(_share(n, limits.shelters), _share(s.volume_l, limits.litres), _share(s.mass_kg, limits.kg))
        for n, s in zip(shelters, plan.supply, strict=True)
    ]
    return Room(taken=tuple(min(share, 1.0) for share in shares), capacity=1.0)


def _share(value: float | None, limit: float | None) -> float:
    return 0.0 if value is None or limit is None else value / limit


def _shelters(plan: Plan) -> list[int]:
    return [s.shelters for s in plan.supply] if plan.supply else [1] * len(plan.sites)


def room_notes(plan: Plan, options: RoundOptions) -> tuple[str, ...]:
    """What a hanging round takes a vehicle to hold by the plan's options, and what is too large for it, one sentence each."""
    limits = vehicle_limits(plan, options)
    parts = [] if options.capacity is not None or limits.shelters is None else [_("{n} shelters").format(n=f"{limits.shelters:g}")]
    parts += [] if limits.litres is None else [_("{n} litres").format(n=f"{limits.litres:g}")]
    parts += [] if limits.kg is None else [_("{n} kg").format(n=f"{limits.kg:g}")]
    said = []
    if parts:
        said.append(_("A vehicle takes at most {goods} at once, as the plan's options say.").format(goods=joined(", ", parts)))
    over = [s.site_id for k, s in enumerate(plan.sites) if _is_over(plan, limits, [k])]
    if over:
        text = _("A single site is more than the vehicle takes: {sites}. Take its goods out in several trips.")
        said.append(text.format(sites=", ".join(over[:MOST_NAMED]) + (" …" if len(over) > MOST_NAMED else "")))
    return tuple(said)


def hang_list(plan: Plan, made: Round) -> HangList:
    """The loads of a hanging round, cut where its crews go back to the yard, and its sites in picking order.

    Raises ``ValueError`` for a round of another task.
    """
    if made.options.task != "hang":
        raise ValueError(f"task: {made.options.task} hangs nothing.")
    outings = tuple(_numbered(plan, made))
    done = {n.site for n in made.not_visited if n.why == "done"}
    where = {site: (o, len(o.sites) - k) for o in outings for k, site in enumerate(o.sites)}
    own = {p.site_id: p for p in picks(plan)}
    found = []
    for k, site in enumerate(plan.sites):
        if k in done:
            continue
        outing, place = where.get(k, (None, 0))
        pick = replace(own[site.site_id], load=0, place_in_load=0)
        if outing is not None:
            pick = replace(pick, load=outing.load, place_in_load=place, crew=outing.crew, day=outing.day + 1)
        found.append(pick)
    return HangList(
        outings=outings, picks=tuple(sorted(found, key=lambda p: (p.load == 0, p.load, p.place_in_load))),
        left=made.left, num_done=len(done), options=made.options,
    )  # fmt: skip


def _numbered(plan: Plan, made: Round) -> Iterator[Outing]:
    load, limits = 0, vehicle_limits(plan, made.options)
    for day in made.days:
        trips = list(_trips(day))
        for number, (begin_s, end_s, stops) in enumerate(trips, start=1):
            load += 1
            sites = tuple(s.visit.site for s in stops)
            shelters, litres, kg = _together(plan, sites)
            yield Outing(
                load=load, crew=day.crew, day=day.day, number=number, count=len(trips), begin_s=begin_s, end_s=end_s, sites=sites,
                shelters=shelters, litres=litres, kg=kg, over=_is_over(plan, limits, sites),
                from_yard=number > 1 or day.day > 0 or made.options.now_s is None,
            )  # fmt: skip


def _trips(day: CrewDay) -> Iterator[tuple[float, float, list[Stop]]]:
    """(begin, end, stops) of each way out from the yard; a crew is back where it takes on the next load."""
    begin_s, stops = day.begin_s, list[Stop]()
    for leg in day.legs:
        if leg.kind == "reload":
            if stops:
                yield begin_s, leg.begin_s, stops
            begin_s, stops = leg.end_s, []
        stops += leg.stops
    if stops:
        yield begin_s, day.end_s, stops


def _together(plan: Plan, sites: Sequence[int]) -> tuple[int, float | None, float | None]:
    shelters = _shelters(plan)
    own = [plan.supply[k] for k in sites] if plan.supply else []
    litres = [s.volume_l for s in own if s.volume_l is not None]
    kg = [s.mass_kg for s in own if s.mass_kg is not None]
    return sum(shelters[k] for k in sites), sum(litres) if litres else None, sum(kg) if kg else None


def _is_over(plan: Plan, limits: Capacity, sites: Sequence[int]) -> bool:
    pairs = zip((limits.shelters, limits.litres, limits.kg), _together(plan, sites), strict=True)
    return any(limit is not None and value is not None and value > limit * (1 + FUZZ) for limit, value in pairs)


def outing_text(outing: Outing, options: RoundOptions, word: Callable[[str], str]) -> str:
    """Whose load it is and when it goes out, as a sentence."""
    text = (
        word("Crew {crew}, {day}, load {number} of {count}: leaves the yard at {begin}, back at {end}.")
        if outing.from_yard
        else word("Crew {crew}, {day}, load {number} of {count}: goes on at {begin} from where it is, back in the yard at {end}.")
    )
    return text.format(
        crew=outing.crew, day=day_name(options, outing.day, word), number=outing.number, count=outing.count,
        begin=clock(outing.begin_s), end=clock(outing.end_s),
    )  # fmt: skip
