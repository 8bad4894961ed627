"""From a folder, a toml and layers of every role to an orchard; options refused or warned of in words."""

from __future__ import annotations

import json
from datetime import date
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
    at,
    codes_of,
    geojson,
    gpx,
    kml,
    placemark,
    read,
    write,
    zipped,
)

from mudcap.errors import InputError
from mudcap.files.codes import block_codes
from mudcap.files.ranch import open_ranch
from mudcap.files.roles import role_by_name
from mudcap.orchard.model import Role

FT = 0.3048


def features(*items: tuple[object, dict[str, object]]) -> bytes:
    """GeoJSON of (shapely geometry in longitude and latitude, properties)."""
    return json.dumps(
        {
            "type": "FeatureCollection",
            "features": [{"type": "Feature", "properties": p, "geometry": shapely.geometry.mapping(g)} for g, p in items],
        }
    ).encode()


def line(*points: tuple[float, float]) -> shapely.LineString:
    return shapely.LineString([at(*p) for p in points])


def spot(x_m: float, y_m: float) -> shapely.Point:
    return shapely.Point(at(x_m, y_m))


# ------------------------------------------------------------------------------------------ twelve dresses


def test_twelve_dresses_give_the_same_acres(tmp_path: Path) -> None:
    """The same two blocks through GDAL's own writers and by hand, in many formats and systems: the same acres and names."""
    frame = geopandas.GeoDataFrame(
        {"block": ["Creek", "NW 40"], "crop": ["almond", "Pear"], "rowsp_ft": [22.0, 20.0]},
        geometry=[shapely.Polygon(BLOCK), shapely.Polygon(SECOND)],
        crs=4326,
    )
    for code in (2228, 32610, 26944, 3857, 4269):
        frame.to_crs(code).to_file(tmp_path / f"gdal{code}.gpkg", layer="blocks")
        (tmp_path / f"s{code}").mkdir()
        frame.to_crs(code).to_file(tmp_path / f"s{code}" / "blocks.shp")
    frame.to_file(tmp_path / "gdal.geojson")
    two = (("Creek", BLOCK), ("NW 40", SECOND))
    rows = "".join(f'{n},"{shapely.Polygon(r).wkt}",4326\n' for n, r in two)
    by_hand = {
        "hand.csv": ("block,wkt,epsg\n" + rows).encode(),
        "corners.csv": ("block;Lat;Lon\n" + "".join(f"{n};{y};{x}\n" for n, r in two for x, y in r[:-1])).encode(),
        "hand.kml": kml("<Folder><name>Blocks</name>" + "".join(placemark(n, r) for n, r in two) + "</Folder>"),
        "hand.gpx": gpx([(n, [r]) for n, r in two]),
        "hand.kmz": zipped({"doc.kml": kml("".join(placemark(n, r) for n, r in two))}),
    }
    for name, content in by_hand.items():
        write(tmp_path, name, content)
    paths = [*tmp_path.glob("*.*"), *tmp_path.glob("s*/blocks.shp")]
    assert len(paths) >= 12
    for path in paths:
        orchard, _ = read(path)
        assert [b.block_id for b in orchard.blocks] == ["Creek", "NW 40"], path.name
        assert [b.code for b in orchard.blocks] == ["CRE", "N40"], path.name
        assert acres_of(orchard) == pytest.approx(BLOCK_ACRES + SECOND_ACRES, rel=2e-6), path.name
        if path.suffix in (".gpkg", ".shp"):
            assert [b.crop for b in orchard.blocks] == ["almond", "pear"]
            assert [b.row_spacing_m for b in orchard.blocks] == pytest.approx([22 * FT, 20 * FT])


# -------------------------------------------------------------------------------------------- a whole ranch

