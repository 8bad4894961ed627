"""Plans with sites put where a test wants them, for rounds: rows, ways and stations are real, no solver runs."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from shapely import Point, box

from mudcap.orchard.model import Block, Feature, Orchard, Role
from mudcap.orchard.network import travel_network
from mudcap.orchard.rows import lay_rows
from mudcap.place.candidates import lay_candidates
from mudcap.place.demand import lay_demand
from mudcap.plan.model import Params, Plan, Site
from orchards import block, orchard, road

ROW_M, TREE_M, HEAD_M = 6.0, 5.0, 6.0


def plan_at(ground: Orchard, stops: Iterable[tuple[str, int, int]], params: Params | None = None) -> Plan:
    """A plan of `ground` with a site at each (block, row, tree)."""
    params = params or Params(ranch="Round ranch")
    laid = lay_rows(ground, params.rows)[0]
    network = travel_network(laid, params.travel)
    stations = lay_candidates(laid, network, params.access, params.mud, params.rows, params.travel)
    names = [b.block_id for b in laid.blocks]
    at = {
        (names[b], r, t): k
        for k, (b, r, t) in enumerate(
            zip(stations.block.tolist(), stations.row.tolist(), stations.tree.tolist(), strict=True)
        )
    }
    wanted = sorted(stops, key=lambda s: names.index(s[0]))
    sites, number = [], dict.fromkeys(names, 0)
    for name, row, tree in wanted:
        xy = stations.xy[at[name, row, tree]]
        lon, lat = laid.plane.to_lonlat([xy])[0]
        number[name] += 1
        code = laid.blocks[names.index(name)].code
        sites.append(Site(
            site_id=f"{code}{number[name]:04d}", block_id=name, number=number[name], row=row, tree=tree,
            x_m=float(xy[0]), y_m=float(xy[1]), lon=float(lon), lat=float(lat), trees=10.0, farthest_m=20.0, females=40,
            males=60, cavities=80, walk_m=10.0, mud_m=20.0,
        ))  # fmt: skip
    demand = lay_demand(laid)
    return Plan(
        orchard=laid, params=params, edits=(), network=network, candidates=stations, demand=demand,
        assigned=np.full(len(demand.xy), -1), sites=tuple(sites), blocks=(), findings=(), last_serial=number,
        number="0badcafe",
    )  # fmt: skip


def one_block(bearing_deg: float = 0.0) -> Orchard:
    """Six rows of eleven trees, row 1 in the west, tree 1 in the south; a road and the yard south of it."""
    return orchard(
        block("Home", box(0, 0, 6 * ROW_M, 2 * HEAD_M + 10 * TREE_M), row_bearing_deg=bearing_deg, row_spacing_m=ROW_M,
              tree_spacing_m=TREE_M, headland_m=HEAD_M),
        roads=(road((-30, -3), (60, -3)),), yard=Point(-29, -3.5),
    )  # fmt: skip


def six_rows(name: str, left: float) -> Block:
    """A block of six rows of eleven trees, from x = `left` and y = 0 on."""
    return block(name, box(left, 0, left + 6 * ROW_M, 2 * HEAD_M + 10 * TREE_M), row_spacing_m=ROW_M,
                 tree_spacing_m=TREE_M, headland_m=HEAD_M)  # fmt: skip


def chained_blocks() -> Orchard:
    """Three blocks of six rows joined by their headlands, with a road and the yard at the first alone."""
    return orchard(
        six_rows("West", 0), six_rows("Mid", 38), six_rows("East", 76), roads=(road((-30, -3), (10, -3)),), yard=Point(-29, -3.5)
    )


def three_blocks() -> Orchard:
    """Three blocks of six rows along one road, the yard at its west end."""
    return orchard(
        six_rows("West", 0), six_rows("Mid", 50), six_rows("East", 100), roads=(road((-30, -3), (160, -3)),), yard=Point(-29, -3.5),
        gates=(Feature(role=Role.GATES, name="gate", geometry=Point(-20, -3)),),
    )  # fmt: skip


def every_third(name: str, rows: int = 6, trees: int = 10) -> list[tuple[str, int, int]]:
    """Sites at every third tree of every row, shifted from row to row."""
    return [(name, r, t) for r in range(1, rows + 1) for t in range(1 + r % 3, trees + 1, 3)]
