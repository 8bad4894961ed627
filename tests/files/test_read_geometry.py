"""Odd and broken outlines: the right acres and a word about it, or a refusal that says what to do."""

from __future__ import annotations

import json
import re
import time
from pathlib import Path

import numpy as np
import pytest
from dresses import (
    BLOCK,
    BLOCK_ACRES,
    SECOND,
    SECOND_ACRES,
    acres_of,
    at,
    clockwise,
    codes_of,
    geojson,
    gpx,
    kml,
    placemark,
    read,
    ring_m,
    shapefile,
    walked,
    write,
)

from mudcap.errors import InputError
from mudcap.lang import in_language, speaking

M2 = 4046.8564224
SQUARE = ring_m((0, 0), (200, 0), (200, 200), (0, 200))
SQUARE_ACRES = 40_000 / M2
BOW_TIE = ring_m((0, 0), (200, 200), (200, 0), (0, 200))
BOW_TIE_ACRES = 20_000 / M2


def polygon(*rings: object) -> dict[str, object]:
    return {"type": "Polygon", "coordinates": [list(map(list, r)) for r in rings]}  # type: ignore[call-overload]


RIGHT = [
    # a bow-tie keeps both sides, loudly
    ("bow_tie", geojson([("A", BOW_TIE)]), BOW_TIE_ACRES, {"bow_tie"}),
    # an exact second lap is cut off, loudly
    ("double_lap", geojson([("A", (*SQUARE[:-1], *SQUARE))]), SQUARE_ACRES, {"double_lap"}),
    # doubled vertices and a spike change nothing
    ("doubled", geojson([("A", tuple(p for p in SQUARE for _ in (0, 1)))]), SQUARE_ACRES, {"duplicate_points"}),
    (
        "spike",
        geojson([("A", ring_m((0, 0), (200, 0), (200, 100), (400, 100), (200, 100), (200, 200), (0, 200)))]),
        SQUARE_ACRES,
        {"spike"},
    ),
    # an unclosed ring is closed aloud
    ("unclosed", geojson([("A", SQUARE[:-1])]), SQUARE_ACRES, {"unclosed_ring"}),
    # clockwise, Z and ZM are read as they are meant
    ("clockwise", geojson([("A", SQUARE[::-1])]), SQUARE_ACRES, set()),
    ("z", geojson([("A", [(x, y, 30.0) for x, y in SQUARE])]), SQUARE_ACRES, set()),
    ("zm", geojson([("A", [(x, y, 30.0, 7.0) for x, y in SQUARE])]), SQUARE_ACRES, set()),
    # holes: overlapping, outside, over the edge, doubled
    (
        "overlapping_holes",
        geojson([("A", polygon(SQUARE, ring_m((20, 20), (80, 20), (80, 80), (20, 80)), ring_m((60, 20), (120, 20), (120, 80), (60, 80))))]),
        (40_000 - 6_000) / M2,
        {"overlapping_holes"},
    ),
    (
        "hole_outside",
        geojson([("A", polygon(SQUARE, ring_m((300, 0), (340, 0), (340, 40), (300, 40))))]),
        SQUARE_ACRES,
        {"stray_hole"},
    ),
    (
        "hole_over_edge",
        geojson([("A", polygon(SQUARE, ring_m((180, 0), (220, 0), (220, 40), (180, 40))))]),
        (40_000 - 800) / M2,
        {"hole_over_edge"},
    ),
    # a keyhole (hole drawn as a cut from the outside) is a hole
    (
        "keyhole",
        geojson([("A", ring_m((0, 0), (0, 200), (200, 200), (200, 0), (100, 0), (100, 50), (150, 50), (150, 100), (100, 100), (100, 50), (100, 0)))]),
        (40_000 - 2_500) / M2,
        {"touching_ring"},
    ),
    # a multipart block stays one block; parts that overlap count once
    (
        "multipart",
        geojson([("A", {"type": "MultiPolygon", "coordinates": [[list(map(list, SQUARE))], [list(map(list, ring_m((300, 0), (400, 0), (400, 100), (300, 100))))]]})]),
        50_000 / M2,
        {"multi_part"},
    ),
    (
        "overlapping_parts",
        geojson([("A", {"type": "MultiPolygon", "coordinates": [[list(map(list, SQUARE))], [list(map(list, ring_m((100, 0), (300, 0), (300, 200), (100, 200))))]]})]),
        60_000 / M2,
        {"overlapping_parts"},
    ),
    # slivers beside the block go, with their acres
    (
        "sliver_part",
        geojson([("A", {"type": "MultiPolygon", "coordinates": [[list(map(list, SQUARE))], [list(map(list, ring_m((300, 0), (301, 0), (301, 1), (300, 1))))]]})]),
        SQUARE_ACRES,
        {"sliver"},
    ),
    # a closed line is an outline, aloud
    ("closed_line", geojson([("A", {"type": "LineString", "coordinates": [list(p) for p in SQUARE]})]), SQUARE_ACRES, {"closed_line"}),
    # a comb and a ring shape
    (
        "comb",
        geojson([("A", ring_m((0, 0), (300, 0), (300, 100), (260, 100), (260, 20), (200, 20), (200, 100), (160, 100), (160, 20), (0, 20)))]),
        (300 * 20 + 40 * 80 * 2) / M2,
        set(),
    ),
    ("ring_shape", geojson([("A", polygon(SQUARE, ring_m((20, 20), (180, 20), (180, 180), (20, 180))))]), (40_000 - 25_600) / M2, set()),
    # tiny and thin blocks are blocks; whether a shelter fits is asked later
    ("sliver_block", geojson([("A", ring_m((0, 0), (100, 0), (100, 0.3), (0, 0.3)))]), 30 / M2, set()),
    ("two_metres", geojson([("A", ring_m((0, 0), (2, 0), (2, 2), (0, 2)))]), 4 / M2, set()),
    # null geometry among good ones: the rest is planned, the lost one named
    ("null_geometry", geojson([("A", SQUARE), ("B", None)]), SQUARE_ACRES, {"no_geometry"}),
    ("empty_ring", geojson([("A", SQUARE), ("B", polygon([]))]), SQUARE_ACRES, {"no_geometry"}),
    ("two_point_ring", geojson([("A", SQUARE), ("B", polygon(SQUARE[:2]))]), SQUARE_ACRES, {"no_geometry"}),
    ("zero_area", geojson([("A", SQUARE), ("B", ring_m((0, 0), (100, 0), (200, 0)))]), SQUARE_ACRES, {"no_area"}),
]  # fmt: skip


