"""Well-known binary read with limits: counts are checked against the bytes that are there, nesting against a depth.

References: OGC 06-103r4 (Simple Features), section 8; ISO 13249-3 type codes for Z and M.
"""

from __future__ import annotations

import struct
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from mudcap.files.raw import MAX_DEPTH, line, polygon

_EWKB_Z: Final = 0x80000000
_EWKB_M: Final = 0x40000000
_EWKB_SRID: Final = 0x20000000


class Damaged(Exception):
    """Bytes that no writer made; the file, not just the feature, is not to be trusted."""


def read_wkb(data: bytes, where: str) -> BaseGeometry | None:
    """Geometry (two dimensions) of a WKB blob, None where it is empty.

    Raises ``Damaged`` where the bytes cannot be right, ``ValueError`` where no shape can be made of them (a ring of two
    points, a curve).
    """
    try:
        geometry, end = _read(data, 0, where, 0)
    except struct.error:
        raise Damaged(f"{where}: the geometry is cut off") from None
    if end != len(data):
        raise Damaged(f"{where}: bytes are left over after the geometry")
    return geometry


def _read(data: bytes, at: int, where: str, depth: int) -> tuple[BaseGeometry | None, int]:
    if depth > MAX_DEPTH:
        raise Damaged(f"{where}: geometries nested too deep")
    order = data[at : at + 1]
    if order not in (b"\x00", b"\x01"):
        raise Damaged(f"{where}: the geometry is damaged")
    sign = "<" if order == b"\x01" else ">"
    code = struct.unpack_from(f"{sign}I", data, at + 1)[0]
    at += 5 + (4 if code & _EWKB_SRID else 0)
    dims = 2 + bool(code & _EWKB_Z) + bool(code & _EWKB_M)
    base = code & 0x1FFFFFFF
    if base >= 1000:
        dims, base = {1: 3, 2: 3, 3: 4}.get(base // 1000, 2), base % 1000
    if base == 1:
        xy, at = _points(data, at, 1, dims, sign, where)
        if np.isnan(xy).all():
            return None, at
        return shapely.Point(xy[0]), at
    count = struct.unpack_from(f"{sign}I", data, at)[0]
    at += 4
    if base == 2:
        xy, at = _points(data, at, count, dims, sign, where)
        return (line(xy, where) if count else None), at
    if base == 3:
        return _polygon(data, at, count, dims, sign, where)
    if base in (4, 5, 6, 7):
        return _collection(data, at, count, where, depth)
    raise ValueError(f"{where}: a kind of geometry that is not read (curve or surface)")


def _points(
    data: bytes, at: int, count: int, dims: int, sign: str, where: str
) -> tuple[NDArray[np.float64], int]:
    size = 8 * dims * count
    if at + size > len(data):
        raise Damaged(f"{where}: the geometry is cut off")
    values = np.frombuffer(data, f"{sign}f8", dims * count, at).reshape(count, dims)
    xy = values[:, :2].astype(float)
    if not np.isfinite(xy).all() and not (count == 1 and np.isnan(xy).all()):
        raise Damaged(f"{where}: a coordinate is not a number")
    return xy, at + size


def _polygon(
    data: bytes, at: int, count: int, dims: int, sign: str, where: str
) -> tuple[BaseGeometry | None, int]:
    if count > len(data) // 4:
        raise Damaged(f"{where}: the geometry is cut off")
    rings = []
    for _ring in range(count):
        num = struct.unpack_from(f"{sign}I", data, at)[0]
        xy, at = _points(data, at + 4, num, dims, sign, where)
        rings.append(xy)
    return (polygon(rings, where)[0] if rings else None), at


def _collection(data: bytes, at: int, count: int, where: str, depth: int) -> tuple[BaseGeometry | None, int]:
    if count > len(data) // 5:
        raise Damaged(f"{where}: the geometry is cut off")
    parts = []
    for _part in range(count):
        part, at = _read(data, at, where, depth + 1)
        if part is not None:
            parts.append(part)
    return gather(parts), at


def gather(parts: list[BaseGeometry]) -> BaseGeometry | None:
    """One geometry of several: a multi-geometry of one kind where it can be, else a collection; None of none."""
    flat = [p for part in parts for p in shapely.get_parts(part)]
    if not flat:
        return None
    if len(flat) == 1:
        return flat[0]
    kinds = {p.geom_type for p in flat}
    if kinds == {"Polygon"}:
        return shapely.MultiPolygon(flat)
    if kinds == {"LineString"}:
        return shapely.MultiLineString(flat)
    if kinds == {"Point"}:
        return shapely.MultiPoint(flat)
    return shapely.GeometryCollection(flat)
