"""Whether each site may stand where the plan puts it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from mudcap.audit.claim import Zone
from mudcap.audit.faults import Case
from mudcap.audit.ground import (
    distance,
    edge_distance,
    inside,
    nearest,
    ring_segments,
    segments,
    swept_distance,
)
from mudcap.geo.plane import GEOD, GROUP_RADIUS_M
from mudcap.lang import _
from mudcap.orchard.model import Exclusion, Finding

PLACE_M: Final = 0.01
"""Two places closer than this are the same; also how far a station may lie outside its block's line by rounding."""
RULE_M: Final = 1e-6
"""Shortfall of a clearance that rounding may cause."""
BEND_SHARE: Final = 0.006
"""A round bend drawn with 32 corners falls short of its radius by 1 − cos(π/32) = 0.48 %."""
EARTH_M: Final = 6.371e6


def check_places(case: Case) -> Iterator[Finding]:
    """Faults of place: outside the block, inside a zone, too near an edge, off its row and tree, wrong longitude."""
    yield from _in_blocks(case)
    for zone in case.claim.zones:
        yield from _clear_of(case, zone)
    yield from _edges(case)
    yield from _reach(case)
    yield from _by_hand(case)
    yield from _addresses(case)
    yield from _lonlat(case)


def _in_blocks(case: Case) -> Iterator[Finding]:
    """Ray casting and GEOS must both say inside, but for sites that stand on the very line."""
    for index, block in enumerate(case.claim.blocks):
        own = case.of_block(index)
        xy = case.site_xy[own]
        rays = inside(xy, block.polygon)
        shapely.prepare(block.polygon)
        library = shapely.contains_xy(block.polygon, xy[:, 0], xy[:, 1])
        off = np.flatnonzero(~(rays & library))
        if not off.size:
            continue
        off = off[edge_distance(xy[off], ring_segments(block.polygon)) > PLACE_M]
        if off.size:
            text = _("Block {block}: {count} sites stand outside it: {ids}.").format(
                block=block.block_id, count=off.size, ids=case.ids(own[off])
            )
            yield case.fault("outside_block", block.block_id, text, own[off])


def _clear_of(case: Case, zone: Zone) -> Iterator[Finding]:
    """Distance by arithmetic and the buffer polygon by GEOS: a site that either calls too near is a fault."""
    west, south, east, north = zone.geometry.buffer(zone.half_width_m + zone.clear_m + 1.0).bounds
    x, y = case.site_xy.T
    close = np.flatnonzero((x >= west) & (x <= east) & (y >= south) & (y <= north))
    if not close.size:
        return
    bad, away = _barred(case.site_xy[close], zone)
    least = float(away[bad].min()) if bad.any() else 0.0
    for index, sites in _undeclared(case, close[bad], zone.flag):
        text = _("Block {block}: {count} sites stand too near {zone}: {ids}; nearest {away:.2f} m, {clear:.2f} m wanted.").format(
            block=case.claim.blocks[index].block_id, count=len(sites), zone=zone.name, ids=case.ids(sites),
            away=least, clear=zone.clear_m,
        )  # fmt: skip
        yield case.fault("in_zone", case.claim.blocks[index].block_id, text, sites)


def _barred(xy: NDArray[np.float64], zone: Zone) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """Which points (n, 2) are too near a zone, and how far (n,) each is from its ground."""
    if zone.half_width_m > 0:
        away = swept_distance(xy, zone.geometry, zone.half_width_m)
        ground = zone.geometry.buffer(zone.half_width_m, cap_style="flat", quad_segs=8)
        slack = RULE_M + BEND_SHARE * zone.half_width_m
    else:
        away, ground, slack = distance(xy, zone.geometry), zone.geometry, RULE_M
    kept = ground.buffer(max(zone.clear_m - slack, 0.0), quad_segs=32)
    return (away < zone.clear_m - slack) | (away == 0) | shapely.contains_xy(kept, xy[:, 0], xy[:, 1]), away


