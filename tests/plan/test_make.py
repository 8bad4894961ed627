"""A whole plan from tiny orchards: sums, repeatability, the independent check, pins, kept plans, limits and refusals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from shapely import LineString

import orchards
from laid import QUICK, neighbours, small_block
from mudcap.errors import InputError
from mudcap.orchard.model import Exclusion, Feature, Finding, KeepOut, RefusedBlock, Role, TreePoints
from mudcap.place.fallback import hexagonal
from mudcap.place.params import AccessParams, MudParams
from mudcap.plan.make import make_plan, solve_here
from mudcap.plan.model import Earlier, EarlierSite, Edit, Params, Plan, Site
from orchards import PLANE, Point, box, orchard, road

PARAMS = Params(place=QUICK, units="metric")
FIXTURES = ("one_row", "two_blocks_and_a_road", "l_shaped_block", "block_with_pond", "two_part_block", "guarded_block")
SMALL = orchard(small_block("Small", 0, 0))


def grid(jobs):
    """Every block on its fallback layout: where the placing does not matter."""
    return [replace(hexagonal(j.problem), stopped=False, fallback=False) for j in jobs]


def plan_of(ground, params=PARAMS, solve_all=grid, **given) -> Plan:
    return make_plan(ground, params, solve_all=solve_all, **given)


def codes(plan: Plan) -> list[str]:
    return [f.code for f in plan.findings]


def errors(plan: Plan) -> list[str]:
    return [f.text for f in plan.findings if f.level == "error"]


def earlier_of(plan: Plan) -> Earlier:
    sites = tuple(EarlierSite(site_id=s.site_id, block_id=s.block_id, lon=s.lon, lat=s.lat, row=s.row, tree=s.tree) for s in plan.sites)
    return Earlier(sites=sites, last_serial=plan.last_serial, left=plan.left)


def edit_at(kind: str, station: int, plan: Plan, **more) -> Edit:
    lon, lat = PLANE.to_lonlat(plan.candidates.xy[[station]])[0]
    return Edit(kind=kind, lon=lon, lat=lat, source="edits", **more)


def station_of(plan: Plan, site: Site) -> int:
    return int(np.argmin(np.hypot(*(plan.candidates.xy - (site.x_m, site.y_m)).T)))


@pytest.fixture(scope="module")
def plans() -> dict[str, Plan]:
    return {name: plan_of(getattr(orchards, name)(), solve_all=solve_here) for name in FIXTURES}


@pytest.mark.parametrize("name", FIXTURES)
def test_the_independent_checker_finds_no_error(plans, name):
    """On each tiny orchard, solved for real."""
    assert errors(plans[name]) == []


@pytest.mark.parametrize("name", FIXTURES)
def test_everything_adds_up(plans, name):
    """Trees, cavities and bees of the sites are those of their blocks, to the last one."""
    plan = plans[name]
    assert (plan.assigned >= 0).all() and len(plan.assigned) == len(plan.demand.xy)
    for k, block in enumerate(plan.blocks):
        own = [plan.sites[i] for i in plan.site_index(block.block_id)]
        assert [s.number for s in own] == list(range(1, block.sites + 1)) and block.sites == block.quota
        assert sum(s.cavities for s in own) == block.cavities and sum(s.females for s in own) == block.females
        assert sum(s.males for s in own) == block.males and block.cavities == 2 * block.females
        assert sum(s.trees for s in own) == pytest.approx((plan.demand.block == k).sum())
        assert block.trees == (plan.demand.block == k).sum()
    assert len({s.site_id for s in plan.sites}) == len(plan.sites) == sum(b.sites for b in plan.blocks)


@pytest.mark.parametrize("name", ["two_blocks_and_a_road", "block_with_pond"])
def test_the_same_input_twice_is_the_same_plan(plans, name):
    """Sites, findings and number."""
    again = plan_of(getattr(orchards, name)(), solve_all=solve_here)
    assert again.sites == plans[name].sites and again.number == plans[name].number
    assert [f.text for f in again.findings] == [f.text for f in plans[name].findings]
    assert plans[name].reproducible


def test_levels_never_contradict_their_bounds(plans):
    """Bound at or below value; `optimal` only where they meet."""
    for level in (v for plan in plans.values() for b in plan.blocks for v in b.levels):
        assert level.bound is None or level.bound <= level.value
        assert level.status != "optimal" or level.value == pytest.approx(level.bound)


def test_trees_that_need_no_bees_are_left_out_of_all_numbers():
    """A far corner of pollinizers of weight 0: served on paper, but no part of distances or loads; the checker agrees."""
    ground = orchard(small_block("Small", 0, 0, rows=8, trees=12))
    xy = plan_of(ground).demand.xy
    weight = np.where(xy[:, 1] > 40, 0.0, 1.0)
    ground = replace(ground, tree_points=(TreePoints(layer="trees", xy=xy, weight=weight),))
    plan = plan_of(ground, replace(PARAMS, place=replace(QUICK, per_acre=3.0)), solve_all=solve_here)
    assert errors(plan) == [] and (plan.demand.weight == 0).sum() == (weight == 0).sum()
    (block,) = plan.blocks
    sites = np.array([(s.x_m, s.y_m) for s in plan.sites])
    away = np.array([np.hypot(*(sites - t).T).min() for t in plan.demand.xy])
    wants = plan.demand.weight > 0
    assert block.coverage.farthest_m == pytest.approx(away[wants].max()) and away.max() > 1.5 * away[wants].max()
    assert block.coverage.mean_m == pytest.approx(away[wants].mean())
    assert block.coverage.trees_mean * block.sites == pytest.approx(wants.sum())
    assert block.levels[0].value == pytest.approx(away[wants].max())
    assert max(s.farthest_m for s in plan.sites) == pytest.approx(away[wants].max())
    # and a wanted distance that only they miss is not missed
    assert "farthest_not_met" not in codes(
        plan_of(ground, replace(PARAMS, place=replace(QUICK, per_acre=3.0, farthest_m=away[wants].max() + 0.01)), solve_here)
    )


def test_a_pin_beats_a_rule_and_is_told():
    """A shelter under the hives because somebody wants it there; the flag goes with the site."""
    hives = KeepOut(name="bees", geometry=Point(0, 0), setback_m=12.0, reason="hives", rule=Exclusion.HIVES)
    ground = replace(SMALL, keep_outs=(hives,))
    free = plan_of(ground)
    assert free.candidates.reasons[0] == Exclusion.HIVES and not any(s.flags for s in free.sites)
    plan = plan_of(ground, edits=(edit_at("pin", 0, free),))
    (site,) = [s for s in plan.sites if s.pinned]
    assert station_of(plan, site) == 0 and site.flags == Exclusion.HIVES
    (said,) = [f for f in plan.findings if f.code == "pin_against_rule"]
    assert site.site_id in said.text and "hives" in said.text
    assert errors(plan) == [] and plan.blocks[0].status == "planned" and plan.number != free.number


def test_more_pins_than_the_quota_are_all_held():
    """Somebody walked the block with twenty ribbons."""
    free = plan_of(SMALL)
    plan = plan_of(SMALL, edits=tuple(edit_at("pin", k, free) for k in range(0, 60, 3)))
    assert len(plan.sites) == 20 and all(s.pinned for s in plan.sites) and errors(plan) == []


def test_a_ban_and_an_added_site_hold():
    """No site on the banned tree, one site more on the other."""
    free = plan_of(SMALL)
    banned = station_of(free, free.sites[2])
    plan = plan_of(SMALL, edits=(edit_at("ban", banned, free), edit_at("add", 0, free)))
    stations = {station_of(plan, s) for s in plan.sites}
    assert banned not in stations and 0 in stations and len(plan.sites) == len(free.sites) + 1
    assert errors(plan) == [] and plan.candidates.reasons[banned] == Exclusion.BANNED


def test_a_kept_plan_keeps_its_sites_as_far_as_it_pays():
    """Free to move, the layout becomes nearer; with a price on moving every site stays, with its id, and that is told."""
    ground = orchard(small_block("Small", 0, 0, rows=12, trees=14))

    def placed(penalty: float, **given) -> Plan:
        place = replace(QUICK, row_economy=0.0, move_penalty_m2=penalty)
        return plan_of(ground, replace(PARAMS, place=place), solve_here, **given)

    def not_even(jobs):
        return solve_here([replace(j, problem=replace(j.problem, objective="farthest")) for j in jobs])

    before = plan_of(ground, solve_all=not_even)
    ids = {s.site_id for s in before.sites}
    moved, kept = (placed(m2, earlier=earlier_of(before), keep=True) for m2 in (0.0, 1e3))
    assert {s.site_id for s in kept.sites} == ids
    (said,) = [f.text for f in kept.findings if f.code == "kept_sites"]
    assert said == f"Sites of the kept plan: {len(ids)}. Of these stay: {len(ids)}; given up: 0. New: 0."
    stay = len(ids & {s.site_id for s in moved.sites})
    assert stay < len(ids) and moved.blocks[0].coverage.mean_m < kept.blocks[0].coverage.mean_m
    assert f"stay: {stay}; given up: {len(ids) - stay}." in next(f.text for f in moved.findings if f.code == "kept_sites")
    assert errors(moved) == errors(kept) == [] and "kept_sites" not in codes(before)


def test_a_kept_plan_with_nothing_changed_stays_whole():
    """Blocks that share borders, and one that has no neighbour: every site stays without a penalty being given. One more site is
    asked for, one is banned: the others stay."""
    ground = replace(neighbours(2.0, rows=6, trees=14), blocks=(*neighbours(2.0, rows=6, trees=14).blocks, small_block("Far", 0, 900)))
    params = replace(PARAMS, place=replace(QUICK, per_acre=10.0))
    before = plan_of(ground, params, solve_here)
    same = plan_of(ground, params, solve_here, earlier=earlier_of(before), keep=True)
    assert [(s.site_id, s.row, s.tree) for s in same.sites] == [(s.site_id, s.row, s.tree) for s in before.sites]
    free = next(k for k in range(len(before.candidates.xy)) if k not in {station_of(before, s) for s in before.sites})
    edits = (edit_at("ban", station_of(before, before.sites[1]), before), edit_at("add", free, before))
    after = plan_of(ground, params, solve_here, edits=edits, earlier=earlier_of(before), keep=True)
    ids = {s.site_id for s in before.sites}
    assert ids - {s.site_id for s in after.sites} == {before.sites[1].site_id} and len(after.sites) == len(before.sites) + 1
    assert errors(same) == errors(after) == []


@pytest.mark.parametrize("half_of", ["tree", "row"])
def test_a_kept_plan_that_leaves_trees_far_is_mended_by_few_moves(half_of):
    """All sites in one half of the block, along the rows or in half of them: what is moved brings the far trees near, with no
    penalty given, also in rows that nobody drove. Again nothing moves."""
    ground = orchard(small_block("Small", 0, 0, rows=16, trees=24))
    whole = plan_of(ground, solve_all=solve_here)
    half = np.flatnonzero(getattr(whole.candidates, half_of) <= {"tree": 12, "row": 8}[half_of])
    heaped = half[np.linspace(0, len(half) - 1, len(whole.sites)).astype(int)]
    places = PLANE.to_lonlat(whole.candidates.xy[heaped])
    sites = tuple(
        EarlierSite(site_id=f"SMA{k + 1:04d}", block_id="Small", lon=lon, lat=lat) for k, (lon, lat) in enumerate(places)
    )
    earlier = Earlier(sites=sites, last_serial={"SMA": len(sites)})
    far_m = np.hypot(*(whole.candidates.xy[:, None] - whole.candidates.xy[heaped][None]).transpose(2, 0, 1)).min(axis=1).max()
    plan = plan_of(ground, solve_all=solve_here, earlier=earlier, keep=True)
    stay = len({s.site_id for s in sites} & {s.site_id for s in plan.sites})
    assert plan.blocks[0].coverage.farthest_m < far_m / 2 and len(sites) / 5 < stay < len(sites)
    again = plan_of(ground, solve_all=solve_here, earlier=earlier_of(plan), keep=True)
    assert [s.site_id for s in again.sites] == [s.site_id for s in plan.sites]


def test_a_kept_plan_reaches_the_wanted_distance_that_a_fresh_one_reaches():
    """A range of densities: the number of sites is that of a fresh plan, and no tree is farther than wanted."""
    ground = orchard(small_block("Small", 0, 0, rows=16, trees=24))
    before = plan_of(ground, replace(PARAMS, place=replace(QUICK, per_acre=12.0)), solve_here)
    wanted = before.blocks[0].coverage.farthest_m * 1.15
    params = replace(PARAMS, place=replace(QUICK, per_acre=6.0, per_acre_max=12.0, farthest_m=wanted))
    fresh, kept = plan_of(ground, params, solve_here), plan_of(ground, params, solve_here, earlier=earlier_of(before), keep=True)
    assert len(fresh.sites) == len(kept.sites) < len(before.sites)
    assert fresh.blocks[0].coverage.farthest_m <= wanted + 1e-6 >= kept.blocks[0].coverage.farthest_m
    assert codes(fresh) == [c for c in codes(kept) if not c.startswith("kept_")]


def test_what_becomes_of_a_kept_plan_is_told():
    """A site moved by hand does not count as one that stays; a block that is elsewhere keeps none, and that is a warning."""
    before = plan_of(SMALL)
    taken = {station_of(before, s) for s in before.sites}
    target = next(k for k in range(80) if k not in taken)
    edits = (edit_at("move", target, before, site_id=before.sites[0].site_id),)
    after = plan_of(SMALL, edits=edits, earlier=earlier_of(before), keep=True, solve_all=solve_here)
    (said,) = [f for f in after.findings if f.code == "kept_sites"]
    assert "; moved by hand: 1; given up: " in said.text and "kept_none" not in codes(after)
    elsewhere = plan_of(orchard(small_block("Small", 0, 300)), earlier=earlier_of(before), keep=True)
    (said,) = [f for f in elsewhere.findings if f.code == "kept_none"]
    assert said.level == "warning" and said.text.startswith("Small: no site of the kept plan stays.")


def test_a_renamed_block_keeps_its_sites_and_their_ids():
    """Shelters and labels hang where they hung; a new site is called after the new name."""
    before = plan_of(SMALL)
    other = orchard(small_block("Other", 0, 0))
    after = plan_of(other, earlier=earlier_of(before), keep=True)
    assert {s.site_id: (s.row, s.tree) for s in after.sites} == {s.site_id: (s.row, s.tree) for s in before.sites}
    assert errors(after) == [] and "kept_none" not in codes(after)
    more = plan_of(other, earlier=earlier_of(after), keep=True, edits=(edit_at("add", 45, after),))
    assert {s.site_id for s in more.sites} - {s.site_id for s in after.sites} == {"OTH0001"} and errors(more) == []


def test_a_kept_plan_stays_where_an_outline_is_drawn_anew():
    """Rows laid 2.6 m beside: each shelter goes to the tree nearest to where it hangs, and that is told."""
    before = plan_of(SMALL, solve_all=solve_here)
    shifted = orchard(small_block("Small", 2.4, 1.0))
    after = plan_of(shifted, earlier=earlier_of(before), keep=True, solve_all=solve_here)
    assert [(s.site_id, s.row, s.tree) for s in after.sites] == [(s.site_id, s.row, s.tree) for s in before.sites]
    (said,) = [f for f in after.findings if f.code == "kept_beside"]
    assert "up to 2.6 m" in said.text and errors(after) == []
    fresh = plan_of(shifted, earlier=earlier_of(before), solve_all=solve_here)
    assert not {s.site_id for s in fresh.sites} & {s.site_id for s in before.sites}


def test_two_sites_change_places():
    """Each is pinned where the other one stood; neither place is barred, and the checker has nothing to say."""
    before = plan_of(SMALL, solve_all=solve_here)
    one, two = before.sites[:2]
    edits = tuple(
        edit_at("move", station_of(before, there), before, site_id=site.site_id) for site, there in ((one, two), (two, one))
    )
    after = plan_of(SMALL, solve_all=solve_here, edits=edits, earlier=earlier_of(before), keep=True)
    at = {s.site_id: (s.row, s.tree) for s in after.sites}
    assert (at[one.site_id], at[two.site_id]) == ((two.row, two.tree), (one.row, one.tree))
    assert errors(after) == [] and not {"edit_not_used", "edit_replaces"} & set(codes(after))


def test_what_a_crew_takes_down_and_hangs_is_named():
    """By block, with the addresses of the old plan and of the new one."""
    before = plan_of(SMALL, solve_all=solve_here)
    gone = before.sites[1]
    edits = (edit_at("ban", station_of(before, gone), before),)
    after = plan_of(SMALL, solve_all=solve_here, edits=edits, earlier=earlier_of(before), keep=True)
    (said,) = [f.text for f in after.findings if f.code == "kept_changes"]
    new = [s for s in after.sites if s.site_id not in {b.site_id for b in before.sites}]
    lost = [s for s in before.sites if s.site_id not in {a.site_id for a in after.sites}]
    assert gone in lost and new
    words = [", ".join(f"{s.site_id} (R{s.row} T{s.tree})" for s in own) for own in (lost, new)]
    assert said == f"Small: Take down: {words[0]}. Hang anew: {words[1]}."
    again = plan_of(SMALL, solve_all=solve_here, edits=edits, earlier=earlier_of(after), keep=True)
    assert "kept_changes" not in codes(again)


def test_edits_hold_on_every_run():
    """A move and a ban by name, four runs one after the other: the sites of the first stand in all."""
    before = plan_of(SMALL, solve_all=solve_here)
    moved, banned = before.sites[:2]
    taken = {station_of(before, s) for s in before.sites}
    edits = (
        edit_at("move", next(k for k in range(80) if k not in taken), before, site_id=moved.site_id),
        Edit(kind="ban", site_id=banned.site_id, source="edits"),
    )
    plans = [before]
    for _run in range(4):
        plans.append(plan_of(SMALL, solve_all=solve_here, edits=edits, earlier=earlier_of(plans[-1])))
    first, *others = [{s.site_id: (s.row, s.tree) for s in p.sites} for p in plans[1:]]
    assert all(sites == first for sites in others) and first[moved.site_id] != (moved.row, moved.tree)
    assert banned.site_id not in first and (banned.row, banned.tree) not in first.values()
    assert not any("edit_not_used" in codes(p) for p in plans)


def test_serials_of_two_plans_are_joined():
    """The larger of each code."""
    one, other = Earlier(last_serial={"A": 3, "B": 9}), Earlier(last_serial={"A": 5, "C": 1})
    assert one.beside(other).last_serial == {"A": 5, "B": 9, "C": 1} and one.beside(Earlier()) == one


def test_ids_are_kept_where_sites_stay_and_never_used_again():
    """A second plan with a banned site: the others keep their ids, the new one gets a serial above all."""
    before = plan_of(SMALL)
    gone = before.sites[1]
    edits = (edit_at("ban", station_of(before, gone), before),)
    after = plan_of(SMALL, edits=edits, earlier=earlier_of(before))
    old = {s.site_id: (s.row, s.tree) for s in before.sites}
    for site in after.sites:
        assert old.get(site.site_id, (site.row, site.tree)) == (site.row, site.tree)
        assert site.site_id in old or int(site.site_id[3:]) > before.last_serial["SMA"]
    assert gone.site_id not in {s.site_id for s in after.sites} and errors(after) == []


def test_a_moved_site_keeps_its_id():
    """Old place free, new place taken, same name."""
    before = plan_of(SMALL)
    taken = {station_of(before, s) for s in before.sites}
    target = next(k for k in range(80) if k not in taken)
    edits = (edit_at("move", target, before, site_id=before.sites[0].site_id),)
    after = plan_of(SMALL, edits=edits, earlier=earlier_of(before))
    (moved,) = [s for s in after.sites if s.site_id == before.sites[0].site_id]
    assert station_of(after, moved) == target and errors(after) == []
    assert station_of(before, before.sites[0]) not in {station_of(after, s) for s in after.sites}


def muddy(limit_m: float, **place) -> tuple:
    """A block with mud at one corner that must be within the limit."""
    mud = orchards.MudSource(name="hole", geometry=Point(-3, -3), texture="clay loam")
    params = replace(PARAMS, mud=MudParams(mode="existing", limit_m=limit_m), place=replace(QUICK, **place))
    return replace(SMALL, mud_sources=(mud,)), params


def test_a_soft_limit_is_widened_only_where_it_must_be_and_told():
    """Three stations keep the mud limit, five are asked for: the two least beyond it join, marked and named."""
    ground, params = muddy(12.0, per_acre=8.0)
    plan = plan_of(ground, params)
    free = int((plan.candidates.reasons == 0).sum())
    (block,) = plan.blocks
    assert 0 < free < block.quota == block.sites and block.status == "relaxed"
    beyond = [s for s in plan.sites if s.flags]
    assert {s.flags for s in beyond} == {int(Exclusion.NO_MUD)} and len(beyond) == block.quota - free
    barred = np.sort(plan.candidates.mud_m[plan.candidates.reasons != 0])
    assert max(s.mud_m for s in beyond) == pytest.approx(barred[len(beyond) - 1])
    (said,) = [f for f in plan.findings if f.code == "limit_widened"]
    assert all(s.site_id in said.text for s in beyond) and "no mud" in said.text and len(said.geometry.geoms) == len(beyond)
    assert "pin_against_rule" not in codes(plan) and "quota_clash" in codes(plan) and errors(plan) == []
    assert str(len(beyond)) in block.reason


def test_hard_rules_are_never_widened():
    """All but four stations within a keep-out: four sites, and no more."""
    barred = KeepOut(name="pond", geometry=box(6, -5, 60, 60), setback_m=0.0, reason="pond")
    plan = plan_of(replace(SMALL, keep_outs=(barred,)), replace(PARAMS, place=replace(QUICK, per_acre=40.0)))
    (block,) = plan.blocks
    assert block.sites == 10 < block.quota and block.status == "relaxed" and not any(s.flags for s in plan.sites)
    assert f"Only 10 of {block.quota} sites fit" in block.reason and "quota_clash" in codes(plan) and errors(plan) == []


@pytest.mark.parametrize("place", [QUICK, replace(QUICK, per_acre=8.0, per_acre_max=10.0, farthest_m=30.0)])
def test_ground_behind_a_canal_gets_no_sites_that_would_crowd_the_rest(place):
    """Two hundred metres, cut in the middle: nobody comes to the north, so sites stand for the south and 35 m beyond, at the density asked for."""
    ground = orchards.block("Cut", box(0, 0, 60, 200), row_spacing_m=6.0, tree_spacing_m=5.0)
    canal = Feature(role=Role.DITCHES, name="canal", geometry=LineString([(-50, 100), (110, 100)]))
    south = road((-10, -5), (70, -5))
    params = replace(PARAMS, place=place)
    plan = plan_of(orchard(ground, roads=(south,), features=(canal,)), params)
    (said,) = plan.blocks
    whole = plan_of(orchard(ground, roads=(south,)), params).blocks[0]
    assert whole.status == "planned" and whole.sites == whole.quota
    assert said.status == "relaxed" and said.quota == round(said.acres * place.per_acre) > said.sites and errors(plan) == []
    assert said.sites == pytest.approx(said.acres * (100 + 35) / 200 * (place.per_acre_max or place.per_acre), abs=1)
    assert max(s.y_m for s in plan.sites) < 100 and "crowd the rest" in said.reason and "reach_clash" in codes(plan)


def test_pinned_stations_count_as_free_in_a_clash():
    """Four free stations and one pinned under the hives carry five sites: nothing clashes."""
    hives = KeepOut(name="bees", geometry=box(6, -5, 60, 60), setback_m=0.0, reason="hives", rule=Exclusion.HIVES)
    ground = replace(SMALL, keep_outs=(hives,))
    params = replace(PARAMS, place=replace(QUICK, per_acre=11 / SMALL.blocks[0].acres))
    assert "quota_clash" in codes(plan_of(ground, params))
    plan = plan_of(ground, params, edits=(edit_at("pin", 40, plan_of(ground, params)),))
    assert "quota_clash" not in codes(plan) and plan.blocks[0].sites == 11 and errors(plan) == []


def test_the_mud_limit_named_makes_the_quota_fit():
    """Run again with it, the same number of sites stands within the limit."""
    ground, params = muddy(12.0, per_acre=8.0)
    text = next(f.text for f in plan_of(ground, params).findings if f.code == "quota_clash")
    limit = float(text.split("A mud limit of ")[1].split(" m ")[0])
    again = plan_of(ground, replace(params, mud=replace(params.mud, limit_m=limit)))
    assert again.blocks[0].sites == again.blocks[0].quota and "quota_clash" not in codes(again)
    # all of them now stand near the mud, in a small part of the block, and that marks the plan
    assert again.blocks[0].status == "relaxed" and again.blocks[0].reason.startswith("Most of the block is out of reach")


def test_a_range_takes_the_smallest_number_and_says_where_none_does():
    """The wanted distance is kept by what stands in the end, else the block is `relaxed` and says why."""
    place = replace(QUICK, per_acre=4.0, per_acre_max=20.0, farthest_m=14.0)
    plan = plan_of(SMALL, replace(PARAMS, place=place), solve_here)
    (block,) = plan.blocks
    assert block.status == "planned" and block.coverage.farthest_m <= 14.0 + 1e-6 and block.sites == block.quota < 12
    missed = plan_of(SMALL, replace(PARAMS, place=replace(place, per_acre_max=5.0)), solve_here)
    assert missed.blocks[0].status == "relaxed" and "farthest distance is missed" in missed.blocks[0].reason
    assert "farthest_not_met" in codes(missed) and errors(missed) == errors(plan) == []


def test_a_block_where_no_shelter_fits_says_so_and_refused_ones_are_listed():
    """The other block is planned as ever."""
    closed = KeepOut(name="yard", geometry=box(-10, -10, 60, 60), setback_m=0.0, reason="yard")
    ground = orchard(
        small_block("Shut", 0, 0), small_block("Open", 200, 0), keep_outs=(closed,),
        refused=(RefusedBlock(name="Bow", layer="blocks.shp", reason="It crosses itself."),),
    )  # fmt: skip
    plan = plan_of(ground)
    assert [(b.block_id, b.status) for b in plan.blocks] == [("Shut", "no_site"), ("Open", "planned"), ("Bow", "refused")]
    assert plan.blocks[2].reason == "It crosses itself." and plan.blocks[0].coverage is None
    assert (plan.assigned[plan.demand.block == 0] == -1).all() and errors(plan) == []


def test_a_block_without_a_site_leaves_its_trees_to_nobody():
    """Beside it, of the same crop and near: its neighbour's sites stock what they serve, not what lies far beyond the border."""
    closed = KeepOut(name="pond", geometry=box(-10, -10, 47, 60), setback_m=0.0, reason="pond")
    west, east = small_block("West", 0, 0), small_block("East", 52, 0)
    alone = plan_of(orchard(east), solve_all=solve_here)
    plan = plan_of(orchard(west, east, keep_outs=(closed,)), solve_all=solve_here)
    assert [(b.block_id, b.status) for b in plan.blocks] == [("West", "no_site"), ("East", "planned")] and errors(plan) == []
    assert (plan.assigned[plan.demand.block == 0] == -1).all()
    assert sorted(s.cavities for s in plan.sites) == sorted(s.cavities for s in alone.sites)


