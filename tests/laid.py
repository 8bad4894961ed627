"""Orchards brought as far as placement: stations, trees and one task a block, without a whole plan."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from shapely import Polygon, box

from mudcap.orchard.model import Block, Orchard
from mudcap.orchard.network import travel_network
from mudcap.orchard.params import RowParams, TravelParams
from mudcap.orchard.rows import lay_rows
from mudcap.place.candidates import Candidates, lay_candidates
from mudcap.place.demand import Demand, lay_demand
from mudcap.place.layout import BlockTask, block_tasks
from mudcap.place.params import AccessParams, MudParams, PlaceParams
from orchards import block, orchard

QUICK = PlaceParams(effort="quick")
NONE = np.empty(0, np.int64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Laid:
    """An orchard with its rows, stations and trees."""

    orchard: Orchard
    candidates: Candidates
    demand: Demand

    def with_stations(self, **arrays: Any) -> Laid:
        """The same ground with other facts about its stations."""
        return replace(self, candidates=replace(self.candidates, **arrays))


def lay(
    ground: Orchard,
    *,
    access: AccessParams | None = None,
    mud: MudParams | None = None,
    rows: RowParams | None = None,
    travel: TravelParams | None = None,
) -> Laid:
    """The orchard with rows, stations and trees."""
    rows, travel = rows or RowParams(), travel or TravelParams()
    laid = lay_rows(ground, rows)[0]
    candidates = lay_candidates(
        laid, travel_network(laid, travel), access or AccessParams(), mud or MudParams(), rows, travel
    )
    return Laid(orchard=laid, candidates=candidates, demand=lay_demand(laid))


def tasks_of(laid: Laid, place: PlaceParams = QUICK, **given: Any) -> tuple[BlockTask, ...]:
    """One task a block; nothing pinned, added or kept unless `given`."""
    said: dict[str, Any] = {"pinned": NONE, "added": {}, "previous": NONE, **given}
    return block_tasks(laid.orchard, laid.candidates, laid.demand, place=place, **said)


def small_block(block_id: str, left: float, bottom: float, *, rows: int = 8, trees: int = 10, **said: Any) -> Block:
    """Rows 6 m apart of trees 5 m apart, without headlands."""
    shape: Polygon = box(left, bottom, left + 6.0 * rows, bottom + 5.0 * trees)
    return block(block_id, shape, row_spacing_m=6.0, tree_spacing_m=5.0, headland_m=0.0, **said)


def neighbours(
    gap_m: float = 4.0, crops: tuple[str, ...] = ("almond", "almond", "almond"), *, rows: int = 8, trees: int = 10
) -> Orchard:
    """Blocks side by side in a line, west to east, with a strip between each two."""
    names = ("West", "Mid", "East")[: len(crops)]
    return orchard(
        *(
            small_block(n, k * (6.0 * rows + gap_m), 0.0, rows=rows, trees=trees, crop=c)
            for k, (n, c) in enumerate(zip(names, crops, strict=True))
        )
    )
