"""Ground that no vehicle reaches: acres, what keeps vehicles out, and the shortest link, worked by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from shapely import LineString, Point, box

from mudcap.orchard.access import acres_off_network, cut_off
from mudcap.orchard.checks import check
from mudcap.orchard.model import AlleyRule, Closure, Feature, Gate, KeepOut, Role
from mudcap.orchard.network import travel_network
from mudcap.orchard.params import RowParams, TravelParams
from mudcap.orchard.rows import lay_rows
from orchards import block, forty_acres, orchard, road, two_blocks_and_a_road

ACRE_M2 = 4046.8564224
MARCH = (date(2027, 3, 1), date(2027, 3, 31))
SOUTH = road((-10, -4), (70, -4), name="South Road")
YARD = Point(-10, -5)


def square(name="B", x=0.0, y=0.0, **said):
    """Ten rows 6 m apart, 17 trees 5 m apart in each: 170 trees of 30 m² each; alleys from y + 5 to y + 95."""
    return block(name, box(x, y, x + 60, y + 100), **({"row_spacing_m": 6.0, "tree_spacing_m": 5.0, "headland_m": 10.0} | said))


PLANTED = 170 * 30 / ACRE_M2


def parts(ranch, days=None, **params):
    """What is cut off, and the findings about it by code."""
    grown = lay_rows(ranch, RowParams())[0]
    travel = TravelParams(**params)
    network = travel_network(grown, travel)
    found = cut_off(grown, network, travel, days=days)
    total = {}
    for part in found:
        for name, acres in part.acres.items():
            total[name] = total.get(name, 0.0) + acres
    assert acres_off_network(grown, network, days=days) == pytest.approx(total, abs=0.02)
    said = {f.code: f for f in check(grown, travel=travel, days=days)}
    return found, said


def locked(x, y, name="Lane gate"):
    """A gate locked for vehicles."""
    return Gate(role=Role.GATES, name=name, geometry=Point(x, y), locked=frozenset({"truck", "cart"}))


def test_nothing_is_cut_off_on_a_well_drawn_ranch():
    """Nor where no road is known, nor on an empty one."""
    for ranch in (two_blocks_and_a_road(), forty_acres(), orchard()):
        assert parts(ranch)[0] == ()


def test_a_block_behind_a_gap():
    """The road ends 40 m short of the block's south headland (y = 5): one link of 40 m, all its acres."""
    ranch = orchard(square(y=0), roads=(road((-50, -35), (90, -35), name="Far Road"),), yard=Point(-50, -36))
    (part,), said = parts(ranch)
    assert part.why == "gap" and part.acres == {"B": pytest.approx(PLANTED, rel=1e-6)}
    assert part.link.line.length == pytest.approx(40, abs=0.01) and part.link.ditches == () and part.link.rows == 0
    start, end = part.link.line.coords
    assert (start[1], end[1]) == (pytest.approx(5, abs=0.01), pytest.approx(-35))
    text = said["not_reached"].text
    assert f"{PLANTED:.2f} acres from the yard" in text and "131 ft long, to road Far Road at 36.99" in text
    assert said["not_reached"].geometry.equals(part.link.line)


def test_the_link_drawn_mends_it():
    """Drawing the very link that was named joins the whole part."""
    far = road((-50, -35), (90, -35))
    ranch = orchard(square(), roads=(far,), yard=Point(-50, -36))
    (part,), _said = parts(ranch)
    new = replace(far, name="new", line=LineString(part.link.line.coords))
    assert parts(replace(ranch, roads=(far, new)))[0] == ()


def test_the_far_side_of_a_ditch():
    """A ditch at y = 50 cuts half of a block off; the link is 1 m over the ditch, which is named, with the way to mend it."""
    ditch = Feature(role=Role.DITCHES, name="Main ditch", geometry=LineString([(-20, 50), (80, 50)]))
    (part,), said = parts(orchard(square(), roads=(SOUTH,), yard=YARD, features=(ditch,)))
    assert part.acres["B"] == pytest.approx(PLANTED / 2, rel=0.02)
    assert part.link.line.length == pytest.approx(1.0, abs=0.01) and part.link.ditches == ("Main ditch",)
    assert "crosses a ditch (Main ditch)" in said["not_reached"].text and "culvert" in said["not_reached"].text


