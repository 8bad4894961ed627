"""The scene: what a picture of a plan shows, whatever draws it. Geometry stays in the local plane, metres."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPoint, Point
from shapely.geometry.base import BaseGeometry

from mudcap.draw.provisions import provision_layers
from mudcap.draw.scene_parts import Layer, Mark, Scene, Text
from mudcap.lang import translator
from mudcap.orchard.barriers import gate_bits
from mudcap.orchard.model import Exclusion, Gate, Orchard, Role
from mudcap.orchard.names import crop_text, exclusion_text, kind_text
from mudcap.plan.model import Plan, Site

__all__ = ["Layer", "Mark", "Scene", "Text", "make_scene", "site_style"]


def make_scene(plan: Plan, lang: str = "en") -> Scene:
    """The scene of a plan, titles and notes in `lang`."""
    _ = translator(lang)
    orchard = plan.orchard
    layers = [
        Layer(key="blocks", title=_("Blocks"), marks=tuple(_blocks(orchard, _))),
        Layer(key="soil", title=_("Soil"), marks=_features(orchard, Role.SOIL, "soil"), shown=False),
        Layer(key="forage", title=_("Forage strips"), marks=_features(orchard, Role.FORAGE, "forage")),
        Layer(key="closures", title=_("Closed ground"), marks=tuple(_closures(orchard, _))),
        Layer(key="catchments", title=_("Trees of each site"), marks=tuple(_catchments(plan)), shown=False),
        Layer(key="rows", title=_("Rows"), marks=tuple(_rows(orchard))),
        Layer(key="spray_lanes", title=_("Spray lanes"), marks=tuple(_spray_lanes(orchard))),
        Layer(key="roads", title=_("Roads"), marks=tuple(Mark(geometry=r.line, style="road", label=r.name,
                                                               note=r.surface) for r in orchard.roads)),
        Layer(key="water", title=_("Water and ditches"), marks=(*_features(orchard, Role.DITCHES, "ditch"),
                                                                 *_features(orchard, Role.WATER_POINTS, "water"))),
        Layer(key="mud", title=_("Mud"), marks=tuple(_mud(orchard, _))),
        *_barred(orchard, _),
        Layer(key="excluded", title=_("Trees where no shelter may hang"), marks=tuple(_excluded(plan, _))),
        Layer(key="beyond", title=_("Trees too far from a shelter"), marks=tuple(_beyond(plan, _))),
        *provision_layers(plan, _),
        Layer(key="gates", title=_("Gates and yard"), marks=tuple(_gates(orchard, plan.params.travel.keys, _))),
        Layer(key="sites", title=_("Shelter sites"), marks=tuple(_sites(plan.sites))),
    ]  # fmt: skip
    filled = tuple(layer for layer in layers if layer.marks)
    everything = [m.geometry for layer in filled for m in layer.marks]
    bounds = shapely.total_bounds(everything) if everything else np.zeros(4)
    left, bottom, right, top = (float(v) for v in bounds)
    return Scene(title=plan.params.ranch or orchard.name, layers=filled, bounds=(left, bottom, right, top))


def site_style(site: Site) -> str:
    """Style key of a site: pinned by hand, overriding a limit, or neither."""
    if site.pinned:
        return "site_pinned"
    return "site_override" if site.flags else "site"


def _sites(sites: Iterable[Site]) -> Iterator[Mark]:
    for i, site in enumerate(sites):
        yield Mark(
            geometry=Point(site.x_m, site.y_m), style=site_style(site), label=str(site.number), index=i
        )


def _blocks(orchard: Orchard, _: Text) -> Iterator[Mark]:
    for i, block in enumerate(orchard.blocks):
        note = ", ".join(filter(None, (crop_text(block.crop, _), block.cultivar)))
        yield Mark(geometry=block.polygon, style="block", label=block.block_id, note=note, index=i)


def _rows(orchard: Orchard) -> Iterator[Mark]:
    for i, block in enumerate(orchard.blocks):
        if block.rows is not None:
            for number, line in zip(block.rows.row_number, block.rows.row_line, strict=True):
                yield Mark(geometry=line, style="row", label=str(number), index=i)


def _spray_lanes(orchard: Orchard) -> Iterator[Mark]:
    for lane in orchard.spray_lanes:
        swept = lane.line.buffer(lane.swept_m / 2, cap_style="flat")
        yield Mark(geometry=swept if not swept.is_empty else lane.line, style="spray_lane", label=lane.name)
    for block in orchard.blocks:
        for alley in block.alleys:
            if alley.is_spray_lane:
                yield Mark(
                    geometry=alley.line, style="spray_alley", note=f"{alley.left_row}–{alley.right_row}"
                )


def _closures(orchard: Orchard, _: Text) -> Iterator[Mark]:
    for closure in orchard.closures:
        first, last = (day.isoformat() if day else "…" for day in (closure.first, closure.last))
        note = _("closed {first} to {last}").format(first=first, last=last)
        words = ", ".join(filter(None, (note, closure.reason)))
        yield Mark(geometry=closure.geometry, style="closure", label=closure.name, note=words)


def _mud(orchard: Orchard, _: Text) -> Iterator[Mark]:
    for source in orchard.mud_sources:
        wet = ", ".join(f"{a.isoformat()}–{b.isoformat()}" for a, b in source.wet)
        words = (
            source.texture,
            "" if source.is_clean else _("not clean: not counted"),
            _("wet {dates}").format(dates=wet) if wet else "",
            source.note,
        )
        style = "mud" if source.is_clean else "mud_bad"
        yield Mark(
            geometry=source.geometry, style=style, label=source.name, note=", ".join(filter(None, words))
        )


def _gates(orchard: Orchard, keys: str, _: Text) -> Iterator[Mark]:
    for gate in orchard.gates:
        style, note = "gate", ""
        if isinstance(gate, Gate) and gate.locked:
            style = "gate_locked"
            has_key = gate_bits(gate, keys) == gate_bits(gate, "all")
            note = _("locked, the crew has the key") if has_key else _("locked, no key")
        yield Mark(geometry=gate.geometry, style=style, label=gate.name, note=note)
    if orchard.yard is not None:
        yield Mark(geometry=orchard.yard, style="yard", label=_("Yard"))


def _features(orchard: Orchard, role: Role, style: str) -> tuple[Mark, ...]:
    return tuple(
        Mark(geometry=f.geometry, style=style, label=f.name, note=f.attributes.get("note", ""))
        for f in orchard.features
        if f.role is role
    )


_BARRED: Final = (
    ("keep_outs", Exclusion.KEEP_OUT, None, "keep_out"),
    ("hives", Exclusion.HIVES, Role.HIVES, "hives"),
    ("hazards", Exclusion.HAZARD, Role.HAZARDS, "hazard"),
    ("chemical_store", Exclusion.CHEMICAL_STORE, Role.CHEMICAL_STORE, "chemical_store"),
)
_BEYOND: Final = ("farthest_not_met", "reach_clash")
_CROWN_M: Final = 3.5
"""Radius drawn round a tree that is farther than it should be from a shelter; about half a row spacing."""


def _barred(orchard: Orchard, _: Text) -> Iterator[Layer]:
    """Keep-outs, hives, hazards and stores: what stands there, and the dashed line of its setback."""
    titles = {"keep_outs": _("Keep-outs"), "hives": _("Honey-bee hives"), "hazards": _("Hazards"),
              "chemical_store": _("Chemical store")}  # fmt: skip
    for key, rule, role, style in _BARRED:
        things = [f for f in orchard.features if role is not None and f.role is role]
        keeps = [k for k in orchard.keep_outs if k.rule == rule]
        marks = [
            Mark(geometry=s, style="setback")
            for k in keeps
            if not (s := k.geometry.buffer(k.setback_m)).is_empty
        ]
        marks += [
            Mark(geometry=k.geometry, style=style, label=k.name, note=kind_text(k.reason, _))
            for k in keeps
            if not any(k.geometry.equals(f.geometry) for f in things)
        ]
        marks += [
            Mark(geometry=f.geometry, style=style, label=f.name, note=f.attributes.get("note", ""))
            for f in things
        ]
        yield Layer(key=key, title=titles[key], marks=tuple(marks))


def _beyond(plan: Plan, _: Text) -> Iterator[Mark]:
    """Ground of the trees that a limit leaves too far from every shelter, as the findings name them."""
    for finding in plan.findings:
        if finding.code in _BEYOND and isinstance(finding.geometry, MultiPoint):
            yield Mark(geometry=finding.geometry.buffer(_CROWN_M, quad_segs=4), style="beyond", note=finding.text)


def _excluded(plan: Plan, _: Text) -> Iterator[Mark]:
    """Barred stations, one mark for each set of reasons (its flags in `index`)."""
    reasons = plan.candidates.reasons
    for flags in np.unique(reasons[reasons != 0]):
        points = plan.candidates.xy[reasons == flags]
        yield Mark(
            geometry=MultiPoint(points),
            style="excluded",
            label=exclusion_text(int(flags), _),
            index=int(flags),
        )


def voronoi_cells(points: NDArray[Any], ground: BaseGeometry) -> NDArray[Any]:
    """Cells (n,) of points (n,) in no order, at least over `ground`, each a valid polygon."""
    cells: NDArray[Any] = shapely.get_parts(shapely.voronoi_polygons(shapely.MultiPoint(points), extend_to=shapely.envelope(ground)))
    # GEOS leaves corners that cross by a rounding, which no later operation takes; a cell is convex, so its hull is the cell
    broken = ~shapely.is_valid(cells)
    cells[broken] = shapely.convex_hull(cells[broken])
    return cells


def _catchments(plan: Plan) -> Iterator[Mark]:
    """Ground nearer to each site than to any other, cut at the blocks' edges."""
    if len(plan.sites) < 2:
        return
    points = shapely.points([(s.x_m, s.y_m) for s in plan.sites])
    ground = shapely.union_all([b.polygon for b in plan.orchard.blocks])
    cells = voronoi_cells(points, ground)
    tree = shapely.STRtree(cells)
    cell_of, site = tree.query(points, predicate="intersects")[::-1]
    shapely.prepare(ground)
    inside = np.where(shapely.contains_properly(ground, cells), cells, None)  # type: ignore[call-overload]
    for i, k in sorted(zip(site.tolist(), cell_of.tolist(), strict=True)):
        cell = inside[k] if inside[k] is not None else shapely.intersection(cells[k], ground)
        yield Mark(geometry=cell, style="catchment", index=i)
