"""From what is asked for to a round: visits, ground, crews, routes, and what becomes of every site."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from mudcap.errors import InputError
from mudcap.geo.sun import daylight_s, zone_of
from mudcap.lang import _, _n
from mudcap.plan.hanging import room, room_notes
from mudcap.plan.model import Plan
from mudcap.plan.round_legs import crew_day
from mudcap.plan.round_model import (
    DAY_S,
    RELOAD_S,
    CrewDay,
    Entry,
    NotVisited,
    Round,
    RoundOptions,
    StillWhy,
    Visit,
)
from mudcap.plan.round_places import Place, lay_places, openings, shut_blocks, speeds_of
from mudcap.plan.round_roads import Origin, Roads, beyond_closed, crew_origins, reached_on_the_day, unplaced
from mudcap.plan.round_visits import choose_visits, with_block_names, with_plan_names
from mudcap.plan.round_words import clock, day_name, minutes
from mudcap.route.options import RoundParams
from mudcap.route.service import solve_service
from mudcap.route.visits import BlockWork, Crew, CrewNow, Progress, RoutePlan, ServiceProblem

U_TURN_S = 20.0
"""Turning round inside an alley: common practice, no source."""
LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ"
"""Names of crews; I and O are left out, as they look like figures."""


def make_round(
    plan: Plan,
    options: RoundOptions,
    log: Sequence[Entry] = (),
    *,
    stop: Callable[[], bool] = lambda: False,
    tell: Callable[[Progress, str], None] = lambda progress, name: None,
) -> Round:
    """The round: which places are visited, by which crew, when and by which way; every other place with its reason.

    ``tell`` hears how far the search is, and the name of the block or puddle that it has just gone round. Once ``stop``
    says so, the best until then is returned, or the first that is found, and says that it was stopped.

    Raises ``InputError`` where names or numbers cannot be, or no day leaves any time.
    """
    options = with_block_names(plan, options)
    zone_h, light = _light(plan, options)
    log = with_plan_names(plan, [entry.in_zone(zone_h) for entry in log])
    visits, rest, sample = choose_visits(plan, options, log)
    speeds = speeds_of(plan, options)
    places, unreached, shut = lay_places(plan, visits, options, speeds)
    places, beyond = reached_on_the_day(plan, places, options, speeds)
    shut = sorted([*shut, *beyond])
    places = beyond_closed(plan, places, options, speeds)
    roads = Roads(plan, places, options, speeds)
    params = RoundParams(
        aisle_m_s=speeds.alley, road_m_s=speeds.road, u_turn_s=0.0 if options.mode == "foot" else U_TURN_S
    )
    _check_loads(visits, _with_load(plan, options))
    days, found, left = _solve(plan, places, visits, roads, options, light, params, log, stop, tell)
    left = [i for i in left if i not in set(shut)]
    late = {i for p in places for i in p.visits if p.opens_s >= _last_end_s(options, light)}
    undone: list[tuple[int, StillWhy]] = [
        *((i, "no_way") for i in unreached), *((i, "closed") for i in shut),
        *((i, "closed" if i in late else "no_time") for i in left),
    ]  # fmt: skip
    not_visited = (*rest, *(_left(visits[i], why) for i, why in sorted(undone)))
    made = Round(
        options=options, zone_h=zone_h, light_s=light, days=days, not_visited=not_visited, sample=sample,
        hardware=tuple(range(len(plan.sites))) if options.task == "fetch" else (),
        notes=(*_notes(plan, options, roads, found.stopped), *_light_notes(options, light), *_log_notes(plan, options, log), *_loose_notes(plan, places, visits, found)),
        bound_s=0.0 if undone else found.bound_s, stopped=found.stopped,
    )  # fmt: skip
    _prove(plan, made, len(visits) + len(rest))
    return made


def _left(visit: Visit, why: StillWhy) -> NotVisited:
    return NotVisited(name=visit.name, site=visit.site, block_id=visit.block_id, why=why)


def _light(plan: Plan, options: RoundOptions) -> tuple[float, tuple[float, float] | None]:
    """Hours of the clock ahead of UTC, and the narrowest daylight of the round's days."""
    lonlat = np.array([(s.lon, s.lat) for s in plan.sites]).reshape(-1, 2)
    if not len(lonlat):
        raise InputError(_("Plan {number} has no site to go to.").format(number=plan.number))
    lon, lat = (float(v) for v in lonlat.mean(axis=0))
    zone = zone_of(lon) if options.zone_h is None else options.zone_h
    if options.first_day is None or not options.daylight:
        return zone, None
    each = []
    for n in range(options.num_days):
        day = options.day_of(n)
        light = daylight_s(day, lon, lat, zone) if day is not None else None
        if light is None:
            raise InputError(
                _("{day}: the sun does not rise there on this day.").format(day=day.isoformat() if day else "")
            )
        each.append(light)
    return zone, (max(a for a, _b in each), min(b for _a, b in each))


