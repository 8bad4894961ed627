"""Every tree is demand."""

import numpy as np

from mudcap.orchard.params import RowParams
from mudcap.orchard.rows import lay_rows
from mudcap.place.demand import lay_demand
from orchards import guarded_block, one_row, orchard, two_blocks_and_a_road


def test_every_tree_of_every_block_is_served():
    """All 420 trees of two blocks, in order, with their addresses and weights."""
    grown = lay_rows(two_blocks_and_a_road(), RowParams())[0]
    demand = lay_demand(grown)
    assert len(demand.xy) == sum(len(b.rows.tree_xy) for b in grown.blocks) == 420
    assert demand.block.tolist() == [0] * 210 + [1] * 210
    assert np.array_equal(demand.xy[210:], grown.blocks[1].rows.tree_xy)
    assert demand.weight.sum() == 420
    assert len(np.unique(np.column_stack([demand.block, demand.row, demand.tree]), axis=0)) == 420


def test_trees_at_barred_stations_are_demand_too():
    """Hives and lanes bar shelters, not trees."""
    assert len(lay_demand(lay_rows(guarded_block(), RowParams())[0]).xy) == 40 * 27


def test_without_rows_there_is_no_demand():
    """Before rows are laid, and without blocks."""
    assert lay_demand(one_row()).xy.shape == (0, 2)
    assert lay_demand(orchard()).xy.shape == (0, 2)
