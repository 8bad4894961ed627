"""What comes from a GPS: GPX waypoints, routes and tracks, and NMEA logs.

References: GPX 1.1 schema (topografix.com/GPX/1/1); NMEA 0183 sentences GGA and RMC (checksum: XOR of the bytes between
$ and *).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final
from xml.etree.ElementTree import Element

import numpy as np
import shapely
from numpy.typing import NDArray

from mudcap.errors import InputError
from mudcap.files.crs import WGS84
from mudcap.files.names import clean_name, clean_text
from mudcap.files.raw import RawFeature, RawLayer, ReadNote, WalkedKind
from mudcap.files.source import decode, kind_in_words, looks_like
from mudcap.files.xml import child_text, children, local, number, parse_xml
from mudcap.lang import _

WAYPOINTS: Final = "waypoints"
ROUTES: Final = "routes"
TRACKS: Final = "tracks"
_TEXTS: Final = ("name", "cmt", "desc", "type", "sym")


def read_gpx(data: bytes, file: str) -> tuple[RawLayer, ...]:
    """The non-empty ones of the layers tracks, routes and waypoints.

    Points stand in file order, whatever their times say; segments of one point are left out with a note. Raises
    ``InputError`` where a position is no number or out of range, or where nothing is in the file.
    """
    root = parse_xml(data, file, "gpx")
    tracks = [_line(t, "track", i + 1, file) for i, t in enumerate(children(root, "trk"))]
    routes = [_line(r, "route", i + 1, file) for i, r in enumerate(children(root, "rte"))]
    points = [_waypoint(w, i + 1, file) for i, w in enumerate(children(root, "wpt"))]
    found = ((TRACKS, tracks), (ROUTES, routes), (WAYPOINTS, points))
    layers = tuple(RawLayer(file=file, layer=n, crs=WGS84, features=tuple(f)) for n, f in found if f)
    if not layers:
        raise InputError(_("{file}: holds no track, route or waypoint. Export it again.").format(file=file))
    return layers


def _line(element: Element, kind: WalkedKind, place: int, file: str) -> RawFeature:
    if kind == "track":
        segments = [_points(s, "trkpt", file) for s in children(element, "trkseg")]
    else:
        segments = [_points(element, "rtept", file)]
    lines = [shapely.LineString(s) for s in segments if len(s) >= 2]
    lone = sum(len(s) == 1 for s in segments)
    notes: tuple[ReadNote, ...] = ()
    if lone:
        notes = (ReadNote(code="one_point_segment", text=str(lone), level="note"),)
    geometry = None if not lines else lines[0] if len(lines) == 1 else shapely.MultiLineString(lines)
    return RawFeature(
        number=place,
        geometry=geometry,
        name=clean_name(child_text(element, "name")),
        attributes=_texts(element),
        walked=kind,
        notes=notes,
    )


def _points(element: Element, name: str, file: str) -> NDArray[np.float64]:
    strange = [c for c in element if local(c) != name and c.get("lat") is not None]
    if strange:
        raise InputError(
            _("{file}: an element that GPX does not know among the positions ({name}). Export it again.").format(
                file=file, name=clean_text(local(strange[0]), 30)
            )
        )
    points = [_position(p, file) for p in children(element, name)]
    return np.array(points, float).reshape(-1, 2)


def _position(element: Element, file: str) -> tuple[float, float]:
    try:
        lon, lat = number(element.get("lon")), number(element.get("lat"))
    except ValueError as error:
        raise InputError(
            _("{file}: a position is not a pair of numbers ({why}). Export it again, with points for decimals.").format(
                file=file, why=clean_text(error, 60)
            )
        ) from None
    if abs(lat) > 90 or abs(lon) > 360:
        raise InputError(
            _("{file}: a position is no latitude and longitude ({lat}, {lon}). Export it again.").format(
                file=file, lat=lat, lon=lon
            )
        )
    return lon, lat


def _waypoint(element: Element, place: int, file: str) -> RawFeature:
    return RawFeature(
        number=place,
        geometry=shapely.Point(_position(element, file)),
        name=clean_name(child_text(element, "name")),
        attributes=_texts(element),
    )


def _texts(element: Element) -> dict[str, str]:
    found = {n: clean_text(child_text(element, n)) for n in _TEXTS}
    return {("note" if n == "desc" else n): t for n, t in found.items() if t}


_SENTENCE = re.compile(r"\$(?P<body>[A-Z]{2}(?:GGA|RMC),[^*$]*)\*(?P<sum>[0-9A-Fa-f]{2})")


def read_nmea(data: bytes, file: str) -> RawLayer:
    """One walked track of an NMEA log: the GGA sentences, or the RMC ones where there is no GGA.

    Sentences with a wrong checksum or without a fix are left out with a note; a log with more wrong than right ones is
    refused (``InputError``).
    """
    kind = looks_like(data)
    if kind:
        raise InputError(_("{file}: not an NMEA log but {kind}.").format(file=file, kind=kind_in_words(kind)))
    text, _encoding = decode(data, file)
    lines = [w for w in text.splitlines() if re.match(r"\$[A-Z]{2}(GGA|RMC),", w.strip())]
    found: dict[str, list[tuple[float, float]]] = {"GGA": [], "RMC": []}
    wrong = 0
    for sentence in lines:
        match = _SENTENCE.match(sentence.strip())
        if match is None or _checksum(match["body"]) != int(match["sum"], 16):
            wrong += 1
            continue
        fields = match["body"].split(",")
        found[fields[0][2:]].extend(_fix(fields))
    points = found["GGA"] or found["RMC"]
    if wrong > len(lines) - wrong or len(points) < 2:
        raise InputError(
            _("{file}: no usable positions ({wrong} of {count} sentences damaged). Copy the log again.").format(
                file=file, wrong=wrong, count=len(lines)
            )
        )
    notes: tuple[ReadNote, ...] = ()
    if wrong:
        notes = (ReadNote(code="damaged_sentences", text=str(wrong), level="warning"),)
    feature = RawFeature(number=1, geometry=shapely.LineString(points), walked="track", notes=notes)
    return RawLayer(file=file, layer="", crs=WGS84, features=(feature,))


def _checksum(body: str) -> int:
    total = 0
    for byte in body.encode("ascii", "replace"):
        total ^= byte
    return total


def _fix(fields: list[str]) -> Iterator[tuple[float, float]]:
    at = 2 if fields[0].endswith("GGA") else 3
    if len(fields) < at + 5:
        return
    no_fix = fields[6] in ("", "0") if fields[0].endswith("GGA") else fields[2] != "A"
    if no_fix:
        return
    try:
        lat, lon = _degrees(fields[at], 2), _degrees(fields[at + 2], 3)
    except ValueError:
        return
    yield (-lon if fields[at + 3] == "W" else lon), (-lat if fields[at + 1] == "S" else lat)


def _degrees(text: str, whole: int) -> float:
    degrees, minutes = int(text[:whole]), number(text[whole:])
    value = degrees + minutes / 60
    if not 0 <= minutes < 60 or value > (90 if whole == 2 else 180):
        raise ValueError(text)
    return value
