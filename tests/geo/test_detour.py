"""Ways past what stands in the open: as short as by hand, through nothing, and none where there is none."""

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, Point, box

from mudcap.geo.detour import CLEAR_M, around


def test_nothing_in_the_way_is_straight():
    """Nor anything beside it."""
    way = around(np.array([0.0, 0.0]), np.array([9.0, 0.0]), [box(0, 3, 9, 5)])
    assert way is not None and way.tolist() == [[0, 0], [9, 0]]


def test_a_house_is_gone_round_by_its_nearer_corners():
    """20 by 10 m right across: along the side that is nearer, a metre clear, as long as the three pieces by hand."""
    way = around(np.array([-20.0, 0.0]), np.array([20.0, 0.0]), [box(-10, -2, 10, 8)])
    assert way is not None
    length = 2 * np.hypot(20 - 10 - CLEAR_M, 2 + CLEAR_M) + 2 * (10 + CLEAR_M)
    assert LineString(way).length == pytest.approx(length, abs=0.5) and way[1:-1, 1].max() < -2


def test_who_stands_inside_or_behind_a_closed_wall_gets_no_way():
    """Inside a house, and in a yard with a fence all round."""
    ring = Point(0, 0).buffer(20).exterior.buffer(0.5)
    assert around(np.array([0.0, 0.0]), np.array([40.0, 0.0]), [box(-5, -5, 5, 5)]) is None
    assert around(np.array([0.0, 0.0]), np.array([40.0, 0.0]), [ring]) is None


def test_a_place_right_beside_a_shape_can_be_left():
    """Ten centimetres off the wall."""
    way = around(np.array([0.0, -0.1]), np.array([0.0, 12.0]), [box(-5, 0, 5, 10)])
    assert way is not None and not LineString(way).intersects(box(-5, 0, 5, 10))


@given(st.lists(st.tuples(st.integers(-40, 30), st.integers(-20, 20), st.integers(2, 15), st.integers(2, 15)), max_size=6))
def test_no_way_leads_through_a_shape(boxes):
    """Whatever stands there; and it is never shorter than the straight line."""
    shapes = [box(x, y, x + w, y + h) for x, y, w, h in boxes]
    start, end = np.array([-50.0, 0.0]), np.array([50.0, 0.0])
    way = around(start, end, shapes)
    assert way is not None and way[0].tolist() == start.tolist() and way[-1].tolist() == end.tolist()
    line = LineString(way)
    assert line.length >= 100 - 1e-9 and not shapely.intersects(shapely.union_all(shapes), line)