def _edges(case: Case) -> Iterator[Finding]:
    if case.claim.block_edge_m <= 0:
        return
    for index, block in enumerate(case.claim.blocks):
        own = case.of_block(index)
        away = edge_distance(case.site_xy[own], ring_segments(block.polygon))
        for _index, sites in _undeclared(case, own[away < case.claim.block_edge_m - RULE_M], Exclusion.BLOCK_EDGE):
            text = _("Block {block}: {count} sites stand within {edge:.2f} m of its edge: {ids}.").format(
                block=block.block_id, count=len(sites), edge=case.claim.block_edge_m, ids=case.ids(sites)
            )
            yield case.fault("block_edge", block.block_id, text, sites)


def _reach(case: Case) -> Iterator[Finding]:
    """Walks and mud: within their limits, and no shorter than the straight line."""
    claim = case.claim
    walk = np.array([s.walk_m for s in claim.sites], float)
    mud = np.array([s.mud_m for s in claim.sites], float)
    beyond = np.isfinite(walk) & (walk > claim.walk_limit_m + RULE_M)
    yield from _limit(case, "walk", beyond, Exclusion.TOO_FAR_TO_WALK)
    if np.isfinite(claim.walk_limit_m):
        yield from _limit(case, "no_way_in", np.isinf(walk), Exclusion.NO_ACCESS)
    yield from _limit(case, "mud_limit", mud > claim.mud_limit_m + RULE_M, Exclusion.NO_MUD)
    if claim.drivable is not None:
        yield from _wrong(case, "walk_short", walk < _straight_to(case, walk) - PLACE_M)
    if claim.mud is not None:
        away = _least_distance(case, claim.mud)
        agree = (mud == away) | (np.abs(mud - np.where(np.isfinite(away), away, 0.0)) <= PLACE_M)
        yield from _wrong(case, "mud", ~agree)


def _straight_to(case: Case, walk: NDArray[np.float64]) -> NDArray[np.float64]:
    """Straight way (s,) to the nearest line a vehicle may stop on; inf where none is as near as a walk of the block is long."""
    lines = [segments(g) for g in case.claim.drivable or ()]
    edges = np.concatenate(lines) if lines else np.empty((0, 4))
    low, high = np.minimum(edges[:, :2], edges[:, 2:]), np.maximum(edges[:, :2], edges[:, 2:])
    out = np.full(len(walk), np.inf)
    for index in range(len(case.claim.blocks)):
        own = case.of_block(index)
        own = own[np.isfinite(walk[own])]
        if own.size:
            xy, reach = case.site_xy[own], float(walk[own].max()) + 1.0
            near = (high >= xy.min(axis=0) - reach).all(axis=1) & (low <= xy.max(axis=0) + reach).all(axis=1)
            out[own] = edge_distance(xy, edges[near])
    return out


def _least_distance(case: Case, geometries: tuple[shapely.Geometry, ...]) -> NDArray[np.float64]:
    lines = [segments(g) for g in geometries]
    out = edge_distance(case.site_xy, np.concatenate(lines) if lines else np.empty((0, 4)))
    for geometry in geometries:
        out = np.where(inside(case.site_xy, geometry), 0.0, out)
    return out


def _limit(case: Case, code: str, over: NDArray[np.bool_], flag: Exclusion) -> Iterator[Finding]:
    words = {
        "walk": _("Block {block}: {count} sites are beyond the walk limit: {ids}."),
        "no_way_in": _("Block {block}: no way leads to {count} sites: {ids}."),
        "mud_limit": _("Block {block}: {count} sites are beyond the mud limit: {ids}."),
    }
    for index, sites in _undeclared(case, np.flatnonzero(over), flag):
        block = case.claim.blocks[index].block_id
        yield case.fault(code, block, words[code].format(block=block, count=len(sites), ids=case.ids(sites)), sites)


def _wrong(case: Case, code: str, wrong: NDArray[np.bool_]) -> Iterator[Finding]:
    words = {
        "walk_short": _("Block {block}: {count} walks are shorter than the straight line: {ids}."),
        "mud": _("Block {block}: {count} distances to mud are wrong: {ids}."),
        "lonlat": _("Block {block}: {count} sites have a longitude and latitude that is not their place: {ids}."),
    }
    for index in np.unique(case.site_block[wrong]):
        sites = np.flatnonzero(wrong & (case.site_block == index))
        block = case.claim.blocks[int(index)].block_id
        yield case.fault(code, block, words[code].format(block=block, count=len(sites), ids=case.ids(sites)), sites)