TOML = """
[ranch]
name = "Cottonwood Bend"
date = 2027-02-01
units = "metric"

[[layers]]
file = "blocks.geojson"
role = "blocks"
fields = { id = "BLK", row_spacing_ft = "ROWFT" }
defaults = { tree_spacing = "18 ft", headland = "30 ft", crop = "almond" }

[[layers]]
file = "lines.geojson"

[[layers]]
file = "ground.geojson"

[blocks."NW 40"]
row_bearing_deg = 350.0
corner = "NW"
row_spacing = "6.5 m"

[place]
per_acre = "8-10"
farthest = "45ft"

[access]
hives = "100 ft"
keep_out_m = 5

[stocking]
males_per_female = 3.5
"""


def whole_ranch(folder: Path) -> None:
    """A ranch with a layer of every role."""
    write(folder, "mudcap.toml", TOML.encode())
    blocks = [(shapely.Polygon(BLOCK), {"BLK": "Creek", "ROWFT": 22}), (shapely.Polygon(SECOND), {"BLK": "NW 40", "ROWFT": 20})]
    write(folder, "blocks.geojson", features(*blocks))
    lines = [
        (line((0, -5), (267, -5)), {"role": "roads", "name": "South Road", "width": "16 ft", "modes": "truck foot", "oneway": "yes"}),
        (line((50, 0), (50, 200)), {"role": "spray lanes", "swept_ft": 14}),
        (line((0, 10), (0, 100)), {"role": "rows", "row": 3}),
        (line((0, 230), (267, 230)), {"role": "ditches", "name": "Main canal"}),
    ]
    write(folder, "lines.geojson", features(*lines))
    ground = [
        (spot(-20, -20), {"role": "yard"}),
        (spot(0, -2), {"role": "gates", "name": "G1"}),
        (spot(30, -8), {"role": "mud_sources", "name": "Wet corner", "texture": "Clay loam", "clay": 32, "clean": "yes", "wet_from": "2027-02-01", "wet_to": "2027-03-15"}),
        (spot(60, -8), {"role": "mud_sources", "name": "Drain", "clean": "no"}),
        (spot(20, -8), {"role": "water_points"}),
        (shapely.Polygon([at(100, 50), at(120, 50), at(120, 70), at(100, 70)]), {"role": "keep_outs", "name": "pond", "kind": "pond"}),
        (spot(200, 20), {"role": "hives"}),
        (spot(220, 20), {"role": "hives", "setback_ft": 200}),
        (line((0, 150), (267, 150)), {"role": "hazards", "kind": "power line", "passable": "no"}),
        (spot(-40, -20), {"role": "chemical store", "Passable": "Sí"}),
        (shapely.Polygon(BLOCK), {"role": "soil", "texture": "loam"}),
        (shapely.Polygon(SECOND), {"role": "closures", "from": "2027-03-01", "to": "2027-03-04", "kind": "irrigation"}),
        (shapely.Polygon([at(0, 240), at(50, 240), at(50, 250)]), {"role": "forage"}),
        (spot(10, 10), {"role": "trees", "row": 1, "tree": 1}),
        (spot(10, 15), {"role": "trees", "row": 1, "tree": 2}),
    ]  # fmt: skip
    write(folder, "ground.geojson", features(*ground))


