"""Synthetic plans for the picture tests: rectangles of rows, sites on a coarse grid, every kind of feature."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from shapely import LineString, Point, Polygon, box
from shapely.affinity import rotate

from mudcap.geo.plane import LocalPlane
from mudcap.geo.units import Units, acres
from mudcap.orchard.model import (
    Alley,
    Block,
    Closure,
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
from mudcap.plan.model import BlockPlan, BlockStatus, Params, Plan, Site

ROW_M, TREE_M, HEADLAND_M = 22 * 0.3048, 18 * 0.3048, 25 * 0.3048
HOSTILE = (
    "<img src=x onerror=\"window.hit=1\">",
    "{{ 7*7 }}",
    "${1}",
    "</script><script>window.hit=2</script>",
    "`+(window.hit=3)+`",
    "@@data@@",
    "\u2028 {% raw",
    "北の畑 قطعة 🐝",
)


def sample_plan(
    blocks: int = 2,
    sites: int = 24,
    *,
    rows: int = 16,
    trees: int = 24,
    names: Sequence[str] = (),
    turn_deg: float = 0.0,
    status: BlockStatus = "planned",
    units: Units = "us",
    plan_date: date | None = date(2027, 2, 8),
    features: bool = True,
    centre: tuple[float, float] = (-120.62, 37.41),
) -> Plan:
    """Return a plan of `blocks` rectangles of `rows` × `trees`, each with about `sites` sites, side by side."""
    plane = LocalPlane.around([centre])
    names = [names[i] if i < len(names) else f"North {i + 1}" for i in range(blocks)]
    width, length = rows * ROW_M, trees * TREE_M + 2 * HEADLAND_M
    made = [
        _block(plane, name, i, (i * (width + 14.0), 0.0), rows, trees, turn_deg) for i, name in enumerate(names)
    ]
    orchard = _orchard(plane, made, names, blocks * (width + 14.0), length, features)
    candidates = _candidates(orchard)
    placed = [s for i in range(blocks) for s in _sites(orchard, candidates, i, sites)]
    demand = _demand(orchard)
    xy = np.array([(s.x_m, s.y_m) for s in placed])
    distance = np.hypot(*(demand.xy[:, None, :] - xy[None, :, :]).transpose(2, 0, 1)) if len(demand.xy) * len(xy) < 4e7 else None
    assigned = np.argmin(distance, axis=1) if distance is not None else np.full(len(demand.xy), -1)
    return Plan(
        orchard=orchard,
        params=Params(ranch=orchard.name, plan_date=plan_date, units=units),
        edits=(),
        network=_network(),
        candidates=candidates,
        demand=demand,
        assigned=assigned.astype(np.int64),
        sites=tuple(placed),
        blocks=tuple(_block_plan(b, placed, status) for b in made),
        findings=(
            Finding(level="note", code="test", layer="blocks.zip", feature=names[0], text="A note of the test."),
        ),
        last_serial={b.code: sites for b in made},
        number="a1b2c3d4",
    )


def with_status(plan: Plan, status: BlockStatus, reason: str) -> Plan:
    """Return the plan with its first block in another status."""
    first = replace(plan.blocks[0], status=status, reason=reason)
    return replace(plan, blocks=(first, *plan.blocks[1:]))


def _block(
    plane: LocalPlane, name: str, i: int, origin: tuple[float, float], rows: int, trees: int, turn_deg: float
) -> Block:
    x0, y0 = origin
    width, length = rows * ROW_M, trees * TREE_M + 2 * HEADLAND_M
    polygon = box(x0, y0, x0 + width, y0 + length)
    pivot = (x0 + width / 2, y0 + length / 2)
    row_x = x0 + (np.arange(rows) + 0.5) * ROW_M
    tree_y = y0 + HEADLAND_M + (np.arange(trees) + 0.5) * TREE_M
    xy = np.column_stack([np.repeat(row_x, trees), np.tile(tree_y, rows)])
    lines = [LineString([(x, tree_y[0]), (x, tree_y[-1])]) for x in row_x]
    alley_x = x0 + np.arange(1, rows) * ROW_M
    alleys = [LineString([(x, y0 + HEADLAND_M / 2), (x, y0 + length - HEADLAND_M / 2)]) for x in alley_x]
    ends = [LineString([(x0, y), (x0 + width, y)]) for y in (y0 + HEADLAND_M / 2, y0 + length - HEADLAND_M / 2)]
    turn = [rotate(g, -turn_deg, origin=pivot) for g in (polygon, *lines, *alleys, *ends)]
    angle = math.radians(turn_deg)
    matrix = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    tree_rows = TreeRows(
        source="spacing", corner="SW", bearing_deg=turn_deg % 360, row_spacing_m=ROW_M, tree_spacing_m=TREE_M,
        row_number=np.arange(1, rows + 1), row_line=tuple(turn[1 : 1 + rows]),
        tree_xy=(xy - pivot) @ matrix + pivot, tree_row=np.repeat(np.arange(1, rows + 1), trees),
        tree_number=np.tile(np.arange(1, trees + 1), rows), weight=np.ones(rows * trees),
    )  # fmt: skip
    return Block(
        block_id=name, code=f"N{i + 1}", layer="blocks.zip", polygon=turn[0], acres=acres(polygon.area),
        cultivar="", row_bearing_deg=turn_deg, row_spacing_m=ROW_M, tree_spacing_m=TREE_M, headland_m=HEADLAND_M,
        corner="SW", rows=tree_rows, headlands=tuple(turn[1 + rows + len(alleys) :]),
        alleys=tuple(
            Alley(block_id=name, left_row=k + 1, right_row=k + 2, line=turn[1 + rows + k], width_m=ROW_M,
                  is_spray_lane=k % 8 == 3)
            for k in range(len(alleys))
        ),
    )  # fmt: skip


def _orchard(
    plane: LocalPlane, made: list[Block], names: list[str], width: float, length: float, features: bool
) -> Orchard:
    if not features:
        return Orchard(name="Test ranch", plane=plane, blocks=tuple(made))
    wild = names[0] if names[0] in HOSTILE else ""
    road = Road(name=wild or "Mill lane", line=LineString([(-20, -12), (width + 20, -12)]), width_m=5.0)
    hive = Point(30, length + 22)
    return Orchard(
        name=wild or "Test ranch",
        plane=plane,
        blocks=tuple(made),
        roads=(road,),
        spray_lanes=(
            SprayLane(name=wild or "Lane 1", line=LineString([(-4, length * 0.55), (width, length * 0.55)]), swept_m=4.0),
        ),
        mud_sources=(
            MudSource(name=wild or "Ditch bank", geometry=box(60, -34, 84, -22), texture="clay"),
            MudSource(name=wild or "Sump", geometry=Point(12, -26), is_clean=False, note=wild or "Drains the loading pad"),
        ),
        keep_outs=(
            KeepOut(name=wild or "Pump house", geometry=box(20, 30, 30, 38), setback_m=3.0, reason=wild or "pump house"),
            KeepOut(name=wild or "Hive stand", geometry=hive, setback_m=30.0, reason="hives", rule=Exclusion.HIVES),
        ),
        closures=(
            Closure(name=wild or "Wet corner", geometry=box(width - 60, 20, width - 40, 40), first=date(2027, 2, 10),
                    last=date(2027, 2, 14), reason="irrigation"),
        ),
        gates=(Feature(role=Role.GATES, name=wild or "East gate", geometry=Point(width + 10, -12)),),
        yard=Point(-16, -20),
        features=(
            Feature(role=Role.HIVES, name=wild or "Hive stand", geometry=hive),
            Feature(role=Role.FORAGE, name=wild or "Mustard", geometry=box(90, length + 6, 150, length + 14)),
            Feature(role=Role.HAZARDS, name=wild or "Power line",
                    geometry=LineString([(-18, -30), (-18, length + 20)])),
            Feature(role=Role.WATER_POINTS, name=wild or "Trough", geometry=Point(44, -20),
                    attributes={"note": wild or "tap"}),
            Feature(role=Role.CHEMICAL_STORE, name=wild or "Store", geometry=Point(-30, -28)),
        ),
    )  # fmt: skip


def _candidates(orchard: Orchard) -> Candidates:
    xy, block, row, tree = _trees(orchard)
    reasons = np.zeros(len(xy), np.int64)
    for keep in orchard.keep_outs:
        x, y = keep.geometry.centroid.x, keep.geometry.centroid.y
        near = np.hypot(xy[:, 0] - x, xy[:, 1] - y) < keep.setback_m + 7
        reasons[near] |= int(Exclusion.HIVES if keep.reason == "hives" else Exclusion.KEEP_OUT)
    for lane in orchard.spray_lanes:
        reasons[np.abs(xy[:, 1] - lane.line.coords[0][1]) < lane.swept_m / 2 + 1.5] |= int(Exclusion.SPRAY_LANE)
    walk = np.full(len(xy), 18.0)
    mud = np.hypot(xy[:, 0] - 72, xy[:, 1] + 28)
    return Candidates(
        xy=xy, block=block, row=row, tree=tree, walk_m=walk, mud_m=mud, lane_m=np.full(len(xy), np.inf), reasons=reasons
    )


def _trees(orchard: Orchard) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    parts = [b.rows for b in orchard.blocks if b.rows is not None]
    return (
        np.vstack([p.tree_xy for p in parts]),
        np.repeat(np.arange(len(parts)), [len(p.tree_xy) for p in parts]),
        np.concatenate([p.tree_row for p in parts]),
        np.concatenate([p.tree_number for p in parts]),
    )


def _demand(orchard: Orchard) -> Demand:
    xy, block, row, tree = _trees(orchard)
    return Demand(xy=xy, weight=np.ones(len(xy)), block=block, row=row, tree=tree)


def _sites(orchard: Orchard, candidates: Candidates, i: int, count: int) -> list[Site]:
    block = orchard.blocks[i]
    free = np.flatnonzero((candidates.block == i) & (candidates.reasons == 0))
    pick = free[_spread(candidates.row[free], candidates.tree[free], count)]
    lonlat = orchard.plane.to_lonlat(candidates.xy[pick])
    each = len(np.flatnonzero(candidates.block == i)) / count
    return [
        Site(
            site_id=f"{block.code}{k + 1:04d}", block_id=block.block_id, number=k + 1, row=int(candidates.row[c]),
            tree=int(candidates.tree[c]), x_m=float(candidates.xy[c, 0]), y_m=float(candidates.xy[c, 1]),
            lon=float(lonlat[k, 0]), lat=float(lonlat[k, 1]), trees=round(each, 1), farthest_m=13.7, females=44,
            males=66, cavities=88, walk_m=float(candidates.walk_m[c]), mud_m=float(candidates.mud_m[c]),
            pinned=k == 2, flags=int(Exclusion.TOO_FAR_TO_WALK) if k == 4 else 0,
        )
        for k, c in enumerate(pick)
    ]  # fmt: skip


def _spread(row: NDArray[np.int64], tree: NDArray[np.int64], count: int) -> NDArray[np.int64]:
    """Positions of about evenly spaced stations, up one row and down the next."""
    across = max(1, round(math.sqrt(count * row.max() * ROW_M / (tree.max() * TREE_M))))
    along = math.ceil(count / across)
    points = np.column_stack([row * ROW_M, tree * TREE_M])
    near = cKDTree(points)
    chosen: dict[int, None] = {}
    for a in range(across):
        for b in range(along):
            want_row = 1 + (a + 0.5) * row.max() / across
            want_tree = 1 + ((b if a % 2 == 0 else along - 1 - b) + 0.5) * tree.max() / along
            _far, order = near.query((want_row * ROW_M, want_tree * TREE_M), k=min(len(points), 30))
            free = next((int(c) for c in np.atleast_1d(order) if int(c) not in chosen), None)
            if free is not None:
                chosen[free] = None
    return np.array(list(chosen)[:count])


@lru_cache(maxsize=1)
def section_plan() -> Plan:
    """A square mile with 6,000 sites."""
    return sample_plan(1, 6000, rows=240, trees=293)


def _network() -> TravelNetwork:
    return TravelNetwork(
        node_xy=np.zeros((0, 2)), indptr=np.zeros(1, np.int64), target=np.zeros(0, np.int64), length_m=np.zeros(0),
        mode=np.zeros(0, np.uint8), kind=np.zeros(0, np.uint8), yard_node=-1,
    )  # fmt: skip


def _block_plan(block: Block, sites: list[Site], status: BlockStatus) -> BlockPlan:
    count = sum(s.block_id == block.block_id for s in sites)
    area = Polygon(block.polygon.exterior).area
    yardstick = math.sqrt(2 * area / (3 * math.sqrt(3) * count))
    coverage = Coverage(
        mean_m=7.0, p95_m=12.0, farthest_m=13.7, trees_min=10, trees_mean=16, trees_max=19, trees_cv=0.08,
        clark_evans=1.7, yardstick_m=yardstick, ratio=13.7 / yardstick,
    )  # fmt: skip
    return BlockPlan(
        block_id=block.block_id, status=status, reason="" if status == "planned" else "The walk limit was widened to 80 m.",
        acres=block.acres, trees=384, quota=count, sites=count, coverage=coverage, driven_rows=9, driven_m=900.0,
        females=44 * count, males=66 * count, cavities=88 * count, stations=384,
    )  # fmt: skip
