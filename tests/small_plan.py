"""Small made-up plans for tests of what is drawn and written: no file is read, no solver runs."""

from __future__ import annotations

import dataclasses
from datetime import date

import numpy as np
from shapely import LineString, Point, Polygon

from mudcap.geo.plane import LocalPlane, geodesic_area_m2
from mudcap.geo.units import acres
from mudcap.orchard.model import (
    Alley,
    Block,
    Exclusion,
    Feature,
    Finding,
    KeepOut,
    MudSource,
    Orchard,
    Road,
    Role,
    SprayLane,
    TreeRows,
)
from mudcap.orchard.network import TravelNetwork
from mudcap.place.candidates import Candidates
from mudcap.place.coverage import Coverage
from mudcap.place.demand import Demand
from mudcap.place.problem import Level
from mudcap.plan.model import BlockPlan, Params, Plan, Site

ROW_M, TREE_M, HEADLAND_M = 22 * 0.3048, 18 * 0.3048, 25 * 0.3048
HOSTILE_NAMES = (
    '{{ cycler.__init__.__globals__.os.popen("touch hacked").read() }}', "{% raise %}", "${alert(1)}", "`${x}`",
    "</script><script>alert(1)</script>", "<img src=x onerror=alert(1)>", '=HYPERLINK("http://x","y")', "+1+1", "-2+3",
    "@SUM(A1)", "\t=1+1", "../../etc/passwd", "/tmp/x", "CON", "a|b*c_d`e", "Ñandú 東 40", "-o", "%s%n", "B'1\"; DROP",
)  # fmt: skip


def two_block_plan(*, names: tuple[str, str] = ("North 40", "Creek"), per_block: int = 18, params: Params | None = None) -> Plan:
    """Two blocks on both sides of 120° W, with a road, a lane, mud, a pond and a yard; deterministic, no solver."""
    plane = LocalPlane.around([(-120.003, 37.0), (-119.997, 37.002)])
    outlines = (Polygon([(-150, 0), (-10, 0), (-10, 160), (-150, 160)]), Polygon([(10, 0), (170, 0), (10, 180)]))
    blocks = tuple(
        _block(plane, name, code, outline)
        for name, code, outline in zip(names, ("N40", "CRK"), outlines, strict=True)
    )  # fmt: skip
    orchard = Orchard(
        name="Willow Bend (invented)", plane=plane, blocks=blocks,
        roads=(Road(name="Lane A", line=LineString([(0, -20), (0, 200)]), width_m=6.0, surface="dirt"),),
        spray_lanes=(SprayLane(name="tower", line=LineString([(-80, 0), (-80, 160)]), swept_m=3.0),),
        mud_sources=(
            MudSource(name="ditch", geometry=Point(5, 90), texture="clay loam"),
            MudSource(name="old sump", geometry=Point(-160, 20), is_clean=False, note="sprayer rinse water"),
        ),
        keep_outs=(KeepOut(name="pond", geometry=Point(40, 40).buffer(9), setback_m=3.0, reason="pond"),),
        gates=(Feature(role=Role.GATES, name="main gate", geometry=Point(0, -20)),),
        yard=Point(0, -18),
        features=(Feature(role=Role.FORAGE, name="clover", geometry=Polygon([(10, 182), (60, 182), (60, 188), (10, 188)])),),
    )  # fmt: skip
    candidates, demand = _stations(orchard)
    sites, assigned = _sites(orchard, candidates, demand, per_block)
    chosen = params or Params(ranch=orchard.name, plan_date=date(2027, 2, 1))
    findings = (
        Finding(level="warning", code="rows_assumed", layer="blocks.geojson", feature=names[1],
                text=f"Block {names[1]}: rows are assumed along the longest side. Give row_bearing_deg."),
        Finding(level="note", code="repaired", layer="blocks.geojson", feature=names[0],
                text=f"Block {names[0]}: a duplicate vertex was taken out.", acres_changed=0.0, geometry=Point(-150, 0)),
    )  # fmt: skip
    return Plan(
        orchard=orchard, params=chosen, edits=(), network=_network(orchard), candidates=candidates, demand=demand,
        assigned=assigned, sites=sites,
        blocks=tuple(_block_plan(orchard, k, candidates, demand, sites, assigned) for k in range(2)),
        findings=findings, last_serial={"N40": per_block, "CRK": per_block}, number="0badcafe",
    )  # fmt: skip


