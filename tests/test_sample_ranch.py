"""The sample ranch: it reads, it is as large as it was drawn, and its files come out the same again."""

from __future__ import annotations

import importlib.util
import json
import sqlite3
import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
import shapely
from geographiclib.geodesic import Geodesic
from shapely.geometry.base import BaseGeometry

from mudcap.files.layers import read_orchard
from mudcap.files.ranch import RanchSpec, open_ranch
from mudcap.geo.units import M2_PER_ACRE
from mudcap.orchard.model import Exclusion, Finding, Orchard, Role
from mudcap.orchard.mud import judge_mud
from mudcap.orchard.network import travel_network
from mudcap.orchard.params import RowParams, TravelParams
from mudcap.orchard.rows import lay_rows
from mudcap.place.candidates import lay_candidates
from mudcap.place.params import AccessParams, MudParams

RANCH = Path(__file__).parent.parent / "sample_blocks"
DRAWN = {
    "Long Forty": ("LONG_FORTY", None), "Noria": ("NORIA", "POND_YARD"), "Slant": ("SLANT", None), "Midway": ("MIDWAY", None),
    "Cherry": ("CHERRY", None), "Punta": ("PUNTA", None), "Codo": ("CODO", None), "Canal": ("CANAL", None),
}  # fmt: skip


