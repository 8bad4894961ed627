"""Rows, numbers and spacings inferred from trees as points."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree
from shapely import Point, Polygon, affinity, box

from mudcap.orchard.model import TreePoints
from mudcap.orchard.params import RowParams
from mudcap.orchard.rows import lay_rows
from orchards import FOOT_M, block, orchard

BIG = box(0, 0, 180, 120)
NOTCHED = Polygon([(0, 0), (200, -10), (230, 90), (120, 150), (110, 90), (70, 95), (60, 160), (-10, 150)])


def planted(shape, bearing=0.0, row_m=6.7, tree_m=5.5, **said):
    """The rows of a block as they would be planted: the truth to find again."""
    given = {"row_bearing_deg": bearing, "row_spacing_m": row_m, "tree_spacing_m": tree_m, "headland_m": 6.0} | said
    return lay_rows(orchard(block("B", shape, **given)), RowParams())[0].blocks[0].rows


def inferred(shape, *layers, **said):
    """Rows laid from tree layers alone, and what was said."""
    given = {"row_bearing_deg": None, "row_spacing_m": None, "tree_spacing_m": None, "headland_m": None} | said
    grown, findings = lay_rows(orchard(block("B", shape, **given), tree_points=layers), RowParams())
    return grown.blocks[0].rows, findings


def points(xy, layer="trees.csv", **columns):
    """A tree layer."""
    return TreePoints(layer=layer, xy=np.asarray(xy, float), **columns)


def matched(truth, found, xy, kept):
    """Row and tree numbers of the trees `kept` of the truth, and those found at the same places."""
    far, index = cKDTree(found.tree_xy).query(xy)
    assert far.max() < 1e-6
    return (truth.tree_row[kept], truth.tree_number[kept]), (found.tree_row[index], found.tree_number[index])


@given(
    bearing=st.floats(0, 179),
    row_m=st.floats(4.5, 8),
    share=st.floats(0.45, 0.88),
    seed=st.integers(0, 10_000),
    corner=st.sampled_from(["N", "E", "SE", "SW", "NW"]),
)
@settings(max_examples=12, deadline=None)
def test_rows_and_numbers_come_back_from_jittered_trees_with_gaps(bearing, row_m, share, seed, corner):
    """GPS error of 0.3 m and 3 % missing: every tree is in its row, and inside rows missing trees keep their numbers."""
    rng = np.random.default_rng(seed)
    truth = planted(BIG, bearing, row_m, share * row_m, corner=corner)
    kept = rng.random(len(truth.tree_xy)) > 0.03
    xy = truth.tree_xy[kept] + rng.normal(0, 0.05 * share * row_m, (kept.sum(), 2))
    found, findings = inferred(BIG, points(xy), corner=corner)
    (row, tree), (row_f, tree_f) = matched(truth, found, xy, kept)
    assume("corner_ambiguous" not in [f.code for f in findings])
    assert [f.code for f in findings] == ["rows_inferred"]
    assert abs((found.bearing_deg - bearing + 90) % 180 - 90) < 0.5
    assert found.row_spacing_m == pytest.approx(row_m, rel=0.02)
    assert found.tree_spacing_m == pytest.approx(share * row_m, rel=0.03)
    for number in np.unique(row):
        mine = row == number
        assert len(np.unique(row_f[mine])) == 1
        assert np.ptp(tree_f[mine] - tree[mine]) == 0
    assert len(np.unique(row_f)) == len(np.unique(row))


def test_a_straight_block_gets_the_numbers_of_its_lattice():
    """First trees missing too: where both neighbours show it, the row begins with number 2."""
    rng = np.random.default_rng(3)
    truth = planted(BIG, corner="NE")
    kept = rng.random(len(truth.tree_xy)) > 0.03
    xy = truth.tree_xy[kept] + rng.normal(0, 0.25, (kept.sum(), 2))
    found, _findings = inferred(BIG, points(xy), corner="NE")
    (row, tree), (row_f, tree_f) = matched(truth, found, xy, kept)
    assert (row == row_f).all()
    assert (tree == tree_f).mean() > 0.99


def test_ground_outside_the_block_has_no_numbers():
    """A notch cuts a row in two: its trees are counted on as crews walk, not over the gap."""
    truth = planted(NOTCHED, corner="SW")
    found, _findings = inferred(NOTCHED, points(truth.tree_xy), corner="SW")
    assert found.tree_row.tolist() == truth.tree_row.tolist()
    assert found.tree_number.tolist() == truth.tree_number.tolist()


def test_numbers_of_the_layer_are_kept():
    """Row and tree columns win over corner and position; the corner is where the layer begins."""
    truth = planted(BIG, corner="NE")
    layer = points(truth.tree_xy, row=truth.tree_row + 100, tree=truth.tree_number * 2)
    found, findings = inferred(BIG, layer, corner="SW")
    assert found.tree_row.tolist() == (truth.tree_row + 100).tolist()
    assert found.tree_number.tolist() == (truth.tree_number * 2).tolist()
    assert found.corner == "NE" and found.bearing_deg == pytest.approx(180, abs=0.1)
    assert "corner_differs" in [f.code for f in findings]


def test_row_numbers_alone_are_kept_and_trees_counted():
    """With a row column only, trees are counted from the side of the named corner."""
    truth = planted(BIG, corner="SE")
    found, _findings = inferred(BIG, points(truth.tree_xy, row=truth.tree_row), corner="SW")
    index = cKDTree(found.tree_xy).query(truth.tree_xy)[1]
    assert found.tree_row[index].tolist() == truth.tree_row.tolist()
    assert found.tree_number[index].tolist() == truth.tree_number.tolist()


@pytest.mark.parametrize(("shift", "word"), [(-5, "below 1"), (None, "shared by two trees")])
def test_numbers_no_crew_could_use_are_replaced_aloud(shift, word):
    """Lattice numbers below 1, or one number on two trees: rows stay together, numbers are made anew."""
    truth = planted(BIG)
    tree = np.ones_like(truth.tree_number) if shift is None else truth.tree_number + shift
    found, findings = inferred(BIG, points(truth.tree_xy, row=truth.tree_row, tree=tree))
    assert found.tree_number.tolist() == truth.tree_number.tolist()
    replaced = [f for f in findings if f.code == "numbers_replaced"]
    assert len(replaced) == 1 and word in replaced[0].text


def test_rows_on_a_curve_are_found_and_drawn_as_they_bend():
    """Rows on arcs of 300 m radius: every tree in its row, lines that follow the trees."""
    radius, angle = 300 + 6.0 * np.arange(20), np.linspace(-0.25, 0.25, 31)
    xy = np.vstack([np.column_stack([-r * np.cos(angle), r * np.sin(angle)]) for r in radius])
    row = np.repeat(np.arange(20), 31)
    shape = Polygon([(-430, -120), (-430, 120), (-270, 120), (-270, -120)])
    found, _findings = inferred(shape, points(xy), corner="SE")
    index = cKDTree(found.tree_xy).query(xy)[1]
    assert (found.tree_row[index] == row + 1).all()
    assert max(found.row_line[9].distance(Point(p)) for p in xy[row == 9]) < 0.4


def test_a_square_planting_needs_the_bearing():
    """22 × 22 ft: without a bearing the direction is a guess and said to be one; with it the rows follow it."""
    side = 22 * FOOT_M
    truth = planted(BIG, 90.0, side, side, corner="SW")
    _rows, findings = inferred(BIG, points(truth.tree_xy))
    assert "row_direction_ambiguous" in [f.code for f in findings]
    for bearing in (0.0, 90.0):
        rows, findings = inferred(BIG, points(truth.tree_xy), row_bearing_deg=bearing)
        assert abs((rows.bearing_deg - bearing + 90) % 180 - 90) < 0.1
        assert [f.code for f in findings] == ["rows_inferred"]


def test_a_bearing_that_the_trees_contradict_is_not_followed():
    """Rows at 20°, said to run at 65°: the trees win, with a warning."""
    shape = affinity.rotate(BIG, -20, origin=(0, 0))
    truth = planted(shape, 20.0)
    rows, findings = inferred(shape, points(truth.tree_xy), row_bearing_deg=65.0)
    assert rows.bearing_deg == pytest.approx(20, abs=0.5)
    assert "bearing_differs" in [f.code for f in findings]


def test_trees_outside_every_block_are_counted():
    """Forty trees in the neighbour's field: left out, one finding with the count."""
    truth = planted(BIG)
    stray = np.column_stack([np.linspace(300, 400, 40), np.full(40, 50.0)])
    rows, findings = inferred(BIG, points(np.vstack([truth.tree_xy, stray])))
    outside = [f for f in findings if f.code == "trees_outside"]
    assert len(rows.tree_xy) == len(truth.tree_xy)
    assert len(outside) == 1 and "40 of" in outside[0].text