def test_a_whole_ranch_becomes_an_orchard(tmp_path: Path) -> None:
    """Every role arrives where it belongs, with its attributes in metres, and options come from the toml."""
    whole_ranch(tmp_path)
    spec = open_ranch(tmp_path)
    p = spec.params
    assert (p.ranch, p.plan_date, p.units) == ("Cottonwood Bend", date(2027, 2, 1), "metric")
    assert (p.place.per_acre, p.place.per_acre_max, p.place.farthest_m) == (8, 10, pytest.approx(45 * FT))
    assert (p.access.hives_m, p.access.keep_out_m) == (pytest.approx(100 * FT), 5.0)
    orchard, findings = read(tmp_path)
    creek, nw = orchard.blocks
    assert (creek.row_spacing_m, creek.tree_spacing_m, creek.headland_m) == pytest.approx((22 * FT, 18 * FT, 30 * FT))
    assert (nw.row_spacing_m, nw.row_bearing_deg, nw.corner) == (pytest.approx(6.5), 350.0, "NW")
    road = orchard.roads[0]
    assert (road.name, road.width_m, road.modes, road.one_way) == ("South Road", pytest.approx(16 * FT), {"truck", "foot"}, True)
    assert road.line.length == pytest.approx(267, rel=2e-3)
    assert orchard.spray_lanes[0].swept_m == pytest.approx(14 * FT)
    assert orchard.row_lines[0].number == 3
    wet, drain = orchard.mud_sources
    assert (wet.texture, wet.clay_share, wet.is_clean, wet.wet) == ("clay loam", 0.32, True, ((date(2027, 2, 1), date(2027, 3, 15)),))
    assert not drain.is_clean
    assert {k.reason: k.passable for k in orchard.keep_outs} == {
        "pond": None, "hives": None, "power line": False, "chemical store": True
    }
    setbacks = sorted((k.reason, round(k.setback_m / FT)) for k in orchard.keep_outs)
    assert setbacks == [("chemical store", 98), ("hives", 100), ("hives", 200), ("pond", 16), ("power line", 10)]
    assert orchard.closures[0].first == date(2027, 3, 1) and orchard.closures[0].reason == "irrigation"
    assert {f.role for f in orchard.features} >= {
        Role.HIVES, Role.HAZARDS, Role.CHEMICAL_STORE, Role.SOIL, Role.WATER_POINTS, Role.DITCHES, Role.FORAGE,
    }  # fmt: skip
    assert orchard.yard is not None and len(orchard.gates) == 1
    trees = orchard.tree_points[0]
    assert trees.xy.shape == (2, 2) and not trees.xy.flags.writeable
    assert trees.row is not None and trees.tree is not None and trees.tree.tolist() == [1, 2]
    assert "unusual_option" in codes_of(findings)


def test_a_folder_without_toml_reads_roles_from_names(tmp_path: Path) -> None:
    """English and Spanish file names give the roles, an empty mudcap.toml says nothing against it; a name that says nothing is asked
    about, with the choices."""
    write(tmp_path, "mudcap.toml", b"")
    write(tmp_path, "cuarteles.geojson", geojson([("A", BLOCK)]))
    write(tmp_path, "caminos.geojson", features((line((0, -5), (267, -5)), {})))
    write(tmp_path, "colmenas.geojson", features((spot(0, 0), {})))
    orchard, _ = read(tmp_path)
    assert (len(orchard.blocks), len(orchard.roads), len(orchard.keep_outs)) == (1, 1, 1)
    write(tmp_path, "export (3).geojson", features((spot(0, 0), {})))
    with pytest.raises(InputError, match=r"export \(3\).*role \(one of blocks"):
        read(tmp_path)


def test_layers_in_folders_below_are_told_of(tmp_path: Path) -> None:
    """Their names, blocks first, and what to do; hidden folders and mudcap's own output are not meant."""
    for name in ("roads", "blocks", ".hidden"):
        (tmp_path / name).mkdir()
        write(tmp_path / name, f"{name}.geojson", geojson([("A", BLOCK)]))
    with pytest.raises(InputError, match=r"but blocks/blocks\.geojson, roads/roads\.geojson below it") as refusal:
        read(tmp_path)
    assert 'file = "blocks/blocks.geojson"' in str(refusal.value) and "hidden" not in str(refusal.value)
    (tmp_path / "empty" / "out").mkdir(parents=True)
    write(tmp_path / "empty" / "out", "plan.gpkg", b"x")
    with pytest.raises(InputError, match="Put the blocks there"):
        read(tmp_path / "empty")


@pytest.mark.parametrize(
    ("name", "role"),
    [
        ("Farm_Roads", Role.ROADS), ("spray lanes 2026", Role.SPRAY_LANES), ("mud", Role.MUD_SOURCES), ("bloques", Role.BLOCKS),
        ("árboles", Role.TREES), ("honey_bees", Role.HIVES), ("power lines", Role.HAZARDS), ("keep-outs", Role.KEEP_OUTS),
        ("zanjas", Role.DITCHES), ("gate", Role.GATES), ("North field", Role.BLOCKS), ("layer1", None),
        ("County lane", Role.ROADS), ("Creek_Lane", Role.ROADS), ("Lane 3", Role.SPRAY_LANES), ("lanes", Role.SPRAY_LANES),
        ("Spray lane", Role.SPRAY_LANES), ("Hwy 12", Role.ROADS),
    ],
)  # fmt: skip
def test_words_of_the_trade_name_roles(name: str, role: Role | None) -> None:
    """A few names and their roles."""
    assert role_by_name(name) is role


