"""Rounds: a hand-worked block, sides and headings by geometry, the clock, closed blocks, panels, and what is done."""

from __future__ import annotations

import doctest
from dataclasses import replace
from datetime import date
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, MultiLineString, Point, box
from shapely.ops import substring

from mudcap.app import times
from mudcap.draw.round_sheet import round_sheet
from mudcap.draw.webmap import web_map
from mudcap.errors import InputError
from mudcap.files import round_log
from mudcap.geo import sun
from mudcap.geo.plane import GEOD
from mudcap.lang import translator
from mudcap.orchard.model import Closure, KeepOut
from mudcap.orchard.network import travel_network
from mudcap.orchard.params import TravelParams
from mudcap.plan import round_words
from mudcap.plan.model import Params
from mudcap.plan.round_make import U_TURN_S, make_round
from mudcap.plan.round_model import Closed, Entry, RoundOptions, SampleFacts, SampleOptions
from mudcap.plan.round_places import lay_places, speeds_of
from mudcap.plan.round_roads import Roads
from mudcap.plan.round_visits import choose_visits, with_block_names
from mudcap.plan.round_words import cautions, day_summary, finish_text, leg_text, sample_text, stop_text
from mudcap.route.sample import expected_half_width, size_cv
from mudcap.supply.model import Puddle, PuddlePlan
from orchards import block, orchard, road
from round_plans import chained_blocks, every_third, one_block, plan_at, six_rows, three_blocks

EN = str
NO_LUNCH = RoundOptions(task="check", lunch_s=None)
BLOCKS = ("West", "Mid", "East")


@pytest.fixture(scope="module")
def ranch():
    """Three blocks with sixty sites."""
    return plan_at(three_blocks(), [s for b in BLOCKS for s in every_third(b)])


def names(made) -> list[str]:
    return [s.visit.name for d in made.days for s in d.stops]


def test_a_hand_worked_block_reads_as_a_crew_would_say_it():
    """Every leg with its metres and seconds, worked by hand.

    Road at y = -3, yard at (-29, -3.5); alleys run from y = 3 to 59 at x = 6, 12, 18, 24, 30 between rows 1|2 … 5|6; tree t
    stands at y = 6 + 5 (t - 1). Carts: 12 km/h on roads, 8 km/h in alleys, 20 s a turn, 45 s a stop.
    """
    plan = plan_at(one_block(), [("Home", 3, 2), ("Home", 4, 5), ("Home", 3, 9), ("Home", 6, 4), ("Home", 1, 6)])
    (day,) = make_round(plan, NO_LUNCH).days
    assert [leg_text(leg, "metric", EN) for leg in day.legs] == [
        "Along headland or road to the east, 66 m.",
        "Enter between rows 5 and 6 from the south headland (row 5 on your left, row 6 on your right): T4 right; "
        "turn round and leave south.",
        "Along headland or road to the west, 12 m.",
        "Enter between rows 3 and 4 from the south headland (row 3 on your left, row 4 on your right): T2 left, T5 right, "
        "T9 left; leave north.",
        "Along headland or road to the west, 12 m.",
        "Enter between rows 1 and 2 from the north headland (row 2 on your left, row 1 on your right): T6 right; leave south.",
        "Along headland or road to the west, 42 m.",
    ]
    metres = [0.5 + 59 + 6, 2 * 18, 12, 56, 12, 56, 6 + 35 + 0.5]
    assert [leg.metres for leg in day.legs] == pytest.approx(metres, abs=1e-3)
    road, alley = 12 / 3.6, 8 / 3.6
    seconds = [65.5 / road, 36 / alley + 20 + 45, 12 / road, 56 / alley + 3 * 45, 12 / road, 56 / alley + 45, 41.5 / road]
    assert [leg.end_s - leg.begin_s for leg in day.legs] == pytest.approx(seconds, abs=1e-2)
    first = day.stops[0]
    assert first.begin_s == pytest.approx(7 * 3600 + 65.5 / road + 18 / alley, abs=1e-2)
    assert day.service_s == 5 * 45 and day.idle_s == 0 and day.lunch_s == 0
    assert day.moving_s == pytest.approx(sum(metres[k] for k in (0, 2, 4, 6)) / road + 148 / alley + 20, abs=1e-2)


def test_one_stop_is_one():
    """A round of a single stop, and a sample of one, in both languages."""
    made = make_round(plan_at(one_block(), [("Home", 3, 2)]), NO_LUNCH)
    assert ": 1 stop, " in day_summary(made.days[0], "us", EN) and finish_text(made, EN).startswith("1 stop in 1 crew day;")
    assert ": 1 parada, " in day_summary(made.days[0], "us", translator("es"))
    facts = SampleFacts(population=9, count=1, panel=1, panels=9, seed=1, half_width=0.5, wanted=((0.5, 1), (0.1, 9)))
    assert sample_text(facts, EN).endswith(" ±50 points need 1 stop; ±10 points need 9 stops.")


def test_an_outer_row_from_outside_and_the_words_for_it():
    """A single site in row 1 with a keep-out of the alley inside it is served from outside row 1, where one row stands."""
    plan = plan_at(one_block(), [("Home", 1, 6)])
    shut = tuple(
        replace(a, closed=((date(2027, 2, 1), date(2027, 2, 28)),)) if a.left_row else a
        for a in plan.orchard.blocks[0].alleys
    )
    orchard = replace(plan.orchard, blocks=(replace(plan.orchard.blocks[0], alleys=shut),))
    plan = replace(plan, orchard=orchard, network=travel_network(orchard, plan.params.travel))
    (day,) = make_round(plan, replace(NO_LUNCH, first_day=date(2027, 2, 16))).days
    (row,) = [leg for leg in day.legs if leg.kind == "row"]
    text = leg_text(row, "us", EN)
    assert text.startswith("Enter outside row 1 from the south headland (row 1 on your right): T6 right; turn round")


