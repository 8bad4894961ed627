"""The checker finds nothing in an honest plan, and exactly the right thing in a planted fault."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, replace

import numpy as np
import pytest
from honest_claims import RATE, honest, shares, with_block, with_site
from shapely import LineString, Point, Polygon, box

from mudcap.audit.check import check
from mudcap.audit.claim import Claim, CoverageClaim, Wall, Zone
from mudcap.orchard.model import Exclusion

Fault = Callable[[Claim], Claim]


@pytest.fixture(scope="module")
def claim() -> Claim:
    return honest()


def codes(claim: Claim) -> set[str]:
    return {f.code.removeprefix("audit_") for f in check(claim)}


def with_coverage(claim: Claim, **changes: float) -> Claim:
    coverage = claim.blocks[0].coverage
    assert coverage is not None
    return with_block(claim, 0, coverage=replace(coverage, **changes))


def with_level(claim: Claim, index: int, **changes: float) -> Claim:
    levels = list(claim.blocks[1].levels)
    levels[index] = replace(levels[index], **changes)
    return with_block(claim, 1, levels=tuple(levels))


def with_zone(claim: Claim, zone: Zone) -> Claim:
    return replace(claim, zones=(*claim.zones, zone))


def at(claim: Claim, index: int) -> Point:
    return Point(claim.sites[index].x_m, claim.sites[index].y_m)


def served_elsewhere(claim: Claim) -> Claim:
    """One tree given to the site next to its own, with both sites' trees restated, as a wrong solver would."""
    trees = claim.trees
    xy = np.array([(s.x_m, s.y_m) for s in claim.sites])
    middle = int(np.argmin(np.hypot(*(trees.xy - xy[trees.assigned]).T) - 100 * (trees.block == 0)))
    own = trees.assigned[middle]
    others = np.hypot(*(xy - trees.xy[middle]).T)
    others[own] = np.inf
    new = int(np.argmin(others))
    assigned = trees.assigned.copy()
    assigned[middle] = new
    weight, away = trees.weight[middle], float(others[new])
    claim = replace(claim, trees=replace(trees, assigned=assigned))
    for site, change in ((own, -weight), (new, weight)):
        claim = with_site(claim, site, trees=claim.sites[site].trees + change)
    claim = with_site(claim, new, farthest_m=max(claim.sites[new].farthest_m, away))
    west = [k for k, s in enumerate(claim.sites) if s.block_id == "West"]
    load = np.array([claim.sites[k].trees for k in west])
    for kind in ("females", "males", "cavities"):
        for k, number in zip(west, shares(getattr(claim.blocks[0], kind), load), strict=True):
            claim = with_site(claim, k, **{kind: number})
    cv = float(load.std() / load.mean())
    levels = tuple(replace(level, value=cv) if level.name == "cv" else level for level in claim.blocks[0].levels)
    claim = with_block(claim, 0, levels=levels)
    return with_coverage(claim, trees_min=load.min(), trees_max=load.max(), trees_cv=cv)


def moved_cavity(claim: Claim) -> Claim:
    """Two cavities carried from one site to another: the sum is right, the shares are not."""
    claim = with_site(claim, 0, cavities=claim.sites[0].cavities - 2)
    return with_site(claim, 1, cavities=claim.sites[1].cavities + 2)


def twice_one_id(claim: Claim) -> Claim:
    """Both blocks have one code, and a site of each the same id."""
    renamed = replace(
        claim, sites=tuple(replace(s, site_id="WST" + s.site_id[-4:]) for s in claim.sites), last_serial={"WST": 25}
    )
    return with_block(renamed, 1, code="WST")


def two_at_one_station(claim: Claim) -> Claim:
    """The second site written down as the first place again, on paper only its address is off."""
    first = claim.sites[0]
    return with_site(claim, 1, row=first.row, tree=first.tree)


