"""Sites read back from plan.gpkg: with and without supply, and what is refused."""

from __future__ import annotations

import sqlite3

import pytest

from mudcap.errors import InputError, StoreError
from mudcap.files.geopackage import write_geopackage
from mudcap.files.plan_sites import read_plan_sites
from mudcap.plan.picking import picks
from small_plan import two_block_plan
from supplied import with_supply


@pytest.mark.parametrize("plan", [two_block_plan(), with_supply(two_block_plan()), with_supply(two_block_plan(), names=("=é\"'", "b"), magnetic=False)])
def test_what_was_written_is_read_back(tmp_path, plan):
    """Sites in picking order with packages, facing and loads, to the last bit; the plan's number and ranch."""
    write_geopackage(plan, tmp_path / "plan.gpkg")
    found = read_plan_sites(tmp_path / "plan.gpkg")
    assert found.sites == picks(plan)
    assert (found.number, found.ranch, found.units) == ("0badcafe", "Willow Bend (invented)", "us")


def test_a_missing_plan_is_told_with_what_to_do(tmp_path):
    """Exit code 3."""
    with pytest.raises(InputError, match="Run mudcap plan first"):
        read_plan_sites(tmp_path / "plan.gpkg")


@pytest.mark.parametrize("change", [
    "UPDATE sites SET site_id = 'x''); --' WHERE number = 3", "UPDATE sites SET packages = '[[1, 2]]'", "UPDATE sites SET packages = '{'",
    "UPDATE sites SET cavities = -1", "UPDATE sites SET load = 'two'", "UPDATE sites SET lat = 91.0", "UPDATE sites SET lat = NULL",
    "UPDATE sites SET facing_deg = 9e999", "UPDATE sites SET site_id = 'CRK0001'", "UPDATE about SET value = '../x' WHERE name = 'plan'",
])  # fmt: skip
def test_a_changed_file_is_called_damaged(tmp_path, change):
    """Nothing of it comes into a label."""
    path = tmp_path / "plan.gpkg"
    write_geopackage(with_supply(two_block_plan(per_block=3)), path)
    with sqlite3.connect(path) as connection:
        for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            connection.execute(f'DROP TRIGGER "{name}"')
        connection.execute(change)
    connection.close()
    with pytest.raises(StoreError, match="damaged"):
        read_plan_sites(path)


def test_a_plan_of_an_earlier_version_is_told(tmp_path):
    """By the column that it lacks."""
    path = tmp_path / "plan.gpkg"
    write_geopackage(two_block_plan(per_block=3), path)
    with sqlite3.connect(path) as connection:
        connection.execute("ALTER TABLE sites RENAME COLUMN packages TO other")
    connection.close()
    with pytest.raises(StoreError, match=r"lacks what this mudcap writes \(packages\)"):
        read_plan_sites(path)
