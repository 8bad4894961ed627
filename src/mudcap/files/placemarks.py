"""Placemarks of a KML whose folder says no role: what their own names say, and points that can be no block."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import shapely
from shapely.geometry.base import BaseGeometry

from mudcap.files.names import named
from mudcap.files.raw import CLOSE_SHARE, RawFeature, RawLayer, ReadNote
from mudcap.files.roles import bars_by_name, goes_round, is_fence, is_named_lane, role_by_name
from mudcap.lang import _, _n
from mudcap.orchard.model import Role
from mudcap.orchard.names import role_text


@dataclass(slots=True, kw_only=True)
class _Sorted:
    """Placemarks by what is made of them."""

    roles: dict[Role | None, list[RawFeature]] = field(default_factory=dict)
    by_name: dict[Role, list[str]] = field(default_factory=dict)
    """Labels of those whose own name gave the role."""
    lost: list[str] = field(default_factory=list)
    """Labels of points that are left out."""


def is_silent_kml(layer: RawLayer) -> bool:
    """True for a folder of a KML or KMZ whose name says no role."""
    return layer.file.lower().endswith((".kml", ".kmz")) and role_by_name(layer.layer) is None and not bars_by_name(layer.layer)


def holds_points_only(layers: Sequence[RawLayer]) -> bool:
    """True where no feature is anything but a point."""
    return all(_is_point(f.geometry) for layer in layers for f in layer.features)


def sort_placemarks(
    layer: RawLayer, features: Sequence[RawFeature], role: Role | None, notes: list[ReadNote]
) -> dict[Role | None, tuple[RawFeature, ...]]:
    """Placemarks that would have `role` (None: no one knows), by the role that each has after a look at its own name.

    An area called as a house, pond, well or barn is a keep-out, and so is a line called a fence; points and open lines have the role that their name says.
    Points without one are left out aloud where they would be blocks or nobody knows. What was made of names goes to `notes`.
    """
    out = _Sorted()
    for feature in features:
        own = _own_role(feature)
        if own is not None:
            out.by_name.setdefault(own, []).append(feature.label)
        elif role in (None, Role.BLOCKS) and _is_point(feature.geometry):
            out.lost.append(feature.label)
            continue
        out.roles.setdefault(own or role, []).append(feature)
    notes += _told(layer, out)
    return {r: tuple(f) for r, f in out.roles.items()}


def _own_role(feature: RawFeature) -> Role | None:
    shape = feature.geometry
    if shape is None or feature.walked or not feature.name:
        return None
    if all(p.geom_type == "Polygon" for p in shapely.get_parts(shape)):
        return Role.KEEP_OUTS if bars_by_name(feature.name) else None
    if shape.geom_type == "LineString" and is_fence(feature.name):
        return Role.KEEP_OUTS
    if _is_point(shape) or _is_open(shape) or (shape.geom_type == "LineString" and goes_round(feature.name)):
        role = role_by_name(feature.name)
        return None if role is Role.BLOCKS else role
    return None


def _is_point(shape: BaseGeometry | None) -> bool:
    return shape is not None and shape.geom_type in ("Point", "MultiPoint")


def _is_open(shape: BaseGeometry) -> bool:
    if shape.geom_type != "LineString":
        return False
    ends = shapely.get_coordinates(shape)[[0, -1]]
    return bool(((ends[0] - ends[1]) ** 2).sum() ** 0.5 > CLOSE_SHARE * shape.length)


def _told(layer: RawLayer, found: _Sorted) -> list[ReadNote]:
    said = []
    for role, names in found.by_name.items():
        text = _n(
            "{layer}: {names} is taken for what its name says ({role}). If it is something else, call it otherwise or give the layer its "
            "role in mudcap.toml.",
            "{layer}: {names} are taken for what their names say ({role}). If they are something else, call them otherwise or give the "
            "layer its role in mudcap.toml.",
            len(names),
        ).format(layer=layer.title, names=named(names), role=role_text(role, _))
        is_guess = role is Role.KEEP_OUTS or any(is_named_lane(name) for name in names)
        said.append(ReadNote(code="role_by_name", text=text, level="warning" if is_guess else "note", layer=layer.title))
    if found.lost:
        text = _n(
            "{layer}: the point {names} was left out, for a point is no block and its name says no other role. Move it into a folder "
            "called by what it is (yard, gates, water points), draw it as an area if it is a keep-out, or give the layer a role in "
            "mudcap.toml.",
            "{layer}: the points {names} were left out, for a point is no block and their names say no other role. Move them into folders "
            "called by what they are (yard, gates, water points), draw them as areas if they are keep-outs, or give the layer a role in "
            "mudcap.toml.",
            len(found.lost),
        ).format(layer=layer.title, names=named(found.lost))
        said.append(ReadNote(code="points_left_out", text=text, layer=layer.title))
    return said
