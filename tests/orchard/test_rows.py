"""Rows and trees laid from bearing and spacings, numbered from a corner."""

from __future__ import annotations

import numpy as np
import pytest
from shapely import box

from mudcap.orchard.model import TreeRows
from mudcap.orchard.params import RowParams
from mudcap.orchard.rows import lay_rows
from orchards import FOOT_M, block, forty_acres, orchard


def laid(**said: object) -> TreeRows:
    """Rows of a block 100 m × 60 m, rows 10 m and trees 5 m apart."""
    given = {"row_spacing_m": 10.0, "tree_spacing_m": 5.0, "headland_m": 5.0} | said
    grown, _findings = lay_rows(orchard(block("B", box(0, 0, 100, 60), **given)), RowParams())
    rows = grown.blocks[0].rows
    assert rows is not None
    return rows


def test_forty_acres_has_120_rows_of_34_trees() -> None:
    """Half a mile by an eighth: 2640 ft / 22 ft rows; (660 − 2 × 25) / 18 + 1 trees."""
    rows = lay_rows(forty_acres(), RowParams())[0].blocks[0].rows
    assert rows is not None
    assert len(rows.row_number) == 120
    assert np.bincount(rows.tree_row)[1:].tolist() == [34] * 120
    assert np.hypot(*(rows.tree_xy[1] - rows.tree_xy[0])) == pytest.approx(18 * FOOT_M)


@pytest.mark.parametrize(
    ("corner", "first", "second_row", "bearing"),
    [
        ("SW", (5, 5), (15, 5), 0),
        ("NW", (5, 55), (15, 55), 180),
        ("SE", (95, 5), (85, 5), 0),
        ("NE", (95, 55), (85, 55), 180),
    ],
)
def test_counting_starts_at_the_named_corner(
    corner: str, first: tuple[int, int], second_row: tuple[int, int], bearing: float
) -> None:
    """Row 1, tree 1 stands at the corner; row numbers grow away from it, tree numbers along the row."""
    rows = laid(corner=corner)
    assert rows.tree_xy[0] == pytest.approx(first, abs=0.01)
    assert rows.tree_xy[rows.tree_row == 2][0] == pytest.approx(second_row, abs=0.01)
    assert rows.bearing_deg == pytest.approx(bearing)
    assert np.all(np.diff(rows.tree_number[rows.tree_row == 1]) == 1)