FAULTS: list[tuple[str, set[str], Fault]] = [
    ("a block drawn so that a site lies outside", {"outside_block"},
     lambda c: with_block(c, 0, polygon=c.blocks[0].polygon.difference(at(c, 3).buffer(0.5)))),
    ("a keep-out laid over a site", {"in_zone"},
     lambda c: with_zone(c, Zone(name="shed", geometry=at(c, 3).buffer(1), clear_m=0.0, flag=Exclusion.KEEP_OUT))),
    ("a keep-out 10 cm too near", {"in_zone"},
     lambda c: with_zone(c, Zone(name="well", geometry=Point(at(c, 3).x + 2.9, at(c, 3).y), clear_m=3.0,
                                 flag=Exclusion.KEEP_OUT))),
    ("a lane swept wider than stated", {"in_zone"}, lambda c: replace(
        c, zones=(*c.zones[:2], replace(c.zones[2], clear_m=4.0 + 1.6 * 6.7056)))),
    ("a closed field round a site", {"in_zone"},
     lambda c: with_zone(c, Zone(name="closed", geometry=box(*at(c, 9).buffer(2).bounds), clear_m=0.0,
                                 flag=Exclusion.CLOSED))),
    ("an edge kept wider than the sites keep it", {"block_edge"}, lambda c: replace(c, block_edge_m=12.0)),
    ("a walk beyond the limit", {"walk"}, lambda c: replace(c, walk_limit_m=100.0)),
    ("a site that no way leads to", {"no_way_in"}, lambda c: with_site(c, 2, walk_m=np.inf)),
    ("a lane swept wider, square at its ends", {"in_zone"}, lambda c: replace(
        c, zones=(*c.zones[:2], replace(c.zones[2], half_width_m=6.0)))),
    ("a walk through the air", {"walk_short"}, lambda c: with_site(c, 2, walk_m=1.0)),
    ("mud nearer than it is", {"mud"}, lambda c: with_site(c, 2, mud_m=3.0)),
    ("mud where there is none", {"mud"}, lambda c: replace(c, mud=())),
    ("mud beyond a limit that bars", {"mud_limit"}, lambda c: replace(c, mud_limit_m=120.0)),
    ("a ban passed over", {"banned"}, lambda c: replace(c, banned_xy=np.array([at(c, 4).coords[0]]))),
    ("a pin lost", {"pin_lost"}, lambda c: replace(c, pinned_xy=np.array([at(c, 4).coords[0]]))),
    ("longitudes a metre off", {"lonlat"}, lambda c: with_site(c, 5, lon=c.sites[5].lon + 1.2e-5)),
    ("latitude and longitude swapped", {"lonlat"},
     lambda c: with_site(c, 5, lon=c.sites[5].lat, lat=c.sites[5].lon + 90)),
    ("an address one tree on", {"address"}, lambda c: with_site(c, 5, tree=c.sites[5].tree + 1)),
    ("an address that no station has", {"address"}, lambda c: with_site(c, 5, row=99)),
    ("two sites with one address", {"address", "same_station"}, two_at_one_station),
    ("a site too few", {"quota"}, lambda c: with_block(c, 0, quota=c.blocks[0].quota + 1)),
    ("a site too many", {"quota"}, lambda c: with_block(c, 0, quota=c.blocks[0].quota - 1, may_differ=True)),
    ("a count that is not the list's", {"site_count"}, lambda c: with_block(c, 0, sites=c.blocks[0].sites - 1)),
    ("numbers that skip", {"number"}, lambda c: with_site(c, 3, number=40)),
    ("an id in small letters", {"id_form"}, lambda c: with_site(c, 3, site_id="wst0004")),
    ("an id of another block", {"id_form"}, lambda c: with_site(c, 3, site_id="XYZ0004")),
    ("an id of five digits", {"id_form"}, lambda c: with_site(c, 3, site_id="WST00040")),
    ("an id given twice", {"id_twice"}, twice_one_id),
    ("serials used again", {"serial_reused"}, lambda c: replace(c, earlier_serial={"E2": 3})),
    ("a last serial that forgets", {"last_serial"}, lambda c: replace(c, last_serial={"WST": 25, "E2": 24})),
    ("a last serial that falls back", {"last_serial"}, lambda c: replace(
        c, earlier_serial={"WST": 30}, earlier_ids=frozenset(s.site_id for s in c.sites))),
    ("a tree given to the second nearest", {"not_nearest"}, served_elsewhere),
    ("a tree served across the border without leave", {"unserved", "site_trees", "site_farthest", "trees_min", "trees_cv",
                                                       "trees_mean"}, lambda c: replace(
        c, trees=replace(c.trees, assigned=np.r_[len(c.sites) - 1, c.trees.assigned[1:]]))),
    ("a tree count off by one", {"tree_count"}, lambda c: with_block(c, 1, trees=c.blocks[1].trees - 1)),
    ("a site's trees off", {"site_trees"}, lambda c: with_site(c, 7, trees=c.sites[7].trees + 0.01)),
    ("a site's farthest tree too near", {"site_farthest"},
     lambda c: with_site(c, 7, farthest_m=c.sites[7].farthest_m - 0.01)),
    ("no coverage stated", {"coverage"}, lambda c: with_block(c, 0, coverage=None)),
    ("a level's value too good", {"level"}, lambda c: with_level(c, 1, value=c.blocks[1].levels[1].value * 0.99)),
    ("a bound above its value", {"bound"}, lambda c: with_level(c, 0, bound=c.blocks[1].levels[0].value + 0.01)),
    ("a bound that is not a number", {"bound"}, lambda c: with_level(c, 0, bound=np.nan)),
    ("a bound on driven rows above them", {"bound"}, lambda c: with_level(c, 3, bound=6.0)),
    ("one female lost", {"females", "total"}, lambda c: with_site(c, 1, females=c.sites[1].females - 1)),
    ("a block's males misstated", {"males", "rate"}, lambda c: with_block(c, 1, males=c.blocks[1].males + 1)),
    ("a block's cavities misstated", {"cavities", "rate"}, lambda c: with_block(c, 1, cavities=c.blocks[1].cavities - 1)),
    ("cavities carried from site to site", {"share"}, moved_cavity),
    ("a rate that does not give these females", {"rate"}, lambda c: with_block(c, 1, females_per_acre=RATE + 1)),
    ("a ranch total off by one", {"total"}, lambda c: replace(c, cavities=(c.cavities or 0) + 1)),
    ("acres of the US survey kind, times ten", {"acres", "rate"}, lambda c: with_block(c, 1, acres=c.blocks[1].acres * 10.76)),
    ("a not-a-number place", {"malformed"}, lambda c: with_site(c, 1, x_m=np.nan)),
    ("a site of no block", {"malformed"}, lambda c: with_site(c, 1, block_id="Nowhere")),
    ("two blocks of one name", {"malformed"}, lambda c: with_block(c, 1, block_id="West")),
    ("an assignment beyond the list", {"malformed"}, lambda c: replace(
        c, trees=replace(c.trees, assigned=c.trees.assigned + 1))),
    ("weights too few", {"malformed"}, lambda c: replace(c, trees=replace(c.trees, weight=c.trees.weight[1:]))),
    ("sites out of order", {"malformed"}, lambda c: replace(c, sites=c.sites[::-1])),
]  # fmt: skip


