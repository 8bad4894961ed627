"""A round in words, as a crew reads it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from typing import Final

from mudcap.geo.units import M_PER_FT, Units, length_text
from mudcap.lang import counted
from mudcap.plan.round_model import (
    DAY_S,
    CrewDay,
    Leg,
    NotVisited,
    Round,
    RoundOptions,
    SampleFacts,
    Stop,
    Task,
)

Text = Callable[[str], str]
MILE_M: Final = 5280 * M_PER_FT


def clock(seconds: float) -> str:
    """A time of day, rounded to the minute.

    >>> clock(7 * 3600 + 29.9), clock(86400 + 13.5 * 3600)
    ('07:00', '13:30')
    """
    minutes = int(seconds / 60 + 0.5)
    return f"{minutes // 60 % 24:02}:{minutes % 60:02}"


def minutes(seconds: float) -> str:
    """Whole minutes, or hours and minutes.

    >>> minutes(599), minutes(3660)
    ('10 min', '1 h 01 min')
    """
    whole = int(seconds / 60 + 0.5)
    return f"{whole} min" if whole < 60 else f"{whole // 60} h {whole % 60:02} min"


def water_text(litres: float, units: Units) -> str:
    """Whole gallons or litres; a US gallon is exactly 3.785411784 L (NIST SP 811).

    >>> water_text(100.0, "us"), water_text(100.0, "metric")
    ('26 gal', '100 L')
    """
    return f"{litres / 3.785411784:,.0f} gal" if units == "us" else f"{litres:,.0f} L"


def way_text(metres: float, units: Units) -> str:
    """A distance to go: feet to half a mile, then miles; metres to a kilometre, then kilometres.

    >>> way_text(100, "us"), way_text(3000, "us"), way_text(3000, "metric")
    ('328 ft', '1.9 mi', '3.0 km')
    """
    if units == "us" and metres >= MILE_M / 2:
        return f"{metres / MILE_M:,.1f} mi"
    if units == "metric" and metres >= 1000:
        return f"{metres / 1000:,.1f} km"
    return length_text(metres, units)


def task_name(task: Task, _: Text) -> str:
    """What the round is called."""
    return {
        "hang": _("Hanging round"), "check": _("Checking round"), "wet": _("Wetting round"), "fetch": _("Fetching round"),
    }[task]  # fmt: skip


def day_name(options: RoundOptions, day: int, _: Text) -> str:
    """'Day 2, 2027-02-16', or 'Day 2' without a date."""
    on = options.day_of(day)
    if on is None:
        return _("Day {number}").format(number=day + 1)
    return _("Day {number}, {date}").format(number=day + 1, date=on.isoformat())


def compass(eighth: int, _: Text) -> str:
    """The name of an eighth of the compass."""
    names = (_("north"), _("northeast"), _("east"), _("southeast"), _("south"), _("southwest"), _("west"), _("northwest"))
    return names[eighth % 8]


def leg_text(leg: Leg, units: Units, _: Text) -> str:
    """One line of instructions."""
    far = way_text(leg.metres, units)
    if leg.kind == "travel":
        if not leg.block_id:
            text = _("Go back to the yard: {distance}.") if leg.at_yard else _("Go back to where vehicles come in: {distance}.")
            return text.format(distance=far)
        if leg.heading < 0:
            return _("Go to {block}: {distance}.").format(block=leg.block_id, distance=far)
        return _("Go to {block}, {side} side: {distance}.").format(
            block=leg.block_id, side=compass(leg.heading, _), distance=far
        )
    if leg.kind == "along":
        if leg.heading < 0:
            return _("Along headland or road, {distance}.").format(distance=far)
        return _("Along headland or road to the {direction}, {distance}.").format(
            direction=compass(leg.heading, _), distance=far
        )
    if leg.kind == "puddle":
        puddle = leg.stops[0].visit
        return _("Wet puddle {name} with {water}: {address}.").format(
            name=puddle.name, water=water_text(puddle.load, units), address=puddle.address
        )
    if leg.kind == "row":
        return _row_text(leg, _)
    pause = {
        "reload": _("At the yard: load or unload, {time}.") if leg.at_yard else _("Where vehicles come in: load or unload, {time}."),
        "lunch": _("Lunch, {time}."),
        "wait": _("Wait outside until {clock}: the block is closed until then."),
    }[leg.kind]  # fmt: skip
    return pause.format(time=minutes(leg.end_s - leg.begin_s), clock=clock(leg.end_s))


def rows_text(leg: Leg, _: Text) -> str:
    """Where an alley runs, as crews name it: between two tree rows, or outside the first or last one."""
    low, high = sorted(leg.rows)
    if low:
        return _("between rows {low} and {high}").format(low=low, high=high)
    return _("outside row {row}").format(row=high)


def _sides(leg: Leg, _: Text) -> str:
    left, right = leg.rows
    if left and right:
        return _("row {left} on your left, row {right} on your right").format(left=left, right=right)
    if left:
        return _("row {left} on your left").format(left=left)
    return _("row {right} on your right").format(right=right)


def stop_text(stop: Stop, _: Text) -> str:
    """'T5 left', as a crew counts the trees of the row."""
    side = {"left": _("left"), "right": _("right"), "": ""}[stop.side]
    return f"T{stop.visit.tree} {side}".strip()


def _row_text(leg: Leg, _: Text) -> str:
    stops = ", ".join(stop_text(s, _) for s in leg.stops)
    come, go = compass(leg.heading + 4, _), compass(leg.heading, _)
    fields = {"rows": rows_text(leg, _), "sides": _sides(leg, _), "come": come, "go": go, "stops": stops}
    if not leg.stops:
        if leg.continues:
            return _("Go on to the {go} {rows} and leave there.").format(**fields)
        return _("Go {rows}, from the {come} to the {go}.").format(**fields)
    if leg.pauses and leg.continues:
        text = _("Go on {rows} ({sides}): {stops}.")
    elif leg.pauses and leg.from_headland:
        text = _("Enter {rows} from the {come} headland ({sides}): {stops}.")
    elif leg.pauses:
        text = _("Enter {rows} from the cross-road, to the {go} ({sides}): {stops}.")
    elif leg.continues and not leg.turns:
        text = _("Go on to the {go} {rows} ({sides}): {stops}; leave {go}.")
    elif leg.continues:
        text = _("Go on {rows} ({sides}): {stops}; turn round and leave {come}.")
    elif leg.from_headland and leg.turns:
        text = _("Enter {rows} from the {come} headland ({sides}): {stops}; turn round and leave {come}.")
    elif leg.from_headland:
        text = _("Enter {rows} from the {come} headland ({sides}): {stops}; leave {go}.")
    elif leg.turns:
        text = _("Enter {rows} from the cross-road, to the {go} ({sides}): {stops}; turn round and come back.")
    else:
        text = _("Enter {rows} from the cross-road, to the {go} ({sides}): {stops}; leave {go}.")
    return text.format(**fields)


def day_summary(day: CrewDay, units: Units, _: Text) -> str:
    """One line over a crew's day."""
    if day.reload_s:
        text = _(
            "{begin} to {end}: {stops}, {way}; {service} at the stops, {moving} on the way, {reload} at the yard, "
            "{idle} waiting, {lunch} lunch."
        )
    else:
        text = _(
            "{begin} to {end}: {stops}, {way}; {service} at the stops, {moving} on the way, {idle} waiting, {lunch} lunch."
        )
    return text.format(
        begin=clock(day.begin_s), end=clock(day.end_s), stops=_stops(len(day.stops), _), way=way_text(day.metres, units),
        service=minutes(day.service_s), moving=minutes(day.moving_s), reload=minutes(day.reload_s), idle=minutes(day.idle_s),
        lunch=minutes(day.lunch_s),
    )  # fmt: skip


