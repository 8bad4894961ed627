"""What a spray contractor must know of one block: rows with shelters, trees to pass with nozzles off, closures, zones."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby
from typing import Final

import numpy as np
from shapely import LineString
from shapely.geometry.base import BaseGeometry

from mudcap.orchard.model import Block, Exclusion, TreeRows
from mudcap.plan.model import Plan, Site

TREES_BESIDE: Final = 1
"""Trees before and after a shelter that are passed with the nozzles off as well; common practice, no source. The label,
local rules or the licensed applicator may ask for more."""
NEAR_M: Final = 100.0
"""Zones this near a block's edge stand on its sheet; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RowOff:
    """One row with shelters, and the tree numbers along which nozzles that face it are off."""

    row: int
    shelters: tuple[int, ...]
    """Trees that carry one."""
    spans: tuple[tuple[int, int], ...]
    """(first, last) tree number, ascending, apart from each other."""
    alleys: tuple[tuple[int, int], ...]
    """Rows on both sides of each alley from which this row is reached, each once."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Zone:
    """Ground that bars shelters or spray, its setback and its distance from the block (0 = inside or touching)."""

    rule: Exclusion
    name: str
    reason: str
    setback_m: float
    away_m: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Closing:
    """A closure that touches the block."""

    name: str
    first: date | None
    last: date | None
    reason: str


def rows_off(block: Block, sites: Sequence[Site]) -> tuple[RowOff, ...]:
    """The rows of a block that carry shelters, in order; () without sites."""
    if not sites:
        return ()
    out = []
    for row, own in groupby(sorted(sites, key=lambda s: (s.row, s.tree)), key=lambda s: s.row):
        trees = tuple(dict.fromkeys(s.tree for s in own))
        known = _tree_numbers(block.rows, row)
        # an alley with a gap in it comes in pieces
        alleys = tuple(dict.fromkeys((a.left_row, a.right_row) for a in block.alleys if row in (a.left_row, a.right_row)))
        out.append(RowOff(row=row, shelters=trees, spans=spans(trees, known), alleys=alleys))
    return tuple(out)


def spans(trees: Sequence[int], known: Sequence[int] = ()) -> tuple[tuple[int, int], ...]:
    """Tree numbers from one before each shelter to one after it, runs that touch joined, kept to the trees there are.

    >>> spans((2, 5, 12), range(1, 13))
    ((1, 6), (11, 12))
    """
    low, high = (min(known), max(known)) if len(known) else (1, max(trees, default=0) + TREES_BESIDE)
    out: list[tuple[int, int]] = []
    for tree in sorted(trees):
        first, last = max(low, tree - TREES_BESIDE), min(high, tree + TREES_BESIDE)
        if out and first <= out[-1][1] + 1:
            out[-1] = (out[-1][0], max(last, out[-1][1]))
        else:
            out.append((first, last))
    return tuple(out)


def span_lines(rows: TreeRows, off: RowOff) -> Iterator[LineString]:
    """The stretches of a row along which nozzles are off, half a tree spacing longer at both ends."""
    own = rows.tree_row == off.row
    numbers, xy = rows.tree_number[own], rows.tree_xy[own]
    for first, last in off.spans:
        points = xy[(numbers >= first) & (numbers <= last)]
        if len(points) >= 2:
            step = (points[-1] - points[0]) / np.hypot(*(points[-1] - points[0])) * rows.tree_spacing_m / 2
            yield LineString([points[0] - step, *points[1:-1], points[-1] + step])


def zones(plan: Plan, ground: BaseGeometry) -> tuple[Zone, ...]:
    """Keep-outs, hives, hazards and chemical stores in or near a block, the nearest first."""
    found = [
        Zone(rule=k.rule, name=k.name, reason=k.reason, setback_m=k.setback_m, away_m=float(k.geometry.distance(ground)))
        for k in plan.orchard.keep_outs
    ]
    return tuple(sorted((z for z in found if z.away_m <= max(NEAR_M, z.setback_m)), key=lambda z: (z.away_m, z.name)))


def closings(plan: Plan, ground: BaseGeometry) -> tuple[Closing, ...]:
    """Closures that touch a block, by their first day."""
    found = [
        Closing(name=c.name, first=c.first, last=c.last, reason=c.reason)
        for c in plan.orchard.closures
        if c.geometry.intersects(ground)
    ]
    return tuple(sorted(found, key=lambda c: (c.first or date.min, c.name)))


def _tree_numbers(rows: TreeRows | None, row: int) -> list[int]:
    return [] if rows is None else [int(n) for n in rows.tree_number[rows.tree_row == row]]
