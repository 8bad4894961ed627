"""Labels never lie on one another or on what is drawn."""

from __future__ import annotations

import math

from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Polygon, box
from shapely.affinity import rotate

from mudcap.draw.labels import Box, Ground, places_around, places_beyond


def outline(b: Box) -> Polygon:
    """The box as a polygon."""
    made = box(b.x - b.width / 2, b.y - b.height / 2, b.x + b.width / 2, b.y + b.height / 2)
    return rotate(made, b.turn_deg, origin=(b.x, b.y))


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.floats(5, 55), st.floats(5, 55), st.floats(1, 6), st.sampled_from([0.0, 90.0, 37.0])), max_size=25))
def test_placed_boxes_are_disjoint(wanted: list[tuple[float, float, float, float]]) -> None:
    """Whatever is asked for, what is placed does not overlap and stays on the page."""
    ground = Ground(0, 0, 60, 60)
    placed = []
    for x, y, width, turn in wanted:
        found = ground.first_free([Box(x=x, y=y, width=width, height=1.6, turn_deg=turn)])
        if found is not None:
            placed.append(outline(found))
    for i, a in enumerate(placed):
        assert box(-0.01, -0.01, 60.01, 60.01).contains(a)
        assert all(a.intersection(b).area < 1e-9 for b in placed[:i])


def test_a_label_keeps_off_lines() -> None:
    """A line marked as taken is not covered."""
    ground = Ground(0, 0, 40, 40)
    edge = LineString([(20, 0), (20, 40)])
    ground.take_lines([edge], 0.5)
    found = ground.first_free(places_around(18.5, 20, 1.0, 4.0, 1.6))
    assert found is not None
    assert outline(found).distance(edge) > 0


def test_no_place_is_said() -> None:
    """A full page gives None rather than an overlap."""
    ground = Ground(0, 0, 10, 10)
    ground.take(Box(x=5, y=5, width=10, height=10))
    assert ground.first_free(places_around(5, 5, 1, 3, 1.6)) is None


def test_row_numbers_run_outward() -> None:
    """Places beyond a line's end start next to it and move away."""
    places = list(places_beyond((10, 10), (0, 1), 4.0, 1.6, 90.0, 6.0))
    assert all(abs(p.x - 10) < 1e-9 for p in places)
    assert math.isclose(places[0].y, 10 + 2.0 + 0.6)
    assert places[-1].y > places[0].y
