"""What is said of each block of a plan: its figures, its status, and what a grower should read before hanging."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from mudcap.geo.units import M2_PER_ACRE, length_text
from mudcap.lang import _
from mudcap.orchard.model import Block, Exclusion, Finding, Orchard
from mudcap.place.candidates import Candidates
from mudcap.place.clash import acres_of_trees, quota_clash, reach_clash
from mudcap.place.count import CountChoice, missed_limits
from mudcap.place.coverage import Coverage, coverage_of
from mudcap.place.demand import Demand
from mudcap.place.layout import BlockTask, chosen_stations
from mudcap.place.problem import Placement
from mudcap.place.rows import drive_rows
from mudcap.plan.assign import Assignment
from mudcap.plan.model import BlockPlan, BlockStatus, Earlier, Params
from mudcap.supply.stocking import preset_for

FAR_RATIO = 1.5
"""Trees farther from every free station than this many yardsticks are told of; a convention of ours."""


def block_plans(
    orchard: Orchard,
    candidates: Candidates,
    demand: Demand,
    tasks: Sequence[BlockTask],
    placements: Sequence[Placement | None],
    made: Assignment,
    params: Params,
    counts: Sequence[CountChoice] = (),
) -> tuple[BlockPlan, ...]:
    """One summary a block, in orchard order; then those that the input's checks refused."""
    missed = {c.block for c in counts if not c.reached}
    planned = [
        _block_plan(orchard.blocks[t.block], t, p, candidates, demand, made, params, t.block in missed)
        for t, p in zip(tasks, placements, strict=True)
    ]
    refused = [
        BlockPlan(block_id=r.name, status="refused", reason=r.reason, acres=0.0, trees=0, quota=0, sites=0, coverage=None)
        for r in orchard.refused
    ]
    return tuple(planned + refused)


def _block_plan(
    block: Block,
    task: BlockTask,
    placement: Placement | None,
    candidates: Candidates,
    demand: Demand,
    made: Assignment,
    params: Params,
    missed: bool,
) -> BlockPlan:
    own = np.flatnonzero(candidates.block == task.block)
    status, reason = _status(task, placement, missed)
    excluded = excluded_by_rule(candidates.reasons[own])
    if placement is None:
        return BlockPlan(
            block_id=block.block_id, status=status, reason=reason, acres=block.acres, trees=len(task.tree), quota=task.quota,
            sites=0, coverage=None, excluded=excluded, stations=len(own),
        )  # fmt: skip
    station = chosen_stations(task, placement)
    stock = made.stock[task.block]
    driven = np.unique(drive_rows(candidates.row[station]))
    return BlockPlan(
        block_id=block.block_id,
        status=status,
        reason=reason,
        acres=block.acres,
        trees=len(task.tree),
        quota=task.quota,
        sites=len(station),
        coverage=_coverage(block, task, candidates, demand, made),
        levels=placement.levels,
        excluded=excluded,
        stations=len(own),
        driven_rows=len(driven),
        driven_m=driven_length_m(block, driven),
        females=stock.females,
        males=stock.males,
        cavities=stock.cavities,
        beyond_mud=int((candidates.mud_m[station] > params.mud.limit_m).sum()),
    )


def _coverage(
    block: Block, task: BlockTask, candidates: Candidates, demand: Demand, made: Assignment
) -> Coverage:
    """Distances of the block's trees, whoever serves them, and the trees that its own sites serve, wherever they stand."""
    own = slice(made.first[task.block], made.first[task.block + 1])
    need, away = demand.weight[task.tree], made.distance_m[task.tree]
    wants = need > 0 if need.any() else np.ones(len(need), bool)
    need = need if need.any() else np.ones(len(need))
    load = np.array([s.trees for s in made.sites[own]])
    sites = candidates.xy[made.station[own]]
    return coverage_of(away[wants], need[wants], load, sites, block.acres * M2_PER_ACRE, block.polygon.length)


def excluded_by_rule(reasons: NDArray[np.int64]) -> Mapping[str, int]:
    """Stations that each rule speaks against, by the rule's name in lower case; a station may count under several."""
    counts = {f.name.lower(): int((reasons & f).astype(bool).sum()) for f in Exclusion if f.name}
    return {name: n for name, n in counts.items() if n}


def plan_findings(
    orchard: Orchard,
    candidates: Candidates,
    demand: Demand,
    tasks: Sequence[BlockTask],
    placements: Sequence[Placement | None],
    made: Assignment,
    params: Params,
    counts: Sequence[CountChoice] = (),
) -> tuple[Finding, ...]:
    """What the plan itself has to say: clashes, pins against a rule, crowded shelters, mud to be made, stocking words."""
    said: list[Finding] = []
    for task in tasks:
        block = orchard.blocks[task.block]
        own = np.flatnonzero(candidates.block == task.block)
        said += _clashes(block, task, own, candidates.reasons[own], candidates, demand, params)
        if placements[task.block] is not None and placements[task.block].levels[0].status == "stopped":  # type: ignore[union-attr]
            said.append(
                _said(block, "fallback", _("Block {block}: the solver did not finish, so the sites stand on a plain hexagonal grid. Run again before hanging.").format(block=block.block_id))
            )  # fmt: skip
    said += _stocking(orchard, made, params)
    served = {t.block: made.distance_m[t.tree] for t in tasks}
    said += missed_limits(counts, orchard, served, params.place, params.units)
    said += _pins(orchard, candidates, made, params)
    said += _mud(orchard, candidates, made, params)
    return tuple(said)


