"""Blocks: the only place where one is made of what was read, and so the only place where an unsound one could slip in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from mudcap.files.codes import block_codes
from mudcap.files.columns import ColumnError, Columns
from mudcap.files.lonlat import RoledLayer
from mudcap.files.names import clean_name
from mudcap.files.raw import RawFeature
from mudcap.files.said import LOUD, repair_text, track_text, with_acres
from mudcap.geo.plane import LocalPlane, geodesic_area_m2
from mudcap.geo.rings import Repair, Repaired, repair, thin
from mudcap.geo.tracks import join_open, walked_ring
from mudcap.geo.units import acres
from mudcap.lang import _
from mudcap.orchard.model import Block, Finding, FindingLevel

REFUSED_SHARE = 0.01
"""Repairs that change more of a block's area than this need a yes; the project's own rule."""
WOBBLE_M = 1.0
"""Tolerance to which a walked outline is thinned, below the noise of a handheld; common practice, no source."""
CLOSE_SHARE = 0.1
"""A drawn line whose ends lie nearer than this share of its length is read as an outline."""
_CORNERS = {"N", "E", "S", "W", "NE", "NW", "SE", "SW"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drawn:
    """One block as drawn: a feature, or several tracks or table rows that make one outline."""

    layer: RoledLayer
    name: str
    features: tuple[RawFeature, ...]
    shape: BaseGeometry | None
    """Longitude and latitude; polygons and lines as drawn, unrepaired."""
    walked: bool


def drawn_blocks(layers: Sequence[RoledLayer]) -> tuple[list[Drawn], list[Finding]]:
    """The blocks as drawn in all layers of that role, before any repair; label points beside outlines are left out."""
    out: list[Drawn] = []
    findings: list[Finding] = []
    for layer in layers:
        layer = _without_labels(layer, findings)
        if layer.from_table:
            out += _from_corners(layer)
        elif any(f.walked == "track" for f in layer.features):
            out += _from_tracks(layer)
        else:
            out += [_drawn(layer, (f,), len(layers)) for f in layer.features]
    return out, findings


def _without_labels(layer: RoledLayer, findings: list[Finding]) -> RoledLayer:
    points = [f for f in layer.features if f.geometry is not None and f.geometry.geom_type in ("Point", "MultiPoint")]
    if layer.from_table or not points or len(points) == sum(f.geometry is not None for f in layer.features):
        return layer
    text = _("{layer}: {count} points beside the outlines were left out.").format(layer=layer.title, count=len(points))
    findings.append(_finding("warning", "points_left_out", layer.title, "", text))
    return replace(layer, features=tuple(f for f in layer.features if f not in points))


def _drawn(layer: RoledLayer, features: tuple[RawFeature, ...], num_layers: int) -> Drawn:
    shapes = [f.geometry for f in features if f.geometry is not None]
    shape = shapes[0] if len(shapes) == 1 else shapely.GeometryCollection(shapes) if shapes else None
    return Drawn(
        layer=layer,
        name=_name(layer, features[0], num_layers),
        features=features,
        shape=shape,
        walked=any(f.walked == "track" for f in features),
    )


def _name(layer: RoledLayer, feature: RawFeature, num_layers: int) -> str:
    row = feature.attributes
    name = feature.name or layer.columns.text(row, "id")
    if name.isdigit() and not feature.name and "id" not in layer.columns.fields:
        name = next((v for k, v in row.items() if k.lower() in {"name", "nombre"} and v), name)
    if name:
        return clean_name(name)
    if len(layer.features) == 1:
        return clean_name(layer.stem) or "Block 1"
    return f"Block {feature.number}" if num_layers == 1 else clean_name(f"{layer.stem} {feature.number}")


def _from_tracks(layer: RoledLayer) -> list[Drawn]:
    """A block a track; tracks that are open one by one but close together are one block."""
    usable = [f for f in layer.features if f.geometry is not None]
    if not usable:
        return [_drawn(layer, (f,), 2) for f in layer.features]
    lost = [f for f in layer.features if f.geometry is None]
    tracks = [f for f in usable if f.walked == "track"]
    plane = LocalPlane.around([shapely.get_coordinates(f.geometry)[0] for f in usable])
    groups = join_open([_segments(f.geometry, plane) for f in tracks])
    joined = [_drawn(layer, tuple(tracks[i] for i in g), 2) for g in groups]
    return joined + [_drawn(layer, (f,), 2) for f in [*(f for f in usable if f.walked != "track"), *lost]]


def _segments(shape: BaseGeometry | None, plane: LocalPlane) -> list[NDArray[np.float64]]:
    return [
        shapely.get_coordinates(plane.geometry_to_plane(p)) for p in _flat(shape) if p.geom_type in ("LineString", "LinearRing")
    ]  # fmt: skip


def _flat(shape: BaseGeometry | None) -> list[BaseGeometry]:
    if shape is None:
        return []
    parts = list(shapely.get_parts(shape))
    while any(p.geom_type.startswith(("Multi", "GeometryCollection")) for p in parts):
        parts = [q for p in parts for q in shapely.get_parts(p)]
    return parts


def _from_corners(layer: RoledLayer) -> list[Drawn]:
    """A block of each group of table rows with one name, corners in row order or by an order column."""
    groups: dict[str, list[RawFeature]] = {}
    for feature in layer.features:
        groups.setdefault(layer.columns.text(feature.attributes, "id"), []).append(feature)
    out = []
    for name, members in groups.items():
        if all(layer.columns.text(f.attributes, "order") for f in members):
            members = sorted(members, key=lambda f: _order(layer.columns, f))
        corners = np.vstack([shapely.get_coordinates(f.geometry) for f in members])
        ring = corners if len(corners) < 3 else np.vstack([corners, corners[:1]])
        shape = shapely.LineString(ring) if len(ring) > 1 else members[0].geometry
        title = name or (clean_name(layer.stem) if len(groups) == 1 else "Block 1")
        out.append(Drawn(layer=layer, name=title, features=tuple(members), shape=shape, walked=False))
    return out


def _order(columns: Columns, feature: RawFeature) -> float:
    try:
        return columns.number(feature.attributes, "order") or 0.0
    except ColumnError:
        return 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Outline:
    """A block's valid polygon in the plane, or why there is none."""

    polygon: Polygon | MultiPolygon | None
    lonlat: BaseGeometry | None
    """The polygon as read, where nothing changed it."""