def relaxed(plan: Plan) -> Plan:
    """The same plan with its second block's limit widened."""
    block = dataclasses.replace(plan.blocks[1], status="relaxed", reason="The walk limit was widened from 60 to 75 m.")
    return dataclasses.replace(plan, blocks=(plan.blocks[0], block))


def with_fallback(plan: Plan) -> Plan:
    """The same plan as if the solver of its second block had died."""
    block = dataclasses.replace(plan.blocks[1], status="fallback", reason="The solver stopped: hexagonal layout.")
    return dataclasses.replace(plan, blocks=(plan.blocks[0], block), reproducible=False)


def _block(plane: LocalPlane, name: str, code: str, outline: Polygon) -> Block:
    rows = _rows(outline)
    alleys = tuple(
        Alley(block_id=name, left_row=int(r), right_row=int(r) + 1,
              line=LineString([(line.coords[0][0] + ROW_M / 2, line.coords[0][1]), (line.coords[0][0] + ROW_M / 2, line.coords[-1][1])]),
              width_m=ROW_M - 2.4, is_spray_lane=bool(r % 4 == 2))
        for r, line in zip(rows.row_number[:-1], rows.row_line[:-1], strict=True)
    )  # fmt: skip
    west, south, east, _ = outline.bounds
    return Block(
        block_id=name, code=code, layer="blocks.geojson", polygon=outline,
        acres=acres(geodesic_area_m2(plane.geometry_to_lonlat(outline))), cultivar="Nonpareil", row_bearing_deg=0.0,
        row_spacing_m=ROW_M, tree_spacing_m=TREE_M, headland_m=HEADLAND_M, corner="SW", rows=rows, alleys=alleys,
        headlands=(LineString([(west, south + HEADLAND_M / 2), (east, south + HEADLAND_M / 2)]),),
        attributes={"owner_note": "drip"},
    )  # fmt: skip


def _rows(outline: Polygon) -> TreeRows:
    west, south, east, north = outline.bounds
    inner = outline.buffer(-2.0)
    lines, xy, row, number = [], [], [], []
    for x in np.arange(west + ROW_M / 2, east, ROW_M):
        stems = [(x, y) for y in np.arange(south + HEADLAND_M, north - HEADLAND_M, TREE_M) if inner.contains(Point(x, y))]
        if len(stems) < 2:
            continue
        lines.append(LineString(stems))
        xy += stems
        row += [len(lines)] * len(stems)
        number += range(1, len(stems) + 1)
    return TreeRows(
        source="spacing", corner="SW", bearing_deg=0.0, row_spacing_m=ROW_M, tree_spacing_m=TREE_M,
        row_number=np.arange(1, len(lines) + 1), row_line=tuple(lines), tree_xy=np.array(xy), tree_row=np.array(row),
        tree_number=np.array(number), weight=np.ones(len(xy)),
    )  # fmt: skip


def _stations(orchard: Orchard) -> tuple[Candidates, Demand]:
    rows = [b.rows for b in orchard.blocks if b.rows is not None]
    xy = np.concatenate([r.tree_xy for r in rows])
    block = np.repeat(np.arange(len(rows)), [len(r.tree_xy) for r in rows])
    row, tree = np.concatenate([r.tree_row for r in rows]), np.concatenate([r.tree_number for r in rows])
    lane = np.abs(xy[:, 0] + 80) - 1.5
    pond = np.hypot(xy[:, 0] - 40, xy[:, 1] - 40)
    reasons = np.where(lane < 1.5, Exclusion.SPRAY_LANE, 0) | np.where(pond < 12, Exclusion.KEEP_OUT, 0)
    demand = Demand(xy=xy, weight=np.ones(len(xy)), block=block, row=row, tree=tree)
    return Candidates(
        xy=xy, block=block, row=row, tree=tree, walk_m=np.abs(xy[:, 0]), mud_m=np.hypot(xy[:, 0] - 5, xy[:, 1] - 90),
        lane_m=np.where(xy[:, 0] < 0, lane, np.inf), reasons=reasons,
    ), demand  # fmt: skip


