"""Sites as GeoJSON (RFC 7946): WGS 84, longitude first, no `crs` member."""

from __future__ import annotations

import json
from typing import Any

from mudcap.files.numbers import rounded
from mudcap.plan.model import Plan, Site


def sites_geojson(plan: Plan) -> str:
    """The plan's sites as a FeatureCollection, one feature a line, in hanging order by block.

    References: RFC 7946, sections 3.1.2, 4 and 11.2 (precision).
    """
    features = ",\n".join(
        json.dumps(_feature(site), ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        for site in plan.sites
    )
    return f'{{"type":"FeatureCollection","features":[\n{features}\n]}}\n'


def _feature(site: Site) -> dict[str, Any]:
    return {
        "type": "Feature",
        "id": site.site_id,
        "geometry": {"type": "Point", "coordinates": [round(site.lon, 7), round(site.lat, 7)]},
        "properties": {
            "site_id": site.site_id, "block": site.block_id, "number": site.number, "row": site.row, "tree": site.tree,
            "address": site.address, "cavities": site.cavities, "females": site.females, "males": site.males,
            "trees": rounded(site.trees), "farthest_m": rounded(site.farthest_m), "walk_m": rounded(site.walk_m),
            "mud_m": rounded(site.mud_m), "pinned": site.pinned, "flags": site.flags,
        },
    }  # fmt: skip
