"""What is said of each block of a plan: its figures, its status, and what a grower should read before hanging."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cache

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from mudcap.geo.units import M2_PER_ACRE, Units, length_text
from mudcap.lang import _, _n, joined
from mudcap.orchard.model import Block, Exclusion, Finding, Orchard
from mudcap.orchard.names import crop_text, exclusion_text
from mudcap.place.borders import BorderSaving
from mudcap.place.candidates import Candidates
from mudcap.place.clash import acres_of_trees, quota_clash, reach_clash
from mudcap.place.count import CountChoice, is_missed, missed_limits
from mudcap.place.coverage import Coverage, coverage_of, yardstick_m
from mudcap.place.demand import Demand
from mudcap.place.layout import BlockTask, chosen_stations
from mudcap.place.problem import Placement
from mudcap.place.rows import drive_rows
from mudcap.plan.assign import Assignment
from mudcap.plan.model import BlockPlan, BlockStatus, Params
from mudcap.supply.stocking import crowded, preset_for

FAR_RATIO = 1.5
"""Trees farther from every free station than this many yardsticks are told of; a convention of ours."""
MOST_OF_BLOCK = 0.5
"""Share of a block's trees that some free station must be so near to, or its sites crowd in a part of it; a convention of ours."""

LOPSIDED = 3.0
"""A site with so many times its block's mean of cavities is filled by trees that no site is near; a convention of ours."""


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
    served = {t.block: _served_m(t, demand, made) for t in tasks}
    limit_m = params.place.farthest_m
    missed = {c.block for c in counts if limit_m is not None and is_missed(served[c.block], limit_m)}
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
    if status == "planned" and _is_crowd(block, task, candidates, demand):
        status, reason = "relaxed", _("Most of the block is out of reach of every free station, so its sites crowd in a part of it.")
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
    ways_in: Callable[[], Mapping[str, str]] = dict,
) -> tuple[Finding, ...]:
    """What the plan itself has to say: clashes, pins against a rule, crowded shelters, mud to be made, stocking words.

    `ways_in` is asked, where stations are lost for want of access, for what would let a vehicle in, by block id.
    """
    said: list[Finding] = []
    ways_in = cache(ways_in)
    bars = candidates.reasons.copy()
    bars[made.station[[s.pinned for s in made.sites]]] = 0
    for task, placement in zip(tasks, placements, strict=True):
        block = orchard.blocks[task.block]
        own = np.flatnonzero(candidates.block == task.block)
        said += _clashes(block, task, own, bars[own], candidates, demand, params, ways_in)
        said += _unfinished(block, placement)
    said += _stocking(orchard, made, params)
    served = {t.block: _served_m(t, demand, made) for t in tasks}
    added = {t.block: t.added for t in tasks}
    said += missed_limits(counts, orchard, served, params.place, params.units, added)
    said += _pins(orchard, candidates, made)
    said += _relaxed(orchard, tasks, placements, candidates, made)
    if params.mud.mode == "existing":
        said += _mud(orchard, candidates, made, params)
    return tuple(said)


def _status(task: BlockTask, placement: Placement | None, missed: bool) -> tuple[BlockStatus, str]:
    if not len(task.tree):
        return "no_site", _("No tree row fits in this block.")
    if placement is None:
        return "no_site", _("No station of this block is free of every rule.")
    if placement.fallback:
        return "fallback", _("The solver did not finish; a plain hexagonal grid stands in.")
    status, reason = _limits(task, placement, missed)
    if placement.stopped:
        reason = joined(" ", [text for text in (reason, _("The search was cut short; the best layout it had found stands.")) if text])
    return status, reason


def _limits(task: BlockTask, placement: Placement, missed: bool) -> tuple[BlockStatus, str]:
    """Which limit had to be widened, if any."""
    if len(placement.sites) < min(task.quota, len(task.station)):
        return "relaxed", _("{sites} of {quota} sites stand; the others were meant for ground out of reach, and would crowd the rest.").format(
            sites=len(placement.sites), quota=task.quota
        )
    if len(placement.sites) < task.quota:
        return "relaxed", _("Only {sites} of {quota} sites fit.").format(
            sites=len(placement.sites), quota=task.quota
        )
    if len(task.relaxed):
        return "relaxed", _n(
            "{n} site stands beyond the walk or mud limit, since nothing nearer is free.",
            "{n} sites stand beyond the walk or mud limit, since nothing nearer is free.",
            len(task.relaxed),
        ).format(n=len(task.relaxed))
    if missed:
        return "relaxed", _("The wanted farthest distance is missed; the best layout found stands.")
    return "planned", ""


