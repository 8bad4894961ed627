"""The [supply] table of a mudcap.toml: read whole, and every wrong line told at once."""

from __future__ import annotations

import tomllib
from datetime import date

import pytest

from mudcap.files.supply_options import read_supply
from mudcap.supply.params import SupplyParams

GOOD = """
[supply]
needed_by = 2027-01-25
currency = "$"
height = "5 ft"
tray_depth = "2.5 in"
load_shelters = 60
[[supply.packages]]
name = "bundle of 50"
cavities = 50
cost = 9
stock = 120
sanitised = 2026-11-10
from_block = "South"
[[supply.kit]]
name = "wire"
each = 2
unit = "m"
"""


def read(text: str) -> tuple[SupplyParams | None, list[str], list[str]]:
    problems: list[str] = []
    warnings: list[str] = []
    return read_supply(tomllib.loads(text).get("supply"), problems, warnings), problems, warnings


def test_a_table_is_read_with_its_lists_and_days():
    """Lengths with their unit, dates as toml writes them."""
    supply, problems, warnings = read(GOOD)
    assert supply is not None and not problems and not warnings
    assert supply.needed_by == date(2027, 1, 25) and supply.height_m == pytest.approx(1.524)
    assert supply.tray_depth_m == pytest.approx(0.0635) and supply.load_shelters == 60
    (package,) = supply.packages
    assert (package.name, package.cost, package.sanitised, package.from_block) == ("bundle of 50", 9.0, date(2026, 11, 10), "South")
    assert supply.kit[0].each == 2.0


def test_no_table_is_no_supply():
    """Nothing is made up."""
    assert read("")[0] is None


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("[supply]\nfacing = 3", "did you mean"),
        ("supply = 3", "no table"),
        ("[supply]\nfacing_deg = 400", "0 to 360"),
        ("[supply]\nneeded_by = 'soon'", "YYYY-MM-DD"),
        ("[supply]\nload_shelters = 0", "load_shelters"),
        ("[[supply.packages]]\ncavities = 5", "needs a name"),
        ("[[supply.packages]]\nname = 'a'", "how many cavities"),
        ("[[supply.packages]]\nname = 'a'\ncavities = 5\nstock = -1", "stock"),
        ("[[supply.packages]]\nname = 'a'\ncavities = 5\nsanitised = 'yes'", "YYYY-MM-DD"),
        ("[[supply.packages]]\nname = 'a'\ncavities = 5\n[[supply.packages]]\nname = 'a'\ncavities = 6", "twice"),
        ("[[supply.packages]]\nname = 'a'\ncavities = 5\nkind = 'jelly'", "none of tubes"),
        ("[supply]\npackages = 3", "write at most"),
        ("[[supply.kit]]\nname = 'wire'\ncost = -2", "cost"),
    ],
)
def test_what_is_wrong_is_told(line, said):
    """By name, and with what would do."""
    assert any(said in problem for problem in read(line)[1])


def test_an_unusual_tube_is_only_warned_of():
    """9 mm is wide; which way is unusual to face is told once the place is known."""
    _supply, problems, warnings = read(
        "[supply]\nfacing_deg = 270\n[[supply.packages]]\nname = 'a'\ncavities = 5\ndiameter_mm = 9"
    )
    assert not problems and len(warnings) == 1


def test_names_are_cleaned_of_what_no_sheet_should_show():
    """Control characters and tricks with direction go."""
    supply, problems, _warnings = read('[[supply.packages]]\nname = "a\\u202eb\\u0007"\ncavities = 5')
    assert not problems and supply is not None and supply.packages[0].name == "ab"
