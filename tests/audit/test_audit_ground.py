"""The checker's own arithmetic against GEOS and SciPy."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree
from shapely import GeometryCollection, LineString, MultiPoint, MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry

from mudcap.audit import ground

POND = Polygon([(0, 0), (90, 5), (120, 60), (60, 40), (10, 80)], [[(20, 15), (40, 15), (35, 30)]])
SHAPES: list[BaseGeometry] = [
    POND,
    MultiPolygon([POND, Polygon([(200, 0), (230, 0), (230, 30), (200, 30)])]),
    LineString([(0, 0), (50, 50), (100, 0)]),
    Point(30, 40),
    MultiPoint([(0, 0), (80, 80)]),
    GeometryCollection([Point(-20, -20), LineString([(0, 90), (90, 90)]), Polygon([(50, 0), (70, 0), (60, 20)])]),
    LineString([(10, 10), (10, 10), (60, 10)]),
]


@pytest.fixture(scope="module")
def points() -> np.ndarray:
    return np.random.default_rng(4).uniform(-60, 260, (4000, 2))


@pytest.mark.parametrize("shape", SHAPES, ids=lambda s: s.geom_type)
def test_distances_agree_with_geos(shape: BaseGeometry, points: np.ndarray) -> None:
    """Distance to each kind of geometry, 0 inside polygons."""
    np.testing.assert_allclose(ground.distance(points, shape), shapely.distance(shapely.points(points), shape), atol=1e-9)


@pytest.mark.parametrize("shape", SHAPES, ids=lambda s: s.geom_type)
def test_inside_agrees_with_geos(shape: BaseGeometry, points: np.ndarray) -> None:
    """Ray casting and GEOS say the same of random points; lines and points hold none."""
    want = shapely.contains_xy(shape, points[:, 0], points[:, 1])
    assert (ground.inside(points, shape) == want).all()


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 9), st.integers(0, 9)), min_size=3, max_size=9))
def test_inside_of_any_valid_ring_agrees_with_geos(corners: list[tuple[int, int]]) -> None:
    """Rings on a small lattice, with edges along the rays: the hard case of ray casting."""
    ring = Polygon(corners)
    if not ring.is_valid or ring.area == 0:
        return
    xy = np.array([(x + 0.5, y + 0.25) for x in range(9) for y in range(9)])
    off = shapely.distance(shapely.points(xy), ring.exterior) > 1e-9
    want = shapely.contains_xy(ring, xy[:, 0], xy[:, 1])
    assert (ground.inside(xy, ring)[off] == want[off]).all()
    level = np.array([(x + 0.5, float(y)) for x in range(9) for y in range(9)])
    off = shapely.distance(shapely.points(level), ring.exterior) > 1e-9
    assert (ground.inside(level, ring)[off] == shapely.contains_xy(ring, level[:, 0], level[:, 1])[off]).all()


def test_nearest_agrees_with_a_tree_over_several_chunks(
    points: np.ndarray, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each pair measured gives what SciPy's tree gives, in whatever pieces it is done."""
    others = np.random.default_rng(5).uniform(0, 200, (37, 2))
    want = cKDTree(others).query(points)[0]
    monkeypatch.setattr(ground, "CHUNK", 1000)
    np.testing.assert_allclose(ground.nearest(points, others), want, rtol=1e-12)
    np.testing.assert_allclose(
        ground.distance(points, POND), shapely.distance(shapely.points(points), POND), atol=1e-9
    )


def test_nothing_is_infinitely_far_from_nothing() -> None:
    """No other points, no edges: inf; no points: none."""
    assert np.isinf(ground.nearest(np.zeros((2, 2)), np.empty((0, 2)))).all()
    assert np.isinf(ground.distance(np.zeros((2, 2)), Polygon())).all()
    assert ground.nearest(np.empty((0, 2)), np.zeros((1, 2))).shape == (0,)


def test_shoelace_takes_holes_out_far_from_the_origin() -> None:
    """Area of a holed pair of polygons, also where coordinates are large, whichever way the rings turn."""
    both = SHAPES[1]
    assert ground.shoelace_m2(both) == pytest.approx(both.area, rel=1e-12)
    far = shapely.transform(both, lambda xy: xy + 4e6)
    assert ground.shoelace_m2(far) == pytest.approx(both.area, rel=1e-9)
    assert ground.shoelace_m2(both.reverse()) == pytest.approx(both.area, rel=1e-12)


@pytest.mark.parametrize(
    "line",
    [
        LineString([(0, 0), (120, 0)]),
        LineString([(0, 0), (60, 20), (80, 90), (200, 100)]),
        LineString([(0, 0), (0, 0), (50, 10)]),
    ],
    ids=["straight", "bent", "doubled point"],
)
def test_swept_ground_agrees_with_a_flat_buffer(line: LineString, points: np.ndarray) -> None:
    """Distance to the ground along a line, square at the ends and round at the bends."""
    flat = line.buffer(4.0, cap_style="flat", quad_segs=256)
    want = shapely.distance(shapely.points(points), flat)
    np.testing.assert_allclose(ground.swept_distance(points, line, 4.0), want, atol=2e-4)
