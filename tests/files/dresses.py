"""One small block, and the same block in every dress that a file format knows; makers of broken and hostile files."""

from __future__ import annotations

import io
import itertools
import json
import math
import struct
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS, Transformer

from mudcap.files.layers import ReadOptions, read_orchard
from mudcap.files.ranch import open_ranch
from mudcap.orchard.model import Finding, Orchard

Ring = Sequence[tuple[float, float]]

LON, LAT = -120.1, 37.0
M_PER_DEG_LAT = 110_985.0
"""Metres in a degree of latitude at 37° N, near enough to draw a block of a wanted size."""
M_PER_DEG_LON = 88_980.0

BLOCK: Ring = ((-120.1, 37.0), (-120.097, 37.0), (-120.097, 37.002), (-120.1, 37.002), (-120.1, 37.0))
BLOCK_ACRES = 14.645707
"""Geodesic area of BLOCK by GeographicLib (checked in test_geodesic_areas)."""
SECOND: Ring = ((-120.096, 37.0), (-120.094, 37.0), (-120.094, 37.002), (-120.096, 37.002), (-120.096, 37.0))
SECOND_ACRES = 9.763801


def at(x_m: float, y_m: float) -> tuple[float, float]:
    """Longitude and latitude of metres east and north of the corner of BLOCK."""
    return LON + x_m / M_PER_DEG_LON, LAT + y_m / M_PER_DEG_LAT


def ring_m(*corners: tuple[float, float]) -> Ring:
    """Closed ring of corners in metres."""
    points = [at(x, y) for x, y in corners]
    return (*points, points[0])


def walked(corners: Sequence[tuple[float, float]], *, step_m: float = 5, noise_m: float = 1.5, seed: int = 0) -> Ring:
    """A handheld's track along corners in metres, with wobble; not closed unless the corners are."""
    rng = np.random.default_rng(seed)
    points: list[tuple[float, float]] = []
    for (x0, y0), (x1, y1) in itertools.pairwise(corners):
        count = max(1, round(math.hypot(x1 - x0, y1 - y0) / step_m))
        points += [(x0 + (x1 - x0) * k / count, y0 + (y1 - y0) * k / count) for k in range(count)]
    points.append(corners[-1])
    return tuple(at(x + rng.normal(0, noise_m), y + rng.normal(0, noise_m)) for x, y in points)


# ----------------------------------------------------------------------------------------------- good files


def geojson(shapes: Iterable[tuple[str, object]], **extra: object) -> bytes:
    """FeatureCollection of (name, geometry or ring)."""
    features = [
        {
            "type": "Feature",
            "properties": {"block": name},
            "geometry": g if isinstance(g, dict) or g is None else {"type": "Polygon", "coordinates": [list(map(list, g))]},
        }
        for name, g in shapes
    ]  # fmt: skip
    return json.dumps({"type": "FeatureCollection", "features": features, **extra}).encode()


def gpx(tracks: Iterable[tuple[str, Sequence[Ring]]] = (), routes: Iterable[tuple[str, Ring]] = (), extra: str = "") -> bytes:
    """GPX of tracks (name, segments) and routes."""

    def points(tag: str, ring: Ring) -> str:
        return "".join(f'<{tag} lat="{lat}" lon="{lon}"/>' for lon, lat in ring)

    body = ""
    for name, segments in tracks:
        inner = "".join("<trkseg>" + points("trkpt", s) + "</trkseg>" for s in segments)
        body += f"<trk><name>{name}</name>{inner}</trk>"
    for name, ring in routes:
        body += f"<rte><name>{name}</name>{points('rtept', ring)}</rte>"
    return f'<?xml version="1.0"?><gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="t">{extra}{body}</gpx>'.encode()


def kml(inner: str) -> bytes:
    """KML document around placemarks or folders."""
    return f'<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document>{inner}</Document></kml>'.encode()


def placemark(name: str, ring: Ring, shape: str = "Polygon") -> str:
    """One placemark: a Polygon, LinearRing or LineString."""
    coords = " ".join(f"{lon},{lat},12" for lon, lat in ring)
    linear = f"<LinearRing><coordinates>{coords}</coordinates></LinearRing>"
    body = {
        "Polygon": f"<Polygon><outerBoundaryIs>{linear}</outerBoundaryIs></Polygon>",
        "LinearRing": linear,
        "LineString": f"<LineString><coordinates>{coords}</coordinates></LineString>",
    }[shape]
    return f"<Placemark><name>{name}</name>{body}</Placemark>"


