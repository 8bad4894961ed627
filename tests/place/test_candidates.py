"""Stations with their distances and reasons, by hand on small orchards, and on 640 acres."""

import time
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from shapely import Point, box

from mudcap.orchard.model import Closure, Exclusion, MudSource
from mudcap.orchard.network import travel_network
from mudcap.orchard.params import RowParams, TravelParams
from mudcap.orchard.rows import lay_rows
from mudcap.place.candidates import lay_candidates
from mudcap.place.params import AccessParams, MudParams
from orchards import FOOT_M, block, forty_acres, guarded_block, orchard, road, two_blocks_and_a_road


def stations(orchard_, *, access=None, mud=None, rows=None, travel=None, season=None):
    """Candidates of an orchard from the ground up."""
    rows, travel = rows or RowParams(), travel or TravelParams()
    grown = lay_rows(orchard_, rows)[0]
    network = travel_network(grown, travel)
    return lay_candidates(grown, network, access or AccessParams(), mud or MudParams(), rows, travel, season=season)


def has(found, flag):
    """Which stations carry a reason."""
    return (found.reasons & flag) != 0


def test_every_tree_is_a_station():
    """4,080 trees of the forty acres, addressed, all free once mud is planned."""
    found = stations(forty_acres())
    assert len(found.xy) == 4080
    assert len(np.unique(np.column_stack([found.block, found.row, found.tree]), axis=0)) == 4080
    assert (found.reasons == 0).all()
    assert found.walk_m.max() < 3.4
    assert np.isinf(found.mud_m).all() and np.isinf(found.lane_m).all()


def test_stations_between_trees():
    """One fewer a row, at the middle, named after the lower tree; none over a pond or road."""
    found = stations(forty_acres(), rows=RowParams(between_trees=True))
    assert len(found.xy) == 120 * 33
    first = found.row == 1
    assert found.tree[first].tolist() == list(range(1, 34))
    trees = stations(forty_acres())
    assert found.xy[0] == pytest.approx((trees.xy[0] + trees.xy[1]) / 2)


def test_each_rule_by_hand():
    """One block with one of each; who is barred is known from the coordinates alone."""
    found = stations(guarded_block())
    x, y = found.xy.T
    lane = np.abs(x - 55.0) - 2.0 < 1.5
    assert has(found, Exclusion.SPRAY_LANE).tolist() == lane.tolist()
    assert found.lane_m == pytest.approx(np.maximum(np.abs(x - 55.0) - 2.0, 0.0), abs=0.01)
    pump = np.hypot(np.maximum(np.abs(x - 101) - 3, 0), np.maximum(np.abs(y - 73) - 3, 0)) <= 3.0
    assert has(found, Exclusion.KEEP_OUT).tolist() == pump.tolist()
    assert has(found, Exclusion.HIVES).tolist() == (np.hypot(x - 150, y - 60) <= 30).tolist()
    assert has(found, Exclusion.HAZARD).tolist() == (np.abs(y - 140) <= 3).tolist()
    assert has(found, Exclusion.CHEMICAL_STORE).tolist() == (np.hypot(x - 10, y + 20) <= 30).tolist()
    assert has(found, Exclusion.CLOSED).tolist() == ((x >= 180) & (y >= 120)).tolist()
    for flag in (Exclusion.SPRAY_LANE, Exclusion.KEEP_OUT, Exclusion.HIVES, Exclusion.HAZARD, Exclusion.CLOSED):
        assert 0 < has(found, flag).sum() < 200


def test_a_closure_with_dates_bars_nobody_from_hanging():
    """It only closes the ground for those days."""
    home = guarded_block()
    dated = Closure(name="c", geometry=box(0, 0, 200, 150), first=date(2026, 4, 1), last=date(2026, 4, 3))
    assert not has(stations(replace(home, closures=(dated,))), Exclusion.CLOSED).any()


def test_every_third_alley_bars_two_rows_in_three_and_all_sprayed_bars_none():
    """k = 3 leaves the row in the middle; k = 1 is a penalty: distances, no exclusion."""
    third = stations(forty_acres(), rows=RowParams(sprayed_every=3))
    barred = has(third, Exclusion.SPRAY_LANE)
    assert np.unique(third.row[~barred]).tolist() == [1, *range(2, 121, 3)]
    every = stations(forty_acres(), rows=RowParams(sprayed_every=1))
    assert not has(every, Exclusion.SPRAY_LANE).any() and every.lane_m.max() < 0.01