# --------------------------------------------------------------------------------------------------- options


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[place]\nper_acer = 9", r"no such option per_acer in \[place\]; did you mean per_acre\?"),
        ("[plase]\nper_acre = 9", r"did you mean place\?"),
        ("[place]\nper_acre = 90", "outside 0.1 to 40"),
        ("[place]\nmove_penalty_m2 = -3.0", "outside 0 to inf"),
        ("[place]\nper_acre = true", "not a number"),
        ("[place]\nper_acre = nan", "not a number"),
        ('[place]\nper_acre = "many"', "neither a number nor a range"),
        ("[place]\nfarthest = 45", "needs its unit"),
        ('[place]\nfarthest = "45 yards"', "no length"),
        ('[place]\neffort = "huge"', "none of quick, normal, long"),
        ("[rows]\nrow_spacing = 22", "needs its unit"),
        ('[ranch]\nunits = "imperial"', "none of"),
        ('[ranch]\ndate = "next week"', "write YYYY-MM-DD"),
        ('[[layers]]\nfile = "../secret.geojson"', "inside the ranch's folder"),
        ('[[layers]]\nfile = "/etc/passwd"', "inside the ranch's folder"),
        ('[[layers]]\nfile = "b.geojson"\nrole = "block"', "did you mean blocks"),
        ('[[layers]]\nfile = "b.geojson"\nrolle = "blocks"', "did you mean role"),
        ('[[layers]]\nfile = "b.geojson"\nfields = { rowspacing_ft = "X" }', "did you mean row_spacing_ft"),
        ('[blocks."A"]\nrow_spasing = "22 ft"', "did you mean row_spacing"),
        ("[place", "cannot be read"),
        ("x = " + "[" * 5000, "cannot be read"),
        ("layers = 3", r"\[\[layers\]\]"),
        ("place = 3", "no table"),
        ('[rows]\ncorner = "left"', "none of NE"),
        ("[rows]\ncorner = 3", "not text"),
        ('[travel]\nalley_mode = "horse"', "none of truck, cart, foot"),
        ('[[layers]]\nfile = "b.geojson"\nrole = ["x"]', "no such role"),
        ('[[layers]]\nfile = "b.geojson"\nfields = 3', "must be a table"),
        ("[blocks]\nA = 3", "no table"),
    ],
)
def test_wrong_options_are_named_with_their_place(tmp_path: Path, text: str, words: str) -> None:
    """Each wrong key or value is refused by name."""
    write(tmp_path, "mudcap.toml", text.encode())
    with pytest.raises(InputError, match=words):
        open_ranch(tmp_path)


def test_all_faults_of_a_toml_are_shown_together(tmp_path: Path) -> None:
    """Three faults, three lines."""
    write(tmp_path, "mudcap.toml", b"[place]\nper_acer = 9\nslack = 7\n[ranch]\nnme = 'x'\n")
    with pytest.raises(InputError) as refusal:
        open_ranch(tmp_path)
    assert len(str(refusal.value).splitlines()) == 3


def test_a_link_out_of_the_folder_is_not_followed(tmp_path: Path) -> None:
    """A layer file that is a link to somewhere else is refused."""
    ranch = tmp_path / "ranch"
    ranch.mkdir()
    write(tmp_path, "outside.geojson", geojson([("A", BLOCK)]))
    (ranch / "b.geojson").symlink_to(tmp_path / "outside.geojson")
    write(ranch, "mudcap.toml", b'[[layers]]\nfile = "b.geojson"\nrole = "blocks"\n')
    with pytest.raises(InputError, match="inside the ranch's folder"):
        open_ranch(ranch)


