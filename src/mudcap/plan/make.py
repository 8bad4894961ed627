"""The order of the steps, and nothing else: from an orchard and options to a checked plan."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from mudcap.errors import InputError
from mudcap.lang import _
from mudcap.orchard.access_findings import ways_in
from mudcap.orchard.checks import check
from mudcap.orchard.model import Finding, Orchard
from mudcap.orchard.network import open_on, travel_network
from mudcap.orchard.rows import lay_rows
from mudcap.place.borders import border_savings, bordering, share_borders
from mudcap.place.candidates import Candidates, lay_candidates
from mudcap.place.count import choose_counts, with_counts
from mudcap.place.demand import lay_demand
from mudcap.place.kept import standing_jobs
from mudcap.place.layout import block_tasks, solve_jobs, spread, with_bans
from mudcap.place.problem import Placement, SolveAll, SolveJob
from mudcap.plan.assign import assign_sites
from mudcap.plan.claims import audit_plan
from mudcap.plan.edits import apply_edits
from mudcap.plan.goods import with_goods
from mudcap.plan.identity import KEPT_PLACE_M, SAME_PLACE_M, same_places
from mudcap.plan.kept_words import kept_findings
from mudcap.plan.model import Earlier, Edit, Params, Plan, Site
from mudcap.plan.number import plan_number
from mudcap.plan.provisions import puddles_of, reach_mud, release_of
from mudcap.plan.summary import block_plans, border_findings, plan_findings

Progress = Callable[[str], None]


def solve_here(jobs: Sequence[SolveJob], /) -> Sequence[Placement]:
    """Solve one block after the other in this process."""
    # loads compiled kernels, which a process that hands the solving on never needs
    from mudcap.place.solve import solve

    return [solve(j.problem, effort=j.effort, start=j.start, seed=j.seed) for j in jobs]


def make_plan(
    orchard: Orchard,
    params: Params,
    *,
    edits: Sequence[Edit] = (),
    earlier: Earlier | None = None,
    findings: Sequence[Finding] = (),
    keep: bool = False,
    is_draft: bool = False,
    solve_all: SolveAll = solve_here,
    progress: Progress = lambda text: None,
) -> Plan:
    """Lay rows, place sites, stock them, check the whole by other means and hand back the plan.

    `findings` are what reading the input found; the plan's come after them. With `keep` the earlier plan's sites stand, and one
    is given up only where that gains `params.place.move_penalty`; where that is 0 they are merely where the search starts. A draft
    plans no puddles. Raises ``InputError`` where no block has a tree.
    """
    earlier = earlier or Earlier()
    progress(_("laying rows"))
    laid, row_findings = lay_rows(orchard, params.rows, units=params.units)
    if not any(b.rows is not None and len(b.rows.tree_xy) for b in laid.blocks):
        raise InputError(
            _("{ranch}: no block has room for a tree row. Check spacings and units.").format(ranch=laid.name)
        )
    network = travel_network(laid, params.travel)
    progress(_("looking at stations"))
    candidates = lay_candidates(
        laid, open_on(network, params.plan_date), access=params.access, mud=params.mud, rows=params.rows, travel=params.travel
    )
    candidates, puddle_places = reach_mud(laid, network, candidates, params)
    demand = lay_demand(laid)
    applied = apply_edits(edits, candidates=candidates, orchard=laid, earlier=earlier, units=params.units)
    candidates = with_bans(candidates, applied.banned)
    names = standing_names(earlier, laid, candidates, applied.moved_ids, KEPT_PLACE_M if keep else SAME_PLACE_M)
    tasks = block_tasks(
        laid, candidates, demand, place=params.place, pinned=applied.pinned, added=applied.added,
        previous=np.array(sorted(names), np.int64) if keep else np.empty(0, np.int64),
        access=params.access, mud=params.mud,
    )  # fmt: skip
    progress(_("placing sites"))
    counts = choose_counts(tasks, laid, params.place, solve_all)
    tasks = with_counts(tasks, counts, params.place)
    near = bordering(laid, params.place.border_m)
    is_standing = keep and params.place.move_penalty_m2 != 0
    if is_standing:
        jobs = standing_jobs(tasks, near, laid, candidates, demand, params.place)
    else:
        jobs = solve_jobs(tasks, laid, params.place)
    alone = spread(tasks, solve_all(jobs))
    progress(_("sharing borders"))
    placements = share_borders(
        laid, tasks, alone, candidates, demand, place=params.place, solve_all=solve_all, is_standing=is_standing
    )
    made = assign_sites(
        laid, candidates, demand, tasks, placements, near=near, earlier=earlier, names=names,
        pinned=applied.pinned, stocking=params.stocking,
    )  # fmt: skip
    puddles, mud_findings = puddles_of(laid, None if is_draft else puddle_places, made.sites, params, solve_all)
    release, release_findings, is_release_stopped = release_of(laid, candidates, demand, made, params, solve_all)
    savings = border_savings(laid, tasks, alone, placements, candidates, demand, params.place.border_m)
    plan = Plan(
        orchard=laid, params=params, edits=tuple(edits), network=network, candidates=candidates, demand=demand,
        assigned=made.assigned, sites=made.sites,
        blocks=block_plans(laid, candidates, demand, tasks, placements, made, params, counts),
        findings=(*findings, *row_findings, *check(laid, travel=params.travel, clay_share_min=params.mud.clay_share_min, network=network, days=params.plan_date, units=params.units), *applied.findings, *(kept_findings(earlier, made, laid, applied.moved_ids.values(), params.units) if keep else ()),
                  *plan_findings(laid, candidates, demand, tasks, placements, made, params, counts, lambda: ways_in(laid, network, params.travel, days=params.plan_date)),
                  *mud_findings, *release_findings, *border_findings(laid, savings, params.units)),
        last_serial=made.last_serial, number=number_of(orchard, params, edits, made.sites),
        reproducible=all(p is None or not p.stopped for p in placements) and (puddles is None or puddles.status != "stopped") and not is_release_stopped,
        puddles=puddles, release=release, left=applied.left,
    )  # fmt: skip
    plan = with_goods(plan)
    progress(_("checking the plan"))
    return audit_plan(plan, earlier=earlier, pinned=applied.pinned)


def standing_names(
    earlier: Earlier, orchard: Orchard, candidates: Candidates, moved_ids: Mapping[int, str], within_m: float
) -> dict[int, str]:
    """The earlier site's site_id by the station at which it stands, whatever its block is called now.

    A place means the nearest station within `within_m`; a site moved by hand (`moved_ids`) stands where it was moved to.
    """
    known = [s for s in earlier.sites if s.site_id not in moved_ids.values()]
    xy = orchard.plane.to_plane(np.array([(s.lon, s.lat) for s in known]).reshape(-1, 2))
    found = same_places(xy, candidates.xy, within_m)
    names = {station: site.site_id for station, site in zip(found.tolist(), known, strict=True) if station >= 0}
    return names | dict(moved_ids)


def number_of(orchard: Orchard, params: Params, edits: Sequence[Edit], sites: Sequence[Site]) -> str:
    """Plan number over all that went in; what an earlier plan left shows in the ids. Clocks and processes do not count.

    Nor do names that decide nothing: the ranch's, which may come from its folder, so that a copy has the same number; nor the
    words in which a refused block is explained, which depend on the language.
    """
    place = replace(params.place, jobs=0, safety_s=0.0, move_penalty_m2=params.place.move_penalty_m2 or 0.0)
    bare = replace(orchard, name="", refused=tuple(replace(r, reason="") for r in orchard.refused))
    return plan_number(
        bare, replace(params, place=place, ranch=""), tuple(edits), [(s.site_id, s.row, s.tree) for s in sites]
    )
