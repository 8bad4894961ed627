"""Roads that run through a block: where a lattice of trees has none.

An outline round several fields is often drawn as one, with a road through it. A road along the edge is another matter: outlines and roads are
drawn a few metres off, and no outer row is given up for that.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from mudcap.orchard.frame import RowFrame
from mudcap.orchard.model import Block, Orchard

_ALONG: Final = float(np.tan(np.radians(20)))
"""A piece of road that turns less than this from the rows runs along them; a convention of ours."""


def roads_through(block: Block, orchard: Orchard, frame: RowFrame, row_m: float) -> BaseGeometry:
    """The ground of roads that come farther inside the block than a row spacing, in its row frame.

    A road is as wide as it says. One along the rows takes the trees of a row only where it is nearer to them than to the
    middle of an alley, for there it would be in truth.
    """
    inner = shapely.buffer(block.polygon, -row_m)
    ground = []
    for road in orchard.roads:
        if not shapely.intersects(road.line, inner):
            continue
        for part in shapely.get_parts(shapely.intersection(road.line, block.polygon)):
            xy = frame.to_frame(shapely.get_coordinates(part))
            step = np.abs(np.diff(xy, axis=0))
            is_along = step[:, 0] <= _ALONG * step[:, 1]
            half_m = np.where(is_along, min(road.width_m / 2, row_m / 4), road.width_m / 2)
            ground += list(shapely.buffer(shapely.linestrings(np.stack([xy[:-1], xy[1:]], axis=1)), half_m))
    found = shapely.union_all(ground) if ground else shapely.Polygon()
    shapely.prepare(found)
    return found
