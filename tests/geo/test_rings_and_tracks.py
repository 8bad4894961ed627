"""Rings and tracks: whatever is drawn becomes a valid polygon of the area that it winds around, or is refused."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from mudcap.geo.rings import assemble, repair, repair_ring, thin
from mudcap.geo.tracks import join_open, walked_ring


def ring(*points: tuple[float, float]) -> np.ndarray:
    return np.array([*points, points[0]], float)


@given(st.lists(st.tuples(st.integers(0, 40), st.integers(0, 40)), min_size=3, max_size=14))
@settings(max_examples=150, deadline=None)
def test_any_ring_becomes_valid_or_is_refused(points: list[tuple[int, int]]) -> None:
    """Random closed walks on a grid: the polygon is valid, and within the outer boundary of what was drawn."""
    drawn = ring(*points).astype(float)
    done = repair_ring(drawn)
    if done.polygon is None:
        assert done.refusal in {"no_area", "scribble"}
        return
    assert done.polygon.is_valid and done.polygon.area > 0
    faces = list(shapely.get_parts(shapely.polygonize([shapely.union_all([shapely.LineString(drawn)])])))
    outer = shapely.union_all([shapely.Polygon(f.exterior) for f in faces])
    assert done.polygon.area <= outer.area + 1e-6
    assert done.polygon.difference(outer).area < 1e-6
    assert done.reference_m2 > 0


@given(st.integers(3, 9), st.integers(0, 10_000))
@settings(max_examples=60, deadline=None)
def test_simple_rings_are_left_as_they_are(count: int, seed: int) -> None:
    """A star-shaped ring in any direction and from any corner keeps its area to 1e-9 and needs no repair."""
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.uniform(0, 2 * np.pi, count) + np.arange(count) * 1e-3)
    if np.diff(np.r_[angle, angle[0] + 2 * np.pi]).max() > 3:
        return
    radius = rng.uniform(50, 300, count)
    points = np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])
    area = shapely.Polygon(points).area
    for k in (0, count // 2):
        for turned in (np.roll(points, k, axis=0), np.roll(points, k, axis=0)[::-1]):
            done = repair(shapely.Polygon(turned))
            assert done.polygon is not None and done.polygon.area == pytest.approx(area, rel=1e-9)
            assert done.repairs == ()


def test_three_laps_are_one() -> None:
    """A ring walked three times has the area of one lap."""
    square = [(0.0, 0.0), (100.0, 0.0), (100.0, 100.0), (0.0, 100.0)]
    done = repair_ring(ring(*square, *square, *square))
    assert done.polygon is not None and done.polygon.area == pytest.approx(10_000)
    assert any(r.code == "double_lap" and r.exempt and r.count == 3 for r in done.repairs)


def test_rings_of_a_shapefile_are_sorted_by_place() -> None:
    """An island in a lake in an island, all in any order: outer, hole, outer."""
    big, lake, islet = (np.array(shapely.box(-r, -r, r, r).exterior.coords) for r in (30, 20, 10))
    for order in ([big, lake, islet], [islet, lake, big], [lake, big, islet]):
        clockwise = [order[i][::-1] if order[i] is not lake else order[i] for i in range(3)]
        shape, _ = assemble(clockwise)
        assert shape.area == pytest.approx(3600 - 1600 + 400)
    with pytest.raises(ValueError, match="three corners"):
        assemble([np.zeros((4, 2))])


def test_thinning_reports_its_change() -> None:
    """Wobble goes, the repair says how many corners and how much area."""
    angle = np.linspace(0, 2 * np.pi, 400)
    circle = shapely.Polygon(np.column_stack([100 * np.cos(angle), 100 * np.sin(angle)]))
    polygon, found = thin(circle, 1.0)
    assert found is not None and found.area_change_m2 == pytest.approx(polygon.area - circle.area)
    assert polygon.area == pytest.approx(circle.area, rel=0.02)
    assert thin(shapely.box(0, 0, 10, 10), 1.0)[1] is None


def test_tracks_that_cannot_be_blocks() -> None:
    """A line there, a line there and back, a point: no ring."""
    assert walked_ring([np.array([[0, 0], [100.0, 0]])]).ring is None
    assert walked_ring([np.array([[0, 0], [100.0, 0], [200, 5]])]).refusal == "open"
    assert walked_ring([np.zeros((1, 2))]).refusal == "too_short"
    assert walked_ring([]).refusal == "too_short"


def test_open_tracks_that_meet_are_grouped_and_closed_ones_are_not() -> None:
    """Two halves belong together; a closed track beside them stays alone."""
    half = np.array([[0, 0], [100.0, 0], [100, 100]])
    other = np.array([[99.0, 101], [0, 100], [1, 2]])
    closed = np.array([[300.0, 0], [400, 0], [400, 100], [300, 100], [300, 1]])
    assert join_open([[half], [closed], [other]]) == [[0, 2], [1]]
    assert join_open([[half]]) == [[0]]


def test_a_real_corner_is_no_wild_point() -> None:
    """A long thin block has far corners; none is dropped."""
    thin_block = np.array([[0, 0], [800.0, 0], [800, 20], [0, 20], [0, 1]])
    found = walked_ring([thin_block])
    assert found.ring is not None and len(found.ring) == 6
    assert found.changes == ()
