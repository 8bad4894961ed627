"""What a run leaves in its folder: all or nothing, the same bytes for the same plan, nothing executed, nothing lost."""

from __future__ import annotations

import csv
import io
import json
import math
import os
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import openpyxl
import pyogrio
import pytest

from mudcap.errors import StoreError
from mudcap.files.atomic import LOCK, READY, STAGE, locked, settle, staged, write_file
from mudcap.files.export import OUTPUTS, plan_files, write_plan
from mudcap.files.geopackage import reason_names
from mudcap.files.sites_geojson import sites_geojson
from mudcap.files.spreadsheet import COLUMNS, guarded, picklist_csv, picklist_xlsx
from mudcap.files.store import read_earlier
from mudcap.files.waypoints import sites_gpx
from mudcap.orchard.model import Exclusion
from small_plan import HOSTILE_NAMES, relaxed, two_block_plan, with_fallback

RENDERED = {"map.html": "<!doctype html>", "sheet.pdf": b"%PDF-1.7", "picklist.pdf": b"%PDF-1.7",
            "checks.pdf": b"%PDF-1.7", "contractor.pdf": b"%PDF-1.7"}  # fmt: skip
GPX = "{http://www.topografix.com/GPX/1/1}"


def names(directory: Path) -> list[str]:
    return sorted(os.listdir(directory))


def test_all_outputs_are_written_and_nothing_else(tmp_path):
    """No hidden folder, no lock is left."""
    paths = write_plan(two_block_plan(), tmp_path / "out", RENDERED)
    assert [p.name for p in paths] == list(OUTPUTS) and names(tmp_path / "out") == sorted(OUTPUTS)
    assert all(p.stat().st_size for p in paths) and names(tmp_path) == ["out"]


def test_the_same_plan_gives_the_same_bytes(tmp_path):
    """In every file, another day and in another folder too."""
    first = write_plan(two_block_plan(), tmp_path / "a", RENDERED)
    again = write_plan(two_block_plan(), tmp_path / "b", RENDERED)
    for one, other in zip(first, again, strict=True):
        assert one.read_bytes() == other.read_bytes(), one.name


def test_old_outputs_are_replaced_whole_and_foreign_files_stay(tmp_path):
    """An output that the new plan does not have goes; what is not ours is not touched."""
    (tmp_path / "notes.txt").write_text("mine")
    (tmp_path / "sub").mkdir()
    write_plan(two_block_plan(), tmp_path, RENDERED)
    write_plan(two_block_plan(per_block=5), tmp_path, {"map.html": "new"})
    assert not (tmp_path / "sheet.pdf").exists() and (tmp_path / "map.html").read_text() == "new"
    assert (tmp_path / "notes.txt").read_text() == "mine" and (tmp_path / "sub").is_dir()
    assert len(read_earlier(tmp_path / "plan.gpkg").sites) == 10


def test_an_unknown_output_is_a_wrong_call(tmp_path):
    """Names of files never come from elsewhere."""
    with pytest.raises(ValueError, match=r"\.\./x"):
        write_plan(two_block_plan(), tmp_path, {"../x": ""})


@pytest.mark.parametrize("name", HOSTILE_NAMES)
def test_hostile_names_never_become_file_names_or_formulas(tmp_path, name):
    """Whatever a block is called, the files have their names, can be read back, and calculate nothing."""
    plan = two_block_plan(names=(name, "Creek"))
    assert names(write_plan(plan, tmp_path / "o", RENDERED)[0].parent) == sorted(OUTPUTS)
    rows = list(csv.DictReader(io.StringIO(picklist_csv(plan), newline="")))
    assert {r["block"] for r in rows} == {guarded(name), "Creek", ""}
    assert all(r["block"][:1] not in tuple("=+-@\t\r") for r in rows if r["block"])
    book = openpyxl.load_workbook(io.BytesIO(picklist_xlsx(plan)))
    cells = [c for sheet in book for row in sheet.iter_rows() for c in row]
    assert not [c for c in cells if c.data_type == "f"] and name in [c.value for c in cells]
    assert name in ET.fromstring(sites_gpx(plan)).findtext(f"{GPX}wpt/{GPX}desc")
    assert json.loads(plan_files(plan)["report.json"])["blocks"][0]["id"] == name
    assert {s.block_id for s in read_earlier(tmp_path / "o" / "plan.gpkg").sites} == {name, "Creek"}


