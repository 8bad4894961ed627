"""Irregular ground for the bench of rounds: headlands of unequal length, rows cut by a pond, trees missing."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import shapely
from instances import i40
from shapely import Point, Polygon

import orchards
from mudcap.orchard.model import Block, Orchard, TreePoints
from mudcap.orchard.network import VEHICLE, travel_network
from mudcap.orchard.params import RowParams, TravelParams
from mudcap.orchard.rows import lay_rows
from mudcap.route.ground import Ground, lay_ground

FOOT_M = 0.3048


def ground_of(orchard: Orchard, count: int, seed: int, *, every: int = 1) -> Ground:
    """Ground of an orchard's first block with `count` of its trees as sites, evenly along every k-th of its rows."""
    orchard, _ = lay_rows(orchard, RowParams())
    block = orchard.blocks[0]
    assert block.rows is not None
    rows = block.rows
    rng = np.random.default_rng(seed)
    usable = np.flatnonzero(rows.tree_row % every == every // 2)
    step = len(usable) / count
    pick = usable[np.floor((np.arange(count) + rng.random()) * step).astype(int) % len(usable)]
    return lay_ground(
        orchard, travel_network(orchard, TravelParams()), block, rows.tree_row[pick], rows.tree_xy[pick],
        mode=VEHICLE, row_spacing_m=rows.row_spacing_m,
    )  # fmt: skip


def i40_with_pond(trees: str | Path, outline: str | Path, *, cross_road: bool = False) -> Orchard:
    """I40 (17° rows, a notch, missing trees) with a headland round it and a pond of 25 m in its middle, which cuts rows in two."""
    shape = shapely.from_wkt(Path(outline).read_text()).buffer(25 * FOOT_M, join_style="mitre")
    middle = Point(190, 150).buffer(25)
    instance = i40(trees)
    keep = ~shapely.contains_xy(middle.buffer(2), *instance.xy.T)
    assert instance.row is not None
    roads = (orchards.road((-20, -12), (420, -32)),)
    if cross_road:
        roads += (orchards.road((-30, 130), (450, 130), name="cross"),)
    return orchards.orchard(
        _block(shape.difference(middle), None), roads=roads,
        tree_points=(TreePoints(layer="trees", xy=instance.xy[keep], row=instance.row[keep]),),
    )  # fmt: skip


def ell_with_pond(seed: int, *, gaps: float = 0.03) -> Orchard:
    """An L of some 38 acres with a pond, rows at a slant of up to 25°, and a share of its trees missing."""
    rng = np.random.default_rng(seed)
    shape = Polygon([(0, 0), (460, 0), (460, 230), (250, 230), (250, 430), (0, 430)])
    pond = Point(rng.uniform(80, 180), rng.uniform(100, 300)).buffer(rng.uniform(18, 30))
    bearing = float(rng.uniform(-25, 25)) % 180
    return orchards.orchard(
        _block(shape.difference(pond), bearing), roads=(orchards.road((-20, -8), (480, -8)),)
    )


def _block(shape: Polygon, bearing: float | None) -> Block:
    return orchards.block("Irregular", shape, row_bearing_deg=bearing)
