"""Where vehicles turn outside a block whose trees stand up to its outline: from each alley's end to the next one's.

An outline drawn along the trunks or the canopy leaves no headland inside it, yet somewhere outside a vehicle turns (common
practice, no source); it does so within `TURN_M` of the outline, unless a ditch, a keep-out that nobody crosses or another block
lies there.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString

from mudcap.orchard.alleys import TURNING_HEADLAND_M
from mudcap.orchard.barriers import Walls
from mudcap.orchard.model import Alley, Block, Orchard
from mudcap.orchard.walls import VEHICLE_CLEAR_M

TURN_M: Final = TURNING_HEADLAND_M
"""Beyond the outline; as wide as the narrowest headland that is a way."""
_APART: Final = 2.5
"""Ends of neighbouring alleys farther apart than this many row spacings are not joined: the outline steps there; a convention of ours."""
_AT_EDGE_M: Final = 0.5
"""An alley ends at the outline if it comes as near to it as a vehicle may, give or take this; a convention of ours."""


def turns(orchard: Orchard, block: Block, walls: Walls) -> list[LineString]:
    """Lines outside a block from alley end to alley end; none where it has headlands of its own."""
    if block.headlands or block.rows is None or len(block.alleys) < 2:
        return []
    others = [b.polygon for b in orchard.blocks if b is not block and b.polygon.distance(block.polygon) < 2 * TURN_M]
    taken = shapely.union_all([shapely.buffer(p, -0.1) for p in (block.polygon, *others)])
    reach_m = _APART * block.rows.row_spacing_m
    found = []
    for one, two in zip(block.alleys, block.alleys[1:], strict=False):
        for end in (0, -1):
            a, b = _out(one, end, block), _out(two, end, block)
            if one.right_row == two.left_row and a is not None and b is not None and np.hypot(*(a[0] - b[0])) <= reach_m:
                found.append(LineString([a[0], a[1], b[1], b[0]]))
    if not found:
        return []
    lines = np.array(found, dtype=object)
    outside = shapely.linestrings([shapely.get_coordinates(line)[1:3] for line in found])
    free = ~shapely.intersects(outside, taken) & ~walls.cross(shapely.buffer(lines, VEHICLE_CLEAR_M))
    return [line for line, is_free in zip(found, free.tolist(), strict=True) if is_free]


def _out(alley: Alley, end: int, block: Block) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """An alley's end and the point straight on from it `TURN_M` beyond the outline; None where it ends farther inside."""
    xy = shapely.get_coordinates(alley.line)
    last, before = (xy[0], xy[1]) if end == 0 else (xy[-1], xy[-2])
    step: Any = (last - before) / np.hypot(*(last - before))
    ray = LineString([last, last + step * 2 * TURN_M])
    edge_m = shapely.distance(shapely.Point(last), shapely.intersection(ray, shapely.boundary(block.polygon)))
    if not edge_m <= VEHICLE_CLEAR_M + TURN_M / 2 + _AT_EDGE_M:
        return None
    return last, last + step * (edge_m + TURN_M)
