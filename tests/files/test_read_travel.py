"""What layers say of roads, alleys, gates: directions, locks, keys, bridges, closings, in English and Spanish columns."""

from __future__ import annotations

import json
from datetime import date

import pytest
from shapely import LineString

from mudcap.files.layers import read_orchard
from mudcap.files.ranch import open_ranch
from mudcap.files.report_json import layer_counts
from mudcap.orchard.model import MODES, Gate

VEHICLES = frozenset({"truck", "cart"})
LON, LAT = -120.0, 37.0


def at(x, y):
    """Degrees of metres east and north, near enough."""
    return [LON + x / 88_900, LAT + y / 111_000]


def layer(path, name, kind, features):
    """Write a GeoJSON layer of lines, points or one polygon."""
    rows = [
        {"type": "Feature", "properties": said, "geometry": {"type": kind, "coordinates": coords}}
        for coords, said in features
    ]
    (path / f"{name}.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": rows}), encoding="utf-8")


@pytest.fixture
def ranch(tmp_path):
    """A folder with one block of 200 m × 200 m; the tests add layers and read."""
    ring = [at(0, 0), at(200, 0), at(200, 200), at(0, 200), at(0, 0)]
    layer(tmp_path, "blocks", "Polygon", [([ring], {"id": "B", "crop": "almond"})])

    def read(name="", kind="LineString", features=()):
        if name:
            layer(tmp_path, name, kind, features)
        return read_orchard(open_ranch(tmp_path))

    return read


SIDE = [at(-5, 0), at(-5, 200)]


@pytest.mark.parametrize(
    ("said", "wanted"),
    [
        ({}, {"one_way": False, "modes": MODES, "bridge": MODES, "closed": ()}),
        ({"oneway": "yes"}, {"one_way": True}),
        ({"oneway": "no", "modes": "cart, foot"}, {"one_way": False, "modes": frozenset({"cart", "foot"})}),
        ({"bridge": "no"}, {"bridge": frozenset()}),
        ({"culvert": "yes"}, {"bridge": MODES}),
        ({"puente": "foot"}, {"bridge": frozenset({"foot"})}),
        (
            {"closed_from": "2027-03-01", "closed_to": "2027-03-31"},
            {"closed": ((date(2027, 3, 1), date(2027, 3, 31)),)},
        ),
        ({"CLOSED_FRO": "20270301", "closed_to": "2027-03-01"}, {"closed": ((date(2027, 3, 1),) * 2,)}),
    ],
)
def test_roads(ranch, said, wanted):
    """Each column by itself; what is not said keeps its default."""
    orchard, findings = ranch("roads", features=[(SIDE, {"name": "Side", **said})])
    (road,) = orchard.roads
    assert {key: getattr(road, key) for key in wanted} == wanted
    assert not [f for f in findings if f.level != "note"]


def test_a_road_one_way_against_its_line_is_turned_round(ranch):
    """-1 as open maps write it."""
    orchard, _findings = ranch("roads", features=[(SIDE, {"oneway": "-1"}), (SIDE, {"oneway": 1})])
    back, forth = (road.line for road in orchard.roads)
    assert all(road.one_way for road in orchard.roads)
    assert back.equals_exact(LineString(forth.coords[::-1]), 1e-6)


@pytest.mark.parametrize(
    ("said", "wanted"),
    [
        ({}, None),
        ({"locked": "no"}, None),
        ({"locked": "yes"}, (VEHICLES, MODES, False)),
        ({"candado": "sí", "llave": "si"}, (VEHICLES, MODES, True)),
        ({"locked": "truck"}, (frozenset({"truck"}), MODES, False)),
        ({"locked": "truck cart foot", "keys": "no"}, (MODES, MODES, False)),
        ({"modes": "cart foot"}, (frozenset(), frozenset({"cart", "foot"}), False)),
    ],
)
def test_gates(ranch, said, wanted):
    """Open to all, locked for some, too narrow for some, with the key and without."""
    orchard, findings = ranch("gates", "Point", [(at(-5, 50), {"name": "G", **said})])
    (gate,) = orchard.gates
    assert gate.name == "G" and not [f for f in findings if f.level != "note"]
    if wanted is None:
        assert not isinstance(gate, Gate)
    else:
        assert isinstance(gate, Gate) and (gate.locked, gate.modes, gate.has_key) == wanted


def test_alley_lines(ranch):
    """Direction, modes, dates; the layer is known by its name and counted."""
    middle = [at(100, 5), at(100, 195)]
    orchard, _findings = ranch(
        "drive rows",
        features=[
            (middle, {"name": "a", "oneway": "yes", "modes": "foot", "closed_from": "2027-03-01", "closed_to": "2027-03-02"}),
            (middle, {"name": "b", "oneway": "reverse"}),
        ],
    )  # fmt: skip
    one, two = orchard.alley_rules
    assert one.one_way and one.modes == {"foot"} and one.closed == ((date(2027, 3, 1), date(2027, 3, 2)),)
    assert two.one_way and two.modes is None and two.line.coords[0][1] > two.line.coords[-1][1]
    assert layer_counts(orchard)["alleys"] == 2


@pytest.mark.parametrize(
    ("name", "kind", "said", "word"),
    [
        ("gates", "Point", {"locked": "maybe"}, "'maybe' is neither yes nor no, nor any of truck, cart, foot"),
        ("gates", "Point", {"locked": "truck boat"}, "boat truck"),
        ("gates", "Point", {"locked": "yes", "keys": "brass"}, "neither yes nor no"),
        ("roads", "LineString", {"modes": "yes"}, "'yes' is none of truck, cart, foot"),
        ("roads", "LineString", {"bridge": "wood"}, "'wood'"),
        ("roads", "LineString", {"closed_from": "2027-03-01"}, "a first and a last date"),
        ("alleys", "LineString", {"closed_from": "2027-03-02", "closed_to": "2027-03-01"}, "is before"),
        ("alleys", "LineString", {"oneway": "sometimes"}, "neither yes nor no"),
    ],
)
def test_what_makes_no_sense_is_left_out_and_said(ranch, name, kind, said, word):
    """An error that names layer, feature and cell; the rest is read."""
    where = at(-5, 50) if kind == "Point" else SIDE
    orchard, findings = ranch(name, kind, [(where, {"name": "bad", **said}), (where, {"name": "good"})])
    (error,) = [f for f in findings if f.level == "error"]
    assert error.code == "bad_attribute" and error.feature == "bad" and word in error.text
    kept = {"gates": orchard.gates, "roads": orchard.roads, "alleys": orchard.alley_rules}[name]
    assert [k.name for k in kept] == ["good"]


@pytest.mark.parametrize(("said", "trellis"), [({"trellis": "yes"}, True), ({"hedge": "yes"}, True), ({"trellis": "hedge"}, True),
                                               ({"seto": "si"}, True), ({"trellis": "no"}, False), ({}, False)])  # fmt: skip
def test_trellis_and_hedge(ranch, tmp_path, said, trellis):
    """Either keeps people from stepping across a row."""
    ring = [at(0, 0), at(200, 0), at(200, 200), at(0, 200), at(0, 0)]
    layer(tmp_path, "blocks", "Polygon", [([ring], {"id": "B", **said})])
    assert ranch()[0].blocks[0].trellis is trellis


def test_keys_in_the_options(tmp_path, ranch):
    """travel.keys is text."""
    (tmp_path / "mudcap.toml").write_text('[travel]\nkeys = "Canal gate, East gate"\n', encoding="utf-8")
    assert open_ranch(tmp_path).params.travel.keys == "Canal gate, East gate"
