"""GeoJSON read strictly: one document, or one feature a line; every number a number.

References: RFC 7946 (GeoJSON), RFC 8142 (text sequences); the `crs` member of the 2008 form is honoured.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, NoReturn

import shapely
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from mudcap.errors import InputError
from mudcap.files.crs import WGS84, parse_crs
from mudcap.files.names import clean_key, clean_text
from mudcap.files.raw import MAX_DEPTH, MAX_FEATURES, RawFeature, RawLayer, ReadNote, line, polygon, positions
from mudcap.files.source import decode, kind_in_words, looks_like
from mudcap.files.wkb import gather
from mudcap.lang import _

_GEOMETRIES = {
    "Point", "MultiPoint", "LineString", "MultiLineString", "Polygon", "MultiPolygon", "GeometryCollection"
}  # fmt: skip


def read_geojson(data: bytes, file: str, *, encoding: str | None = None) -> RawLayer:
    """The layer of a GeoJSON document (or of features one a line); WGS 84 unless a `crs` member says otherwise.

    Raises ``InputError`` where it is no GeoJSON, is cut off, holds text for numbers, or is a program for GDAL.
    """
    kind = looks_like(data)
    if kind not in {"json", ""}:
        raise InputError(_("{file}: not GeoJSON but {kind}.").format(file=file, kind=kind_in_words(kind)))
    text, used = decode(data, file, encoding)
    documents = _documents(text, file)
    features: list[RawFeature] = []
    crs = _crs(documents[0], file)
    for document in documents:
        if _crs(document, file) != crs:
            raise InputError(_("{file}: several documents in different coordinate systems.").format(file=file))
        for item in _items(document, file):
            features.append(_feature(item, len(features) + 1, file))
            if len(features) > MAX_FEATURES:
                raise InputError(_("{file}: more than {limit} features.").format(file=file, limit=MAX_FEATURES))
    if not features:
        raise InputError(_("{file}: holds no feature.").format(file=file))
    notes = _encoding_note(used, file)
    return RawLayer(file=file, layer="", crs=crs, features=tuple(features), notes=notes)


def _encoding_note(used: str, file: str) -> tuple[ReadNote, ...]:
    if used != "cp1252":
        return ()
    text = _("{file}: not written in UTF-8; read as cp1252. Check the names.").format(file=file)
    return (ReadNote(code="encoding", text=text),)


def _documents(text: str, file: str) -> list[Mapping[str, Any]]:
    """The one document, or each line's."""
    try:
        try:
            found = [_parse(text)]
        except json.JSONDecodeError as error:
            pieces = [p for p in text.replace("\x1e", "\n").splitlines() if p.strip()]
            if len(pieces) < 2 and not text.startswith("\x1e"):
                raise
            try:
                found = [_parse(p) for p in pieces]
            except json.JSONDecodeError:
                raise error from None
    except RecursionError:
        raise InputError(_("{file}: brackets nested too deep; this is no map data.").format(file=file)) from None
    except ValueError as error:
        raise InputError(
            _("{file}: not valid JSON, perhaps cut off ({why}). Export it again.").format(
                file=file, why=clean_text(error, 100)
            )
        ) from None
    for document in found:
        if not isinstance(document, dict):
            raise InputError(_("{file}: no GeoJSON object (a FeatureCollection is wanted).").format(file=file))
        if not isinstance(document.get("type"), str):
            raise InputError(_("{file}: JSON, but no GeoJSON (no type). Export the blocks as GeoJSON.").format(file=file))
        _refuse_programs(document, file)
    return found


def _parse(text: str) -> Any:
    def no_constant(word: str) -> NoReturn:
        raise ValueError(f"{word} is no number")

    return json.loads(text, parse_constant=no_constant)


def _refuse_programs(document: Mapping[str, Any], file: str) -> None:
    kind = document.get("type")
    if kind == "gdal_streamed_alg" or "command_line" in document:
        raise InputError(_("{file}: this is a GDAL pipeline, a program and no data; not read.").format(file=file))
    if kind == "Topology":
        raise InputError(_("{file}: this is TopoJSON. Export it as GeoJSON.").format(file=file))
    if "geometryType" in document and "features" in document:
        raise InputError(_("{file}: this is Esri JSON. Export it as GeoJSON.").format(file=file))