def test_a_ranch_without_any_tree_is_refused():
    """Not even a row fits."""
    tiny = orchards.block("Tiny", box(0, 0, 1, 1))
    with pytest.raises(InputError, match="no block has room for a tree row"):
        plan_of(orchard(tiny))


def test_what_borders_save_is_told_in_the_units_of_the_plan():
    """A note a block, with feet or metres; none where blocks are far apart."""
    params = replace(PARAMS, place=replace(QUICK, per_acre=8.0))
    notes = {}
    for units in ("us", "metric"):
        plan = plan_of(neighbours(2.0, rows=2, trees=20), replace(params, units=units), solve_here)
        notes[units] = [f for f in plan.findings if f.code == "border_saving"]
        assert errors(plan) == []
    assert notes["us"] and {f.level for f in notes["us"]} == {"note"}
    assert " ft " in notes["us"][0].text and " m " in notes["metric"][0].text
    assert "border_saving" not in codes(plan_of(neighbours(30.0, rows=2, trees=20), params, solve_here))


def test_a_tree_served_across_the_border_is_nearer_there():
    """And every tree has the nearest site of its own block and of those that it borders."""
    plan = plan_of(neighbours(2.0, rows=2, trees=20), replace(PARAMS, place=replace(QUICK, per_acre=8.0)), solve_here)
    sites = np.array([(s.x_m, s.y_m) for s in plan.sites])
    order = [b.block_id for b in plan.orchard.blocks]
    home = np.array([order.index(s.block_id) for s in plan.sites])
    crossed = 0
    for tree, block, served in zip(plan.demand.xy, plan.demand.block, plan.assigned, strict=True):
        away = np.hypot(*(sites - tree).T)
        assert away[served] == pytest.approx(away[np.abs(home - block) <= 1].min())
        if home[served] != block:
            crossed += 1
            assert away[served] < away[home == block].min()
    assert crossed > 0