@pytest.mark.parametrize(("name", "content", "acres", "codes"), RIGHT, ids=[r[0] for r in RIGHT])
def test_odd_outlines_give_the_right_acres_and_say_so(
    tmp_path: Path, name: str, content: bytes, acres: float, codes: set[str]
) -> None:
    """Each odd outline: its true area within 0.5 % and a finding of the code."""
    orchard, findings = read(write(tmp_path, f"{name}.geojson", content))
    assert acres_of(orchard) == pytest.approx(acres, rel=2e-3)
    assert codes <= codes_of(findings)
    assert all(b.polygon.is_valid and b.polygon.area > 0 for b in orchard.blocks)


def test_repairs_know_their_spanish(tmp_path: Path) -> None:
    """Said in both languages, what was mended at an outline is Spanish to its end in the Spanish report."""
    with speaking("both"):
        _orchard, findings = read(write(tmp_path, "bow_tie.geojson", geojson([("A", BOW_TIE)])))
    (told,) = [f.text for f in findings if f.code == "bow_tie"]
    assert "both sides were kept" in told and told.endswith(".")
    assert "se conservaron los dos lados" in in_language(told, "es") and "kept" not in in_language(told, "es")


REFUSED = [
    ("zero_area", geojson([("A", ring_m((0, 0), (100, 0), (200, 0)))]), "no area"),
    ("two_points", geojson([("A", polygon(SQUARE[:2]))]), "fewer than three corners"),
    ("no_features", geojson([]), "no feature"),
    ("null_only", geojson([("A", None)]), "no feature has a shape"),
    ("points_only", geojson([("A", {"type": "Point", "coordinates": [-120.1, 37.0]})]), "only points"),
    ("open_line", geojson([("A", {"type": "LineString", "coordinates": [list(at(0, 0)), list(at(100, 0)), list(at(200, 50))]})]), "open by"),
    ("hole_equals_shell", geojson([("A", polygon(SQUARE, SQUARE))]), "no area"),
    ("text_coordinate", geojson([("A", [("-120.1", "37")] * 4)]), "not made of numbers"),
    ("null_coordinate", geojson([("A", [(None, 37), (-120, 37), (-120, 37.1), (None, 37)])]), "not made of numbers"),
    ("bool_coordinate", geojson([("A", [(True, 37), (-120, 37), (-120, 37.1), (True, 37)])]), "not made of numbers"),
    ("nan_literal", geojson([("A", SQUARE)]).replace(b"37.0]", b"NaN]", 1), "NaN is no number"),
    ("infinity_literal", geojson([("A", SQUARE)]).replace(b"37.0]", b"-Infinity]", 1), "Infinity is no number"),
    ("1e300", geojson([("A", SQUARE)]).replace(b"37.0]", b"1e300]", 1), "not a sensible number"),
    ("1e999", geojson([("A", SQUARE)]).replace(b"37.0]", b"1e999]", 1), "not a (sensible )?number"),
    ("huge_integer", geojson([("A", SQUARE)]).replace(b"37.0]", b"9" * 400 + b"]", 1), "not a sensible number"),
    ("very_huge_integer", geojson([("A", SQUARE)]).replace(b"37.0]", b"9" * 6000 + b"]", 1), "not valid JSON"),
    ("state", geojson([("A", ((-124, 33), (-114, 33), (-114, 42), (-124, 42), (-124, 33)))]), "km across"),
    ("world", geojson([("A", ((-180, -90), (180, -90), (180, 90), (-180, 90), (-180, -90)))]), "km across|no area"),
    ("county", geojson([("A", ((-120.1, 37), (-119.9, 37), (-119.9, 37.2), (-120.1, 37.2), (-120.1, 37)))]), "more than the limit of 20,000"),
    ("nested_brackets", b"[" * 100_000, "nested too deep"),
    ("nested_collections", None, "nested too deep"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "content", "words"), REFUSED, ids=[r[0] for r in REFUSED])