def _served_m(task: BlockTask, demand: Demand, made: Assignment) -> NDArray[np.float64]:
    """Distance of each tree of a block that wants bees to the site that serves it; of all its trees where none does."""
    need = demand.weight[task.tree]
    return made.distance_m[task.tree[need > 0]] if need.any() else made.distance_m[task.tree]


def _unfinished(block: Block, placement: Placement | None) -> list[Finding]:
    """What to know of a layout whose search did not end by itself."""
    if placement is not None and placement.fallback:
        text = _("Block {block}: the solver did not finish, so the sites stand on a plain hexagonal grid. Run again before hanging.")
        return [_said(block, "fallback", text.format(block=block.block_id))]
    if placement is not None and placement.stopped:
        text = _("Block {block}: the search was cut short, so the sites are the best it had found by then. Run again for better ones.")
        return [_said(block, "stopped", text.format(block=block.block_id))]
    return []


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
    ways_in: Callable[[], Mapping[str, str]],
) -> list[Finding]:
    if not len(task.tree) or block.rows is None:
        return []
    limits = {
        "access": params.access, "mud": params.mud, "units": params.units, "way_in": lambda: ways_in().get(block.block_id, ""),
    }  # fmt: skip
    short = quota_clash(block, own, bars, candidates, quota=task.quota, **limits)  # type: ignore[arg-type]
    if not len(task.station):
        return [short] if short else []
    far_m = _far_m(block, task)
    wanting, nearest = _free_m(task, candidates, demand)
    per_acre = 1 / acres_of_trees(1, block.rows.row_spacing_m, block.rows.tree_spacing_m)
    far = reach_clash(
        block, demand.xy[wanting], nearest, own, bars, candidates, limit_m=far_m, trees_per_acre=per_acre, **limits  # type: ignore[arg-type]
    )  # fmt: skip
    return [f for f in (short, far) if f]


def _far_m(block: Block, task: BlockTask) -> float:
    """How far from every free station a tree is told of."""
    return FAR_RATIO * yardstick_m(block.acres * M2_PER_ACRE, task.quota)


def _free_m(task: BlockTask, candidates: Candidates, demand: Demand) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """The block's trees that want bees, and how far each is from the nearest free station."""
    wanting = task.tree[demand.weight[task.tree] > 0]
    return wanting, cKDTree(candidates.xy[task.station]).query(demand.xy[wanting])[0]


def _is_crowd(block: Block, task: BlockTask, candidates: Candidates, demand: Demand) -> bool:
    """Whether a block that got all its sites has them in the small part that its free stations are in."""
    nearest = _free_m(task, candidates, demand)[1]
    return len(nearest) > 0 and float((nearest <= _far_m(block, task)).mean()) < MOST_OF_BLOCK


def _stocking(orchard: Orchard, made: Assignment, params: Params) -> list[Finding]:
    said, limit = [], params.stocking.cavities_warn
    most = {i: max(stock.site_cavities) for i, stock in made.stock.items()}
    full = [i for i, stock in made.stock.items() if crowded(stock.site_cavities, limit)]
    if full:
        worst = max(full, key=lambda i: most[i])
        text = _n(
            "In block {block} a site gets {most} cavities, more than {limit}; shelters with more than 100 holes are less attractive "
            "(NC State Extension).",
            "In {n} of {all} blocks a site gets more than {limit} cavities, at most {most} (block {block}); shelters with more "
            "than 100 holes are less attractive (NC State Extension).",
            len(full),
        ).format(
            n=len(full), all=len(most), limit=limit, most=f"{most[worst]:,}", block=orchard.blocks[worst].block_id
        )
        text += " " + crowded_advice(made.stock[worst].site_cavities, limit)
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
                    text.format(block=block.block_id, crop=crop_text(block.crop, _), females=f"{stock.females:,}"),
                )
            )
    return said


def crowded_advice(site_cavities: Sequence[int], limit: int) -> str:
    """What to do about the fullest of a block's sites: how many shelters it takes, or to reach the trees that fill it."""
    shelters = math.ceil(max(site_cavities) / limit)
    if max(site_cavities) > LOPSIDED * sum(site_cavities) / len(site_cavities):
        return _(
            "That site stands in for trees that no shelter hangs near, and {shelters} shelters in one place would not serve them: "
            "first make room for shelters among those trees (a road, a gate, a rule that bars them), then plan again."
        ).format(shelters=shelters)
    if shelters == 2:
        return _("Hang two shelters there, or ask for more sites an acre.")
    return _("Hang {shelters} shelters there, or ask for more sites an acre.").format(shelters=shelters)