def _window(options: RoundOptions, light: tuple[float, float] | None) -> tuple[float, float]:
    """When crews leave the yard and must be back, seconds after midnight."""
    begin, end = options.start_s, options.start_s + options.day_s
    if light is not None:
        begin, end = max(begin, light[0]), min(end, light[1])
    if end <= begin:
        raise InputError(
            _("No time is left between the start and the end of the day (or sunset). Look at --start and --day.")
        )
    return begin, end


def _last_end_s(options: RoundOptions, light: tuple[float, float] | None) -> float:
    return (options.num_days - 1) * DAY_S + _window(options, light)[1]


def _solve(
    plan: Plan,
    places: Sequence[Place],
    visits: Sequence[Visit],
    roads: Roads,
    options: RoundOptions,
    light: tuple[float, float] | None,
    params: RoundParams,
    log: Sequence[Entry],
    stop: Callable[[], bool],
    tell: Callable[[Progress, str], None],
) -> tuple[tuple[CrewDay, ...], RoutePlan, list[int]]:
    """Crew days, the routes that they are made of, and the visits for which there is no time."""
    begin, end = _window(options, light)
    if not places:
        return (), RoutePlan(routes=(), unserved=(), bound_s=0.0), []
    origins = crew_origins(plan, roads, options, log, LETTERS[: options.num_crews])
    problem = ServiceProblem(
        work=tuple(_work(k, place, visits) for k, place in enumerate(places)),
        access=roads.access,
        crews=tuple(_crew(n, _with_load(plan, options), params, begin, end, origins.get(LETTERS[n])) for n in range(options.num_crews)),
        num_days=options.num_days,
        objective=options.objective,
    )  # fmt: skip
    try:
        found = solve_service(problem, stop=stop, tell=lambda p: tell(p, _place_name(plan, places, visits, p.block)))
    except ValueError as error:
        raise InputError(_("No round can be made: {reason}").format(reason=error)) from error
    made = (
        crew_day(plan, route, places, visits, roads, origins.get(route.crew) if route.day == 0 else None)
        for route in found.routes
    )
    left = [places[int(key)].visits[stop] for key, stop in found.unserved]
    return tuple(d for d in made if d is not None), found, left


def _place_name(plan: Plan, places: Sequence[Place], visits: Sequence[Visit], k: int) -> str:
    """The block or puddle of a place; '' where there is no such place."""
    if k < 0:
        return ""
    place = places[k]
    return visits[place.visits[0]].name if place.block < 0 else plan.orchard.blocks[place.block].block_id


def _check_loads(visits: Sequence[Visit], options: RoundOptions) -> None:
    """Raise ``InputError`` where one place alone is more than a vehicle takes."""
    most = max(visits, key=lambda v: v.load, default=None)
    if most is None or options.capacity is None or most.load <= options.capacity:
        return
    if options.task == "wet":
        raise InputError(
            _("Puddle {name} needs {need} litres at once, and the vehicle takes {room}. Give --capacity {need} or more.")
            .format(room=f"{options.capacity:g}", name=most.name, need=math.ceil(most.load))
        )  # fmt: skip
    raise InputError(
        _("The vehicle takes {room} shelters, and site {name} alone needs {need}. Give --capacity {need} or more.")
        .format(room=f"{options.capacity:g}", name=most.name, need=math.ceil(most.load))
    )  # fmt: skip


def _work(key: int, place: Place, visits: Sequence[Visit]) -> BlockWork:
    own = [visits[i] for i in place.visits]
    return BlockWork(
        block_id=str(key), graph=place.graph, service_s=np.array([v.service_s for v in own]),
        load=np.array([v.load for v in own]), opens_s=place.opens_s,
    )  # fmt: skip


def _with_load(plan: Plan, options: RoundOptions) -> RoundOptions:
    """The options with what a vehicle takes and how long it takes on a load, where they do not say."""
    mud, reload_s = plan.params.mud, RELOAD_S
    if options.task == "wet":
        tank = mud.tank_l if options.capacity is None else options.capacity
        options, reload_s = replace(options, capacity=tank), 60 * tank / mud.fill_l_min
    if options.task == "hang":
        options = replace(options, capacity=room(plan, options).capacity)
    return options if options.reload_s is not None else replace(options, reload_s=reload_s)


def _crew(
    n: int, options: RoundOptions, params: RoundParams, begin: float, end: float, origin: Origin | None
) -> Crew:
    """One crew; where the rest of a day is planned, with where it is now, and without the lunch that it had."""
    lunch = options.lunch_s
    takes = lunch is not None and begin < lunch < end
    now = None
    if options.now_s is not None and origin is not None:
        had = lunch is not None and options.now_s >= lunch
        now = CrewNow(
            at_s=options.now_s, to_access_m=origin.to_access_m, to_yard_m=origin.to_yard_m,
            paused=frozenset({"lunch"} if had else ()),
        )  # fmt: skip
    return Crew(
        name=LETTERS[n], start_s=begin, shift_s=end - begin,
        capacity=np.inf if options.capacity is None else options.capacity, reload_s=RELOAD_S if options.reload_s is None else options.reload_s, break_s=0.0,
        lunch_at_s=lunch if lunch is not None and takes else np.inf, lunch_s=options.lunch_length_s if takes else 0.0,
        params=params, now=now,
    )  # fmt: skip


