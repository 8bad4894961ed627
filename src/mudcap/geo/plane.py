"""The local plane: one set of metre coordinates for a whole ranch, wherever zone borders run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS, Geod, Proj, Transformer
from shapely.geometry.base import BaseGeometry

GEOD: Final = Geod(ellps="WGS84")
GROUP_RADIUS_M: Final = 50_000.0
"""Within 50 km of its centre a transverse Mercator with scale 1 there errs by at most 3.1e-5 in length (½·(x/R)²)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Zone:
    """One transverse Mercator, centred on a group of blocks, and where it lies in the plane."""

    lon0: float
    lat0: float
    east_m: float
    """Plane coordinates of the centre; 0, 0 for the first group."""
    north_m: float

    @property
    def crs(self) -> CRS:
        """Transverse Mercator on WGS 84, scale 1 at the centre, false origin at the zone's place in the plane."""
        return CRS.from_proj4(
            f"+proj=tmerc +lat_0={self.lat0:.10f} +lon_0={self.lon0:.10f} +k=1 "
            f"+x_0={self.east_m:.4f} +y_0={self.north_m:.4f} +datum=WGS84 +units=m +no_defs"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class LocalPlane:
    """A plane of metres made of one zone (a normal ranch) or several that lie far apart.

    Groups of blocks more than 50 km apart get a transverse Mercator each, shifted to about where they lie seen from the
    first, so that every distance within a group is true and no group touches another.
    """

    zones: tuple[Zone, ...]

    @classmethod
    def around(cls, lonlat: ArrayLike) -> LocalPlane:
        """Return the plane for points (k, 2) of longitude and latitude [deg, WGS 84], one or more a block."""
        points = np.array(lonlat, float, ndmin=2)
        zones: list[Zone] = []
        for members in _groups(points):
            lon0, lat0 = _centre(points[members])
            if zones:
                azimuth, _, distance = GEOD.inv(zones[0].lon0, zones[0].lat0, lon0, lat0)
                east, north = distance * np.sin(np.radians(azimuth)), distance * np.cos(np.radians(azimuth))
            else:
                east = north = 0.0
            zones.append(
                Zone(lon0=lon0, lat0=lat0, east_m=round(float(east), 4), north_m=round(float(north), 4))
            )
        return cls(zones=tuple(zones))

    @property
    def crs(self) -> CRS:
        """CRS of the first zone: the plane's own where there is one zone."""
        return self.zones[0].crs

    def to_plane(self, lonlat: ArrayLike) -> NDArray[np.float64]:
        """Plane coordinates (n, 2) [m] of (n, 2) longitude, latitude [deg]."""
        points = np.array(lonlat, float, ndmin=2)
        zone = self._nearest_zone_lonlat(points)
        out = np.empty_like(points)
        for k in np.unique(zone):
            pick = zone == k
            out[pick, 0], out[pick, 1] = _transformer(self.zones[k], False).transform(
                points[pick, 0], points[pick, 1]
            )
        return out

    def to_lonlat(self, xy: ArrayLike) -> NDArray[np.float64]:
        """Longitude and latitude (n, 2) [deg, WGS 84] of plane coordinates (n, 2) [m]."""
        points = np.array(xy, float, ndmin=2)
        zone = self._nearest_zone_xy(points)
        out = np.empty_like(points)
        for k in np.unique(zone):
            pick = zone == k
            out[pick, 0], out[pick, 1] = _transformer(self.zones[k], True).transform(
                points[pick, 0], points[pick, 1]
            )
        return out

    def geometry_to_plane(self, geometry: BaseGeometry) -> BaseGeometry:
        """A WGS 84 geometry in the plane (its Z dropped)."""
        return shapely.transform(shapely.force_2d(geometry), self.to_plane)

    def geometry_to_lonlat(self, geometry: BaseGeometry) -> BaseGeometry:
        """A plane geometry in WGS 84."""
        return shapely.transform(geometry, self.to_lonlat)

    def convergence_deg(self, xy: ArrayLike) -> float:
        """Angle from true north to grid north at a plane point [deg], clockwise positive: true = grid + convergence."""
        point = np.array(xy, float, ndmin=2)
        zone = self.zones[int(self._nearest_zone_xy(point)[0])]
        lon, lat = self.to_lonlat(point)[0]
        return float(_projection(zone).get_factors(lon, lat).meridian_convergence)

    def _nearest_zone_lonlat(self, points: NDArray[np.float64]) -> NDArray[np.int64]:
        if len(self.zones) == 1:
            return np.zeros(len(points), np.int64)
        distance = [
            GEOD.inv(points[:, 0], points[:, 1], np.full(len(points), z.lon0), np.full(len(points), z.lat0))[
                2
            ]
            for z in self.zones
        ]
        return np.asarray(np.argmin(np.array(distance), axis=0), np.int64)

    def _nearest_zone_xy(self, points: NDArray[np.float64]) -> NDArray[np.int64]:
        if len(self.zones) == 1:
            return np.zeros(len(points), np.int64)
        distance = [np.hypot(points[:, 0] - z.east_m, points[:, 1] - z.north_m) for z in self.zones]
        return np.asarray(np.argmin(np.array(distance), axis=0), np.int64)


def geodesic_area_m2(lonlat_geometry: BaseGeometry) -> float:
    """Area [m²] on the WGS 84 ellipsoid of a polygon in longitude and latitude, holes taken out, never negative.

    References: Karney 2013, J. Geodesy 87:43–55 (through PROJ's Geod).
    """
    total = 0.0
    for part in shapely.get_parts(lonlat_geometry):
        if part.geom_type != "Polygon":
            continue
        shell = abs(GEOD.polygon_area_perimeter(*np.asarray(part.exterior.coords)[:, :2].T)[0])
        holes = sum(
            abs(GEOD.polygon_area_perimeter(*np.asarray(r.coords)[:, :2].T)[0]) for r in part.interiors
        )
        total += shell - holes
    return total


@lru_cache(maxsize=64)
def _transformer(zone: Zone, inverse: bool) -> Any:
    wgs84 = CRS.from_epsg(4326)
    pair = (zone.crs, wgs84) if inverse else (wgs84, zone.crs)
    return Transformer.from_crs(*pair, always_xy=True)


@lru_cache(maxsize=64)
def _projection(zone: Zone) -> Any:
    return Proj(zone.crs)


def _centre(lonlat: NDArray[np.float64]) -> tuple[float, float]:
    """Middle of the points, across the antimeridian too, rounded so that tiny edits keep the plane."""
    reference = lonlat[0, 0]
    lon = (lonlat[:, 0] - reference + 180) % 360 - 180
    lon0 = (lon.min() + lon.max()) / 2 + reference
    lat0 = (lonlat[:, 1].min() + lonlat[:, 1].max()) / 2
    return round(float((lon0 + 180) % 360 - 180), 4), round(float(lat0), 4)


def _groups(lonlat: NDArray[np.float64]) -> Sequence[NDArray[np.int64]]:
    """Split points into groups within 50 km of their first member's neighbourhood, largest first, deterministic."""
    order = np.lexsort((lonlat[:, 1], lonlat[:, 0]))
    left = list(order)
    groups: list[NDArray[np.int64]] = []
    while left:
        seed = np.array(left)
        lon0, lat0 = lonlat[left[0]]
        distance = GEOD.inv(
            lonlat[seed, 0], lonlat[seed, 1], np.full(len(seed), lon0), np.full(len(seed), lat0)
        )[2]
        near = np.asarray(distance) <= 2 * GROUP_RADIUS_M
        centre = _centre(lonlat[seed[near]])
        distance = GEOD.inv(
            lonlat[seed, 0], lonlat[seed, 1], np.full(len(seed), centre[0]), np.full(len(seed), centre[1])
        )[2]
        member = np.asarray(distance) <= GROUP_RADIUS_M
        member[0] = True
        groups.append(seed[member])
        left = [int(i) for i in seed[~member]]
    return sorted(groups, key=len, reverse=True)