def _pins(orchard: Orchard, candidates: Candidates, made: Assignment) -> list[Finding]:
    said = []
    for site, station in zip(made.sites, made.station, strict=True):
        bars = int(candidates.reasons[station])
        if bars and site.pinned:
            block = next(b for b in orchard.blocks if b.block_id == site.block_id)
            text = _("Site {site} ({address}) is pinned where a rule speaks against it: {rules}.")
            text = text.format(site=site.site_id, address=site.address, rules=exclusion_text(bars, _))
            said.append(_said(block, "pin_against_rule", text))
    return said


def _relaxed(
    orchard: Orchard,
    tasks: Sequence[BlockTask],
    placements: Sequence[Placement | None],
    candidates: Candidates,
    made: Assignment,
) -> list[Finding]:
    """Which sites stand beyond a walk or mud limit because too few stations are within it."""
    said = []
    for task, placement in zip(tasks, placements, strict=True):
        if placement is None or not len(task.relaxed):
            continue
        own = range(made.first[task.block], made.first[task.block + 1])
        sites = [made.sites[k] for k in own if made.station[k] in task.relaxed]
        bars = int(np.bitwise_or.reduce(candidates.reasons[task.relaxed]))
        block = orchard.blocks[task.block]
        text = _n(
            "Block {block}: {n} site stands beyond a limit, since too few stations keep it ({rules}): {sites}.",
            "Block {block}: {n} sites stand beyond a limit, since too few stations keep it ({rules}): {sites}.",
            len(sites),
        ).format(
            block=block.block_id, n=len(sites), rules=exclusion_text(bars, _),
            sites=", ".join(f"{s.site_id} ({s.address})" for s in sites),
        )  # fmt: skip
        places = shapely.multipoints([(s.x_m, s.y_m) for s in sites])
        said.append(replace(_said(block, "limit_widened", text), geometry=places))
    return said


def border_findings(orchard: Orchard, savings: Sequence[BorderSaving], units: Units) -> tuple[Finding, ...]:
    """A note a block on what counting the shelters across its border saves."""
    said = []
    for saving in savings:
        if not saving.trees_across:
            continue
        block = orchard.blocks[saving.block]
        text = _n(
            "Block {block}: {trees} tree is served by a shelter across the border. With it counted, the farthest "
            "tree is {farthest} from a shelter instead of {farthest_before}, and the mean distance is {mean} "
            "instead of {mean_before}.",
            "Block {block}: {trees} trees are served by shelters across the border. With these counted, the "
            "farthest tree is {farthest} from a shelter instead of {farthest_before}, and the mean distance is "
            "{mean} instead of {mean_before}.",
            saving.trees_across,
        ).format(
            block=block.block_id, trees=saving.trees_across,
            farthest=length_text(saving.farthest_m, units, 1), farthest_before=length_text(saving.farthest_before_m, units, 1),
            mean=length_text(saving.mean_m, units, 2), mean_before=length_text(saving.mean_before_m, units, 2),
        )  # fmt: skip
        said.append(replace(_said(block, "border_saving", text), level="note"))
    return tuple(said)


def _mud(orchard: Orchard, candidates: Candidates, made: Assignment, params: Params) -> list[Finding]:
    beyond = candidates.mud_m[made.station] > params.mud.limit_m
    if not beyond.any():
        return []
    blocks = [orchard.blocks[i].block_id for i in np.unique(candidates.block[made.station[beyond]])]
    text = _n(
        "{n} of {all} sites has no clean mud within {limit} (a convention; no threshold is published). Keep a puddle wet near it: {blocks}.",
        "{n} of {all} sites have no clean mud within {limit} (a convention; no threshold is published). Keep puddles wet near them: {blocks}.",
        int(beyond.sum()),
    ).format(
        n=f"{int(beyond.sum()):,}",
        all=f"{len(beyond):,}",
        limit=length_text(params.mud.limit_m, params.units),
        blocks=_n("block {blocks}", "blocks {blocks}", len(blocks)).format(blocks=", ".join(blocks)),
    )
    return [Finding(level="warning", code="beyond_mud", layer="", feature="", text=text)]


def _said(block: Block, code: str, text: str) -> Finding:
    return Finding(level="warning", code=code, layer=block.layer, feature=block.block_id, text=text)
