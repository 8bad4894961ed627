"""No tree of a lattice stands on a road that runs through its block; one along the edge costs no row."""

import numpy as np
import pytest
import shapely
from shapely import box

from mudcap.orchard.params import RowParams
from mudcap.orchard.rows import lay_rows
from orchards import block, orchard, road

ROW_M = 6.0


def laid(*roads, **said):
    """A block of 20 rows of 6 m × 5 m, its findings by code."""
    ground = block("B", box(0, 0, 120, 100), **({"row_spacing_m": ROW_M, "tree_spacing_m": 5.0, "headland_m": 5.0} | said))
    ranch, said_of_it = lay_rows(orchard(ground, roads=roads), RowParams())
    return ranch.blocks[0].rows, {f.code for f in said_of_it}


def nearest_m(rows, one):
    return float(shapely.distance(shapely.points(rows.tree_xy), one.line).min())


@pytest.mark.parametrize("turn", [0.0, 30.0, 90.0])
def test_no_tree_stands_on_a_road_through_the_block(turn):
    """It crosses the rows at a slant, however they run; other trees stay as they are."""
    lane = road((-20, -10), (140, 110), width_m=5.0)
    rows, codes = laid(lane, row_bearing_deg=turn)
    whole, _codes = laid(row_bearing_deg=turn)
    assert nearest_m(rows, lane) >= 2.5 > nearest_m(whole, lane)
    assert "road_through_block" in codes
    kept = whole.tree_xy[shapely.distance(shapely.points(whole.tree_xy), lane.line) > 2.6]
    assert {tuple(p) for p in np.round(kept, 6)} <= {tuple(p) for p in np.round(rows.tree_xy, 6)}


def test_a_road_along_the_rows():
    """On a row it takes that row; in an alley, if not quite in its middle, none."""
    whole, _codes = laid()
    on, beside = (laid(road(*(whole.tree_xy[whole.tree_row == 10] + (aside_m, 0.0))))[0] for aside_m in (0.5, 1.8))
    assert len(on.row_number) == len(whole.row_number) - 1
    assert len(beside.tree_xy) == len(whole.tree_xy)


@pytest.mark.parametrize("inside_m", [0.0, 1.0, 3.0, 5.0])
def test_a_road_along_the_edge_costs_nothing(inside_m):
    """An outline along a road's middle, or roughly drawn."""
    rows, codes = laid(road((inside_m, -10), (inside_m, 110)))
    assert len(rows.tree_xy) == len(laid()[0].tree_xy) and "road_through_block" not in codes
