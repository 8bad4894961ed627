"""Directions, corners, crops and pairs of spacings as growers write them."""

from __future__ import annotations

from pathlib import Path

import pytest
import shapely
from dresses import BLOCK, geojson, read, write
from test_read_ranch import features

from mudcap.files.spelled import bearing_in, corner_in, crop_in, modes_in, pair_in
from mudcap.orchard.model import Block

FT = 0.3048


def block(tmp_path: Path, **columns: object) -> Block:
    """A block of one square with these columns."""
    orchard = read(write(tmp_path, "blocks.geojson", features((shapely.Polygon(BLOCK), {"id": "A", **columns}))))[0]
    return orchard.blocks[0]


@pytest.mark.parametrize(
    ("text", "degrees"),
    [
        ("N-S", 0.0), ("NS", 0.0), ("n to s", 0.0), ("north", 0.0), ("norte-sur", 0.0), ("E/W", 90.0), ("east-west", 90.0),
        ("E-O", 90.0), ("este-oeste", 90.0), ("NE-SW", 45.0), ("NO-SE", 315.0), ("noreste-suroeste", 45.0), ("NNE", 22.5),
        ("359", 359.0), ("-5", -5.0), ("90°", 90.0), ("90 deg", 90.0), ("12,5", 12.5), ("N 10 E", 10.0), ("N10W", -10.0),
        ("S 45 W", 225.0), ("S20E", 160.0), ("N-E", None), ("N 95 E", None), ("uphill", None), ("", None), ("nan", None),
    ],
)  # fmt: skip
def test_bearing(text: str, degrees: float | None) -> None:
    assert bearing_in(text) == degrees


def test_corner() -> None:
    """Words, letters and dots, English or Spanish; what is no corner comes back to be told."""
    assert {corner_in(w) for w in ("SW", "sw", "S.W.", "southwest", "South West", "SO", "suroeste", "SW corner")} == {"SW"}
    assert corner_in("NO") == "NW"
    assert corner_in("esquina norte") == "N"
    assert corner_in("left") == "LEFT"
    assert corner_in("") == ""


def test_crop() -> None:
    assert [crop_in(w) for w in ("Almonds", "almendro", "PEARS", "Manzanas", "cherries", "Walnuts")] == [
        "almond", "almond", "pear", "apple", "cherry", "walnuts",
    ]  # fmt: skip


def test_pair() -> None:
    assert pair_in("22 ft by 18 ft") == ("22ft", "18ft")
    assert pair_in("6 x 5 m") == ("6m", "5m")
    assert pair_in("20 ft") is None


def test_modes() -> None:
    """A road for trucks and quads is not left out, nor does an unknown word pass."""
    assert modes_in("Truck, ATV") == {"truck", "cart"}
    assert modes_in("all") == modes_in("todos") == {"truck", "cart", "foot"}
    assert modes_in("pickup and on foot") == {"truck", "foot"}
    assert modes_in("vehicles") == {"truck", "cart"}
    assert modes_in("") == frozenset()
    assert modes_in("boat") == {"boat"}


def test_a_road_for_all(tmp_path: Path) -> None:
    """It is read; before, it was left out, and access unknown."""
    write(tmp_path, "blocks.geojson", geojson([("A", BLOCK)]))
    lane = shapely.LineString([(BLOCK[0][0], BLOCK[0][1] - 1e-4), (BLOCK[1][0], BLOCK[1][1] - 1e-4)])
    write(tmp_path, "roads.geojson", features((lane, {"modes": "All"})))
    (road,) = read(tmp_path)[0].roads
    assert road.modes == {"truck", "cart", "foot"}


def test_a_block_in_words(tmp_path: Path) -> None:
    """A block that says its rows, corner, crop and spacings as people write them is not left out, and its crop is known."""
    said = block(tmp_path, Commodity="Almonds", ROW_DIR="E-W", corner="southwest", spacing="22' x 18'")
    assert (said.crop, said.row_bearing_deg, said.corner) == ("almond", 90.0, "SW")
    assert (said.row_spacing_m, said.tree_spacing_m) == (pytest.approx(22 * FT), pytest.approx(18 * FT))


def test_pair_in_feet_by_the_column(tmp_path: Path) -> None:
    """The unit may stand in the column's name; a column of its own wins over the pair."""
    said = block(tmp_path, spacing_ft="22x18", tree_spacing="16 ft")
    assert (said.row_spacing_m, said.tree_spacing_m) == (pytest.approx(22 * FT), pytest.approx(16 * FT))


def test_crop_of_the_ranch(tmp_path: Path) -> None:
    (tmp_path / "mudcap.toml").write_text('[ranch]\ncrop = "Almonds"\n')
    write(tmp_path, "blocks.geojson", geojson([("A", BLOCK)]))
    assert read(tmp_path)[0].blocks[0].crop == "almond"
