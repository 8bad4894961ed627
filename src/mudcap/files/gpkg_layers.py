"""Layers of a GeoPackage, read from a copy in memory by plain SELECTs on tables that are known to be tables.

Views, virtual tables, triggers and functions of the file never run: SQLite is told to trust nothing of its schema, and an
authorizer lets through reading only.

References: OGC 12-128r19 (GeoPackage 1.4): gpkg_contents, gpkg_geometry_columns, the geometry header.
"""

from __future__ import annotations

import sqlite3
import struct
import time
from collections.abc import Iterator
from contextlib import closing
from typing import Any, Final

import numpy as np
import shapely
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from mudcap.errors import InputError
from mudcap.files.crs import WGS84, parse_crs
from mudcap.files.names import clean_key, clean_name, clean_text
from mudcap.files.raw import MAX_FEATURES, RawFeature, RawLayer, ReadNote
from mudcap.files.source import kind_in_words, looks_like
from mudcap.files.wkb import Damaged, read_wkb
from mudcap.lang import _

_ENVELOPE_BYTES: Final = {0: 0, 1: 32, 2: 48, 3: 48, 4: 64}
_ALLOWED: Final = {sqlite3.SQLITE_SELECT, sqlite3.SQLITE_READ}
_SECONDS: Final = 60.0
"""Safety clock for one file; only a hostile file comes near it."""


def read_geopackage(data: bytes, file: str) -> tuple[RawLayer, ...]:
    """All feature layers of a GeoPackage, in the order of its table of contents.

    Raises ``InputError`` where it is none, is damaged (SQLite's own check), names a view as a layer, or the count it
    states for a layer is not what is there.
    """
    kind = looks_like(data)
    if kind != "sqlite":
        raise InputError(_("{file}: not a GeoPackage but {kind}.").format(file=file, kind=kind_in_words(kind)))
    _check_length(data, file)
    try:
        with closing(_open(data)) as db:
            return tuple(_layers(db, file))
    except (sqlite3.Error, UnicodeError, OverflowError) as error:  # UnicodeError: damage quoted in SQLite's own words
        raise InputError(
            _("{file}: the GeoPackage is damaged ({why}). Nothing of it is used; export it again.").format(
                file=file, why=clean_text(error, 100)
            )
        ) from None


def _check_length(data: bytes, file: str) -> None:
    size = struct.unpack_from(">H", data, 16)[0] if len(data) >= 100 else 0
    size = 65536 if size == 1 else size
    pages = struct.unpack_from(">I", data, 28)[0] if len(data) >= 100 else 0
    if size < 512 or size & (size - 1) or len(data) % size or (pages and pages * size != len(data)):
        raise InputError(
            _("{file}: the GeoPackage is cut off or damaged (its length is not what its header says).").format(file=file)
        )


def _open(data: bytes) -> sqlite3.Connection:
    image = bytearray(data)
    image[18:20] = b"\x01\x01"  # a copy in memory cannot use a write-ahead log; vector.py refuses where one is pending
    db = sqlite3.connect(":memory:", isolation_level=None)
    try:
        db.deserialize(bytes(image))
        db.text_factory = bytes
        db.execute("PRAGMA trusted_schema=OFF")
        db.execute("PRAGMA cell_size_check=ON")
        stop = time.monotonic() + _SECONDS
        db.set_progress_handler(lambda: int(time.monotonic() > stop), 100_000)
        if [row[0] for row in db.execute("PRAGMA quick_check(1)")] != [b"ok"]:
            raise sqlite3.DatabaseError("quick_check failed")
    except BaseException:
        db.close()
        raise
    db.set_authorizer(lambda action, *_more: sqlite3.SQLITE_OK if action in _ALLOWED else sqlite3.SQLITE_DENY)
    return db


def _layers(db: sqlite3.Connection, file: str) -> Iterator[RawLayer]:
    tables = {_text(n): _text(s) for n, s in db.execute("SELECT name, sql FROM sqlite_master WHERE type='table'")}
    if not {"gpkg_contents", "gpkg_geometry_columns", "gpkg_spatial_ref_sys"} <= set(tables):
        raise InputError(
            _("{file}: a database, but no GeoPackage with map layers. Export the blocks as GeoPackage.").format(file=file)
        )
    rows = db.execute(
        "SELECT c.table_name, g.column_name, g.srs_id FROM gpkg_contents c, gpkg_geometry_columns g "
        "WHERE c.table_name = g.table_name AND c.data_type = 'features'"
    ).fetchall()
    if not rows:
        raise InputError(_("{file}: the GeoPackage has no feature layer.").format(file=file))
    counts = _counts(db, tables)
    for table_bytes, column, srs_id in rows:
        table = _text(table_bytes)
        sql = tables.get(table)
        if sql is None or sql.upper().startswith("CREATE VIRTUAL"):
            raise InputError(
                _("{file}: layer {layer} is a view or a virtual table, which is not read. Export it as a plain layer.").format(
                    file=file, layer=clean_name(table)
                )
            )  # fmt: skip
        yield _layer(db, file, table, _text(column), _crs(db, srs_id, file), counts.get(table))