def zipped(members: Mapping[str, bytes]) -> bytes:
    """Zip archive of members."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return out.getvalue()


def in_crs(ring: Ring, crs: str) -> NDArray[np.float64]:
    """(n, 2) coordinates of a ring of longitude and latitude in another CRS, x east, y north."""
    move = Transformer.from_crs(4326, crs, always_xy=True)
    return np.column_stack(move.transform(*np.array(ring, float).T))


def shapefile(
    rings: Sequence[Sequence[NDArray[np.float64]]], names: Sequence[str], *, prj: str | None = "EPSG:4326", shape_type: int = 5
) -> dict[str, bytes]:
    """Parts of a shapefile whose features are lists of rings, exactly as given (also wrong ones).

    References: ESRI Shapefile Technical Description, July 1998.
    """
    records, index, offset = b"", b"", 100
    for i, feature in enumerate(rings):
        points = np.vstack(feature)
        starts = np.cumsum([0, *[len(r) for r in feature[:-1]]])
        lo, hi = np.nanmin(points, axis=0), np.nanmax(points, axis=0)
        content = struct.pack("<i4d2i", shape_type, *lo, *hi, len(feature), len(points))
        content += struct.pack(f"<{len(feature)}i", *starts) + points.astype("<f8").tobytes()
        if shape_type > 10:
            content += struct.pack("<2d", 0, 9) + np.full(len(points), 9.0).astype("<f8").tobytes()
        records += struct.pack(">2i", i + 1, len(content) // 2) + content
        index += struct.pack(">2i", offset // 2, len(content) // 2)
        offset += 8 + len(content)
    every = np.vstack([p for f in rings for p in f])
    box = struct.pack("<4d4d", *every.min(axis=0), *every.max(axis=0), 0, 0, 0, 0)

    def header(length: int) -> bytes:
        return struct.pack(">i20xi", 9994, (100 + length) // 2) + struct.pack("<2i", 1000, shape_type) + box

    parts = {"shp": header(len(records)) + records, "shx": header(len(index)) + index, "dbf": dbf(names)}
    if prj is not None:
        parts["prj"] = CRS.from_user_input(prj).to_wkt("WKT1_ESRI").encode()
    return parts


def dbf(names: Sequence[str]) -> bytes:
    """Table of one text column, block."""
    rows = b"".join(b" " + n.encode("cp1252", "replace")[:20].ljust(20) for n in names)
    head = struct.pack("<4BIHH20x", 3, 126, 1, 1, len(names), 65, 21)
    field = b"block".ljust(11, b"\0") + b"C" + b"\0" * 4 + bytes([20, 0]) + b"\0" * 14
    return head + field + b"\r" + rows + b"\x1a"


def clockwise(ring: Ring) -> NDArray[np.float64]:
    """A ring as a shapefile wants its shells."""
    points = np.array(ring, float)
    x, y = points[:, 0] - points[0, 0], points[:, 1] - points[0, 1]
    signed = np.dot(x[:-1], y[1:]) - np.dot(x[1:], y[:-1])
    return points[::-1].copy() if signed > 0 else points


# ------------------------------------------------------------------------------------------------- reading


def write(folder: Path, name: str, content: bytes | Mapping[str, bytes]) -> Path:
    """Write a file, or the parts of a shapefile, and give its path."""
    path = folder / name
    if isinstance(content, Mapping):
        for part, data in content.items():
            path.with_suffix(f".{part}").write_bytes(data)
    else:
        path.write_bytes(content)
    return path


def read(path: Path, **options: object) -> tuple[Orchard, tuple[Finding, ...]]:
    """The orchard of a file or folder."""
    return read_orchard(open_ranch(path), options=ReadOptions(**options))  # type: ignore[arg-type]


def acres_of(orchard: Orchard) -> float:
    """All acres of an orchard."""
    return sum(b.acres for b in orchard.blocks)


def codes_of(findings: Iterable[Finding]) -> set[str]:
    """Codes of findings."""
    return {f.code for f in findings}