def _notes(plan: Plan, options: RoundOptions, roads: Roads, stopped: bool) -> list[str]:
    """What had to be assumed."""
    notes = []
    if stopped:
        notes.append(
            _("The search was stopped by hand: this is the best round until then. Run it again to the end for a better one.")
        )
    if roads.straight:
        notes.append(_n(
            "{count} way between yard and blocks is not drawn: the straight line is counted. Draw the roads.",
            "{count} ways between yard and blocks are not drawn: the straight line is counted. Draw the roads.",
            roads.straight,
        )
                     .format(count=roads.straight))  # fmt: skip
    if plan.network.yard_node < 0:
        if plan.orchard.yard is None:
            notes.append(_("No yard is drawn: rounds begin and end where vehicles come in. Draw the yard for true times."))
        else:
            notes.append(_("The yard is joined to no way: rounds begin and end where vehicles come in. Draw the road to it for true times."))
    for block, opens_s in openings(options).items():
        notes.append(
            _("{block} is closed until {clock} on {day}: nobody enters before, however early a crew may be.").format(
                block=block, clock=clock(opens_s % DAY_S), day=day_name(options, int(opens_s // DAY_S), _)
            )
        )
    if shut_blocks(plan, options) and len(plan.orchard.blocks) > 1:
        notes.append(_("Ways lead round the blocks that are closed for a part of the round, all day; where none does, the crew waits until they are open."))
    if options.now_s is not None and options.lunch_s is not None and options.now_s >= options.lunch_s:
        notes.append(_("Lunch counts as taken: it is past its time."))
    if options.task == "wet":
        notes.append(_("The tank is counted as filled at the yard; a water point on the way saves driving."))
    if options.task == "hang":
        notes += room_notes(plan, options)
    if options.first_day is None:
        notes.append(
            _("No date: daylight and dated closures were not checked.")
        )
    elif options.zone_h is None:
        notes.append(
            _("Clock times are standard time of the longitude, with no daylight saving.")
        )
    return notes


def _light_notes(options: RoundOptions, light: tuple[float, float] | None) -> list[str]:
    """What daylight takes from the day that was asked for."""
    if light is None:
        return []
    notes = []
    if options.start_s < light[0]:
        notes.append(_("Crews leave at sunrise, {clock}, not at {asked}; the day ends no later for it.").format(
            clock=clock(light[0]), asked=clock(options.start_s)
        ))  # fmt: skip
    if options.start_s + options.day_s > light[1]:
        notes.append(_("Crews are back by sunset, {clock}, not by {asked}.").format(
            clock=clock(light[1]), asked=clock((options.start_s + options.day_s) % DAY_S)
        ))  # fmt: skip
    return notes


def _log_notes(plan: Plan, options: RoundOptions, log: Sequence[Entry]) -> list[str]:
    """What the log leaves open, and what was made of it."""
    notes = []
    if options.first_day is None and any(e.day is not None for e in log):
        notes.append(_("The log has dates and the round has none: all its lines count. Give --date, so that those of earlier days do not."))
    crews = "" if options.now_s is None else unplaced(plan, options, log, LETTERS[: options.num_crews])
    if crews:
        notes.append(_n(
            "Crew {crews} sets out from the yard: the log does not say, with its letter and a time of that day, where it is.",
            "Crews {crews} set out from the yard: the log does not say, with their letters and a time of that day, where they are.",
            len(crews),
        ).format(crews=", ".join(crews)))  # fmt: skip
    begin = np.inf if options.now_s is None else options.now_s
    later = sum(
        e.day > options.first_day or (e.day == options.first_day and (e.time_s or 0.0) > begin)
        for e in log if e.day is not None and options.first_day is not None
    )  # fmt: skip
    if later:
        notes.append(_n(
            "{count} line of the log is later than the time of this plan; it counts as done. Look at its date.",
            "{count} lines of the log are later than the time of this plan; they count as done. Look at their dates.",
            later,
        ).format(count=later))  # fmt: skip
    return notes


def _loose_notes(plan: Plan, places: Sequence[Place], visits: Sequence[Visit], found: RoutePlan) -> list[str]:
    """Where driving may take longer than it must."""
    text = _("{block}: the driving there may take up to {time} ({percent} %) longer than it must; no more is proven. Rows that are "
             "open both ways, or all sites instead of a sample, leave less in doubt.")  # fmt: skip
    if found.stopped:
        text = _("{block}: the driving there may take up to {time} ({percent} %) longer than it must; no more was proven by then.")
    return [
        text.format(
            block=_place_name(plan, places, visits, int(loose.block_id)), time=minutes(max(60.0, loose.seconds)),
            percent=f"{100 * loose.share:.1f}",
        )
        for loose in found.loose
    ]  # fmt: skip


def _prove(plan: Plan, made: Round, total: int) -> None:
    """Every place stands once, on a route or among those not visited; anything else is a fault of ours."""
    names = [s.visit.name for d in made.days for s in d.stops] + [n.name for n in made.not_visited]
    if len(names) != total or len(set(names)) != total:
        raise RuntimeError(f"a round of {total} places accounts for {len(names)} ({len(set(names))} different).")
