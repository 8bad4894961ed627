"""KMZ, waypoints a block and styles for GIS programs: what other readers make of them."""

from __future__ import annotations

import dataclasses
import io
import os
import shutil
import sqlite3
import subprocess
import xml.etree.ElementTree as ET
import zipfile
from contextlib import closing

import gpxpy
import numpy as np
import pyogrio
import pytest
import shapely
from PIL import Image
from shapely import MultiLineString

from mudcap.files.export import write_plan
from mudcap.files.geopackage import write_geopackage
from mudcap.files.icons import icon_png
from mudcap.files.kml import read_kmz
from mudcap.files.kml_out import NAMESPACE, sites_kmz
from mudcap.files.styles import STYLES, native, sld
from mudcap.files.waypoints import NAME_AT_MOST, sites_gpx, waypoints_zip
from mudcap.supply.model import Puddle, PuddlePlan, ReleasePoint
from small_plan import HOSTILE_NAMES, two_block_plan

KML = f"{{{NAMESPACE}}}"


def full_plan(**options):
    """The small plan with a puddle and two release points."""
    plan = two_block_plan(**options)
    at = plan.sites[0]
    puddle = Puddle(name="P1", x_m=0, y_m=0, lon=at.lon, lat=at.lat, block_id=at.block_id, stand="road",
                    address=f"{at.block_id}, beside row 3", sites=(0, 1), farthest_m=20.0, litres=40.0)  # fmt: skip
    puddles = PuddlePlan(puddles=(puddle,), bound=1, status="proven", unserved=(), rewet_days=3, tour=MultiLineString(),
                         tour_m=0.0, tour_s=0.0, fills=1)  # fmt: skip
    release = tuple(
        ReleasePoint(name=f"A{k}", block_id=plan.sites[k].block_id, x_m=0, y_m=0, lon=plan.sites[k].lon, lat=plan.sites[k].lat,
                     row=2, tree=3, females=10, males=15, containers=1, farthest_m=30.0, lane_m=9.0)
        for k in (3, 4)
    )  # fmt: skip
    return dataclasses.replace(plan, puddles=puddles, release=release)


def document(kmz: bytes) -> ET.Element:
    """The KML inside."""
    return ET.fromstring(zipfile.ZipFile(io.BytesIO(kmz)).read("doc.kml"))


def test_kmz_has_a_folder_a_block_with_every_site():
    """Own reader: sites by folder at their places to seven decimals; puddles and release points in folders of their own."""
    plan = full_plan()
    layers = {layer.layer: layer for layer in read_kmz(sites_kmz(plan), "sites.kmz")}
    assert set(layers) == {"North 40", "Creek", "Puddles to keep wet", "Release points"}
    for block in ("North 40", "Creek"):
        own = [s for s in plan.sites if s.block_id == block]
        points = [f for f in layers[block].features if f.geometry.geom_type == "Point"]
        assert [f.name for f in points] == [s.site_id for s in own]
        places = np.array([(f.geometry.x, f.geometry.y) for f in points])
        assert np.abs(places - [(s.lon, s.lat) for s in own]).max() < 6e-8
    assert len(layers["Puddles to keep wet"].features) == 1 and len(layers["Release points"].features) == 2


def test_gdal_reads_the_kmz(tmp_path):
    """Same folders and counts by a foreign reader."""
    path = tmp_path / "sites.kmz"
    path.write_bytes(sites_kmz(full_plan()))
    counts = {name: pyogrio.read_info(path, layer=name, force_feature_count=True)["features"] for name, _kind in pyogrio.list_layers(path)}
    assert counts == {"North 40": 19, "Creek": 19, "Puddles to keep wet": 1, "Release points": 2}


