"""What a plan claims, handed to the independent checker before anything is written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from mudcap.audit.check import check
from mudcap.audit.claim import (
    BlockClaim,
    Claim,
    CoverageClaim,
    GoodsClaim,
    LevelClaim,
    LoadClaim,
    MudClaim,
    PackageClaim,
    PuddleClaim,
    ReleaseClaim,
    SiteClaim,
    Stations,
    Trees,
    Wall,
    Zone,
)
from mudcap.orchard.barriers import impassable_ground
from mudcap.orchard.model import Exclusion, Orchard
from mudcap.orchard.mud import serving_mud
from mudcap.orchard.network import LINK, VEHICLE
from mudcap.place.borders import bordering
from mudcap.plan.model import BlockPlan, Earlier, Params, Plan
from mudcap.supply.stocking import release_rate

POINT_M: Final = 1e-6
"""Length of the stub that stands for a point among lines."""


def audit_plan(plan: Plan, *, earlier: Earlier, pinned: NDArray[np.int64]) -> Plan:
    """The plan with the checker's findings added; it has none of level `error` where the plan holds.

    `pinned` (k,) are the candidates that edits hold.
    """
    return replace(plan, findings=(*plan.findings, *check(claim_of(plan, earlier=earlier, pinned=pinned))))


def claim_of(plan: Plan, *, earlier: Earlier, pinned: NDArray[np.int64]) -> Claim:
    """All that the plan states, as plain data."""
    orchard, params, stations = plan.orchard, plan.params, plan.candidates
    near = bordering(orchard, params.place.border_m)
    banned = (stations.reasons & int(Exclusion.BANNED)) != 0
    existing = params.mud.mode == "existing"
    return Claim(
        plane=orchard.plane,
        blocks=tuple(_block(plan, i, near[i]) for i in range(len(orchard.blocks))),
        sites=tuple(SiteClaim(**{f.name: getattr(s, f.name) for f in fields(SiteClaim)}) for s in plan.sites),
        trees=Trees(
            xy=plan.demand.xy, weight=plan.demand.weight, block=plan.demand.block, assigned=plan.assigned
        ),
        stations=Stations(xy=stations.xy, block=stations.block, row=stations.row, tree=stations.tree),
        zones=_zones(orchard, params),
        block_edge_m=params.access.block_edge_m,
        walk_limit_m=params.access.walk_m,
        drivable=(_drivable(plan),),
        walls=walls_of(orchard),
        ways=_ways(plan),
        roads=roads_of(plan),
        mud=tuple(s.geometry for s in serving_mud(orchard, params.mud.clay_share_min)),
        mud_limit_m=params.mud.limit_m if existing else np.inf,
        brought=_brought(plan),
        release=tuple(
            ReleaseClaim(
                name=r.name, block_id=r.block_id, x_m=r.x_m, y_m=r.y_m, row=r.row, tree=r.tree, females=r.females,
                males=r.males, containers=r.containers, capacity=params.release.capacity,
                cocoons_a_bee=(1 + params.stocking.reserve) / params.stocking.expected_emergence,
            )
            for r in plan.release
        ),
        banned_xy=stations.xy[banned],
        pinned_xy=stations.xy[pinned],
        earlier_ids=frozenset(s.site_id for s in earlier.sites),
        earlier_serial=earlier.last_serial,
        last_serial=plan.last_serial,
        females=sum(b.females for b in plan.blocks),
        males=sum(b.males for b in plan.blocks),
        cavities=sum(b.cavities for b in plan.blocks),
        goods=_goods(plan),
    )


def _goods(plan: Plan) -> GoodsClaim | None:
    yard, options = plan.supply_plan, plan.params.supply
    if yard is None or options is None:
        return None
    return GoodsClaim(
        packages=tuple(
            PackageClaim(
                name=p.name, cavities=p.cavities, stock=p.stock, buyable=p.buyable, used_before=bool(p.from_block) or p.disease,
                cleaned=p.sanitised, disease=p.disease, from_block=p.from_block, out=use.used, bought=use.bought,
            )
            for p, use in zip(options.packages, yard.packages, strict=True)
        ),
        given=tuple(s.packages for s in plan.supply),
        cavities=tuple(s.cavities for s in plan.supply),
        short=tuple(s.short for s in plan.supply),
        shelters=tuple(s.shelters for s in plan.supply),
        loads=tuple(LoadClaim(number=x.number, sites=x.sites, shelters=x.shelters) for x in yard.loads),
        place_in_load=tuple((s.load, s.place_in_load) for s in plan.supply),
        load_shelters=options.load_shelters,
        needed_by=options.needed_by or plan.params.plan_date,
    )  # fmt: skip


def _brought(plan: Plan) -> MudClaim | None:
    made = plan.puddles
    if made is None:
        return None
    return MudClaim(
        limit_m=plan.params.mud.limit_m, bound=made.bound, unserved=made.unserved, tour_m=made.tour_m,
        tour_bound_m=made.tour_bound_m, leg_m=tuple(leg.length for leg in made.tour.geoms),
        puddles=tuple(
            PuddleClaim(name=p.name, x_m=p.x_m, y_m=p.y_m, sites=p.sites, farthest_m=p.farthest_m) for p in made.puddles
        ),
    )  # fmt: skip


def _drivable(plan: Plan) -> shapely.MultiLineString:
    """Every edge of the travel network that a truck or cart may use; where no road is drawn, also the row ends of blocks
    without headlands, since a vehicle must turn somewhere outside them."""
    net = plan.network
    way = (net.mode & VEHICLE) != 0
    source = np.repeat(np.arange(len(net.node_xy)), np.diff(net.indptr))
    edges = np.stack([net.node_xy[source[way]], net.node_xy[net.target[way]]], axis=1)
    if not net.roads_known:
        bare = [a for b in plan.orchard.blocks if not b.headlands for a in b.alleys]
        ends = np.array([a.line.coords[k] for a in bare for k in (0, -1)], float).reshape(-1, 1, 2)
        edges = np.concatenate([edges, np.concatenate([ends, ends + POINT_M], axis=1)])
    return shapely.MultiLineString(list(edges))


def walls_of(orchard: Orchard) -> tuple[Wall, ...]:
    """What nobody crosses, as the checker takes it."""
    return tuple(Wall(name=keep.name or keep.reason, geometry=shape) for keep, shape in impassable_ground(orchard))


def _ways(plan: Plan) -> NDArray[np.float64]:
    """Every edge of the travel network, and the water truck's way."""
    net = plan.network
    edges = np.hstack([net.node_xy[net.source], net.node_xy[net.target]])
    legs = () if plan.puddles is None else plan.puddles.tour.geoms
    return np.concatenate([edges, *(pieces(np.array(leg.coords)[:, :2]) for leg in legs)])