def test_a_crop_that_nobody_says_is_told_as_assumed(tmp_path: Path) -> None:
    """With the blocks and the bees that follow from it; not where mudcap.toml says one, even the same."""
    write(tmp_path, "blocks.geojson", features((shapely.Polygon(BLOCK), {"block": "A"}), (shapely.Polygon(SECOND), {"block": "B", "crop": "Pear"})))
    orchard, findings = read(tmp_path)
    (said,) = (f for f in findings if f.code == "crop_assumed")
    assert said.level == "warning" and "Block A:" in said.text and "almond" in said.text and "400 females and 600 males" in said.text
    assert [b.crop for b in orchard.blocks] == ["almond", "pear"]
    write(tmp_path, "mudcap.toml", b"[stocking]\nfemales_per_acre = 300")
    (said,) = (f for f in read(tmp_path)[1] if f.code == "crop_assumed")
    assert "females" not in said.text
    write(tmp_path, "mudcap.toml", b'[ranch]\ncrop = "Almond"')
    assert "crop_assumed" not in codes_of(read(tmp_path)[1])


def test_rows_as_lines_say_their_spacings(tmp_path: Path) -> None:
    """In columns with their unit; a bare number is refused, as of blocks."""
    write(tmp_path, "blocks.geojson", geojson([("A", BLOCK)]))
    write(tmp_path, "rows.geojson", features((line((9, 9), (9, 200)), {"tree_spacing_m": 3, "row_spacing_ft": 20})))
    (row,) = read(tmp_path)[0].row_lines
    assert (row.tree_spacing_m, row.row_spacing_m) == (3.0, pytest.approx(20 * FT))
    write(tmp_path, "rows.geojson", features((line((9, 9), (9, 200)), {"tree_spacing": 3})))
    assert "bad_attribute" in codes_of(read(tmp_path)[1])


@pytest.mark.parametrize(
    ("properties", "words"),
    [
        ({"row_spacing": 22}, "write its unit"),
        ({"row_spacin": 22}, "write its unit"),  # row_spacing_ft, cut to ten characters: feet or metres?
        ({"row_spacing_m": 22 * 3}, "no spacing of trees; is the unit right"),
        ({"bearing": "uphill"}, "no direction"),
        ({"bearing": "N-E"}, "no direction"),
        ({"spacing": "22x18"}, "'22' is no length"),
        ({"bearing": 720}, "no bearing"),
        ({"corner": "left"}, "none of NE"),
        ({"trellis": "perhaps"}, "neither yes nor no"),
    ],
)
def test_attributes_that_cannot_be_meant_refuse_their_block(tmp_path: Path, properties: dict[str, object], words: str) -> None:
    """A block with such an attribute is left out and named; the other is planned."""
    path = write(tmp_path, "a.geojson", features((shapely.Polygon(BLOCK), {"block": "A", **properties}), (shapely.Polygon(SECOND), {"block": "B"})))
    orchard, findings = read(path)
    assert [b.block_id for b in orchard.blocks] == ["B"]
    wrong = [f for f in findings if f.level == "error"]
    assert len(wrong) == 1 and wrong[0].feature == "A"
    assert words in wrong[0].text


def test_all_bad_files_are_named_at_once(tmp_path: Path) -> None:
    """Two unreadable layer files, two lines."""
    write(tmp_path, "blocks.geojson", b"{")
    write(tmp_path, "roads.gpx", b"<gpx>")
    with pytest.raises(InputError) as refusal:
        read(tmp_path)
    assert [w.split(":")[0] for w in str(refusal.value).splitlines()] == ["blocks.geojson", "roads.gpx"]


def test_labels_beside_outlines_are_no_blocks(tmp_path: Path) -> None:
    """Points in a blocks layer are left out with one word; a lost track is named, not a crash."""
    path = write(tmp_path, "a.geojson", features((shapely.Polygon(BLOCK), {"block": "A"}), (spot(9, 9), {"block": "A"})))
    orchard, findings = read(path)
    assert len(orchard.blocks) == 1 and "points_left_out" in codes_of(findings)
    with pytest.raises(InputError, match="no feature has a shape"):
        read(write(tmp_path, "lost.gpx", gpx([("A", [BLOCK[:1]])])))


