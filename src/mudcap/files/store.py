"""What lasts beside a plan: reading an earlier plan back, and the ranch's own `records.gpkg`.

Both are GeoPackages, so that any GIS program lists them; which of them a file is, and in which version, stands in a table
of ours. A file that is foreign, damaged or newer is refused and its bytes are left alone.

References: OGC 12-128r18 (application_id 'GPKG'); sqlite.org/atomiccommit.html (rollback journal with synchronous FULL);
sqlite.org/wal.html (the WAL-reset bug of 3.7.0–3.51.2, which is why no WAL is used).
"""

from __future__ import annotations

import math
import re
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from datetime import date
from pathlib import Path
from typing import Any, Final

from mudcap.errors import StoreError
from mudcap.files import migrations
from mudcap.lang import _
from mudcap.plan.model import Earlier, EarlierSite, Place

PLAN_SCHEMA: Final = "mudcap.plan/1"
APPLICATION_ID: Final = 0x47504B47
"""'GPKG' in ASCII: OGC 12-128r18, requirement 2."""
USER_VERSION: Final = 10_300
"""GeoPackage 1.3.0."""
_SITE_ID: Final = re.compile(r"[A-Z0-9]{1,3}[0-9]{1,4}\Z")
_CODE: Final = re.compile(r"[A-Z0-9]{1,3}\Z")
_MAX_SITES: Final = 1_000_000


def read_earlier(path: Path) -> Earlier:
    """Sites and last serials of an earlier plan; an empty `Earlier` where there is no such file.

    Raises ``StoreError`` where the file is none of ours, damaged, or written by a newer mudcap; it is never changed.
    """
    if not path.exists() and not path.is_symlink():
        return Earlier()
    with _reading(path) as connection:
        about = dict(_rows(connection, path, "about", "name, value"))
        _check_schema(path, str(about.get("schema", "")))
        sites = tuple(
            _site(path, row) for row in _rows(connection, path, "sites", "site_id, block, lon, lat, row, tree")
        )
        serials = {str(code): last for code, last in _rows(connection, path, "serials", "code, last")}
        left: dict[str, tuple[Place, ...]] = {}
        if connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'left'").fetchone():  # only where edits left places
            for site_id, lon, lat in _rows(connection, path, "left", "site_id, lon, lat"):
                place = _site(path, (site_id, "", lon, lat, 0, 0))
                left[site_id] = (*left.get(site_id, ()), (place.lon, place.lat))
    if len({s.site_id for s in sites}) != len(sites) or any(
        not isinstance(n, int) or n < 0 for n in serials.values()
    ):
        raise _damaged(path)
    return Earlier(sites=sites, last_serial=serials, left=left)


def read_codes(path: Path) -> dict[str, str]:
    """Block codes of an earlier plan by block id, so that its site_ids keep their beginnings; {} without such a file."""
    if not path.exists() and not path.is_symlink():
        return {}
    with _reading(path) as connection:
        codes = _rows(connection, path, "blocks", "block, code")
    if not all(
        isinstance(block, str) and isinstance(code, str) and _CODE.match(code) for block, code in codes
    ):
        raise _damaged(path)
    return dict(codes)


def read_tables(path: Path, columns: Mapping[str, str]) -> dict[str, list[tuple[Any, ...]]]:
    """Rows of some tables of a plan, by table; `columns` names the columns of each.

    Raises ``StoreError`` where the file is none of ours, damaged, or written by a newer mudcap.
    """
    with _reading(path) as connection:
        about = dict(_rows(connection, path, "about", "name, value"))
        _check_schema(path, str(about.get("schema", "")))
        return {table: _rows(connection, path, table, names) for table, names in columns.items()}


@contextmanager
def records(path: Path, *, today: date) -> Iterator[sqlite3.Connection]:
    """The open records of a ranch, made if they are missing and brought up to date; a dated backup is made before that.

    One connection, rollback journal, full synchronisation: what was committed survives a crash and a power cut. Commits
    on leaving, rolls back after an exception. Raises ``StoreError`` where the file is foreign, damaged or newer.
    """
    fresh = not path.exists()
    if not fresh:
        with _reading(path) as connection:
            _check_records(connection, path)
    try:
        with closing(_connect(path)) as connection:
            if fresh:
                migrations.create(connection, APPLICATION_ID, USER_VERSION)
            missing = migrations.missing(connection)
            if missing and not fresh:
                _back_up(connection, path, today)
            migrations.apply(connection, missing)
            with connection:
                yield connection
    except sqlite3.Error as error:
        raise StoreError(
            _("{file}: cannot be written ({reason}). Nothing was changed.").format(file=path, reason=error)
        ) from error


