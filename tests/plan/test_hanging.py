"""Loads of a hanging round: what a site takes of a vehicle, where loads end, what is too large, and what is told of it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mudcap.plan.hanging import hang_list, outing_text, room, room_notes
from mudcap.plan.model import Params, Plan
from mudcap.plan.round_make import make_round
from mudcap.plan.round_model import Entry, RoundOptions
from mudcap.supply.model import SiteSupply
from mudcap.supply.params import SupplyParams
from round_plans import every_third, plan_at, three_blocks

HANG = RoundOptions(task="hang", lunch_s=None)
BARE = plan_at(three_blocks(), [s for b in ("West", "Mid", "East") for s in every_third(b)], Params(supply=SupplyParams()))


def goods(shelters: int, litres: float | None, kg: float | None) -> SiteSupply:
    return SiteSupply(
        packages=(), cavities=0, facing_deg=None, facing_magnetic_deg=None, load=0, place_in_load=0, shelters=shelters,
        volume_l=litres, mass_kg=kg,
    )  # fmt: skip


def with_goods_of(each: list[SiteSupply], **limits: float) -> Plan:
    supply = tuple(each[k % len(each)] for k in range(len(BARE.sites)))
    return replace(BARE, supply=supply, params=replace(BARE.params, supply=SupplyParams(**limits)))  # type: ignore[arg-type]


def test_shelters_alone_are_counted_as_shelters():
    """Without goods one a site; with them their own; the round's number goes before the plan's."""
    assert room(BARE, HANG) == room(replace(BARE, supply=()), HANG)
    assert set(room(BARE, HANG).taken) == {1.0} and room(BARE, HANG).capacity is None
    plan = with_goods_of([goods(1, 5.0, None), goods(3, None, None)], load_shelters=8)
    assert set(room(plan, HANG).taken) == {1.0, 3.0} and room(plan, HANG).capacity == 8
    assert room(plan, replace(HANG, capacity=2.0)).capacity == 2.0 and set(room(plan, replace(HANG, capacity=2.0)).taken) == {1.0, 2.0}


def test_of_several_limits_the_fullest_counts():
    """A site takes the largest of its shares, hand-worked; what is not known takes none."""
    plan = with_goods_of([goods(1, 50.0, 2.0), goods(2, None, None), goods(1, 10.0, 9.0)], load_shelters=10, load_l=200, load_kg=18)
    assert room(plan, HANG).taken[:3] == (0.25, 0.2, 0.5) and room(plan, HANG).capacity == 1.0
    assert room_notes(plan, HANG) == ("A vehicle takes at most 10 shelters, 200 litres, 18 kg at once, as the plan's options say.",)
    assert room_notes(plan, replace(HANG, capacity=5)) == ("A vehicle takes at most 200 litres, 18 kg at once, as the plan's options say.",)
    assert room_notes(BARE, HANG) == () == room_notes(BARE, replace(HANG, capacity=3))


def test_a_site_too_large_for_the_vehicle_is_a_load_of_its_own_and_is_told():
    """A shelter of 30 kg where 20 are taken: alone on its load, marked; the others share theirs."""
    heavy = [goods(1, None, 30.0), *[goods(1, None, 4.0)] * 7]
    plan = with_goods_of(heavy, load_kg=20)
    hang = hang_list(plan, make_round(plan, replace(HANG, day_s=40 * 3600.0)))
    over = [o for o in hang.outings if o.over]
    assert {k for o in over for k in o.sites} == {k for k, s in enumerate(plan.supply) if s.mass_kg == 30.0}
    assert all(len(o.sites) == 1 for o in over) and max(len(o.sites) for o in hang.outings) == 5
    assert "A single site is more than the vehicle takes: WES0001" in room_notes(plan, HANG)[1]


@settings(max_examples=8, deadline=None)
@given(
    crews=st.integers(1, 3), days=st.integers(1, 2), day_s=st.integers(900, 6000), done=st.integers(0, 20),
    limits=st.sampled_from([{}, {"load_shelters": 7}, {"load_shelters": 9, "load_kg": 40.0}, {"load_l": 90.0}]),
)  # fmt: skip
def test_each_site_on_one_load_in_the_round_s_order_and_within_every_limit(crews, days, day_s, done, limits):
    """Whatever is asked for: loads are the crews' ways out, in order; what is left or done is on none of them."""
    plan = with_goods_of([goods(1, 15.0, 6.0), goods(2, 30.0, None), goods(1, None, 11.0)], **limits)
    log = [Entry(name=s.site_id, state="hung") for s in plan.sites[:done]]
    made = make_round(plan, replace(HANG, num_crews=crews, num_days=days, day_s=float(day_s)), log)
    hang = hang_list(plan, made)
    visited = [s.visit.site for d in made.days for s in d.stops]
    assert [k for o in hang.outings for k in o.sites] == visited
    assert len(hang.outings) == sum(1 + sum(leg.kind == "reload" for leg in d.legs) for d in made.days)
    for o in hang.outings:
        own = [plan.supply[k] for k in o.sites]
        assert o.shelters == sum(s.shelters for s in own) <= limits.get("load_shelters", 99) and not o.over
        assert sum(s.mass_kg or 0 for s in own) <= limits.get("load_kg", 1e9) + 1e-6
        assert sum(s.volume_l or 0 for s in own) <= limits.get("load_l", 1e9) + 1e-6
        picked = [p.site_id for p in hang.picks if p.load == o.load]
        assert picked == [plan.sites[k].site_id for k in reversed(o.sites)]
    assert {p.site_id for p in hang.picks if not p.load} == {n.name for n in hang.left} == {n.name for n in made.left}
    assert hang.num_done == done and len(hang.picks) + done == len(plan.sites)


def test_a_load_says_whose_it_is_and_when_it_goes_out():
    """From the yard, or in the middle of a day from where the crew is; other rounds have no loads."""
    plan = with_goods_of([goods(1, None, None)], load_shelters=20)
    hang = hang_list(plan, make_round(plan, replace(HANG, day_s=40 * 3600.0)))
    first, last = hang.outing(1), hang.outing(len(hang.outings))
    assert outing_text(first, hang.options, str).startswith("Crew A, Day 1, load 1 of 3: leaves the yard at 07:00, back at ")
    assert last.number == last.count == 3 and last.begin_s >= first.end_s + 600
    log = [Entry(name=s.site_id, state="hung", crew="A", time_s=8.9 * 3600) for s in plan.sites[:4]]
    later = hang_list(plan, make_round(plan, replace(HANG, day_s=40 * 3600.0, now_s=9 * 3600.0), log))
    assert "goes on at 09:00 from where it is" in outing_text(later.outing(1), later.options, str)
    assert "leaves the yard" in outing_text(later.outing(2), later.options, str)
    with pytest.raises(ValueError, match="hangs nothing"):
        hang_list(plan, make_round(plan, replace(HANG, task="fetch")))