def test_outlines_without_sense_are_refused_in_words(
    tmp_path: Path, name: str, content: bytes | None, words: str
) -> None:
    """Each of these is refused with the file's name and the reason, in seconds."""
    if content is None:
        inner: dict[str, object] = {"type": "Point", "coordinates": [0, 0]}
        for _ in range(300):
            inner = {"type": "GeometryCollection", "geometries": [inner]}
        content = json.dumps(inner).encode()
    path = write(tmp_path, f"{name}.geojson", content)
    start = time.process_time()
    with pytest.raises(InputError, match=words) as refusal:
        read(path)
    assert f"{name}.geojson" in str(refusal.value)
    assert time.process_time() - start < 5


def test_three_thousand_nested_collections_are_refused(tmp_path: Path) -> None:
    """Nesting beyond the interpreter's own limit ends in a refusal, too."""
    text = '{"type":"GeometryCollection","geometries":[' * 3000 + "]}" * 3000
    with pytest.raises(InputError, match="nested too deep"):
        read(write(tmp_path, "deep.geojson", text.encode()))


def test_repairs_above_one_percent_need_a_yes(tmp_path: Path) -> None:
    """A broad C whose arms run over each other closes in a pocket: is it ground or not? Refused, or taken with a yes."""
    arms = ring_m(
        (0, 0), (200, 0), (200, 120), (90, 120), (90, 80), (160, 80), (160, 40), (40, 40), (40, 80), (110, 80),
        (110, 120), (0, 120),
    )  # fmt: skip
    path = write(tmp_path, "c.geojson", geojson([("A", SECOND), ("C", arms)]))
    orchard, findings = read(path)
    assert [b.block_id for b in orchard.blocks] == ["A"]
    refused = [f for f in findings if f.level == "error"]
    assert [(f.feature, f.code) for f in refused] == [("C", "repair_too_large")]
    assert "--accept-repairs" in refused[0].text
    assert refused[0].acres_changed == pytest.approx(-120 * 40 / M2, rel=0.01)
    orchard, _ = read(path, accept_repairs=True)
    assert orchard.blocks[1].acres == pytest.approx((200 * 120 - 120 * 40) / M2, rel=0.01)


def test_walked_boundary_keeps_its_acres(tmp_path: Path) -> None:
    """Five seeds of a walk with 2 m of wobble around 10 acres: within 1 % of the truth, one block."""
    corners = [(0, 0), (200, 0), (200, 200), (0, 200), (0, 3)]
    for seed in range(5):
        path = write(tmp_path, f"walk{seed}.gpx", gpx([("West", [walked(corners, noise_m=2, seed=seed)])]))
        orchard, _ = read(path)
        assert len(orchard.blocks) == 1
        assert acres_of(orchard) == pytest.approx(SQUARE_ACRES, rel=0.01)


def test_field_walked_twice_counts_once(tmp_path: Path) -> None:
    """Two wobbly laps: one block of one lap's acres, loudly."""
    corners = [(0, 0), (200, 0), (200, 200), (0, 200), (0, 0)]
    path = write(tmp_path, "twice.gpx", gpx([("A", [walked([*corners, *corners[1:]], noise_m=1.5, seed=3)])]))
    orchard, findings = read(path)
    assert acres_of(orchard) == pytest.approx(SQUARE_ACRES, rel=0.015)
    assert "double_lap" in codes_of(findings)