def test_a_tree_listed_twice_counts_once():
    """The same tree in two layers is one tree."""
    truth = planted(BIG)
    rows, findings = inferred(BIG, points(truth.tree_xy), points(truth.tree_xy[:7] + 0.05, layer="more.csv"))
    assert len(rows.tree_xy) == len(truth.tree_xy)
    assert "7 trees" in next(f.text for f in findings if f.code == "trees_twice")


def test_weights_follow_their_trees():
    """Every fourth row a pollinizer of weight 0.5."""
    truth = planted(BIG)
    weight = np.where(truth.tree_row % 4 == 0, 0.5, 1.0)
    order = np.random.default_rng(1).permutation(len(weight))
    rows, _findings = inferred(BIG, points(truth.tree_xy[order], weight=weight[order]))
    assert rows.weight.tolist() == np.where(rows.tree_row % 4 == 0, 0.5, 1.0).tolist()


@pytest.mark.parametrize("count", [1, 2, 3])
def test_a_handful_of_trees_still_makes_rows(count):
    """One, two or three trees: all kept, none twice."""
    xy = np.array([(50.0, 50.0), (50.0, 55.0), (56.0, 52.0)])[:count]
    rows, _findings = inferred(BIG, points(xy))
    assert len(rows.tree_xy) == count
    assert len(np.unique(np.column_stack([rows.tree_row, rows.tree_number]), axis=0)) == count


