"""Rows and trees laid from bearing and spacings, numbered from a corner."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import MultiPolygon, Point, Polygon, affinity, box

from mudcap.geo.units import M2_PER_ACRE
from mudcap.orchard.params import RowParams
from mudcap.orchard.rows import lattice, lay_rows, longest_side_deg
from orchards import (
    FOOT_M,
    PLANE,
    block,
    block_with_pond,
    forty_acres,
    l_shaped_block,
    one_row,
    orchard,
    two_part_block,
)

ELL = Polygon([(0, 0), (80, 0), (80, 70), (30, 70), (30, 160), (0, 160)])
RING = box(0, 0, 90, 80).difference(box(30, 25, 60, 55))
COMB = box(0, 0, 110, 90).difference(box(25, 40, 45, 90)).difference(box(65, 40, 85, 90))
TRIANGLE = Polygon([(0, 0), (120, 0), (20, 90)])
SHAPES = {"ell": ELL, "ring": RING, "comb": COMB, "triangle": TRIANGLE}


def rows_of(shape, **said):
    """Rows laid in one block of this shape."""
    return lay_rows(orchard(block("B", shape, **said)), RowParams())[0].blocks[0].rows


def laid(**said):
    """Rows of a block 100 m × 60 m, rows 10 m and trees 5 m apart."""
    return rows_of(box(0, 0, 100, 60), **({"row_spacing_m": 10.0, "tree_spacing_m": 5.0, "headland_m": 5.0} | said))


def codes(findings):
    """The codes of some findings."""
    return [finding.code for finding in findings]


def test_forty_acres_has_120_rows_of_34_trees():
    """Half a mile by an eighth: 2640 ft / 22 ft rows; (660 − 2 × 25) / 18 + 1 trees."""
    rows = lay_rows(forty_acres(), RowParams())[0].blocks[0].rows
    assert np.bincount(rows.tree_row).tolist() == [0, *[34] * 120]
    assert np.hypot(*(rows.tree_xy[1] - rows.tree_xy[0])) == pytest.approx(18 * FOOT_M)


@pytest.mark.parametrize(
    ("row_ft", "tree_ft", "per_acre"),
    # trees an acre = 43,560 ft² / (row × tree): arithmetic, as nursery tables print it
    [
        (22, 22, 90.0), (22, 18, 110.0), (22, 16, 123.75), (22, 14, 141.43), (22, 10, 198.0), (21, 16, 129.64),
        (20, 14, 155.57), (24, 22, 82.5), (24, 24, 75.62), (30, 30, 48.4), (16, 8, 340.31),
    ],
)  # fmt: skip
def test_trees_an_acre_follow_from_the_spacings(row_ft, tree_ft, per_acre):
    """A block of whole rows and trees without headland has exactly the trees of the arithmetic."""
    shape = box(0, 0, 30 * row_ft * FOOT_M, 40 * tree_ft * FOOT_M)
    rows = rows_of(shape, row_spacing_m=row_ft * FOOT_M, tree_spacing_m=tree_ft * FOOT_M, headland_m=0.0)
    assert len(rows.tree_xy) / (shape.area / M2_PER_ACRE) == pytest.approx(per_acre, abs=0.006)


def test_the_trial_block_of_boyle_2020():
    """40 acres, half a mile by an eighth: 109 rows × 30–32 trees, 84.4 an acre (Boyle et al. 2020, Ecol. Evol. 10:3189)."""
    shape = box(0, 0, 2640 * FOOT_M, 660 * FOOT_M)
    rows = rows_of(shape, row_spacing_m=24 * FOOT_M, tree_spacing_m=22 * FOOT_M, headland_m=0.0)
    trees = np.bincount(rows.tree_row)[1:]
    assert 109 <= len(rows.row_number) <= 110
    assert trees.min() >= 30 and trees.max() <= 32
    assert 82.5 <= len(rows.tree_xy) / 40.0 <= 90.0


@pytest.mark.parametrize(
    ("corner", "first", "second_row", "bearing"),
    [
        ("SW", (5, 5), (15, 5), 0),
        ("NW", (5, 55), (15, 55), 180),
        ("SE", (95, 5), (85, 5), 0),
        ("NE", (95, 55), (85, 55), 180),
    ],
)
def test_counting_starts_at_the_named_corner(corner, first, second_row, bearing):
    """Row 1, tree 1 stands at the corner; row numbers grow away from it, tree numbers along the row."""
    rows = laid(corner=corner)
    assert rows.tree_xy[0] == pytest.approx(first, abs=0.01)
    assert rows.tree_xy[rows.tree_row == 2][0] == pytest.approx(second_row, abs=0.01)
    assert rows.bearing_deg == pytest.approx(bearing)
    assert rows.tree_number[rows.tree_row == 1].tolist() == list(range(1, 12))
    line = np.array(rows.row_line[0].coords)
    assert np.linalg.norm(line[0] - rows.tree_xy[0]) < np.linalg.norm(line[1] - rows.tree_xy[0])


@pytest.mark.parametrize(("corner", "side"), [("N", (0, 1)), ("E", (1, 0)), ("S", (0, -1)), ("W", (-1, 0))])
def test_angled_blocks_are_counted_from_north_east_south_or_west(corner, side):
    """Rows at 45°: the corners of the block point north, east, south and west."""
    shape = affinity.rotate(box(0, 0, 100, 100), -45, origin=(0, 0))
    rows = rows_of(shape, row_bearing_deg=45.0, corner=corner, row_spacing_m=10.0, tree_spacing_m=10.0)
    offset = rows.tree_xy[0] - np.array(shape.centroid.coords[0])
    assert offset @ side == pytest.approx(np.abs(offset).max())


def test_a_corner_that_fits_two_is_said():
    """North of north–south rows is two corners: the finding says so, and the one first met clockwise is taken."""
    grown, findings = lay_rows(orchard(block("B", box(0, 0, 100, 100), corner="N")), RowParams())
    assert codes(findings) == ["corner_ambiguous"]
    rows = grown.blocks[0].rows
    assert (rows.tree_xy[0] > 80).all()


@given(
    name=st.sampled_from(sorted(SHAPES)),
    turn=st.floats(-40, 40),
    east=st.floats(-800, 800),
    north=st.floats(-800, 800),
    corner=st.sampled_from(["NE", "NW", "SE", "SW"]),
)
@settings(max_examples=30, deadline=None)
def test_turning_and_shifting_the_block_turns_and_shifts_rows_and_numbers(name, turn, east, north, corner):
    """Same trees with the same numbers, whatever the bearing and place (turns that keep each corner in its quarter)."""
    spacing = {"row_spacing_m": 6.5, "tree_spacing_m": 5.0, "headland_m": 6.0, "corner": corner}
    shape = SHAPES[name]
    moved = affinity.translate(affinity.rotate(shape, -turn, origin=(0, 0)), east, north)
    tilt = [PLANE.convergence_deg(s.centroid.coords[0]) for s in (shape, moved)]
    plain = rows_of(shape, row_bearing_deg=tilt[0] % 360, **spacing)
    other = rows_of(moved, row_bearing_deg=(turn + tilt[1]) % 360, **spacing)
    angle = np.radians(turn)
    unturn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    back = (other.tree_xy - (east, north)) @ unturn
    assert back == pytest.approx(plain.tree_xy, abs=1e-6)
    assert other.tree_row.tolist() == plain.tree_row.tolist()
    assert other.tree_number.tolist() == plain.tree_number.tolist()


@given(
    name=st.sampled_from(sorted(SHAPES)),
    bearing=st.floats(0, 359.9),
    row_m=st.floats(4, 9),
    tree_m=st.floats(2, 8),
    headland_m=st.floats(0, 12),
    corner=st.sampled_from(["N", "NE", "E", "SE", "S", "SW", "W", "NW"]),
)
@settings(max_examples=40, deadline=None)
def test_trees_stand_in_the_block_clear_of_headlands_and_counted_through(
    name, bearing, row_m, tree_m, headland_m, corner
):
    """Inside the outline and outside holes, the headland free along the row, numbers 1, 2, 3 … in rows and along them."""
    shape = SHAPES[name]
    rows = rows_of(
        shape, row_bearing_deg=bearing, row_spacing_m=row_m, tree_spacing_m=tree_m, headland_m=headland_m, corner=corner
    )
    if not len(rows.tree_xy):
        return
    assert shapely.contains_xy(shape, *rows.tree_xy.T).all()
    grid = np.radians(rows.bearing_deg - PLANE.convergence_deg(shape.centroid.coords[0]))
    along = np.array([np.sin(grid), np.cos(grid)]) * max(headland_m, tree_m / 2) * 0.97
    outline = Polygon(shape.exterior)
    for sign in (-1, 1):
        steps = shapely.linestrings(np.stack([rows.tree_xy, rows.tree_xy + sign * along], axis=1))
        clear = shapely.covers(outline, steps)
        assert clear.mean() > 0.999 or name != "triangle"
        assert clear.all() or headland_m < tree_m
    assert rows.row_number.tolist() == list(range(1, len(rows.row_number) + 1))
    for number in rows.row_number:
        trees = rows.tree_number[rows.tree_row == number]
        assert trees.tolist() == list(range(1, len(trees) + 1))


def test_density_comes_near_the_arithmetic_on_a_large_block():
    """Without headlands a 600 m × 500 m block at 17° has the trees of its spacings within 2 %."""
    shape = affinity.rotate(box(0, 0, 600, 500), -30, origin=(0, 0))
    rows = rows_of(shape, row_bearing_deg=17.0, row_spacing_m=6.7, tree_spacing_m=5.5, headland_m=0.0)
    assert len(rows.tree_xy) == pytest.approx(shape.area / (6.7 * 5.5), rel=0.02)


def test_rows_run_through_an_l():
    """Twelve rows, six of them long; numbers go on where the block steps back."""
    rows = lay_rows(l_shaped_block(), RowParams())[0].blocks[0].rows
    trees = np.bincount(rows.tree_row)[1:]
    assert len(trees) == 12
    assert trees[:6].tolist() == [trees[0]] * 6 and trees[6:].tolist() == [trees[-1]] * 6
    assert trees[0] > 1.9 * trees[-1]


def test_tree_numbers_go_on_behind_a_pond():
    """A row that a pond cuts keeps one number, and its trees are counted on over the water."""
    grown = lay_rows(block_with_pond(), RowParams())[0]
    rows = grown.blocks[0].rows
    cut = rows.tree_row == 10
    y = rows.tree_xy[cut, 1]
    assert np.diff(y).max() > 25
    assert rows.tree_number[cut].tolist() == list(range(1, cut.sum() + 1))
    assert rows.row_number.tolist() == list(range(1, 21))


def test_row_numbers_run_through_the_parts_of_a_block():
    """Eight rows on either side of a road: 1 to 16."""
    rows = lay_rows(two_part_block(), RowParams())[0].blocks[0].rows
    assert rows.row_number.tolist() == list(range(1, 17))
    assert (rows.tree_xy[rows.tree_row == 8, 0] < 40).all() and (rows.tree_xy[rows.tree_row == 9, 0] > 50).all()


def test_parts_one_behind_the_other_share_their_rows():
    """A road across the rows: same row numbers on both sides, trees counted on."""
    shape = MultiPolygon([box(0, 0, 40, 60), box(0, 70, 40, 130)])
    rows = rows_of(shape, row_spacing_m=5.0, tree_spacing_m=5.0, headland_m=5.0)
    first = rows.tree_row == 1
    assert rows.row_number.tolist() == list(range(1, 9))
    assert rows.tree_number[first].tolist() == list(range(1, first.sum() + 1))
    assert rows.tree_xy[first, 1].max() > 100


def test_one_row():
    """A strip as wide as a row holds one row of ten."""
    rows = lay_rows(one_row(), RowParams())[0].blocks[0].rows
    assert rows.tree_number.tolist() == list(range(1, 11))


def test_a_strip_narrower_than_a_row_spacing_holds_one_row():
    """5 m wide, rows 6.7 m apart: one row down the middle."""
    rows = rows_of(box(0, 0, 5, 60), row_spacing_m=6.7, tree_spacing_m=5.0, headland_m=5.0)
    assert rows.tree_xy[:, 0] == pytest.approx(2.5, abs=0.01) and len(rows.tree_xy) == 11


@pytest.mark.parametrize("shape", [box(0, 0, 2, 2), box(0, 0, 0.3, 200), Point(0, 0).buffer(3)])
def test_a_block_too_small_for_a_tree_is_said_and_stays_empty(shape):
    """No tree, no alley, one finding that gives the acres."""
    grown, findings = lay_rows(orchard(block("Tiny", shape)), RowParams())
    assert codes(findings) == ["no_tree_fits"]
    assert len(grown.blocks[0].rows.tree_xy) == 0 and grown.blocks[0].alleys == ()


def test_a_small_block_gives_up_a_headland_that_nobody_asked_for():
    """12 m × 12 m: the usual 25 ft leave nothing; without it trees stand, and it is said. A headland given is kept."""
    for said, code, trees in (({"headland_m": None}, "no_headland", 2), ({"headland_m": 7.6}, "no_tree_fits", 0)):
        grown, findings = lay_rows(orchard(block("Wee", box(0, 0, 12, 12), **said)), RowParams())
        assert codes(findings) == [code] and len(grown.blocks[0].rows.tree_xy) == trees


@pytest.mark.parametrize("spacing", [{"row_spacing_m": 0.3}, {"tree_spacing_m": 220.0}, {"row_spacing_m": float("nan")}])
def test_spacings_that_cannot_be_are_refused(spacing):
    """Inches or fathoms taken for metres: an error, and no lattice of a million trees."""
    grown, findings = lay_rows(orchard(block("Odd", box(0, 0, 100, 100), **spacing)), RowParams())
    assert [(f.level, f.code) for f in findings] == [("error", "odd_spacing")]
    assert len(grown.blocks[0].rows.tree_xy) == 0


def test_rows_are_assumed_along_the_longest_side_and_loudly():
    """A wobbly block at 30°: the direction is its long side's within a degree, and the finding is a warning."""
    rng = np.random.default_rng(5)
    ring = shapely.segmentize(affinity.rotate(box(0, 0, 80, 300), -30, origin=(0, 0)).exterior, 10)
    wobbly = Polygon(np.array(ring.coords)[:-1] + rng.normal(0, 0.8, (len(ring.coords) - 1, 2)))
    grown, findings = lay_rows(orchard(block("Walked", wobbly, row_bearing_deg=None)), RowParams())
    rows = grown.blocks[0].rows
    assert rows.source == "assumed" and rows.bearing_deg == pytest.approx(30, abs=1.5)
    assert [(f.level, f.code) for f in findings] == [("warning", "rows_assumed")]
    assert "ASSUMED" in findings[0].text