def test_gpx_with_a_role_keeps_waypoints_apart(tmp_path: Path) -> None:
    """Role blocks for a GPX means its tracks; a waypoint whose name says another role gets that one."""
    named = '<wpt lat="36.9995" lon="-120.1"><name>Gate 1</name></wpt><wpt lat="36.9995" lon="-120.1"><name>77</name></wpt>'
    write(tmp_path, "walk.gpx", gpx([("A", [BLOCK])], extra=named))
    write(tmp_path, "mudcap.toml", b'[[layers]]\nfile = "walk.gpx"\nrole = "blocks"\n')
    orchard, findings = read(tmp_path)
    assert (len(orchard.blocks), len(orchard.gates)) == (1, 1)
    assert "layer_left_out" in codes_of(findings)


def test_an_old_datum_is_said(tmp_path: Path) -> None:
    """NAD27 positions come with a warning; NAD83 ones do not."""
    frame = geopandas.GeoDataFrame({"block": ["A"]}, geometry=[shapely.Polygon(BLOCK)], crs=4326)
    for code, said in ((4267, True), (4269, False), (26911, False)):
        frame.to_crs(code).to_file(tmp_path / f"d{code}.gpkg")
        assert ("datum" in codes_of(read(tmp_path / f"d{code}.gpkg")[1])) is said, code


# ----------------------------------------------------------------------------------------------------- codes


def test_codes_depend_on_the_name_and_keep_what_was_given() -> None:
    """A new block changes no other's code; kept codes stay; a taken one is never given again."""
    names = ["Creek", "Creek South", "Creekside", "NW 40", "NW 41", "12", "東"]
    first = block_codes(names)
    assert len(set(first.values())) == len(names)
    assert all(1 <= len(c) <= 3 and c.isascii() and c.isalnum() and c.isupper() for c in first.values())
    more = block_codes([*names, "Adobe", "Crest"], first)
    assert {n: more[n] for n in names} == first
    assert block_codes(["Creek"])["Creek"] == first["Creek"]
    assert block_codes(["Creed"], {"Creek": "CRE"})["Creed"] != "CRE"


def test_many_codes_stay_unique() -> None:
    """3,000 blocks of like names get 3,000 codes."""
    codes = block_codes([f"Field {i}" for i in range(3000)])
    assert len(set(codes.values())) == 3000


# ------------------------------------------------------------------------------------------------ properties


def test_acres_do_not_depend_on_how_a_ring_is_written(tmp_path: Path) -> None:
    """Other starting corner, other direction, doubled corners, other order of blocks: the same acres, names and codes."""
    reference, _ = read(write(tmp_path, "a.geojson", geojson([("A", BLOCK), ("B", SECOND)])))
    open_ring = BLOCK[:-1]
    for k in range(4):
        turned = (*open_ring[k:], *open_ring[:k])
        for ring in ((*turned, turned[0]), (*turned[::-1], turned[-1]), (turned[0], *turned, turned[0])):
            orchard, _ = read(write(tmp_path, "b.geojson", geojson([("B", SECOND), ("A", ring)])))
            by_name = {b.block_id: b for b in orchard.blocks}
            for block in reference.blocks:
                assert by_name[block.block_id].acres == pytest.approx(block.acres, rel=1e-9)
                assert by_name[block.block_id].code == block.code


def test_reading_twice_gives_the_same(tmp_path: Path) -> None:
    """The same file read twice: the same plane, polygons and findings."""
    path = write(tmp_path, "a.geojson", geojson([("A", BLOCK), ("B", SECOND)]))
    (one, said), (two, again) = read(path), read(path)
    assert one.plane == two.plane
    assert all(a.polygon.equals_exact(b.polygon, 0) for a, b in zip(one.blocks, two.blocks, strict=True))
    assert [f.text for f in said] == [f.text for f in again]
    centre = np.mean([b.polygon.centroid.coords[0] for b in one.blocks], axis=0)
    assert np.hypot(*centre) < 500
