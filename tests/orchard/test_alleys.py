"""Alleys between rows, headlands across their ends, and which alleys are sprayed."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Polygon, affinity, box

from mudcap.orchard.alleys import VEHICLE_CLEAR_M
from mudcap.orchard.model import SprayLane
from mudcap.orchard.params import RowParams
from mudcap.orchard.rows import lay_rows
from orchards import (
    block,
    block_with_pond,
    forty_acres,
    guarded_block,
    l_shaped_block,
    orchard,
    two_part_block,
)


def grown(orchard_, **params):
    """The first block of an orchard with its rows and alleys."""
    return lay_rows(orchard_, RowParams(**params))[0].blocks[0]


def test_alleys_run_midway_and_outside_the_outer_rows():
    """120 rows have 119 alleys between them, and one outside on either side; each from headland to headland."""
    forty = grown(forty_acres())
    pairs = [(a.left_row, a.right_row) for a in forty.alleys]
    assert pairs == [(k, k + 1) for k in range(121)]
    middle = forty.alleys[60]
    assert middle.width_m == pytest.approx(6.7056, abs=1e-3)
    lines = [forty.rows.row_line[59], forty.rows.row_line[60]]
    for line in lines:
        assert middle.line.interpolate(0.5, normalized=True).distance(line) == pytest.approx(6.7056 / 2, abs=1e-3)
    assert middle.line.length == pytest.approx((660 - 25) * 0.3048, abs=0.01)
    assert [round(line.length) for line in forty.headlands] == [801, 801]


def test_alleys_run_from_low_tree_numbers_to_high_ones():
    """From the corner's end, whatever the corner."""
    for corner in ("SW", "NE"):
        found = grown(orchard(block("B", box(0, 0, 60, 90), corner=corner)))
        trees = found.rows.tree_xy[found.rows.tree_row == 1]
        for alley in found.alleys:
            start, end = np.array(alley.line.coords)[[0, -1]]
            assert (end - start) @ (trees[-1] - trees[0]) > 0


def test_a_pond_cuts_alleys_in_two():
    """Alleys through the pond come in two pieces that keep clear of the water."""
    pond = grown(block_with_pond())
    count = np.bincount([a.left_row for a in pond.alleys])
    assert set(count.tolist()) == {1, 2} and count[10] == 2 and count[2] == 1
    for alley in pond.alleys:
        assert alley.line.distance(pond.polygon.interiors[0]) >= VEHICLE_CLEAR_M - 0.01


def test_parts_of_a_block_have_alleys_of_their_own():
    """No alley lies on the road between the parts; both sides of the gap have an outer alley."""
    parts = grown(two_part_block())
    between = [a for a in parts.alleys if a.left_row == 8]
    assert len(parts.alleys) == 18 and len(between) == 2
    assert all(parts.polygon.covers(a.line) for a in parts.alleys)


def test_headlands_follow_the_step_of_an_l():
    """One headland along the south end, one round the step; both join the ends of all alleys there."""
    ell = grown(l_shaped_block())
    assert len(ell.headlands) == 2
    lines = shapely.union_all(ell.headlands)
    for alley in ell.alleys:
        for end in (alley.line.coords[0], alley.line.coords[-1]):
            assert shapely.Point(end).distance(lines) < 1e-6


def test_a_narrow_headland_is_no_way():
    """Two metres cannot be turned on: no headland line, the alleys stay."""
    found = grown(orchard(block("B", box(0, 0, 60, 90), headland_m=2.0)))
    assert found.headlands == () and len(found.alleys) == 10


@given(turn=st.floats(0, 179), headland_m=st.floats(4, 12), notch=st.booleans())
@settings(max_examples=20, deadline=None)
def test_ways_stay_in_the_block_and_clear_of_trees(turn, headland_m, notch):
    """Every alley and headland lies on the block's ground, at least a cart's half width from each tree."""
    shape = Polygon([(0, 0), (110, -8), (120, 60), (40, 100), (-5, 70)])
    if notch:
        shape = shape.difference(box(50, 20, 70, 40)).difference(box(30, 60, 42, 120))
    shape = max(shapely.get_parts(shape), key=lambda part: part.area)
    shape = affinity.rotate(shape, -turn, origin=(0, 0))
    found = grown(orchard(block("B", shape, row_bearing_deg=turn, headland_m=headland_m, tree_spacing_m=5.0)))
    trees = shapely.STRtree(shapely.points(found.rows.tree_xy))
    ways = [alley.line for alley in found.alleys] + list(found.headlands)
    for way in ways:
        assert shape.buffer(1e-6).covers(way)
        nearest = shapely.points(found.rows.tree_xy[trees.nearest(way)])
        assert way.distance(nearest) >= VEHICLE_CLEAR_M - 1e-6


def test_every_third_alley_is_sprayed():
    """The alleys after rows 3, 6, 9 …; outer alleys only if every alley is."""
    shape = orchard(block("B", box(0, 0, 66, 90), row_spacing_m=6.0))
    assert [a.left_row for a in grown(shape, sprayed_every=3).alleys if a.is_spray_lane] == [3, 6, 9]
    assert [a.left_row for a in grown(shape).alleys if a.is_spray_lane] == []
    assert all(a.is_spray_lane for a in grown(shape, sprayed_every=1).alleys)


def test_spraying_every_second_alley_is_warned_of():
    """Then every row stands beside a lane; spraying all is only a note."""
    shape = orchard(block("B", box(0, 0, 66, 90)))
    codes = [[f.code for f in lay_rows(shape, RowParams(sprayed_every=k))[1]] for k in (0, 1, 2, 3)]
    assert codes == [[], ["all_alleys_sprayed"], ["every_row_sprayed"], []]


def test_a_drawn_lane_marks_the_alley_it_runs_in():
    """Along the alley at least half of it; one that only crosses marks none."""
    found = grown(guarded_block())
    assert [(a.left_row, a.right_row) for a in found.alleys if a.is_spray_lane] == [(11, 12)]
    across = SprayLane(name="x", line=LineString([(0, 50), (66, 50)]), swept_m=4.0)
    crossed = grown(orchard(block("B", box(0, 0, 66, 90)), spray_lanes=(across,)))
    assert not any(a.is_spray_lane for a in crossed.alleys)
