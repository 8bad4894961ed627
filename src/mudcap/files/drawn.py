"""Blocks as drawn: which features make one outline, and what it is called, before anything is mended."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from mudcap.files.columns import ColumnError, Columns
from mudcap.files.lonlat import RoledLayer
from mudcap.files.names import clean_name
from mudcap.files.raw import RawFeature
from mudcap.geo.plane import LocalPlane
from mudcap.geo.tracks import join_open
from mudcap.lang import _n
from mudcap.orchard.model import Finding


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
    text = _n(
        "{layer}: {count} point beside the outlines was left out.",
        "{layer}: {count} points beside the outlines were left out.",
        len(points),
    ).format(layer=layer.title, count=len(points))
    findings.append(Finding(level="warning", code="points_left_out", layer=layer.title, feature="", text=text))
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
        return clean_name(layer.stem) or "No 1"
    return f"No {feature.number}" if num_layers == 1 else clean_name(f"{layer.stem} {feature.number}")


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
        shapely.get_coordinates(plane.geometry_to_plane(p)) for p in flat_parts(shape) if p.geom_type in ("LineString", "LinearRing")
    ]  # fmt: skip


def flat_parts(shape: BaseGeometry | None) -> list[BaseGeometry]:
    """The simple geometries that a geometry is made of."""
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
        title = name or (clean_name(layer.stem) if len(groups) == 1 else "No 1")
        out.append(Drawn(layer=layer, name=title, features=tuple(members), shape=shape, walked=False))
    return out


def _order(columns: Columns, feature: RawFeature) -> float:
    try:
        return columns.number(feature.attributes, "order") or 0.0
    except ColumnError:
        return 0.0
