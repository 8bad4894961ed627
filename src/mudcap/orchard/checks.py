"""What should be looked at in the orchard as a whole: access, spacings, closures, hives, mud."""

from __future__ import annotations

from datetime import date
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from mudcap.geo.units import M2_PER_ACRE, M_PER_FT, Units, length_text
from mudcap.lang import _, _n, joined
from mudcap.orchard.access import acres_off_network
from mudcap.orchard.access_findings import access_findings
from mudcap.orchard.blocks import finding
from mudcap.orchard.model import Block, Finding, FindingLevel, Orchard, Role, Season
from mudcap.orchard.mud import MudVerdict, judge_mud, nesting_season
from mudcap.orchard.network import Days, TravelNetwork, travel_network
from mudcap.orchard.params import TravelParams

ROW_RANGE_M: Final = (8 * M_PER_FT, 32 * M_PER_FT)
"""Rows of orchards: 14–18 ft pear, 20–24 ft almond, 30 ft old plantings (UC pear and almond guides, The Almond Doctor);
8 ft for trellised high density is common practice, no source."""
TREE_RANGE_M: Final = (2 * M_PER_FT, 32 * M_PER_FT)
"""Trees of a row: 6–9 ft pear, 10–22 ft almond, 30 ft old plantings (as above); 2 ft is common practice, no source."""
ROAD_FAR_M: Final = 50.0
"""A block farther than this from every drawn road is said to lie off the roads (common practice, no source)."""
_DENSITY: Final = (0.6, 1.1)


def check(
    orchard: Orchard,
    *,
    travel: TravelParams | None = None,
    clay_share_min: float = 0.15,
    season: tuple[date, date] | None = None,
    network: TravelNetwork | None = None,
    days: Days = None,
    units: Units = "us",
) -> tuple[Finding, ...]:
    """Findings on an orchard with its rows laid; what the readers and `lay_rows` said is not said again.

    `network` is the one of `travel`, where it was made before; with `days` what is closed then counts as closed.
    Lengths are told in `units`.
    """
    params = travel or TravelParams()
    network = network or travel_network(orchard, params)
    return (
        *(f for block in orchard.blocks for f in _block_findings(block, units)),
        *_road_findings(orchard, network, params, units),
        *access_findings(orchard, network, params, days=days, units=units),
        *_planted_findings(orchard),
        *_closure_findings(orchard),
        *_mud_findings(judge_mud(orchard, clay_share_min, season), clay_share_min, season or nesting_season(orchard)),
    )


def _block_findings(block: Block, units: Units) -> list[Finding]:
    rows = block.rows
    if rows is None or not len(rows.tree_xy):
        return []
    said = []
    odd = [
        joined(" ", [name, length_text(value, units, 1)])
        for name, value, (low, high) in (
            (_("row spacing"), rows.row_spacing_m, ROW_RANGE_M),
            (_("tree spacing"), rows.tree_spacing_m, TREE_RANGE_M),
        )
        if not low <= value <= high
    ]
    if odd:
        text = _(
            "Block {block}: {what} is unusual for an orchard (rows {rows}, trees {trees}); check feet against metres."
        )
        said.append(finding("warning", "odd_spacing", block, text.format(block=block.block_id, what=joined(", ", odd), rows=_range(ROW_RANGE_M, units), trees=_range(TREE_RANGE_M, units))))
    if len(rows.row_number) == 1:
        text = _n("Block {block}: only one row of {trees} tree fits.", "Block {block}: only one row of {trees} trees fits.", len(rows.tree_xy)).format(block=block.block_id, trees=len(rows.tree_xy))
        said.append(finding("note", "one_row", block, text))
    full = M2_PER_ACRE / (rows.row_spacing_m * rows.tree_spacing_m)
    density = len(rows.tree_xy) / block.acres
    low, high = _DENSITY
    if rows.source == "trees" and not low * full <= density <= high * full:
        text = _(
            "Block {block}: {density:.0f} trees an acre, where {full:.0f} stand at these spacings; the tree layer may cover "
            "only part of the block, or the outline may be another's."
        ).format(block=block.block_id, density=density, full=full)
        said.append(finding("warning", "odd_density", block, text))
    return said


def _range(metres: tuple[float, float], units: Units) -> str:
    low, high = (length_text(m, units, 0 if units == "us" else 1) for m in metres)
    return f"{low} – {high}"