def check_by_geometry(plan, day) -> None:
    """Each stop lies on the side that is said, of the row that is said; headings are true bearings of the way itself."""
    track = LineString(day.track)
    for leg in day.legs:
        for stop in leg.stops:
            assert leg.rows[0 if stop.side == "left" else 1] == stop.visit.row
            assert stop_text(stop, EN).startswith(f"T{stop.visit.tree} ")
    assert track.length == pytest.approx(sum(leg.metres for leg in day.legs), rel=1e-3, abs=2)
    at = 0.0
    for leg in day.legs:
        start, far = (track.interpolate(at + part) for part in (0.0, leg.metres / 2 if leg.turns else leg.metres))
        at += leg.metres
        if leg.kind != "row":
            continue
        a, b = (plan.orchard.plane.to_lonlat([(p.x, p.y)])[0] for p in (start, far))
        azimuth = GEOD.inv(*a, *b)[0]
        assert abs((azimuth - 45 * leg.heading + 180) % 360 - 180) <= 22.6
        way = np.array([far.x - start.x, far.y - start.y])
        for stop in leg.stops:
            to = np.array(stop.visit.xy) - (start.x, start.y)
            turn = way[0] * to[1] - way[1] * to[0]
            assert (turn > 0) == (stop.side == "left")
            assert track.distance(Point(stop.visit.xy)) < 4


@pytest.mark.parametrize("bearing", [0, 30, 45, 100, 180, 271])
def test_sides_rows_and_headings_hold_for_rows_in_any_direction(bearing):
    """Blocks are set out anew at each bearing; row 1 lies at the south-west corner."""
    ground = one_block(float(bearing))
    laid = plan_at(ground, [])
    rows = laid.orchard.blocks[0].rows
    chosen = [("Home", int(r), int(t)) for r, t in zip(rows.tree_row[::4], rows.tree_number[::4], strict=True)]
    plan = plan_at(ground, chosen)
    made = make_round(plan, replace(NO_LUNCH, num_crews=1, day_s=20 * 3600.0, start_s=0.0))
    assert sorted(names(made)) == sorted(s.site_id for s in plan.sites)
    for day in made.days:
        check_by_geometry(plan, day)


@settings(max_examples=8, deadline=None)
@given(
    crews=st.integers(1, 3), days=st.integers(1, 3), day_s=st.integers(600, 4000), capacity=st.sampled_from([None, 7, 20]),
    opens=st.integers(0, 3000), task=st.sampled_from(["hang", "check", "fetch"]), lunch=st.sampled_from([None, 1000.0]),
)  # fmt: skip
def test_every_site_once_the_clock_adds_up_and_closed_blocks_wait(ranch, crews, days, day_s, capacity, opens, task, lunch):
    """Whatever is asked for: each site is on one route or has its reason; legs follow each other; shifts and closings hold."""
    begin = 7 * 3600.0
    options = RoundOptions(
        task=task, num_crews=crews, num_days=days, day_s=float(day_s), capacity=capacity, reload_s=60.0,
        closed=(Closed(block_id="Mid", opens_s=begin + opens),), lunch_s=None if lunch is None else begin + lunch,
        lunch_length_s=300.0,
    )  # fmt: skip
    made = make_round(ranch, options)
    left = [n.name for n in made.not_visited]
    assert sorted(names(made) + left) == sorted(s.site_id for s in ranch.sites)
    assert all(n.why in ("no_time", "closed") for n in made.not_visited)
    assert len({(d.crew, d.day) for d in made.days}) == len(made.days) <= crews * days
    for day in made.days:
        assert day.begin_s >= day.day * 86_400 + begin - 1e-6
        assert day.end_s <= day.day * 86_400 + begin + day_s + 1e-3
        assert lunch is not None or day.idle_s <= 1.0  # who would wait on the clock leaves the yard later
        assert ("at the yard" in day_summary(day, "us", EN)) == (day.reload_s > 0)
        assert all(a.end_s == pytest.approx(b.begin_s, abs=1e-6) for a, b in pairwise(day.legs))
        total = day.service_s + day.moving_s + day.idle_s + day.lunch_s + day.reload_s
        assert total == pytest.approx(day.end_s - day.begin_s, abs=1e-3)
        assert [s.order for s in day.stops] == list(range(1, len(day.stops) + 1))
        assert all(a.end_s <= b.begin_s + 1e-6 for a, b in pairwise(day.stops))
        gone_to = day.legs[0].block_id  # a crew is told of every block before it is in its rows
        for leg in day.legs:
            gone_to = leg.block_id if leg.kind == "travel" else gone_to
            assert leg.kind not in ("row", "along") or leg.block_id == gone_to
            assert all(leg.begin_s <= s.begin_s + 1e-6 and s.end_s <= leg.end_s + 1e-6 for s in leg.stops)
            if leg.block_id == "Mid" and leg.kind in ("row", "along"):
                assert leg.begin_s >= begin + opens - 1e-6
        if capacity and task != "check":
            load = 0
            for leg in day.legs:
                load = 0 if leg.kind == "reload" else load + len(leg.stops)
                assert load <= capacity