def test_a_link_does_not_cut_through_tree_rows():
    """East of the ditch that runs along the rows nothing leads in. The next driven alley is 6 m away through a row or over the
    ditch; a road lies 30 m north of it: whatever is told crosses no tree row."""
    ditch = Feature(role=Role.DITCHES, name="d", geometry=LineString([(33, -20), (33, 120)]))
    roads = (road((-10, -4), (20, -4)), road((-10, -4), (-10, 125), (70, 125), name="North"))
    (part,), _said = parts(orchard(square(), roads=roads, yard=YARD, features=(ditch,)))
    assert part.link.rows == 0
    assert part.acres["B"] == pytest.approx(PLANTED / 2, rel=0.15)
    between = LineString([(30, 10), (30, 90)])
    assert not part.link.line.crosses(between)


def test_a_keep_out_is_gone_round():
    """A pond fills the straight way to the nearer road; the farther road is told."""
    pond = KeepOut(name="pond", geometry=box(-60, -30, 120, -5), setback_m=3, reason="pond")
    roads = (road((-150, -35), (190, -35), name="pond road"), road((-150, -35), (-150, 160), (190, 160), name="top"))
    (part,), said = parts(orchard(square(), roads=roads, yard=Point(-150, -36), keep_outs=(pond,)))
    assert part.link.line.length == pytest.approx(65, abs=0.1) and "road top" in said["not_reached"].text


def test_behind_a_locked_gate():
    """All of the block lies behind it: the gate and the option that opens it are named; with the key nothing is said."""
    lane = road((30, -60), (30, -3), name="lane")
    main = road((-40, -60), (70, -60), name="main")
    ranch = orchard(square(), roads=(main, lane), gates=(locked(30, -30), locked(900, 900, "Lost gate")), yard=Point(-40, -61))
    (part,), said = parts(ranch)
    assert (part.why, part.gates, part.link) == ("gate", ("Lane gate",), None)
    assert part.acres["B"] == pytest.approx(PLANTED, rel=1e-6)
    assert 'keys = "Lane gate" under [travel]' in said["behind_locked_gate"].text
    assert said["gate_alone"].feature == "Lost gate"
    found, said = parts(ranch, keys="lane gate, Back gate")
    assert found == () and said["unknown_key"].feature == "back gate" and "behind_locked_gate" not in said


def test_every_way_in_is_locked():
    """No yard, one gate, locked: nothing is reached, and the gate is named."""
    (part,), said = parts(orchard(square(), roads=(SOUTH,), gates=(locked(-10, -4, "Only gate"),)))
    assert (part.why, part.gates) == ("gate", ("Only gate",)) and "the gates" in said["behind_locked_gate"].text


def test_against_a_one_way_road():
    """The only road to the block leads away from it."""
    wrong = road((30, -4), (30, -60), name="wrong", one_way=True)
    (part,), said = parts(orchard(square(), roads=(road((-40, -60), (70, -60)), wrong), yard=Point(-40, -61)))
    assert part.why == "one_way" and "direction" in said["against_one_way"].text


def test_one_way_alleys_that_lead_nowhere():
    """All alleys are drawn one way north, and at the north end there is no headland or road: none can be driven and left."""
    rules = tuple(
        AlleyRule(name=str(x), line=LineString([(x, -5), (x, 105)]), one_way=True)
        for x in (1.5, *range(6, 60, 6), 58.5)
    )
    ranch = orchard(square(headland_m=0.0), roads=(SOUTH,), yard=YARD, alley_rules=rules)
    found, _said = parts(ranch)
    assert [part.why for part in found] == ["one_way"] and found[0].acres["B"] > 0.9
    assert parts(replace(ranch, roads=(SOUTH, road((-10, -4), (-10, 104), (70, 104)))))[0] == ()


def test_no_one_vehicle():
    """A truck road leads to a cart track."""
    truck = road((-40, -60), (30, -60), modes=frozenset({"truck", "foot"}))
    cart = road((30, -60), (30, -3), modes=frozenset({"cart", "foot"}))
    (part,), said = parts(orchard(square(), roads=(truck, cart), yard=Point(-40, -61)))
    assert part.why == "vehicle" and "trucks" in said["no_one_vehicle"].text


