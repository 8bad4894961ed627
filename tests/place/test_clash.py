"""Clashes of limits: what is told is what is the case, and the change that is named really does it."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial import cKDTree

from laid import Laid, lay, small_block
from mudcap.geo.units import parse_length
from mudcap.orchard.model import Exclusion, KeepOut, MudSource, SprayLane
from mudcap.orchard.params import RowParams, TravelParams
from mudcap.place.clash import acres_of_trees, quota_clash, reach_clash
from mudcap.place.params import AccessParams, MudParams
from orchards import LineString, Point, box, guarded_block, orchard, road

WALK, LANE, HIVES = (int(f) for f in (Exclusion.TOO_FAR_TO_WALK, Exclusion.SPRAY_LANE, Exclusion.HIVES))
ACCESS, MUD = AccessParams(), MudParams()
BLOCK = small_block("Small", 0, 0)


def quota_text(laid: Laid, quota: int, units="us", access=ACCESS, mud=MUD, barring=None) -> str | None:
    stations = np.arange(len(laid.candidates.xy))
    barring = laid.candidates.reasons if barring is None else barring
    found = quota_clash(
        laid.orchard.blocks[0], stations, barring, laid.candidates, quota=quota, access=access, mud=mud, units=units
    )
    return None if found is None else found.text


def reach_text(laid: Laid, limit_m: float, units="us", access=ACCESS, mud=MUD) -> str | None:
    stations = np.arange(len(laid.candidates.xy))
    free = laid.candidates.xy[laid.candidates.reasons == 0]
    away = cKDTree(free).query(laid.demand.xy)[0] if len(free) else np.full(len(laid.demand.xy), np.inf)
    found = reach_clash(
        laid.orchard.blocks[0], laid.demand.xy, away, stations, laid.candidates.reasons, laid.candidates, limit_m=limit_m,
        trees_per_acre=134.9, access=access, mud=mud, units=units,
    )  # fmt: skip
    return None if found is None else found.text


def named(text: str, rule: str) -> float:
    """The value [m] to which the text would set a rule."""
    found = re.search(rf"A {rule} of ([\d.,]+ (?:ft|m)) instead of", text)
    assert found, text
    return parse_length(found.group(1).replace(",", ""))


def walked(access: AccessParams) -> Laid:
    """A block whose rows nobody drives into: walks grow with the distance from the road."""
    on_foot = TravelParams(alley_mode="foot")
    return lay(orchard(BLOCK, roads=(road((-10, -4), (60, -4)),)), access=access, travel=on_foot)


def lanes(access: AccessParams, rows=None) -> Laid:
    """A lane across the block, aslant."""
    lane = SprayLane(name="lane", line=LineString([(-5, 5), (55, 30)]), swept_m=4.0)
    return lay(orchard(BLOCK, spray_lanes=(lane,)), access=access, rows=rows)


def muddy(mud: MudParams) -> Laid:
    """Mud at one corner, and only what is there counts."""
    return lay(orchard(BLOCK, mud_sources=(MudSource(name="hole", geometry=Point(-3, -3), texture="clay loam"),)), mud=mud)


@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize("quota", [25, 37, 60, 80])
def test_the_mud_limit_named_frees_enough_and_a_step_less_does_not(units, quota):
    """The ground is looked at again under the named limit; one step of rounding below it the quota fails."""
    mud = MudParams(mode="existing", limit_m=20.0)
    laid = muddy(mud)
    free = int((laid.candidates.reasons == 0).sum())
    text = quota_text(laid, quota, units, mud=mud)
    if free >= quota:
        assert text is None
        return
    assert f"{quota} sites are asked for, {free} of 80 stations are free" in text
    limit = named(text, "mud limit")
    step = 0.3048 if units == "us" else 0.1
    assert (muddy(replace(mud, limit_m=limit)).candidates.reasons == 0).sum() >= quota
    assert (muddy(replace(mud, limit_m=limit - step)).candidates.reasons == 0).sum() < quota


@pytest.mark.parametrize("sprayed_every", [0, 1])
@pytest.mark.parametrize("units", ["us", "metric"])
def test_the_lane_clearance_named_frees_enough(units, sprayed_every):
    """Also where every alley is sprayed, which bars nothing by itself."""
    access, rows = AccessParams(spray_clear_m=4.0), RowParams(sprayed_every=sprayed_every)
    laid = lanes(access, rows)
    free = int((laid.candidates.reasons == 0).sum())
    text = quota_text(laid, free + 6, units, access=access)
    clear = named(text, "spray lane clearance")
    assert 0 <= clear < 4.0
    again = lanes(replace(access, spray_clear_m=clear), rows)
    assert (again.candidates.reasons == 0).sum() >= free + 6
    more = lanes(replace(access, spray_clear_m=clear + (0.3048 if units == "us" else 0.1)), rows)
    assert (more.candidates.reasons == 0).sum() < free + 6


def test_inside_the_swept_width_no_clearance_is_offered():
    """Nothing stands where the sprayer passes, whatever the clearance."""
    laid = lanes(AccessParams(spray_clear_m=4.0))
    text = quota_text(laid, 80)
    assert "would do" not in text and "No single change of a rule frees enough" in text


def test_the_walk_limit_named_frees_enough():
    """Walks as the network gives them."""
    access = AccessParams(walk_m=8.0)
    laid = walked(access)
    assert (laid.candidates.reasons == WALK).any()
    free = int((laid.candidates.reasons == 0).sum())
    text = quota_text(laid, min(free + 20, 80), access=access)
    again = walked(replace(access, walk_m=named(text, "walk limit")))
    assert (again.candidates.reasons == 0).sum() >= free + 20


def test_a_change_that_rounds_to_the_limit_in_force_is_told_finer():
    """No '197 ft instead of 197 ft'."""
    laid = lay(orchard(BLOCK))
    walk = np.full(80, 60.04)
    laid = laid.with_stations(reasons=np.full(80, WALK), walk_m=walk)
    text = quota_text(laid, 5)
    assert "A walk limit of 197.0 ft instead of 196.9 ft would do." in text
    assert 60.04 <= named(text, "walk limit") < 60.1


def test_people_are_not_advised_to_do_without_hazard_rules():
    """Hives may be moved; a power line or a chemical store is not bargained with."""
    laid = lay(orchard(BLOCK))
    for flag, is_offered in ((Exclusion.HIVES, True), (Exclusion.HAZARD, False), (Exclusion.CHEMICAL_STORE, False)):
        text = quota_text(laid.with_stations(reasons=np.full(80, int(flag))), 5)
        assert ("Without the rule" in text) == is_offered


def test_stations_barred_twice_are_no_way_out():
    """Loosening one rule leaves the other."""
    laid = lay(orchard(BLOCK)).with_stations(reasons=np.array([HIVES | WALK] * 78 + [HIVES, WALK]), walk_m=np.full(80, 61.0))
    text = quota_text(laid, 1)
    assert "Without the rule 'honey-bee hives' it would do." in text and "walk limit of 201 ft" in text
    assert "loosen two rules" in quota_text(laid, 2)


def test_more_sites_than_stations_is_said_as_that():
    """No rule is to blame."""
    text = quota_text(lay(orchard(BLOCK)), 81)
    assert "There are no more stations" in text and "rules bar 0 (0.00 ac)" in text


def test_acres_of_what_is_barred():
    """Half of the stations are half of the block."""
    laid = lay(orchard(BLOCK)).with_stations(reasons=np.repeat([0, HIVES], 40))
    assert f"rules bar 40 ({BLOCK.acres / 2:.2f} ac)" in quota_text(laid, 41)
    assert acres_of_trees(80, 6.0, 5.0) == pytest.approx(BLOCK.acres)


@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize("limit_m", [9.0, 12.0, 15.0])
def test_the_reach_named_brings_every_tree_within_the_limit(units, limit_m):
    """Under the named mud limit no tree is beyond the distance any more; a step below it one still is."""
    mud = MudParams(mode="existing", limit_m=15.0)
    text = reach_text(muddy(mud), limit_m, units, mud=mud)
    limit = named(text, "mud limit")
    step = 0.3048 if units == "us" else 0.1
    assert reach_text(muddy(replace(mud, limit_m=limit)), limit_m, units) is None
    assert reach_text(muddy(replace(mud, limit_m=limit - step)), limit_m, units) is not None


def test_trees_in_reach_are_no_clash_and_two_causes_have_no_single_way_out():
    """The corner behind the hives is far from any free station; where another rule bars one too, no single change serves."""
    assert reach_text(lay(orchard(BLOCK)), 1.0) is None
    hives = KeepOut(name="bees", geometry=Point(0, 0), setback_m=28.0, reason="hives", rule=Exclusion.HIVES)
    text = reach_text(lay(orchard(BLOCK, keep_outs=(hives,))), 15.0)
    assert "Without the rule 'honey-bee hives' it would do." in text
    line = KeepOut(name="line", geometry=box(30, 30, 60, 60), setback_m=0.0, reason="line", rule=Exclusion.HAZARD)
    assert "No single rule change serves them all." in reach_text(lay(orchard(BLOCK, keep_outs=(hives, line))), 15.0)
    assert "No single rule change" in reach_text(lay(guarded_block()), 20.0)