def test_markdown_shows_hostile_names_as_they_are():
    """Neither a link, nor HTML, nor a second table cell."""
    text = plan_files(two_block_plan(names=("[x](javascript:1)<b>|y", "Creek")))["report.md"]
    assert "\\[x\\](javascript:1)\\<b\\>\\|y" in text and "<b>" not in text.replace("\\<b\\>", "")


@pytest.mark.parametrize(("text", "expected"), [
    ("=1+1", "'=1+1"), (" =1", "' =1"), ("＝1", "'＝1"), ("\t=1", "'\t'=1"), ("a;=1", "a;'=1"), ("7;-8", "7;'-8"), ("\u3000=1", "'\u3000=1"), ("﹦1", "'﹦1"), ("", ""), ("North-40", "North-40"), ("7", "7"),
])  # fmt: skip
def test_the_guard_touches_only_what_a_spreadsheet_would_calculate(text, expected):
    """Full-width signs and leading blanks too."""
    assert guarded(text) == expected


def test_pick_list_sums_hold_and_numbers_stay_numbers():
    """Totals by block and ranch are the sums of the lines; every other number is one in CSV and XLSX alike."""
    plan = two_block_plan()
    rows = list(csv.DictReader(io.StringIO(picklist_csv(plan), newline="")))
    assert tuple(rows[0]) == COLUMNS
    for key in ("cavities", "females", "males"):
        per_block = {}
        for r in rows:
            if r["line"] == "site":
                per_block[r["block"]] = per_block.get(r["block"], 0) + int(r[key])
        assert {r["block"]: int(r[key]) for r in rows if r["line"] == "block total"} == per_block
        assert [int(r[key]) for r in rows if r["line"] == "ranch total"] == [sum(per_block.values())]
    numbers = [r["number"] for r in rows if r["line"] == "site" and r["block"] == "Creek"]
    assert numbers == [str(n) for n in range(1, 19)]
    sheet = openpyxl.load_workbook(io.BytesIO(picklist_xlsx(plan))).worksheets[0]
    assert all(isinstance(row[4], int) for row in sheet.iter_rows(min_row=2, values_only=True))
    assert sheet.print_title_rows == "$1:$1" and sheet.page_setup.orientation == "landscape"


def test_a_foreign_spreadsheet_reader_sees_the_same_lines(tmp_path):
    """GDAL's XLSX reader agrees with the CSV."""
    plan = two_block_plan()
    (tmp_path / "p.xlsx").write_bytes(picklist_xlsx(plan))
    table = pyogrio.raw.read(f"XLSX:{tmp_path / 'p.xlsx'}", layer="Pick-list", read_geometry=False)
    columns = dict(zip(table[0]["fields"], table[3], strict=True))
    assert [i for i in columns["Site"] if i] == [s.site_id for s in plan.sites]


def test_gpx_is_valid_for_the_published_elements():
    """GPX 1.1: elements of a waypoint in the schema's order, short unique names, 7 decimals, no time.

    Reference: topografix.com/GPX/1/1/gpx.xsd, wptType.
    """
    order = ["ele", "time", "magvar", "geoidheight", "name", "cmt", "desc", "src", "link", "sym", "type"]
    root = ET.fromstring(sites_gpx(two_block_plan()))
    assert root.tag == f"{GPX}gpx" and root.attrib["version"] == "1.1" and root.attrib["creator"] == "mudcap"
    points = root.findall(f"{GPX}wpt")
    found = [p.findtext(f"{GPX}name") for p in points]
    assert len(set(found)) == len(found) == 36 and all(1 <= len(n) <= 7 for n in found)
    for p in points:
        tags = [c.tag.removeprefix(GPX) for c in p]
        assert tags == sorted(tags, key=order.index) and "time" not in tags
        assert all(len(p.attrib[k].partition(".")[2]) <= 7 for k in ("lat", "lon"))


