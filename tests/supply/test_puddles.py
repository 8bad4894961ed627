"""Puddles: as few as trying all sets gives, only in legal places, and a round that lies on the ways."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, pairwise

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.distance import cdist
from shapely import LineString, Point, box

from mudcap.orchard.model import Feature, MudSource, Orchard, Role
from mudcap.orchard.network import ALLEY, ROAD, travel_network
from mudcap.orchard.params import RowParams, TravelParams
from mudcap.orchard.rows import lay_rows
from mudcap.place.params import AccessParams, MudParams, PlaceParams
from mudcap.plan.make import solve_here
from mudcap.supply.puddles import plan_puddles
from mudcap.supply.stands import PuddlePlaces, fall_deg, on_fall_line, puddle_places, stores, trench_reach_m
from orchards import block, guarded_block, orchard, road, two_blocks_and_a_road

QUICK = PlaceParams(effort="quick")


def places_of(ground: Orchard, mud: MudParams | None = None, travel: TravelParams | None = None) -> tuple[Orchard, PuddlePlaces]:
    """The ground with its rows, and where puddles may be made."""
    laid = lay_rows(ground, RowParams())[0]
    network = travel_network(laid, travel or TravelParams())
    return laid, puddle_places(laid, network, mud=mud or MudParams(), access=AccessParams(), rows=RowParams())


def planned(ground, xy, mud=None, mud_m=None):
    """The puddle plan of sites at these places."""
    mud = mud or MudParams()
    laid, places = places_of(ground, mud)
    far = np.full(len(xy), np.inf) if mud_m is None else np.asarray(mud_m)
    plan = plan_puddles(
        laid, places, np.asarray(xy, float).reshape(-1, 2), far, mud=mud, travel=TravelParams(), place=QUICK,
        solve_all=solve_here, units="metric",
    )  # fmt: skip
    return laid, places, plan


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10**6), limit=st.sampled_from([12.0, 20.0, 30.0, 45.0]), alleys=st.booleans())
def test_as_few_as_all_sets_of_legal_places(seed, limit, alleys):
    """On a small block: proven, all within the limit, those out of reach listed with what is missing."""
    ground = orchard(block("Small", box(0, 0, 60, 70), headland_m=6.0), roads=(road((-8, -4), (70, -4)),), yard=Point(-8, -5))
    rng = np.random.default_rng(seed)
    xy = rng.random((9, 2)) * (60, 70)
    mud = MudParams(limit_m=limit, alleys=alleys, stand_spacing_m=12.0, hose_m=0.0)
    _laid, places, plan = planned(ground, xy, mud)
    reach = cdist(places.xy, xy) <= limit + 1e-9
    can = reach.any(axis=0)
    useful = np.unique(reach[:, can], axis=0)
    fewest = next(
        k for k in range(len(xy) + 1) if not can.any() or any(useful[list(c)].any(axis=0).all() for c in combinations(range(len(useful)), k) if k)
    )  # fmt: skip
    assert len(plan.puddles) == plan.bound == fewest and plan.status == "optimal"
    assert sorted(k for p in plan.puddles for k in p.sites) == np.flatnonzero(can).tolist()
    for p in plan.puddles:
        away = np.hypot(*(xy[list(p.sites)] - (p.x_m, p.y_m)).T)
        assert p.farthest_m == pytest.approx(away.max()) and away.max() <= limit + 1e-9
    missing = dict(plan.unserved)
    assert sorted(missing) == np.flatnonzero(~can).tolist()
    for k, metres in missing.items():
        assert metres == pytest.approx(cdist(places.xy, xy[[k]]).min() - limit)


def test_places_keep_clear_of_all_that_bars_them():
    """The whole trench, whichever way it lies, against a lane, a pump house, hives, a power line, a store and closed ground."""
    mud = MudParams()
    laid, places = places_of(guarded_block(), mud)
    points, half = shapely.points(places.xy), trench_reach_m(mud)
    assert len(points) > 300
    for keep in laid.keep_outs:
        assert shapely.distance(points, keep.geometry).min() >= keep.setback_m + half - 1e-9
    assert shapely.distance(points, laid.closures[0].geometry).min() >= half - 1e-9
    lane = laid.spray_lanes[0]
    assert shapely.distance(points, lane.line).min() >= lane.swept_m / 2 + AccessParams().spray_clear_m + half - 1e-9
    road_line = laid.roads[0]
    assert shapely.distance(points, road_line.line).min() >= road_line.width_m / 2
    assert (shapely.distance(points, shapely.points(places.stand_xy)) <= mud.hose_m + 1e-9).all()


def test_alleys_and_hose_are_options():
    """Without alleys nothing lies between the rows but what the hose reaches; without a hose all lies beside the way."""
    _laid, with_alleys = places_of(two_blocks_and_a_road())
    _laid, without = places_of(two_blocks_and_a_road(), MudParams(alleys=False))
    _laid, short = places_of(two_blocks_and_a_road(), MudParams(alleys=False, hose_m=0.0))
    assert (with_alleys.kind == ALLEY).any() and not (without.kind == ALLEY).any()
    off = np.hypot(*(short.xy - short.stand_xy).T)
    # a road 4 m wide, a trench 0.5 m wide, 1 m between: 2 + 0.25 + 1
    assert off[short.kind == ROAD] == pytest.approx(3.25)
    assert len(short.xy) < len(without.xy)


def test_places_stand_apart_as_asked_even_on_a_road_drawn_point_by_point():
    """A track with a point each metre gives a stand about every 10 m, not each metre."""
    ground = orchard(block("Small", box(0, 0, 60, 70)), roads=(road(*[(x, -4 + 0.1 * np.sin(x)) for x in range(-8, 120)]),))
    _laid, places = places_of(ground, MudParams(alleys=False, hose_m=0.0))
    stands = np.unique(np.round(places.stand_xy[places.kind == ROAD], 6), axis=0)
    gap = cdist(stands, stands)
    assert 10 <= len(stands) <= 25 and gap[gap > 0].min() >= 6.0


def test_a_truck_that_gets_nowhere_makes_no_puddle():
    """A road for people on foot only: every site is listed, with no place at all."""
    ground = two_blocks_and_a_road()
    ground = replace(ground, roads=(replace(ground.roads[0], modes=frozenset({"foot"})),))
    _laid, places, plan = planned(ground, [(10.0, 20.0)])
    assert not len(places.xy) and not plan.puddles and plan.unserved == ((0, np.inf),)


def test_nothing_is_dug_on_the_fall_line_of_a_store_where_the_fall_is_known():
    """The ground falls due east at a store: places within 45° of the line through it are out, on both sides, up to 100 m."""
    store = Feature(role=Role.CHEMICAL_STORE, name="shed", geometry=Point(100, 75), attributes={"DOWNHILL_DEG": "90"})
    ground = replace(guarded_block(), keep_outs=(), features=(store,))
    assert fall_deg(ground, store) == 90.0
    probe = np.array([(150.0, 75.0), (150, 124), (150, 126), (50, 75), (100, 125), (201, 75)])
    assert on_fall_line(ground, store, probe, 100.0).tolist() == [True, True, False, True, False, False]
    _laid, places = places_of(ground)
    away = places.xy - (100.0, 75.0)
    near = np.hypot(*away.T) <= 100
    assert near.any() and (np.abs(away[near, 0]) < np.abs(away[near, 1]) + 1e-6).all()
    unknown = replace(ground, features=(replace(store, attributes={}),))
    assert fall_deg(unknown, stores(unknown)[0]) is None
    assert len(places_of(unknown)[1].xy) > len(places.xy)
    soil = Feature(role=Role.SOIL, name="clay", geometry=box(0, 0, 200, 150), attributes={"downhill_deg": "-90"})
    assert fall_deg(replace(unknown, features=(*unknown.features, soil)), unknown.features[0]) == 270.0


def test_the_round_is_closed_and_lies_on_the_ways():
    """From the yard and back, as long as its pieces, each puddle's stand on it; litres and minutes by hand."""
    ground = two_blocks_and_a_road()
    mud = MudParams(trench_length_m=2.0, trench_width_m=0.5, trench_depth_m=0.1, pour_l_min=100.0, fill_l_min=200.0, stop_s=60.0)
    xy = [(10.0, 60.0), (60.0, -60.0), (30.0, 110.0), (15.0, -110.0)]
    laid, _places, plan = planned(ground, xy, mud)
    assert [p.name for p in plan.puddles] == [f"P{k + 1}" for k in range(len(plan.puddles))]
    legs = list(plan.tour.geoms)
    assert Point(legs[0].coords[0]).distance(ground.yard) < 1e-6 and Point(legs[-1].coords[-1]).distance(ground.yard) < 1e-6
    assert all(a.coords[-1] == b.coords[0] for a, b in pairwise(legs))
    assert plan.tour.length == pytest.approx(plan.tour_m) and plan.tour_bound_m == pytest.approx(plan.tour_m)
    net = travel_network(laid, TravelParams())
    ways = shapely.union_all(shapely.linestrings(np.stack([net.node_xy[net.source], net.node_xy[net.target]], axis=1)))
    assert ways.buffer(0.01).covers(plan.tour)
    for p in plan.puddles:
        assert plan.tour.distance(Point(p.stand_x_m, p.stand_y_m)) < 2e-3  # stops are kept to the millimetre
        assert p.litres == pytest.approx(100.0)  # 2 m × 0.5 m × 0.1 m = 0.1 m³
    n = len(plan.puddles)
    assert plan.fills == 1 and plan.fills_at == plan.starts_at == "yard"
    # a minute to stop, a minute to pour 100 L and half a minute to fill them, besides driving at 15 km/h or slower
    assert 150.0 * n + plan.tour_m / (15 / 3.6) - 1e-6 <= plan.tour_s <= 150.0 * n + plan.tour_m / (6 / 3.6) + 1e-6


