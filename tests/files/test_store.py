"""Earlier plans and records: read back exactly, refused when foreign, damaged or newer, and never harmed."""

from __future__ import annotations

import sqlite3
from contextlib import closing, suppress
from datetime import date
from pathlib import Path

import pyogrio
import pytest

from mudcap.errors import StoreError
from mudcap.files import migrations
from mudcap.files.export import write_plan
from mudcap.files.store import APPLICATION_ID, read_codes, read_earlier, records
from small_plan import two_block_plan

TODAY = date(2027, 2, 1)


@pytest.fixture
def plan_file(tmp_path) -> Path:
    """A plan of two blocks with three sites each."""
    write_plan(two_block_plan(per_block=3), tmp_path, {"map.html": ""})
    return tmp_path / "plan.gpkg"


def change(path: Path, *statements: str) -> None:
    with closing(sqlite3.connect(path)) as connection, connection:
        # the R-tree triggers of GDAL's tables call functions that plain SQLite lacks
        for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            connection.execute(f'DROP TRIGGER "{name}"')
        for statement in statements:
            connection.execute(statement)


def test_codes_of_an_earlier_plan(plan_file):
    """Block codes by block id, none where there is no plan."""
    assert read_codes(plan_file) == {"North 40": "N40", "Creek": "CRK"}
    assert read_codes(plan_file.with_name("none.gpkg")) == {} and read_earlier(plan_file.with_name("none.gpkg")).sites == ()


