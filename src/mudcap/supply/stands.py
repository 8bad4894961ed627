"""Where a water truck may stand, and where beside it a puddle may be made."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from mudcap.orchard.barriers import Walls
from mudcap.orchard.model import Feature, Orchard, Role
from mudcap.orchard.mud import falls_in_season, nesting_season
from mudcap.orchard.network import ALLEY, CART, HEADLAND, ROAD, TRUCK, TravelNetwork, reached
from mudcap.orchard.params import RowParams
from mudcap.place.exclude import swept_ways
from mudcap.place.params import AccessParams, MudParams

FALL_KEYS: Final = ("downhill_deg", "downhill", "fall_deg")
"""Columns that say in which direction [degrees from true north] the ground falls."""
FALL_HALF_DEG: Final = 45.0
"""Ground within this angle of the fall line counts as below (or above) a store; common practice, no source."""
_WHEELS_M: Final = 1.25
"""Half the width between the wheels of a truck on a headland; common practice, no source."""
_TREE_M: Final = 1.2
"""No trench is dug nearer to a tree than this; common practice, no source."""
_DITCH_M: Final = 1.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PuddlePlaces:
    """Every place where a puddle may be made, with where the truck stands for it (read-only arrays)."""

    xy: NDArray[np.float64]
    """(n, 2) middle of the trench [m]."""
    stand_xy: NDArray[np.float64]
    """(n, 2) where the truck stands, on a way that it can reach and leave."""
    kind: NDArray[np.int64]
    """(n,) ROAD, HEADLAND or ALLEY of `orchard.network`."""
    ways: TravelNetwork
    """The travel network as the water truck may use it: other edges are closed to TRUCK."""


def puddle_places(
    orchard: Orchard,
    network: TravelNetwork,
    *,
    mud: MudParams,
    access: AccessParams,
    rows: RowParams,
    season: tuple[date, date] | None = None,
) -> PuddlePlaces:
    """The legal places for puddles, beside roads and headlands, in alleys where `mud.alleys` says so, and within the hose.

    Legal: clear of spray lanes, keep-outs, hives, hazards, stores, ditches, trees and ground that is closed in the season;
    off the roads; off the fall line of a chemical store where its fall is known. Hose places lie inside a block; no hose leads
    through what nobody crosses.
    """
    ways = _truck_ways(network, mud.alleys)
    stand, along, kind = _stands(ways, mud)
    free = _may_stand(orchard, stand, season)
    stand, along, kind = stand[free], along[free], kind[free]
    xy, of, is_hose = _beside(orchard, stand, along, kind, mud)
    open_way = ~Walls(orchard).cross(shapely.linestrings(np.stack([stand[of], xy], axis=1)))
    xy, of, is_hose = xy[open_way], of[open_way], is_hose[open_way]
    legal = _legal(orchard, xy, kind[of], is_hose, mud=mud, access=access, rows=rows, season=season)
    places = PuddlePlaces(xy=xy[legal], stand_xy=stand[of[legal]], kind=kind[of[legal]], ways=ways)
    for array in (places.xy, places.stand_xy, places.kind):
        array.setflags(write=False)
    return places


def fall_deg(orchard: Orchard, store: Feature) -> float | None:
    """Direction in which the ground falls at a store, degrees from true north: its own, else that of the soil under it."""
    point = store.geometry.representative_point()
    soils = [f for f in orchard.features if f.role == Role.SOIL and shapely.covers(f.geometry, point)]
    for feature in (store, *soils):
        said = {key.lower(): value for key, value in feature.attributes.items()}
        for key in FALL_KEYS:
            try:
                value = float(said.get(key, ""))
            except ValueError:
                continue
            if np.isfinite(value):
                return value % 360.0
    return None


def stores(orchard: Orchard) -> tuple[Feature, ...]:
    """The chemical stores."""
    return tuple(f for f in orchard.features if f.role == Role.CHEMICAL_STORE)


def _truck_ways(network: TravelNetwork, alleys: bool) -> TravelNetwork:
    """The network with TRUCK on what the water truck reaches and leaves again, and on nothing else.

    With `alleys` a tank goes wherever a cart may in alleys.
    """
    mode = network.mode.copy()
    if alleys:
        mode[(network.kind == ALLEY) & ((mode & CART) != 0)] |= TRUCK
    ways = replace(network, mode=mode)
    there = reached(ways, TRUCK)
    mode = np.where(there[ways.source] & there[ways.target], mode, mode & ~np.uint8(TRUCK)).astype(np.uint8)
    mode.setflags(write=False)
    return replace(network, mode=mode)


def _stands(
    ways: TravelNetwork, mud: MudParams
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]:
    """Places on the ways (s, 2), the way's direction there (s, 2) and its kind (s,)."""
    kinds = (ROAD, HEADLAND, ALLEY) if mud.alleys else (ROAD, HEADLAND)
    use = ((ways.mode & TRUCK) != 0) & np.isin(ways.kind, kinds) & (ways.length_m > 1e-6)
    source, target = ways.source[use], ways.target[use]
    num = len(ways.node_xy)
    pair = np.minimum(source, target) * num + np.maximum(source, target)
    _pairs, first = np.unique(pair, return_index=True)
    a, b = ways.node_xy[source[first]], ways.node_xy[target[first]]
    length, kind = np.hypot(*(b - a).T), ways.kind[use][first].astype(np.int64)
    count = np.maximum(1, np.round(length / mud.stand_spacing_m)).astype(np.int64)
    of = np.repeat(np.arange(len(count)), count)
    step = np.arange(len(of)) - np.repeat(np.cumsum(count) - count, count)
    share = ((step + 0.5) / count[of])[:, None]
    stand = a[of] + share * (b[of] - a[of])
    along = (b[of] - a[of]) / length[of][:, None]
    keep = _thinned(stand, (length[of] < mud.stand_spacing_m / 2) & (kind[of] != ALLEY), mud.stand_spacing_m)
    return stand[keep], along[keep], kind[of][keep]


