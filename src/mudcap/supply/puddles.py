"""The fewest puddles that bring mud within reach of every site, and the water truck's round over them."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from scipy.spatial.distance import cdist
from shapely import LineString, MultiLineString

from mudcap.geo.units import Units
from mudcap.lang import _
from mudcap.orchard.model import Orchard, Role
from mudcap.orchard.mud import is_poor_in_clay, soil_clay_share
from mudcap.orchard.network import ALLEY, HEADLAND, TRUCK, TravelNetwork, graph_of
from mudcap.orchard.params import TravelParams
from mudcap.orchard.paths import path_line, shortest_paths, travel_table, with_stops
from mudcap.place.params import MudParams, PlaceParams
from mudcap.place.problem import PlacementProblem, SolveAll, SolveJob, Status
from mudcap.supply.address import Addresses
from mudcap.supply.model import Puddle, PuddlePlan, StandKind
from mudcap.supply.stands import PuddlePlaces
from mudcap.supply.water_round import WaterProblem, WaterRound, solve_round

TAP_REACH_M: Final = 50.0
"""A water point farther than this from where the truck can go is of no use to it; common practice, no source."""
_TIE_M: Final = 1e-3
_TRIES: Final = 200
"""Places of equal distance that are looked at for a shorter round."""
_NAMES: Final[dict[int, StandKind]] = {HEADLAND: "headland", ALLEY: "alley"}
_NO: Final = {"no", "n", "false", "0"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Chosen:
    """Puddles by their place numbers, and which needy site takes from which."""

    place: NDArray[np.int64]
    serves: tuple[NDArray[np.int64], ...]
    """For each puddle its sites, as numbers in the list of sites."""
    bound: int
    status: Status


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Round:
    """The water truck's round with its legs."""

    found: WaterRound
    legs: tuple[LineString, ...]
    leg_m: tuple[float, ...]
    drive_s: float
    starts_at: Literal["yard", "entry"]
    fills_at: str


def plan_puddles(
    orchard: Orchard,
    places: PuddlePlaces,
    site_xy: NDArray[np.float64],
    site_mud_m: NDArray[np.float64],
    *,
    mud: MudParams,
    travel: TravelParams,
    place: PlaceParams,
    solve_all: SolveAll,
    units: Units,
) -> PuddlePlan:
    """The fewest of `places` within `mud.limit_m` of every site (s, 2) that has no clean mud so near; ties to clayey ground,
    where a soil layer says, then to the least sum of distances, then to the shorter round.

    The number is proven where `status` is `optimal`, else `bound` tells how few it could be. Sites that no place reaches
    are listed with the distance missing.
    """
    needy = np.flatnonzero(site_mud_m > mud.limit_m)
    near_m = np.full(len(needy), np.inf)
    if len(places.xy) and len(needy):
        near_m = np.asarray(cKDTree(places.xy).query(site_xy[needy])[0], float)
    out = near_m > mud.limit_m + 1e-9
    unserved = tuple(
        (int(k), float(min(near, site_mud_m[k]) - mud.limit_m))
        for k, near in zip(needy[out], near_m[out], strict=True)
    )
    chosen = _choose(places, site_xy, needy[~out], mud.limit_m, place, solve_all)
    poor = is_poor_in_clay(orchard, places.xy, mud.clay_share_min)
    chosen = _onto_clay(places, poor, chosen, site_xy, mud.limit_m)
    truck = _drive(orchard, places, chosen.place, mud=mud, travel=travel, place=place)
    nearer = _ties(orchard, places, poor, chosen, truck, site_xy, mud=mud, travel=travel, place=place)
    if nearer is not None:
        chosen, truck = nearer
    return _plan(orchard, places, chosen, truck, site_xy, unserved, mud=mud, units=units)


def _choose(
    places: PuddlePlaces,
    site_xy: NDArray[np.float64],
    needy: NDArray[np.int64],
    limit_m: float,
    place: PlaceParams,
    solve_all: SolveAll,
) -> _Chosen:
    """The fewest places within the limit of the needy sites, solved apart where no place reaches two parts."""
    jobs, parts = [], []
    for sites, near in _parts(places.xy, site_xy[needy], limit_m):
        problem = PlacementProblem.from_points(
            places.xy[near], site_xy[needy[sites]], 1, objective="fewest", within_m=limit_m
        )
        jobs.append(SolveJob(name=_("puddles"), problem=problem, effort=place.effort, seed=place.seed))
        parts.append(near)
    solved = solve_all(jobs) if jobs else []
    if not solved:
        return _Chosen(place=np.empty(0, np.int64), serves=(), bound=0, status="optimal")
    chosen = np.sort(np.concatenate([near[s.sites] for near, s in zip(parts, solved, strict=True)]))
    states = {s.levels[0].status for s in solved}
    worst: Status = next((s for s in ("stopped", "bound_unknown", "feasible") if s in states), "optimal")
    return _served(
        places, chosen, site_xy, needy, sum(int(np.ceil((s.levels[0].bound or 1) - 1e-9)) for s in solved), worst
    )