def test_a_block_that_begins_where_another_ends_is_told_all_the_same():
    """The ways of both begin at the yard between them: no metre from one to the other, yet rows count from one again."""
    ground = orchard(six_rows("West", 0), six_rows("East", 50), roads=(road((-10, -3), (90, -3)),), yard=Point(43, -3.5))
    (day,) = make_round(plan_at(ground, [("West", 6, 3), ("West", 5, 4), ("East", 1, 4), ("East", 2, 5)]), NO_LUNCH).days
    first, then = day.blocks
    (trip,) = [leg for leg in day.legs if leg.kind == "travel" and leg.block_id]
    assert (trip.block_id, trip.metres) == (then, 0.0) and {first, then} == {"West", "East"}
    assert leg_text(trip, "metric", EN).startswith(f"Go to {then}")
    assert day.metres == pytest.approx(LineString(day.track).length, rel=1e-3)


def test_where_no_way_is_drawn_the_straight_line_leads_past_tree_rows():
    """From the nearest corners, never across the rows to a far one, however short that line; it is told and counted once for each
    pair of places. Past a house between them all lines lead round its corners."""
    far = block("Far", box(100, 0, 136, 62), row_spacing_m=6.0, tree_spacing_m=5.0, headland_m=6.0)
    ground = orchard(six_rows("Home", 0), far, yard=Point(-60, -60))
    sites = [("Home", 6, 10), ("Home", 5, 9), ("Far", 6, 10), ("Far", 4, 9)]

    def between(plan, options=NO_LUNCH) -> tuple[Roads, list[tuple[LineString, bool]]]:
        speeds = speeds_of(plan, options)
        places, *_ = lay_places(plan, choose_visits(plan, options, [])[0], options, speeds)
        roads = Roads(plan, places, options, speeds)
        at = {i: places[k].ground.graph.vertex_xy[roads.access.vertex[i]] for k in range(2) for i in roads.access.of(k)}
        home, distant = (roads.access.of(k) for k in range(2))
        return roads, [(LineString([at[i], at[j]]), bool(np.isfinite(roads.access.metres[i, j]))) for i in home for j in distant]

    plan = plan_at(ground, sites)
    roads, lines = between(plan)
    rows = MultiLineString([line for b in plan.orchard.blocks for line in b.rows.row_line])
    assert lines[0][1] and sum(is_led for _line, is_led in lines) > 1
    assert all(is_led != line.intersects(rows) for line, is_led in lines[1:])
    made = make_round(plan, NO_LUNCH)
    assert roads.straight == 2 and made.num_stops == 4 and any(note.startswith("2 ways") and "not drawn" in note for note in made.notes)
    shut = replace(NO_LUNCH, closed=(Closed(block_id="Far", opens_s=36_000.0),))
    assert [is_led for _line, is_led in between(plan, shut)[1]] == [True, *[False] * 15]
    house = KeepOut(name="house", geometry=box(60, -20, 70, 80), setback_m=3.0, reason="house")
    roads, lines = between(plan_at(replace(ground, keep_outs=(house,)), sites))
    led = [(i, j) for i in roads.access.of(0) for j in roads.access.of(1) if np.isfinite(roads.access.metres[i, j])]
    assert len(led) == sum(is_led for _line, is_led in lines) > 1
    for i, j in led:
        way = LineString(roads.path(i, j))
        assert not way.intersects(house.geometry) and way.length == pytest.approx(roads.access.metres[i, j])


def test_where_no_way_is_drawn_nobody_goes_straight_through_the_blocks_between():
    """Three blocks in a line and a yard before the first: to the last one leads a line round the others, not across their rows."""
    boxes = {name: box(x, 0, x + 36, 62) for name, x in (("Near", 0), ("Mid", 60), ("Far", 120))}
    blocks = [block(name, at, row_spacing_m=6.0, tree_spacing_m=5.0, headland_m=6.0) for name, at in boxes.items()]
    plan = plan_at(orchard(*blocks, yard=Point(-60, 30)), [(name, row, 6) for name in boxes for row in (1, 6)])
    speeds = speeds_of(plan, NO_LUNCH)
    places, *_ = lay_places(plan, choose_visits(plan, NO_LUNCH, [])[0], NO_LUNCH, speeds)
    roads = Roads(plan, places, NO_LUNCH, speeds)
    firsts = [0, *(int(roads.access.of(k)[0]) for k in range(3))]
    for i in firsts:
        for j in firsts:
            way = LineString(roads.path(i, j)) if i != j else LineString()
            assert way.length == pytest.approx(roads.access.metres[i, j])
            between = [b for k, b in enumerate(plan.orchard.blocks) if firsts[k + 1] not in (i, j)]
            assert not any(way.intersects(line) for b in between for line in b.rows.row_line)
    (day,) = make_round(plan, NO_LUNCH).days
    assert day.metres == pytest.approx(LineString(day.track).length, rel=1e-3) and len(day.stops) == 6


@pytest.mark.parametrize(("yard", "words"), [(None, "No yard is drawn"), (Point(-5000, 0), "The yard is joined to no way")])
def test_a_yard_that_is_missing_or_too_far_from_every_way_is_told(yard, words):
    """The one asks for a yard, the other for the road to it."""
    plan = plan_at(orchard(six_rows("Home", 0), yard=yard), [("Home", 6, 10)])
    notes = [n for n in make_round(plan, NO_LUNCH).notes if "yard" in n and "begin and end" in n]
    assert len(notes) == 1 and notes[0].startswith(words)


