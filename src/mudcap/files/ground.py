"""Everything of a ranch that is no block: roads, lanes, mud, keep-outs, trees, rows, closures and the rest."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, Point
from shapely.geometry.base import BaseGeometry

from mudcap.files.columns import ColumnError
from mudcap.files.drawn import flat_parts
from mudcap.files.lonlat import RoledLayer
from mudcap.files.names import clean_name
from mudcap.files.raw import RawFeature
from mudcap.files.travel import read_bridge, read_closed, read_locked, read_modes, read_one_way, read_span
from mudcap.geo.plane import LocalPlane
from mudcap.geo.rings import repair
from mudcap.lang import _, _n
from mudcap.orchard.model import (
    MODES,
    AlleyRule,
    Closure,
    Exclusion,
    Feature,
    Finding,
    FindingLevel,
    Gate,
    KeepOut,
    MudSource,
    Road,
    Role,
    RowLine,
    SprayLane,
    TreePoints,
)
from mudcap.orchard.names import role_text
from mudcap.place.params import AccessParams

ROAD_WIDTH_M = 5.0
"""Farm road without a width; common practice, no source."""
SWEPT_M = 14 * 0.3048
"""Width an orchard sprayer sweeps where the layer does not say: 14 ft, common practice, no source."""


@dataclass(slots=True, kw_only=True)
class Ground:
    """What is gathered while layers are read; becomes fields of the Orchard."""

    plane: LocalPlane
    access: AccessParams
    roads: list[Road] = field(default_factory=list)
    alley_rules: list[AlleyRule] = field(default_factory=list)
    spray_lanes: list[SprayLane] = field(default_factory=list)
    mud_sources: list[MudSource] = field(default_factory=list)
    keep_outs: list[KeepOut] = field(default_factory=list)
    closures: list[Closure] = field(default_factory=list)
    gates: list[Feature] = field(default_factory=list)
    features: list[Feature] = field(default_factory=list)
    yard: Point | None = None
    tree_points: list[TreePoints] = field(default_factory=list)
    row_lines: list[RowLine] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)

    def say(self, level: FindingLevel, code: str, layer: RoledLayer, feature: str, text: str) -> None:
        """Add a finding."""
        self.findings.append(Finding(level=level, code=code, layer=layer.title, feature=feature, text=text))


def add_layer(ground: Ground, layer: RoledLayer) -> None:
    """Add one layer that is no block layer to the ground; what cannot be used becomes a finding."""
    if layer.role is Role.TREES:
        _add_trees(ground, layer)
        return
    adder = _ADDERS.get(layer.role, _add_feature)
    for feature in layer.features:
        name = _name(layer, feature)
        try:
            shape = _shape(ground, layer, feature, name)
            if shape is not None:
                adder(ground, layer, feature, name, shape)
        except ColumnError as error:
            text = _("{layer}, {name}: {why} Left out; correct it and run again.").format(
                layer=layer.title, name=name, why=error
            )
            ground.say("error", "bad_attribute", layer, name, text)


def _name(layer: RoledLayer, feature: RawFeature) -> str:
    found = feature.name or layer.columns.text(feature.attributes, "name")
    return clean_name(found) or f"{layer.role.value.replace('_', ' ')} {feature.number}"


def _shape(ground: Ground, layer: RoledLayer, feature: RawFeature, name: str) -> BaseGeometry | None:
    """A valid plane geometry of a feature; None with a finding where it has none."""
    broken = next((n.text for n in feature.notes if n.level == "error"), "")
    if feature.geometry is None:
        text = _("{layer}, {name}: {why}; left out.").format(
            layer=layer.title, name=name, why=broken or _("it has no shape")
        )
        ground.say("warning", "no_geometry", layer, name, text)
        return None
    shape = ground.plane.geometry_to_plane(feature.geometry)
    if not np.isfinite(shapely.get_coordinates(shape)).all():
        text = _("{layer}, {name}: lies too far from the blocks; left out.").format(layer=layer.title, name=name)
        ground.say("warning", "far_away", layer, name, text)
        return None
    return _mended(ground, layer, name, shape)


def _mended(ground: Ground, layer: RoledLayer, name: str, shape: BaseGeometry) -> BaseGeometry | None:
    parts: list[BaseGeometry] = []
    for part in flat_parts(shape):
        if part.geom_type != "Polygon" or part.is_valid:
            parts.append(part)
            continue
        done = repair(part)
        text = _("{layer}, {name}: its outline was mended.").format(layer=layer.title, name=name)
        if done.polygon is not None:
            parts.append(done.polygon)
        else:
            text = _("{layer}, {name}: its outline encloses no area; left out.").format(layer=layer.title, name=name)
        ground.say("warning", "mended", layer, name, text)
    if not parts:
        return None
    return parts[0] if len(parts) == 1 else shapely.union_all(parts)


def _lines(ground: Ground, layer: RoledLayer, name: str, shape: BaseGeometry) -> Iterator[LineString]:
    found = [p for p in flat_parts(shape) if p.geom_type in ("LineString", "LinearRing") and p.length > 0.01]
    if not found:
        text = _("{layer}, {name}: no line; {role} are drawn as lines. Left out.").format(
            layer=layer.title, name=name, role=role_text(layer.role, _)
        )
        ground.say("warning", "not_a_line", layer, name, text)
    for part in found:
        yield LineString(part.coords)


def _add_road(ground: Ground, layer: RoledLayer, feature: RawFeature, name: str, shape: BaseGeometry) -> None:
    row, columns = feature.attributes, layer.columns
    width = columns.length_m(row, "width")
    one_way = read_one_way(columns, row)
    modes, bridge, closed = read_modes(columns, row) or MODES, read_bridge(columns, row), read_closed(columns, row)
    for line in _lines(ground, layer, name, shape):
        ground.roads.append(
            Road(
                name=name, line=line.reverse() if one_way < 0 else line, width_m=width or ROAD_WIDTH_M,
                surface=columns.text(row, "surface"), modes=modes, one_way=bool(one_way), bridge=bridge, closed=closed,
            )
        )  # fmt: skip


def _add_alley(ground: Ground, layer: RoledLayer, feature: RawFeature, name: str, shape: BaseGeometry) -> None:
    row, columns = feature.attributes, layer.columns
    one_way = read_one_way(columns, row)
    modes, closed = read_modes(columns, row), read_closed(columns, row)
    for line in _lines(ground, layer, name, shape):
        drawn = line.reverse() if one_way < 0 else line
        ground.alley_rules.append(
            AlleyRule(name=name, line=drawn, one_way=bool(one_way), modes=modes, closed=closed)
        )


def _add_lane(ground: Ground, layer: RoledLayer, feature: RawFeature, name: str, shape: BaseGeometry) -> None:
    row, columns = feature.attributes, layer.columns
    swept = columns.length_m(row, "swept") or columns.length_m(row, "width") or SWEPT_M
    for line in _lines(ground, layer, name, shape):
        ground.spray_lanes.append(SprayLane(name=name, line=line, swept_m=swept))


def _add_mud(ground: Ground, layer: RoledLayer, feature: RawFeature, name: str, shape: BaseGeometry) -> None:
    row, columns = feature.attributes, layer.columns
    clay = columns.number(row, "clay")
    if clay is not None and not 0 <= clay <= 100:
        raise ColumnError(_("clay: {value:g} is no percentage.").format(value=clay))
    wet = read_span(columns, row, "wet_from", "wet_to", "wet")
    ground.mud_sources.append(
        MudSource(
            name=name, geometry=shape, texture=columns.text(row, "texture").lower(),
            clay_share=None if clay is None else clay / 100, is_clean=columns.flag(row, "clean", True),
            wet=(wet,) if wet else (), note=columns.text(row, "note"),
        )
    )  # fmt: skip


def _add_keep_out(ground: Ground, layer: RoledLayer, feature: RawFeature, name: str, shape: BaseGeometry) -> None:
    access = ground.access
    kind = layer.columns.text(feature.attributes, "kind")
    usual, reason, rule = {
        Role.KEEP_OUTS: (access.keep_out_m, kind or name, Exclusion.KEEP_OUT),
        Role.HIVES: (access.hives_m, "hives", Exclusion.HIVES),
        Role.HAZARDS: (access.hazard_m, kind or "hazard", Exclusion.HAZARD),
        Role.CHEMICAL_STORE: (access.chemical_store_m, "chemical store", Exclusion.CHEMICAL_STORE),
    }[layer.role]
    own = layer.columns.length_m(feature.attributes, "setback")
    setback = usual if own is None else own
    passable = layer.columns.flag(feature.attributes, "passable", False) if layer.columns.text(feature.attributes, "passable") else None
    ground.keep_outs.append(
        KeepOut(name=name, geometry=shape, setback_m=setback, reason=reason, rule=rule, passable=passable)
    )
    if layer.role is not Role.KEEP_OUTS:
        _add_feature(ground, layer, feature, name, shape)


def _add_closure(ground: Ground, layer: RoledLayer, feature: RawFeature, name: str, shape: BaseGeometry) -> None:
    row, columns = feature.attributes, layer.columns
    first, last = columns.day(row, "from"), columns.day(row, "to")
    if first and last:
        read_span(columns, row, "from", "to", "closure")
    reason = columns.text(row, "kind") or columns.text(row, "note")
    ground.closures.append(Closure(name=name, geometry=shape, first=first, last=last, reason=reason))


def _add_gate(ground: Ground, layer: RoledLayer, feature: RawFeature, name: str, shape: BaseGeometry) -> None:
    point = shape if shape.geom_type == "Point" else shape.centroid
    locked = read_locked(layer.columns, feature.attributes)
    modes = read_modes(layer.columns, feature.attributes) or MODES
    if not locked and modes == MODES:
        ground.gates.append(Feature(role=Role.GATES, name=name, geometry=point, attributes=feature.attributes))
        return
    has_key = layer.columns.flag(feature.attributes, "keys", False)
    ground.gates.append(
        Gate(
            role=Role.GATES, name=name, geometry=point, attributes=feature.attributes, locked=locked, modes=modes,
            has_key=has_key,
        )
    )  # fmt: skip


def _add_yard(ground: Ground, layer: RoledLayer, feature: RawFeature, name: str, shape: BaseGeometry) -> None:
    point = shape if shape.geom_type == "Point" else shape.representative_point()
    if ground.yard is None:
        ground.yard = point
    else:
        text = _("{layer}, {name}: a second yard; rounds start at the first one.").format(layer=layer.title, name=name)
        ground.say("warning", "second_yard", layer, name, text)
    _add_feature(ground, layer, feature, name, shape)


def _add_row(ground: Ground, layer: RoledLayer, feature: RawFeature, name: str, shape: BaseGeometry) -> None:
    row, columns = feature.attributes, layer.columns
    number = columns.number(row, "row")
    row_m, tree_m = columns.spacing_m(row, "row_spacing"), columns.spacing_m(row, "tree_spacing")
    for line in _lines(ground, layer, name, shape):
        ground.row_lines.append(
            RowLine(
                layer=layer.title, line=line, number=None if number is None else int(number), row_spacing_m=row_m, tree_spacing_m=tree_m
            )
        )  # fmt: skip


def _add_feature(ground: Ground, layer: RoledLayer, feature: RawFeature, name: str, shape: BaseGeometry) -> None:
    ground.features.append(Feature(role=layer.role, name=name, geometry=shape, attributes=feature.attributes))


_ADDERS: dict[Role, Callable[[Ground, RoledLayer, RawFeature, str, BaseGeometry], None]] = {
    Role.ROADS: _add_road,
    Role.ALLEYS: _add_alley,
    Role.SPRAY_LANES: _add_lane,
    Role.MUD_SOURCES: _add_mud,
    Role.KEEP_OUTS: _add_keep_out,
    Role.HIVES: _add_keep_out,
    Role.HAZARDS: _add_keep_out,
    Role.CHEMICAL_STORE: _add_keep_out,
    Role.CLOSURES: _add_closure,
    Role.GATES: _add_gate,
    Role.YARD: _add_yard,
    Role.ROWS: _add_row,
}


def _add_trees(ground: Ground, layer: RoledLayer) -> None:
    """Trees of a layer as one struct of arrays."""
    good = [f for f in layer.features if f.geometry is not None and f.geometry.geom_type in ("Point", "MultiPoint")]
    if len(good) < len(layer.features):
        text = _n(
            "{layer}: {count} feature that is no point was left out; trees are points.",
            "{layer}: {count} features that are no points were left out; trees are points.",
            len(layer.features) - len(good),
        ).format(layer=layer.title, count=len(layer.features) - len(good))
        ground.say("warning", "not_a_point", layer, "", text)
    if not good:
        return
    coords, owner = shapely.get_coordinates([f.geometry for f in good], return_index=True)
    xy = ground.plane.to_plane(coords)
    try:
        row, tree, weight = (_numbers(layer, good, owner, n) for n in ("row", "tree", "weight"))
    except ColumnError as error:
        text = _("{layer}: {why} The column was not used.").format(layer=layer.title, why=error)
        ground.say("error", "bad_attribute", layer, "", text)
        row = tree = weight = None
    order = np.lexsort((xy[:, 1].round(2), xy[:, 0].round(2)))
    same = (np.abs(np.diff(xy[order], axis=0)) < 0.05).all(axis=1)
    if same.any():
        keep = np.sort(np.r_[order[0], order[1:][~same]])
        text = _n(
            "{layer}: {count} tree stands on the same spot as another; counted once.",
            "{layer}: {count} trees stand on the same spot as another; counted once.",
            int(same.sum()),
        ).format(
            layer=layer.title, count=int(same.sum())
        )
        ground.say("warning", "doubled_trees", layer, "", text)
        xy = xy[keep]
        row, tree, weight = (None if a is None else a[keep] for a in (row, tree, weight))
    xy.setflags(write=False)
    ground.tree_points.append(
        TreePoints(
            layer=layer.title, xy=xy, weight=weight,
            row=None if row is None else row.astype(np.int64), tree=None if tree is None else tree.astype(np.int64),
        )
    )  # fmt: skip


def _numbers(
    layer: RoledLayer, features: Sequence[RawFeature], owner: NDArray[np.int64], name: str
) -> NDArray[np.float64] | None:
    """A number for each tree, None where the layer does not give it for every tree."""
    values = [layer.columns.number(f.attributes, name) for f in features]
    if all(v is None for v in values):
        return None
    if any(v is None for v in values):
        raise ColumnError(_("{name}: missing for some trees.").format(name=name))
    return np.array(values, float)[owner]
