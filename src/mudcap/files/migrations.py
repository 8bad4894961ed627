"""How `records.gpkg` came to its present shape: named steps, each recorded in a table, each in one transaction."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from typing import Final

TABLE: Final = "mudcap_migrations"
_GEOPACKAGE: Final = (
    "CREATE TABLE gpkg_spatial_ref_sys (srs_name TEXT NOT NULL, srs_id INTEGER PRIMARY KEY, organization TEXT NOT NULL, "
    "organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT)",
    "INSERT INTO gpkg_spatial_ref_sys VALUES ('Undefined Cartesian SRS', -1, 'NONE', -1, 'undefined', NULL), "
    "('Undefined geographic SRS', 0, 'NONE', 0, 'undefined', NULL), ('WGS 84', 4326, 'EPSG', 4326, "
    "'GEOGCS[\"WGS 84\",DATUM[\"WGS_1984\",SPHEROID[\"WGS 84\",6378137,298.257223563]],PRIMEM[\"Greenwich\",0],"
    "UNIT[\"degree\",0.0174532925199433]]', NULL)",
    "CREATE TABLE gpkg_contents (table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE, "
    "description TEXT DEFAULT '', last_change DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')), "
    "min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE, srs_id INTEGER REFERENCES gpkg_spatial_ref_sys(srs_id))",
    "CREATE TABLE gpkg_geometry_columns (table_name TEXT NOT NULL, column_name TEXT NOT NULL, geometry_type_name TEXT NOT NULL, "
    "srs_id INTEGER NOT NULL, z TINYINT NOT NULL, m TINYINT NOT NULL, PRIMARY KEY (table_name, column_name), "
    "UNIQUE (table_name), FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name), "
    "FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id))",
)  # fmt: skip
"""The tables of a GeoPackage: OGC 12-128r18, 1.1.2, 1.1.3 and 2.1.5 (GDAL lists attribute tables only where the last is)."""

Step = Callable[[sqlite3.Connection], None]


def _m001_about(connection: sqlite3.Connection) -> None:
    """A table that says what the file is."""
    connection.execute(
        "CREATE TABLE about (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, value TEXT NOT NULL)"
    )
    connection.execute("INSERT INTO about (name, value) VALUES ('schema', 'mudcap.records/1')")
    register(connection, "about")


STEPS: Final[tuple[tuple[str, Step], ...]] = (("001_about", _m001_about),)
"""All steps in order. A step that was released is never changed; a new one is added behind it."""
NAMES: Final = frozenset(name for name, _step in STEPS)


def create(connection: sqlite3.Connection, application_id: int, user_version: int) -> None:
    """Make an empty GeoPackage of a new database."""
    connection.execute(f"PRAGMA application_id = {application_id:d}")
    connection.execute(f"PRAGMA user_version = {user_version:d}")
    with connection:
        for statement in _GEOPACKAGE:
            connection.execute(statement)
        connection.execute(f"CREATE TABLE {TABLE} (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE)")
        register(connection, TABLE)


def register(connection: sqlite3.Connection, table: str) -> None:
    """List a table among the contents, so that GIS programs show it."""
    connection.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier) VALUES (?, 'attributes', ?)",
        (table, table),
    )


def missing(connection: sqlite3.Connection) -> Sequence[tuple[str, Step]]:
    """Steps that this file has not had yet."""
    done = {name for (name,) in connection.execute(f"SELECT name FROM {TABLE}")}
    return [(name, step) for name, step in STEPS if name not in done]


def apply(connection: sqlite3.Connection, steps: Sequence[tuple[str, Step]]) -> None:
    """Take the steps in order, each with its record in one transaction."""
    for name, step in steps:
        with connection:
            connection.execute("BEGIN IMMEDIATE")
            step(connection)
            connection.execute(f"INSERT INTO {TABLE} (name) VALUES (?)", (name,))