def _text(value: Any) -> str:
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)


def _counts(db: sqlite3.Connection, tables: dict[str, str]) -> dict[str, int]:
    """Number of features a layer, as GDAL keeps it in its own extension table."""
    if "gpkg_ogr_contents" not in tables:
        return {}
    rows = db.execute("SELECT table_name, feature_count FROM gpkg_ogr_contents").fetchall()
    return {_text(t): n for t, n in rows if isinstance(n, int)}


def _crs(db: sqlite3.Connection, srs_id: Any, file: str) -> CRS | None:
    row = db.execute(
        "SELECT organization, organization_coordsys_id, definition FROM gpkg_spatial_ref_sys WHERE srs_id = ?", (srs_id,)
    ).fetchone()
    if srs_id in (0, -1):
        return None
    if row is None:
        raise InputError(
            _("{file}: names a coordinate system ({id}) that it does not define.").format(file=file, id=clean_name(srs_id))
        )
    organization, code, definition = _text(row[0]).upper(), row[1], _text(row[2])
    if organization == "EPSG" and code == 4326:
        return WGS84
    if organization in {"EPSG", "ESRI"} and isinstance(code, int):
        return parse_crs(f"{organization}:{code}", file)
    return parse_crs(definition, file)


def _layer(db: sqlite3.Connection, file: str, table: str, column: str, crs: CRS | None, count: int | None) -> RawLayer:
    cursor = db.execute('SELECT * FROM "' + table.replace('"', '""') + '"')
    names = [_text(d[0]) for d in cursor.description]
    if column not in names:
        raise InputError(_("{file}: layer {layer} has no geometry column.").format(file=file, layer=clean_name(table)))
    shape_at = names.index(column)
    keys = [clean_key(n) for n in names]
    features: list[RawFeature] = []
    for row in cursor:
        number = len(features) + 1
        if number > MAX_FEATURES:
            raise InputError(_("{file}: more than {limit} features.").format(file=file, limit=MAX_FEATURES))
        columns = {k: _cell(v) for i, (k, v) in enumerate(zip(keys, row, strict=True)) if i != shape_at and k != "fid"}
        features.append(_feature(row[shape_at], columns, number, file, table))
    if count is not None and count != len(features):
        raise InputError(
            _("{file}: layer {layer} states {stated} features but holds {found}: damaged. Export it again.").format(
                file=file, layer=clean_name(table), stated=count, found=len(features)
            )
        )
    return RawLayer(file=file, layer=clean_name(table), crs=crs, features=tuple(features))


def _cell(value: Any) -> str:
    if isinstance(value, bytes):
        try:
            return clean_text(value.decode("utf-8"))
        except UnicodeError:
            return clean_text(value.decode("cp1252", "replace"))
    return clean_text(value)


def _feature(blob: Any, columns: dict[str, str], number: int, file: str, table: str) -> RawFeature:
    where = f"{clean_name(table)} {number}"
    if blob is None:
        return RawFeature(number=number, geometry=None, attributes=columns)
    try:
        return RawFeature(number=number, geometry=_geometry(blob, where), attributes=columns)
    except Damaged as error:
        raise InputError(
            _("{file}: {why}: damaged. Nothing of it is used; export it again.").format(file=file, why=clean_text(error))
        ) from None
    except ValueError as error:
        note = ReadNote(code="bad_ring", text=clean_text(error), level="error", feature=str(number))
        return RawFeature(number=number, geometry=None, attributes=columns, notes=(note,))


def _geometry(blob: Any, where: str) -> BaseGeometry | None:
    if not isinstance(blob, bytes) or len(blob) < 8 or blob[:2] != b"GP":
        raise Damaged(f"{where}: no GeoPackage geometry")
    flags = blob[3]
    envelope = _ENVELOPE_BYTES.get((flags >> 1) & 7)
    if envelope is None or len(blob) < 8 + envelope:
        raise Damaged(f"{where}: geometry header")
    geometry = read_wkb(blob[8 + envelope :], where)
    if geometry is not None and envelope:
        _check_box(blob, "<" if flags & 1 else ">", geometry, where)
    return geometry


def _check_box(blob: bytes, sign: str, geometry: BaseGeometry, where: str) -> None:
    min_x, max_x, min_y, max_y = struct.unpack_from(f"{sign}4d", blob, 8)
    stated = np.array([min_x, min_y, max_x, max_y])
    found = np.array(shapely.bounds(geometry))
    if np.isnan(stated).all():
        return
    slack = 1e-9 * np.abs(found).max() + 1e-6 * (found[2:] - found[:2]).max()
    if not np.isfinite(stated).all() or np.abs(found - stated).max() > slack:
        raise Damaged(f"{where}: does not fit the box it states")
