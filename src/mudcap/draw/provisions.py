"""Layers of what a plan gives out besides the sites: puddles, the water truck's way, release points."""

from __future__ import annotations

from collections.abc import Iterator

from shapely import LineString, Point

from mudcap.draw.scene_parts import Layer, Mark, Text
from mudcap.geo.units import length_text
from mudcap.lang import counted
from mudcap.plan.model import Plan


def provision_layers(plan: Plan, _: Text) -> Iterator[Layer]:
    """Links and the water round only when asked for; puddles and release points always."""
    made = plan.puddles
    if made is not None:
        links = tuple(
            Mark(geometry=LineString([(plan.sites[k].x_m, plan.sites[k].y_m), (p.x_m, p.y_m)]), style="puddle_link")
            for p in made.puddles
            for k in p.sites
            if (plan.sites[k].x_m, plan.sites[k].y_m) != (p.x_m, p.y_m)
        )
        yield Layer(key="puddle_links", title=_("From each site to its puddle"), marks=links, shown=False)
        way = () if made.tour.is_empty else (Mark(geometry=made.tour, style="water_round", label=_("Water truck")),)
        yield Layer(key="water_round", title=_("Way of the water truck"), marks=way, shown=False)
        yield Layer(key="puddles", title=_("Puddles"), marks=tuple(_puddles(plan, _)))
    yield Layer(key="release", title=_("Release points"), marks=tuple(_releases(plan, _)))


def _puddles(plan: Plan, _: Text) -> Iterator[Mark]:
    for p in plan.puddles.puddles if plan.puddles is not None else ():
        note = counted(
            _, "{address}; mud for {n} site, {distance} away", "{address}; mud for {n} sites, the farthest {distance} away", len(p.sites)
        ).format(
            address=p.address, n=len(p.sites), distance=length_text(p.farthest_m, plan.params.units)
        )
        yield Mark(geometry=Point(p.x_m, p.y_m), style="puddle", label=p.name, note=note)


def _releases(plan: Plan, _: Text) -> Iterator[Mark]:
    for r in plan.release:
        note = counted(
            _,
            "{block}, {address}: {females:,} females and {males:,} males in {n} container",
            "{block}, {address}: {females:,} females and {males:,} males in {n} containers",
            r.containers,
        ).format(
            block=r.block_id, address=r.address, females=r.females, males=r.males, n=r.containers
        )
        yield Mark(geometry=Point(r.x_m, r.y_m), style="release", label=r.name, note=note)