def _served(
    places: PuddlePlaces,
    chosen: NDArray[np.int64],
    site_xy: NDArray[np.float64],
    needy: NDArray[np.int64],
    bound: int,
    status: Status,
) -> _Chosen:
    of = cKDTree(places.xy[chosen]).query(site_xy[needy])[1]
    used = np.unique(of)
    return _Chosen(place=chosen[used], serves=tuple(needy[of == k] for k in used), bound=bound, status=status)


def _onto_clay(
    places: PuddlePlaces, poor: NDArray[np.bool_], chosen: _Chosen, site_xy: NDArray[np.float64], limit_m: float
) -> _Chosen:
    """The same number of puddles, those on ground poor in clay moved to the nearest clayey place that serves their sites."""
    if not poor[chosen.place].any():
        return chosen
    tree, place_of = cKDTree(places.xy), chosen.place.copy()
    for k in np.flatnonzero(poor[place_of]):
        sites = site_xy[chosen.serves[k]]
        near = np.setdiff1d(np.array(tree.query_ball_point(sites[0], limit_m + 1e-9), np.int64), place_of)
        near = near[~poor[near]]
        gap = cdist(places.xy[near], sites)
        fits = gap.max(axis=1, initial=0.0) <= limit_m + 1e-9
        if fits.any():
            place_of[k] = near[fits][gap[fits].sum(axis=1).argmin()]
    needy = np.sort(np.concatenate(chosen.serves))
    return _served(places, np.sort(place_of), site_xy, needy, chosen.bound, chosen.status)


def _parts(
    place_xy: NDArray[np.float64], needy_xy: NDArray[np.float64], limit_m: float
) -> list[tuple[NDArray[np.int64], NDArray[np.int64]]]:
    """Groups of sites and the places near them such that no place is near sites of two groups."""
    if not len(needy_xy):
        return []
    pairs = cKDTree(place_xy).sparse_distance_matrix(cKDTree(needy_xy), limit_m + 1e-9, output_type="ndarray")
    n, m = len(place_xy), len(needy_xy)
    graph = coo_matrix((np.ones(len(pairs)), (pairs["i"], n + pairs["j"])), shape=(n + m, n + m))
    label = connected_components(graph, directed=False)[1]
    near = np.unique(pairs["i"]).astype(np.int64)
    sites = np.argsort(label[n:], kind="stable")
    groups = np.split(sites, np.flatnonzero(np.diff(label[n:][sites])) + 1)
    order = near[np.argsort(label[near], kind="stable")]
    starts, ends = (np.searchsorted(label[order], [label[n + g[0]] for g in groups], side=s) for s in ("left", "right"))
    return [(g, np.sort(order[a:b])) for g, a, b in zip(groups, starts, ends, strict=True)]


def _drive(
    orchard: Orchard,
    places: PuddlePlaces,
    chosen: NDArray[np.int64],
    *,
    mud: MudParams,
    travel: TravelParams,
    place: PlaceParams,
) -> _Round:
    """The round over the stands of the chosen places on the network, from the yard and back.

    Where no way joins two parts of the ground, each has a round of its own, one after the other.
    """
    taps = _taps(orchard)
    net, stops, off = with_stops(places.ways, np.vstack([places.stand_xy[chosen], taps]), mode=TRUCK)
    stands, tap_nodes = stops[: len(chosen)], np.unique(stops[len(chosen) :][off[len(chosen) :] <= TAP_REACH_M])
    part = connected_components(graph_of(net, TRUCK), connection="strong")[1]
    rounds = []
    for one in dict.fromkeys(part[stands].tolist()):
        mine = np.flatnonzero(part[stands] == one)
        found = _drive_part(net, stands[mine], tap_nodes[part[tap_nodes] == one], mud=mud, travel=travel, place=place)
        order = tuple(int(mine[k]) for k in found.found.order)
        rounds.append(replace(found, found=replace(found.found, order=order)))
    if len(rounds) == 1:
        return rounds[0]
    parts = [r.found for r in rounds]
    return _Round(
        found=WaterRound(
            order=tuple(k for f in parts for k in f.order), fill_before=tuple(k for f in parts for k in f.fill_before),
            metres=sum(f.metres for f in parts), bound_m=sum(f.bound_m for f in parts),
        ),
        legs=tuple(leg for r in rounds for leg in r.legs), leg_m=tuple(m for r in rounds for m in r.leg_m),
        drive_s=sum(r.drive_s for r in rounds), starts_at="entry" if rounds else "yard",
        fills_at="entry" if any(r.fills_at == "entry" for r in rounds) else rounds[0].fills_at if rounds else "yard",
    )  # fmt: skip