def test_an_honest_claim_has_no_fault(claim: Claim) -> None:
    """No check cries wolf."""
    assert check(claim) == ()


@pytest.mark.parametrize(("what", "wanted", "plant"), FAULTS, ids=[f[0] for f in FAULTS])
def test_a_planted_fault_is_caught_by_its_own_code(claim: Claim, what: str, wanted: set[str], plant: Fault) -> None:
    """Each fault raises its own codes and no other."""
    assert codes(plant(claim)) == wanted, what


@pytest.mark.parametrize("name", [f.name for f in fields(CoverageClaim)])
def test_each_coverage_number_is_computed_again(claim: Claim, name: str) -> None:
    """A coverage number that is 0.1 % better than true is caught, by a code of its own."""
    code = name.removesuffix("_m")
    stated = getattr(claim.blocks[0].coverage, name)
    assert codes(with_coverage(claim, **{name: stated * 0.999})) == {code}


def test_every_fault_is_an_error_that_says_where(claim: Claim) -> None:
    """Findings are errors with a sentence that names the block or the sites."""
    for _what, _wanted, plant in FAULTS:
        for finding in check(plant(claim)):
            assert finding.level == "error" and finding.code.startswith("audit_")
            assert finding.text.endswith(".") and "{" not in finding.text


def test_a_pin_may_break_a_rule_only_if_it_says_so(claim: Claim) -> None:
    """A pinned site in a keep-out is no fault where its flags declare it, and a fault where they do not."""
    zone = Zone(name="shed", geometry=at(claim, 3).buffer(1), clear_m=0.0, flag=Exclusion.KEEP_OUT)
    pinned = with_site(with_zone(claim, zone), 3, pinned=True)
    assert codes(pinned) == {"in_zone"}
    assert codes(with_site(pinned, 3, flags=int(Exclusion.KEEP_OUT))) == set()
    assert codes(with_site(pinned, 3, flags=int(Exclusion.HIVES))) == {"in_zone"}
    assert codes(with_site(with_zone(claim, zone), 3, flags=int(Exclusion.KEEP_OUT))) == {"in_zone"}