def test_figure_eight_keeps_both_sides(tmp_path: Path) -> None:
    """A walked figure eight is a bow-tie: both sides, loudly."""
    path = write(tmp_path, "eight.gpx", gpx([("A", [walked([(0, 0), (200, 200), (200, 0), (0, 200), (0, 0)], noise_m=0.5)])]))
    orchard, findings = read(path)
    assert acres_of(orchard) == pytest.approx(BOW_TIE_ACRES, rel=0.02)
    assert "bow_tie" in codes_of(findings)


def test_split_track_is_one_block_and_gaps_are_named(tmp_path: Path) -> None:
    """Two segments with a gap of 60 m: one block; the gap stands in a finding with its length."""
    first = walked([(0, 0), (200, 0), (200, 200), (160, 200)], noise_m=0.5)
    second = walked([(100, 200), (0, 200), (0, 2)], noise_m=0.5, seed=1)
    orchard, findings = read(write(tmp_path, "split.gpx", gpx([("A", [first, second])])))
    assert len(orchard.blocks) == 1
    assert acres_of(orchard) == pytest.approx(SQUARE_ACRES, rel=0.01)
    assert any(re.search(r"gap of (59|60|61|62) m", f.text) for f in findings if f.code == "gap")


def test_two_tracks_that_meet_are_one_block(tmp_path: Path) -> None:
    """A boundary recorded as two tracks, the second walked the other way round: one block."""
    first = walked([(0, 0), (200, 0), (200, 200)], noise_m=0.5)
    second = walked([(2, 0), (0, 200), (198, 200)], noise_m=0.5, seed=1)
    orchard, findings = read(write(tmp_path, "pair.gpx", gpx([("A", [first]), ("A", [second])])))
    assert len(orchard.blocks) == 1
    assert acres_of(orchard) == pytest.approx(SQUARE_ACRES, rel=0.01)
    assert "joined_segments" in codes_of(findings)


def test_wild_point_standing_still_and_one_point_segments(tmp_path: Path) -> None:
    """A zinger of 37 km and a scribble at the gate are said and cost no acres; a lone point is ignored."""
    walk = list(walked([(0, 0), (200, 0), (200, 200), (0, 200), (0, 2)], noise_m=0.5))
    walk[20:20] = [at(37_000, 0)]
    rng = np.random.default_rng(5)
    walk[:0] = [at(*rng.normal(0, 0.1, 2)) for _ in range(60)]
    path = write(tmp_path, "odd.gpx", gpx([("A", [walk, [at(50, 50)]])]))  # type: ignore[list-item]
    orchard, findings = read(path)
    assert acres_of(orchard) == pytest.approx(SQUARE_ACRES, rel=0.01)
    assert {"wild_points", "standing_still"} <= codes_of(findings)


def test_walk_past_its_start_is_cut_there(tmp_path: Path) -> None:
    """A walker who goes on along the first edge encloses no more ground."""
    path = write(tmp_path, "past.gpx", gpx([("A", [walked([(0, 0), (200, 0), (200, 200), (0, 200), (0, 0), (90, 0)], noise_m=1)])]))
    orchard, findings = read(path)
    assert acres_of(orchard) == pytest.approx(SQUARE_ACRES, rel=0.01)
    assert "past_start" in codes_of(findings)


def test_backward_clock_keeps_file_order(tmp_path: Path) -> None:
    """Times that run backwards change nothing: points are taken as they stand."""
    content = gpx([("A", [SQUARE])])
    stamps = iter(range(9, 0, -1))
    parts = content.split(b"/>")
    timed = b"".join(p + f"><time>2026-01-0{next(stamps)}T00:00:00Z</time></trkpt>".encode() if b"<trkpt" in p else p for p in parts[:-1]) + parts[-1]
    orchard, _ = read(write(tmp_path, "clock.gpx", timed))
    assert acres_of(orchard) == pytest.approx(SQUARE_ACRES, rel=2e-3)


def test_open_walk_is_refused_with_its_gap(tmp_path: Path) -> None:
    """A track along one side only is no boundary."""
    with pytest.raises(InputError, match="open by"):
        read(write(tmp_path, "open.gpx", gpx([("A", [walked([(0, 0), (200, 0), (200, 50)])])])))