def test_gpx_reads_back_through_gdal_at_the_same_place(tmp_path):
    """Within half of the last decimal."""
    plan = two_block_plan()
    path = tmp_path / "sites.gpx"
    path.write_text(sites_gpx(plan), encoding="utf-8")
    geometry = pyogrio.raw.read(path, layer="waypoints")[2]
    import shapely

    for site, point in zip(plan.sites, shapely.from_wkb(geometry), strict=True):
        assert abs(point.x - site.lon) <= 5.1e-8 and abs(point.y - site.lat) <= 5.1e-8


def test_geojson_follows_rfc_7946():
    """Longitude first, no crs member, no nan, ids unique."""
    data = json.loads(sites_geojson(two_block_plan()), parse_constant=lambda word: pytest.fail(word))
    assert set(data) == {"type", "features"} and data["type"] == "FeatureCollection"
    for f in data["features"]:
        lon, lat = f["geometry"]["coordinates"]
        assert (
            f["type"] == "Feature"
            and f["geometry"]["type"] == "Point"
            and -121 < lon < -119
            and 36 < lat < 38
        )
    assert len({f["id"] for f in data["features"]}) == 36


def test_the_geopackage_holds_every_layer(tmp_path):
    """GDAL lists layers and attribute tables with the right counts and acres."""
    plan = two_block_plan()
    path = write_plan(plan, tmp_path, RENDERED)[OUTPUTS.index("plan.gpkg")]
    layers = {name for name, _kind in pyogrio.list_layers(path)}
    assert layers == {
        "sites", "blocks", "rows", "alleys", "excluded", "roads", "spray_lanes", "mud", "keep_outs", "closures", "other",
        "findings", "serials", "params", "about", "layer_styles",
    }  # fmt: skip
    count = {name: pyogrio.read_info(path, layer=name)["features"] for name in layers}
    assert count["sites"] == 36 and count["blocks"] == 2 and count["mud"] == 2 and count["other"] == 3
    assert count["excluded"] == int((plan.candidates.reasons != 0).sum())
    meta, _fid, _geometry, data = pyogrio.raw.read(path, layer="blocks")
    acres = dict(zip(meta["fields"], data, strict=True))["acres"]
    assert [float(a) for a in acres] == [b.acres for b in plan.blocks]


def test_reasons_are_named():
    """Each bit by its rule."""
    assert (
        reason_names(int(Exclusion.SPRAY_LANE | Exclusion.KEEP_OUT)) == "spray_lane, keep_out"
        and reason_names(0) == ""
    )


def test_an_earlier_plan_reads_back(tmp_path):
    """Sites, last serials and places that sites left by hand are what was written, to the last bit."""
    plan = replace(two_block_plan(), left={"E10001": ((-120.1, 36.9), (-120.2, 36.8)), "E20009": ((0.1, 0.2),)})
    write_plan(plan, tmp_path, RENDERED)
    earlier = read_earlier(tmp_path / "plan.gpkg")
    assert [(s.site_id, s.block_id, s.lon, s.lat) for s in earlier.sites] == [
        (s.site_id, s.block_id, s.lon, s.lat) for s in plan.sites
    ]
    assert dict(earlier.last_serial) == dict(plan.last_serial) and dict(earlier.left) == dict(plan.left)