def _road_findings(orchard: Orchard, network: TravelNetwork, params: TravelParams, units: Units) -> list[Finding]:
    if not orchard.roads:
        if not orchard.blocks:
            return []
        text = _(
            "No road is drawn: access is unknown, so every headland is taken as reachable. Give a layer of roads for honest "
            "walks and rounds."
        )
        return [_said("warning", "no_roads", "roads", "", text)]
    said = []
    lines = np.array([road.line for road in orchard.roads], dtype=object)
    grounds = [block.polygon for block in orchard.blocks]
    for k, road in enumerate(orchard.roads):
        others = np.delete(lines, k)
        to_road = float(np.min(shapely.distance(others, road.line), initial=np.inf))
        to_block = min((float(road.line.distance(ground)) for ground in grounds), default=np.inf)
        if min(to_road, to_block) > params.snap_m:
            text = _("Road {road}: it comes near no other road and no block (nearest {distance}); nobody is routed on it.")
            said.append(
                _said("warning", "road_alone", "roads", road.name,
                      text.format(road=road.name, distance=length_text(min(to_road, to_block), units)), road.line)
            )  # fmt: skip
    off = acres_off_network(orchard, network)
    for block in orchard.blocks:
        metres = float(np.min(shapely.distance(lines, block.polygon)))
        if metres > ROAD_FAR_M and (block.block_id in off or not block.alleys):  # else the ways of another block lead to it
            text = _("Block {block}: the nearest road is {distance} away; draw the road that leads to it.")
            said.append(finding("warning", "block_off_roads", block, text.format(block=block.block_id, distance=length_text(metres, units))))
    return said


def _planted_findings(orchard: Orchard) -> list[Finding]:
    """Keep-outs (not setbacks) on which trees are laid: ground that may not be planted at all."""
    said = []
    for block in orchard.blocks:
        if block.rows is None or block.rows.source == "trees" or not len(block.rows.tree_xy):
            continue
        for keep_out in orchard.keep_outs:
            count = _count_inside(keep_out.geometry, block.rows.tree_xy)
            if count:
                text = _n(
                    "Block {block}: {count} tree is laid inside {what}; if nothing is planted there, cut it out of the block.",
                    "Block {block}: {count} trees are laid inside {what}; if nothing is planted there, cut it out of the block.",
                    count,
                ).format(block=block.block_id, count=count, what=keep_out.name or keep_out.reason)
                said.append(finding("note", "trees_in_keep_out", block, text, keep_out.geometry))
    return said


def _count_inside(geometry: shapely.Geometry, xy: NDArray[np.float64]) -> int:
    if shapely.get_dimensions(geometry) < 2:
        return 0
    shapely.prepare(geometry)
    return int(shapely.contains_xy(geometry, *xy.T).sum())


def _closure_findings(orchard: Orchard) -> list[Finding]:
    said = []
    for closure in orchard.closures:
        if closure.first is None and closure.last is None:
            text = _("Closure {name}: no dates are given, so no shelter is hung there at all.")
            said.append(_said("note", "closed_always", "closures", closure.name,
                              text.format(name=closure.name), closure.geometry))  # fmt: skip
        elif closure.first is not None and closure.last is not None and closure.last < closure.first:
            text = _("Closure {name}: it ends on {last}, before it begins on {first}; put the dates right.")
            said.append(_said("error", "closure_dates", "closures", closure.name,
                              text.format(name=closure.name, first=closure.first, last=closure.last), closure.geometry))  # fmt: skip
    for hive in orchard.features:
        if hive.role != Role.HIVES:
            continue
        if not any(keep.geometry.intersects(hive.geometry) for keep in orchard.keep_outs):
            text = _("Hives {name}: they are shown but keep no shelter off.")
            said.append(_said("warning", "hives_bar_nothing", "hives", hive.name,
                              text.format(name=hive.name), hive.geometry))  # fmt: skip
    return said


def _mud_findings(
    verdicts: tuple[MudVerdict, ...], clay_share_min: float, season: tuple[date, date] | Season
) -> list[Finding]:
    said = []
    for verdict in verdicts:
        why = {
            "serves": _("it serves"),
            "contaminated": _("it does not serve: it is marked as not clean"),
            "not clayey": _("it does not serve: {clay:.0f} % clay is less than the {least:.0f} % wanted"),
            "dry": _("it does not serve: it is dry while the bees nest ({first} to {last}, unless mud.season says otherwise)"),
        }[verdict.reason].format(
            clay=100 * (verdict.clay_share or 0.0), least=100 * clay_share_min, first=_day(season[0]), last=_day(season[1])
        )
        if verdict.serves and verdict.clay_share is None:
            why = _("it is taken to serve, but nothing tells its soil: feel it, or give a texture")
        text = _("Mud source {name}: {why}.").format(name=verdict.source.name or "?", why=why)
        level: FindingLevel = "note" if verdict.serves and verdict.clay_share is not None else "warning"
        code = "mud_" + verdict.reason.replace(" ", "_")
        said.append(_said(level, code, "mud_sources", verdict.source.name, text, verdict.source.geometry))
    return said


def _day(day: date | tuple[int, int]) -> str:
    """A date, or month and day as the options write them."""
    return day.isoformat() if isinstance(day, date) else f"{day[0]:02d}-{day[1]:02d}"


def _said(
    level: FindingLevel, code: str, layer: str, feature: str, text: str, geometry: shapely.Geometry | None = None
) -> Finding:
    return Finding(level=level, code=code, layer=layer, feature=feature, text=text, geometry=geometry)