def test_closed_on_the_day():
    """Irrigation over the west half in March: its acres on those days, with its name; none in April, none without a day."""
    wet = Closure(name="Set 4", geometry=box(-5, 20, 30.5, 80), first=MARCH[0], last=MARCH[1])
    ranch = orchard(square(), roads=(SOUTH,), yard=YARD, closures=(wet,))
    (part,), said = parts(ranch, days=MARCH[0])
    assert part.why == "closed"
    # six alleys of 11 (outer one too) are shut over 60 of their 90 m
    assert part.acres["B"] == pytest.approx(PLANTED * 6 / 11 * 60 / 90, rel=0.01)
    text = said["closed_on_day"].text
    assert "2027-03-01 (Set 4)" in text and "Do not enter" in text
    assert parts(ranch, days=date(2027, 4, 1))[0] == () and parts(ranch)[0] == ()
    _found, said = parts(ranch, days=(date(2027, 3, 30), date(2027, 4, 2)))
    assert "2027-03-30 to 2027-04-02" in said["closed_on_day"].text


def test_first_the_gate_then_the_gap():
    """One block behind a gate, another behind nothing: each by its reason, the gate first."""
    lane, main = road((30, -60), (30, -3)), road((-40, -60), (70, -60))
    ranch = orchard(square("Near"), square("Far", y=400.0), roads=(main, lane), gates=(locked(30, -30),), yard=Point(-40, -61))
    found, said = parts(ranch)
    assert [(part.why, list(part.acres)) for part in found] == [("gate", ["Near"]), ("gap", ["Far"])]
    assert found[1].link.line.length == pytest.approx(310, abs=0.1), "to the headland that the key opens"
    assert "the ways of block Near" in said["not_reached"].text


def test_many_separate_parts_are_told_together():
    """A block between two ditches, no headlands, far from any road: eleven alleys, one finding, the shortest link to one of them."""
    ditches = tuple(Feature(role=Role.DITCHES, name="Drain", geometry=LineString([(-50, y), (90, y)])) for y in (-1, 101))
    ranch = orchard(square(headland_m=0.0), roads=(road((100, -40), (100, 140)),), yard=Point(100, -41), features=ditches)
    (part,), said = parts(ranch)
    assert part.parts == 11 and "11 separate parts" in said["not_reached"].text
    assert part.link.line.length == pytest.approx(40 + 1.5, abs=0.1)


def test_alleys_for_feet_count_where_they_hang_on_a_driven_way():
    """Feet only in the alleys: nothing is cut off, until the whole block is."""
    assert parts(orchard(square(), roads=(SOUTH,), yard=YARD), alley_mode="foot")[0] == ()
    far = orchard(square(), roads=(road((-50, -35), (90, -35)),), yard=Point(-50, -36))
    (part,), _said = parts(far, alley_mode="foot")
    assert part.why == "gap" and part.acres["B"] == pytest.approx(PLANTED, rel=1e-6)


def test_without_any_way_that_a_vehicle_takes():
    """Only a footpath comes near: no link can be told, so the road is asked for."""
    path = replace(SOUTH, modes=frozenset({"foot"}))
    (part,), said = parts(orchard(square(), roads=(path,)))
    assert part.link is None and "Draw the road or gate" in said["not_reached"].text


def test_a_line_along_no_drive_row_is_told():
    """Across the rows."""
    rule = AlleyRule(name="odd", line=LineString([(-5, 50), (65, 50)]), one_way=True)
    assert parts(orchard(square(), roads=(SOUTH,), alley_rules=(rule,)))[1]["alley_line_unused"].feature == "odd"


def test_strips_between_ditches_all_over_a_ranch():
    """Four blocks, two ditches through each, roads round them: the strips between are cut off, each block's by itself."""
    pitch, n = 210, 2
    blocks = tuple(
        block(f"B{i}-{j}", box(i * pitch, j * pitch, i * pitch + 200, j * pitch + 200)) for i in range(n) for j in range(n)
    )
    end = n * pitch
    lanes = [road((k * pitch - 5, -5), (k * pitch - 5, end), name=f"v{k}") for k in range(n + 1)]
    cross = [road((-5, k * pitch - 5), (end, k * pitch - 5), name=f"h{k}") for k in range(n + 1)]
    ditches = tuple(
        Feature(role=Role.DITCHES, name=f"d{y}", geometry=LineString([(-9, y), (end + 9, y + 5)]))
        for k in range(n) for y in (k * pitch + 70, k * pitch + 140)
    )  # fmt: skip
    found, _said = parts(orchard(*blocks, roads=(*lanes, *cross), features=ditches, yard=Point(-6, -6)))
    cut = sum(sum(part.acres.values()) for part in found)
    assert cut == pytest.approx(4 * 200 * 200 / ACRE_M2 * 70 / 200, rel=0.15)
    assert {name for part in found for name in part.acres} == {b.block_id for b in blocks}
    assert all(part.link.rows == 0 and part.link.line.length < 2 and part.link.ditches for part in found)