def test_a_fallback_layout_and_a_search_cut_short_are_told_apart():
    """A hexagonal grid is called one; the best of a stopped search is not, though its levels say `stopped` too."""
    grids = plan_of(SMALL, solve_all=lambda jobs: [hexagonal(j.problem) for j in jobs])
    assert grids.blocks[0].status == "fallback" and "hexagonal grid" in grids.blocks[0].reason
    assert "fallback" in codes(grids) and "stopped" not in codes(grids) and not grids.reproducible

    def cut_short(jobs):
        placed = solve_here(jobs)
        return [
            replace(p, stopped=True, levels=tuple(replace(v, status="stopped") for v in p.levels)) for p in placed
        ]

    stopped = plan_of(SMALL, solve_all=cut_short)
    assert stopped.blocks[0].status == "planned" and "cut short" in stopped.blocks[0].reason
    assert "stopped" in codes(stopped) and "fallback" not in codes(stopped) and not stopped.reproducible
    assert not any("hexagonal" in f.text for f in stopped.findings) and errors(stopped) == errors(grids) == []


def test_findings_of_the_input_come_first_and_steps_are_told():
    """In the order in which a reader meets them."""
    first = Finding(level="note", code="repaired", layer="a.shp", feature="", text="Repaired.")
    steps: list[str] = []
    plan = plan_of(SMALL, findings=(first,), progress=steps.append)
    assert plan.findings[0] is first and steps[0] == "laying rows" and steps[-1] == "checking the plan"


def test_access_options_reach_the_ground():
    """A block edge kept free has no site."""
    plan = plan_of(replace(SMALL, roads=(road((-10, -4), (60, -4)),)), replace(PARAMS, access=AccessParams(block_edge_m=6.0)))
    assert all(min(s.x_m, s.y_m, 48 - s.x_m, 50 - s.y_m) >= 6.0 for s in plan.sites) and errors(plan) == []
