"""What keeps a shelter off a station: reason flags by rule, and how far each station is from what matters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from mudcap.orchard.alleys import is_kth
from mudcap.orchard.model import Alley, Block, Exclusion, Orchard, SprayLane
from mudcap.orchard.params import RowParams
from mudcap.place.params import AccessParams

_PIECE_M: Final = 20.0

def reason_flags(
    orchard: Orchard,
    access: AccessParams,
    *,
    xy: NDArray[np.float64],
    block: NDArray[np.int64],
    walk_m: NDArray[np.float64],
    barred_lane_m: NDArray[np.float64],
) -> NDArray[np.int64]:
    """(n,) Exclusion flags of the rules about ground and access (mud and bans come from elsewhere)."""
    flags = np.zeros(len(xy), np.int64)
    points = shapely.points(xy)
    flags[barred_lane_m < access.spray_clear_m] |= int(Exclusion.SPRAY_LANE)
    closed = [c.geometry for c in orchard.closures if c.first is None and c.last is None]
    bars = [(k.geometry, k.setback_m, int(k.rule)) for k in orchard.keep_outs]
    bars += [(geometry, 0.0, int(Exclusion.CLOSED)) for geometry in closed]
    if bars:
        shapes, distance, kind = (np.array(part) for part in zip(*bars, strict=True))
        which, station = shapely.STRtree(points).query(shapes, predicate="dwithin", distance=distance.astype(float))
        np.bitwise_or.at(flags, station, kind[which].astype(np.int64))
    if access.block_edge_m > 0:
        flags[_edge_m(orchard, points, block) < access.block_edge_m] |= int(Exclusion.BLOCK_EDGE)
    flags[np.isinf(walk_m)] |= int(Exclusion.NO_ACCESS)
    flags[np.isfinite(walk_m) & (walk_m > access.walk_m)] |= int(Exclusion.TOO_FAR_TO_WALK)
    return flags


def nearest_m(xy: NDArray[np.float64], geometries: Sequence[BaseGeometry] | NDArray[Any]) -> NDArray[np.float64]:
    """(n,) distance [m] from each point to the nearest geometry; inf where there is none."""
    out = np.full(len(xy), np.inf)
    shapes = [g for g in geometries if not g.is_empty]
    if shapes and len(xy):
        (i, _j), distance = shapely.STRtree(shapes).query_nearest(
            shapely.points(xy), return_distance=True, all_matches=False
        )
        out[i] = distance
    return out


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SweptWays:
    """Lines along which sprayers drive, in short pieces, by the half width that they sweep."""

    by_half_width: tuple[tuple[float, NDArray[Any]], ...]

    def clear_m(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """(n,) clear distance [m] from each point to the swept width, 0 inside it; inf where nothing is swept."""
        out = np.full(len(xy), np.inf)
        for half_m, pieces in self.by_half_width:
            out = np.minimum(out, np.maximum(nearest_m(xy, pieces) - half_m, 0.0))
        return out


def swept_ways(orchard: Orchard, rows: RowParams) -> tuple[SweptWays, SweptWays]:
    """What sprayers sweep: where it bars a shelter (drawn lanes, every k-th alley), and all of it.

    A drawn lane without a width (nan or 0) sweeps the alley it runs in, else a row spacing. With every alley sprayed
    (`sprayed_every` = 1) alleys bar nothing: the sprayer passes everywhere, so it is a penalty.
    """
    drawn = [(_half_swept_m(lane, orchard, rows), lane.line) for lane in orchard.spray_lanes]
    every = [
        (_half_alley_m(alley, block), alley.line)
        for block in orchard.blocks
        for alley in block.alleys
        if rows.sprayed_every and is_kth(alley, block, rows.sprayed_every)
    ]
    swept = _in_pieces(drawn + every)
    return (_in_pieces(drawn) if rows.sprayed_every == 1 else swept), swept


def _half_swept_m(lane: SprayLane, orchard: Orchard, rows: RowParams) -> float:
    if lane.swept_m > 0:
        return lane.swept_m / 2
    alleys = [a for block in orchard.blocks for a in block.alleys if a.is_spray_lane and a.line.distance(lane.line) < 1]
    return min((a.width_m for a in alleys), default=rows.row_spacing_m) / 2


def _half_alley_m(alley: Alley, block: Block) -> float:
    """Half the width swept in an alley: half the block's row spacing, or less outside the outer rows."""
    row_m = block.rows.row_spacing_m if block.rows is not None else alley.width_m
    return min(row_m, alley.width_m) / 2 if alley.width_m < 0.75 * row_m else row_m / 2


def _in_pieces(ways: list[tuple[float, Any]]) -> SweptWays:
    groups: dict[float, list[Any]] = {}
    for half_m, line in ways:
        groups.setdefault(round(half_m, 3), []).append(line)
    return SweptWays(by_half_width=tuple((half, _short(np.array(groups[half], dtype=object))) for half in sorted(groups)))


def _short(lines: NDArray[Any]) -> NDArray[Any]:
    """Lines cut into straight pieces, so that a tree of their boxes can tell them apart."""
    xy, index = shapely.get_coordinates(shapely.segmentize(lines, _PIECE_M), return_index=True)
    same = index[1:] == index[:-1]
    return np.asarray(shapely.linestrings(np.stack([xy[:-1], xy[1:]], axis=1)[same]))


def _edge_m(orchard: Orchard, points: NDArray[Any], block: NDArray[np.int64]) -> NDArray[np.float64]:
    """(n,) distance [m] from each point to its own block's boundary."""
    out = np.full(len(points), np.inf)
    for k, ground in enumerate(orchard.blocks):
        mine = block == k
        edge = ground.polygon.boundary
        shapely.prepare(edge)
        out[mine] = shapely.distance(points[mine], edge)
    return out
