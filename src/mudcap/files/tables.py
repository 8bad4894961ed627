"""CSV tables of positions (one a row) or of shapes as WKT.

References: OGC 06-103r4 (well-known text). A column of latitudes and one of longitudes are WGS 84 degrees.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from typing import Any, Final

import shapely
from pyproj import CRS
from shapely.errors import ShapelyError
from shapely.geometry.base import BaseGeometry

from mudcap.errors import InputError
from mudcap.files.crs import WGS84, parse_crs
from mudcap.files.names import clean_key, clean_text, plain_letters
from mudcap.files.raw import MAX_DEPTH, MAX_FEATURES, RawFeature, RawLayer, ReadNote
from mudcap.files.source import decode, kind_in_words, looks_like
from mudcap.files.xml import number
from mudcap.lang import _

LATITUDES: Final = {"lat", "latitude", "latitud", "lat dd", "gps lat", "y lat", "lat wgs84"}
LONGITUDES: Final = {"lon", "lng", "long", "longitude", "longitud", "lon dd", "gps lon", "x lon", "lon wgs84"}
_X: Final = {"x", "e", "east", "easting", "este", "x coord", "point x", "pos x"}
_Y: Final = {"y", "n", "north", "northing", "norte", "y coord", "point y", "pos y"}
_WKT: Final = {"wkt", "geometry", "geom", "the geom", "shape wkt", "geometria", "wkt geom"}
_EPSG: Final = {"crs", "epsg", "srid"}
_MAX_CELL: Final = 5_000_000


def read_table(data: bytes, file: str, *, encoding: str | None = None) -> RawLayer:
    """The layer of a CSV file: a feature a row, from its WKT column, or points from its position columns.

    Columns of latitude and longitude are WGS 84; x and y (easting and northing) and WKT have no CRS unless a column
    `epsg` or `crs` says one. Raises ``InputError`` naming the line of the first bad number, quote or shape.
    """
    kind = looks_like(data)
    if kind:
        raise InputError(_("{file}: not a CSV table but {kind}.").format(file=file, kind=kind_in_words(kind)))
    text, _encoding = decode(data, file, encoding)
    if "\x00" in text:
        raise InputError(_("{file}: holds zero bytes; no text table. Export it again as CSV.").format(file=file))
    rows = read_rows(text, file)
    if len(rows) < 2:
        raise InputError(_("{file}: no rows below the column names.").format(file=file))
    head = [plain_letters(c) for c in rows[0][1]]
    crs, columns = _shape_columns(head, file)
    epsg = next((i for i, h in enumerate(head) if h in _EPSG), None)
    if epsg is not None and crs is None:
        crs = _one_crs([r[epsg] for _line, r in rows[1:] if epsg < len(r)], file)
    keys = _keys(rows[0][1])
    decimal_comma = has_decimal_commas(text)
    features: list[RawFeature] = []
    for line, row in rows[1:]:
        if len(features) >= MAX_FEATURES:
            raise InputError(_("{file}: more than {limit} rows.").format(file=file, limit=MAX_FEATURES))
        features.append(_feature(row, keys, columns, crs, line, len(features) + 1, file, decimal_comma))
    return RawLayer(file=file, layer="", crs=crs or _srid(rows, columns, file), features=tuple(features))


def read_rows(text: str, file: str) -> list[tuple[int, list[str]]]:
    """Rows that are not empty with their line numbers; the first holds the column names.

    Raises ``InputError`` naming the line where a quote is not closed.
    """
    csv.field_size_limit(_MAX_CELL)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=_delimiter(text), strict=True)
    rows: list[tuple[int, list[str]]] = []
    try:
        for row in reader:
            if any(cell.strip() for cell in row):
                rows.append((reader.line_num, row))
    except csv.Error as error:
        raise InputError(
            _("{file}, line {line}: the table cannot be read ({why}). Look for a quote that is not closed.").format(
                file=file, line=rows[-1][0] + 1 if rows else 1, why=clean_text(error, 60)
            )
        ) from None
    if not rows:
        raise InputError(_("{file}: the table is empty.").format(file=file))
    return rows


def _delimiter(text: str) -> str:
    head = text.lstrip("\ufeff").split("\n", 1)[0]
    head = re.sub(r'"[^"]*"', "", head)
    return max(",;\t|", key=lambda c: (head.count(c), c == ","))


def _keys(names: Sequence[str]) -> list[str]:
    out: list[str] = []
    for i, name in enumerate(names):
        key = clean_key(name) or f"column {i + 1}"
        out.append(key if key not in out else f"{key} {i + 1}")
    return out


def _shape_columns(head: Sequence[str], file: str) -> tuple[CRS | None, tuple[int, ...]]:
    """The CRS that the column names imply and the places of the WKT column, or of x and y."""
    for i, h in enumerate(head):
        if h in _WKT:
            return None, (i,)
    for crs, xs, ys in ((WGS84, LONGITUDES, LATITUDES), (None, _X, _Y)):
        x = [i for i, h in enumerate(head) if h in xs]
        y = [i for i, h in enumerate(head) if h in ys]
        if x and y:
            return crs, (x[0], y[0])
    raise InputError(
        _("{file}: no columns of positions. Name them lat and lon, or x and y, or give shapes in a column wkt.").format(
            file=file
        )
    )


def _one_crs(words: Sequence[str], file: str) -> CRS | None:
    given = {w.strip() for w in words if w.strip()}
    if len(given) > 1:
        raise InputError(_("{file}: rows in different coordinate systems; give each its own file.").format(file=file))
    return parse_crs(given.pop(), file) if given else None


def _srid(rows: Sequence[tuple[int, list[str]]], columns: tuple[int, ...], file: str) -> CRS | None:
    if len(columns) != 1:
        return None
    found = [re.match(r"\s*SRID\s*=\s*(\d+)\s*;", r[columns[0]], re.I) for _line, r in rows[1:] if columns[0] < len(r)]
    return _one_crs([m[1] for m in found if m], file)


def _feature(
    row: list[str],
    keys: list[str],
    columns: tuple[int, ...],
    crs: CRS | None,
    line: int,
    place: int,
    file: str,
    decimal_comma: bool,
) -> RawFeature:
    attributes = {k: clean_text(c) for i, (k, c) in enumerate(zip(keys, row, strict=False)) if i not in columns}
    if max(columns) >= len(row):
        raise InputError(_("{file}, line {line}: too few columns.").format(file=file, line=line))
    if len(columns) == 1:
        return _wkt_feature(row[columns[0]], attributes, line, place, file)
    x, y = (_number(row[i], line, file, decimal_comma) for i in columns)
    if crs == WGS84 and (abs(y) > 90 or abs(x) > 360):
        raise InputError(
            _("{file}, line {line}: {lat}, {lon} is no latitude and longitude{hint}.").format(
                file=file, line=line, lat=y, lon=x, hint=_("; are they swapped?") if abs(x) <= 90 else ""
            )
        )
    return RawFeature(number=place, geometry=shapely.Point(x, y), attributes=attributes)


def has_decimal_commas(text: str) -> bool:
    """Whether a table's numbers may have decimal commas, since its columns are parted by something else."""
    return _delimiter(text) in ";\t"