def test_trees_at_random_are_doubted():
    """Trees without rows are kept, but the finding says that they fit none, or their density is odd."""
    rng = np.random.default_rng(2)
    xy = rng.uniform((0, 0), (180, 120), (600, 2))
    rows, findings = inferred(BIG, points(xy))
    assert len(rows.tree_xy) >= 595
    assert "rows_uncertain" in [f.code for f in findings]
    assert len(np.unique(np.column_stack([rows.tree_row, rows.tree_number]), axis=0)) == len(rows.tree_xy)


def test_a_block_without_trees_of_the_layer_falls_back_on_its_spacings():
    """Two blocks, trees in one: the other is laid from its bearing."""
    truth = planted(BIG)
    far = block("Far", box(1000, 0, 1100, 100))
    grown, _findings = lay_rows(
        orchard(block("B", BIG, row_bearing_deg=None), far, tree_points=(points(truth.tree_xy),)), RowParams()
    )
    assert [b.rows.source for b in grown.blocks] == ["trees", "spacing"]


def test_tree_numbers_against_the_run_of_the_row_are_kept_and_said():
    """Two neighbours swapped in the tree column: kept in the layer's order, with a warning."""
    truth = planted(BIG)
    tree = truth.tree_number.copy()
    tree[[4, 5]] = tree[[5, 4]]
    rows, findings = inferred(BIG, points(truth.tree_xy, row=truth.tree_row, tree=tree))
    assert (np.diff(rows.tree_number[rows.tree_row == 1]) > 0).all()
    assert "1 tree of" in next(f.text for f in findings if f.code == "numbers_jump")


@given(
    seed=st.integers(0, 10_000),
    count=st.integers(1, 60),
    spread=st.sampled_from(["line", "cluster", "scatter"]),
    labels=st.sampled_from(["none", "rows", "both", "below"]),
)
@settings(max_examples=40, deadline=None)
def test_any_trees_make_rows_in_which_no_two_share_a_number(seed, count, spread, labels):
    """Lines, clusters, scatter, with or without numbers that make sense: every tree once, each its own address."""
    rng = np.random.default_rng(seed)
    xy = rng.uniform((10, 10), (170, 110), (count, 2))
    if spread == "line":
        xy = np.column_stack([np.full(count, 50.0), np.linspace(20, 100, count)])
    elif spread == "cluster":
        xy = rng.normal(60, 0.6, (count, 2))
    row = {"none": None, "below": rng.integers(-3, 3, count)}.get(labels, rng.integers(1, 5, count))
    tree = np.arange(1, count + 1) if labels == "both" else None
    rows, findings = inferred(BIG, points(xy, row=row, tree=tree))
    once = cKDTree(xy).query_pairs(0.25)
    assert len(rows.tree_xy) <= count and (len(rows.tree_xy) == count or once)
    assert len(np.unique(np.column_stack([rows.tree_row, rows.tree_number]), axis=0)) == len(rows.tree_xy)
    assert len(rows.row_line) == len(rows.row_number) and all(line.length > 0 for line in rows.row_line)
    assert rows.row_spacing_m >= 0.5 and rows.tree_spacing_m >= 0.5
    assert "rows_inferred" in [f.code for f in findings]