def make_blocks(
    drawn: Sequence[Drawn],
    plane: LocalPlane,
    overrides: Mapping[str, Mapping[str, str]],
    crop: str,
    accept_repairs: bool,
    codes: Mapping[str, str],
) -> tuple[list[Block], list[Finding]]:
    """Valid blocks, every ground in one of them at most, and a finding for each repair and each refusal."""
    findings: list[Finding] = []
    names = _unique_names(drawn, findings)
    coded = block_codes(names, codes)
    blocks: list[Block] = []
    for d, name in zip(drawn, names, strict=True):
        outline = _outline(d, name, plane, accept_repairs, findings)
        if outline is None:
            continue
        block = _block(d, name, coded[name], outline, plane, crop, overrides.get(name, {}), findings)
        if block is not None:
            blocks.append(block)
    for name in overrides:
        if name not in names:
            text = _('mudcap.toml: [blocks."{name}"] names no block that was read.').format(name=name)
            findings.append(_finding("warning", "unknown_block", "mudcap.toml", name, text))
    return blocks, findings


def _finding(
    level: FindingLevel, code: str, layer: str, feature: str, text: str, acres_changed: float | None = None,
    geometry: BaseGeometry | None = None,
) -> Finding:  # fmt: skip
    return Finding(
        level=level, code=code, layer=layer, feature=feature, text=text, acres_changed=acres_changed, geometry=geometry
    )


def _unique_names(drawn: Sequence[Drawn], findings: list[Finding]) -> list[str]:
    names: list[str] = []
    for d in drawn:
        name, copy = d.name, 2
        while name in names:
            name, copy = f"{d.name} ({copy})", copy + 1
        if name != d.name:
            text = _("Block {name}: the name is there twice; this one is called {other} here. Rename it in the file.").format(
                name=d.name, other=name
            )
            findings.append(_finding("warning", "same_name", d.layer.title, name, text))
        names.append(name)
    return names


