"""A round for handhelds: GPX 1.1, one route and one track for each crew and day."""

from __future__ import annotations

from typing import Final

import gpxpy.gpx

from mudcap.files.waypoints import clean
from mudcap.lang import translator
from mudcap.plan.model import Plan
from mudcap.plan.round_model import CrewDay, Round, Task
from mudcap.plan.round_words import clock, day_name, stop_text, task_name

SHORT: Final[dict[Task, str]] = {"hang": "HANG", "check": "CHK", "wet": "WET", "fetch": "FET"}
"""At most four letters, so that a name such as 'HANG-A31-T' has the ten that old handhelds show."""


def round_gpx(plan: Plan, made: Round, lang: str = "en") -> str:
    """The round as GPX: a route point at each stop in order (named by site), and the way between as a track.

    All names are unique and have at most ten letters. No times, so that the same round gives the same bytes.

    References: GPX 1.1 schema, topografix.com/GPX/1/1.
    """
    _ = translator(lang)
    gpx = gpxpy.gpx.GPX()
    gpx.creator = "mudcap"
    gpx.name = clean(plan.params.ranch or plan.orchard.name)
    gpx.description = f"{task_name(made.options.task, _)}, {_('Plan {number}').format(number=plan.number)}"
    for day in made.days:
        name = route_name(made, day)
        said = f"{_('Crew {name}').format(name=day.crew)}, {day_name(made.options, day.day, _)}"
        route = gpxpy.gpx.GPXRoute(name=name, description=said)
        for stop in day.stops:
            lon, lat = stop.visit.lonlat
            point = gpxpy.gpx.GPXRoutePoint(latitude=round(lat, 7), longitude=round(lon, 7), name=stop.visit.name)
            where = f"R{stop.visit.row} {stop_text(stop, _)}" if stop.visit.site >= 0 else stop.visit.address
            point.comment = clean(f"{stop.order}: {where} {clock(stop.begin_s)}")
            route.points.append(point)
        gpx.routes.append(route)
        track = gpxpy.gpx.GPXTrack(name=f"{name}-T", description=said)
        line = plan.orchard.plane.to_lonlat(day.track)
        track.segments.append(
            gpxpy.gpx.GPXTrackSegment(
                [gpxpy.gpx.GPXTrackPoint(latitude=round(y, 7), longitude=round(x, 7)) for x, y in line.tolist()]
            )
        )
        gpx.tracks.append(track)
    return str(gpx.to_xml(version="1.1")) + "\n"


def route_name(made: Round, day: CrewDay) -> str:
    """Name of a crew's day, such as 'CHK-A1'."""
    return f"{SHORT[made.options.task]}-{day.crew}{day.day + 1}"
