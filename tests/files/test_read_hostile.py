"""Files that are broken, mislabelled or hostile: right acres or a refusal in words, never half a ranch, nothing run."""

from __future__ import annotations

import io
import itertools
import json
import os
import sqlite3
import struct
import subprocess
import sys
import time
import zipfile
from contextlib import closing
from pathlib import Path

import geopandas
import numpy as np
import pytest
import shapely
from dresses import (
    BLOCK,
    BLOCK_ACRES,
    SECOND,
    SECOND_ACRES,
    acres_of,
    clockwise,
    codes_of,
    dbf,
    geojson,
    gpx,
    in_crs,
    kml,
    placemark,
    read,
    shapefile,
    write,
    zipped,
)

from mudcap.errors import InputError
from mudcap.files.names import clean_name
from mudcap.files.source import looks_like

GOOD = geojson([("A", BLOCK)])
TWO = [[clockwise(BLOCK)], [clockwise(SECOND)]]
PARTS = shapefile(TWO, ["A", "B"])
GPX = gpx([("A", [BLOCK])])
KML = kml(placemark("A", BLOCK))
SECRET = "root:x:0:0"


def geopackage(folder: Path, name: str = "good.gpkg") -> bytes:
    """A two-block GeoPackage as GDAL writes it."""
    frame = geopandas.GeoDataFrame(
        {"block": ["A", "B"]}, geometry=[shapely.Polygon(BLOCK), shapely.Polygon(SECOND)], crs=4326
    )
    path = folder / f"made_{name}"
    frame.to_file(path, layer="blocks", driver="GPKG")
    return path.read_bytes()


# ------------------------------------------------------------------------------------- coordinate systems


def test_no_prj_is_an_error_that_guesses(tmp_path: Path) -> None:
    """Without a .prj the error names --crs and a guess from the numbers; --crs then gives the right acres."""
    for code, hint in (("EPSG:4326", "EPSG:4326"), ("EPSG:2228", "EPSG:2228"), ("EPSG:32610", "UTM")):
        parts = shapefile([[clockwise([tuple(p) for p in in_crs(BLOCK, code)])]], ["A"], prj=None)  # type: ignore[misc]
        path = write(tmp_path, f"x{code[5:]}.shp", parts)
        with pytest.raises(InputError, match=f"--crs.*{hint}"):
            read(path)
        orchard, findings = read(path, crs=code)
        assert acres_of(orchard) == pytest.approx(BLOCK_ACRES, abs=1e-4)
        assert "crs_given" in codes_of(findings)


def test_toml_names_the_crs_and_overriding_is_said(tmp_path: Path) -> None:
    """A `crs` in mudcap.toml serves a file without one, and is said where it overrides the file's own."""
    parts = shapefile([[clockwise([tuple(p) for p in in_crs(BLOCK, "EPSG:2228")])]], ["A"], prj=None)  # type: ignore[misc]
    write(tmp_path, "blocks.shp", parts)
    (tmp_path / "mudcap.toml").write_text('[[layers]]\nfile = "blocks.shp"\nrole = "blocks"\ncrs = "EPSG:2228"\n')
    assert acres_of(read(tmp_path)[0]) == pytest.approx(BLOCK_ACRES, abs=1e-4)
    write(tmp_path, "blocks.shp", parts | {"prj": PARTS["prj"]})
    orchard, findings = read(tmp_path)
    assert acres_of(orchard) == pytest.approx(BLOCK_ACRES, abs=1e-4)
    assert "crs_overridden" in codes_of(findings)


MISLABELLED = [
    # numbers in one system, labelled as another: (numbers, label)
    ("degrees_as_state_plane", "EPSG:4326", "EPSG:2228"),
    ("degrees_as_utm", "EPSG:4326", "EPSG:32610"),
    ("feet_as_metres", "EPSG:2228", "EPSG:26944"),
    ("feet_as_utm", "EPSG:2228", "EPSG:32611"),
    ("metres_as_feet", "EPSG:26944", "EPSG:2228"),
    ("utm_as_degrees", "EPSG:32610", "EPSG:4326"),
    ("web_mercator_as_utm", "EPSG:3857", "EPSG:32610"),
]


@pytest.mark.parametrize(("name", "numbers", "label"), MISLABELLED, ids=[m[0] for m in MISLABELLED])
def test_numbers_that_do_not_fit_their_label_are_refused(tmp_path: Path, name: str, numbers: str, label: str) -> None:
    """A wrong label never gives an acreage: the numbers fall outside the area that the system is made for."""
    ring = clockwise([tuple(p) for p in in_crs(BLOCK, numbers)])  # type: ignore[misc]
    with pytest.raises(InputError, match="--crs"):
        read(write(tmp_path, f"{name}.shp", shapefile([[ring]], ["A"], prj=label)))


@pytest.mark.parametrize("prj", [b"", b"   ", b"\x00\x00", b"garbage", b'LOCAL_CS["x",UNIT["m",1]]', b"EPSG:999999", b"A" * 30_000])
def test_empty_garbage_and_local_prj_are_refused(tmp_path: Path, prj: bytes) -> None:
    """A .prj that says nothing usable is refused, not guessed over."""
    with pytest.raises(InputError, match="--crs"):
        read(write(tmp_path, "x.shp", PARTS | {"prj": prj}))