def test_nobody_drives_beyond_a_road_that_bars_the_vehicle():
    """A road for trucks and walkers alone leads to both blocks: who has a cart walks there, in the alleys and between the blocks too."""
    lane = replace(road((-30, -3), (120, -3)), modes=frozenset({"truck", "foot"}))
    ground = orchard(six_rows("West", 0), six_rows("East", 50), roads=(lane,), yard=Point(-29, -3.5))
    plan = plan_at(ground, [("West", 6, 3), ("East", 5, 4)])
    (day,) = make_round(plan, NO_LUNCH).days
    assert len(day.stops) == 2 and all(leg.on_foot for leg in day.legs if leg.metres)
    turns = sum(leg.turns for leg in day.legs)
    assert day.moving_s == pytest.approx(day.metres / plan.params.travel.foot_m_s + turns * U_TURN_S, rel=0.01)


@pytest.mark.parametrize("yard", [None, Point(-5000, 0), Point(-29, -3.5)])
def test_a_crew_is_sent_back_to_the_yard_only_where_a_way_leads_there(yard):
    """Else it is sent to where vehicles come in, as the note says, and loads there."""
    ground = orchard(six_rows("Home", 0), roads=(road((-30, -3), (40, -3)),), yard=yard)
    plan = plan_at(ground, [("Home", 6, 10), ("Home", 1, 3)])
    (day,) = make_round(plan, replace(NO_LUNCH, task="fetch", capacity=1.0)).days
    text = " ".join(leg_text(leg, "metric", EN) for leg in day.legs)
    is_there = yard is not None and yard.x > -1000
    assert ("At the yard: load" in text) == is_there and ("Where vehicles come in: load" in text) != is_there
    assert is_there or "the yard" not in text


def test_what_the_days_closure_cuts_off_is_not_gone_to_across_it():
    """The only road to a block leads through ground that is closed that day: its sites are told as closed, and no straight line leads
    over it; a day later they are gone to by the road."""
    far = block("Far", box(100, 0, 136, 62), row_spacing_m=6.0, tree_spacing_m=5.0, headland_m=6.0)
    lane = road((-60, -3), (-3, -3), (36, -3), (136, -3))
    shut = Closure(name="flood", geometry=box(60, -40, 80, 100), first=date(2027, 3, 1), last=date(2027, 3, 2))
    ground = orchard(six_rows("Home", 0), far, roads=(lane,), yard=Point(-60, -3), closures=(shut,))
    plan = plan_at(ground, [("Home", 6, 10), ("Far", 6, 10), ("Far", 4, 9)])
    wet = make_round(plan, replace(NO_LUNCH, first_day=date(2027, 3, 2)))
    assert [(n.block_id, n.why) for n in wet.not_visited] == [("Far", "closed")] * 2 and wet.num_stops == 1
    assert all(not LineString(day.track).intersects(shut.geometry) for day in wet.days) and not any("not drawn" in n for n in wet.notes)
    dry = make_round(plan, replace(NO_LUNCH, first_day=date(2027, 3, 3)))
    assert dry.num_stops == 3 and not dry.not_visited


def test_lunch_falls_where_it_is_said_and_the_row_goes_on_after_it():
    """At the first stop that ends after it; the leg is cut in two and the clock goes on."""
    plan = plan_at(one_block(), every_third("Home"))
    made = make_round(plan, replace(NO_LUNCH, lunch_s=7 * 3600 + 400.0, lunch_length_s=1800.0))
    assert finish_text(made, EN).endswith(", lunch included.") and "lunch" not in finish_text(make_round(plan, NO_LUNCH), EN)
    legs = made.days[0].legs
    k = next(i for i, leg in enumerate(legs) if leg.kind == "lunch")
    assert legs[k].begin_s >= 7 * 3600 + 400 and legs[k].end_s - legs[k].begin_s == 1800
    assert legs[k - 1].kind == legs[k + 1].kind == "row" and legs[k + 1].continues and legs[k - 1].rows == legs[k + 1].rows
    assert leg_text(legs[k + 1], "us", EN).startswith("Go on ") and "leave" not in leg_text(legs[k - 1], "us", EN)
    check_by_geometry(plan, replace(made.days[0], legs=legs))


def test_after_lunch_in_an_alley_where_it_turns_round_a_crew_goes_on_the_same_way():
    """The rows stay on their sides, and only the line after lunch says to turn round and leave, by the headland it came from."""
    plan = plan_at(one_block(), [("Home", 3, 1), ("Home", 3, 3), ("Home", 3, 4)])
    (day,) = make_round(plan, replace(NO_LUNCH, lunch_s=7 * 3600 + 40.0)).days
    before, after = (leg for leg in day.legs if leg.kind == "row")
    assert before.rows == after.rows and [s.side for s in before.stops] == [after.stops[0].side]
    assert leg_text(before, "us", EN).endswith(": T1 " + before.stops[0].side + ".")
    assert leg_text(after, "us", EN).endswith("; turn round and leave south.")


def test_the_rest_of_a_day_is_planned_from_what_is_done(ranch):
    """After the first half of a morning, only the rest is gone to, from now on; tomorrow is a whole day."""
    options = replace(NO_LUNCH, num_crews=2, num_days=2, day_s=1500.0, first_day=date(2027, 2, 16), start_s=8 * 3600.0)
    before = make_round(ranch, options)
    now = options.start_s + 600
    log = [
        Entry(name=s.visit.name, state="checked", day=options.first_day, time_s=s.end_s)
        for d in before.days for s in d.stops if s.end_s <= now
    ]  # fmt: skip
    assert 5 < len(log) < 50
    after = make_round(ranch, replace(options, now_s=now), log)
    assert {n.name for n in after.not_visited if n.why == "done"} == {e.name for e in log}
    assert not set(names(after)) & {e.name for e in log}
    today = [d for d in after.days if d.day == 0]
    assert today and all(d.begin_s >= now and d.end_s <= options.start_s + 1500 + 1e-3 for d in today)
    tomorrow = [d for d in after.days if d.day == 1]
    assert tomorrow and all(d.begin_s >= 86_400 + options.start_s for d in tomorrow)
    assert len(names(after)) + len(after.not_visited) == len(ranch.sites)