def _connect(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path, timeout=5.0, isolation_level="IMMEDIATE")
    for pragma in ("journal_mode=DELETE", "synchronous=FULL", "foreign_keys=ON", "trusted_schema=OFF"):
        connection.execute(f"PRAGMA {pragma}")
    return connection


@contextmanager
def _reading(path: Path) -> Iterator[sqlite3.Connection]:
    """A read-only connection to a sound GeoPackage; every failure is a ``StoreError`` that names the file."""
    if not path.is_file():
        raise StoreError(_("{file}: is no file. Move it away and run again.").format(file=path))
    try:
        with open(path, "rb") as handle:
            head = handle.read(100)
        if len(head) < 100 or not head.startswith(b"SQLite format 3\x00"):
            raise StoreError(_("{file}: is no GeoPackage. Move it away and run again.").format(file=path))
        if int.from_bytes(head[68:72], "big") != APPLICATION_ID:
            raise StoreError(
                _("{file}: belongs to another program. Move it away and run again.").format(file=path)
            )
        with closing(
            sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=5.0)
        ) as connection:
            connection.execute("PRAGMA trusted_schema=OFF")
            connection.execute("PRAGMA cell_size_check=ON")
            if connection.execute("PRAGMA quick_check(1)").fetchone() != ("ok",):
                raise _damaged(path)
            yield connection
    except (sqlite3.Error, UnicodeDecodeError) as error:
        raise _damaged(path) from error
    except OSError as error:
        raise StoreError(
            _("{file}: cannot be read ({reason}).").format(file=path, reason=error.strerror)
        ) from error


def _rows(connection: sqlite3.Connection, path: Path, table: str, columns: str) -> list[tuple[Any, ...]]:
    """Rows of a real table (a view could run anything its maker wished)."""
    kind = connection.execute("SELECT type FROM sqlite_master WHERE name = ?", (table,)).fetchone()
    if kind != ("table",):
        raise StoreError(
            _("{file}: is no plan of mudcap: it has no table '{table}'. Move it away and run again.").format(
                file=path, table=table
            )
        )
    try:
        return connection.execute(f'SELECT {columns} FROM "{table}" LIMIT {_MAX_SITES}').fetchall()
    except sqlite3.OperationalError as error:
        if "no such column" not in str(error):
            raise
        raise StoreError(
            _("{file}: lacks what this mudcap writes ({what}). Run mudcap plan again.").format(
                file=path, what=str(error).rpartition(": ")[2]
            )
        ) from error


def _check_schema(path: Path, schema: str) -> None:
    if schema == PLAN_SCHEMA:
        return
    name, _slash, version = schema.partition("/")
    if name == PLAN_SCHEMA.partition("/")[0] and version.isdigit():
        raise _newer(path)
    raise StoreError(_("{file}: is no plan of mudcap. Move it away and run again.").format(file=path))


def _check_records(connection: sqlite3.Connection, path: Path) -> None:
    rows = _rows(connection, path, migrations.TABLE, "name")
    if any(name not in migrations.NAMES for (name,) in rows):
        raise _newer(path)


def _site(path: Path, row: tuple[Any, ...]) -> EarlierSite:
    site_id, block, lon, lat, line, tree = row
    if not (isinstance(site_id, str) and _SITE_ID.match(site_id) and isinstance(block, str)):
        raise _damaged(path)
    if not (isinstance(lon, float) and isinstance(lat, float) and math.isfinite(lon) and math.isfinite(lat)):
        raise _damaged(path)
    if abs(lon) > 180 or abs(lat) > 90:
        raise _damaged(path)
    if not (isinstance(line, int) and isinstance(tree, int)):
        raise _damaged(path)
    return EarlierSite(site_id=site_id, block_id=block, lon=lon, lat=lat, row=line, tree=tree)


def _back_up(connection: sqlite3.Connection, path: Path, today: date) -> Path:
    """A copy through SQLite's backup interface, named by date and never over an older one."""
    for count in range(1, 1000):
        copy = path.with_name(
            f"{path.stem}-{today.isoformat()}{'' if count == 1 else f'-{count}'}.backup.gpkg"
        )
        if not copy.exists():
            with closing(sqlite3.connect(copy)) as target:
                connection.backup(target)
            return copy
    raise StoreError(_("{file}: too many backups of today beside it. Move some away.").format(file=path))


def _damaged(path: Path) -> StoreError:
    return StoreError(
        _(
            "{file}: is damaged; it was left as it is. Bring back a copy of it, or move it away and run again."
        ).format(file=path)
    )


def _newer(path: Path) -> StoreError:
    return StoreError(
        _("{file}: was written by a newer mudcap; it was left as it is. Update mudcap and run again.").format(
            file=path
        )
    )