def _stops(count: int, _: Text) -> str:
    return counted(_, "{n:,} stop", "{n:,} stops", count).format(n=count)


def why_text(place: NotVisited, made: Round, _: Text) -> str:
    """Why a place is not gone to."""
    return {
        "done": _("done before this round"),
        "not_sampled": _("another round's turn"),
        "no_way": _("no alley that is open leads past it"),
        "closed": _("closed until after the round"),
        "no_time": _("no time left in {days} with {crews}").format(
            days=counted(_, "{n} day", "{n} days", made.options.num_days).format(n=made.options.num_days),
            crews=counted(_, "{n} crew", "{n} crews", made.options.num_crews).format(n=made.options.num_crews),
        ),
    }[place.why]


def runs_text(names: Iterable[str]) -> str:
    """Names in order, three or more whose numbers follow one another as the first and the last of them.

    >>> runs_text(["P10", "P9", "NOR0003", "NOR0001", "NOR0002", "gate", "P11", "NOR0007"])
    'NOR0001–NOR0003, NOR0007, P9–P11, gate'
    """
    runs: list[list[str]] = []
    for name in sorted(names, key=_number):
        stem, number = _number(name)
        if runs and number > 0 and _number(runs[-1][-1]) == (stem, number - 1):
            runs[-1].append(name)
        else:
            runs.append([name])
    return ", ".join(f"{run[0]}–{run[-1]}" if len(run) > 2 else ", ".join(run) for run in runs)