def _status(task: BlockTask, placement: Placement | None, missed: bool) -> tuple[BlockStatus, str]:
    if not len(task.tree):
        return "no_site", _("No tree row fits in this block.")
    if placement is None:
        return "no_site", _("No station of this block is free of every rule.")
    if placement.levels[0].status == "stopped":
        return "fallback", _("The solver did not finish; a plain hexagonal grid stands in.")
    if len(placement.sites) < task.quota:
        return "relaxed", _("Only {sites} of {quota} sites fit.").format(
            sites=len(placement.sites), quota=task.quota
        )
    if len(task.relaxed):
        return "relaxed", _(
            "{n} sites stand beyond the walk or mud limit, since nothing nearer is free."
        ).format(n=len(task.relaxed))
    if missed:
        return "relaxed", _("The wanted farthest distance is missed; the best layout found stands.")
    return "planned", ""


def driven_length_m(block: Block, driven: NDArray[np.int64]) -> float:
    """Length [m] of the drive rows with the given numbers (the number of the tree row on their low side)."""
    wanted = set(driven.tolist())
    return float(sum(a.line.length for a in block.alleys if a.left_row in wanted))


def _clashes(
    block: Block,
    task: BlockTask,
    own: NDArray[np.int64],
    bars: NDArray[np.int64],
    candidates: Candidates,
    demand: Demand,
    params: Params,
) -> list[Finding]:
    if not len(task.tree) or block.rows is None:
        return []
    limits = {"access": params.access, "mud": params.mud, "units": params.units}
    short = quota_clash(block, own, bars, candidates, quota=task.quota, **limits)  # type: ignore[arg-type]
    if not len(task.station):
        return [short] if short else []
    area = block.acres * M2_PER_ACRE
    far_m = FAR_RATIO * float(np.sqrt(2 * area / (3 * np.sqrt(3) * task.quota)))
    nearest, _index = cKDTree(candidates.xy[task.station]).query(demand.xy[task.tree])
    per_acre = 1 / acres_of_trees(1, block.rows.row_spacing_m, block.rows.tree_spacing_m)
    far = reach_clash(
        block, demand.xy[task.tree], nearest, own, bars, candidates, limit_m=far_m, trees_per_acre=per_acre, **limits  # type: ignore[arg-type]
    )  # fmt: skip
    return [f for f in (short, far) if f]


def _stocking(orchard: Orchard, made: Assignment, params: Params) -> list[Finding]:
    said, limit = [], params.stocking.cavities_warn
    most = {i: max(stock.site_cavities) for i, stock in made.stock.items()}
    crowded = [i for i, cavities in most.items() if cavities > limit]
    if crowded:
        worst = max(crowded, key=lambda i: most[i])
        text = _(
            "In {n} of {all} blocks a site gets more than {limit} cavities, at most {most} (block {block}); boxes with more "
            "than 100 holes are less attractive (NC State Extension). Hang two boxes there, or ask for more sites an acre."
        ).format(
            n=len(crowded), all=len(most), limit=limit, most=most[worst], block=orchard.blocks[worst].block_id
        )
        said.append(Finding(level="warning", code="crowded_shelter", layer="", feature="", text=text))
    for i, stock in made.stock.items():
        block = orchard.blocks[i]
        if (
            not preset_for(block.crop, params.stocking).established
            and params.stocking.females_per_acre is None
        ):
            text = _(
                "Block {block}: no release rate is commonly established for {crop}; {females} females stand in at the "
                "starting value. Set stocking.females_per_acre to your own."
            )
            said.append(
                _said(
                    block,
                    "rate_not_established",
                    text.format(block=block.block_id, crop=block.crop, females=stock.females),
                )
            )
    return said


def _pins(orchard: Orchard, candidates: Candidates, made: Assignment, params: Params) -> list[Finding]:
    said = []
    for site, station in zip(made.sites, made.station, strict=True):
        bars = int(candidates.reasons[station])
        if bars:
            block = next(b for b in orchard.blocks if b.block_id == site.block_id)
            names = ", ".join(str(f.name).lower().replace("_", " ") for f in Exclusion if f and f & bars)
            text = _("Site {site} ({address}) is pinned where a rule speaks against it: {rules}.")
            said.append(
                _said(
                    block,
                    "pin_against_rule",
                    text.format(site=site.site_id, address=site.address, rules=names),
                )
            )
    return said


def _mud(orchard: Orchard, candidates: Candidates, made: Assignment, params: Params) -> list[Finding]:
    beyond = candidates.mud_m[made.station] > params.mud.limit_m
    if not beyond.any():
        return []
    blocks = [orchard.blocks[i].block_id for i in np.unique(candidates.block[made.station[beyond]])]
    text = _(
        "{n} of {all} sites have no clean mud within {limit} (a convention; no threshold is published). Wet clay spots near "
        "them: blocks {blocks}."
    ).format(
        n=int(beyond.sum()),
        all=len(beyond),
        limit=length_text(params.mud.limit_m, params.units),
        blocks=", ".join(blocks),
    )
    return [Finding(level="warning", code="beyond_mud", layer="", feature="", text=text)]


def kept_finding(earlier: Earlier, made: Assignment) -> Finding:
    """How many sites of the earlier plan stay, and how many are given up."""
    now = {s.site_id for s in made.sites}
    kept = sum(s.site_id in now for s in earlier.sites)
    text = _("Of {before} sites of the kept plan {kept} stay, {gone} are given up and {new} are new.").format(
        before=len(earlier.sites), kept=kept, gone=len(earlier.sites) - kept, new=len(made.sites) - kept
    )
    return Finding(level="note", code="kept_sites", layer="", feature="", text=text)


def _said(block: Block, code: str, text: str) -> Finding:
    return Finding(level="warning", code=code, layer=block.layer, feature=block.block_id, text=text)
