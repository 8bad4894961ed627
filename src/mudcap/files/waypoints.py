"""Waypoints for handhelds and phones: GPX 1.1, one waypoint a site."""

from __future__ import annotations

import re

import gpxpy.gpx

from mudcap.lang import translator
from mudcap.plan.model import Plan

_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def sites_gpx(plan: Plan, lang: str = "en") -> str:
    """The plan's sites as GPX 1.1: `name` is the site_id (old handhelds cut longer ones), the detail is in `desc` and `cmt`.

    Positions carry 7 decimals (about 1 cm). There is no time in it, so that the same plan gives the same bytes.

    References: GPX 1.1 schema, topografix.com/GPX/1/1.
    """
    word = translator(lang)
    gpx = gpxpy.gpx.GPX()
    gpx.creator = "mudcap"
    gpx.name = clean(plan.params.ranch or plan.orchard.name)
    gpx.description = word("Nest shelter sites, plan {number}").format(number=plan.number)
    for site in plan.sites:
        point = gpxpy.gpx.GPXWaypoint(latitude=round(site.lat, 7), longitude=round(site.lon, 7))
        point.name = site.site_id
        point.comment = word("No. {number}, {address}, {cavities} cavities").format(
            number=site.number, address=site.address, cavities=site.cavities
        )
        point.description = clean(
            word("{block} no. {number}: {address}, {cavities} cavities, {females} females, {males} males").format(
                block=site.block_id, number=site.number, address=site.address, cavities=site.cavities,
                females=site.females, males=site.males,
            )
        )  # fmt: skip
        point.symbol = "Flag"
        gpx.waypoints.append(point)
    return str(gpx.to_xml(version="1.1")) + "\n"


def clean(text: str) -> str:
    """`text` without the characters that XML 1.0 cannot hold."""
    return _NOT_XML.sub("", text)