def with_point(word: str, decimal_comma: bool) -> str:
    """A number's text with a decimal point.

    >>> with_point("-119,499", True), with_point("-119.499", True), with_point("-119,499", False)
    ('-119.499', '-119.499', '-119,499')
    """
    return word.replace(",", ".") if decimal_comma and "." not in word and word.count(",") == 1 else word


def _number(cell: str, line: int, file: str, decimal_comma: bool) -> float:
    try:
        return number(with_point(cell.strip().rstrip("°").strip(), decimal_comma))
    except ValueError as error:
        raise InputError(
            _("{file}, line {line}: {why}. Positions are decimal numbers such as 37.123456.").format(
                file=file, line=line, why=error
            )
        ) from None


def _wkt_feature(cell: str, attributes: dict[str, str], line: int, place: int, file: str) -> RawFeature:
    try:
        geometry = read_wkt(cell)
    except ValueError as error:
        raise InputError(
            _("{file}, line {line}: no shape can be read ({why}).").format(file=file, line=line, why=clean_text(error, 80))
        ) from None
    if isinstance(geometry, str):
        note = ReadNote(code="bad_ring", text=geometry, level="error", feature=str(place))
        return RawFeature(number=place, geometry=None, attributes=attributes, notes=(note,))
    return RawFeature(number=place, geometry=geometry, attributes=attributes)


def read_wkt(text: str) -> BaseGeometry | str | None:
    """Geometry (two dimensions) of well-known text; a message where its ring has too few corners; ``ValueError`` where
    it is no WKT."""
    word = re.sub(r"^\s*SRID\s*=\s*\d+\s*;", "", text, flags=re.I).strip()
    if not word:
        return None
    depth = deepest = 0
    for c in re.findall(r"[()]", word):
        depth += 1 if c == "(" else -1
        deepest = max(deepest, depth)
    if depth != 0 or deepest > MAX_DEPTH + 4:
        raise ValueError("brackets do not match or nest too deep")
    if re.search(r"\b(nan|inf)", word, flags=re.I):
        raise ValueError("a coordinate is not a number")
    try:
        geometry: Any = shapely.force_2d(shapely.from_wkt(word))
    except NotImplementedError:
        raise ValueError("a curve, which is not read") from None
    except ShapelyError as error:
        if "closed linestring" in str(error) or "Invalid number of points" in str(error):
            return clean_text(error, 80)
        raise ValueError(clean_text(error, 80)) from None
    return None if geometry is None or geometry.is_empty else geometry
