"""How many sites: the smallest number in a range that brings every tree within a wanted distance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from mudcap.geo.units import M2_PER_ACRE, M_PER_FT, Units, length_text
from mudcap.lang import _, _n
from mudcap.orchard.model import Block, Finding, Orchard
from mudcap.place.layout import BlockTask, quota
from mudcap.place.near import nearest_m
from mudcap.place.params import PlaceParams
from mudcap.place.problem import Placement, SolveAll, SolveJob

TOLERANCE_M = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CountChoice:
    """The number of sites taken for one block, and how the wanted distance fares with it."""

    block: int
    count: int
    farthest_m: float
    """Best farthest distance found with `count` sites."""
    reached: bool
    least_proven: bool
    """True where one site fewer is proven not to do."""
    sites: NDArray[np.int64]
    """Problem candidates of that layout, from which the search for an even one starts."""
    would_do: int | None = None
    """Where the limit is missed: the smallest number found that reaches it; None where none does."""
    least_m: float = 0.0
    """Farthest distance with a site on every station: no number reaches less."""


def choose_counts(
    tasks: Sequence[BlockTask], orchard: Orchard, place: PlaceParams, solve_all: SolveAll
) -> tuple[CountChoice, ...]:
    """For each block with a problem the smallest number of sites between its quota at `per_acre` and that at
    `per_acre_max` whose farthest tree is within `farthest_m`; the largest where none is.

    Bisection: more sites never make the farthest distance worse. All blocks advance together, a batch a step.
    """
    if place.farthest_m is None:
        return ()
    limit = place.farthest_m + TOLERANCE_M
    open_tasks = [t for t in tasks if t.problem is not None]
    low = {t.block: _quota(t, orchard, place.per_acre) for t in open_tasks}
    high = {
        t.block: max(low[t.block], _quota(t, orchard, place.per_acre_max or place.per_acre))
        for t in open_tasks
    }
    found, proven = _search(open_tasks, low, high, limit, orchard, place, solve_all)
    least = {t.block: _least_m(t) for t in open_tasks}
    missed = [t for t in open_tasks if found[t.block].objective > limit and least[t.block] <= limit]
    beyond_low = {t.block: min(high[t.block] + 1, len(t.station)) for t in missed}
    beyond_high = {t.block: len(t.station) for t in missed}
    beyond, _proven = _search(missed, beyond_low, beyond_high, limit, orchard, place, solve_all)
    choices = []
    for task in open_tasks:
        best = found[task.block]
        ok = best.objective <= limit
        count = len(best.sites) if ok else high[task.block]
        more = beyond.get(task.block)
        choices.append(
            CountChoice(
                block=task.block,
                count=count,
                farthest_m=best.objective,
                reached=ok,
                least_proven=ok and proven.get(task.block, 0) >= count - 1,
                sites=best.sites,
                least_m=least[task.block],
                would_do=len(more.sites) if more is not None and more.objective <= limit else None,
            )
        )
    return tuple(choices)


def with_counts(
    tasks: Sequence[BlockTask], choices: Sequence[CountChoice], place: PlaceParams
) -> tuple[BlockTask, ...]:
    """The tasks with the chosen numbers of sites; what may be given up of the farthest never crosses the wanted distance."""
    by_block = {c.block: c for c in choices}
    out = []
    for task in tasks:
        choice = by_block.get(task.block)
        if choice is None or task.problem is None or place.farthest_m is None:
            out.append(task)
            continue
        room = place.farthest_m / choice.farthest_m - 1 if choice.reached and choice.farthest_m > 0 else 0.0
        problem = replace(
            task.problem, count=choice.count, slack=float(np.clip(room, 0.0, place.slack)),
            within_m=place.farthest_m + TOLERANCE_M if choice.reached else np.inf,
        )  # fmt: skip
        asked = choice.count if task.share == 1 else max(choice.count, task.quota)
        out.append(replace(task, quota=asked, problem=problem, start=choice.sites))
    return tuple(out)


def missed_limits(
    choices: Sequence[CountChoice],
    orchard: Orchard,
    distance_m: Mapping[int, NDArray[np.float64]],
    place: PlaceParams,
    units: Units,
    added: Mapping[int, int] | None = None,
) -> tuple[Finding, ...]:
    """A finding for each block whose wanted distance is missed: which trees, how many acres, the smallest change.

    `distance_m` gives by block index the distance of each tree that wants bees to the site that serves it, `added` the
    sites that stand beyond the quota.
    """
    return tuple(
        _missed(c, orchard.blocks[c.block], distance_m[c.block], place.farthest_m, units, (added or {}).get(c.block, 0))
        for c in choices
        if place.farthest_m is not None and is_missed(distance_m[c.block], place.farthest_m)
    )


def is_missed(distance_m: NDArray[np.float64], farthest_m: float) -> bool:
    """Whether any of the distances (m,) is beyond the wanted one."""
    return bool(distance_m.max(initial=0.0) > farthest_m + TOLERANCE_M)


def _quota(task: BlockTask, orchard: Orchard, per_acre: float) -> int:
    """Quota at a density, sites added by hand on top, within what is free and fixed."""
    problem = task.problem
    fixed = 0 if problem is None else len(problem.fixed)
    return min(
        max(quota(orchard.blocks[task.block].acres * task.share, per_acre) + task.added, fixed, 1), len(task.station)
    )


def _least_m(task: BlockTask) -> float:
    """Farthest distance [m] of a tree that wants bees with a site on every station that the task may use."""
    if task.problem is None:
        return np.inf
    wants = task.problem.weights > 0
    return float(nearest_m(task.problem.candidate_xy, task.problem.demand_xy[wants]).max(initial=0.0))


def _search(
    tasks: Sequence[BlockTask],
    low: dict[int, int],
    high: dict[int, int],
    limit: float,
    orchard: Orchard,
    place: PlaceParams,
    solve_all: SolveAll,
) -> tuple[dict[int, Placement], dict[int, int]]:
    """By block the placement with the fewest sites within the limit, or the one with the most sites where none is.

    With it, by block, the largest number of sites that is proven not to do.
    """
    low, high = dict(low), dict(high)
    best = _solved({t.block: high[t.block] for t in tasks}, tasks, orchard, place, solve_all)
    proven: dict[int, int] = {}
    active = [t for t in tasks if best[t.block].objective <= limit]
    while active := [t for t in active if low[t.block] < high[t.block]]:
        middle = {t.block: (low[t.block] + high[t.block]) // 2 for t in active}
        for block, placement in _solved(middle, active, orchard, place, solve_all).items():
            if placement.objective <= limit:
                best[block], high[block] = placement, middle[block]
                continue
            low[block] = middle[block] + 1
            if placement.bound is not None and placement.bound > limit:
                proven[block] = middle[block]
    return best, proven


def _solved(
    counts: dict[int, int], tasks: Sequence[BlockTask], orchard: Orchard, place: PlaceParams, solve_all: SolveAll
) -> dict[int, Placement]:
    jobs = [
        SolveJob(
            name=orchard.blocks[t.block].block_id,
            problem=replace(t.problem, count=counts[t.block], objective="farthest"),
            effort="quick",
            seed=place.seed,
        )
        for t in tasks
        if t.problem is not None
    ]
    return dict(zip([t.block for t in tasks], solve_all(jobs), strict=True))


def _missed(
    choice: CountChoice,
    block: Block,
    distance_m: NDArray[np.float64],
    limit_m: float,
    units: Units,
    added: int,
) -> Finding:
    beyond = int((distance_m > limit_m + TOLERANCE_M).sum())
    rows = block.rows
    acres = beyond * rows.row_spacing_m * rows.tree_spacing_m / M2_PER_ACRE if rows is not None else 0.0
    if choice.would_do is not None:
        # the quota is rounded half up, so that half a site less an acre gives it too; shown rounded up
        per_acre = np.ceil(10 * (choice.would_do - added - 0.5) / block.acres) / 10
        more = _n("{n} site ({per_acre:.1f} an acre) would reach it", "{n} sites ({per_acre:.1f} an acre) would reach it", choice.would_do).format(n=choice.would_do, per_acre=per_acre)
    elif choice.least_m > limit_m + TOLERANCE_M:
        more = _("no number of sites would: even with one at every station that is free, a tree stays {least} away").format(
            least=_rounded_up(choice.least_m, units)
        )
    else:
        more = _("no number of sites that was tried would")
    text = _n(
        "Block {block}: {trees} tree ({acres:.2f} ac) is farther than {limit} from a site with {sites}; "
        "{more}; with {sites} the limit would have to be {best}.",
        "Block {block}: {trees} trees ({acres:.2f} ac) are farther than {limit} from a site with {sites}; "
        "{more}; with {sites} the limit would have to be {best}.",
        beyond,
    ).format(
        block=block.block_id,
        trees=beyond,
        acres=acres,
        limit=length_text(limit_m, units, 1),
        sites=_n("{n:,} site", "{n:,} sites", choice.count).format(n=choice.count),
        more=more,
        best=_rounded_up(float(distance_m.max(initial=0.0)), units),
    )
    return Finding(
        level="warning",
        code="farthest_not_met",
        layer=block.layer,
        feature=block.block_id,
        text=text,
        geometry=block.polygon,
    )


def _rounded_up(length_m: float, units: Units) -> str:
    """A length to one digit, never shorter than it is: as a limit it can be kept."""
    step = M_PER_FT / 10 if units == "us" else 0.1
    return length_text(float(np.ceil(length_m / step - 1e-6)) * step, units, 1)