def _outline(
    d: Drawn, name: str, plane: LocalPlane, accept: bool, findings: list[Finding]
) -> _Outline | None:
    """The block's valid outline; None with an error finding where there is none."""

    def refuse(code: str, text: str, change: float | None = None) -> None:
        findings.append(_finding("error", code, d.layer.title, name, text, change))

    notes = [n for f in d.features for n in f.notes]
    broken = next((n.text for n in notes if n.level == "error"), "")
    if d.shape is None:
        why = broken or _("it has no shape")
        refuse("no_geometry", _("Block {name}: {why}; left out. Draw it again.").format(name=name, why=why))
        return None
    shape, repairs, closed = _areas(d, name, plane, findings, refuse)
    if shape is None:
        return None
    done = repair(shape)
    if d.layer.from_table and any(r.code in {"bow_tie", "self_crossing"} for r in done.repairs):
        refuse(
            "corners_out_of_order",
            _("Block {name}: its corners seem out of order, for the outline crosses itself. Sort the rows or add a column order.").format(name=name),
        )  # fmt: skip
        return None
    if done.polygon is None:
        why = _("its outline is a scribble") if done.refusal == "scribble" else _("its outline encloses no area")
        refuse(done.refusal, _("Block {name}: {why}; left out. Draw it again.").format(name=name, why=why))
        return None
    polygon = done.polygon
    all_repairs = [*repairs, *done.repairs]
    if d.walked:
        polygon, thinned = thin(polygon, WOBBLE_M)
        all_repairs += [thinned] if thinned else []
    return _judged(d, name, polygon, done, all_repairs, closed, accept, findings, notes)


def _judged(
    d: Drawn, name: str, polygon: Polygon | MultiPolygon, done: Repaired, repairs: list[Repair], closed: bool,
    accept: bool, findings: list[Finding], notes: Sequence[object],
) -> _Outline | None:  # fmt: skip
    total = replace(done, repairs=tuple(repairs))
    for r in repairs:
        level: FindingLevel = "warning" if r.code in LOUD else "note"
        text = with_acres(repair_text(r.code, r.count), r)
        findings.append(
            _finding(
                level, r.code, d.layer.title, name, _("Block {name}: {text}.").format(name=name, text=text),
                acres(r.area_change_m2), polygon,
            )
        )  # fmt: skip
    for code in dict.fromkeys(n.code for f in d.features for n in f.notes if n.code in LOUD):
        text = _("Block {name}: {text}.").format(name=name, text=repair_text(code, 1))
        findings.append(_finding("warning", code, d.layer.title, name, text, 0.0, polygon))
    if total.change_share > REFUSED_SHARE and not accept:
        change = sum(r.area_change_m2 for r in repairs if not r.exempt)
        text = _(
            "Block {name}: repairs would change {share:.1%} of its area ({change:+.3f} acres); left out. "
            "Draw it again, or take the repairs with --accept-repairs."
        ).format(name=name, share=total.change_share, change=acres(change))
        findings.append(_finding("error", "repair_too_large", d.layer.title, name, text, acres(change), polygon))
        return None
    exact = not repairs and not d.walked and not closed and d.shape is not None and not notes
    return _Outline(polygon=polygon, lonlat=d.shape if exact else None)


def _areas(
    d: Drawn, name: str, plane: LocalPlane, findings: list[Finding], refuse: object
) -> tuple[BaseGeometry | None, list[Repair], bool]:
    """What of a drawn shape can be an area, in the plane, as drawn; and whether a line was closed for it."""
    assert callable(refuse)
    parts = _flat(d.shape)
    polygons = [plane.geometry_to_plane(p) for p in parts if p.geom_type == "Polygon"]
    lines = [p for p in parts if p.geom_type in ("LineString", "LinearRing")]
    points = sum(p.geom_type == "Point" for p in parts)
    if polygons:
        if lines or points:
            text = _("Block {name}: {count} points and lines beside its area were left out.").format(
                name=name, count=len(lines) + points
            )
            findings.append(_finding("warning", "parts_left_out", d.layer.title, name, text))
        return (polygons[0] if len(polygons) == 1 else MultiPolygon(polygons)), [], False
    if not lines:
        refuse(
            "no_outline",
            _("Block {name}: only points, and a block needs an outline; left out. Draw it, or walk it as a track.").format(name=name),
        )  # fmt: skip
        return None, [], False
    return _closed(d, name, lines, plane, findings, refuse)


