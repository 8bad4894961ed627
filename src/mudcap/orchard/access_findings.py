"""What is said of ways and gates: ground that no vehicle reaches and what would help, gates and lines that do nothing."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import Final

import numpy as np
import shapely

from mudcap.geo.units import Units, length_text
from mudcap.lang import _, _n
from mudcap.orchard.access import CutOff, Link, cut_off
from mudcap.orchard.alley_rules import rules_without_alley
from mudcap.orchard.barriers import impassable_ground, named_keys
from mudcap.orchard.model import Finding, FindingLevel, Gate, Orchard
from mudcap.orchard.network import Days, TravelNetwork
from mudcap.orchard.params import TravelParams

THROUGH_M: Final = 1.0
"""A road that is inside a keep-out on a shorter stretch only touches it, as far as drawings go."""


def access_findings(
    orchard: Orchard, network: TravelNetwork, params: TravelParams, *, days: Days = None, units: Units = "us"
) -> tuple[Finding, ...]:
    """Findings about access; on `days` what is closed then counts as closed."""
    said = []
    if orchard.yard is not None and network.yard_node < 0:
        text = _("The yard is joined to no road or headland; rounds start where roads or gates do.")
        said.append(_said("warning", "yard_alone", "yard", "", text, orchard.yard))
    said += _gate_findings(orchard, params)
    for rule in rules_without_alley(orchard):
        text = _(
            "Alley line {name}: it runs along no alley, so what it says goes for nothing; draw it in the middle between two "
            "tree rows."
        )
        said.append(_said("warning", "alley_line_unused", "alleys", rule.name, text.format(name=rule.name), rule.line))
    said += _road_findings(orchard)
    said += [_cut_off_finding(orchard, network, part, days, units) for part in cut_off(orchard, network, params, days=days)]
    return tuple(said)


def _gate_findings(orchard: Orchard, params: TravelParams) -> Iterator[Finding]:
    lines = [*(road.line for road in orchard.roads), *(h for block in orchard.blocks for h in block.headlands)]
    for gate in orchard.gates:
        if isinstance(gate, Gate):
            metres = float(np.min(shapely.distance(lines, gate.geometry), initial=np.inf)) if lines else np.inf
            if metres > params.snap_m:
                text = _(
                    "Gate {gate}: it stands on no road or headland, so it stops nobody; put it where the road passes through it."
                )
                yield _said("warning", "gate_alone", "gates", gate.name, text.format(gate=gate.name), gate.geometry)
    known = {gate.name.casefold() for gate in orchard.gates}
    for key in named_keys(params.keys):
        if key != "all" and key not in known:
            text = _('travel.keys names "{key}", but no gate is called that; check the spelling against the gates layer.')
            yield _said("warning", "unknown_key", "gates", key, text.format(key=key))


def _road_findings(orchard: Orchard) -> Iterator[Finding]:
    """Drawn roads that lead through what nobody crosses, and not only to it: whoever drew them is believed, loudly."""
    lines = np.array([road.line for road in orchard.roads], dtype=object)
    for keep, shape in impassable_ground(orchard):
        for k in np.flatnonzero(shapely.intersects(lines, shape)).tolist():
            road = orchard.roads[k]
            if _through_m(road.line, shape) > THROUGH_M:
                text = _(
                    "Road {road} leads through {what}, which nobody should cross; it is driven as drawn. Draw the road round it, or "
                    "its outline right, or give it passable = yes."
                ).format(road=road.name, what=keep.name or keep.reason)
                yield _said("warning", "road_through_keep_out", "roads", road.name, text, shapely.intersection(road.line, shape))


def _through_m(line: shapely.LineString, shape: shapely.Geometry) -> float:
    """Metres of a road inside a shape on stretches that do not end there."""
    ends = shapely.points(np.array([line.coords[0][:2], line.coords[-1][:2]]))
    inside = shapely.get_parts(shapely.intersection(line, shape))
    through = ~(shapely.distance(inside[:, None], ends[None]) < 1e-6).any(axis=1)
    if shapely.get_dimensions(shape) < 2:
        return THROUGH_M + 1.0 if through.any() else 0.0
    return float(shapely.length(inside[through]).sum())


def _cut_off_finding(orchard: Orchard, network: TravelNetwork, part: CutOff, days: Days, units: Units) -> Finding:
    blocks = ", ".join(part.acres)
    acres = sum(part.acres.values())
    start = _start(orchard, network)
    said = {"block": blocks, "acres": acres, "start": start}
    if part.why == "closed":
        text = _(
            "Block {block}: the alleys of {acres:.2f} acres are closed on {day} ({names}), so nobody drives there from {start} that "
            "day. Do not enter closed ground before it is open again (after spraying, the re-entry interval on the label "
            "decides); if you hang on another day, give that date."
        ).format(**said, day=_day(days), names=", ".join(_closing_names(orchard, days)))
        return _cut("warning", "closed_on_day", part, text, orchard)
    if part.why == "gate":
        text = _(
            "Block {block}: locked gates ({gates}) keep vehicles from {start} out of the alleys of {acres:.2f} acres. If the crew "
            'has the key, say so: a column keys = yes of the gate, or keys = "{gates}" under [travel].'
        ).format(**said, gates=", ".join(part.gates))
        return _cut("warning", "behind_locked_gate", part, text, orchard)
    if part.why == "one_way":
        text = _(
            "Block {block}: into the alleys of {acres:.2f} acres, or out of them, a vehicle from {start} would have to go against "
            "the direction of a one-way road or alley. Check which way the one-way lines are drawn."
        ).format(**said)
        return _cut("warning", "against_one_way", part, text, orchard)
    if part.why == "vehicle":
        text = _(
            "Block {block}: no one vehicle gets from {start} to the alleys of {acres:.2f} acres: part of the way is for trucks "
            "only, part for carts only. Check the modes of its roads and gates."
        ).format(**said)
        return _cut("warning", "no_one_vehicle", part, text, orchard)
    text = _(
        "Block {block}: no vehicle reaches the alleys of {acres:.2f} acres from {start}; its trees are walked to, if at all."
    ).format(**said)
    return _cut("warning", "not_reached", part, text + " " + _next_step(orchard, part, units), orchard)


def ways_in(orchard: Orchard, network: TravelNetwork, params: TravelParams, *, days: Days = None) -> dict[str, str]:
    """What would let a vehicle in, as the second half of a sentence, by id of the blocks that it does not wholly reach.

    Where several things keep it out of a block the one about most acres is named.
    """
    best: dict[str, tuple[float, CutOff]] = {}
    for part in cut_off(orchard, network, params, days=days):
        for name, acres in part.acres.items():
            if acres > best.get(name, (0.0, part))[0]:
                best[name] = acres, part
    return {name: _way_in(orchard, part, days) for name, (_acres, part) in best.items()}


def _way_in(orchard: Orchard, part: CutOff, days: Days) -> str:
    """What would mend it, short."""
    if part.why == "closed":
        return _("give another date, on which {names} is open").format(names=", ".join(_closing_names(orchard, days)))
    if part.why == "gate":
        return _("take the key of {gates} along and say so (a column keys = yes of the gate, or keys under [travel])").format(
            gates=", ".join(part.gates)
        )
    if part.why == "one_way":
        return _("look which way the one-way roads and alleys are drawn")
    if part.why == "vehicle":
        return _("let one and the same vehicle use the whole way (modes of its roads and gates)")
    return _("draw the road or gate by which it comes in")


def _next_step(orchard: Orchard, part: CutOff, units: Units) -> str:
    """What would join the part, in words."""
    link = part.link
    if link is None:
        return _("Draw the road or gate by which a vehicle comes to it.")
    said = {"distance": length_text(link.line.length, units), "way": _way_name(orchard, link), "spot": _spot(orchard, link)}
    if link.rows:
        return _n(
            "The shortest link, {distance} to {way} at {spot}, would cut through {rows} tree row; look for "
            "another way in and draw it.",
            "The shortest link, {distance} to {way} at {spot}, would cut through {rows} tree rows; look for "
            "another way in and draw it.",
            link.rows,
        ).format(**said, rows=link.rows)
    if link.keep_outs:
        return _(
            "The shortest link, {distance} to {way} at {spot}, leads through {names}: if crews may drive there, "
            "give it passable = yes, else draw the road round it."
        ).format(**said, names=", ".join(link.keep_outs))
    if link.ditches:
        return _(
            "The shortest link, {distance} to {way} at {spot}, crosses a ditch ({ditches}): draw the road "
            "that has the bridge or culvert, if there is one."
        ).format(**said, ditches=", ".join(filter(None, link.ditches)) or "?")
    if part.parts > 1:
        return _(
            "It lies in {parts} separate parts; the shortest link to one of them is {distance}, to {way} at "
            "{spot}. Draw the roads or headlands that lead to them."
        ).format(**said, parts=part.parts)
    return _(
        "The shortest link that would join it is {distance} long, to {way} at {spot}. Draw the missing road, "
        "or the gate there."
    ).format(**said)


def _way_name(orchard: Orchard, link: Link) -> str:
    """What the link leads to."""
    end = shapely.Point(link.line.coords[-1])
    road = min(orchard.roads, key=lambda r: float(r.line.distance(end)), default=None)
    if road is not None and road.line.distance(end) < 0.1:
        return _("road {road}").format(road=road.name)
    block = min(orchard.blocks, key=lambda b: float(b.polygon.distance(end)))
    return _("the ways of block {block}").format(block=block.block_id)


def _spot(orchard: Orchard, link: Link) -> str:
    """Where the link ends, latitude and longitude as a phone takes them."""
    lon, lat = orchard.plane.to_lonlat([link.line.coords[-1][:2]])[0]
    return f"{lat:.5f}, {lon:.5f}"


def _start(orchard: Orchard, network: TravelNetwork) -> str:
    if network.yard_node >= 0:
        return _("the yard")
    return _("the gates") if orchard.gates else _("the roads")


def _day(days: Days) -> str:
    if isinstance(days, tuple):
        return _("{first} to {last}").format(first=days[0], last=days[1])
    return str(days)


def _closing_names(orchard: Orchard, days: Days) -> list[str]:
    """Closures, roads and alley lines that are closed on some of the days."""
    first, last = days if isinstance(days, tuple) else (days or date.min, days or date.max)
    spans = [(c.name, (c.first or date.min, c.last or date.max)) for c in orchard.closures if c.first or c.last]
    spans += [(road.name, span) for road in orchard.roads for span in road.closed]
    spans += [(rule.name, span) for rule in orchard.alley_rules for span in rule.closed]
    return list(dict.fromkeys(name for name, (begin, end) in spans if begin <= last and first <= end))


def _cut(level: FindingLevel, code: str, part: CutOff, text: str, orchard: Orchard) -> Finding:
    by_id = {block.block_id: block for block in orchard.blocks}
    first = by_id[next(iter(part.acres))]
    where = part.link.line if part.link is not None else first.polygon
    return Finding(level=level, code=code, layer=first.layer, feature=", ".join(part.acres), text=text, geometry=where)


def _said(
    level: FindingLevel, code: str, layer: str, feature: str, text: str, geometry: shapely.Geometry | None = None
) -> Finding:
    return Finding(level=level, code=code, layer=layer, feature=feature, text=text, geometry=geometry)