def test_us_survey_feet_are_not_international_feet(tmp_path: Path) -> None:
    """A State Plane file in US survey feet lies where the same block in metres lies; 0.3048 would shift it by 4 m.

    6.5e6 ft east × 2e-6 = 13 ft = 4 m. References: NIST SP 811, appendix B.6; EPSG units 9002 and 9003.
    """
    feet = in_crs(BLOCK, "EPSG:2228")
    found = []
    for name, label, numbers in (
        ("feet", "EPSG:2228", feet),
        ("metres", "EPSG:26944", feet * (1200 / 3937)),
        ("trap", "EPSG:26944", feet * 0.3048),
    ):
        parts = shapefile([[clockwise([tuple(p) for p in numbers])]], ["A"], prj=label)  # type: ignore[misc]
        orchard = read(write(tmp_path, f"{name}.shp", parts))[0]
        assert acres_of(orchard) == pytest.approx(BLOCK_ACRES, abs=2e-4)
        found.append(orchard.plane.to_lonlat([orchard.blocks[0].polygon.centroid.coords[0]])[0])
    in_m = np.array(found) * (88_980, 110_985)
    assert np.hypot(*(in_m[0] - in_m[1])) < 0.001
    assert 3.5 < np.hypot(*(in_m[0] - in_m[2])) < 4.5


def test_north_east_axis_order_is_kept_as_files_store_it(tmp_path: Path) -> None:
    """EPSG:2193 is defined north first; files store east first, and acres hold either way it is named."""
    nz = ((169.30, -45.05), (169.303, -45.05), (169.303, -45.048), (169.30, -45.048), (169.30, -45.05))
    coords = in_crs(nz, "EPSG:2193")
    content = shapefile([[clockwise([tuple(p) for p in coords])]], ["A"], prj="EPSG:2193")  # type: ignore[misc]
    acres = acres_of(read(write(tmp_path, "nz.shp", content))[0])
    assert acres == pytest.approx(acres_of(read(write(tmp_path, "nz.geojson", geojson([("A", nz)])))[0]), rel=1e-6)
    swapped = [(y, x) for x, y in coords]
    with pytest.raises(InputError, match="swapped"):
        read(write(tmp_path, "swap.shp", shapefile([[clockwise(swapped)]], ["A"], prj="EPSG:2193")))


def test_geojson_longitudes_and_crs_members(tmp_path: Path) -> None:
    """Legacy crs members are honoured, 0–360 is turned, swapped, scaled and projected numbers are refused."""
    east = tuple((x + 360, y) for x, y in BLOCK)
    orchard, findings = read(write(tmp_path, "east.geojson", geojson([("A", east)])))
    assert acres_of(orchard) == pytest.approx(BLOCK_ACRES, abs=1e-4) and "longitudes_wrapped" in codes_of(findings)
    legacy = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32610"}}
    utm = [tuple(p) for p in in_crs(BLOCK, "EPSG:32610").tolist()]
    assert acres_of(read(write(tmp_path, "legacy.geojson", geojson([("A", utm)], crs=legacy)))[0]) == pytest.approx(
        BLOCK_ACRES, abs=1e-4
    )
    crs84 = {"type": "name", "properties": {"name": "urn:ogc:def:crs:OGC:1.3:CRS84"}}
    assert acres_of(read(write(tmp_path, "84.geojson", geojson([("A", BLOCK)], crs=crs84)))[0]) > 14
    for name, content in (
        ("utm", geojson([("A", utm)])),
        ("swapped", geojson([("A", [(y, x) for x, y in BLOCK])])),
        ("e7", geojson([("A", [(int(x * 1e7), int(y * 1e7)) for x, y in BLOCK])])),
        ("no_such", geojson([("A", BLOCK)], crs={"type": "name", "properties": {"name": "EPSG:999999"}})),
        ("link", geojson([("A", BLOCK)], crs={"type": "link", "properties": {"href": "http://example.invalid/crs"}})),
    ):
        with pytest.raises(InputError, match=f"{name}.geojson"):
            read(write(tmp_path, f"{name}.geojson", content))


def test_antimeridian_coasts_zones_and_the_origin(tmp_path: Path) -> None:
    """Across 180°, in two coasts, south of the equator and over a UTM border the acres are geodesic; 0,0 is warned of."""
    fiji = ((179.9985, -16.5), (-179.9985, -16.5), (-179.9985, -16.498), (179.9985, -16.498), (179.9985, -16.5))
    plain = tuple((x if x > 0 else x + 360, y) for x, y in fiji)
    moved = tuple((x - 10, y) for x, y in plain)
    same = acres_of(read(write(tmp_path, "moved.geojson", geojson([("A", moved)])))[0])
    for name, ring in (("cut", fiji), ("long", plain)):
        assert acres_of(read(write(tmp_path, f"{name}.geojson", geojson([("A", ring)])))[0]) == pytest.approx(same, rel=1e-6)
    east = tuple((x + 40, y + 2) for x, y in BLOCK)
    orchard, findings = read(write(tmp_path, "coasts.geojson", geojson([("West", BLOCK), ("East", east)])))
    alone = acres_of(read(write(tmp_path, "east.geojson", geojson([("East", east)])))[0])
    assert acres_of(orchard) == pytest.approx(BLOCK_ACRES + alone, rel=1e-7)
    assert "far_groups" in codes_of(findings)
    border = tuple((x + 0.0985, y) for x, y in BLOCK)
    utm = shapefile([[clockwise([tuple(p) for p in in_crs(border, "EPSG:32610")])]], ["A"], prj="EPSG:32610")  # type: ignore[misc]
    assert acres_of(read(write(tmp_path, "border.shp", utm))[0]) == pytest.approx(BLOCK_ACRES, abs=1e-4)
    zero = ((0.0, 0.0), (0.003, 0.0), (0.003, 0.002), (0.0, 0.002), (0.0, 0.0))
    assert "null_island" in codes_of(read(write(tmp_path, "zero.geojson", geojson([("A", zero)])))[1])