@pytest.fixture(scope="module")
def maker() -> Iterator[ModuleType]:
    spec = importlib.util.spec_from_file_location("make_ranch", RANCH / "make_ranch.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["make_ranch"] = module
    spec.loader.exec_module(module)
    yield module
    del sys.modules["make_ranch"]


@pytest.fixture(scope="module")
def spec() -> RanchSpec:
    return open_ranch(RANCH)


@pytest.fixture(scope="module")
def read(spec: RanchSpec) -> tuple[Orchard, tuple[Finding, ...]]:
    return read_orchard(spec)


@pytest.fixture(scope="module")
def laid(read: tuple[Orchard, tuple[Finding, ...]], spec: RanchSpec) -> tuple[Orchard, tuple[Finding, ...]]:
    return lay_rows(read[0], spec.params.rows)


def geographiclib_acres(lonlat: BaseGeometry) -> float:
    """Acres on WGS 84 by GeographicLib, holes taken out."""
    total = 0.0
    for part in shapely.get_parts(lonlat):
        for k, ring in enumerate((part.exterior, *part.interiors)):
            polygon = Geodesic.WGS84.Polygon()
            for lon, lat in list(ring.coords)[:-1]:
                polygon.AddPoint(lat, lon)
            total += (1 if k == 0 else -1) * abs(polygon.Compute(False, True)[2])
    return total / M2_PER_ACRE


def drawn(maker: ModuleType, name: str) -> BaseGeometry:
    """A block as it was drawn, in longitude and latitude."""
    shell, hole = DRAWN[name]
    return maker.lonlat(maker.area(getattr(maker, shell), *([getattr(maker, hole)] if hole else [])), 10)


def test_every_block_is_read(read: tuple[Orchard, tuple[Finding, ...]]) -> None:
    """Eight blocks in the toml's order: six of almonds, one of cherries, one of pears on a trellis."""
    orchard, findings = read
    assert orchard.name == "Crooked Ladder Ranch"
    assert [b.block_id for b in orchard.blocks] == [
        "Long Forty", "Noria", "Slant", "Midway", "Cherry", "Punta", "Codo", "Canal",
    ]  # fmt: skip
    assert sorted(b.crop for b in orchard.blocks) == ["almond"] * 6 + ["cherry", "pear"]
    assert len({b.code for b in orchard.blocks}) == 8
    assert [b.block_id for b in orchard.blocks if b.trellis] == ["Punta"]
    assert not [f for f in findings if f.level == "error"]


def test_each_layer_arrives_in_its_role(read: tuple[Orchard, tuple[Finding, ...]]) -> None:
    """Counts of everything round the blocks."""
    orchard, _findings = read
    assert len(orchard.roads) == 12 and len(orchard.spray_lanes) == 8 and len(orchard.mud_sources) == 5
    assert sorted(g.name for g in orchard.gates) == ["Canal gate", "East gate", "South gate"]
    assert orchard.yard is not None and len(orchard.closures) == 2
    assert len(orchard.row_lines) == 43 and sum(len(t.xy) for t in orchard.tree_points) == 1528
    count = {role: sum(f.role == role for f in orchard.features) for role in Role}
    assert (count[Role.WATER_POINTS], count[Role.DITCHES], count[Role.SOIL], count[Role.FORAGE]) == (5, 2, 3, 3)
    assert (count[Role.HIVES], count[Role.HAZARDS], count[Role.CHEMICAL_STORE]) == (3, 7, 1)
    setback = {k.name: k.setback_m for k in orchard.keep_outs}
    assert setback["Pond"] == pytest.approx(30 * 0.3048) and setback["Power line"] == pytest.approx(12 * 0.3048)


def test_columns_in_feet_and_bearings_arrive(read: tuple[Orchard, tuple[Finding, ...]]) -> None:
    """The surveyor's own column names, shapefile's ten-letter ones, and text in Windows-1252."""
    block = {b.block_id: b for b in read[0].blocks}
    forty, slant, punta = block["Long Forty"], block["Slant"], block["Punta"]
    assert (forty.row_spacing_m, forty.tree_spacing_m, forty.headland_m) == pytest.approx((24 * 0.3048, 22 * 0.3048, 3.048))
    assert (slant.row_bearing_deg, slant.row_spacing_m, slant.tree_spacing_m) == pytest.approx((17, 22 * 0.3048, 16 * 0.3048))
    assert slant.attributes["NOTE"] == "riego por la mañana"
    assert (punta.row_spacing_m, punta.tree_spacing_m, punta.corner) == (pytest.approx(4.8768), pytest.approx(2.4384), "SW")
    assert block["Canal"].row_bearing_deg is None and block["Canal"].row_spacing_m == pytest.approx(22 * 0.3048)


@pytest.mark.parametrize("name", [n for n in DRAWN if n != "Canal"])
def test_acres_are_those_that_were_drawn(
    name: str, read: tuple[Orchard, tuple[Finding, ...]], maker: ModuleType
) -> None:
    """Geodesic acres of each block, through its format and CRS, against GeographicLib on the drawing: 1e-5."""
    orchard = read[0]
    block = next(b for b in orchard.blocks if b.block_id == name)
    assert block.acres == pytest.approx(geographiclib_acres(drawn(maker, name)), rel=1e-5)
    back = orchard.plane.geometry_to_lonlat(block.polygon)
    assert block.acres == pytest.approx(geographiclib_acres(back), rel=1e-8)
    where = drawn(maker, name)
    assert back.symmetric_difference(where).area < 1e-3 * where.area


def test_the_forty_is_forty_acres(read: tuple[Orchard, tuple[Finding, ...]], maker: ModuleType) -> None:
    """2,640 × 660 ft are 40 acres; read as international instead of US survey feet it would lie 4 m off."""
    forty = read[0].blocks[0]
    assert forty.acres == pytest.approx(40.0, abs=2e-4)
    back = read[0].plane.geometry_to_lonlat(forty.polygon)
    corner = drawn(maker, "Long Forty").bounds
    gap = Geodesic.WGS84.Inverse(back.bounds[1], back.bounds[0], corner[1], corner[0])["s12"]
    assert gap < 0.05


def test_the_walked_block_is_repaired_aloud(
    read: tuple[Orchard, tuple[Finding, ...]], maker: ModuleType
) -> None:
    """Two pieces joined, the lap past the start left out, the scribble at a corner cut off; within 1 % of the truth."""
    orchard, findings = read
    codes = {f.code for f in findings if "canal_walk" in f.layer and f.feature == "Canal"}
    assert {"joined_segments", "past_start", "self_crossing"} <= codes
    canal = orchard.blocks[-1]
    truth = geographiclib_acres(drawn(maker, "Canal"))
    assert abs(canal.acres / truth - 1) < 0.01
    assert canal.polygon.is_valid and canal.polygon.geom_type == "Polygon"
    off = orchard.plane.geometry_to_lonlat(canal.polygon).symmetric_difference(drawn(maker, "Canal"))
    assert geographiclib_acres(off.buffer(0)) < 0.05 * truth, "the outline follows the true one within the GPS error"


def test_two_blocks_lie_across_the_zone_border(read: tuple[Orchard, tuple[Finding, ...]]) -> None:
    """Blocks astride 120° W stay whole in one plane."""
    orchard = read[0]
    across = []
    for block in orchard.blocks:
        west, _south, east, _north = orchard.plane.geometry_to_lonlat(block.polygon).bounds
        if west < -120 < east:
            across.append(block.block_id)
    assert {"Long Forty", "Midway"} <= set(across)
    assert len(orchard.plane.zones) == 1


def test_blocks_do_not_overlap_and_roads_run_between_them(read: tuple[Orchard, tuple[Finding, ...]]) -> None:
    """A believable ranch: no two blocks overlap, and each has a road within 12 m."""
    orchard = read[0]
    for i, one in enumerate(orchard.blocks):
        for other in orchard.blocks[i + 1 :]:
            assert one.polygon.intersection(other.polygon).area == 0, (one.block_id, other.block_id)
        assert min(one.polygon.distance(r.line) for r in orchard.roads) < 12, one.block_id


def test_rows_come_from_all_four_sources(
    laid: tuple[Orchard, tuple[Finding, ...]], read: tuple[Orchard, tuple[Finding, ...]]
) -> None:
    """From spacings, from trees, from lines, and assumed aloud for the walked block."""
    orchard, findings = laid
    source = {b.block_id: b.rows.source for b in orchard.blocks if b.rows is not None}
    assert source == {
        "Long Forty": "spacing", "Noria": "spacing", "Slant": "spacing", "Midway": "trees", "Cherry": "lines",
        "Punta": "spacing", "Codo": "spacing", "Canal": "assumed",
    }  # fmt: skip
    assumed = [f for f in (*read[1], *findings) if f.code == "rows_assumed"]
    assert [(f.feature, f.level) for f in assumed] == [("Canal", "warning")]


def test_trees_of_the_rows(laid: tuple[Orchard, tuple[Finding, ...]]) -> None:
    """Trees an acre follow 43,560 / (row × tree spacing) less headlands and edges; the surveyed ones are all there."""
    full = {"Long Forty": 82.5, "Noria": 110.0, "Slant": 123.75, "Midway": 110.0, "Cherry": 155.6, "Punta": 340.3,
            "Codo": 110.0, "Canal": 110.0}  # fmt: skip
    for block in laid[0].blocks:
        assert block.rows is not None
        per_acre = len(block.rows.tree_xy) / block.acres
        assert 0.82 * full[block.block_id] < per_acre < 1.02 * full[block.block_id], block.block_id
    forty, slant, midway = (laid[0].blocks[k].rows for k in (0, 2, 3))
    assert forty is not None and len(forty.row_number) == 110
    assert slant is not None and abs((slant.bearing_deg - 17) % 180) < 0.1
    assert midway is not None and len(midway.tree_xy) == 1528
    assert midway.row_spacing_m == pytest.approx(22 * 0.3048, rel=0.01)
    assert midway.tree_spacing_m == pytest.approx(18 * 0.3048, rel=0.01)
    assert sorted(set(midway.weight.tolist())) == [0.6, 1.0]
    pollinizers = {int(r) % 4 for r in midway.tree_row[midway.weight == 0.6]}
    assert pollinizers == {3}


def test_every_station_can_be_reached_and_the_rules_bite(
    laid: tuple[Orchard, tuple[Finding, ...]], spec: RanchSpec
) -> None:
    """Roads lead to each block; lanes, hives, a store, a power line and keep-outs each bar some stations, never most."""
    orchard = laid[0]
    network = travel_network(orchard, TravelParams())
    assert network.yard_node >= 0
    stations = lay_candidates(orchard, network, AccessParams(), MudParams(), RowParams(), TravelParams())
    assert np.isfinite(stations.walk_m).all() and stations.walk_m.max() < 60
    for rule in (Exclusion.SPRAY_LANE, Exclusion.KEEP_OUT, Exclusion.HIVES, Exclusion.HAZARD, Exclusion.CHEMICAL_STORE):
        assert (stations.reasons & int(rule)).any(), rule.name
    barred = (stations.reasons & ~int(Exclusion.NO_MUD)) != 0
    for k, block in enumerate(orchard.blocks):
        assert barred[stations.block == k].mean() < 0.2, block.block_id
    assert spec.params.plan_date is not None and spec.params.plan_date.isoformat() == "2027-01-15"


def test_mud_is_judged(read: tuple[Orchard, tuple[Finding, ...]]) -> None:
    """One source is contaminated, one has too little clay and dries; the others serve."""
    verdict = {v.source.name: v.reason for v in judge_mud(read[0], MudParams().clay_share_min)}
    assert verdict["Canal bank"] == verdict["Creek bar"] == verdict["Pond shore"] == "serves"
    assert verdict["Wash pad sump"] == "contaminated"
    assert verdict["Wet spur"] in ("dry", "not clayey")


def test_each_format_appears(spec: RanchSpec) -> None:
    """Zipped shapefile in a folder, bare one without .prj, GeoJSON, GeoPackage, KML, KMZ, GPX, CSV twice over, NMEA."""
    kinds = {layer.path.suffix for layer in spec.layers}
    assert kinds == {".zip", ".shp", ".geojson", ".gpkg", ".kml", ".kmz", ".gpx", ".csv", ".nmea"}
    with zipfile.ZipFile(RANCH / "blocks/south_tier.zip") as archive:
        assert all(n.startswith("survey/") for n in archive.namelist())
        assert "US survey foot" in archive.read("survey/south_tier.prj").decode() or "Foot_US" in archive.read(
            "survey/south_tier.prj"
        ).decode()
    assert not (RANCH / "blocks/slant.prj").exists() and not (RANCH / "blocks/slant.cpg").exists()
    assert "WKT" in (RANCH / "soil/soil.csv").read_text().splitlines()[0]
    srs = set()
    for name in ("midway", "cherry"):
        with sqlite3.connect(f"file:{RANCH / f'blocks/{name}.gpkg'}?mode=ro", uri=True) as store:
            srs |= {row[0] for row in store.execute("SELECT srs_id FROM gpkg_contents")}
        store.close()
    assert srs == {32610, 32611}


def test_the_ranch_is_small() -> None:
    """Under a megabyte, all of it."""
    assert sum(p.stat().st_size for p in RANCH.rglob("*") if p.is_file() and "out" not in p.parts) < 1_000_000


def test_the_files_come_out_the_same_again(maker: ModuleType, tmp_path: Path) -> None:
    """Two runs of the script agree to the byte, and with the files that are there: text to the byte, the rest in content."""
    for name in ("one", "two"):
        maker.make(tmp_path / name)
    made = sorted(p.relative_to(tmp_path / "one") for p in (tmp_path / "one").rglob("*") if p.is_file())
    assert made == sorted(p.relative_to(tmp_path / "two") for p in (tmp_path / "two").rglob("*") if p.is_file())
    assert len(made) >= 22
    for path in made:
        one = (tmp_path / "one" / path).read_bytes()
        assert one == (tmp_path / "two" / path).read_bytes(), path
        if path.suffix == ".gpkg":
            assert _rows(tmp_path / "one" / path) == _rows(RANCH / path), path
        elif path.suffix in (".zip", ".kmz"):
            assert _members(tmp_path / "one" / path) == _members(RANCH / path), path
        else:
            assert one == (RANCH / path).read_bytes(), path


def _rows(path: Path) -> dict[str, list[tuple[object, ...]]]:
    """Every row of a GeoPackage's feature tables; SQLite's own pages may differ between its versions."""
    store = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    names = [row[0] for row in store.execute("SELECT table_name FROM gpkg_contents ORDER BY 1")]
    rows = {name: store.execute(f'SELECT * FROM "{name}"').fetchall() for name in names}
    store.close()
    return rows


def _members(path: Path) -> dict[str, bytes]:
    """What an archive holds; the packed bytes may differ between versions of zlib."""
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def test_geojson_keeps_to_its_standard() -> None:
    """RFC 7946: no crs member, longitude first, outer rings counter-clockwise, rings closed."""
    files = sorted(RANCH.rglob("*.geojson"))
    assert len(files) >= 9
    for path in files:
        collection = json.loads(path.read_text(encoding="utf-8"))
        assert collection["type"] == "FeatureCollection" and "crs" not in collection
        for feature in collection["features"]:
            geometry = shapely.geometry.shape(feature["geometry"])
            west, south, east, north = geometry.bounds
            assert -120.02 < west <= east < -119.98 and 36.9 < south <= north < 36.95
            if geometry.geom_type == "Polygon":
                assert geometry.exterior.is_ccw and not any(r.is_ccw for r in geometry.interiors)


def test_nmea_sentences_have_true_checksums() -> None:
    """Each sentence's two hexadecimal digits are the XOR of what stands between $ and * (NMEA 0183)."""
    lines = (RANCH / "roads/creek_lane.nmea").read_text().splitlines()
    assert len(lines) > 50
    for line in lines:
        body, check = line[1:].split("*")
        value = 0
        for letter in body:
            value ^= ord(letter)
        assert int(check, 16) == value, line


def test_a_log_without_names_takes_that_of_the_toml(read: tuple[Orchard, tuple[Finding, ...]]) -> None:
    """NMEA sentences name nothing, so the road is called what `defaults` says, not after its file."""
    names = {road.name for road in read[0].roads}
    assert "Creek Lane" in names and not any("/" in name for name in names)
