"""KML and KMZ: placemarks by folder. Links to other places are never followed.

References: OGC 12-007r2 (KML 2.3); gx:Track of the KML extension schema.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final
from xml.etree.ElementTree import Element

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from mudcap.errors import InputError
from mudcap.files.archives import unzip
from mudcap.files.crs import WGS84
from mudcap.files.names import clean_key, clean_name, clean_text
from mudcap.files.raw import MAX_DEPTH, RawFeature, RawLayer, ReadNote, WalkedKind, polygon
from mudcap.files.wkb import gather
from mudcap.files.xml import child_text, children, local, number, parse_xml
from mudcap.lang import _, _n

_SHAPES: Final = {"Point", "LineString", "LinearRing", "Polygon", "MultiGeometry", "Track", "MultiTrack"}


def read_kmz(data: bytes, file: str) -> tuple[RawLayer, ...]:
    """Layers of the one KML document in a KMZ: doc.kml, or the only .kml."""
    members = unzip(data, file)
    documents = sorted(m for m in members if m.lower().endswith(".kml"))
    first = [m for m in documents if m.lower() == "doc.kml"] or documents
    if len(first) != 1:
        raise InputError(
            _("{file}: {count} KML documents in the KMZ and none called doc.kml. Save it again as KMZ or KML.").format(
                file=file, count=len(documents)
            )
        )
    return read_kml(members[first[0]], file)


def read_kml(data: bytes, file: str) -> tuple[RawLayer, ...]:
    """Layers of a KML document, one a folder in document order (the document itself is layer '').

    Raises ``InputError`` where a position is no number or out of range, or where no placemark has a shape.
    """
    root = parse_xml(data, file, "kml")
    layers: dict[str, list[RawFeature]] = {}
    links = 0
    for folder, element in _walk(root):
        if local(element) == "NetworkLink":
            links += 1
            continue
        group = layers.setdefault(folder, [])
        group.append(_placemark(element, len(group) + 1, file))
    if not any(f.geometry is not None or f.notes for fs in layers.values() for f in fs):
        raise InputError(
            _("{file}: no placemark with a shape{links}. Save the shapes themselves as KML.").format(
                file=file, links=_(" (only links to other places, which are never followed)") if links else ""
            )
        )
    notes: tuple[ReadNote, ...] = ()
    if links:
        text = _n(
            "{file}: {count} link to another place was not followed.",
            "{file}: {count} links to other places were not followed.",
            links,
        ).format(file=file, count=links)
        notes = (ReadNote(code="link_not_followed", text=text),)
    only = len(layers) == 1
    return tuple(
        RawLayer(file=file, layer="" if only and not n else n, crs=WGS84, features=tuple(f), notes=notes if i == 0 else ())
        for i, (n, f) in enumerate(layers.items())
    )


def _walk(root: Element) -> Iterator[tuple[str, Element]]:
    """Folder name and element of each placemark and network link, in document order."""
    stack: list[tuple[str, Element]] = [("", root)]
    while stack:
        folder, element = stack.pop()
        tag = local(element)
        if tag in {"Placemark", "NetworkLink"}:
            yield folder, element
            continue
        if tag == "Folder":
            folder = clean_name(child_text(element, "name")) or folder
        stack.extend((folder, child) for child in reversed(element))


def _placemark(element: Element, place: int, file: str) -> RawFeature:
    attributes = {"note": clean_text(child_text(element, "description"))}
    for data in element.iter():
        if local(data) == "Data":
            attributes[clean_key(data.get("name"))] = clean_text(child_text(data, "value"))
        elif local(data) == "SimpleData":
            attributes[clean_key(data.get("name"))] = clean_text(data.text)
    notes: list[ReadNote] = []
    walked: WalkedKind = ""
    geometry = None
    shapes = [c for c in element if local(c) in _SHAPES]
    if any(local(s) in {"Track", "MultiTrack"} for s in shapes):
        walked = "track"
    name = clean_name(child_text(element, "name"))
    try:
        geometry = gather([g for s in shapes if (g := _geometry(s, file, notes, 0)) is not None])
    except ValueError as error:
        notes.append(ReadNote(code="bad_ring", text=clean_text(error, 120), level="error"))
    return RawFeature(
        number=place,
        geometry=geometry,
        name=name,
        attributes={k: v for k, v in attributes.items() if k and v},
        walked=walked,
        notes=tuple(notes),
    )


def _geometry(element: Element, file: str, notes: list[ReadNote], depth: int) -> BaseGeometry | None:
    if depth > MAX_DEPTH:
        raise InputError(_("{file}: geometries nested too deep; this is no map data.").format(file=file))
    tag = local(element)
    if tag in {"MultiGeometry", "MultiTrack"}:
        parts = [_geometry(c, file, notes, depth + 1) for c in element if local(c) in _SHAPES]
        return gather([p for p in parts if p is not None])
    if tag == "Track":
        coords = _pairs([(c.text or "").split() for c in children(element, "coord")], file)
        return shapely.LineString(coords) if len(coords) >= 2 else None
    if tag == "Polygon":
        return _polygon(element, file, notes)
    coords = _coordinates(child_text(element, "coordinates"), file)
    if tag == "Point":
        return shapely.Point(coords[0]) if len(coords) else None
    if tag == "LinearRing":
        return polygon([coords], "LinearRing")[0]
    return shapely.LineString(coords) if len(coords) >= 2 else None


def _polygon(element: Element, file: str, notes: list[ReadNote]) -> BaseGeometry:
    rings: list[NDArray[np.float64]] = []
    for border in ("outerBoundaryIs", "innerBoundaryIs"):
        for boundary in children(element, border):
            for linear in children(boundary, "LinearRing"):
                rings.append(_coordinates(child_text(linear, "coordinates"), file))
    if not children(element, "outerBoundaryIs"):
        raise ValueError("a polygon without an outer boundary")
    shape, closed = polygon(rings, "polygon")
    if closed:
        notes.append(ReadNote(code="unclosed_ring", text=""))
    return shape


def _coordinates(text: str, file: str) -> NDArray[np.float64]:
    """Positions of a KML coordinate list; blanks around commas are forgiven."""
    joined = re.sub(r"\s*,\s*", ",", text.strip())
    return _pairs([word.split(",") for word in joined.split()], file)


def _pairs(words: list[list[str]], file: str) -> NDArray[np.float64]:
    out = np.empty((len(words), 2))
    for i, word in enumerate(words):
        try:
            if not 2 <= len([w for w in word if w]) <= 3:
                raise ValueError(f"'{clean_text(','.join(word), 40)}' is no position")
            out[i] = number(word[0]), number(word[1])
        except ValueError as error:
            raise InputError(
                _("{file}: a position cannot be read ({why}). KML wants longitude,latitude.").format(
                    file=file, why=clean_text(error, 80)
                )
            ) from None
        if abs(out[i, 1]) > 90 or abs(out[i, 0]) > 360:
            raise InputError(
                _("{file}: {lon}, {lat} is no longitude and latitude; KML wants longitude first.").format(
                    file=file, lon=out[i, 0], lat=out[i, 1]
                )
            )
    return out