def test_a_small_tank_is_filled_at_the_water_point_unless_its_water_is_not_clean():
    """A tap by the road's east end: fillings there; a tap that says `clean = no`, or none, sends the truck to the yard."""
    ground = two_blocks_and_a_road()
    tap = Feature(role=Role.WATER_POINTS, name="tap", geometry=Point(80, 3), attributes={})
    mud = MudParams(tank_l=100.0)
    xy = [(10.0, 60.0), (60.0, -60.0), (30.0, 110.0), (15.0, -110.0)]
    _laid, _places, plan = planned(replace(ground, features=(tap,)), xy, mud)
    assert plan.fills_at == "water points" and plan.fills == len(plan.puddles) > 1
    assert plan.tour.distance(Point(80, 0)) < 1e-6
    dirty = replace(tap, attributes={"Clean": "No"})
    for features in ((dirty,), ()):
        _laid, _places, plan = planned(replace(ground, features=features), xy, mud)
        assert plan.fills_at == "yard" and plan.fills == len(plan.puddles)


def test_sites_with_clean_mud_near_need_nothing():
    """Only the site that has none gets a puddle."""
    _laid, _places, plan = planned(two_blocks_and_a_road(), [(10.0, 60.0), (60.0, -60.0)], mud_m=[50.0, 50.1])
    assert [p.sites for p in plan.puddles] == [(1,)] and plan.bound == 1
    _laid, _places, none = planned(two_blocks_and_a_road(), [(10.0, 60.0)], mud_m=[3.0])
    assert none.puddles == () and none.tour.is_empty and none.status == "optimal" and none.unserved == ()