def test_web_mercator_acres_are_true_acres(tmp_path: Path) -> None:
    """A Web Mercator file is measured on the ellipsoid: 14.6 acres, not the map's 23."""
    ring = clockwise([tuple(p) for p in in_crs(BLOCK, "EPSG:3857")])  # type: ignore[misc]
    assert acres_of(read(write(tmp_path, "m.shp", shapefile([[ring]], ["A"], prj="EPSG:3857")))[0]) == pytest.approx(
        BLOCK_ACRES, abs=1e-4
    )


# --------------------------------------------------------------------------------------------------- files


@pytest.mark.parametrize("suffix", ["geojson", "shp", "gpkg", "kml", "kmz", "gpx", "csv", "zip", "nmea", "txt", "json"])
def test_empty_files_and_wrong_names_are_refused_in_words(tmp_path: Path, suffix: str) -> None:
    """An empty file, a picture, a login page, a PDF and a spreadsheet under a map file's name."""
    wrong = {
        "empty": b"",
        "blank": b"  \n \n",
        "picture": b"\x89PNG\r\n\x1a\n" + b"\0" * 50,
        "login": b"<!DOCTYPE html><html><body>Please log in</body></html>",
        "pdf": b"%PDF-1.7\n%\xe2\xe3",
        "zeros": b"\0" * 500,
        "noise": bytes(range(1, 256)) * 4,
    }
    for name, content in wrong.items():
        path = write(tmp_path, f"{name}.{suffix}", content)
        with pytest.raises(InputError, match=rf"^{name}\.{suffix}"):
            read(path)


def test_spreadsheets_are_no_zipped_shapefile(tmp_path: Path) -> None:
    """An .xlsx called .zip holds no layer; called .xlsx it is not read."""
    content = zipped({"[Content_Types].xml": b"<x/>", "xl/workbook.xml": b"<x/>"})
    for name, words in (("sheet.zip", "no layer"), ("sheet.xlsx", "not read")):
        with pytest.raises(InputError, match=words):
            read(write(tmp_path, name, content))


def test_truncated_files_are_never_half_a_ranch(tmp_path: Path) -> None:
    """Each format cut at many places is refused; the two-block ranch never comes out as one block."""
    gpkg = geopackage(tmp_path)
    zip_bytes = zipped({f"b.{k}": v for k, v in PARTS.items()})
    two = geojson([("A", BLOCK), ("B", SECOND)])
    kml_two = kml(placemark("A", BLOCK) + placemark("B", SECOND))
    gpx_two = gpx([("A", [BLOCK]), ("B", [SECOND])])
    for name, content in (("c.gpkg", gpkg), ("c.zip", zip_bytes), ("c.geojson", two), ("c.kml", kml_two), ("c.gpx", gpx_two)):
        for share in (0.1, 0.3, 0.5, 0.7, 0.9, 0.99):
            with pytest.raises(InputError):
                read(write(tmp_path, name, content[: int(share * len(content))]))
    for part in ("shp", "shx", "dbf"):
        for share in (0.2, 0.5, 0.9):
            with pytest.raises(InputError, match=r"damaged|not a shapefile|missing"):
                read(write(tmp_path, "cut.shp", PARTS | {part: PARTS[part][: int(share * len(PARTS[part]))]}))


