"""What keeps a shelter off a station: reason flags by rule, and how far each station is from what matters."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from mudcap.orchard.model import Exclusion, KeepOut, Orchard
from mudcap.orchard.params import RowParams
from mudcap.place.params import AccessParams

_WORDS: Final = (
    (Exclusion.HIVES, ("hive", "honey", "bees", "apiary")),
    (Exclusion.CHEMICAL_STORE, ("chemical", "store", "pesticide", "spray shed")),
    (Exclusion.HAZARD, ("hazard", "power", "line", "riser", "electric", "pole", "transformer")),
)


def kind_of(keep_out: KeepOut) -> Exclusion:
    """Which rule a keep-out falls under, by the words of its reason; a keep-out proper if no word tells."""
    words = keep_out.reason.lower().replace("_", " ")
    return next((kind for kind, known in _WORDS if any(word in words for word in known)), Exclusion.KEEP_OUT)


def setback_m(keep_out: KeepOut, access: AccessParams) -> float:
    """Clear distance [m] a keep-out wants: its own, or its kind's default where it gives none (nan)."""
    if np.isfinite(keep_out.setback_m):
        return float(keep_out.setback_m)
    return {
        Exclusion.HIVES: access.hives_m,
        Exclusion.CHEMICAL_STORE: access.chemical_store_m,
        Exclusion.HAZARD: access.hazard_m,
    }.get(kind_of(keep_out), access.keep_out_m)


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
    for keep_out in orchard.keep_outs:
        near = _within(points, keep_out.geometry, setback_m(keep_out, access))
        flags[near] |= int(kind_of(keep_out))
    for closure in orchard.closures:
        if closure.first is None and closure.last is None:
            flags[_within(points, closure.geometry, 0.0)] |= int(Exclusion.CLOSED)
    if access.block_edge_m > 0:
        flags[_edge_m(orchard, points, block) < access.block_edge_m] |= int(Exclusion.BLOCK_EDGE)
    flags[np.isinf(walk_m)] |= int(Exclusion.NO_ACCESS)
    flags[np.isfinite(walk_m) & (walk_m > access.walk_m)] |= int(Exclusion.TOO_FAR_TO_WALK)
    return flags


def nearest_m(xy: NDArray[np.float64], geometries: Sequence[BaseGeometry]) -> NDArray[np.float64]:
    """(n,) distance [m] from each point to the nearest geometry; inf where there is none."""
    out = np.full(len(xy), np.inf)
    shapes = [g for g in geometries if not g.is_empty]
    if shapes and len(xy):
        (i, _j), distance = shapely.STRtree(shapes).query_nearest(
            shapely.points(xy), return_distance=True, all_matches=False
        )
        out[i] = distance
    return out


def swept_grounds(orchard: Orchard, rows: RowParams) -> tuple[list[BaseGeometry], list[BaseGeometry]]:
    """Ground that sprayers sweep: where it bars a shelter (drawn lanes, every k-th alley), and all of it.

    With every alley sprayed (`sprayed_every` = 1) alleys bar nothing: the sprayer passes everywhere, so it is a penalty.
    """
    drawn: list[BaseGeometry] = [
        lane.line.buffer(lane.swept_m / 2, cap_style="flat", quad_segs=8) if lane.swept_m > 0 else lane.line
        for lane in orchard.spray_lanes
    ]
    every: list[BaseGeometry] = []
    for block in orchard.blocks:
        for alley in block.alleys:
            by_rule = rows.sprayed_every and alley.left_row % rows.sprayed_every == 0 and alley.left_row > 0
            if alley.is_spray_lane and (by_rule or rows.sprayed_every == 1):
                every.append(alley.line.buffer(alley.width_m / 2, cap_style="flat"))
    if rows.sprayed_every == 1:
        return drawn, drawn + every
    return drawn + every, drawn + every


def _within(points: NDArray[Any], geometry: BaseGeometry, distance_m: float) -> NDArray[np.bool_]:
    shapely.prepare(geometry)
    return np.asarray(shapely.dwithin(points, geometry, distance_m), bool)


def _edge_m(orchard: Orchard, points: NDArray[Any], block: NDArray[np.int64]) -> NDArray[np.float64]:
    """(n,) distance [m] from each point to its own block's boundary."""
    out = np.full(len(points), np.inf)
    for k, ground in enumerate(orchard.blocks):
        mine = block == k
        edge = ground.polygon.boundary
        shapely.prepare(edge)
        out[mine] = shapely.distance(points[mine], edge)
    return out
