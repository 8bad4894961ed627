"""A round on the map: one layer for each crew and day, with the way and the order of its stops."""

from __future__ import annotations

import dataclasses

from shapely import LineString, Point

from mudcap.draw.scene import Layer, Mark, Scene
from mudcap.lang import translator
from mudcap.plan.model import Plan
from mudcap.plan.round_model import CrewDay, Round
from mudcap.plan.round_words import day_name, day_summary, why_text

WAYS = ("round_a", "round_b", "round_c", "round_d")
"""Styles that crews take in turn."""
KEY = "round"
"""Layers of a round begin with this."""


def with_round(scene: Scene, plan: Plan, made: Round, lang: str = "en") -> Scene:
    """The scene with the round's days under its sites, and crosses where nobody comes; the first day is shown, the others when
    asked."""
    layers = [_layer(plan, made, day, lang) for day in made.days]
    if made.left:
        layers.append(_left_layer(plan, made, lang))
    under = [layer for layer in scene.layers if layer.key != "sites"]
    over = [layer for layer in scene.layers if layer.key == "sites"]
    return dataclasses.replace(scene, layers=(*under, *layers, *over))


def _left_layer(plan: Plan, made: Round, lang: str) -> Layer:
    """Places that the round should go to and does not, each with the reason."""
    _ = translator(lang)
    puddles = {p.name: (p.x_m, p.y_m) for p in plan.puddles.puddles} if plan.puddles is not None else {}
    marks = []
    for place in made.left:
        x, y = (plan.sites[place.site].x_m, plan.sites[place.site].y_m) if place.site >= 0 else puddles[place.name]
        marks.append(Mark(geometry=Point(x, y), style="round_left", label=place.name, note=why_text(place, made, _)))
    return Layer(key="left_undone", title=_("Not gone to: {count}").format(count=len(marks)), marks=tuple(marks))


def way_mark(made: Round, day: CrewDay, label: str = "", note: str = "") -> Mark:
    """The way of a crew's day as one line."""
    return Mark(geometry=LineString(day.track), style=way_style(day), label=label, note=note)


def way_style(day: CrewDay) -> str:
    """Style of a crew's line."""
    return WAYS[(ord(day.crew) - ord("A")) % len(WAYS)]


def _layer(plan: Plan, made: Round, day: CrewDay, lang: str) -> Layer:
    _ = translator(lang)
    title = _("Routes by day: {day}, crew {crew}").format(day=day_name(made.options, day.day, _), crew=day.crew)
    marks = [way_mark(made, day, title, day_summary(day, plan.params.units, _))] if len(day.track) > 1 else []
    marks += [
        Mark(geometry=Point(stop.visit.xy), style="round_stop", label=f"{day.crew}{stop.order}", note=stop.visit.address, index=stop.visit.site)
        for stop in day.stops
    ]
    return Layer(
        key=f"{KEY}-{day.crew}{day.day + 1}", title=title, marks=tuple(marks), shown=day.day == made.days[0].day
    )