@pytest.mark.parametrize("moment", ["staging", "ready", "half moved"])
def test_a_killed_run_leaves_the_old_or_the_new_files(tmp_path, moment):
    """Before the one rename the old files count, after it the new ones; the next run settles it."""
    write_plan(two_block_plan(), tmp_path, {**RENDERED, "map.html": "old"})
    stage = tmp_path / (STAGE if moment == "staging" else READY)
    stage.mkdir()
    for name in ("map.html", "report.md"):
        (stage / name).write_text("new")
    (stage / LOCK).write_text("sheet.pdf")
    if moment == "half moved":
        os.replace(stage / "map.html", tmp_path / "map.html")
    with locked(tmp_path):
        pass
    is_new = moment != "staging"
    assert (tmp_path / "map.html").read_text() == ("new" if is_new else "old")
    assert ((tmp_path / "report.md").read_text() == "new") is is_new and (
        tmp_path / "sheet.pdf"
    ).exists() is not is_new
    assert not (tmp_path / STAGE).exists() and not (tmp_path / READY).exists()
    settle(tmp_path)


def test_a_failure_while_writing_leaves_the_folder_as_it_was(tmp_path):
    """An exception in the middle."""
    write_plan(two_block_plan(), tmp_path, RENDERED)
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    with pytest.raises(RuntimeError), locked(tmp_path) as lock, staged(lock, OUTPUTS) as stage:
        (stage / "map.html").write_text("half")
        raise RuntimeError
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before


def test_a_full_disk_is_one_message_and_no_half_file(tmp_path, monkeypatch):
    """The flush fails as it does on a full disk."""
    import errno

    def full(handle: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StoreError, match="disk is full"):
        write_plan(two_block_plan(), tmp_path / "o", RENDERED)
    assert names(tmp_path) == []
    with pytest.raises(StoreError, match="disk is full"):
        write_file(tmp_path / "a.txt", "x")
    assert names(tmp_path) == []


def test_two_runs_at_once_do_not_mix(tmp_path):
    """The second is told so."""
    with locked(tmp_path), pytest.raises(StoreError, match="another run"), locked(tmp_path):
        pass
    with locked(tmp_path):
        pass


def test_targets_that_cannot_be_a_folder_are_refused(tmp_path):
    """A file, a missing parent, /proc, a folder where a file belongs."""
    (tmp_path / "file").write_text("x")
    (tmp_path / "o" / "map.html").mkdir(parents=True)
    for target, word in ((tmp_path / "file", "a file"), (tmp_path / "no" / "where", "does not exist"),
                         (Path("/proc"), "cannot be written"), (Path("/proc/x"), "cannot be written"),
                         (tmp_path / "file" / "x", "does not exist"), (tmp_path / "o", "a folder stands")):  # fmt: skip
        with pytest.raises(StoreError, match=word):
            write_plan(two_block_plan(per_block=2), target, RENDERED)
    assert (tmp_path / "file").read_text() == "x"


def test_a_link_in_the_place_of_an_output_is_replaced_not_followed(tmp_path):
    """Nothing outside the folder is overwritten."""
    (tmp_path / "precious").write_text("mine")
    (tmp_path / "o").mkdir()
    (tmp_path / "o" / "map.html").symlink_to(tmp_path / "precious")
    write_plan(two_block_plan(per_block=2), tmp_path / "o", RENDERED)
    assert (tmp_path / "precious").read_text() == "mine" and not (tmp_path / "o" / "map.html").is_symlink()


def test_marks_of_a_plan_that_is_not_plain(tmp_path):
    """Widened limits and fallback layouts are said in report.md and report.json."""
    for plan, status, word in ((relaxed(two_block_plan()), "relaxed", "widened"),
                               (with_fallback(two_block_plan()), "fallback", "hexagonal")):  # fmt: skip
        files = plan_files(plan)
        report = json.loads(files["report.json"])
        assert (
            report["status"] == status
            and report["blocks"][1]["status"] == status
            and word in files["report.md"]
        )
        assert report["reproducible"] is (status != "fallback")


def test_nan_and_infinity_become_null():
    """JSON knows neither."""
    plan = two_block_plan()
    assert math.isnan(plan.blocks[1].coverage.clark_evans)
    report = json.loads(plan_files(plan)["report.json"], parse_constant=lambda word: pytest.fail(word))
    assert report["blocks"][1]["clark_evans"] is None and report["blocks"][1]["bound_m"] is None
