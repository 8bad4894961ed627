"""Waypoints for handhelds and phones: GPX 1.1, one waypoint a site, puddle or release point.

References: GPX 1.1 schema, topografix.com/GPX/1/1.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import Final

from gpxpy.gpx import GPX, GPXWaypoint

from mudcap.files.packed import zip_bytes
from mudcap.lang import counted, translator
from mudcap.plan.model import Plan, Site

NAME_AT_MOST: Final = 10
"""Characters of a waypoint's name that handhelds show (common practice, no source; old ones cut at 6 to 10)."""
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def sites_gpx(plan: Plan, lang: str = "en") -> str:
    """The plan's sites, puddles and release points as GPX 1.1, the detail in `desc` and `cmt`.

    `name` is the site_id (P1 for a puddle, A1 for a release point), `type` the block, or what the point is.

    Positions carry 7 decimals (about 1 cm). There is no time in it, so that the same plan gives the same bytes.
    """
    word = translator(lang)
    return _gpx(plan, word("Nest shelter sites, plan {number}").format(number=plan.number), _points(plan, lang))


def waypoints_zip(plan: Plan, lang: str = "en") -> bytes:
    """A zip of small GPX files for handhelds that hold few waypoints: one a block, named by its code, puddles, release.

    Names of waypoints are unique over all of them. Members are named by codes, never by what a file said.
    """
    word = translator(lang)
    code = {b.block_id: b.code for b in plan.orchard.blocks}
    groups: dict[str, list[GPXWaypoint]] = {}
    for site in plan.sites:
        groups.setdefault(f"sites-{code[site.block_id]}.gpx", []).append(_site(site, lang))
    for puddle in _puddles(plan, lang):
        groups.setdefault("puddles.gpx", []).append(puddle)
    for release in _releases(plan, lang):
        groups.setdefault("release.gpx", []).append(release)
    titles = {name: word("{file}, plan {number}").format(file=name, number=plan.number) for name in groups}
    return zip_bytes({name: _gpx(plan, titles[name], points).encode() for name, points in groups.items()})


def _points(plan: Plan, lang: str) -> Iterator[GPXWaypoint]:
    yield from (_site(s, lang) for s in plan.sites)
    yield from _puddles(plan, lang)
    yield from _releases(plan, lang)


def _puddles(plan: Plan, lang: str) -> Iterator[GPXWaypoint]:
    word = translator(lang)
    for p in plan.puddles.puddles if plan.puddles is not None else ():
        long = counted(word, "{address}: for {n} site", "{address}: for {n} sites", len(p.sites)).format(address=p.address, n=len(p.sites))
        yield _point(p.lon, p.lat, p.name, p.address, long, word("Puddle"))


def _releases(plan: Plan, lang: str) -> Iterator[GPXWaypoint]:
    word = translator(lang)
    for r in plan.release:
        short = word("{address}, {females} females, {males} males").format(
            address=r.address, females=r.females, males=r.males
        )
        long = word("{block}: {text}").format(block=r.block_id, text=short)
        yield _point(r.lon, r.lat, r.name, short, long, word("Release point"))


def clean(text: str) -> str:
    """`text` without the characters that XML 1.0 cannot hold."""
    return _NOT_XML.sub("", text)


def _gpx(plan: Plan, title: str, points: Iterable[GPXWaypoint]) -> str:
    gpx = GPX()
    gpx.creator = "mudcap"
    gpx.name = clean(plan.params.ranch or plan.orchard.name)
    gpx.description = title
    gpx.waypoints.extend(points)
    return str(gpx.to_xml(version="1.1")) + "\n"


def _site(site: Site, lang: str) -> GPXWaypoint:
    word = translator(lang)
    short = word("No. {number}, {address}, {cavities} cavities").format(
        number=site.number, address=site.address, cavities=site.cavities
    )
    long = word("{block} no. {number}: {address}, {cavities} cavities, {females} females, {males} males").format(
        block=site.block_id, number=site.number, address=site.address, cavities=site.cavities,
        females=site.females, males=site.males,
    )  # fmt: skip
    return _point(site.lon, site.lat, site.site_id, short, long, site.block_id)


def _point(lon: float, lat: float, name: str, short: str, long: str, kind: str) -> GPXWaypoint:
    point = GPXWaypoint(latitude=round(lat, 7), longitude=round(lon, 7))
    point.name, point.comment, point.description = name, clean(short), clean(long)
    point.symbol, point.type = "Flag", clean(kind)
    return point