@given(seed=st.integers(0, 1000))
@settings(max_examples=10, deadline=None)
def test_wobble_of_a_walked_outline_does_not_push_rows_to_the_edge(seed):
    """A rectangle walked with 1 m of error: every row is nearly as long as the others, the outer ones too."""
    rng = np.random.default_rng(seed)
    ring = np.array(shapely.segmentize(box(0, 0, 134, 300).exterior, 12).coords)[:-1]
    wobbly = Polygon(ring + rng.normal(0, 1.0, ring.shape)).buffer(0)
    trees = np.bincount(rows_of(wobbly, row_spacing_m=6.7, tree_spacing_m=5.5).tree_row)[1:]
    assert 19 <= len(trees) <= 20
    assert trees[1:-1].min() >= 0.9 * np.median(trees)
    assert min(trees[0], trees[-1]) >= 0.5 * np.median(trees)


def test_the_longest_side_of_a_part():
    """Direction is folded to half a turn, and the longest side of all parts counts."""
    assert longest_side_deg(box(0, 0, 10, 50)) == pytest.approx(0)
    both = MultiPolygon([box(0, 0, 10, 50), box(100, 0, 190, 20)])
    assert longest_side_deg(both) == pytest.approx(90)


def test_bearings_count_from_true_north():
    """20 km east of the plane's centre rows at 0° follow the meridian: the longitude stays (PROJ as the outside check)."""
    rows = rows_of(box(20_000, 30_000, 20_200, 30_600), row_bearing_deg=0.0, headland_m=0.0)
    first = rows.tree_xy[rows.tree_row == 5]
    lonlat = PLANE.to_lonlat(first[[0, -1]])
    assert PLANE.convergence_deg((20_000, 30_000)) > 0.1
    assert abs(lonlat[1, 0] - lonlat[0, 0]) < 1e-7