def pieces(xy: NDArray[np.float64]) -> NDArray[np.float64]:
    """The straight pieces (n − 1, 4) between points (n, 2) in a row."""
    return np.hstack([xy[:-1], xy[1:]])


def roads_of(plan: Plan) -> tuple[shapely.Geometry, ...]:
    """Drawn roads, and the links that join them to each other, to the yard and to gates."""
    net, orchard = plan.network, plan.orchard
    drawn = [road.line for road in orchard.roads]
    posts = [g.geometry.centroid for g in orchard.gates] + ([orchard.yard] if orchard.yard is not None else [])
    link = np.flatnonzero(net.kind == LINK)
    ends = np.unique(np.concatenate([net.source[link], net.target[link]]))
    on = np.zeros(len(net.node_xy), bool)
    if len(ends) and (drawn or posts):
        away = shapely.STRtree([*drawn, *posts]).query_nearest(
            shapely.points(net.node_xy[ends]), max_distance=0.05, all_matches=False
        )[0]
        on[ends[away]] = True
    stubs = link[on[net.source[link]] & on[net.target[link]]]
    lines = shapely.linestrings(np.stack([net.node_xy[net.source[stubs]], net.node_xy[net.target[stubs]]], axis=1))
    return (*drawn, *lines)


def _block(plan: Plan, index: int, near: Sequence[int]) -> BlockClaim:
    block, said = plan.orchard.blocks[index], plan.blocks[index]
    stocking = plan.params.stocking
    rate, ratio = release_rate(block.crop, stocking)
    return BlockClaim(
        block_id=block.block_id,
        code=block.code,
        polygon=block.polygon,
        acres=said.acres,
        quota=said.quota,
        sites=said.sites,
        trees=said.trees,
        may_differ=said.status not in ("planned",),
        served_by=tuple(plan.orchard.blocks[j].block_id for j in near) if said.sites else (),
        coverage=_coverage(said),
        levels=tuple(LevelClaim(name=v.name, value=v.value, bound=v.bound) for v in said.levels),
        females=said.females,
        males=said.males,
        cavities=said.cavities,
        females_per_acre=rate if said.sites else None,
        males_per_female=ratio if said.sites else None,
        cavities_per_female=stocking.cavities_per_female if said.sites else None,
    )


def _coverage(said: BlockPlan) -> CoverageClaim | None:
    if said.coverage is None:
        return None
    return CoverageClaim(**{f.name: getattr(said.coverage, f.name) for f in fields(CoverageClaim)})


def _zones(orchard: Orchard, params: Params) -> tuple[Zone, ...]:
    """Ground that is barred, as centre lines and shapes with the clear distance each wants."""
    access, rows = params.access, params.rows
    zones = [
        Zone(name=k.name, geometry=k.geometry, clear_m=k.setback_m, flag=k.rule) for k in orchard.keep_outs
    ]
    zones += [
        Zone(name=c.name, geometry=c.geometry, clear_m=0.0, flag=Exclusion.CLOSED)
        for c in orchard.closures
        if c.first is None and c.last is None
    ]
    zones += [
        Zone(
            name=lane.name,
            geometry=lane.line,
            clear_m=access.spray_clear_m,
            half_width_m=lane.swept_m / 2,
            flag=Exclusion.SPRAY_LANE,
        )
        for lane in orchard.spray_lanes
    ]
    if rows.sprayed_every > 1:
        for block in orchard.blocks:
            swept = [a for a in block.alleys if a.left_row > 0 and a.left_row % rows.sprayed_every == 0]
            for width in sorted({a.width_m for a in swept}):
                lines = shapely.union_all([a.line for a in swept if a.width_m == width])
                zones.append(
                    Zone(
                        name=block.block_id,
                        geometry=lines,
                        clear_m=access.spray_clear_m,
                        half_width_m=width / 2,
                        flag=Exclusion.SPRAY_LANE,
                    )
                )
    return tuple(zones)