@pytest.mark.parametrize(
    ("shape", "way", "is_fault"),
    [
        (box(40, 0, 60, 20), (0, 10, 100, 10), True),
        (box(40, 0, 60, 20), (0, 20.5, 100, 20.5), False),  # past it
        (box(40, 0, 60, 20), (0, 20, 100, 20), False),  # along its edge
        (box(40, 0, 60, 20), (0, 30, 50, 19), True),  # into it, a metre
        (box(40, 0, 60, 20).difference(box(45, 5, 55, 15)), (47, 7, 53, 13), False),  # in its court
        (LineString([(40, 0), (40, 20)]), (0, 10, 100, 11), True),
        (LineString([(40, 0), (40, 20)]), (0, 21, 100, 21), False),
    ],
)
def test_a_way_through_a_wall(claim: Claim, shape: Polygon | LineString, way: tuple[float, ...], is_fault: bool) -> None:
    """Driven or walked; on a drawn road it is the grower's word."""
    walled = replace(claim, walls=(Wall(name="Pond", geometry=shape),), ways=np.array([way, (-500, -500, -400, -400)], float))
    assert codes(walled) == ({"through_wall"} if is_fault else set())
    assert [f.text for f in check(walled)] == ["A way on which crews drive or walk leads through Pond, which nobody crosses."] * is_fault
    road = LineString([way[:2], way[2:]])
    assert codes(replace(walled, roads=(road,))) == set()


def test_a_relaxed_block_may_have_fewer_sites_and_no_more(claim: Claim) -> None:
    """Below the quota is no fault where the plan says that a limit was relaxed."""
    assert codes(with_block(claim, 0, quota=30, may_differ=True)) == set()
    assert codes(with_block(claim, 0, quota=20, may_differ=True)) == {"quota"}


def test_a_kept_id_may_have_an_old_serial(claim: Claim) -> None:
    """A site that was there before keeps its id; one that was not may not take it."""
    kept = frozenset(s.site_id for s in claim.sites if s.site_id.startswith("E2"))
    assert codes(replace(claim, earlier_serial={"E2": 25}, earlier_ids=kept)) == set()
    assert codes(replace(claim, earlier_serial={"E2": 25}, earlier_ids=kept - {"E20007"})) == {"serial_reused"}


def test_ties_may_go_to_either_site(claim: Claim) -> None:
    """A tree halfway between two sites may be served by either."""
    xy = np.array([(s.x_m, s.y_m) for s in claim.sites])
    trees = claim.trees
    gap = np.hypot(trees.xy[:, None, 0] - xy[:, 0], trees.xy[:, None, 1] - xy[:, 1])
    two = np.sort(gap, axis=1)[:, :2]
    tie = int(np.flatnonzero(two[:, 1] - two[:, 0] < 1e-9)[0])
    either = np.argsort(gap[tie])[:2]
    other = int(either[either != trees.assigned[tie]][0])
    assigned = trees.assigned.copy()
    assigned[tie] = other
    assert "not_nearest" not in codes(replace(claim, trees=replace(trees, assigned=assigned)))


def test_a_block_without_sites_is_no_fault_where_it_says_so(claim: Claim) -> None:
    """No site, nobody served, nothing stocked: right for a block whose stations are all barred."""
    west = tuple(s for s in claim.sites if s.block_id == "West")
    trees = replace(claim.trees, assigned=np.where(claim.trees.block == 0, claim.trees.assigned, -1))
    bare = replace(
        claim, sites=west, trees=trees, last_serial={"WST": len(west)}, females=None, males=None, cavities=None
    )
    bare = with_block(
        bare, 1, sites=0, may_differ=True, coverage=None, levels=(), females=0, males=0, cavities=0
    )
    assert codes(bare) == set()
    assert codes(with_block(bare, 1, may_differ=False)) == {"quota"}