def test_block_edge_is_kept_only_if_asked():
    """Default 0; with 10 m the outer strip is barred."""
    assert not has(stations(forty_acres()), Exclusion.BLOCK_EDGE).any()
    found = stations(forty_acres(), access=AccessParams(block_edge_m=10.0))
    x, y = found.xy.T
    near = np.minimum(np.minimum(x, 2640 * FOOT_M - x), np.minimum(y, 660 * FOOT_M - y)) < 10
    assert has(found, Exclusion.BLOCK_EDGE).tolist() == near.tolist()


def test_too_far_to_walk_and_no_access():
    """Feet in the alleys: beyond 60 m too far; with the yard elsewhere no access at all."""
    found = stations(forty_acres(), travel=TravelParams(alley_mode="foot"))
    assert has(found, Exclusion.TOO_FAR_TO_WALK).tolist() == (found.walk_m > 60).tolist()
    assert 0 < has(found, Exclusion.TOO_FAR_TO_WALK).sum() < 4080
    cut = orchard(block("B", box(0, 0, 60, 90)), roads=(road((0, 900), (90, 900)),))
    lost = stations(cut)
    assert has(lost, Exclusion.NO_ACCESS).all() and not has(lost, Exclusion.TOO_FAR_TO_WALK).any()


def test_mud_bars_only_where_it_must_exist():
    """Plan mode: a puddle will be planned, nothing is barred; existing mode: stations beyond the limit are."""
    home = two_blocks_and_a_road()
    found = stations(home)
    source = np.array([home.mud_sources[0].geometry.x, home.mud_sources[0].geometry.y])
    assert found.mud_m == pytest.approx(np.hypot(*(found.xy - source).T))
    assert not has(found, Exclusion.NO_MUD).any()
    strict = stations(home, mud=MudParams(mode="existing"))
    assert has(strict, Exclusion.NO_MUD).tolist() == (found.mud_m > 50).tolist()


def test_mud_that_does_not_serve_does_not_count():
    """Contaminated, sandy, dry: no distance to them; the season decides what is dry."""
    dirty = MudSource(name="d", geometry=Point(20, 0), is_clean=False)
    sandy = MudSource(name="s", geometry=Point(20, 0), texture="sand")
    late = MudSource(name="l", geometry=Point(20, 0), clay_share=0.3, wet=((date(2026, 6, 1), date(2026, 7, 1)),))
    ranch = replace(two_blocks_and_a_road(), mud_sources=(dirty, sandy, late))
    assert np.isinf(stations(ranch).mud_m).all()
    assert np.isfinite(stations(ranch, season=(date(2026, 5, 20), date(2026, 6, 20))).mud_m).all()


def test_a_ban_or_lane_never_frees_a_station():
    """More things to keep away from never free a station."""
    home = guarded_block()
    bare = replace(home, spray_lanes=(), keep_outs=(), closures=())
    more, less = stations(home).reasons, stations(bare).reasons
    assert ((less & ~more) == 0).all()


def test_no_block_no_station():
    """An orchard without trees has none."""
    found = stations(orchard())
    assert len(found.xy) == 0 and found.xy.shape == (0, 2)


def test_stations_are_read_only():
    """Nobody moves a station by accident."""
    with pytest.raises(ValueError, match="read-only"):
        stations(two_blocks_and_a_road()).xy[0, 0] = 1.0


def test_six_hundred_and_forty_acres_take_seconds():
    """240 rows of 293 trees, of each one where the road runs through, with lanes, keep-outs and roads: under 15 s of processor time (2 to 3 on the machine it was made on)."""
    width, depth = 240 * 22 * FOOT_M, 293 * 18 * FOOT_M
    ranch = orchard(
        block("Big", box(-width / 2, 0, width / 2, depth), headland_m=0.0),
        roads=(road((-width, -4), (width, -4)), road((-width, depth / 2), (width, depth / 2))),
    )
    start = time.process_time()
    found = stations(ranch, rows=RowParams(sprayed_every=3))
    assert time.process_time() - start < 15
    assert len(found.xy) == 240 * 292