def _thinned(xy: NDArray[np.float64], is_short: NDArray[np.bool_], spacing_m: float) -> NDArray[np.int64]:
    """Of the places on short pieces of a way (a bend, a track drawn point by point) those that are not crowded."""
    keep = np.ones(len(xy), bool)
    short = np.flatnonzero(is_short)
    if len(short) > 1:
        tree = cKDTree(xy[short])
        for k, near in enumerate(tree.query_ball_point(xy[short], 0.6 * spacing_m)):
            if keep[short[k]]:
                keep[short[[j for j in near if j > k]]] = False
    return np.flatnonzero(keep)


def _may_stand(
    orchard: Orchard, stand: NDArray[np.float64], season: tuple[date, date] | None
) -> NDArray[np.bool_]:
    """No truck stands on barred or closed ground, whatever way leads over it."""
    shapes = [k.geometry for k in orchard.keep_outs] + _closed(orchard, season)
    free = np.ones(len(stand), bool)
    if shapes and len(stand):
        free[shapely.STRtree(shapely.points(stand)).query(shapes, predicate="dwithin", distance=0.01)[1]] = False
    return free


def _closed(orchard: Orchard, season: tuple[date, date] | None) -> list[Any]:
    """Ground that is closed for good, or on some day while the bees nest."""
    out = []
    for closure in orchard.closures:
        spans = ((closure.first or date.min, closure.last or date.max),)
        if (closure.first is None and closure.last is None) or falls_in_season(spans, season or nesting_season(orchard)):
            out.append(closure.geometry)
    return out