def test_same_block_twice_block_in_block_and_overlap_count_once(tmp_path: Path) -> None:
    """Shared ground is said and counted once, whichever way it is shared."""
    inner = ring_m((50, 50), (100, 50), (100, 100), (50, 100))
    half = ring_m((100, 0), (300, 0), (300, 200), (100, 200))
    cases = (
        ("twice", [("A", SQUARE), ("B", SQUARE)], SQUARE_ACRES, 1, "same_ground"),
        ("inner", [("A", SQUARE), ("B", inner)], SQUARE_ACRES, 2, "overlap"),
        ("half", [("A", SQUARE), ("B", half)], 60_000 / M2, 2, "overlap"),
    )
    for name, shapes, acres, count, code in cases:
        orchard, findings = read(write(tmp_path, f"{name}.geojson", geojson(shapes)))
        assert acres_of(orchard) == pytest.approx(acres, rel=2e-3), name
        assert len(orchard.blocks) == count, name
        assert code in codes_of(findings), name
        shapes_m = [b.polygon for b in orchard.blocks]
        assert len(shapes_m) < 2 or shapes_m[0].intersection(shapes_m[1]).area < 0.2


def test_same_name_twice_stays_two_blocks(tmp_path: Path) -> None:
    """Two blocks of one name are kept apart, with codes of their own."""
    orchard, findings = read(write(tmp_path, "names.geojson", geojson([("A", BLOCK), ("A", SECOND)])))
    assert [b.block_id for b in orchard.blocks] == ["A", "A (2)"]
    assert len({b.code for b in orchard.blocks}) == 2
    assert acres_of(orchard) == pytest.approx(BLOCK_ACRES + SECOND_ACRES, abs=1e-5)
    assert "same_name" in codes_of(findings)


def test_shapefile_rings_by_place_not_by_winding(tmp_path: Path) -> None:
    """A shell that runs the wrong way round, alone or with a hole, has the right acres; PolygonZ as well."""
    hole = clockwise(ring_m((20, 20), (80, 20), (80, 80), (20, 80)))
    shell = clockwise(SQUARE)
    cases = {
        "right": ([[shell, hole[::-1]]], 40_000 - 3_600, 5),
        "wrong_shell": ([[shell[::-1]]], 40_000, 5),
        "both_wrong": ([[shell[::-1], hole]], 40_000 - 3_600, 5),
        "hole_same_way": ([[shell, hole]], 40_000 - 3_600, 5),
        "hole_first": ([[hole[::-1], shell]], 40_000 - 3_600, 5),
        "with_z": ([[shell, hole[::-1]]], 40_000 - 3_600, 15),
    }
    for name, (rings, area, kind) in cases.items():
        orchard, _ = read(write(tmp_path, f"{name}.shp", shapefile(rings, ["A"], shape_type=kind)))
        assert acres_of(orchard) == pytest.approx(area / M2, rel=2e-3), name


def test_kml_ring_alone_and_many_vertices(tmp_path: Path) -> None:
    """A KML LinearRing alone is an outline; 60,000 vertices finish and keep their acres."""
    orchard, _ = read(write(tmp_path, "ring.kml", kml(placemark("A", SQUARE, "LinearRing"))))
    assert acres_of(orchard) == pytest.approx(SQUARE_ACRES, rel=2e-3)
    angle = np.linspace(0, 2 * np.pi, 60_001)
    circle = [at(300 * np.cos(a), 300 * np.sin(a)) for a in angle]
    start = time.process_time()
    orchard, findings = read(write(tmp_path, "many.geojson", geojson([("A", circle)])))
    assert acres_of(orchard) == pytest.approx(np.pi * 300**2 / M2, rel=3e-3)
    assert "thinned" in codes_of(findings)
    assert time.process_time() - start < 8


def test_scribble_is_refused_in_time(tmp_path: Path) -> None:
    """A ring through 20,000 random points is refused before anything tries to untangle it."""
    rng = np.random.default_rng(0)
    ring = [at(*p) for p in rng.uniform(0, 300, (20_000, 2))]
    start = time.process_time()
    with pytest.raises(InputError, match="scribble"):
        read(write(tmp_path, "scribble.geojson", geojson([("A", [*ring, ring[0]])])))
    assert time.process_time() - start < 8


def test_many_blocks_finish(tmp_path: Path) -> None:
    """600 small blocks are read in seconds, each with its own code (2,000 take about four times as long)."""
    blocks = [
        (f"B{i}", ring_m(*[(60 * (i % 50) + dx, 60 * (i // 50) + dy) for dx, dy in ((0, 0), (50, 0), (50, 50), (0, 50))]))
        for i in range(600)
    ]
    start = time.process_time()
    orchard, _ = read(write(tmp_path, "many.geojson", geojson(blocks)))
    assert len(orchard.blocks) == 600
    assert len({b.code for b in orchard.blocks}) == 600
    assert time.process_time() - start < 10