def _drive_part(
    net: TravelNetwork,
    stands: NDArray[np.int64],
    tap_nodes: NDArray[np.int64],
    *,
    mud: MudParams,
    travel: TravelParams,
    place: PlaceParams,
) -> _Round:
    """The round over stands that are joined to each other; the order is by their numbers in the list."""
    n = len(stands)
    yard, starts_at = _yard(net, stands)
    nodes = np.concatenate([[yard], stands, tap_nodes])
    table = travel_table(net, nodes, mode=TRUCK)
    fills_at = "water points" if len(tap_nodes) else starts_at
    tap = n + 1 + np.arange(len(tap_nodes)) if len(tap_nodes) else np.array([0])
    by_tap = table[:, tap][:, None, :] + table[tap].T[None, :, :]
    which, best = by_tap.argmin(axis=2), by_tap.min(axis=2)
    inner = slice(1, n + 1)
    found = solve_round(
        WaterProblem(
            between=table[inner, inner], out=best[0, inner], home=table[inner, 0], refill=best[inner, inner],
            litres=np.full(n, mud.litres), tank_l=mud.tank_l,
        ),
        effort=place.effort, seed=place.seed,
    )  # fmt: skip
    at, stages, stage_of = 0, [yard], []
    for k, fill in zip(found.order, found.fill_before, strict=True):
        if fill:
            stages.append(int(nodes[tap[which[at, k + 1]]]))
        stages.append(int(nodes[k + 1]))
        stage_of.append(len(stages) - 1)
        at = k + 1
    legs, metres, seconds = _legs(net, [*stages, yard], travel)
    ends = np.concatenate([[0.0], np.cumsum(metres)])[stage_of]
    return _Round(
        found=found, legs=legs, leg_m=tuple(float(v) for v in np.diff(np.concatenate([[0.0], ends]))),
        drive_s=float(sum(seconds)), starts_at=starts_at, fills_at=fills_at,
    )  # fmt: skip


def _legs(
    net: TravelNetwork, stages: Sequence[int], travel: TravelParams
) -> tuple[tuple[LineString, ...], list[float], list[float]]:
    """The way between each two stages, its metres and seconds."""
    legs, metres, seconds = [], [], []
    for a, b in itertools.pairwise(stages):
        if a == b:
            metres.append(0.0)
            seconds.append(0.0)
            continue
        way = shortest_paths(net, [a], mode=TRUCK, params=travel)
        legs.append(path_line(net, way.nodes_to(b)))
        metres.append(float(way.metres[b]))
        seconds.append(float(way.seconds[b]))
    return tuple(legs), metres, seconds


def _taps(orchard: Orchard) -> NDArray[np.float64]:
    """Water points (k, 2) that do not say that their water is not clean."""
    points = []
    for feature in orchard.features:
        said = {key.lower(): value.strip().lower() for key, value in feature.attributes.items()}
        if feature.role == Role.WATER_POINTS and said.get("clean", "") not in _NO:
            point = feature.geometry.centroid
            points.append((point.x, point.y))
    return np.array(points, float).reshape(-1, 2)


def _yard(net: TravelNetwork, stops: NDArray[np.int64]) -> tuple[int, Literal["yard", "entry"]]:
    """Where the round begins: the yard, else (or where no way leads from it) the place of entry from which the nearest puddle is nearest."""
    if net.yard_node >= 0 and np.isfinite(shortest_paths(net, [net.yard_node], mode=TRUCK).metres[stops]).any():
        return net.yard_node, "yard"
    way = shortest_paths(net, net.entry, mode=TRUCK)
    first = int(stops[np.argmin(way.metres[stops])])
    path = way.nodes_to(first)
    return int(path[0]) if len(path) else first, "entry"