def test_a_night_shift_is_back_on_the_next_day_and_a_part_has_no_bound(ranch):
    """23:30 and two hours: the last crew is back on day 2. What is left undone makes the bound of all no bound of what was done."""
    made = make_round(ranch, replace(NO_LUNCH, start_s=23.5 * 3600, day_s=2400.0))
    assert made.left and made.bound_s == 0.0 and max(d.end_s for d in made.days) > 86_400
    assert " on Day 2." in finish_text(made, EN)
    whole = make_round(ranch, NO_LUNCH)
    assert not whole.left and whole.bound_s > 0 and " on Day 1." in finish_text(whole, EN)


def test_a_crew_goes_on_from_the_site_it_did_last(ranch):
    """The log names crew A at a site of the east block: its way begins there, and lunch that it had is not taken again."""
    options = replace(
        NO_LUNCH, num_crews=2, first_day=date(2027, 2, 16), now_s=12.6 * 3600, lunch_s=12 * 3600.0, sample=SampleOptions(stops=30)
    )
    last = next(s for s in ranch.sites if s.site_id == "EAS0015")
    log = [
        Entry(name="EAS0003", state="checked", day=options.first_day, time_s=9.0 * 3600, crew="A"),
        Entry(name="EAS0015", state="checked", day=options.first_day, time_s=12.5 * 3600, crew="a "),
        Entry(name="WES0001", state="checked", day=date(2027, 2, 15), time_s=12.5 * 3600, crew="B"),
    ]
    made = make_round(ranch, options, log)
    by = {d.crew: d for d in made.days}
    assert tuple(by["A"].track[0]) == pytest.approx((last.x_m, last.y_m)) and by["A"].begin_s == 12.6 * 3600
    yard = ranch.network.node_xy[ranch.network.yard_node]
    assert by["B"].track[0] == pytest.approx(yard) and all(d.track[-1] == pytest.approx(yard) for d in made.days)
    assert not any(leg.kind == "lunch" for d in made.days for leg in d.legs)
    before = make_round(ranch, replace(options, now_s=11.9 * 3600, day_s=7 * 3600.0), log)
    assert any(leg.kind == "lunch" for d in before.days for leg in d.legs)


def test_fewer_paid_hours_or_an_earlier_end(ranch):
    """Three crews end sooner; to pay least, fewer of them leave the yard."""
    soon = make_round(ranch, replace(NO_LUNCH, num_crews=3))
    cheap = make_round(ranch, replace(NO_LUNCH, num_crews=3, objective="paid"))

    def paid(made):
        return sum(d.end_s - d.begin_s for d in made.days)

    assert sorted(names(soon)) == sorted(names(cheap))
    assert max(d.end_s for d in soon.days) < max(d.end_s for d in cheap.days) and paid(cheap) < paid(soon)
    assert len(cheap.days) < len(soon.days) == 3


def test_states_decide_what_a_round_needs(ranch):
    """A check of last week does not count today; what is hung needs no hanging; what is in needs neither check nor fetching."""
    ids = [s.site_id for s in ranch.sites]
    first = date(2027, 2, 16)
    log = [
        Entry(name=ids[0], state="checked", day=date(2027, 2, 9)), Entry(name=ids[1], state="checked", day=first),
        Entry(name=ids[2], state="hung"), Entry(name=ids[3], state="fetched"), Entry(name=ids[4], state="planned"),
        Entry(name=ids[5], state=""),
    ]  # fmt: skip

    def done(task):
        options = replace(NO_LUNCH, task=task, first_day=first)
        return {n.name for n in make_round(ranch, options, log).not_visited if n.why == "done"}

    assert done("check") == {ids[1], ids[3], ids[5]}
    assert done("hang") == {ids[0], ids[1], ids[2], ids[3], ids[5]}
    assert done("fetch") == {ids[3], ids[5]}


@pytest.mark.parametrize(("task", "state", "seen"), [("check", "checked", True), ("check", "fetched", False), ("hang", "hung", False)])
def test_a_flag_asks_for_another_look_at_what_was_checked(ranch, task, state, seen):
    """Checked this morning and flagged since: gone to again; what hangs already or is in has nothing to do."""
    options = replace(NO_LUNCH, task=task, flagged=("EAS0001",))
    log = [Entry(name=name, state=state) for name in ("EAS0001", "EAS0002")]
    named = names(make_round(ranch, options, log=log))
    assert ("EAS0001" in named) == seen and "EAS0002" not in named


def test_panels_together_see_every_site_and_flags_are_seen_each_time(ranch):
    """Three rounds of the same seed; each about a third; two flagged sites, one by the log, are in all of them."""
    seen: set[str] = set()
    log = [Entry(name="EAS0003", state="flagged")]
    for panel in (1, 2, 3):
        options = replace(NO_LUNCH, sample=SampleOptions(panel=panel, panels=3, seed=4), flagged=("WES0002",))
        made = make_round(ranch, options, log)
        got = set(names(made))
        assert {"EAS0003", "WES0002"} <= got and 20 <= len(got) <= 26
        assert {n.why for n in made.not_visited} == {"not_sampled"} and not made.left
        assert made.sample is not None and made.sample.panels <= 3 and made.sample.count == len(got)
        seen |= got
    assert seen == {s.site_id for s in ranch.sites}


