"""Keep-outs that nobody crosses, as they stand in one block: which drive rows they cut, and what is said of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from mudcap.lang import _, _n
from mudcap.orchard.barriers import impassable_ground
from mudcap.orchard.blocks import finding
from mudcap.orchard.frame import RowFrame
from mudcap.orchard.model import Block, Finding, KeepOut, Orchard, TreeRows

VEHICLE_CLEAR_M: Final = 1.2
"""Free ground on either side of a vehicle's path; a cart is about 1.2–1.6 m wide (common practice, no source)."""
_NEXT: Final = 1.5
"""Trees of a row farther apart than this many spacings leave a gap that a vehicle may pass."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Walls:
    """What nobody crosses in or beside a block, in its row frame, with the room that a vehicle keeps from it."""

    keeps: tuple[KeepOut, ...]
    kept_off: NDArray[Any]
    """(k,) each with that room."""
    ground: BaseGeometry
    """All of them together."""

    def through_rows(self, ways: NDArray[Any], rows: NDArray[Any]) -> NDArray[np.bool_]:
        """(n,) whether a way that goes round one of them leads through a tree row on its way."""
        out = np.zeros(len(ways), bool)
        if not self.keeps or not len(ways):
            return out
        beside = np.flatnonzero(shapely.dwithin(ways, self.ground, 0.01))
        if len(beside) and len(rows):
            out[beside[shapely.STRtree(rows).query(ways[beside], predicate="intersects")[0]]] = True
        return out


def walls_in(block: Block, orchard: Orchard, frame: RowFrame) -> Walls:
    """The walls that reach within a vehicle's clear distance of a block."""
    found = impassable_ground(orchard)
    shapes = np.array([shape for _keep, shape in found], dtype=object)
    reached = shapely.dwithin(shapes, block.polygon, VEHICLE_CLEAR_M) if len(shapes) else np.empty(0, bool)
    near = np.flatnonzero(reached).tolist()
    kept_off = np.array(
        [shapely.buffer(frame.geometry_to_frame(shapes[k]), VEHICLE_CLEAR_M, quad_segs=16) for k in near], dtype=object
    )
    return Walls(keeps=tuple(found[k][0] for k in near), kept_off=kept_off, ground=shapely.union_all(kept_off))


def tree_rows(rows: TreeRows, frame: RowFrame) -> NDArray[Any]:
    """The pieces of a block's tree rows between neighbouring trees, in its row frame."""
    at = frame.to_frame(rows.tree_xy)
    step = np.hypot(*np.diff(at, axis=0).T)
    pair = np.flatnonzero((rows.tree_row[1:] == rows.tree_row[:-1]) & (step <= _NEXT * rows.tree_spacing_m))
    return np.asarray(shapely.linestrings(np.stack([at[pair], at[pair + 1]], axis=1)))


def cut_findings(block: Block, walls: Walls, lines: NDArray[Any], free: BaseGeometry) -> tuple[Finding, ...]:
    """What each wall cuts: drive rows (their `lines` on the ground that is `free` but for walls), or a headland."""
    if not walls.keeps:
        return ()
    driven = shapely.intersection(lines, free)
    edges = shapely.get_exterior_ring(shapely.get_parts(free))
    said = []
    for keep, shape in zip(walls.keeps, walls.kept_off, strict=True):
        count = int(shapely.intersects(driven, shape).sum())
        if count:
            text = _n(
                "Block {block}: {what} cuts {count} alley; crews drive and walk round it. If they may cross it, give it "
                "passable = yes.",
                "Block {block}: {what} cuts {count} alleys; crews drive and walk round it. If they may cross it, give it "
                "passable = yes.",
                count,
            )
        elif shapely.intersects(edges, shape).any():
            text = _(
                "Block {block}: {what} stands on the headland; vehicles pass it only where there is room beside the trees. If "
                "they may cross it, give it passable = yes."
            )
        else:
            continue
        text = text.format(block=block.block_id, what=keep.name or keep.reason, count=count)
        said.append(finding("note", "keep_out_cuts", block, text, keep.geometry))
    return tuple(said)
