"""Areas and places against the outside: GeographicLib, EPSG, the acre and the chain.

References: Karney 2013, J. Geodesy 87:43–55 (GeographicLib); NIST SP 811 (foot, acre); RFC 7946 section 3.1.6 (ring order).
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st

from mudcap.files.crs import parse_crs, to_lonlat
from mudcap.geo.plane import LocalPlane, geodesic_area_m2
from mudcap.geo.units import M2_PER_ACRE, M_PER_CHAIN, M_PER_FT, acres


def reference_area_m2(ring: np.ndarray) -> float:
    """Area of a ring of longitude and latitude by GeographicLib."""
    polygon = Geodesic.WGS84.Polygon()
    for lon, lat in ring[:-1]:
        polygon.AddPoint(lat, lon)
    return abs(polygon.Compute(False, True)[2])


@given(
    lon=st.floats(-180, 180), lat=st.floats(-70, 70), size_deg=st.floats(1e-4, 0.02), seed=st.integers(0, 1000), count=st.integers(3, 12)
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_areas_are_those_of_geographiclib(lon: float, lat: float, size_deg: float, seed: int, count: int) -> None:
    """Random star-shaped rings anywhere: within 1e-3 m² or 1e-9 of GeographicLib, whichever is larger."""
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.uniform(0, 2 * np.pi, count))
    radius = size_deg * rng.uniform(0.3, 1, count)
    ring = np.column_stack([lon + radius * np.cos(angle), lat + radius * np.sin(angle)])
    ring = np.vstack([ring, ring[:1]])
    expected = reference_area_m2(ring)
    found = geodesic_area_m2(shapely.Polygon(ring))
    assert found == pytest.approx(expected, rel=1e-9, abs=1e-3)


def test_the_test_blocks_own_acres() -> None:
    """The acres that the reader tests compare with are GeographicLib's."""
    for west, east, expected in ((-120.1, -120.097, 14.645707), (-120.096, -120.094, 9.763801)):
        ring = np.array([(west, 37.0), (east, 37.0), (east, 37.002), (west, 37.002), (west, 37.0)])
        assert acres(reference_area_m2(ring)) == pytest.approx(expected, abs=1e-5)


def test_holes_are_taken_out_and_direction_does_not_matter() -> None:
    """A ring of either direction (RFC 7946 wants shells counter-clockwise, old writers do not) has one area."""
    shell = shapely.box(-120.1, 37, -120.09, 37.01)
    hole = shapely.box(-120.098, 37.002, -120.095, 37.005)
    area = geodesic_area_m2(shell) - geodesic_area_m2(hole)
    for s in (shell.exterior.coords, shell.exterior.coords[::-1]):
        for h in (hole.exterior.coords, hole.exterior.coords[::-1]):
            assert geodesic_area_m2(shapely.Polygon(s, [h])) == pytest.approx(area, rel=1e-12)


def test_acre_and_chain_identities() -> None:
    """An acre is 10 square chains of 66 ft; 40 acres are a quarter-mile square; 10 an acre is the 66 ft grid."""
    assert pytest.approx(66 * M_PER_FT, rel=1e-15) == M_PER_CHAIN
    assert pytest.approx(10 * M_PER_CHAIN**2, rel=1e-14) == M2_PER_ACRE
    assert acres((1320 * M_PER_FT) ** 2) == pytest.approx(40, rel=1e-14)
    assert acres(2640 * 660 * M_PER_FT**2) == pytest.approx(40, rel=1e-14)
    assert np.sqrt(M2_PER_ACRE / 10) == pytest.approx(66 * M_PER_FT, rel=1e-14)


EPSG_POINTS = [
    # code, lon, lat of a point inside its area
    ("EPSG:2228", -119.8, 36.7), ("EPSG:2227", -121.0, 37.6), ("EPSG:26944", -119.8, 36.7), ("EPSG:32610", -120.4, 37.1),
    ("EPSG:32719", -70.9, -33.5), ("EPSG:2193", 169.2, -45.1), ("EPSG:25831", 0.6, 41.5), ("EPSG:28992", 5.6, 51.9),
    ("EPSG:3857", -120.0, 37.0), ("EPSG:4269", -120.0, 37.0),
]  # fmt: skip


@pytest.mark.parametrize(("code", "lon", "lat"), EPSG_POINTS, ids=[p[0] for p in EPSG_POINTS])
def test_epsg_round_trips(code: str, lon: float, lat: float) -> None:
    """A point through an EPSG system and back lies where it was, to a millimetre; the .prj text says the same."""
    from pyproj import CRS, Transformer

    crs = parse_crs(code, "x")
    xy = np.array([Transformer.from_crs(4326, code, always_xy=True).transform(lon, lat)])
    assert to_lonlat(crs, xy, "x")[0] == pytest.approx((lon, lat), abs=1e-8)
    esri = parse_crs(CRS.from_user_input(code).to_wkt("WKT1_ESRI"), "x")
    assert to_lonlat(esri, xy, "x")[0] == pytest.approx((lon, lat), abs=2e-5)


def test_plane_lengths_and_areas_are_true() -> None:
    """Within a ranch the plane errs by less than 1 in 100,000; over 40 km by at most 1 in 20,000."""
    for size_deg, limit in ((0.05, 1e-5), (0.4, 5e-5)):
        box = shapely.box(-120.1, 37, -120.1 + size_deg, 37 + size_deg)
        plane = LocalPlane.around(shapely.get_coordinates(box))
        small = shapely.box(-120.1, 37, -120.1 + 0.003, 37.003)
        assert plane.geometry_to_plane(small).area == pytest.approx(geodesic_area_m2(small), rel=limit)