def test_a_neighbour_may_serve_across_a_border_where_the_plan_says_so() -> None:
    """With leave, each tree must go to the nearest site of both blocks."""
    claim = honest(gap_m=0.5, east_row=3)
    assert codes(claim) == set()
    xy = np.array([(s.x_m, s.y_m) for s in claim.sites])
    gap = np.hypot(claim.trees.xy[:, None, 0] - xy[:, 0], claim.trees.xy[:, None, 1] - xy[:, 1])
    nearer = gap.min(axis=1) < gap[np.arange(len(gap)), claim.trees.assigned] - 1e-6
    east = claim.trees.block == 1
    assert (nearer & east).sum() > 10, "trees of the eastern edge are nearer to a western site"
    shared = with_block(claim, 1, served_by=("West",))
    assert "not_nearest" in codes(shared)
    crossed = replace(claim.trees, assigned=np.where(east, gap.argmin(axis=1), claim.trees.assigned))
    assert not {"not_nearest", "unserved"} & codes(replace(shared, trees=crossed))
    assert "unserved" in codes(replace(claim, trees=crossed))
    levels = claim.blocks[1].levels
    assert "level" not in codes(replace(shared, trees=crossed)), "alone the block was served no better"
    better = tuple(replace(v, value=v.value * 0.9) if v.name == "mean_square" else v for v in levels)
    assert "level" in codes(with_block(replace(shared, trees=crossed), 1, levels=better))


def test_a_tree_of_no_weight_counts_nowhere(claim: Claim) -> None:
    """A dead tree far from every site changes no number of its block but the count of trees and its site's farthest."""
    trees = claim.trees
    far = replace(
        trees, xy=np.vstack([trees.xy, [[-400.0, 60.0]]]), weight=np.r_[trees.weight, 0.0], block=np.r_[trees.block, 0],
        assigned=np.r_[trees.assigned, 0],
    )  # fmt: skip
    assert codes(replace(claim, trees=far)) <= {"tree_count", "site_farthest", "not_nearest"}


def test_a_site_on_the_very_line_of_its_block_is_inside(claim: Claim) -> None:
    """A station on the boundary, to a centimetre, stands in the block."""
    first = claim.sites[0]
    west, south, east, north = claim.blocks[0].polygon.bounds
    cut = Polygon([(first.x_m, south), (east, south), (east, north), (first.x_m, north)])
    assert "outside_block" not in codes(with_block(claim, 0, polygon=cut))
    assert "outside_block" in codes(with_block(claim, 0, polygon=cut.buffer(-0.02, join_style="mitre")))
    assert west < first.x_m


def perturbed(value: object) -> list[object]:
    """Wrong values close to a right one, as a slip in the program would make them."""
    if isinstance(value, bool) or value is None:
        return []
    if isinstance(value, int):
        return [value - 1, value + 1]
    if isinstance(value, float):
        return [value * 1.001 + 0.05, value * 0.999 - 0.05]
    if isinstance(value, str):
        return [value + "1", value.lower()]
    return []


UNCHECKED = {
    "flags": "a plan may declare rules that do not bind it",
    "walk_m": "walks are compared with the straight line only, so a longer one passes",
    "females_per_acre": "within half a bee of the right number a rate may differ",
}


def test_no_number_of_a_site_can_be_changed_unseen(claim: Claim) -> None:
    """Every field of a site, a little off, is caught: a mutation test of the checker."""
    unseen = []
    for index in (0, 11, 24, 25, 49):
        for field in fields(claim.sites[index]):
            for value in perturbed(getattr(claim.sites[index], field.name)):
                if field.name not in UNCHECKED and not check(with_site(claim, index, **{field.name: value})):
                    unseen.append((index, field.name, value))
    assert unseen == []


def test_no_number_of_a_block_can_be_changed_unseen(claim: Claim) -> None:
    """Every field of a block, a little off, is caught."""
    unseen = []
    for index, block in enumerate(claim.blocks):
        for field in fields(block):
            for value in perturbed(getattr(block, field.name)):
                if field.name not in UNCHECKED and not check(with_block(claim, index, **{field.name: value})):
                    unseen.append((index, field.name, value))
    assert unseen == []


def test_no_tree_can_change_hands_unseen(claim: Claim) -> None:
    """A tree given to any other site of its block, tie or not, shows in the numbers."""
    dice = np.random.default_rng(8)
    for tree in dice.choice(len(claim.trees.xy), 40, replace=False):
        assigned = claim.trees.assigned.copy()
        own = np.flatnonzero([s.block_id == claim.blocks[claim.trees.block[tree]].block_id for s in claim.sites])
        assigned[tree] = dice.choice(own[own != assigned[tree]])
        assert check(replace(claim, trees=replace(claim.trees, assigned=assigned)))