FOREIGN = {
    "no database": (lambda p: p.write_bytes(b"hello" * 100), "no GeoPackage"),
    "empty": (lambda p: p.write_bytes(b""), "no GeoPackage"),
    "plain SQLite": (lambda p: change(p, "PRAGMA application_id = 0"), "another program"),
    "cut in half": (lambda p: p.write_bytes(p.read_bytes()[: p.stat().st_size // 2]), "damaged"),
    "header only": (lambda p: p.write_bytes(p.read_bytes()[:100]), "damaged"),
    "pages overwritten": (lambda p: p.write_bytes(p.read_bytes()[:8192] + b"\xff" * (p.stat().st_size - 8192)), "damaged"),
    "no sites": (lambda p: change(p, "DROP TABLE sites"), "no table 'sites'"),
    "a view for a table": (lambda p: change(p, "DROP TABLE sites", "CREATE VIEW sites AS SELECT 1 AS site_id, 2 AS block, 3 AS lon, 4 AS lat"), "no table"),
    "newer": (lambda p: change(p, "UPDATE about SET value = 'mudcap.plan/2' WHERE name = 'schema'"), "newer mudcap"),
    "other schema": (lambda p: change(p, "UPDATE about SET value = 'else/1' WHERE name = 'schema'"), "no plan of mudcap"),
    "a site twice": (lambda p: change(p, "UPDATE sites SET site_id = 'CRK0001'"), "damaged"),
    "a hostile id": (lambda p: change(p, "UPDATE sites SET site_id = '../../x' WHERE fid = 1"), "damaged"),
    "no position": (lambda p: change(p, "UPDATE sites SET lat = NULL WHERE fid = 1"), "damaged"),
    "off the earth": (lambda p: change(p, "UPDATE sites SET lat = 1e300 WHERE fid = 1"), "damaged"),
    "a place left at no position": (lambda p: change(p, "CREATE TABLE left (site_id TEXT, lon REAL, lat REAL)", "INSERT INTO left VALUES ('CRK0001', 'x', 1.0)"), "damaged"),
    "a serial below 0": (lambda p: change(p, "UPDATE serials SET last = -1"), "damaged"),
}  # fmt: skip


@pytest.mark.parametrize("case", FOREIGN)
def test_foreign_damaged_and_newer_files_are_refused_and_left_alone(plan_file, case):
    """One line that names the file; not a byte is changed, no journal is left beside it."""
    spoil, word = FOREIGN[case]
    spoil(plan_file)
    before, beside = plan_file.read_bytes(), sorted(p.name for p in plan_file.parent.iterdir())
    with pytest.raises(StoreError, match=word) as caught:
        read_earlier(plan_file)
    assert str(plan_file) in str(caught.value) and "\n" not in str(caught.value)
    assert plan_file.read_bytes() == before and sorted(p.name for p in plan_file.parent.iterdir()) == beside


def test_flipped_bytes_never_give_a_traceback(plan_file):
    """Each of 60 flips is read as it was or refused."""
    good = plan_file.read_bytes()
    for k in range(60):
        at = (k * 7919 + 16) % len(good)
        plan_file.write_bytes(good[:at] + bytes([good[at] ^ 0x55]) + good[at + 1 :])
        with suppress(StoreError):
            assert len(read_earlier(plan_file).sites) == 6


def test_a_folder_or_a_broken_link_is_no_plan(tmp_path):
    """Nothing hangs."""
    (tmp_path / "plan.gpkg").symlink_to(tmp_path / "nowhere")
    (tmp_path / "d.gpkg").mkdir()
    for name in ("plan.gpkg", "d.gpkg"):
        with pytest.raises(StoreError, match="is no file"):
            read_earlier(tmp_path / name)


def test_records_are_a_geopackage_of_ours(tmp_path):
    """application_id, version, DELETE journal, FULL sync; other programs list its tables."""
    path = tmp_path / "records.gpkg"
    with records(path, today=TODAY) as connection:
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("delete",)
        assert connection.execute("PRAGMA synchronous").fetchone() == (2,)
    assert int.from_bytes(path.read_bytes()[68:72], "big") == APPLICATION_ID
    assert "about" in {name for name, _kind in pyogrio.list_layers(path)}
    assert sorted(p.name for p in tmp_path.iterdir()) == ["records.gpkg"]


def test_an_exception_rolls_back(tmp_path):
    """All of a visit or nothing."""
    path = tmp_path / "records.gpkg"
    with records(path, today=TODAY):
        pass
    with pytest.raises(RuntimeError), records(path, today=TODAY) as connection:
        connection.execute("INSERT INTO about (name, value) VALUES ('half', 'done')")
        raise RuntimeError
    with records(path, today=TODAY) as connection:
        assert connection.execute("SELECT count(*) FROM about").fetchone() == (1,)


def test_a_migration_backs_up_first_and_is_recorded(tmp_path, monkeypatch):
    """The dated copy holds what was there before; a second one of the same day gets a number."""
    path = tmp_path / "records.gpkg"
    with records(path, today=TODAY) as connection:
        connection.execute("INSERT INTO about (name, value) VALUES ('kept', 'yes')")
    for number, name in ((2, "002_more"), (3, "003_most")):
        step = (name, lambda c, n=number: c.execute(f"CREATE TABLE t{n} (id INTEGER PRIMARY KEY)"))
        monkeypatch.setattr(migrations, "STEPS", (*migrations.STEPS, step))
        monkeypatch.setattr(migrations, "NAMES", frozenset(n for n, _s in migrations.STEPS))
        with records(path, today=TODAY) as connection:
            assert connection.execute("SELECT value FROM about WHERE name = 'kept'").fetchone() == ("yes",)
    copies = sorted(p.name for p in tmp_path.glob("*.backup.gpkg"))
    assert copies == ["records-2027-02-01-2.backup.gpkg", "records-2027-02-01.backup.gpkg"]
    with closing(sqlite3.connect(tmp_path / copies[1])) as copy:
        assert copy.execute("SELECT name FROM mudcap_migrations").fetchall() == [("001_about",)]


def test_a_failing_migration_changes_nothing(tmp_path, monkeypatch):
    """Its half-made table is rolled back."""
    path = tmp_path / "records.gpkg"
    with records(path, today=TODAY):
        pass

    def broken(connection: sqlite3.Connection) -> None:
        connection.execute("CREATE TABLE half (id INTEGER PRIMARY KEY)")
        connection.execute("nonsense")

    monkeypatch.setattr(migrations, "STEPS", (*migrations.STEPS, ("002_broken", broken)))
    with pytest.raises(StoreError, match=r"records\.gpkg"), records(path, today=TODAY):
        pass
    with closing(sqlite3.connect(path)) as connection:
        assert not connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'half'").fetchall()


@pytest.mark.parametrize(("spoil", "word"), [
    (lambda p: change(p, "INSERT INTO mudcap_migrations (name) VALUES ('999_future')"), "newer mudcap"),
    (lambda p: change(p, "DROP TABLE mudcap_migrations"), "no table"),
    (lambda p: change(p, "PRAGMA application_id = 7"), "another program"),
    (lambda p: p.write_bytes(b"\x00" * 4096), "no GeoPackage"),
])  # fmt: skip
def test_records_that_are_not_ours_are_left_alone(tmp_path, spoil, word):
    """Newer, foreign and damaged."""
    path = tmp_path / "records.gpkg"
    with records(path, today=TODAY):
        pass
    spoil(path)
    before = path.read_bytes()
    with pytest.raises(StoreError, match=word), records(path, today=TODAY):
        pass
    assert path.read_bytes() == before