def _number(name: str) -> tuple[str, int]:
    """What comes before the number at the end of a name, and the number; -1 where there is none."""
    found = re.search(r"\d+$", name)
    return (name, -1) if found is None else (name[: found.start()], int(found[0]))


def sample_text(facts: SampleFacts, _: Text, left: int = 0) -> str:
    """What the sample is and what it can prove, where ``left`` of its sites are not gone to."""
    if left:
        told = _("{count:,} of {population:,} sites were chosen.").format(count=facts.count, population=facts.population)
        return told + " " + counted(
            _,
            "{left:,} of them is not gone to: what the others tell holds for ground like theirs only, and no margin is given.",
            "{left:,} of them are not gone to: what the others tell holds for ground like theirs only, and no margin is given.",
            left,
        ).format(left=left)  # fmt: skip
    if facts.half_width == 0:
        return counted(_, "The one site is seen.", "All {population:,} sites are seen.", facts.population).format(population=facts.population)
    text = _(
        "{count:,} of {population:,} sites were chosen, spread evenly over each block (round {panel} of {panels}; together they "
        "see every site). The share of occupied cavities can be told to ±{points} points or better (95 %), whatever it is."
    ).format(
        count=facts.count, population=facts.population, panel=facts.panel, panels=facts.panels,
        points=f"{100 * facts.half_width:.0f}",
    )  # fmt: skip
    needs = [
        _("±{points} points need {stops}").format(points=f"{100 * w:g}", stops=_stops(n, _)) for w, n in facts.wanted
    ]
    return text + (" " + "; ".join(needs) + "." if needs else "")


def light_text(made: Round, _: Text) -> str:
    """The daylight that the round keeps within; '' where it was not looked at."""
    if made.light_s is None:
        return ""
    hours = f"{made.zone_h:+g}"
    return _("Daylight {rise} to {fall} (clock {hours} h from UTC).").format(
        rise=clock(made.light_s[0]), fall=clock(made.light_s[1]), hours=hours
    )


def finish_text(made: Round, _: Text) -> str:
    """When all is done, and with what."""
    if not made.days:
        if made.left:
            return _("Nobody goes out: no stop fits into the time given, or all that is left is closed or cannot be reached.")
        return _("Nothing is left to do.")
    last = max(made.days, key=lambda d: d.end_s)
    paid = sum(d.end_s - d.begin_s for d in made.days)
    text = counted(
        _,
        "{stops} in {days} crew day; the last crew is back at {clock} on {day}. Paid time {paid}.",
        "{stops} in {days} crew days; the last crew is back at {clock} on {day}. Paid time {paid}.",
        len(made.days),
    )
    if any(d.lunch_s for d in made.days):
        text = counted(
            _,
            "{stops} in {days} crew day; the last crew is back at {clock} on {day}. Paid time {paid}, lunch included.",
            "{stops} in {days} crew days; the last crew is back at {clock} on {day}. Paid time {paid}, lunch included.",
            len(made.days),
        )
    return text.format(
        stops=_stops(made.num_stops, _), days=len(made.days), clock=clock(last.end_s % DAY_S),
        day=day_name(made.options, int(last.end_s // DAY_S), _), paid=minutes(paid),
    )  # fmt: skip


def cautions(task: Task, _: Text) -> tuple[str, ...]:
    """What every crew sheet says of safety; the label, local rules and licensed people decide, never this sheet."""
    special = {
        "hang": _("Hang firmly and clear of the way of sprayers and shakers; leave nothing loose on the vehicle."),
        "check": _("Look, do not shake: nests hold eggs. Step down on firm ground, and switch the vehicle off at a stop."),
        "wet": _("Water truck: full tanks shift and take longer to stop. Keep off soft banks and ditches; drive slowly."),
        "fetch": _("Move nests only when flight has ended, level and out of the sun. Pull each post and anchor: what is left "
                   "behind meets the shaker."),
    }[task]  # fmt: skip
    return (
        _("Sprays: stay out until the re-entry interval on the label has passed and the grower says so. The label, local rules "
          "and licensed advisers decide, not this sheet."),
        _("Vehicles: one rider on an ATV, helmet, no children; seat belt in a UTV; no driver under the age the law sets; look "
          "before you turn out of a row; slow down at headlands, ditches and risers."),
        special,
        _("Lifting and ladders: lift with two, load low and tied down; three points of contact on firm ground, no ladder under "
          "power lines."),
        _("Stings: know who is allergic and what their doctor prescribed; call for help at once if someone has trouble "
          "breathing."),
        _("Work that needs a licence or permit (pesticides, moving bees) is for licensed people. Where this sheet and the label, "
          "local code, a licensed person or the grower differ, follow them."),
    )  # fmt: skip