def test_what_the_sample_proves_is_told(ranch):
    """Half-width and the stops it takes, as the sampling theory gives them."""
    made = make_round(ranch, replace(NO_LUNCH, sample=SampleOptions(half_width=0.12)))
    facts = made.sample
    assert facts is not None and facts.half_width <= 0.12
    assert facts.half_width == expected_half_width(facts.count, 60)
    assert dict(facts.wanted)[0.12] == facts.count and expected_half_width(facts.count - 1, 60) > 0.12
    text = sample_text(facts, EN)
    assert f"{facts.count} of 60 sites" in text and f"±12 points need {facts.count} stops" in text
    assert make_round(ranch, replace(NO_LUNCH, sample=SampleOptions(stops=60))).sample.half_width == 0
    # flagged sites are all seen: they tell nothing of the 40 others, of which 12 at least are drawn
    flagged = tuple(s.site_id for s in ranch.sites if s.block_id == "West")
    told = make_round(ranch, replace(NO_LUNCH, sample=SampleOptions(stops=20), flagged=flagged)).sample
    assert told.count > 20 and told.half_width == 40 / 60 * expected_half_width(told.count - 20, 40)
    assert make_round(ranch, replace(NO_LUNCH, sample=SampleOptions(stops=1))).sample.half_width <= 1
    few = replace(ranch, sites=tuple(replace(s, cavities=200 if k % 6 == 0 else 20) for k, s in enumerate(ranch.sites)))
    wide = make_round(few, replace(NO_LUNCH, sample=SampleOptions(stops=20))).sample.half_width
    cavities = [s.cavities for s in few.sites]
    assert wide == expected_half_width(20, 60, size_cv=size_cv(cavities)) > 1.5 * expected_half_width(20, 60)
    more = make_round(few, replace(NO_LUNCH, sample=SampleOptions(half_width=0.12))).sample
    assert more.count > facts.count and more.half_width <= 0.12
    short = make_round(ranch, replace(NO_LUNCH, sample=SampleOptions(stops=40), day_s=1200.0))
    text = sample_text(short.sample, EN, len(short.left))
    assert 0 < len(short.left) < 40 and text.startswith(f"40 of 60 sites were chosen. {len(short.left)} of them are not gone to:")
    assert "±" not in text
    assert len(names(make_round(ranch, replace(NO_LUNCH, sample=SampleOptions(share=0.25))))) == 15


@pytest.mark.parametrize(
    ("changes", "log", "words"),
    [
        ({"sample": SampleOptions(stops=61)}, (), "61 stops"),
        ({"sample": SampleOptions(stops=5, panels=3)}, (), "needs 20 rounds, or 21 stops"),
        ({"flagged": ("XYZ0001",)}, (), "XYZ0001"),
        ({}, (Entry(name="nobody", state=""),), "another plan"),
        ({"closed": (Closed(block_id="Nowhere", opens_s=1.0),)}, (), "East, Mid, West"),
        ({"task": "wet"}, (), "no puddles"),
        ({"start_s": 20 * 3600.0, "first_day": date(2027, 2, 16)}, (), "No time is left"),
    ],
)
def test_what_cannot_be_is_refused_by_name(ranch, changes, log, words):
    """Each with the number or name that is wrong."""
    with pytest.raises(InputError, match=words):
        make_round(ranch, replace(NO_LUNCH, **changes), log)


def test_daylight_is_kept_and_can_be_waived(ranch):
    """A start before sunrise waits for it; the end keeps sunset."""
    early = replace(NO_LUNCH, start_s=4 * 3600.0, day_s=3 * 3600 + 1800.0, first_day=date(2027, 2, 16))
    made = make_round(ranch, early)
    assert made.light_s is not None and made.days[0].begin_s == pytest.approx(made.light_s[0])
    assert any(n.startswith("Crews leave at sunrise, 06:") and "not at 04:00" in n for n in made.notes)
    late = make_round(ranch, replace(early, start_s=14 * 3600.0, day_s=6 * 3600.0))
    assert any(n.startswith("Crews are back by sunset, 17:") and "not by 20:00" in n for n in late.notes)
    assert not any("sun" in n for n in make_round(ranch, replace(early, start_s=8 * 3600.0)).notes)
    assert make_round(ranch, replace(early, daylight=False)).days[0].begin_s == 4 * 3600
    assert make_round(ranch, replace(early, first_day=None)).light_s is None


def test_closed_ground_bars_its_sites_until_it_opens(ranch):
    """Part of the east block is closed the first day: its sites come on the second; closed for good, they are left."""
    ground = box(100, 30, 140, 70)
    inside = {s.site_id for s in ranch.sites if ground.contains(Point(s.x_m, s.y_m))}
    for last, task_days in ((date(2027, 2, 16), 2), (None, 2)):
        closure = Closure(name="wet corner", geometry=ground, first=date(2027, 2, 10), last=last)
        plan = plan_at(replace(three_blocks(), closures=(closure,)), [s for b in BLOCKS for s in every_third(b)])
        made = make_round(plan, replace(NO_LUNCH, num_days=task_days, first_day=date(2027, 2, 16)))
        early = {s.visit.name for d in made.days if d.day == 0 for s in d.stops}
        assert inside and not early & inside
        if last is None:
            assert {n.name for n in made.left if n.why == "closed"} >= inside
        else:
            assert inside <= set(names(made))