def test_kmz_pictures_and_styles_hang_together():
    """Every style named is there, every picture named is in the zip, doc.kml comes first, nothing points elsewhere."""
    kmz = sites_kmz(full_plan())
    names = zipfile.ZipFile(io.BytesIO(kmz)).namelist()
    root = document(kmz)
    assert names[0] == "doc.kml" and {h.text for h in root.iter(f"{KML}href")} == set(names[1:])
    assert {u.text for u in root.iter(f"{KML}styleUrl")} == {f"#{s.get('id')}" for s in root.iter(f"{KML}Style")}
    order = ["name", "description", "styleUrl", "ExtendedData", "Point", "MultiGeometry"]
    for mark in root.iter(f"{KML}Placemark"):
        tags = [child.tag.removeprefix(KML) for child in mark]
        assert tags == sorted(tags, key=order.index)


@pytest.mark.parametrize("name", HOSTILE_NAMES)
def test_hostile_names_are_text_in_kmz_and_gpx(name):
    """Shown as HTML, the description gives back the words and no element of theirs."""
    from html.parser import HTMLParser

    plan = full_plan(names=(name, "Creek"))
    tags, texts = [], []
    parser = HTMLParser()
    parser.handle_starttag = lambda tag, attrs: tags.append(tag)
    parser.handle_data = texts.append
    for found in document(sites_kmz(plan)).iter(f"{KML}description"):
        parser.feed(found.text + "<br/>")
    parser.close()
    assert set(tags) == {"br"} and name in "".join(texts)
    members = zipfile.ZipFile(io.BytesIO(waypoints_zip(plan)))
    assert all(n.removesuffix(".gpx").replace("-", "").isalnum() for n in members.namelist())
    assert any(name in (w.description or "") for n in members.namelist() for w in gpxpy.parse(members.read(n).decode()).waypoints)


def test_waypoints_a_block_are_those_of_the_whole():
    """One file a block with its sites only; names short and unique over all files; the block in `type`."""
    plan = full_plan()
    archive = zipfile.ZipFile(io.BytesIO(waypoints_zip(plan)))
    code = {b.code: b.block_id for b in plan.orchard.blocks}
    assert archive.namelist() == [*(f"sites-{c}.gpx" for c in code), "puddles.gpx", "release.gpx"]
    seen = []
    for name in archive.namelist():
        points = gpxpy.parse(archive.read(name).decode()).waypoints
        seen += [p.name for p in points]
        if name.startswith("sites-"):
            block = code[name[6:-4]]
            assert [p.name for p in points] == [s.site_id for s in plan.sites if s.block_id == block]
            assert {p.type for p in points} == {block}
    assert len(set(seen)) == len(seen) == 39 and max(map(len, seen)) <= NAME_AT_MOST
    assert {p.type for p in gpxpy.parse(sites_gpx(plan)).waypoints} == {*code.values(), "Puddle", "Release point"}


def test_icons_are_pictures_of_their_shapes():
    """Each is a PNG; corners are clear, the rim is black, the middle coloured."""
    for shape in ("ring", "square", "triangle", "diamond"):
        data = icon_png(shape, "#f0e442")
        assert data[:8] == b"\x89PNG\r\n\x1a\n" and data == icon_png(shape, "#f0e442")
    picture = Image.open(io.BytesIO(icon_png("square", "#f0e442")))
    assert picture.mode == "RGBA" and picture.size == (32, 32) and picture.getpixel((0, 0))[3] == 0
    assert picture.getpixel((16, 16)) == (0xF0, 0xE4, 0x42, 255) and picture.getpixel((4, 16)) == (0, 0, 0, 255)


