"""The shortest way on open ground past what stands in it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra
from shapely import LineString
from shapely.geometry.base import BaseGeometry

CLEAR_M: Final = 1.0
"""A way keeps this far from what it goes round: our choice, about half a vehicle."""
_ROUGH_M: Final = 0.25
"""Outlines are thinned to this, so that a round pond has few corners."""


def around(
    start: NDArray[np.float64], end: NDArray[np.float64], shapes: Sequence[BaseGeometry]
) -> NDArray[np.float64] | None:
    """Points (n, 2) [m] of the shortest way between two places (2,) that enters none of some shapes; None where there is none, as
    where one of the places lies inside a shape.

    By the corners of the shapes, widened by `CLEAR_M`, that see each other.

    Reference: Lozano-Pérez and Wesley 1979, Communications of the ACM 22(10), 560-570 (visibility graphs).
    """
    straight = np.array([start, end], float)
    walls = shapely.union_all([s for s in shapes if not s.is_empty])
    if not shapely.intersects(walls, LineString(straight)):
        return straight
    wide = shapely.buffer(walls, CLEAR_M, join_style="mitre", mitre_limit=2.0)
    ends, outline = shapely.points(straight), shapely.simplify(wide, _ROUGH_M)
    # a place right beside a shape is left by the nearest point of the outline
    out = shapely.get_coordinates(shapely.shortest_line(ends, shapely.boundary(outline)))[1::2]
    nodes = np.vstack([straight, out, np.unique(shapely.get_coordinates(outline), axis=0)])
    beside = shapely.union_all(shapely.buffer(ends, CLEAR_M + _ROUGH_M))
    core = shapely.union(shapely.difference(shapely.buffer(wide, -2 * _ROUGH_M), beside), walls)
    shapely.prepare(core)
    a, b = np.triu_indices(len(nodes), 1)
    steps = shapely.linestrings(np.stack([nodes[a], nodes[b]], axis=1))
    clear = ~shapely.intersects(core, steps)
    graph = csr_matrix((shapely.length(steps[clear]), (a[clear], b[clear])), shape=(len(nodes), len(nodes)))
    far, before = dijkstra(graph, directed=False, indices=0, return_predecessors=True)
    if not np.isfinite(far[1]):
        return None
    way = [1]
    while way[-1] != 0:
        way.append(int(before[way[-1]]))
    return np.asarray(nodes[way[::-1]], float)
