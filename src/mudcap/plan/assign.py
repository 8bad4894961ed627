"""From chosen stations to sites: which trees each serves, in which order they are hung, and what each gets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mudcap.orchard.model import Block, Orchard
from mudcap.place.candidates import Candidates
from mudcap.place.demand import Demand
from mudcap.place.layout import BlockTask, chosen_stations
from mudcap.place.problem import Placement
from mudcap.place.rows import drive_rows
from mudcap.plan.identity import identify
from mudcap.plan.model import Earlier, Site
from mudcap.supply.params import StockingParams
from mudcap.supply.stocking import BlockStock, stock_block


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Assignment:
    """The sites of all blocks, and who serves each tree."""

    sites: tuple[Site, ...]
    station: NDArray[np.int64]
    """(s,) candidate number of each site."""
    assigned: NDArray[np.int64]
    """(m,) index into sites for each demand point; -1 in blocks without a site."""
    stock: dict[int, BlockStock]
    """By block index, for blocks that have sites."""
    last_serial: dict[str, int]


def hanging_order(row: NDArray[np.int64], tree: NDArray[np.int64]) -> NDArray[np.int64]:
    """Order (n,) in which a crew meets the sites: drive row by drive row, up one and down the next."""
    drive = drive_rows(row)
    passes = np.unique(drive, return_inverse=True)[1]
    along = np.where(passes % 2 == 0, tree, -tree)
    return np.lexsort((row, along, drive))


def assign_sites(
    orchard: Orchard,
    candidates: Candidates,
    demand: Demand,
    tasks: Sequence[BlockTask],
    placements: Sequence[Placement | None],
    *,
    earlier: Earlier,
    moved_ids: dict[int, str],
    pinned: NDArray[np.int64],
    stocking: StockingParams,
) -> Assignment:
    """Make the sites of every block that was placed, in orchard order and hanging order."""
    sites: list[Site] = []
    stations: list[NDArray[np.int64]] = []
    assigned = np.full(len(demand.xy), -1, np.int64)
    stock: dict[int, BlockStock] = {}
    last_serial = dict(earlier.last_serial)
    for task, placement in zip(tasks, placements, strict=True):
        if placement is None:
            continue
        block = orchard.blocks[task.block]
        station = chosen_stations(task, placement)
        station = station[hanging_order(candidates.row[station], candidates.tree[station])]
        place_of = {int(s): k for k, s in enumerate(station)}
        own = np.array([place_of[int(task.station[a])] for a in placement.assigned], np.int64)
        assigned[task.tree] = own + len(sites)
        trees = np.bincount(own, weights=demand.weight[task.tree], minlength=len(station))
        farthest = np.zeros(len(station))
        np.maximum.at(farthest, own, placement.distance_m)
        stock[task.block] = stock_block(crop=block.crop, acres=block.acres, site_trees=trees, params=stocking)
        ids, last = _ids(block, orchard, candidates, station, earlier, moved_ids)
        last_serial[block.code] = max(last, last_serial.get(block.code, 0))
        sites += _sites(block, orchard, candidates, station, ids, trees, farthest, stock[task.block], pinned)
        stations.append(station)
    return Assignment(
        sites=tuple(sites),
        station=np.concatenate(stations) if stations else np.empty(0, np.int64),
        assigned=assigned,
        stock=stock,
        last_serial=last_serial,
    )


def _ids(
    block: Block,
    orchard: Orchard,
    candidates: Candidates,
    station: NDArray[np.int64],
    earlier: Earlier,
    moved_ids: dict[int, str],
) -> tuple[list[str], int]:
    before = [s for s in earlier.sites if s.block_id == block.block_id]
    # a moved site is the same site at its new place
    new_place = {site_id: candidates.xy[s] for s, site_id in moved_ids.items()}
    xy = [new_place.get(s.site_id, orchard.plane.to_plane([(s.lon, s.lat)])[0]) for s in before]
    identities = identify(
        code=block.code,
        site_xy=candidates.xy[station],
        earlier_ids=[s.site_id for s in before],
        earlier_xy=np.array(xy).reshape(-1, 2),
        last_serial=earlier.last_serial.get(block.code, 0),
    )
    return list(identities.site_ids), identities.last_serial


def _sites(
    block: Block,
    orchard: Orchard,
    candidates: Candidates,
    station: NDArray[np.int64],
    ids: Sequence[str],
    trees: NDArray[np.float64],
    farthest: NDArray[np.float64],
    stock: BlockStock,
    pinned: NDArray[np.int64],
) -> list[Site]:
    lonlat = orchard.plane.to_lonlat(candidates.xy[station])
    is_pinned = np.isin(station, pinned)
    return [
        Site(
            site_id=ids[k],
            block_id=block.block_id,
            number=k + 1,
            row=int(candidates.row[s]),
            tree=int(candidates.tree[s]),
            x_m=float(candidates.xy[s, 0]),
            y_m=float(candidates.xy[s, 1]),
            lon=float(lonlat[k, 0]),
            lat=float(lonlat[k, 1]),
            trees=float(trees[k]),
            farthest_m=float(farthest[k]),
            females=stock.site_females[k],
            males=stock.site_males[k],
            cavities=stock.site_cavities[k],
            walk_m=float(candidates.walk_m[s]),
            mud_m=float(candidates.mud_m[s]),
            pinned=bool(is_pinned[k]),
            flags=int(candidates.reasons[s]),
        )
        for k, s in enumerate(station)
    ]