def test_the_geopackage_says_how_to_draw_its_layers(tmp_path):
    """One row a drawn layer, registered as attributes, both forms well-formed, and the same bytes again."""
    path, again = tmp_path / "a.gpkg", tmp_path / "b.gpkg"
    write_geopackage(two_block_plan(), path)
    write_geopackage(two_block_plan(), again)
    assert path.read_bytes() == again.read_bytes()
    with closing(sqlite3.connect(path)) as db:
        kind = db.execute("SELECT data_type FROM gpkg_contents WHERE table_name = 'layer_styles'").fetchall()
        columns = [row[1] for row in db.execute("PRAGMA table_info(layer_styles)")]
        rows = db.execute("SELECT f_table_name, f_geometry_column, styleQML, styleSLD, useAsDefault, update_time FROM layer_styles").fetchall()
        places = dict(db.execute("SELECT table_name, column_name FROM gpkg_geometry_columns").fetchall())
    assert kind == [("attributes",)] and columns[0] == "id"
    assert {"f_table_catalog", "f_table_schema", "styleName", "description", "owner", "ui"} <= set(columns)
    assert {r[0]: r[1] for r in rows} == places
    for name, _column, short, full, default, when in rows:
        assert ET.fromstring(full).tag.endswith("StyledLayerDescriptor") and when.startswith("2000-01-01")
        assert bool(default) is bool(short) and (not short or ET.fromstring(short).tag == "qgis"), name


def test_every_style_is_of_a_layer_and_names_its_own_columns(tmp_path):
    """Labels stand in columns that are there."""
    path = tmp_path / "a.gpkg"
    write_geopackage(two_block_plan(), path)
    layers = {name for name, _kind in pyogrio.list_layers(path)}
    for style in STYLES:
        if style.layer in layers and style.label:
            assert style.label in pyogrio.read_info(path, layer=style.layer)["fields"]


@pytest.mark.parametrize("style", STYLES, ids=lambda s: s.layer)
def test_sld_keeps_the_order_of_its_schema(style):
    """OGC 02-070: a rule holds symbolizers; Mark is WellKnownName, Fill, Stroke; Graphic is Mark, Size; values by CssParameter."""
    space = "{http://www.opengis.net/sld}"
    root = ET.fromstring(sld(style))
    assert root.get("version") == "1.0.0"
    path = [root.tag, *(e.tag for e in (root[0], root[0][1], root[0][1][1], root[0][1][1][0]))]
    assert [p.removeprefix(space) for p in path] == ["StyledLayerDescriptor", "NamedLayer", "UserStyle", "FeatureTypeStyle", "Rule"]
    orders = {"Mark": ["WellKnownName", "Fill", "Stroke"], "Graphic": ["Mark", "Size"], "PolygonSymbolizer": ["Fill", "Stroke"],
              "TextSymbolizer": ["Label", "Font", "Fill"]}  # fmt: skip
    for element in root.iter():
        order = orders.get(element.tag.removeprefix(space))
        if order:
            tags = [c.tag.removeprefix(space) for c in element]
            assert tags == sorted(tags, key=order.index)
    for value in root.iter(f"{space}CssParameter"):
        assert value.get("name") in {"fill", "stroke", "stroke-width", "stroke-dasharray", "font-size"} and value.text
    assert not native(style) or "renderer-v2" in native(style)


@pytest.mark.skipif(shutil.which("ogrinfo") is None, reason="gdal-bin is not here")
def test_ogrinfo_still_reads_the_plan(tmp_path):
    """No warning, the same sites, the styles as a table."""
    path = write_plan(full_plan(), tmp_path, {})[0].parent / "plan.gpkg"
    plain = {name: value for name, value in os.environ.items() if not name.startswith("GDAL_")}
    said = subprocess.run(["ogrinfo", "-so", "-al", str(path)], capture_output=True, text=True, check=True, env=plain)
    assert "Warning" not in said.stderr and "ERROR" not in said.stderr
    assert "Layer name: layer_styles" in said.stdout and "Feature Count: 36" in said.stdout


def test_geometry_of_blocks_in_kmz_runs_the_right_way():
    """Outer rings anticlockwise, as KML asks."""
    for ring in document(sites_kmz(two_block_plan())).iter(f"{KML}outerBoundaryIs"):
        text = next(ring.iter(f"{KML}coordinates")).text
        assert shapely.LinearRing([tuple(map(float, p.split(","))) for p in text.split()]).is_ccw