def _closed(
    d: Drawn, name: str, lines: list[BaseGeometry], plane: LocalPlane, findings: list[Finding], refuse: object
) -> tuple[BaseGeometry | None, list[Repair], bool]:
    assert callable(refuse)
    segments = [shapely.get_coordinates(plane.geometry_to_plane(p)) for p in lines]
    rings = [s for s in segments if len(s) >= 4 and np.hypot(*(s[0] - s[-1])) < 0.01]
    if len(rings) == len(segments) and not d.walked:
        if not d.layer.from_table:
            text = _("Block {name}: {text}.").format(name=name, text=repair_text("closed_line", 1))
            findings.append(_finding("warning", "closed_line", d.layer.title, name, text, 0.0))
        shapes = [Polygon(r) for r in rings]
        return (shapes[0] if len(shapes) == 1 else MultiPolygon(shapes)), [], True
    if all(f.walked == "route" for f in d.features) and len(segments) == 1 and len(segments[0]) >= 3:
        segments = [np.vstack([segments[0], segments[0][:1]])]  # a route's points are corners set one by one
    walked = walked_ring(segments)
    length = sum(float(np.hypot(*np.diff(s, axis=0).T).sum()) for s in segments)
    if walked.ring is None or (not d.walked and walked.gap_m > CLOSE_SHARE * length):
        why = (
            _("the line is open by {metres:.0f} m ({feet:.0f} ft)").format(metres=walked.gap_m, feet=walked.gap_m / 0.3048)
            if walked.refusal != "too_short" else _("too few positions for an outline")
        )  # fmt: skip
        refuse("open_line", _("Block {name}: {why}; left out. Close it, or walk it again.").format(name=name, why=why))
        return None, [], False
    for change in walked.changes:
        level: FindingLevel = "warning" if change.code in LOUD else "note"
        text = _("Block {name}: {text}.").format(name=name, text=track_text(change))
        findings.append(_finding(level, change.code, d.layer.title, name, text, acres(change.area_change_m2)))
    if not d.walked:
        text = _("Block {name}: {text}.").format(name=name, text=repair_text("closed_line", 1))
        findings.append(_finding("warning", "closed_line", d.layer.title, name, text, 0.0))
    return Polygon(walked.ring), [], True


def _block(
    d: Drawn, name: str, code: str, outline: _Outline, plane: LocalPlane, crop: str, override: Mapping[str, str],
    findings: list[Finding],
) -> Block | None:  # fmt: skip
    assert outline.polygon is not None
    source = outline.lonlat if outline.lonlat is not None else plane.geometry_to_lonlat(outline.polygon)
    area = geodesic_area_m2(source)
    facts: dict[str, object] = {}
    row = {k: v for f in d.features[:1] for k, v in f.attributes.items()}
    for columns, cells in ((d.layer.columns, row), (Columns(), override)):
        try:
            facts |= {k: v for k, v in _facts(columns, cells).items() if v not in (None, "")}
        except ColumnError as error:
            text = _("Block {name}: {why} Left out; correct it and run again.").format(name=name, why=error)
            findings.append(_finding("error", "bad_attribute", d.layer.title, name, text))
            return None
    if not facts.get("crop"):
        facts["crop"] = crop
    parts = len(shapely.get_parts(outline.polygon))
    if parts > 1:
        text = _("Block {name}: {count} separate parts, planned as one block.").format(name=name, count=parts)
        findings.append(_finding("note", "multi_part", d.layer.title, name, text, geometry=outline.polygon))
    return Block(
        block_id=name, code=code, layer=d.layer.title, polygon=outline.polygon, acres=acres(area), attributes=row, **facts  # type: ignore[arg-type]
    )  # fmt: skip


def _facts(columns: Columns, row: Mapping[str, str]) -> dict[str, object]:
    bearing = columns.number(row, "bearing")
    if bearing is not None and not -360 <= bearing <= 360:
        raise ColumnError(_("bearing: {value:g} is no bearing from 0 to 360 degrees.").format(value=bearing))
    corner = columns.text(row, "corner").upper()
    if corner and corner not in _CORNERS:
        raise ColumnError(_("corner: '{word}' is none of NE, NW, SE, SW (or N, E, S, W).").format(word=corner))
    return {
        "crop": columns.text(row, "crop").lower(),
        "cultivar": columns.text(row, "cultivar"),
        "row_bearing_deg": None if bearing is None else bearing % 360,
        "row_spacing_m": _spacing(columns, row, "row_spacing"),
        "tree_spacing_m": _spacing(columns, row, "tree_spacing"),
        "headland_m": columns.length_m(row, "headland"),
        "corner": corner,
        "trellis": columns.flag(row, "trellis", False) or None,
    }


def _spacing(columns: Columns, row: Mapping[str, str], name: str) -> float | None:
    value = columns.length_m(row, name)
    if value is not None and not 0.2 <= value <= 30:
        raise ColumnError(
            _("{name}: {metres:.2f} m ({feet:.1f} ft) is no spacing of trees; is the unit right?").format(
                name=name, metres=value, feet=value / 0.3048
            )
        )
    return value
