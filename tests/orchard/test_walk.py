"""How far a crew walks from its vehicle to a tree, worked by hand."""

import numpy as np
import pytest
from shapely import LineString, Point, Polygon, box

from mudcap.orchard.model import Feature, Role
from mudcap.orchard.network import travel_network
from mudcap.orchard.params import RowParams, TravelParams
from mudcap.orchard.rows import lay_rows
from mudcap.orchard.walk import walk_to_stop_m
from orchards import block, block_with_pond, forty_acres, one_row, orchard, road, two_blocks_and_a_road

SQUARE = box(0, 0, 60, 100)


def walk(orchard_, **params):
    """Walk to every tree of the first block, (rows, trees)."""
    grown = lay_rows(orchard_, RowParams())[0]
    travel = TravelParams(**params)
    rows = grown.blocks[0].rows
    zero = np.zeros(len(rows.tree_xy), np.int64)
    found = walk_to_stop_m(
        grown, travel_network(grown, travel), travel, xy=rows.tree_xy, block=zero, row=rows.tree_row
    )
    return found, rows


def square(**said):
    """A block of 10 rows 6 m apart with trees 5 m apart and headlands of 10 m."""
    return block("B", SQUARE, **({"row_spacing_m": 6.0, "tree_spacing_m": 5.0, "headland_m": 10.0} | said))


SOUTH = (road((-10, -4), (70, -4)),)
BOTH = (*SOUTH, road((-10, -4), (-90, -4), (-90, 104), (70, 104), name="round"))


def test_from_the_alley_it_is_the_step_to_the_tree():
    """Half a row spacing; in the outer rows the outer alley is nearer, a quarter."""
    found, rows = walk(orchard(square(), roads=SOUTH))
    inner = (rows.tree_row > 1) & (rows.tree_row < 10)
    assert found[inner] == pytest.approx(3.0, abs=1e-3)
    assert found[~inner] == pytest.approx(1.5, abs=1e-3)


def test_on_foot_it_is_along_the_row_from_the_headland():
    """Alleys for feet only, roads at both ends: trees at y = 10 … 90, headlands at y = 5 and 95: 5, 10 … 45 … 5 m."""
    found, rows = walk(orchard(square(), roads=BOTH), alley_mode="foot")
    y = rows.tree_xy[:, 1]
    inner = (rows.tree_row > 2) & (rows.tree_row < 9)
    assert found[inner] == pytest.approx(np.minimum(y - 5, 95 - y)[inner], abs=0.01)


def test_a_headland_that_no_vehicle_reaches_is_no_stop():
    """Road in the south only, feet in the alleys: the north headland is cut off, so one walks from the south."""
    found, rows = walk(orchard(square(), roads=SOUTH), alley_mode="foot")
    assert found == pytest.approx(rows.tree_xy[:, 1] - 5, abs=0.01)


def test_without_a_road_headlands_are_reached():
    """Half a mile by an eighth, no road drawn: from the nearer headland at half of 25 ft, first tree 32.94 ft in."""
    found, rows = walk(forty_acres(), alley_mode="foot")
    first = (rows.tree_row == 60) & (rows.tree_number == 1)
    assert found[first] == pytest.approx((32.94 - 12.5) * 0.3048, abs=0.02)
    assert found.max() == pytest.approx(found[first][0] + 16 * 18 * 0.3048, abs=0.05)


def test_without_road_or_headland_row_ends_are_reached():
    """Ten trees, no headland, alleys for feet only: from the nearer end of the row."""
    found, _rows = walk(one_row(), alley_mode="foot")
    assert found == pytest.approx(found[::-1], abs=1e-3)
    assert found.argmax() in (4, 5) and found.max() < 5 * 18 * 0.3048


def test_between_trees_one_may_cross_rows_but_not_a_trellis():
    """Only the west road, rows north–south, feet in the alleys, no headlands: across the rows 6 m each, or not at all."""
    west = (road((-4.5, -20), (-4.5, 120)),)
    free, rows = walk(orchard(square(headland_m=0.0), roads=west), alley_mode="foot", snap_m=4.0)
    tied, _rows = walk(orchard(square(headland_m=0.0, trellis=True), roads=west), alley_mode="foot", snap_m=4.0)
    first = rows.tree_row == 1
    assert free[first] == pytest.approx(7.5, abs=0.01)
    for number in range(2, 11):
        mine = rows.tree_row == number
        assert free[mine] == pytest.approx(6.0 * number + 1.5, abs=0.01)
    assert tied[first] == pytest.approx(7.5, abs=0.01)
    assert np.isinf(tied[~first]).all()


def test_nobody_wades():
    """A ditch across the block, no bridge, alleys for feet: trees behind it are not reached from the south."""
    ditch = Feature(role=Role.DITCHES, name="d", geometry=LineString([(-50, 52.5), (100, 52.5)]))
    found, rows = walk(orchard(square(), roads=SOUTH, features=(ditch,)), alley_mode="foot")
    behind = rows.tree_xy[:, 1] > 52.5
    assert np.isinf(found[behind]).all() and np.isfinite(found[~behind]).all()


def test_a_pond_is_walked_round():
    """Feet only, road in the south: behind the pond the walk goes round it, longer than straight, shorter than all rows."""
    grown = block_with_pond()
    found, rows = walk(grown, alley_mode="foot")
    column = (rows.tree_row == 10) & (rows.tree_xy[:, 1] > 60)
    direct = rows.tree_xy[column, 1] - 3.81
    assert (found[column] > direct + 5).all() and (found[column] < direct + 60).all()


def test_what_nothing_reaches_is_infinitely_far():
    """The yard lies on a road that does not come near: no tree is reached."""
    far = (road((0, 900), (100, 900)), road((-10, -4), (70, -4)))
    found, _rows = walk(orchard(square(), roads=far, yard=Point(0, 901)))
    assert np.isinf(found).all()


def test_each_block_has_its_own_walk():
    """Stations of two blocks in any order: the same walk as each alone."""
    grown = lay_rows(two_blocks_and_a_road(), RowParams())[0]
    travel = TravelParams(alley_mode="foot")
    network = travel_network(grown, travel)
    xy = np.vstack([b.rows.tree_xy for b in grown.blocks])
    where = np.repeat([0, 1], [len(b.rows.tree_xy) for b in grown.blocks])
    row = np.concatenate([b.rows.tree_row for b in grown.blocks])
    found = walk_to_stop_m(grown, network, travel, xy=xy, block=where, row=row)
    shuffle = np.random.default_rng(0).permutation(len(xy))
    again = walk_to_stop_m(grown, network, travel, xy=xy[shuffle], block=where[shuffle], row=row[shuffle])
    assert again == pytest.approx(found[shuffle])
    assert found[where == 0] == pytest.approx(found[where == 1], abs=1e-2)


def test_the_long_way_round_counts():
    """A hook of a block: the walk follows the ground, never straight over what is outside."""
    hook = Polygon([(0, 0), (100, 0), (100, 100), (80, 100), (80, 20), (20, 20), (20, 100), (0, 100)])
    ground = block("Hook", hook, row_bearing_deg=90.0, row_spacing_m=5.0, tree_spacing_m=4.0, headland_m=0.0)
    found, rows = walk(orchard(ground, roads=(road((-4, 90), (-4, 110)),)), alley_mode="foot", snap_m=5.0)
    far = np.argmin(np.hypot(*(rows.tree_xy - (90, 95)).T))
    assert found[far] > 80 + 60 + 80
