"""Shapefiles read from bytes, every count and length checked against the others.

References: ESRI Shapefile Technical Description, July 1998; dBASE III table layout (common knowledge of the trade).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from mudcap.errors import InputError
from mudcap.files.crs import parse_crs
from mudcap.files.names import clean_key, clean_text
from mudcap.files.raw import MAX_FEATURES, RawFeature, RawLayer, ReadNote
from mudcap.files.raw import line as make_line
from mudcap.files.source import decode, kind_in_words, looks_like
from mudcap.geo.rings import assemble
from mudcap.lang import _

_POINTS: Final = {1, 11, 21}
_LINES: Final = {3, 13, 23}
_POLYGONS: Final = {5, 15, 25}
_MULTIPOINTS: Final = {8, 18, 28}
_LDID: Final = {
    0x01: "cp437", 0x02: "cp850", 0x03: "cp1252", 0x57: "cp1252", 0x58: "cp1252", 0x59: "cp1252", 0x64: "cp852",
    0x65: "cp866", 0xC8: "cp1250", 0xC9: "cp1251", 0x13: "cp932", 0x4D: "cp936", 0x4E: "cp949", 0x4F: "cp950",
}  # fmt: skip


def read_shapefile(parts: Mapping[str, bytes], file: str, *, layer: str = "", encoding: str | None = None) -> RawLayer:
    """The layer of a shapefile given as its parts by extension ('shp', 'shx', 'dbf', 'prj', 'cpg').

    Raises ``InputError`` where a part is missing (shp, shx, dbf), a header's length is not the file's, the three counts
    differ, a record runs out of its bounds, or a coordinate lies outside the box that its record states: a damaged file
    is refused whole. A missing .prj leaves `crs` None.
    """
    for part in ("shp", "shx", "dbf"):
        if not parts.get(part):
            raise InputError(
                _("{file}: the .{part} part is missing or empty; a shapefile needs .shp, .shx and .dbf together.").format(
                    file=file, part=part
                )
            )
    kind = looks_like(parts["shp"])
    if kind != "shp":
        raise InputError(_("{file}: not a shapefile but {kind}.").format(file=file, kind=kind_in_words(kind)))
    try:
        offsets = _index(parts["shx"], file)
        shapes = [_shape(content, number, file) for number, content in _records(parts["shp"], offsets, file)]
        _check_count(parts["dbf"], len(shapes), file)
        rows = list(_table(parts["dbf"], file, encoding or _cpg(parts.get("cpg"))))
    except (struct.error, IndexError) as error:
        raise _damaged(file, clean_text(error, 80)) from None
    features = tuple(
        RawFeature(number=i + 1, geometry=g, attributes=row, notes=notes)
        for i, ((g, notes), row) in enumerate(zip(shapes, rows, strict=True))
    )
    prj = parts.get("prj")
    crs = parse_crs(decode(prj, file)[0], f"{file} (.prj)") if prj is not None else None
    return RawLayer(file=file, layer=layer, crs=crs, features=features)


def _check_count(table: bytes, shapes: int, file: str) -> None:
    rows = struct.unpack_from("<I", table, 4)[0] if len(table) >= 32 else 0
    if rows != shapes:
        raise InputError(
            _("{file}: {shapes} shapes but {rows} rows in the .dbf table: damaged or mixed up. Export it again.").format(
                file=file, shapes=shapes, rows=rows
            )
        )


def _damaged(file: str, why: str) -> InputError:
    return InputError(
        _("{file}: the shapefile is damaged or cut off ({why}). Nothing of it is used; export it again.").format(
            file=file, why=why
        )
    )


def _header(data: bytes, part: str, file: str) -> None:
    if len(data) < 100 or struct.unpack_from(">i", data)[0] != 9994:
        raise _damaged(file, f".{part}: header")
    stated = 2 * struct.unpack_from(">i", data, 24)[0]
    if stated != len(data):
        raise _damaged(file, f".{part}: {len(data)} bytes, header says {stated}")


def _index(data: bytes, file: str) -> NDArray[np.int64]:
    """(n, 2) offset and content length [bytes] of the records."""
    _header(data, "shx", file)
    if (len(data) - 100) % 8:
        raise _damaged(file, ".shx: length")
    entries = np.frombuffer(data, ">i4", offset=100).reshape(-1, 2).astype(np.int64) * 2
    if len(entries) > MAX_FEATURES:
        raise InputError(_("{file}: more than {limit} features.").format(file=file, limit=MAX_FEATURES))
    return entries


def _records(data: bytes, index: NDArray[np.int64], file: str) -> Iterator[tuple[int, bytes]]:
    _header(data, "shp", file)
    used = 100
    for i, (offset, length) in enumerate(index.tolist()):
        if offset < 100 or length < 4 or offset + 8 + length > len(data):
            raise _damaged(file, f".shx: record {i + 1}")
        number, stated = struct.unpack_from(">ii", data, offset)
        if number != i + 1 or 2 * stated != length:
            raise _damaged(file, f".shp: record {i + 1}")
        used += 8 + length
        yield i + 1, data[offset + 8 : offset + 8 + length]
    if used > len(data):
        raise _damaged(file, ".shx: records overlap")
    if used < len(data) and not _only_gaps(data, index):
        raise _damaged(file, ".shp: records that .shx does not list")


def _only_gaps(data: bytes, index: NDArray[np.int64]) -> bool:
    """True where the bytes that no index entry covers lie between entries, as left by an editor, not after the last."""
    last = max((int(o + 8 + n) for o, n in index), default=100)
    return last == len(data)


def _shape(content: bytes, number: int, file: str) -> tuple[BaseGeometry | None, tuple[ReadNote, ...]]:
    kind = struct.unpack_from("<i", content)[0]
    if kind == 0:
        return None, ()
    if kind in _POINTS:
        return shapely.Point(struct.unpack_from("<2d", content, 4)), ()
    if kind in _MULTIPOINTS:
        count = struct.unpack_from("<i", content, 36)[0]
        points = _coordinates(content, 40, count, number, file)
        return shapely.MultiPoint(points), ()
    if kind not in _LINES | _POLYGONS:
        raise _damaged(file, f".shp: shape type {kind} in record {number}")
    parts = _parts(content, number, file)
    try:
        if kind in _LINES:
            lines = [make_line(p, str(number)) for p in parts]
            return (lines[0] if len(lines) == 1 else shapely.MultiLineString(lines)), ()
        polygon, notes = assemble(parts)
    except ValueError as error:
        return None, (ReadNote(code="bad_ring", text=str(error), level="error", feature=str(number)),)
    return polygon, tuple(ReadNote(code=code, text="", feature=str(number)) for code in notes)


def _parts(content: bytes, number: int, file: str) -> Sequence[NDArray[np.float64]]:
    num_parts, num_points = struct.unpack_from("<2i", content, 36)
    if not 0 < num_parts <= num_points or 44 + 4 * num_parts + 16 * num_points > len(content):
        raise _damaged(file, f".shp: parts of record {number}")
    starts = np.frombuffer(content, "<i4", num_parts, 44).astype(np.int64)
    points = _coordinates(content, 44 + 4 * num_parts, num_points, number, file)
    if starts[0] != 0 or (np.diff(starts) <= 0).any() or starts[-1] >= num_points:
        raise _damaged(file, f".shp: parts of record {number}")
    return np.split(points, starts[1:])


def _coordinates(content: bytes, offset: int, count: int, number: int, file: str) -> NDArray[np.float64]:
    """Points of a record, checked against the box that the record states."""
    if count <= 0 or offset + 16 * count > len(content):
        raise _damaged(file, f".shp: points of record {number}")
    points = np.frombuffer(content, "<f8", 2 * count, offset).reshape(-1, 2).astype(float)
    box = np.array(struct.unpack_from("<4d", content, 4))
    if not np.isfinite(points).all():
        raise _damaged(file, _("a coordinate of record {number} is not a number").format(number=number))
    found = np.concatenate([points.min(axis=0), points.max(axis=0)])
    slack = 1e-9 * np.abs(found).max() + 1e-6 * (found[2:] - found[:2]).max()
    if not np.isfinite(box).all() or np.abs(found - box).max() > slack:
        raise _damaged(file, _("record {number} does not fit the box it states").format(number=number))
    return points


def _cpg(data: bytes | None) -> str | None:
    word = (data or b"").decode("ascii", "ignore").strip().lower().replace("ansi ", "cp").replace("\x00", "")
    if word.isdigit():
        word = {"65001": "utf-8", "88591": "latin-1"}.get(word, f"cp{word}")
    try:
        "".encode(word)
    except (LookupError, ValueError):
        return None
    return word or None


def _table(data: bytes, file: str, encoding: str | None) -> Iterator[dict[str, str]]:
    """Rows of the .dbf as cleaned text."""
    if len(data) < 33:
        raise _damaged(file, ".dbf: header")
    count, header, width = struct.unpack_from("<IHH", data, 4)
    if header < 33 or width < 1 or header > len(data) or header + count * width > len(data):
        raise _damaged(file, f".dbf: {len(data)} bytes, header says {header + count * width}")
    if len(data) - header - count * width > max(width, 64):
        raise _damaged(file, ".dbf: longer than its header says")
    fields = _fields(data, header, width, file, encoding)
    for i in range(count):
        row = data[header + i * width : header + (i + 1) * width]
        yield {name: _cell(row[a:b], kind, data[29], encoding) for name, kind, a, b in fields}


def _fields(
    data: bytes, header: int, width: int, file: str, encoding: str | None
) -> list[tuple[str, str, int, int]]:
    fields: list[tuple[str, str, int, int]] = []
    at, start = 32, 1
    while at + 32 <= header and data[at] != 0x0D:
        raw = data[at : at + 11].split(b"\x00")[0]
        name = clean_key(_decode_cell(raw, data[29], encoding)) or f"field{len(fields) + 1}"
        size = data[at + 16]
        fields.append((name, chr(data[at + 11]), start, start + size))
        start, at = start + size, at + 32
    if start > width:
        raise _damaged(file, ".dbf: fields wider than a row")
    return fields


def _decode_cell(raw: bytes, ldid: int, encoding: str | None) -> str:
    for name in (encoding, "utf-8", _LDID.get(ldid, "cp1252")):
        if name:
            try:
                return raw.decode(name)
            except (UnicodeError, LookupError):
                continue
    return raw.decode("cp1252", "replace")


def _cell(raw: bytes, kind: str, ldid: int, encoding: str | None) -> str:
    text: Any = _decode_cell(raw.split(b"\x00")[0].strip(), ldid, encoding)
    if kind in "NF":
        if not text.strip("*"):
            return ""
        try:
            return clean_text(float(text))
        except ValueError:
            return clean_text(text)
    if kind == "D" and len(text) == 8 and text.isdigit():
        return f"{text[:4]}-{text[4:6]}-{text[6:]}"
    if kind == "L":
        return {"t": "yes", "y": "yes", "f": "no", "n": "no"}.get(text.lower(), "")
    return clean_text(text)
