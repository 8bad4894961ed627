"""The row frame of a block: x across the rows as row numbers grow, y along them as tree numbers grow."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely.geometry.base import BaseGeometry

CORNERS: Final = {
    "N": 0.0,
    "NE": 45.0,
    "E": 90.0,
    "SE": 135.0,
    "S": 180.0,
    "SW": 225.0,
    "W": 270.0,
    "NW": 315.0,
}
"""Direction of each corner seen from the middle of a block [deg from true north]."""

_AMBIGUOUS_COS: Final = 0.02


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RowFrame:
    """A rotation (perhaps mirrored) about `origin_xy` that lays the named corner at low x and low y."""

    origin_xy: NDArray[np.float64]
    across: NDArray[np.float64]
    """Unit vector in the plane in which row numbers grow."""
    along: NDArray[np.float64]
    """Unit vector in the plane in which tree numbers grow."""
    bearing_deg: float
    """Direction of `along`, clockwise from true north, 0 ≤ bearing < 360."""

    def to_frame(self, xy: ArrayLike) -> NDArray[np.float64]:
        """Frame coordinates (n, 2) [m] of plane coordinates."""
        offset = np.array(xy, float, ndmin=2) - self.origin_xy
        return np.column_stack([offset @ self.across, offset @ self.along])

    def to_plane(self, frame_xy: ArrayLike) -> NDArray[np.float64]:
        """Plane coordinates (n, 2) [m] of frame coordinates."""
        x, y = np.array(frame_xy, float, ndmin=2).T
        return np.asarray(self.origin_xy + x[:, None] * self.across + y[:, None] * self.along)

    def geometry_to_frame(self, geometry: BaseGeometry) -> BaseGeometry:
        """A plane geometry in the frame."""
        return shapely.transform(geometry, self.to_frame)

    def geometry_to_plane(self, geometry: BaseGeometry) -> BaseGeometry:
        """A frame geometry in the plane."""
        return shapely.transform(geometry, self.to_plane)


def unit_vector(grid_bearing_deg: float) -> NDArray[np.float64]:
    """East and north parts of a direction clockwise from grid north [deg]."""
    angle = np.radians(grid_bearing_deg)
    return np.array([np.sin(angle), np.cos(angle)])


def frame_from_corner(
    origin_xy: ArrayLike, bearing_deg: float, corner: str, convergence_deg: float
) -> tuple[RowFrame, bool]:
    """The frame of rows that run at `bearing_deg` (true, either way), and whether two corners fit the name equally.

    Among the four corners of a rectangle along the rows, seen as a square, the one that lies nearest to the named direction
    is row 1, tree 1; of two that fit alike, the one clockwise of it.

    Raises ``ValueError`` for a corner that is no compass point.

    >>> frame, ambiguous = frame_from_corner((0.0, 0.0), 180.0, "SW", 0.0)
    >>> frame.bearing_deg, frame.across.round(6).tolist(), ambiguous
    (0.0, [1.0, 0.0], False)
    """
    name = corner.strip().upper()
    if name not in CORNERS:
        raise ValueError(f"corner: {corner!r} is none of {', '.join(CORNERS)}.")
    wanted = unit_vector(CORNERS[name] - convergence_deg)
    choices = []
    for along_deg in (bearing_deg, bearing_deg + 180.0):
        for side in (90.0, -90.0):
            along, across = (
                unit_vector(along_deg - convergence_deg),
                unit_vector(along_deg + side - convergence_deg),
            )
            out = -(along + across) / np.sqrt(2)
            clockwise = round(float(out[0] * wanted[1] - out[1] * wanted[0]), 9)
            choices.append((float(out @ wanted), clockwise, along_deg % 360.0, along, across))
    fit = max(choice[0] for choice in choices)
    tied = [choice for choice in choices if choice[0] > fit - _AMBIGUOUS_COS]
    best = max(tied, key=lambda choice: choice[1])
    origin = np.array(origin_xy, float).reshape(2)
    frame = RowFrame(origin_xy=origin, across=best[4], along=best[3], bearing_deg=best[2])
    return frame, len(tied) > 1


def shrink(shape: BaseGeometry, along_m: float, across_m: float, hole_m: float) -> BaseGeometry:
    """The part of a frame polygon that keeps clear of its outer boundary, and `hole_m` clear of its holes.

    The clear distance is `along_m` where a boundary runs across the rows, `across_m` where it runs along them, and that of
    the ellipse with those half-axes in between.
    """
    shells = shapely.polygons([shapely.get_exterior_ring(part) for part in shapely.get_parts(shape)])
    scaled = shapely.transform(shapely.multipolygons(shells), lambda xy: xy / (across_m, along_m))
    inner = shapely.transform(shapely.buffer(scaled, -1.0, quad_segs=16), lambda xy: xy * (across_m, along_m))
    holes = [
        shapely.polygons(ring) for part in shapely.get_parts(shape) for ring in shapely.get_rings(part)[1:]
    ]
    if holes:
        inner = shapely.difference(inner, shapely.buffer(shapely.union_all(holes), hole_m, quad_segs=16))
    return inner


def edge_m(shape: BaseGeometry, frame_xy: NDArray[np.float64], up: bool) -> NDArray[np.float64]:
    """(n,) distance along the row from frame points to the block's edge above (`up`) or below; nan where there is none."""
    if not len(frame_xy):
        return np.empty(0)
    low, high = shape.bounds[1] - 1.0, shape.bounds[3] + 1.0
    end = np.column_stack([frame_xy[:, 0], np.full(len(frame_xy), high if up else low)])
    rays = shapely.linestrings(np.stack([frame_xy, end], axis=1))
    edge = shape.boundary
    return np.asarray(shapely.distance(shapely.points(frame_xy), shapely.intersection(rays, edge)), float)
