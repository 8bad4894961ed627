"""A pond in a block, from the drawing to the round: nobody is led through it, and the checker would say so."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Point, affinity, box

from laid import QUICK
from mudcap.audit.check import check
from mudcap.orchard.model import Exclusion, KeepOut
from mudcap.orchard.network import CART, HEADLAND, LINK, travel_network
from mudcap.orchard.params import RowParams, TravelParams
from mudcap.orchard.rows import lay_rows
from mudcap.place.params import MudParams
from mudcap.plan.claims import claim_of
from mudcap.plan.make import make_plan
from mudcap.plan.model import Earlier, Params
from mudcap.plan.round_make import make_round
from mudcap.plan.round_model import RoundOptions
from mudcap.route.ground import lay_ground
from mudcap.supply.stands import puddle_places
from orchards import block, orchard, road

NONE = np.empty(0, np.int64)
PARAMS = Params(place=replace(QUICK, per_acre=12.0), mud=MudParams(limit_m=40.0))
ROADS = (road((-5, -5), (-5, 105), (105, 105), (105, -5), name="ring"),)


def planned(shape, *, passable=None, alley_mode="cart", roads=ROADS):
    """A plan of a square block with a pond of this shape."""
    ground = orchard(
        block("B", box(0, 0, 100, 100), row_spacing_m=5.0, tree_spacing_m=4.0), roads=roads,
        yard=Point(-6, -6), keep_outs=(KeepOut(name="Pond", geometry=shape, setback_m=3.0, reason="pond", passable=passable),),
    )  # fmt: skip
    return make_plan(ground, replace(PARAMS, travel=TravelParams(alley_mode=alley_mode)))


def legs(plan, task):
    """Every way of a round, as lines."""
    made = make_round(plan, RoundOptions(task=task))
    assert not made.not_visited and not any("not drawn" in note for note in made.notes)
    return [LineString(day.track) for day in made.days]


@pytest.mark.parametrize("mode", ["cart", "foot"])
def test_both_sides_of_a_canal_are_gone_round(mode):
    """Right across the block, and the roads between its two sides lead far around: each side is a place of the round."""
    far = (road((-60, 50), (-60, -60), (50, -60), (50, -2)), road((50, 102), (50, 160), (160, 160), (160, -60), (50, -60)))
    plan = planned(box(-8, 45, 108, 53), roads=far)
    made = make_round(plan, RoundOptions(task="check", mode=mode))
    assert made.not_visited == () and not any("not drawn" in note for note in made.notes)
    for day in made.days:
        assert not LineString(day.track).intersects(box(-8, 45.2, 108, 52.8)) and max(day.track[:, 1]) > 155


def test_a_site_is_served_from_its_own_side_of_a_fence():
    """The fence runs along a row of sites, east of it: they are served from the west."""
    rows = planned(Point(-300, -300).buffer(1)).orchard.blocks[0].rows
    x = float(rows.tree_xy[rows.tree_row == 8, 0].mean())
    plan = planned(LineString([(x + 0.5, -4), (x + 0.5, 104)]), passable=False)
    own = [(s.row, s.x_m, s.y_m) for s in plan.sites if s.row == 8] or [(8, x, 50.0)]
    ground = lay_ground(
        plan.orchard, plan.network, plan.orchard.blocks[0], [r for r, _x, _y in own], [(a, b) for _r, a, b in own], mode=CART,
        row_spacing_m=5.0,
    )  # fmt: skip
    beside = {int(ground.alley[e]) for e in ground.graph.place_edge}
    assert {plan.orchard.blocks[0].alleys[a].right_row for a in beside} == {8}


@pytest.mark.parametrize(
    "shape",
    [Point(50, 50).buffer(15), box(30, 70, 50, 104), box(-8, 45, 101, 53), affinity.rotate(box(20, 48, 80, 52), 30)],
    ids=["middle", "edge", "nearly across", "slanting"],
)
@pytest.mark.parametrize("alley_mode", ["cart", "foot"])
def test_nobody_is_led_through_a_pond(shape, alley_mode):
    """Rounds of checking and wetting, the water truck's way, on wheels or on foot; every site is reached and the checker content."""
    plan = planned(shape, alley_mode=alley_mode)
    assert [f.text for f in plan.findings if f.level == "error"] == []
    assert plan.puddles is not None and len(plan.puddles.puddles)
    ring = ROADS[0].line.buffer(0.6)
    water = shapely.get_parts(shape.buffer(-0.2))
    for way in (*legs(plan, "check"), *legs(plan, "wet"), *plan.puddles.tour.geoms):
        assert not shapely.intersects(water, way.difference(ring)).any()
    xy = np.array([(s.x_m, s.y_m) for s in plan.sites])
    assert shapely.distance(shape, shapely.points(xy)).min() >= 3 - 1e-6
    barred = (plan.candidates.reasons & int(Exclusion.NO_ACCESS)) != 0
    assert not barred.any()


def test_no_hose_leads_through_a_fence():
    """It runs along the west side, between the road and the trees: no puddle lies behind it from the road."""
    fence = LineString([(1, -20), (1, 120)])
    for passable, is_behind in ((None, True), (False, False)):
        plan = planned(fence, passable=passable)
        places = puddle_places(
            plan.orchard, plan.network, mud=replace(PARAMS.mud, alleys=False), access=PARAMS.access, rows=PARAMS.rows
        )
        hose = shapely.linestrings(np.stack([places.stand_xy, places.xy], axis=1))
        assert len(hose) and shapely.intersects(hose, fence).any() == is_behind


def test_where_crews_may_pass_they_do():
    """Ground of a nest: no shelter on it, and the rows as if it were not there."""
    plan = planned(Point(50, 50).buffer(15), passable=True)
    assert len(plan.orchard.blocks[0].alleys) == 21
    assert any(way.intersects(Point(50, 50).buffer(10)) for way in legs(plan, "check"))


def test_the_checker_finds_a_way_through():
    """The same plan claimed with the alleys of ground without the pond."""
    plan = planned(Point(50, 50).buffer(15))
    open_ground, _said = lay_rows(replace(plan.orchard, keep_outs=()), RowParams())
    network = travel_network(open_ground, TravelParams())
    for lame, codes in ((plan, set()), (replace(plan, network=network), {"audit_through_wall"})):
        found = {f.code for f in check(claim_of(lame, earlier=Earlier(), pinned=NONE)) if f.code == "audit_through_wall"}
        assert found == codes


@given(st.floats(-10, 110), st.floats(-10, 110), st.floats(1, 50), st.floats(1, 50), st.floats(0, 180))
@settings(max_examples=20, deadline=None)
def test_the_checker_and_the_network_agree(x, y, wide, high, turn):
    """Wherever the pond lies: by other arithmetic than GEOS, no way leads in but the drawn road."""
    plan = BARE
    shape = affinity.rotate(box(x - wide / 2, y - high / 2, x + wide / 2, y + high / 2), turn)
    keep = KeepOut(name="Pond", geometry=shape, setback_m=3.0, reason="pond")
    laid, _said = lay_rows(replace(plan.orchard, keep_outs=(keep,)), RowParams())
    network = travel_network(laid, TravelParams())
    claim = claim_of(replace(plan, orchard=laid, network=network, puddles=None), earlier=Earlier(), pinned=NONE)
    assert claim.walls and "audit_through_wall" not in {f.code for f in check(claim)}
    assert np.isin(network.kind, (HEADLAND, LINK)).any()


BARE = planned(Point(-300, -300).buffer(1))
