"""From chosen stations to sites: which trees each serves, in which order they are hung, and what each gets."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from mudcap.orchard.model import Block, Orchard
from mudcap.place.candidates import Candidates
from mudcap.place.demand import Demand
from mudcap.place.layout import BlockTask, chosen_stations
from mudcap.place.problem import Placement
from mudcap.place.rows import drive_rows
from mudcap.plan.identity import identify, serial_of
from mudcap.plan.model import Earlier, Site
from mudcap.supply.params import StockingParams
from mudcap.supply.stocking import BlockStock, stock_block

SAME_M: Final = 1e-6
"""A tree goes across the border only where the neighbour's site is nearer by more than this."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Assignment:
    """The sites of all blocks, and who serves each tree."""

    sites: tuple[Site, ...]
    station: NDArray[np.int64]
    """(s,) candidate number of each site."""
    first: NDArray[np.int64]
    """(b + 1,) position in sites of each block's first one."""
    assigned: NDArray[np.int64]
    """(m,) index into sites for each demand point; -1 where no block near it has a site."""
    distance_m: NDArray[np.float64]
    """(m,) distance from each demand point to the site that serves it; inf where none does."""
    stock: dict[int, BlockStock]
    """By block index, for blocks that have sites."""
    last_serial: dict[str, int]


def hanging_order(row: NDArray[np.int64], tree: NDArray[np.int64]) -> NDArray[np.int64]:
    """Order (n,) in which a crew meets the sites: drive row by drive row, up one and down the next."""
    drive = drive_rows(row)
    passes = np.unique(drive, return_inverse=True)[1]
    along = np.where(passes % 2 == 0, tree, -tree)
    return np.asarray(np.lexsort((row, along, drive)), np.int64)


def assign_sites(
    orchard: Orchard,
    candidates: Candidates,
    demand: Demand,
    tasks: Sequence[BlockTask],
    placements: Sequence[Placement | None],
    *,
    near: Sequence[tuple[int, ...]],
    earlier: Earlier,
    names: Mapping[int, str],
    pinned: NDArray[np.int64],
    stocking: StockingParams,
) -> Assignment:
    """Make the sites of every block that was placed, in orchard order and hanging order.

    `near` names for each block those whose sites may serve its trees across the border (none where it has no site itself), ``names`` the earlier site of each station
    that has one.
    """
    hung = [_hung(task, placement, candidates) for task, placement in zip(tasks, placements, strict=True)]
    first = np.concatenate([[0], np.cumsum([len(h) for h in hung])])
    assigned, distance_m = _serve(tasks, placements, hung, first, near, candidates, demand)
    served = assigned >= 0
    trees = np.bincount(assigned[served], weights=demand.weight[served], minlength=int(first[-1])).astype(
        float
    )
    farthest = np.zeros(int(first[-1]), float)
    wanting = served & (demand.weight > 0)
    np.maximum.at(farthest, assigned[wanting], distance_m[wanting])
    sites: list[Site] = []
    stock: dict[int, BlockStock] = {}
    last_serial = dict(earlier.last_serial)
    for task, station in zip(tasks, hung, strict=True):
        if not len(station):
            continue
        block, own = orchard.blocks[task.block], slice(first[task.block], first[task.block + 1])
        bees = stock_block(crop=block.crop, acres=block.acres, site_trees=trees[own], params=stocking)
        used = max([last_serial.get(block.code, 0), *(serial_of(s.site_id, block.code) for s in earlier.sites)])
        made = identify(code=block.code, names=[names.get(k, "") for k in station.tolist()], used=used)
        sites += _sites(
            block, orchard, candidates, station, made.site_ids, trees[own], farthest[own], bees, pinned
        )
        stock[task.block] = bees
        last_serial[block.code] = made.last_serial
    return Assignment(
        sites=tuple(sites),
        station=np.concatenate(hung) if hung else np.empty(0, np.int64),
        first=first,
        assigned=assigned,
        distance_m=distance_m,
        stock=stock,
        last_serial=last_serial,
    )


def _hung(task: BlockTask, placement: Placement | None, candidates: Candidates) -> NDArray[np.int64]:
    """Candidate numbers of a block's sites in hanging order."""
    if placement is None:
        return np.empty(0, np.int64)
    station = chosen_stations(task, placement)
    return station[hanging_order(candidates.row[station], candidates.tree[station])]


def _serve(
    tasks: Sequence[BlockTask],
    placements: Sequence[Placement | None],
    hung: Sequence[NDArray[np.int64]],
    first: NDArray[np.int64],
    near: Sequence[tuple[int, ...]],
    candidates: Candidates,
    demand: Demand,
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Who serves each tree (m,) and from how far (m,): its own block's site, or a neighbour's where that is nearer."""
    assigned = np.full(len(demand.xy), -1, np.int64)
    distance_m = np.full(len(demand.xy), np.inf)
    for task, placement in zip(tasks, placements, strict=True):
        if placement is not None:
            number = np.full(len(candidates.xy), -1, np.int64)
            number[hung[task.block]] = np.arange(first[task.block], first[task.block + 1])
            at_home = placement.assigned >= 0
            trees = task.tree[at_home]
            assigned[trees] = number[task.station[placement.assigned[at_home]]]
            distance_m[trees] = np.hypot(
                *(demand.xy[trees] - candidates.xy[task.station[placement.assigned[at_home]]]).T
            )
        others = [j for j in near[task.block] if len(hung[j])]
        if placement is None or not others or not len(task.tree):  # bees do not fly to a far neighbour because their block has no shelter
            continue
        stations = np.concatenate([hung[j] for j in others])
        numbers = np.concatenate([np.arange(first[j], first[j + 1]) for j in others])
        across, which = cKDTree(candidates.xy[stations]).query(demand.xy[task.tree])
        nearer = across < distance_m[task.tree] - SAME_M
        assigned[task.tree[nearer]] = numbers[which[nearer]]
        distance_m[task.tree[nearer]] = across[nearer]
    return assigned, distance_m


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