def _undeclared(
    case: Case, sites: NDArray[np.int64], flag: Exclusion
) -> Iterator[tuple[int, NDArray[np.int64]]]:
    """Those sites, by block, that break a rule without leave: a pin or a relaxed block must say so in the site's flags."""
    relaxed = np.array([b.may_differ for b in case.claim.blocks], bool)
    leave = (case.pinned[sites] | relaxed[case.site_block[sites]]) & ((case.flags[sites] & int(flag)) != 0)
    left = sites[~leave]
    for index in np.unique(case.site_block[left]):
        yield int(index), left[case.site_block[left] == index]


def _by_hand(case: Case) -> Iterator[Finding]:
    """No site on a banned place, one on each pinned place."""
    claim = case.claim
    on_ban = np.flatnonzero(nearest(case.site_xy, claim.banned_xy) <= PLACE_M)
    for index in np.unique(case.site_block[on_ban]):
        sites = on_ban[case.site_block[on_ban] == index]
        block = claim.blocks[int(index)].block_id
        text = _("Block {block}: sites stand on banned places: {ids}.").format(block=block, ids=case.ids(sites))
        yield case.fault("banned", block, text, sites)
    pinned = case.site_xy[case.pinned]
    lost = np.flatnonzero(nearest(claim.pinned_xy, pinned) > PLACE_M)
    if lost.size:
        x, y = claim.pinned_xy[lost[0]]
        text = _("{count} pinned places carry no pinned site; the first lies at {x:.1f}, {y:.1f} m.").format(
            count=lost.size, x=x, y=y
        )
        yield case.fault("pin_lost", "", text)


def _addresses(case: Case) -> Iterator[Finding]:
    """The station of a site's row and tree number stands where the site stands, and carries no second one."""
    stations = case.claim.stations
    keys = zip(stations.block.tolist(), stations.row.tolist(), stations.tree.tolist(), strict=True)
    place = {key: k for k, key in enumerate(keys)}
    wrong = np.zeros(len(case.claim.sites), bool)
    seen: dict[tuple[int, int, int], int] = {}
    for k, site in enumerate(case.claim.sites):
        key = (int(case.site_block[k]), site.row, site.tree)
        station = place.get(key)
        wrong[k] = station is None or bool(np.hypot(*(stations.xy[station] - case.site_xy[k])) > PLACE_M)
        if seen.setdefault(key, k) != k:
            text = _("Block {block}: {first} and {second} have the same row and tree.").format(
                block=site.block_id, first=case.claim.sites[seen[key]].site_id, second=site.site_id
            )
            yield case.fault("same_station", site.block_id, text, [k])
    for index in np.unique(case.site_block[wrong]):
        sites = np.flatnonzero(wrong & (case.site_block == index))
        block = case.claim.blocks[int(index)].block_id
        text = _("Block {block}: {count} addresses lead to another place: {ids}.").format(
            block=block, count=len(sites), ids=case.ids(sites)
        )
        yield case.fault("address", block, text, sites)


def _lonlat(case: Case) -> Iterator[Finding]:
    """Bearing and distance on the ellipsoid from the plane's centre (Karney's geodesics) against the plane's own.

    A transverse Mercator with scale 1 at its centre keeps them to about d³/R².
    """
    if not case.claim.sites:
        return
    lon, lat = np.array([(s.lon, s.lat) for s in case.claim.sites], float).T
    wrong = np.ones(len(lon), bool)
    for zone in case.claim.plane.zones:
        azimuth, _back, away = GEOD.inv(np.full(len(lon), zone.lon0), np.full(len(lon), zone.lat0), lon, lat)
        turn = np.radians(np.asarray(azimuth))
        east, north = zone.east_m + away * np.sin(turn), zone.north_m + away * np.cos(turn)
        off = np.hypot(east - case.site_xy[:, 0], north - case.site_xy[:, 1])
        held = np.asarray(away) <= 2 * GROUP_RADIUS_M
        wrong &= ~(held & (off <= 2 * PLACE_M + np.asarray(away) ** 3 / EARTH_M**2))
    yield from _wrong(case, "lonlat", wrong)