def _beside(
    orchard: Orchard,
    stand: NDArray[np.float64],
    along: NDArray[np.float64],
    kind: NDArray[np.int64],
    mud: MudParams,
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.bool_]]:
    """Puddle places (n, 2), the stand of each (n,) and whether the hose is pulled out for it (n,).

    In an alley the puddle lies between the wheel tracks; beside a road or headland clear of it on either side, and again on
    either side at the reach of the hose.
    """
    side = np.column_stack([along[:, 1], -along[:, 0]])
    near_m = np.full(len(stand), _WHEELS_M + mud.trench_width_m / 2 + mud.offset_m)
    on_road = np.flatnonzero(kind == ROAD)
    if len(on_road) and orchard.roads:
        which = shapely.STRtree([r.line for r in orchard.roads]).nearest(shapely.points(stand[on_road]))
        half = np.array([r.width_m / 2 if r.width_m > 0 else _WHEELS_M for r in orchard.roads])
        near_m[on_road] = half[which] + mud.trench_width_m / 2 + mud.offset_m
    in_alley = np.flatnonzero(kind == ALLEY)
    others = np.flatnonzero(kind != ALLEY)
    far = others[near_m[others] < mud.hose_m]
    hose = np.full(len(far), mud.hose_m)
    parts = [
        (in_alley, np.zeros(len(in_alley)), False), (others, near_m[others], False), (others, -near_m[others], False),
        (far, hose, True), (far, -hose, True),
    ]  # fmt: skip
    of = np.concatenate([p[0] for p in parts]).astype(np.int64)
    off = np.concatenate([p[1] for p in parts])
    is_hose = np.concatenate([np.full(len(p[0]), p[2]) for p in parts]).astype(bool)
    return stand[of] + off[:, None] * side[of], of, is_hose


def _legal(
    orchard: Orchard,
    xy: NDArray[np.float64],
    kind: NDArray[np.int64],
    is_hose: NDArray[np.bool_],
    *,
    mud: MudParams,
    access: AccessParams,
    rows: RowParams,
    season: tuple[date, date] | None,
) -> NDArray[np.int64]:
    """Numbers of the places where a puddle may be made; the whole trench counts, whichever way it lies."""
    free = np.ones(len(xy), bool)
    if not len(xy):
        return np.flatnonzero(free)
    reach_m = trench_reach_m(mud)
    points = shapely.points(xy)
    tree = shapely.STRtree(points)
    bars = [(k.geometry, k.setback_m + reach_m) for k in orchard.keep_outs]
    bars += [(geometry, reach_m) for geometry in _closed(orchard, season)]
    bars += [(f.geometry, reach_m + _DITCH_M) for f in orchard.features if f.role == Role.DITCHES]
    bars += [(r.line, r.width_m / 2) for r in orchard.roads]
    if bars:
        shapes, distance = zip(*bars, strict=True)
        free[tree.query(np.array(shapes, object), predicate="dwithin", distance=np.array(distance, float))[1]] = False
    free &= swept_ways(orchard, rows)[0].clear_m(xy) - reach_m >= access.spray_clear_m
    trees = [b.rows.tree_xy for b in orchard.blocks if b.rows is not None and len(b.rows.tree_xy)]
    if trees:
        free &= (kind == ALLEY) | (cKDTree(np.vstack(trees)).query(xy)[0] >= _TREE_M + mud.trench_width_m / 2)
    inside = np.zeros(len(xy), bool)
    inside[tree.query([b.polygon for b in orchard.blocks], predicate="intersects")[1]] = True
    free &= inside | ~is_hose
    for store in stores(orchard):
        free &= ~on_fall_line(orchard, store, xy, mud.store_run_m)
    return np.flatnonzero(free)


def trench_reach_m(mud: MudParams) -> float:
    """From the middle of a trench to its corner."""
    return float(np.hypot(mud.trench_length_m, mud.trench_width_m) / 2)


def on_fall_line(orchard: Orchard, store: Feature, xy: NDArray[np.float64], run_m: float) -> NDArray[np.bool_]:
    """(n,) True below or above a store, where its spill would run to the place, or water from the place to the store.

    False everywhere where the fall is not known.
    """
    fall = fall_deg(orchard, store)
    if fall is None:
        return np.zeros(len(xy), bool)
    point = store.geometry.representative_point()
    grid = np.radians(fall - orchard.plane.convergence_deg([(point.x, point.y)]))
    away = xy - (point.x, point.y)
    share = np.abs(away @ (np.sin(grid), np.cos(grid))) / np.maximum(np.hypot(*away.T), 1e-9)
    near = shapely.distance(store.geometry, shapely.points(xy)) <= run_m
    return np.asarray(near & (share >= np.cos(np.radians(FALL_HALF_DEG)) - 1e-12), bool)