def _crs(document: Mapping[str, Any], file: str) -> CRS:
    member = document.get("crs")
    if member is None:
        return WGS84
    properties = member.get("properties") if isinstance(member, dict) else None
    name = properties.get("name", properties.get("code")) if isinstance(properties, dict) else None
    if isinstance(member, dict) and member.get("type") == "EPSG" and isinstance(name, int):
        name = f"EPSG:{name}"
    if not isinstance(name, str):
        raise InputError(
            _("{file}: its crs member cannot be read. Take it out (then it is WGS 84) or give --crs EPSG:xxxx.").format(
                file=file
            )
        )
    if name.upper().endswith("CRS84") or name.upper().endswith("CRS:84"):
        return WGS84
    if "://" in name:
        tail = name.rstrip("/").split("/")
        name = f"EPSG:{tail[-1]}"
    return parse_crs(name, file)


def _items(document: Mapping[str, Any], file: str) -> list[Any]:
    kind = document.get("type")
    if kind == "FeatureCollection":
        features = document.get("features")
        if not isinstance(features, list):
            raise InputError(_("{file}: a FeatureCollection without a list of features.").format(file=file))
        return features
    if kind == "Feature":
        return [document]
    if kind in _GEOMETRIES:
        return [{"type": "Feature", "geometry": document, "properties": {}}]
    raise InputError(
        _("{file}: JSON, but no GeoJSON (type {kind}). Export the blocks as GeoJSON.").format(
            file=file, kind=clean_text(kind, 40) or "?"
        )
    )


def _feature(item: Any, number: int, file: str) -> RawFeature:
    if not isinstance(item, dict) or item.get("type") != "Feature":
        raise InputError(_("{file}: feature {number} is no GeoJSON feature.").format(file=file, number=number))
    properties = item.get("properties")
    columns = properties if isinstance(properties, dict) else {}
    attributes = {clean_key(k): clean_text(v) for k, v in list(columns.items())[:500]}
    if "id" in item and not any(k.lower() == "id" for k in attributes) and isinstance(item["id"], (str, int)):
        attributes["feature_id"] = clean_text(item["id"])
    notes: list[str] = []
    try:
        geometry = _geometry(item.get("geometry"), f"feature {number}", notes, 0)
    except _Unfit as unfit:
        note = ReadNote(code="bad_ring", text=str(unfit), level="error", feature=str(number))
        return RawFeature(number=number, geometry=None, attributes=attributes, notes=(note,))
    except ValueError as error:
        raise InputError(_("{file}: {why}. Export it again.").format(file=file, why=clean_text(error, 120))) from None
    return RawFeature(
        number=number,
        geometry=geometry,
        attributes=attributes,
        notes=tuple(ReadNote(code=code, text="", feature=str(number)) for code in dict.fromkeys(notes)),
    )


class _Unfit(Exception):
    """The numbers are sound, but no shape can be made of them; the feature is lost, not the file."""


def _geometry(geometry: Any, where: str, notes: list[str], depth: int) -> BaseGeometry | None:
    if geometry is None:
        return None
    if not isinstance(geometry, dict) or str(geometry.get("type")) not in _GEOMETRIES:
        raise ValueError(f"{where}: no GeoJSON geometry")
    if depth > MAX_DEPTH:
        raise ValueError(f"{where}: geometries nested too deep")
    kind = geometry["type"]
    if kind == "GeometryCollection":
        members = geometry.get("geometries")
        if not isinstance(members, list):
            raise ValueError(f"{where}: a collection without geometries")
        parts = [_geometry(m, where, notes, depth + 1) for m in members]
        return gather([p for p in parts if p is not None])
    coordinates = geometry.get("coordinates")
    if not isinstance(coordinates, list):
        raise ValueError(f"{where}: a geometry without coordinates")
    if not coordinates:
        return None
    return _simple(kind, coordinates, where, notes)


def _simple(kind: str, coordinates: list[Any], where: str, notes: list[str]) -> BaseGeometry | None:
    if kind == "Point":
        return shapely.Point(positions([coordinates], where)[0])
    if kind == "MultiPoint":
        return shapely.MultiPoint(positions(coordinates, where))
    if kind == "LineString":
        xy = positions(coordinates, where)
        return _fit(lambda: line(xy, where))
    if kind == "MultiLineString":
        lines = [positions(c, where) for c in coordinates]
        return _fit(lambda: gather([line(xy, where) for xy in lines]))
    polygons = [coordinates] if kind == "Polygon" else coordinates
    rings = []
    for part in polygons:
        if not isinstance(part, list):
            raise ValueError(f"{where}: a polygon without rings")
        rings.append([positions(r, where) for r in part])
    return _fit(lambda: gather([_polygon(r, where, notes) for r in rings if r]))


def _polygon(rings: list[Any], where: str, notes: list[str]) -> BaseGeometry:
    shape, closed = polygon(rings, where)
    if closed:
        notes.append("unclosed_ring")
    return shape


def _fit(make: Any) -> Any:
    try:
        return make()
    except ValueError as error:
        raise _Unfit(str(error)) from None