def _sites(
    orchard: Orchard, candidates: Candidates, demand: Demand, per_block: int
) -> tuple[tuple[Site, ...], np.ndarray]:
    chosen = np.concatenate([_spread(candidates, k, per_block) for k in range(len(orchard.blocks))])
    gap = np.hypot(*(demand.xy[:, None, :] - candidates.xy[chosen][None, :, :]).transpose(2, 0, 1))
    assigned = gap.argmin(axis=1)
    lonlat = orchard.plane.to_lonlat(candidates.xy[chosen])
    sites, number = [], {}
    for i, station in enumerate(chosen):
        block = orchard.blocks[candidates.block[station]]
        number[block.block_id] = number.get(block.block_id, 0) + 1
        trees = int((assigned == i).sum())
        sites.append(Site(
            site_id=f"{block.code}{number[block.block_id]:04d}", block_id=block.block_id, number=number[block.block_id],
            row=int(candidates.row[station]), tree=int(candidates.tree[station]),
            x_m=float(candidates.xy[station, 0]), y_m=float(candidates.xy[station, 1]),
            lon=float(lonlat[i, 0]), lat=float(lonlat[i, 1]), trees=float(trees),
            farthest_m=float(gap[assigned == i, i].max(initial=0.0)), females=40 + i % 3, males=60, cavities=80 + 2 * (i % 3),
            walk_m=float(candidates.walk_m[station]), mud_m=float(candidates.mud_m[station]), pinned=i == 0,
        ))  # fmt: skip
    return tuple(sites), assigned


def _spread(candidates: Candidates, block: int, count: int) -> np.ndarray:
    free = np.flatnonzero((candidates.block == block) & (candidates.reasons == 0))
    return free[np.linspace(0, len(free) - 1, count).round().astype(int)]


def _network(orchard: Orchard) -> TravelNetwork:
    return TravelNetwork(
        node_xy=np.array([[0.0, -20.0], [0.0, 200.0]]), indptr=np.array([0, 1, 2]), target=np.array([1, 0]),
        length_m=np.array([220.0, 220.0]), mode=np.array([7, 7], np.uint8), kind=np.zeros(2, np.uint8), yard_node=0,
    )  # fmt: skip


def _block_plan(
    orchard: Orchard, k: int, candidates: Candidates, demand: Demand, sites: tuple[Site, ...], assigned: np.ndarray
) -> BlockPlan:
    block = orchard.blocks[k]
    own = [i for i, s in enumerate(sites) if s.block_id == block.block_id]
    mine = demand.block == k
    at = np.array([[s.x_m, s.y_m] for s in sites])
    distance = np.hypot(*(demand.xy[mine] - at[assigned[mine]]).T)
    load = np.bincount(assigned, minlength=len(sites))[own]
    yardstick = float(np.sqrt(2 * block.acres * 4046.8564224 / (3 * np.sqrt(3) * len(own))))
    return BlockPlan(
        block_id=block.block_id, status="planned", reason="", acres=block.acres, trees=int(mine.sum()), quota=len(own),
        sites=len(own),
        coverage=Coverage(
            mean_m=float(distance.mean()), p95_m=float(np.quantile(distance, 0.95)), farthest_m=float(distance.max()),
            trees_min=float(load.min()), trees_mean=float(load.mean()), trees_max=float(load.max()),
            trees_cv=float(load.std() / load.mean()), clark_evans=float("nan") if k else 1.4,
            yardstick_m=yardstick, ratio=float(distance.max()) / yardstick,
        ),
        levels=(Level(name="farthest", value=float(distance.max()), bound=None, status="bound_unknown"),),
        excluded={"spray_lane": 12, "keep_out": 0} if k == 0 else {"spray_lane": 0, "keep_out": 9},
        stations=int((candidates.block == k).sum()), driven_rows=6, driven_m=840.0,
        females=sum(sites[i].females for i in own), males=sum(sites[i].males for i in own),
        cavities=sum(sites[i].cavities for i in own), beyond_mud=sum(sites[i].mud_m > 50 for i in own),
    )  # fmt: skip
