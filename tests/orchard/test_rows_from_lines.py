"""Rows as drawn: straight, curved, angled, in pieces, numbered or not."""

import numpy as np
import pytest
import shapely
from shapely import LineString, Polygon, affinity, box

from mudcap.orchard.model import RowLine
from mudcap.orchard.params import RowParams
from mudcap.orchard.rows import lay_rows
from orchards import block, orchard

FIELD = box(0, 0, 60, 100)


def drawn(lines, shape=FIELD, numbers=None, spacings=None, **said):
    """Rows laid from these lines (`spacings` of the trees along each), and what was said."""
    given = {"row_bearing_deg": None, "tree_spacing_m": 5.0, "row_spacing_m": None, "headland_m": None} | said
    layer = tuple(
        RowLine(
            layer="rows.kml", line=LineString(line), number=None if numbers is None else numbers[k],
            tree_spacing_m=None if spacings is None else spacings[k],
        )
        for k, line in enumerate(lines)
    )
    grown, findings = lay_rows(orchard(block("B", shape, **given), row_lines=layer), RowParams())
    return grown.blocks[0], findings


def straight(num=8, low=10.0, high=90.0):
    """North–south lines 6 m apart, every second drawn from the north."""
    return [[(6.0 + 6 * k, low), (6.0 + 6 * k, high)][:: 1 if k % 2 else -1] for k in range(num)]


def test_drawn_rows_are_counted_from_the_corner():
    """Eight rows of 17 trees, whichever way and in whatever order they were drawn; spacing measured."""
    lines = straight()
    grown, findings = drawn([lines[k] for k in (3, 1, 7, 0, 2, 6, 5, 4)], corner="NE")
    rows = grown.rows
    assert rows.source == "lines"
    assert rows.row_number.tolist() == list(range(1, 9))
    assert np.bincount(rows.tree_row)[1:].tolist() == [17] * 8
    assert rows.tree_xy[0] == pytest.approx((48, 90), abs=0.01)
    assert rows.row_spacing_m == pytest.approx(6.0, abs=0.01)
    assert rows.bearing_deg == pytest.approx(180, abs=0.1)
    assert [f.code for f in findings] == ["rows_drawn"]
    assert len(grown.alleys) == 9


def test_a_row_in_two_pieces_is_one_row():
    """Pieces on either side of a gap join; numbers go on over it."""
    lines = straight()
    lines[3:4] = [[(24, 10), (24, 40)], [(24, 60), (24, 90)]]
    rows = drawn(lines)[0].rows
    cut = rows.tree_row == 4
    assert rows.row_number.tolist() == list(range(1, 9))
    assert rows.tree_number[cut].tolist() == list(range(1, 15))
    assert np.diff(rows.tree_xy[cut, 1]).max() == pytest.approx(20)


def test_numbers_of_the_lines_are_kept():
    """Drawn numbers 21 to 28 from the east; pieces of one number are one row."""
    numbers = list(range(28, 20, -1))
    lines = [*straight(), [(6.0, 92), (6.0, 98)]]
    rows = drawn(lines, numbers=[*numbers, 28], corner="SW")[0].rows
    assert rows.row_number.tolist() == list(range(21, 29))
    assert rows.tree_xy[rows.tree_row == 21, 0] == pytest.approx(np.full(17, 48.0), abs=0.01)
    assert rows.tree_xy[rows.tree_row == 28, 1].max() > 92
    assert rows.corner == "SE"


def test_curved_rows_carry_trees_along_the_curve():
    """Arcs of 100 m radius and more: each tree on its arc, five metres from the last along it; alleys run between."""
    angle = np.linspace(-0.4, 0.4, 60)
    arcs = [np.column_stack([r * np.cos(angle), r * np.sin(angle)]) for r in 100 + 6.0 * np.arange(6)]
    shape = Polygon([(85, -70), (145, -70), (145, 70), (85, 70)])
    grown, _findings = drawn(arcs, shape)
    rows = grown.rows
    radius = np.hypot(*rows.tree_xy.T)
    for number in rows.row_number:
        mine = rows.tree_row == number
        assert radius[mine] == pytest.approx(np.full(mine.sum(), 100 + 6.0 * (number - 1)), abs=0.05)
        steps = np.hypot(*np.diff(rows.tree_xy[mine], axis=0).T)
        assert steps == pytest.approx(np.full(len(steps), 5.0), abs=0.02)
    inner = [alley for alley in grown.alleys if 0 < alley.left_row < 6]
    assert len(inner) == 5
    for alley in inner:
        along = shapely.get_coordinates(alley.line.intersection(shape.buffer(-30)))
        assert np.hypot(*along.T) == pytest.approx(np.full(len(along), 97.0 + 6 * alley.left_row), abs=0.3)


def test_rows_that_run_over_the_edge_end_half_a_spacing_inside():
    """Lines drawn past the block are cut; a headland given by the block is kept free."""
    lines = straight(low=-20, high=130)
    plain, fenced = drawn(lines)[0].rows, drawn(lines, headland_m=12.0)[0].rows
    assert plain.tree_xy[:, 1].min() >= 2.5 - 1e-6 and plain.tree_xy[:, 1].min() < 5
    assert fenced.tree_xy[:, 1].min() >= 12 - 1e-6 and fenced.tree_xy[:, 1].max() <= 88 + 1e-6


def test_turned_rows_have_the_same_numbers():
    """The whole block turned by 25°: same rows, same trees."""
    turn = affinity.rotate
    plain = drawn(straight(), corner="SW")[0].rows
    lines = [list(turn(LineString(line), -25, origin=(0, 0)).coords) for line in straight()]
    turned = drawn(lines, turn(FIELD, -25, origin=(0, 0)), corner="SW")[0].rows
    assert turned.tree_number.tolist() == plain.tree_number.tolist()
    assert turned.tree_row.tolist() == plain.tree_row.tolist()
    assert turned.bearing_deg == pytest.approx(25, abs=0.1)


def test_rows_outside_every_block_are_said():
    """Two lines in the neighbour's field."""
    far = [[(500, 0), (500, 80)], [(506, 0), (506, 80)]]
    grown, findings = drawn(straight() + far)
    assert len(grown.rows.row_number) == 8
    assert "2 of 10" in next(f.text for f in findings if f.code == "rows_outside")


def test_a_single_drawn_row():
    """One line makes one row."""
    rows = drawn([[(30, 10), (30, 90)]])[0].rows
    assert rows.row_number.tolist() == [1] and len(rows.tree_xy) == 17


def test_drawn_rows_say_how_far_trees_stand_apart():
    """Where their block does not; several spacings are told; without any the default is, as assumed."""
    grown, findings = drawn(straight(), tree_spacing_m=None, spacings=[4.0] * 8)
    assert grown.rows.tree_spacing_m == 4.0 and [f.code for f in findings] == ["rows_drawn"]
    assert drawn(straight(), spacings=[4.0] * 8)[0].rows.tree_spacing_m == 5.0
    grown, findings = drawn(straight(), tree_spacing_m=None, spacings=[4.0] * 5 + [3.0] * 3)
    assert grown.rows.tree_spacing_m == 4.0 and "spacings_differ" in [f.code for f in findings]
    assert "spacing_assumed" in [f.code for f in drawn(straight(), tree_spacing_m=None)[1]]