@pytest.mark.parametrize("mode", ["truck", "foot"])
def test_other_ways_to_go(ranch, mode):
    """A truck that may not enter the alleys stands at the block and the crew walks; on foot all is walked, slower."""
    made = make_round(ranch, replace(NO_LUNCH, mode=mode, day_s=9 * 3600.0))
    assert sorted(names(made)) == sorted(s.site_id for s in ranch.sites)
    rows = [leg for d in made.days for leg in d.legs if leg.kind == "row"]
    assert all(leg.on_foot for leg in rows)
    walked = sum(leg.metres for leg in rows)
    seconds = sum(leg.end_s - leg.begin_s - sum(s.end_s - s.begin_s for s in leg.stops) for leg in rows if not leg.turns)
    straight = sum(leg.metres for leg in rows if not leg.turns)
    assert walked > 0 and straight / seconds == pytest.approx(TravelParams().foot_m_s, rel=1e-3)
    for day in made.days:
        check_by_geometry(ranch, day)


def test_a_truck_drives_alleys_that_are_open_to_it():
    """With travel options that let trucks in, nobody walks."""
    plan = plan_at(one_block(), every_third("Home"), Params(travel=TravelParams(alley_mode="truck")))
    made = make_round(plan, replace(NO_LUNCH, mode="truck"))
    assert made.num_stops == 20 and not any(leg.on_foot for d in made.days for leg in d.legs)


def test_nothing_left_to_do_is_a_round_too(ranch):
    """All is done: no crew leaves the yard, and every site says so."""
    made = make_round(ranch, NO_LUNCH, [Entry(name=s.site_id, state="") for s in ranch.sites])
    assert made.days == () and {n.why for n in made.not_visited} == {"done"} and len(made.not_visited) == 60
    assert finish_text(made, EN) == "Nothing is left to do." and round_sheet(ranch, made).startswith(b"%PDF")
    assert "Routes by day" not in web_map(ranch, "en", made)


@pytest.mark.parametrize("task", ["hang", "check", "wet", "fetch"])
def test_every_task_has_its_cautions(task):
    """Sprays, vehicles, lifting, stings; the label, local code and licensed people decide."""
    text = " ".join(cautions(task, EN))
    for word in ("re-entry interval on the label", "one rider on an ATV, helmet, no children", "seat belt", "power lines", "allergic", "licensed people", "local code"):
        assert word in text


@pytest.mark.parametrize("module", [round_words, sun, times, round_log])
def test_examples_in_the_docstrings_hold(module):
    """As they are written."""
    found = doctest.testmod(module)
    assert found.attempted > 0 and found.failed == 0


def test_puddles_are_wetted_by_road():
    """Each once, the tank refilled where it does not reach, and by the shortest order."""
    plan = plan_at(three_blocks(), every_third("West"))
    puddles = tuple(
        Puddle(name=f"P{k}", x_m=x, y_m=-3.0, lon=float(lon), lat=float(lat), block_id="West", stand="road",
               address="the road", sites=(), farthest_m=10.0, litres=150.0)
        for k, x in enumerate((120.0, 10.0, 60.0), start=1) for lon, lat in plan.orchard.plane.to_lonlat([(x, -3.0)])
    )  # fmt: skip
    plan = replace(plan, puddles=PuddlePlan(
        puddles=puddles, bound=3, status="optimal", unserved=(), rewet_days=2, tour=MultiLineString(), tour_m=0.0,
        tour_s=0.0, fills=1,
    ))  # fmt: skip
    made = make_round(plan, replace(NO_LUNCH, task="wet"))
    assert names(made) in (["P2", "P3", "P1"], ["P1", "P3", "P2"])
    # 120 s a stop and 150 l at 150 l/min; the way there and back is the road's, and half a metre to the yard each time
    assert made.days[0].service_s == 3 * (120 + 60) and made.days[0].metres == pytest.approx(2 * (149 + 0.5), abs=0.1)
    tank = make_round(plan, replace(NO_LUNCH, task="wet", capacity=300.0))
    assert sorted(names(tank)) == ["P1", "P2", "P3"]
    (fill,) = [leg for leg in tank.days[0].legs if leg.kind == "reload"]
    assert fill.end_s - fill.begin_s == pytest.approx(60 * 300 / 400)
    inside = replace(puddles[0], x_m=12.0, y_m=29.0)
    (deep,) = make_round(replace(plan, puddles=replace(plan.puddles, puddles=(inside,))), replace(NO_LUNCH, task="wet")).days
    assert deep.metres == pytest.approx(2 * (0.5 + 29 + 12 + 3 + 29), abs=1) and LineString(deep.track).distance(Point(12, 29)) < 0.1
    text = leg_text(next(leg for leg in made.days[0].legs if leg.kind == "puddle"), "us", EN)
    assert text.startswith("Wet puddle P") and text.endswith(" with 40 gal: the road.")
    # a crew that wetted P1, the farthest, goes on from there: back by P3 and P2, no way out from the yard
    log = [Entry(name="P1", state="wetted", day=date(2027, 2, 16), time_s=8 * 3600.0, crew="A")]
    given = {"task": "wet", "first_day": date(2027, 2, 16), "zone_h": -8.0, "now_s": 8 * 3600.0 + 60}
    (rest,) = make_round(plan, replace(NO_LUNCH, **given), log).days
    assert [stop.visit.name for stop in rest.stops] == ["P3", "P2"] and rest.metres == pytest.approx(149 + 0.5, abs=0.1)
    up = tuple(replace(a, one_way="up" if a.left_row == 2 else "") for a in plan.orchard.blocks[0].alleys)
    orchard = replace(plan.orchard, blocks=(replace(plan.orchard.blocks[0], alleys=up), *plan.orchard.blocks[1:]))
    plan = replace(plan, orchard=orchard, network=travel_network(orchard, plan.params.travel))
    (through,) = make_round(replace(plan, puddles=replace(plan.puddles, puddles=(inside,))), replace(NO_LUNCH, task="wet")).days
    seen = [i for i, (x, y) in enumerate(through.track) if abs(x - 12) < 0.1 and 3.1 < y < 58.9]
    assert (np.diff([through.track[i][1] for i in seen]) > -1e-6).all()
    assert LineString(through.track).distance(Point(12, 59)) < 0.1 and through.metres > deep.metres + 6


