"""Findings about the orchard as a whole."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from shapely import LineString, Point, box

from mudcap.orchard.access import acres_off_network
from mudcap.orchard.checks import check
from mudcap.orchard.model import Closure, Feature, MudSource, Role, TreePoints
from mudcap.orchard.network import travel_network
from mudcap.orchard.params import RowParams, TravelParams
from mudcap.orchard.rows import lay_rows
from orchards import FOOT_M, block, forty_acres, guarded_block, orchard, road, two_blocks_and_a_road


def findings(orchard_, **said):
    """Findings on an orchard with its rows laid, by code."""
    found = check(lay_rows(orchard_, RowParams())[0], **said)
    return {finding.code: finding for finding in found}


def test_a_well_drawn_ranch_has_nothing_but_its_mud():
    """Two blocks, road, gate, yard, clean clay loam: one note."""
    found = findings(two_blocks_and_a_road())
    assert list(found) == ["mud_serves"] and found["mud_serves"].level == "note"


def test_no_road_is_said_once():
    """Access unknown is a warning."""
    found = findings(forty_acres())
    assert list(found) == ["no_roads"] and found["no_roads"].level == "warning"


def test_a_road_that_touches_nothing():
    """A road 300 m off any block or road is named with its distance."""
    home = two_blocks_and_a_road()
    found = findings(replace(home, roads=(*home.roads, road((1000, 0), (1000, 90), name="lost"))))
    assert found["road_alone"].feature == "lost" and "nobody" in found["road_alone"].text


def test_a_block_far_from_every_road():
    """The distance is said, and so are the acres that no vehicle reaches."""
    far = block("Far", box(1000, 1000, 1060, 1100))
    home = two_blocks_and_a_road()
    found = findings(replace(home, blocks=(*home.blocks, far)))
    assert found["block_off_roads"].feature == "Far"
    lost = found["not_reached"]
    assert lost.feature == "Far" and "from the yard" in lost.text


def test_acres_that_no_network_reaches():
    """A ditch cuts the north half of a block off: half of its planted acres."""
    ditch = Feature(role=Role.DITCHES, name="d", geometry=LineString([(-20, 50), (80, 50)]))
    ground = block("B", box(0, 0, 60, 100), row_spacing_m=6.0, tree_spacing_m=5.0, headland_m=10.0)
    grown = lay_rows(orchard(ground, roads=(road((-10, -4), (70, -4)),), features=(ditch,)), RowParams())[0]
    lost = acres_off_network(grown, travel_network(grown, TravelParams()))
    planted = len(grown.blocks[0].rows.tree_xy) * 30.0 / 4046.8564224
    assert lost["B"] == pytest.approx(planted / 2, rel=0.02)
    assert findings(grown)["not_reached"].level == "warning"


def test_alleys_for_feet_only_are_not_cut_off_by_that():
    """With alley_mode foot the headland still reaches them."""
    assert "not_reached" not in findings(two_blocks_and_a_road(), travel=TravelParams(alley_mode="foot"))


@pytest.mark.parametrize(("row_ft", "tree_ft", "odd"), [(22, 18, False), (16, 8, False), (30, 30, False), (72, 18, True), (22, 59, True)])
def test_spacings_out_of_the_range_of_orchards(row_ft, tree_ft, odd):
    """Ranges of the trade's guides; feet taken for metres show up."""
    ground = block("B", box(0, 0, 300, 300), row_spacing_m=row_ft * FOOT_M, tree_spacing_m=tree_ft * FOOT_M)
    assert ("odd_spacing" in findings(orchard(ground))) is odd


def test_trees_in_a_corner_of_a_large_block_are_an_odd_density():
    """A tree layer that covers a quarter of the block."""
    trees = lay_rows(orchard(block("B", box(0, 0, 100, 100))), RowParams())[0].blocks[0].rows
    layer = TreePoints(layer="t", xy=np.asarray(trees.tree_xy), row=None)
    assert "odd_density" not in findings(orchard(block("B", box(0, 0, 100, 100)), tree_points=(layer,)))
    assert "odd_density" in findings(orchard(block("B", box(0, 0, 200, 200)), tree_points=(layer,)))


def test_one_row_and_trees_in_a_keep_out_are_notes():
    """A strip; a pump house that stands among the trees."""
    assert "one_row" in findings(orchard(block("Strip", box(0, 0, 7, 90))))
    assert "6 trees" not in findings(guarded_block())["trees_in_keep_out"].text
    assert "inside pump" in findings(guarded_block())["trees_in_keep_out"].text


def test_closures_and_hives():
    """A closure without dates bars for good; one that ends before it begins is an error; hives that bar nothing."""
    day = (date(2026, 3, 1), date(2026, 2, 1))
    ground = box(0, 0, 5, 5)
    closures = (
        Closure(name="always", geometry=ground, first=None, last=None),
        Closure(name="wrong", geometry=ground, first=day[0], last=day[1]),
    )
    hives = Feature(role=Role.HIVES, name="h", geometry=Point(1, 1))
    home = two_blocks_and_a_road()
    found = findings(replace(home, closures=closures, features=(hives,)))
    assert found["closed_always"].feature == "always"
    assert found["closure_dates"].level == "error"
    assert found["hives_bar_nothing"].feature == "h"


def test_each_mud_source_is_judged_with_its_reason():
    """Contaminated, sandy, dry, unknown: each its own text."""
    sources = (
        MudSource(name="dirty", geometry=Point(0, 0), is_clean=False),
        MudSource(name="sandy", geometry=Point(0, 0), clay_share=0.04),
        MudSource(name="summer", geometry=Point(0, 0), clay_share=0.3, wet=((date(2026, 7, 1), date(2026, 8, 1)),)),
        MudSource(name="unknown", geometry=Point(0, 0)),
    )
    found = findings(replace(two_blocks_and_a_road(), mud_sources=sources))
    assert "not clean" in found["mud_contaminated"].text
    assert "4 % clay is less than the 15 %" in found["mud_not_clayey"].text
    assert "dry" in found["mud_dry"].text
    assert found["mud_serves"].level == "warning" and "feel it" in found["mud_serves"].text


def test_a_yard_that_lies_nowhere():
    """A yard 20 km off joins nothing."""
    assert "yard_alone" in findings(replace(two_blocks_and_a_road(), yard=Point(20_000, 0)))


@pytest.mark.parametrize(("units", "length", "other"), [("us", " ft", " m "), ("metric", " m", " ft")])
def test_lengths_are_told_in_the_units_of_the_reader(units, length, other):
    """Rows that were assumed, roads far off, gaps: feet or metres, never both or the other."""
    lone = road((-300, -400), (-200, -400), name="lone")
    near = road((-400, -200), (50, -200), name="near")
    ground, said = lay_rows(
        orchard(block("B", box(0, 0, 60, 90), row_bearing_deg=None), roads=(near, lone)), RowParams(), units=units
    )
    found = {f.code: f.text for f in (*said, *check(ground, units=units))}
    assert {"rows_assumed", "block_off_roads", "not_reached", "road_alone"} <= set(found)
    for code in ("rows_assumed", "block_off_roads", "not_reached", "road_alone"):
        assert length in found[code] and other not in found[code].replace(" m apart", " m-apart" if units == "metric" else " m apart")