def test_shapefile_parts_must_be_there_and_agree(tmp_path: Path) -> None:
    """A missing part is named; a table with a row too few, an index with a record too few are refused."""
    for part in ("shx", "dbf"):
        folder = tmp_path / part
        folder.mkdir()
        with pytest.raises(InputError, match=rf"\.{part} part is missing"):
            read(write(folder, "m.shp", {k: v for k, v in PARTS.items() if k != part}))
    with pytest.raises(InputError, match="2 shapes but 1 rows"):
        read(write(tmp_path, "rows.shp", PARTS | {"dbf": dbf(["A"])}))
    short = bytearray(PARTS["shx"][:-8])
    short[24:28] = struct.pack(">i", len(short) // 2)
    with pytest.raises(InputError, match="damaged"):
        read(write(tmp_path, "index.shp", PARTS | {"shx": bytes(short), "dbf": dbf(["A"])}))
    for part in ("dbf", "shx", "prj"):
        with pytest.raises(InputError, match=r"name its \.shp"):
            read(write(tmp_path, f"alone.{part}", b"x"))


def test_nan_in_binary_files_is_damage(tmp_path: Path) -> None:
    """NaN or infinity in a shapefile or GeoPackage refuses the file."""
    for bad in (float("nan"), float("inf"), 1e300):
        shp = bytearray(PARTS["shp"])
        shp[100 + 8 + 48 + 16 : 100 + 8 + 48 + 24] = struct.pack("<d", bad)
        with pytest.raises(InputError, match="damaged"):
            read(write(tmp_path, "nan.shp", PARTS | {"shp": bytes(shp)}))
    gpkg = geopackage(tmp_path)
    at = gpkg.find(struct.pack("<d", 37.002))
    with pytest.raises(InputError, match=r"damaged|number"):
        read(write(tmp_path, "nan.gpkg", gpkg[:at] + struct.pack("<d", float("nan")) + gpkg[at + 8 :]))


@pytest.mark.parametrize(
    "name", ["BLOCKS.GEOJSON", "Überblock.geojson", "果园.geojson", "a;b.geojson", "$(touch x).geojson", "-o.geojson", "%s.geojson",
             "a!b.geojson", "a b's.geojson", "{{7*7}}.geojson", "'; DROP TABLE x; --.geojson"],
)  # fmt: skip
def test_odd_file_names_work_and_run_nothing(tmp_path: Path, name: str) -> None:
    """File names of any letters are read; nothing in them is executed."""
    before = set(os.listdir(tmp_path))
    assert acres_of(read(write(tmp_path, name, GOOD))[0]) == pytest.approx(BLOCK_ACRES, abs=1e-4)
    assert set(os.listdir(tmp_path)) - before == {name}


def test_encodings(tmp_path: Path) -> None:
    """UTF-16, a byte-order mark and cp1252 are read; names keep their letters."""
    text = GOOD.decode().replace('"A"', '"Ñuñoa"')
    for name, content in (("u16", text.encode("utf-16")), ("bom", b"\xef\xbb\xbf" + text.encode()), ("cp1252", text.encode("cp1252"))):
        orchard, _ = read(write(tmp_path, f"{name}.geojson", content))
        assert orchard.blocks[0].block_id == "Ñuñoa"
    table = "block;lat;lon\n" + "".join(f"Año;{y:.4f};{x:.4f}\n".replace(".", ",") for x, y in BLOCK[:-1])
    for name, content in (("u16", table.encode("utf-16")), ("latin", table.encode("latin-1"))):
        orchard, _ = read(write(tmp_path, f"{name}.csv", content))
        assert orchard.blocks[0].block_id == "Año"
        assert acres_of(orchard) == pytest.approx(BLOCK_ACRES, abs=1e-4)
    with pytest.raises(InputError, match="no such encoding"):
        read(write(tmp_path, "e.geojson", GOOD), encoding="klingon")


def test_arrays_two_documents_and_lines(tmp_path: Path) -> None:
    """Newline-delimited features are all read, in .txt as well; an array or two documents run together are refused."""
    one, two = (json.loads(geojson([(n, r)]))["features"][0] for n, r in (("A", BLOCK), ("B", SECOND)))
    lines = f"{json.dumps(one)}\n{json.dumps(two)}\n".encode()
    for name in ("l.geojsonl", "l.txt", "l.geojson"):
        assert acres_of(read(write(tmp_path, name, lines))[0]) == pytest.approx(BLOCK_ACRES + SECOND_ACRES, abs=1e-4)
    sequence = f"\x1e{json.dumps(one)}\n\x1e{json.dumps(two)}\n".encode()
    assert len(read(write(tmp_path, "s.geojsons", sequence))[0].blocks) == 2
    for name, content in (("array", json.dumps([one, two]).encode()), ("glued", (json.dumps(one) + json.dumps(two)).encode())):
        with pytest.raises(InputError, match=name):
            read(write(tmp_path, f"{name}.geojson", content))


@pytest.mark.parametrize(
    "text",
    [
        "[]", "null", "5", '{"type":["x"]}', '{"type":{"a":1},"features":[]}', '{"type":"FeatureCollection","features":{"a":1}}',
        '{"type":"FeatureCollection","features":[null,5]}', '{"type":"GeometryCollection","geometries":[]}',
        '{"type":"Feature","geometry":{"type":{"x":1},"coordinates":[]}}', '{"type":"Feature","geometry":[1]}',
        '{"type":"Feature","geometry":{"type":"Polygon","coordinates":[null]}}',
        '{"type":"Feature","geometry":{"type":"Polygon","coordinates":{"a":1}}}',
        '{"type":"Feature","geometry":{"type":"MultiPolygon","coordinates":[5]}}',
        '{"type":"Feature","geometry":{"type":"Point","coordinates":[[1]]}}',
        '{"type":"Topology","objects":{}}', '{"geometryType":"esriGeometryPolygon","type":"x","features":[]}',
    ],
)  # fmt: skip
def test_json_of_wrong_shape_is_refused(tmp_path: Path, text: str) -> None:
    """JSON whose members are of a wrong kind is refused by the reader itself, not by the net below it."""
    with pytest.raises(InputError, match=r"^x\.geojson") as refusal:
        read(write(tmp_path, "x.geojson", text.encode()))
    assert "unexpected" not in str(refusal.value)


@pytest.mark.parametrize("name", ["f", "f2"])
def test_files_without_an_extension_are_known_by_their_first_bytes(tmp_path: Path, name: str) -> None:
    """GeoJSON and zip without an extension are read; a picture is refused."""
    for content in (GOOD, zipped({"a.geojson": GOOD})):
        assert acres_of(read(write(tmp_path, name, content))[0]) == pytest.approx(BLOCK_ACRES, abs=1e-4)
    with pytest.raises(InputError, match="picture"):
        read(write(tmp_path, name, b"\x89PNG\r\n\x1a\n"))


def test_fifo_device_folder_loop_and_missing_files_never_hang(tmp_path: Path) -> None:
    """Whatever is no regular file is refused at once."""
    os.mkfifo(tmp_path / "pipe.geojson")
    (tmp_path / "loop.geojson").symlink_to(tmp_path / "loop.geojson")
    (tmp_path / "null.geojson").symlink_to("/dev/null")
    (tmp_path / "empty_folder").mkdir()
    for name in ("pipe.geojson", "loop.geojson", "null.geojson", "missing.geojson", "empty_folder", "missing/x.shp"):
        with pytest.raises(InputError):
            read(tmp_path / name)
    (tmp_path / "folder.geojson").mkdir()
    (tmp_path / "mudcap.toml").write_text('[[layers]]\nfile = "folder.geojson"\nrole = "blocks"\n')
    with pytest.raises(InputError, match="a folder, device or pipe"):
        read(tmp_path)


# ------------------------------------------------------------------------------------------------ archives


def test_shapefile_in_a_folder_of_the_zip_and_sidecars(tmp_path: Path) -> None:
    """A zip with the shapefile in a folder, upper-case parts and other files beside it is read."""
    members = {f"ranch 1/GIS/North.{k.upper()}": v for k, v in PARTS.items()}
    extra = {"readme.txt": b"hello", "ranch 1/GIS/North.shp.xml": b"<a/>", "__MACOSX/ranch 1/._North.shp": b"x", "a.pdf": b"%PDF"}
    orchard, _ = read(write(tmp_path, "in.zip", zipped(members | extra)))
    assert acres_of(orchard) == pytest.approx(BLOCK_ACRES + SECOND_ACRES, abs=1e-4)


def test_archive_traps(tmp_path: Path) -> None:
    """Paths that climb out, links, bombs, thousands of members, archives within, doubles and passwords: in words."""
    outside = tmp_path.parent / "evil.geojson"
    link = zipfile.ZipInfo("blocks.geojson")
    link.external_attr = 0o120777 << 16
    with_link = io.BytesIO()
    with zipfile.ZipFile(with_link, "w") as archive:
        archive.writestr(link, "/etc/passwd")
    locked = bytearray(zipped({"a.geojson": GOOD}))
    locked[6] |= 1
    locked[locked.find(b"PK\x01\x02") + 8] |= 1
    doubled = io.BytesIO()
    with zipfile.ZipFile(doubled, "w") as archive, pytest.warns(UserWarning, match="Duplicate"):
        archive.writestr("a.geojson", GOOD)
        archive.writestr("a.geojson", GOOD)
    cases = {
        "climb": (zipped({"../evil.geojson": GOOD}), "out of the archive"),
        "absolute": (zipped({"/tmp/evil.geojson": GOOD}), "out of the archive"),
        "backslash": (zipped({"..\\evil.geojson": GOOD}), "out of the archive"),
        "link": (with_link.getvalue(), "link"),
        "bomb": (zipped({"a.dbf": b"\0" * 64_000_000}), "100 times"),
        "wide": (zipped({"a.dbf": os.urandom(1000) * 1100}), "100 times"),
        "many": (zipped({f"{i}.txt": b"x" for i in range(2001)}), "2001 members"),
        "nested": (zipped({"b.zip": zipped({"a.geojson": GOOD})}), "archive within"),
        "doubled": (doubled.getvalue(), "two members"),
        "locked": (bytes(locked), "password"),
        "no_layer": (zipped({"readme.txt": b"x"}), "no layer"),
        "rar": (b"Rar!\x1a\x07\x00" + b"\0" * 40, "RAR"),
        "seven": (b"7z\xbc\xaf\x27\x1c" + b"\0" * 40, "7z"),
    }
    for name, (content, words) in cases.items():
        start = time.process_time()
        with pytest.raises(InputError, match=words):
            read(write(tmp_path, f"{name}.zip", content))
        assert time.process_time() - start < 3, name
    assert not outside.exists()
    for name in ("a.rar", "a.7z", "a.7z.001", "a.tar.gz"):
        with pytest.raises(InputError, match="not read"):
            read(write(tmp_path, name, b"Rar!\x1a\x07\x00"))


def test_size_that_a_zip_only_claims(tmp_path: Path) -> None:
    """A member that claims 300 MB is refused before it is unpacked; one that lies about being small is refused too."""
    content = bytearray(zipped({"a.geojson": GOOD}))
    at = content.find(b"PK\x01\x02") + 24
    for size, words in ((300_000_000, "unpacks to 300 MB"), (10, "damaged|longer")):
        content[at : at + 4] = struct.pack("<I", size)
        with pytest.raises(InputError, match=words):
            read(write(tmp_path, "claim.zip", bytes(content)))


def test_two_layers_are_told_apart(tmp_path: Path) -> None:
    """Blocks and roads in one zip: roads are no blocks; two unnamed block layers are asked about, and --layer answers."""
    roads = json.dumps(
        {"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {}, "geometry": {"type": "LineString", "coordinates": [[-120.1, 36.999], [-120.09, 36.999]]}}]}
    ).encode()  # fmt: skip
    orchard, _ = read(write(tmp_path, "both.zip", zipped({"blocks.geojson": GOOD, "roads.geojson": roads})))
    assert len(orchard.blocks) == 1 and len(orchard.roads) == 1
    assert acres_of(orchard) == pytest.approx(BLOCK_ACRES, abs=1e-4)
    path = write(tmp_path, "ask.zip", zipped({"east.geojson": GOOD, "west.geojson": geojson([("W", SECOND)])}))
    with pytest.raises(InputError, match=r"east.*west.*--layer"):
        read(path)
    assert acres_of(read(path, layer="west.geojson")[0]) == pytest.approx(SECOND_ACRES, abs=1e-4)


def test_kmz_documents(tmp_path: Path) -> None:
    """A KMZ without doc.kml is read by its only document; with two it is refused."""
    assert len(read(write(tmp_path, "other.kmz", zipped({"files/ranch.kml": KML, "files/icon.png": b"x"})))[0].blocks) == 1
    for name, members in (("two", {"a.kml": KML, "b.kml": KML}), ("none", {"icon.png": b"x"})):
        with pytest.raises(InputError, match="KML documents"):
            read(write(tmp_path, f"{name}.kmz", zipped(members)))


# ---------------------------------------------------------------------------------------- programs in data


@pytest.mark.parametrize("suffix", ["geojson", "json", "kml", "gpx", "csv", "shp", "gpkg", "txt"])
def test_virtual_files_and_pipelines_are_data_of_no_kind(tmp_path: Path, suffix: str) -> None:
    """An OGR virtual file or a GDAL pipeline under any name is refused, and reads or runs nothing."""
    write(tmp_path, "other.geojson", GOOD)
    vrt = f'<OGRVRTDataSource><OGRVRTLayer name="x"><SrcDataSource>{tmp_path}/other.geojson</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>'
    touched = tmp_path / "touched.geojson"
    pipeline = json.dumps(
        {"type": "gdal_streamed_alg", "command_line": f"gdal vector pipeline ! read {tmp_path}/other.geojson ! write {touched}"}
    )
    for name, content in (("vrt", vrt), ("pipe", pipeline)):
        path = tmp_path / f"{name}_x.{suffix}"
        path.write_text(content)
        with pytest.raises(InputError):
            read(path)
    assert not touched.exists()


def test_gdal_drivers_that_run_or_fetch_are_off() -> None:
    """After `import mudcap.files` GDAL has no driver for virtual files, pipelines or addresses, and says nothing of it."""
    code = (
        "import mudcap.files, pyogrio; d = pyogrio.list_drivers();"
        "bad = [n for n in ('OGR_VRT','GDALG','HTTP','WFS','OAPIF','CSW','Elasticsearch','Carto','ADBC') if n in d];"
        "assert not bad, bad; assert 'GPKG' in d"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)
    assert (done.returncode, done.stderr) == (0, "")


def test_geopackage_views_functions_and_plain_databases(tmp_path: Path) -> None:
    """A view that calls load_extension, a virtual table, SQL in a layer's name, a plain database: refused or harmless."""
    good = geopackage(tmp_path)
    for name, sql in (
        ("view", "CREATE VIEW evil AS SELECT fid, geom, load_extension('/tmp/x.so') AS block FROM blocks"),
        ("virtual", "CREATE VIRTUAL TABLE evil USING rtree(fid, a, b)"),
    ):
        path = write(tmp_path, f"{name}.gpkg", good)
        with closing(sqlite3.connect(path)) as db, db:
            for (trigger,) in db.execute("SELECT name FROM sqlite_master WHERE type='trigger'").fetchall():
                db.execute(f'DROP TRIGGER "{trigger}"')
            db.execute(sql)
            db.execute("UPDATE gpkg_contents SET table_name='evil'")
            db.execute("UPDATE gpkg_geometry_columns SET table_name='evil'")
        with pytest.raises(InputError, match="view or a virtual table"):
            read(path)
    plain = tmp_path / "plain.gpkg"
    with closing(sqlite3.connect(plain)) as db, db:
        db.execute("CREATE TABLE t (a)")
    with pytest.raises(InputError, match="no GeoPackage"):
        read(plain)
    frame = geopandas.GeoDataFrame({"block": ["A"]}, geometry=[shapely.Polygon(BLOCK)], crs=4326)
    frame.to_file(tmp_path / "sql.gpkg", layer='x"; DROP TABLE gpkg_contents; --', driver="GPKG")
    before = (tmp_path / "sql.gpkg").read_bytes()
    assert acres_of(read(tmp_path / "sql.gpkg")[0]) == pytest.approx(BLOCK_ACRES, abs=1e-4)
    assert (tmp_path / "sql.gpkg").read_bytes() == before


def test_geopackage_count_and_pending_log(tmp_path: Path) -> None:
    """A layer with a row less than it states, or with changes still in a write-ahead log, is refused."""
    path = write(tmp_path, "count.gpkg", geopackage(tmp_path))
    with closing(sqlite3.connect(path)) as db, db:
        for (trigger,) in db.execute("SELECT name FROM sqlite_master WHERE type='trigger'").fetchall():
            db.execute(f'DROP TRIGGER "{trigger}"')
        db.execute("DELETE FROM blocks WHERE fid=2")
    with pytest.raises(InputError, match="states 2 features but holds 1"):
        read(path)
    open_one = write(tmp_path, "open.gpkg", geopackage(tmp_path))
    (tmp_path / "open.gpkg-wal").write_bytes(b"x" * 100)
    with pytest.raises(InputError, match="open in another program"):
        read(open_one)


# ---------------------------------------------------------------------------------------------- XML and GPS


def test_xml_bombs_and_external_entities_never_give_content(tmp_path: Path) -> None:
    """Document types are refused: entity bombs small and large, files, remote DTDs; XInclude is inert."""
    (tmp_path / "secret.txt").write_text(SECRET)
    lol = "".join('<!ENTITY l' + str(i) + ' "' + f"&l{i - 1};" * 10 + '">' for i in range(1, 8))
    heads = {
        "bomb": f'<!DOCTYPE x [<!ENTITY l0 "lol">{lol}]>',
        "file": f'<!DOCTYPE x [<!ENTITY e SYSTEM "file://{tmp_path}/secret.txt">]>',
        "remote": '<!DOCTYPE x SYSTEM "http://127.0.0.1:9/x.dtd">',
        "parameter": '<!DOCTYPE x [<!ENTITY % p SYSTEM "http://127.0.0.1:9/x.dtd"> %p;]>',
    }
    for name, head in heads.items():
        for suffix, good in (("kml", KML), ("gpx", GPX)):
            text = good.decode().replace('<?xml version="1.0"?>', f'<?xml version="1.0"?>{head}')
            with pytest.raises(InputError, match="document type") as refusal:
                read(write(tmp_path, f"{name}.{suffix}", text.encode()))
            assert SECRET not in str(refusal.value)
    include = '<xi:include xmlns:xi="http://www.w3.org/2001/XInclude" href="secret.txt" parse="text"/>'
    orchard, findings = read(write(tmp_path, "inc.kml", KML.replace(b"<name>A</name>", f"<name>{include}</name>".encode())))
    assert SECRET not in repr((orchard.blocks[0].block_id, orchard.blocks[0].attributes, findings))


def test_deep_xml_nul_and_wrong_encoding(tmp_path: Path) -> None:
    """100,000 elements deep, a NUL, a wrong encoding: refused."""
    deep = b'<?xml version="1.0"?><kml>' + b"<Folder>" * 100_000 + b"</Folder>" * 100_000 + b"</kml>"
    cases = {
        "deep": (deep, "nested too deep"),
        "nul": (KML.replace(b"<name>", b"<name>\0"), "damaged"),
        "encoding": (KML.replace(b'version="1.0"', b'version="1.0" encoding="utf-16"'), "damaged"),
        "no_such": (KML.replace(b'version="1.0"', b'version="1.0" encoding="x-none"'), "damaged"),
    }
    for name, (content, words) in cases.items():
        with pytest.raises(InputError, match=words):
            read(write(tmp_path, f"{name}.kml", content))


def test_kml_coordinates(tmp_path: Path) -> None:
    """Blanks after commas are forgiven; latitude first, words and decimal commas are refused, links not followed."""
    spaced = KML.replace(b",37", b", 37").replace(b",12", b", 12")
    assert acres_of(read(write(tmp_path, "spaced.kml", spaced))[0]) == pytest.approx(BLOCK_ACRES, abs=1e-4)
    flipped = kml(placemark("A", tuple((y, x) for x, y in BLOCK)))
    words = KML.replace(b"-120.1,37.0", b"undefined,37.0", 1)
    comma = KML.replace(b"-120.1,37.0,12", b"no,30,12", 1)
    for name, content in (("flipped", flipped), ("words", words), ("comma", comma)):
        with pytest.raises(InputError, match="longitude"):
            read(write(tmp_path, f"{name}.kml", content))
    link = "<NetworkLink><Link><href>http://127.0.0.1:9/x.kml</href></Link></NetworkLink>"
    assert "link_not_followed" in codes_of(read(write(tmp_path, "link.kml", kml(placemark("A", BLOCK) + link)))[1])
    with pytest.raises(InputError, match="never followed"):
        read(write(tmp_path, "only.kml", kml(link)))


@pytest.mark.parametrize("bad", ["undefined", "37,0", "NaN", "inf", "999", "", "1e999", "0x25", "٣٧", "37.0 "])
def test_gpx_positions_must_be_numbers(tmp_path: Path, bad: str) -> None:
    """Text, decimal commas, NaN, infinity and latitude 999 refuse the file (a blank after the number is forgiven)."""
    path = write(tmp_path, "bad.gpx", GPX.replace(b'lat="37.0"', f'lat="{bad}"'.encode(), 1))
    if bad.strip() == "37.0":
        assert acres_of(read(path)[0]) == pytest.approx(BLOCK_ACRES, abs=1e-4)
        return
    with pytest.raises(InputError, match=r"bad\.gpx"):
        read(path)


def test_gpx_routes_waypoints_and_tracks_are_all_found(tmp_path: Path) -> None:
    """A route alone is a block; waypoints alone are refused with the reason; named ones beside a track get their role."""
    assert acres_of(read(write(tmp_path, "route.gpx", gpx(routes=[("A", BLOCK[:-1])])))[0]) == pytest.approx(BLOCK_ACRES, rel=2e-3)
    points = "".join(f'<wpt lat="{y}" lon="{x}"><name>P{i}</name></wpt>' for i, (x, y) in enumerate(BLOCK))
    with pytest.raises(InputError, match="only points"):
        read(write(tmp_path, "points.gpx", gpx(extra=points)))
    named = '<wpt lat="36.9995" lon="-120.1"><name>Main gate</name></wpt><wpt lat="37.001" lon="-120.099"><name>mud hole</name></wpt>'
    orchard, _ = read(write(tmp_path, "all.gpx", gpx([("A", [BLOCK])], extra=named)))
    assert (len(orchard.blocks), len(orchard.gates), len(orchard.mud_sources)) == (1, 1, 1)
    with pytest.raises(InputError, match="no track, route or waypoint"):
        read(write(tmp_path, "none.gpx", gpx()))


def nmea(ring: object, *, spoil: int = 0) -> bytes:
    """GGA sentences along a ring; the first `spoil` with a wrong checksum."""
    lines = []
    for i, (lon, lat) in enumerate(ring):  # type: ignore[attr-defined]
        a, b = abs(lat), abs(lon)
        body = (
            f"GPGGA,1200{i:02d},{int(a):02d}{(a % 1) * 60:07.4f},{'N' if lat > 0 else 'S'},"
            f"{int(b):03d}{(b % 1) * 60:07.4f},{'E' if lon > 0 else 'W'},1,08,1.0,30,M,0,M,,"
        )
        total = 0
        for c in body.encode():
            total ^= c
        lines.append(f"${body}*{(total + (i < spoil)) % 256:02X}")
    return "\r\n".join(lines).encode()


def test_nmea_logs(tmp_path: Path) -> None:
    """A log of GGA sentences is a walked block; damaged sentences are counted, too many refuse the log."""
    ring = [(x0 + (x1 - x0) * k / 10, y0 + (y1 - y0) * k / 10) for (x0, y0), (x1, y1) in itertools.pairwise(BLOCK) for k in range(10)]
    orchard, _ = read(write(tmp_path, "walk.nmea", nmea(ring)))
    assert acres_of(orchard) == pytest.approx(BLOCK_ACRES, rel=5e-3)
    assert len(read(write(tmp_path, "walk.txt", nmea(ring, spoil=2)))[0].blocks) == 1
    with pytest.raises(InputError, match="damaged"):
        read(write(tmp_path, "bad.nmea", nmea(ring, spoil=30)))


# --------------------------------------------------------------------------------------------------- names


@pytest.mark.parametrize(
    ("raw", "clean"),
    [
        ("North\n40", "North 40"), ("\x1b[31mred\x1b[0m", "red"), ("a\u202eb\u2066c", "abc"), ("z\u200bw\ufeff", "zw"),
        ("tab\there", "tab here"), (None, ""), (True, "yes"), (14.0, "14"), ([1, "a", {}], "1, a"), ({"k": 1}, "k"), (float("nan"), ""),
        ("{{ x }} ${y} `z` <b>", "{{ x }} ${y} `z` <b>"), ("../../etc/passwd", "../../etc/passwd"), ("\x07\x00", ""), ("=1+1", "=1+1"),
    ],
)  # fmt: skip
def test_names_are_cleaned_of_what_cannot_be_seen(raw: object, clean: str) -> None:
    """Control characters, terminal codes, direction marks and zero-width letters go; what is visible stays as text."""
    assert clean_name(raw) == clean
    assert len(clean_name("x" * 10_000)) == 60


def test_odd_names_keep_their_counts(tmp_path: Path) -> None:
    """Blocks with names of every kind: all are there, named, coded and kept apart."""
    names = ["=1+1", "{{7*7}}", "<script>", None, 12, 1.5, True, ["a"], {"b": 1}, "", "x" * 10_000, "\u202e", "CON", "../up"]
    shapes = [(str(i), tuple((x + 0.01 * i, y) for x, y in BLOCK)) for i in range(len(names))]
    document = json.loads(geojson(shapes))
    for feature, name in zip(document["features"], names, strict=True):
        feature["properties"] = {"block": name}
    orchard, _ = read(write(tmp_path, "names.geojson", json.dumps(document).encode()))
    assert len(orchard.blocks) == len(names)
    assert len({b.block_id for b in orchard.blocks}) == len({b.code for b in orchard.blocks}) == len(names)
    assert all(b.block_id and b.block_id.isprintable() and b.code.isalnum() and b.code.isupper() for b in orchard.blocks)


# ----------------------------------------------------------------------------------------------------- CSV


def test_csv_corners(tmp_path: Path) -> None:
    """Corners in order, or by a column `order`, make a block; shuffled ones without are refused with the way out."""
    rows = [f"A,{y},{x},{i}" for i, (x, y) in enumerate(BLOCK[:-1])]
    shuffled = [rows[0], rows[2], rows[1], rows[3]]
    assert acres_of(read(write(tmp_path, "c.csv", "\n".join(["block,lat,lon,order", *shuffled]).encode()))[0]) == pytest.approx(
        BLOCK_ACRES, abs=1e-4
    )
    with pytest.raises(InputError, match=r"out of order.*column order"):
        read(write(tmp_path, "s.csv", "\n".join(["block,lat,lon,x1", *shuffled]).encode()))


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("swapped", "block,lat,lon\nA,-120.1,37\nA,-120.0,37\nA,-120.0,37.1\n", "line 2.*swapped"),
        ("number", "block,lat,lon\nA,37,-120\nA,37.x,-120.1\n", "line 3.*no number"),
        ("quote", 'block,lat,lon\n"A,37,-120\nA,37,-120.1\n', "quote"),
        ("short", "block,lat,lon\nA,37\n", "line 2: too few"),
        ("columns", "a,b,c\n1,2,3\n", "no columns of positions"),
        ("header", "block,lat,lon\n", "no rows"),
        ("nan", "block,lat,lon\nA,nan,-120\n", "line 2.*no number"),
        ("wkt", "block,wkt\nA,POLYGON((nonsense))\n", "line 2: no shape"),
        ("wkt_nan", 'block,wkt,epsg\nA,"POLYGON((0 0,nan 1,1 0,0 0))",4326\n', "line 2: no shape"),
        ("curve", 'block,wkt,epsg\nA,"CURVEPOLYGON((0 0,1 1,1 0,0 0))",4326\n', "line 2: no shape"),
        ("deep", "block,wkt\nA," + "GEOMETRYCOLLECTION(" * 5000 + ")" * 5000 + "\n", "line 2: no shape"),
        ("xy", "block,x,y\nA,6500000,2000000\nA,6501000,2000000\nA,6501000,2001000\n", "--crs"),
    ],
)
def test_csv_faults_name_their_line(tmp_path: Path, name: str, text: str, words: str) -> None:
    """Each fault of a table is refused with its line."""
    with pytest.raises(InputError, match=words):
        read(write(tmp_path, f"{name}.csv", text.encode()))


def test_csv_formulas_stay_text(tmp_path: Path) -> None:
    """A formula as a block's name is a name."""
    rows = "\n".join(f'"=HYPERLINK(""x"")",{y},{x}' for x, y in BLOCK[:-1])
    orchard, _ = read(write(tmp_path, "f.csv", f"block,lat,lon\n{rows}\n".encode()))
    assert orchard.blocks[0].block_id == '=HYPERLINK("x")'


def test_looks_like_knows_what_it_is_shown() -> None:
    """A few first bytes and what they say."""
    assert [looks_like(d) for d in (b"PK\x03\x04", b"<html>", b"\xef\xbb\xbf{}", b"<OGRVRTDataSource>", b"lat,lon")] == [
        "zip", "html", "json", "vrt", "",
    ]  # fmt: skip