def test_nobody_drives_through_a_block_before_it_opens():
    """The blocks behind a closed one wait until it is open, and no leg before that leads through it; the round says so."""
    plan = plan_at(chained_blocks(), [s for b in BLOCKS for s in every_third(b)])
    opens = 9 * 3600.0
    made = make_round(plan, replace(NO_LUNCH, closed=(Closed(block_id="West", opens_s=opens),)))
    inside = plan.orchard.blocks[0].polygon.buffer(-1)
    assert made.num_stops == 60 and any("lead round the blocks that are closed" in note for note in made.notes)
    assert "West is closed until 09:00 on Day 1: nobody enters before, however early a crew may be." in made.notes
    (day,) = made.days
    line, at = LineString(day.track), 0.0
    for leg in day.legs:
        driven = substring(line, at, at + leg.metres)
        at += leg.metres
        assert leg.begin_s >= opens or driven.intersection(inside).length < 6
    assert day.begin_s > opens - 60


def test_what_the_log_leaves_open_is_told(ranch):
    """A crew that the log does not place, lines later than the time of the plan, and dates where the round has none; each once."""
    def told(log, **changes):
        return make_round(ranch, replace(NO_LUNCH, **changes), log).notes

    day = date(2027, 2, 16)
    here = Entry(name="WES0001", state="checked", day=day, time_s=8 * 3600.0, crew="A")
    after = replace(here, name="WES0002", time_s=15 * 3600.0)
    given = {"first_day": day, "zone_h": -8.0, "now_s": 9 * 3600.0}
    assert not any("log" in note for note in told([here], **given))
    assert any(note.startswith("1 line of the log is later") for note in told([here, after], **given))
    assert any(note.startswith("Crew B sets out from the yard") for note in told([here], num_crews=2, **given))
    assert any("Give --date" in note for note in told([here]))


def test_a_block_closed_twice_opens_at_the_later_time_and_nobody_out_is_told(ranch):
    """Not at the one named last; and where nothing can be done, it does not say that nothing is left."""
    twice = tuple(Closed(block_id="Mid", opens_s=hour * 3600.0) for hour in (9, 8))
    made = make_round(ranch, replace(NO_LUNCH, closed=twice))
    assert all(s.begin_s >= 9 * 3600 for d in made.days for s in d.stops if s.visit.block_id == "Mid")
    none = make_round(ranch, replace(NO_LUNCH, day_s=60.0))
    assert not none.days and finish_text(none, EN).startswith("Nobody goes out")


def test_unknown_names_of_a_log_are_told_with_their_places(ranch):
    """Up to five, in the order of the file, each with the known ones that differ in one letter or digit; one is one."""
    wrong = [Entry(name=f"XYZ000{k}", state="", source=f"log.csv, line {k + 2}, site_id") for k in range(7)]
    with pytest.raises(InputError) as refusal:
        make_round(ranch, NO_LUNCH, [*wrong, *wrong])
    said = str(refusal.value)
    assert "these 7 names: log.csv, line 2, site_id: XYZ0000; log.csv, line 3" in said and "XYZ0004 and 2 more. Is" in said
    known = ranch.sites[0].site_id
    with pytest.raises(InputError, match=rf"has this name: log.csv, line 2, site_id: {known}X \(did you mean {known}\?\)\. Is"):
        make_round(ranch, NO_LUNCH, [Entry(name=f"{known}X", state="", source="log.csv, line 2, site_id")])


def test_sites_of_a_log_are_known_whatever_their_case(ranch):
    """As typed on a phone: the site is done, and the crew goes on from there."""
    first = ranch.sites[0].site_id
    assert first != first.lower()
    entry = Entry(name=first.lower(), state="checked", time_s=30_000.0, crew="A")
    lower, exact = (make_round(ranch, replace(NO_LUNCH, now_s=30_600.0), [e]) for e in (entry, replace(entry, name=first)))
    assert first not in names(lower) and names(lower) == names(exact) and not any("sets out from the yard" in n for n in lower.notes)


def test_closed_blocks_are_known_whatever_their_case_and_accents(ranch):
    """Where one alone can be meant; the round calls it as the plan does."""
    made = make_round(ranch, replace(NO_LUNCH, closed=(Closed(block_id=" WÉST", opens_s=30_000.0),)))
    assert made.options.closed[0].block_id == "West"
    twins = replace(ranch, orchard=replace(ranch.orchard, blocks=tuple(replace(b, block_id=n) for b, n in zip(ranch.orchard.blocks, ("a", "A", "b"), strict=True))))
    assert with_block_names(twins, replace(NO_LUNCH, closed=(Closed(block_id="A", opens_s=1.0),))).closed[0].block_id == "A"
    with pytest.raises(InputError, match="no block of that name"):
        with_block_names(twins, replace(NO_LUNCH, closed=(Closed(block_id="Á", opens_s=1.0),)))