@pytest.mark.parametrize("yard", [None, Point(-5, -5)])
def test_parts_that_no_way_joins_have_rounds_of_their_own(yard):
    """Two blocks far apart without roads, with the yard by one of them or none: both get puddles, the way is in two closed pieces."""
    ground = orchard(block("West", box(0, 0, 60, 70)), block("East", box(1000, 0, 1060, 70)), yard=yard)
    _laid, _places, plan = planned(ground, [(30.0, 35.0), (1030.0, 35.0)])
    assert len(plan.puddles) == 2 and plan.starts_at == "entry" and plan.fills == 2
    assert np.isfinite(plan.tour_m) and plan.tour.length == pytest.approx(plan.tour_m)


def test_an_address_names_road_side_row_and_tree():
    """South of the road by the block's north-east tree; rows and trees are counted from the south-west."""
    ground = replace(two_blocks_and_a_road(), roads=(road((-40, 0), (87, 0), name="Mill Lane"),))
    _laid, _places, plan = planned(ground, [(64.0, -3.0)], MudParams(alleys=False, hose_m=0.0, limit_m=5.0))
    (p,) = plan.puddles
    assert p.stand == "road" and p.address.startswith("Mill Lane, south side, 3 m off, by row 10 tree") and p.block_id == "South"


@pytest.mark.parametrize(("clay", "share"), [("10", 0.1), ("35", 0.35)])
def test_clay_of_the_ground_is_carried(clay, share):
    """What the soil layer says under a puddle."""
    soil = Feature(role=Role.SOIL, name="field", geometry=box(-100, -200, 200, 200), attributes={"clay": clay})
    _laid, _places, plan = planned(replace(two_blocks_and_a_road(), features=(soil,)), [(10.0, 60.0)])
    assert plan.puddles[0].clay_share == share


def test_clayey_ground_comes_before_the_shorter_distance():
    """The west half is sand: a site on its edge is served from the clay beside it, unless the clay is out of reach."""
    sand = Feature(role=Role.SOIL, name="sand", geometry=box(-100, -200, 33, 200), attributes={"texture": "sand"})
    ground = two_blocks_and_a_road()
    for features, is_clay in (((), False), ((sand,), True)):
        _laid, _places, plan = planned(replace(ground, features=features), [(28.0, 60.0)])
        assert (plan.puddles[0].x_m > 33) == is_clay and len(plan.puddles) == 1
    _laid, _places, plan = planned(replace(ground, features=(sand,)), [(3.0, 60.0)], MudParams(limit_m=15.0))
    assert plan.puddles[0].x_m < 33 and plan.puddles[0].clay_share == 0.05


def test_a_ditch_is_not_dug_into():
    """A metre and the trench's half from it at least."""
    ditch = Feature(role=Role.DITCHES, name="canal", geometry=LineString([(-50, -30), (100, -30)]))
    _laid, places = places_of(replace(two_blocks_and_a_road(), features=(ditch,)))
    assert shapely.distance(shapely.points(places.xy), ditch.geometry).min() >= 1.0 + trench_reach_m(MudParams()) - 1e-9


def test_mud_sources_do_not_bar_a_puddle():
    """A dry or dirty source is no keep-out."""
    spot = MudSource(name="sump", geometry=Point(30, 30), is_clean=False)
    with_spot = places_of(replace(two_blocks_and_a_road(), mud_sources=(spot,)))[1]
    assert len(with_spot.xy) == len(places_of(two_blocks_and_a_road())[1].xy)
