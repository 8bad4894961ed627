"""A round on the map: one layer for each crew and day, with the way and the order of its stops."""

from __future__ import annotations

import dataclasses

from shapely import LineString, Point

from mudcap.draw.scene import Layer, Mark, Scene
from mudcap.lang import translator
from mudcap.plan.model import Plan
from mudcap.plan.round_model import CrewDay, Round
from mudcap.plan.round_words import day_name, day_summary

WAYS = ("round_a", "round_b", "round_c", "round_d")
"""Styles that crews take in turn."""
KEY = "round"
"""Layers of a round begin with this."""


def with_round(scene: Scene, plan: Plan, made: Round, lang: str = "en") -> Scene:
    """The scene with the round's days under its sites; the first day is shown, the others when asked."""
    layers = [_layer(plan, made, day, lang) for day in made.days]
    under = [layer for layer in scene.layers if layer.key != "sites"]
    over = [layer for layer in scene.layers if layer.key == "sites"]
    return dataclasses.replace(scene, layers=(*under, *layers, *over))


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
        Mark(geometry=Point(stop.visit.xy), style="round_stop", label=f"{day.crew}{stop.order}", note=stop.visit.address)
        for stop in day.stops
    ]
    return Layer(
        key=f"{KEY}-{day.crew}{day.day + 1}", title=title, marks=tuple(marks), shown=day.day == made.days[0].day
    )