@given(low=st.floats(-100, 100), width=st.floats(0, 300), spacing=st.floats(1, 30), share=st.floats(0, 1))
@settings(max_examples=60, deadline=None)
def test_a_lattice_is_centred_and_holds_all_that_fits(low, width, spacing, share):
    """Steps are even, both margins equal and kept, and one more would not fit."""
    margin = share * spacing
    at = lattice(low, low + width, spacing, margin, 0.0)
    if not len(at):
        assert width < 2 * margin + 1e-5 * spacing
        return
    left, right = at[0] - low, low + width - at[-1]
    assert left == pytest.approx(right, abs=1e-9) and left >= margin - 1e-6 * spacing
    assert left + right - 2 * margin < spacing * (1 + 1e-6)
    assert np.diff(at) == pytest.approx(spacing)


def test_the_same_input_gives_the_same_trees():
    """Two runs agree to the bit."""
    one, two = (lay_rows(block_with_pond(), RowParams())[0].blocks[0] for _run in range(2))
    assert np.array_equal(one.rows.tree_xy, two.rows.tree_xy)
    assert [a.line.wkb for a in one.alleys] == [a.line.wkb for a in two.alleys]


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({}, []),
        ({"row_spacing_m": None}, ["row spacing 22.0 ft"]),
        ({"tree_spacing_m": None}, ["tree spacing 18.0 ft"]),
        ({"row_spacing_m": None, "tree_spacing_m": None}, ["row spacing 22.0 ft, tree spacing 18.0 ft"]),
    ],
)
def test_spacings_that_nobody_says_are_told_as_assumed(said, words):
    """Not where the options say other ones, nor twice where the rows as a whole are assumed."""
    field = orchard(block("B", box(0, 0, 100, 60), **said))
    found = [f for f in lay_rows(field, RowParams())[1] if f.code == "spacing_assumed"]
    assert len(found) == len(words) and all(w in f.text for w, f in zip(words, found, strict=True))
    assert "spacing_assumed" not in codes(lay_rows(field, RowParams(row_spacing_m=5.0, tree_spacing_m=3.0))[1])
    bare = orchard(block("B", box(0, 0, 100, 60), **{"row_bearing_deg": None} | said))
    assert "spacing_assumed" not in codes(lay_rows(bare, RowParams())[1])
