"""Edits from the orchard: read from each format, or refused line by line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from mudcap.errors import InputError
from mudcap.files.edits import read_edits


def test_edits_from_a_handheld(tmp_path: Path) -> None:
    """Waypoints by name, type or comment, in English and Spanish; a site's own name alone means it was moved there."""
    points = [
        ("pin", "", "37.1"), ("ban CRE0012", "", "37.2"), ("W1", "<type>agregar</type>", "37.3"), ("CRE0013", "", "37.4"),
        ("Mover", "<cmt>N400007</cmt>", "37.5"),
    ]  # fmt: skip
    body = "".join(f'<wpt lat="{lat}" lon="-120.1"><name>{n}</name>{x}</wpt>' for n, x, lat in points)
    path = tmp_path / "e.gpx"
    path.write_text(f'<gpx xmlns="http://www.topografix.com/GPX/1/1">{body}</gpx>')
    found = [(e.kind, e.site_id, e.lat) for e in read_edits(path)[0]]
    assert found == [("pin", "", 37.1), ("ban", "CRE0012", 37.2), ("add", "", 37.3), ("move", "CRE0013", 37.4), ("move", "N400007", 37.5)]


def test_edits_from_tables_and_maps(tmp_path: Path) -> None:
    """CSV with and without positions, and GeoJSON with and without points, say the same."""
    table = tmp_path / "e.csv"
    table.write_text("kind,site_id,lat,lon,note\npin,cre0012,,,dry\nadd,,37.1,-120.2,\n")
    bare = tmp_path / "bare.csv"
    bare.write_text("kind;site_id\nban;CRE0012\n")
    shape = tmp_path / "e.geojson"
    shape.write_text(
        json.dumps(
            {"type": "FeatureCollection", "features": [
                {"type": "Feature", "properties": {"kind": "pin", "site_id": "CRE0012", "note": "dry"}, "geometry": None},
                {"type": "Feature", "properties": {"kind": "add"}, "geometry": {"type": "Point", "coordinates": [-120.2, 37.1]}},
            ]}
        )
    )  # fmt: skip
    for path in (table, shape):
        found = [(e.kind, e.site_id, e.lat, e.lon, e.note) for e in read_edits(path)[0]]
        assert found == [("pin", "CRE0012", None, None, "dry"), ("add", "", 37.1, -120.2, "")]
    assert [(e.kind, e.site_id) for e in read_edits(bare)[0]] == [("ban", "CRE0012")]


def test_faulty_edits_are_named_together(tmp_path: Path) -> None:
    """Each fault its line: no kind, no position, no site, no number, out of range."""
    path = tmp_path / "e.csv"
    path.write_text("kind,site_id,lat,lon\n,CRE0012,,\nadd,,,\nmove,,37,-120\npin,,x,-120\nban,,137,-20\npin,,,\n")
    with pytest.raises(InputError) as refusal:
        read_edits(path)
    lines = str(refusal.value).splitlines()
    assert [w for w in lines if "are they swapped?" in w] == [w for w in lines if "line 6" in w]
    assert sorted(w.split(":")[0] for w in lines) == [f"e.csv, line {i}" for i in range(2, 8)]
    with pytest.raises(InputError, match="edits are read from"):
        read_edits(tmp_path / "e.xlsx")


def test_waypoints_that_are_no_edits_are_named_and_the_others_hold(tmp_path: Path) -> None:
    """A handheld carries its gates and its truck besides."""
    path = tmp_path / "walk.gpx"
    points = ("pin by the pump", "Gate 4", "CRE0012", "Truck")
    path.write_text('<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1">'
                    + "".join(f'<wpt lat="36.9" lon="-120.{k}"><name>{name}</name></wpt>' for k, name in enumerate(points)) + "</gpx>")  # fmt: skip
    edits, (said,) = read_edits(path)
    assert [(e.kind, e.site_id) for e in edits] == [("pin", ""), ("move", "CRE0012")]
    assert said.level == "warning" and "2 waypoints" in said.text and "Gate 4" in said.text and "Truck" in said.text


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("no_head.csv", "ban,CRE0012,,,\n"),
        ("head.csv", "kind,site_id,lat,lon,note\n"),
        ("track.gpx", '<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg><trkpt lat="36" lon="-120"/>'
                      '<trkpt lat="36.1" lon="-120"/></trkseg></trk></gpx>'),
    ],
)  # fmt: skip
def test_a_file_without_an_edit_is_refused(tmp_path: Path, name: str, text: str) -> None:
    """Else a list without its first line would be followed by nobody, and nobody told."""
    (tmp_path / name).write_text(text)
    with pytest.raises(InputError, match=r"no edit|no rows"):
        read_edits(tmp_path / name)


def test_decimal_commas_are_read_where_semicolons_part_the_columns(tmp_path: Path) -> None:
    """As spreadsheets write them in much of the world."""
    path = tmp_path / "e.csv"
    path.write_text("kind;lat;lon;note\npin;36,9312;-120,0041;by the shop\n")
    (edit,), _said = read_edits(path)
    assert (edit.lat, edit.lon, edit.note) == (36.9312, -120.0041, "by the shop")
