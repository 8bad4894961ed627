"""What more or fewer sites an acre, or fewer driven rows, would change: a trade-off a block."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from mudcap.orchard.model import Block
from mudcap.place.layout import BlockTask, block_tasks, solve_jobs, spread
from mudcap.place.problem import Placement, PlacementProblem, SolveAll
from mudcap.place.rows import drive_rows
from mudcap.plan.edits import apply_edits
from mudcap.plan.model import Earlier, Plan
from mudcap.plan.summary import driven_length_m
from mudcap.supply.stocking import stock_block

DENSITIES: Final = (8.0, 8.5, 9.0, 9.5, 10.0)
"""Sites an acre: the range of common practice, no source."""
ROW_ECONOMIES: Final = (0.0, 0.01, 0.03, 0.06, 0.10)
CHECK_S: Final = 45.0
"""Seconds to look at one shelter, by eye (30–60 s); common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TradeOff:
    """One choice for one block and what comes of it."""

    block_id: str
    per_acre: float
    row_economy: float
    sites: int
    farthest_m: float
    mean_m: float
    trees_cv: float
    cavities_mean: float
    cavities_max: int
    driven_rows: int
    driven_m: float
    round_h: float
    """Hours of one check of all sites: looking, and driving the driven rows once; the way between rows is not counted."""


def trade_offs(
    plan: Plan,
    *,
    densities: Sequence[float] = DENSITIES,
    row_economies: Sequence[float] = (),
    solve_all: SolveAll,
) -> tuple[TradeOff, ...]:
    """For each block one line a density at the plan's row economy, then one a row economy at the plan's density.

    Each is solved anew on the plan's own stations and trees, every block alone, pins, bans and added sites held. A choice
    that is asked for twice is solved once.
    """
    place, params = plan.params.place, plan.params
    choices = [(d, place.row_economy) for d in densities] + [(place.per_acre, r) for r in row_economies]
    pinned = np.array([i for i, s in enumerate(_pinned(plan)) if s], np.int64)
    added = apply_edits(
        plan.edits, candidates=plan.candidates, orchard=plan.orchard, earlier=Earlier(), units=params.units
    ).added
    rows: list[TradeOff] = []
    for per_acre, row_economy in dict.fromkeys(choices):
        varied = replace(place, per_acre=per_acre, row_economy=row_economy)
        tasks = block_tasks(
            plan.orchard, plan.candidates, plan.demand, place=varied, pinned=pinned, added=added,
            previous=np.empty(0, np.int64), access=params.access, mud=params.mud,
        )  # fmt: skip
        placements = spread(tasks, solve_all(solve_jobs(tasks, plan.orchard, varied)))
        for task, placement in zip(tasks, placements, strict=True):
            if placement is not None and task.problem is not None:
                block = plan.orchard.blocks[task.block]
                rows.append(_trade_off(block, task, task.problem, placement, plan, per_acre, row_economy))
    order = {b.block_id: k for k, b in enumerate(plan.orchard.blocks)}
    return tuple(sorted(rows, key=lambda r: order[r.block_id]))


def _pinned(plan: Plan) -> list[bool]:
    at = {(s.block_id, s.row, s.tree) for s in plan.sites if s.pinned}
    names = [b.block_id for b in plan.orchard.blocks]
    c = plan.candidates
    return [
        (names[b], r, t) in at
        for b, r, t in zip(c.block.tolist(), c.row.tolist(), c.tree.tolist(), strict=True)
    ]


def _trade_off(
    block: Block,
    task: BlockTask,
    problem: PlacementProblem,
    placement: Placement,
    plan: Plan,
    per_acre: float,
    row_economy: float,
) -> TradeOff:
    site = {int(s): k for k, s in enumerate(placement.sites)}
    own = np.array([site[int(a)] for a in placement.assigned], np.int64)
    trees = np.bincount(own, weights=problem.weights, minlength=len(site))
    stock = stock_block(crop=block.crop, acres=block.acres, site_trees=trees, params=plan.params.stocking)
    driven = np.unique(drive_rows(plan.candidates.row[task.station[placement.sites]]))
    driven_m = driven_length_m(block, driven)
    weight = problem.weights if problem.weights.any() else np.ones(len(problem.weights))
    farthest_m = float(placement.distance_m[weight > 0].max())
    return TradeOff(
        block_id=block.block_id,
        per_acre=per_acre,
        row_economy=row_economy,
        sites=len(site),
        farthest_m=farthest_m,
        mean_m=float(np.average(placement.distance_m, weights=weight)),
        trees_cv=float(trees.std() / trees.mean()) if trees.mean() else 0.0,
        cavities_mean=stock.cavities / len(site),
        cavities_max=max(stock.site_cavities),
        driven_rows=len(driven),
        driven_m=driven_m,
        round_h=(len(site) * CHECK_S + driven_m / plan.params.travel.cart_alley_m_s) / 3600,
    )
