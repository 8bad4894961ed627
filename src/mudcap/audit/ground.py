"""Inside, outside and how far, by plain arithmetic: none of it goes through the geometry library that made the plan."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

CHUNK: Final = 200_000
"""Pairs looked at in one go, 1.6 MB an array, which stays in the cache."""

Points = NDArray[np.float64]


def chunks(count: int, width: int) -> Iterator[slice]:
    """Slices of `count` rows so that each holds at most `CHUNK` pairs with `width` others."""
    step = max(1, CHUNK // max(width, 1))
    for first in range(0, count, step):
        yield slice(first, min(first + step, count))


def ring_segments(geometry: BaseGeometry) -> NDArray[np.float64]:
    """Edges (k, 4) [x1 y1 x2 y2] of all rings of a polygon or multi-polygon, holes included; (0, 4) for other kinds."""
    edges = [_edges(ring) for part in _parts(geometry) if part.geom_type == "Polygon" for ring in _rings(part)]
    return np.concatenate(edges) if edges else np.empty((0, 4))


def segments(geometry: BaseGeometry) -> NDArray[np.float64]:
    """Every edge (k, 4) of a geometry; a point is an edge of no length."""
    edges = [ring_segments(geometry)]
    for part in _parts(geometry):
        if part.geom_type in ("LineString", "LinearRing"):
            edges.append(_edges(part))
        elif part.geom_type == "Point" and not part.is_empty:
            edges.append(np.array([[part.x, part.y, part.x, part.y]]))
    return np.concatenate(edges)


def inside(points: Points, geometry: BaseGeometry) -> NDArray[np.bool_]:
    """Whether each point (n, 2) lies in the polygon: an odd number of edges crosses the ray to the east.

    References: Shimrat 1962, Algorithm 112, Communications of the ACM 5:434 (from memory).
    """
    edges = ring_segments(geometry)
    out = np.zeros(len(points), bool)
    x1, y1, x2, y2 = edges.T
    for part in chunks(len(points), len(edges)):
        x, y = points[part, :1], points[part, 1:]
        crosses = (y1 > y) != (y2 > y)
        with np.errstate(divide="ignore", invalid="ignore"):
            at = x1 + (y - y1) * (x2 - x1) / (y2 - y1)
        out[part] = (crosses & (x < at)).sum(axis=1) % 2 == 1
    return out


def edge_distance(points: Points, edges: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance (n,) of each point (n, 2) to the nearest of the edges (k, 4); inf where there is none."""
    out = np.full(len(points), np.inf)
    if not len(edges):
        return out
    x1, y1, dx, dy = edges[:, 0], edges[:, 1], edges[:, 2] - edges[:, 0], edges[:, 3] - edges[:, 1]
    length2 = dx * dx + dy * dy
    length2 = np.where(length2 > 0, length2, 1.0)
    for part in chunks(len(points), len(edges)):
        px, py = points[part, :1] - x1, points[part, 1:] - y1
        along = np.clip((px * dx + py * dy) / length2, 0.0, 1.0)
        out[part] = np.sqrt(((px - along * dx) ** 2 + (py - along * dy) ** 2).min(axis=1))
    return out


def distance(points: Points, geometry: BaseGeometry) -> NDArray[np.float64]:
    """Distance (n,) of each point to a geometry; 0 within a polygon."""
    away = edge_distance(points, segments(geometry))
    return np.where(inside(points, geometry), 0.0, away)


def swept_distance(points: Points, line: BaseGeometry, half_width_m: float) -> NDArray[np.float64]:
    """Distance (n,) of each point to the ground swept along a line: `half_width_m` to both sides, square at the ends.

    The ground is a rectangle along each edge and a disc at each bend.
    """
    out = np.full(len(points), np.inf)
    for part in _parts(line):
        edges = _edges(part)
        x1, y1, dx, dy = edges[:, 0], edges[:, 1], edges[:, 2] - edges[:, 0], edges[:, 3] - edges[:, 1]
        length = np.hypot(dx, dy)
        edges, x1, y1, dx, dy, length = (a[length > 0] for a in (edges, x1, y1, dx, dy, length))
        if not len(length):
            continue
        for some in chunks(len(points), len(length)):
            px, py = points[some, :1] - x1, points[some, 1:] - y1
            along, aside = (px * dx + py * dy) / length, np.abs(px * dy - py * dx) / length
            beyond = np.maximum(np.maximum(-along, along - length), 0.0)
            square = beyond**2 + np.maximum(aside - half_width_m, 0.0) ** 2
            out[some] = np.minimum(out[some], np.sqrt(square.min(axis=1)))
        bends = np.maximum(nearest(points, edges[1:, :2]) - half_width_m, 0.0)
        out = np.minimum(out, bends)
    return out


def nearest(points: Points, others: Points) -> NDArray[np.float64]:
    """Distance (n,) of each point (n, 2) to the nearest of the others (k, 2), each pair measured; inf where k = 0."""
    out = np.full(len(points), np.inf)
    if len(others):
        for part in chunks(len(points), len(others)):
            square = (points[part, :1] - others[:, 0]) ** 2
            square += (points[part, 1:] - others[:, 1]) ** 2
            out[part] = np.sqrt(square.min(axis=1))
    return out


def shoelace_m2(geometry: BaseGeometry) -> float:
    """Area [m²] of a polygon or multi-polygon in the plane, holes taken out (the shoelace formula)."""
    total = 0.0
    for part in _parts(geometry):
        for k, ring in enumerate(_rings(part)):
            x1, y1, x2, y2 = (_edges(ring) - np.tile(ring[0], 2)).T
            total += (1 if k == 0 else -1) * abs(float((x1 * y2 - x2 * y1).sum())) / 2
    return total


def _parts(geometry: BaseGeometry) -> Iterator[BaseGeometry]:
    if hasattr(geometry, "geoms"):
        for part in geometry.geoms:
            yield from _parts(part)
    else:
        yield geometry


def _rings(polygon: BaseGeometry) -> list[NDArray[np.float64]]:
    if polygon.geom_type != "Polygon" or polygon.is_empty:
        return []
    return [np.asarray(ring.coords)[:, :2] for ring in (polygon.exterior, *polygon.interiors)]


def _edges(ring: BaseGeometry | NDArray[np.float64]) -> NDArray[np.float64]:
    corners = ring if isinstance(ring, np.ndarray) else np.asarray(ring.coords)[:, :2]
    return np.hstack([corners[:-1], corners[1:]])