def _ties(
    orchard: Orchard,
    places: PuddlePlaces,
    poor: NDArray[np.bool_],
    chosen: _Chosen,
    truck: _Round,
    site_xy: NDArray[np.float64],
    *,
    mud: MudParams,
    travel: TravelParams,
    place: PlaceParams,
) -> tuple[_Chosen, _Round] | None:
    """Puddles moved to places just as near to their sites from which the round is shorter; None where there are none."""
    others = [(k, p) for k, p in _as_near(places, chosen, site_xy, mud.limit_m) if poor[p] <= poor[chosen.place[k]]]
    if not others:
        return None
    order = list(dict.fromkeys(truck.found.order))
    number = np.concatenate([chosen.place, [p for _k, p in others]])
    net, stops, _off = with_stops(places.ways, places.stand_xy[number], mode=TRUCK)
    table = travel_table(net, np.concatenate([stops, [_yard(net, stops[: len(order)])[0]]]), mode=TRUCK)
    at = np.arange(len(chosen.place))
    for j, (k, _place) in enumerate(others, start=len(order)):
        here = order.index(k)
        before, after = (at[order[i]] if 0 <= i < len(order) else len(number) for i in (here - 1, here + 1))
        if table[before, j] + table[j, after] < table[before, at[k]] + table[at[k], after] - _TIE_M:
            at[k] = j
    if (at == np.arange(len(at))).all():
        return None
    needy = np.sort(np.concatenate(chosen.serves))
    moved = _served(places, np.sort(number[at]), site_xy, needy, chosen.bound, chosen.status)
    found = _drive(orchard, places, moved.place, mud=mud, travel=travel, place=place)
    return (moved, found) if found.found.metres < truck.found.metres - _TIE_M else None


def _as_near(
    places: PuddlePlaces, chosen: _Chosen, site_xy: NDArray[np.float64], limit_m: float
) -> list[tuple[int, int]]:
    """(puddle, other place) where the sites of the puddle would have it just as near."""
    tree, found = cKDTree(places.xy), []
    for k, sites in enumerate(chosen.serves):
        here = places.xy[chosen.place[k]]
        away = np.hypot(*(site_xy[sites] - here).T)
        reach_m = 2 * (float(away.sum()) / len(sites)) + _TIE_M  # farther off, the mean distance can only be greater
        near = np.setdiff1d(np.array(tree.query_ball_point(here, reach_m), np.int64), chosen.place)
        gap = cdist(places.xy[near], site_xy[sites])
        same = (gap.sum(axis=1) <= away.sum() + _TIE_M) & (gap.max(axis=1, initial=0.0) <= limit_m + 1e-9)
        found += [(k, int(p)) for p in near[same]]
    return found[:_TRIES]


def _plan(
    orchard: Orchard,
    places: PuddlePlaces,
    chosen: _Chosen,
    truck: _Round,
    site_xy: NDArray[np.float64],
    unserved: tuple[tuple[int, float], ...],
    *,
    mud: MudParams,
    units: Units,
) -> PuddlePlan:
    """The puddles with names in the order of the round."""
    found = truck.found
    order = list(dict.fromkeys(found.order))
    place = chosen.place[order]
    lonlat = orchard.plane.to_lonlat(places.xy[place]) if len(place) else np.empty((0, 2))
    words = Addresses(orchard, units)
    puddles = []
    for k, (p, c) in enumerate(zip(place.tolist(), order, strict=True)):
        visits = [v for v, of in enumerate(found.order) if of == c]
        xy, stand = places.xy[p], places.stand_xy[p]
        away = np.hypot(*(site_xy[chosen.serves[c]] - xy).T)
        puddles.append(
            Puddle(
                name=f"P{k + 1}", x_m=float(xy[0]), y_m=float(xy[1]), lon=float(lonlat[k, 0]), lat=float(lonlat[k, 1]),
                block_id=orchard.blocks[words.nearest_block(xy)].block_id, stand=_NAMES.get(int(places.kind[p]), "road"),
                address=words.of(xy, stand, int(places.kind[p])), sites=tuple(int(s) for s in chosen.serves[c]),
                farthest_m=float(away.max()), litres=mud.litres, stand_x_m=float(stand[0]), stand_y_m=float(stand[1]),
                leg_m=float(sum(truck.leg_m[v] for v in visits)), is_filled_before=any(found.fill_before[v] for v in visits),
                clay_share=soil_clay_share(orchard, shapely.Point(xy)),
            )
        )  # fmt: skip
    litres = mud.litres * len(puddles)
    stop_s = mud.stop_s * len(found.order) + 60 * litres * (1 / mud.pour_l_min + 1 / mud.fill_l_min)
    return PuddlePlan(
        puddles=tuple(puddles), bound=min(chosen.bound, len(puddles)), status=chosen.status, unserved=unserved,
        rewet_days=mud.rewet_days, tour=MultiLineString([leg for leg in truck.legs if not leg.is_empty]),
        tour_m=found.metres, tour_s=truck.drive_s + stop_s, fills=sum(found.fill_before), tour_bound_m=found.bound_m,
        starts_at=truck.starts_at, fills_at=truck.fills_at,
    )  # fmt: skip
