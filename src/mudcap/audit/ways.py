"""Whether anybody is led through what nobody crosses."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from mudcap.audit.claim import Wall
from mudcap.audit.faults import Case
from mudcap.audit.ground import edge_distance, inside, ring_segments, segments
from mudcap.lang import _
from mudcap.orchard.model import Finding

STEP_M: Final = 0.25
"""A way is looked at so often."""
EDGE_M: Final = 0.15
"""A way may lie this far inside an edge, as far as drawings go; a wall that is a line stops within it."""
ROAD_M: Final = 0.5
"""A way so near to a drawn road is on it."""


def check_ways(case: Case) -> Iterator[Finding]:
    """Faults of ways: one that leads through a wall where no road is drawn."""
    claim = case.claim
    for name in crossed(claim.ways, claim.walls, claim.roads):
        text = _("A way on which crews drive or walk leads through {name}, which nobody crosses.")
        yield case.fault("through_wall", "", text.format(name=name))


def crossed(
    ways: NDArray[np.float64], walls: Sequence[Wall], roads: Sequence[BaseGeometry]
) -> tuple[str, ...]:
    """Names of the walls through which straight pieces of way (k, 4) [x1 y1 x2 y2] lead, but for those on drawn roads."""
    streets = np.concatenate([np.empty((0, 4)), *(segments(road) for road in roads)])
    found = []
    for wall in walls:
        xy = _points_near(ways, segments(wall.geometry))
        met = inside(xy, wall.geometry) & (edge_distance(xy, ring_segments(wall.geometry)) > EDGE_M)
        met |= edge_distance(xy, _lines_of(wall.geometry)) < EDGE_M
        if met.any() and (edge_distance(xy[met], streets) > ROAD_M).any():
            found.append(wall.name)
    return tuple(dict.fromkeys(found))


def _lines_of(geometry: BaseGeometry) -> NDArray[np.float64]:
    """Edges (k, 4) of the parts that are lines."""
    parts = getattr(geometry, "geoms", (geometry,))
    return np.concatenate([np.empty((0, 4)), *(segments(p) for p in parts if p.geom_type in ("LineString", "LinearRing"))])


def _points_near(ways: NDArray[np.float64], edges: NDArray[np.float64]) -> NDArray[np.float64]:
    """Points (n, 2) along the ways whose boxes meet the edges' box."""
    if not len(edges) or not len(ways):
        return np.empty((0, 2))
    low = np.minimum(edges[:, :2], edges[:, 2:]).min(axis=0) - EDGE_M
    high = np.maximum(edges[:, :2], edges[:, 2:]).max(axis=0) + EDGE_M
    meets = (np.minimum(ways[:, :2], ways[:, 2:]) <= high).all(axis=1) & (np.maximum(ways[:, :2], ways[:, 2:]) >= low).all(axis=1)
    near = ways[meets]
    length = np.hypot(near[:, 2] - near[:, 0], near[:, 3] - near[:, 1])
    count = np.ceil(length / STEP_M).astype(np.int64) + 1
    of = np.repeat(np.arange(len(near)), count)
    step = np.arange(len(of)) - np.repeat(np.cumsum(count) - count, count)
    share = (step / np.maximum(count[of] - 1, 1))[:, None]
    xy = near[of, :2] + share * (near[of, 2:] - near[of, :2])
    return np.asarray(xy[((xy >= low) & (xy <= high)).all(axis=1)], float)
