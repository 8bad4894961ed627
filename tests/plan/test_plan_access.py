"""The plan's date and its keys decide where the vehicle stops, and so how far one walks to a site."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from shapely import Point, box

from laid import QUICK, small_block
from mudcap.orchard.model import Closure, Gate, Orchard, Role
from mudcap.orchard.params import TravelParams
from mudcap.plan.make import make_plan
from mudcap.plan.model import Params, Plan
from orchards import orchard, road

WET = Closure(name="Set 7", geometry=box(-9, 10, 25, 40), first=date(2027, 2, 1), last=date(2027, 2, 9))
ROADS = (road((-20, -4), (60, -4), name="South"), road((-20, -4), (-20, 54), (60, 54), name="Round"))


def ranch(**parts: object) -> Orchard:
    """Eight rows 6 m apart, 50 m long, between two roads, the yard at the corner."""
    return orchard(small_block("A", 0, 0), roads=ROADS, yard=Point(-20, -5), **parts)


def plan(ground: Orchard, day: date | None = None, **travel: object) -> Plan:
    """A quick plan."""
    return make_plan(ground, Params(place=QUICK, plan_date=day, travel=TravelParams(**travel)))  # type: ignore[arg-type]


@pytest.mark.parametrize(("day", "is_shut"), [(None, False), (date(2027, 1, 31), False), (date(2027, 2, 1), True), (date(2027, 2, 9), True)])
def test_on_the_plan_date_closed_alleys_are_not_driven(day: date | None, is_shut: bool) -> None:
    """The walk into the closed ground is longer, it is told with acres, and the network itself is kept for every day."""
    made = plan(ranch(closures=(WET,)), day)
    inside = (np.abs(made.candidates.xy - (10, 25)) < (7, 10)).all(axis=1)
    assert (made.candidates.walk_m[inside] > 4).all() == is_shut
    said = [f for f in made.findings if f.code == "closed_on_day"]
    assert bool(said) == is_shut and len(made.sites) > 0
    assert (made.network.mode > 0).all()
    if is_shut:
        assert "Set 7" in said[0].text and str(day) in said[0].text


def test_a_locked_gate_leaves_no_site_until_there_is_a_key() -> None:
    """Both roads in are locked at the yard: nothing is reached, no site is planned, and the finding says what to do."""
    gates = tuple(
        Gate(role=Role.GATES, name=name, geometry=Point(*at), locked=frozenset({"truck", "cart", "foot"}))
        for name, at in (("East", (-15, -4)), ("North", (-20, 2)))
    )
    shut = plan(ranch(gates=gates))
    (said,) = [f for f in shut.findings if f.code == "behind_locked_gate"]
    assert not shut.sites and "East, North" in said.text
    opened = plan(ranch(gates=gates), keys="East")
    assert opened.sites and not [f for f in opened.findings if f.code == "behind_locked_gate"]
    owned = plan(ranch(gates=tuple(replace(g, has_key=True) for g in gates)))
    assert len(owned.sites) == len(opened.sites)


ALL = frozenset({"truck", "cart", "foot"})


def advice(made: Plan) -> str:
    """What the clash of sites and stations says would help."""
    (said,) = [f for f in made.findings if f.code == "quota_clash"]
    assert "fewer sites" not in said.text and "Without the rule" not in said.text
    return said.text


def test_where_no_one_gets_in_the_advice_names_what_would_help() -> None:
    """A key, another date, the closure's dates, a road: never fewer sites."""
    gates = tuple(
        Gate(role=Role.GATES, name=name, geometry=Point(*at), locked=ALL) for name, at in (("East", (-15, -4)), ("North", (-20, 2)))
    )
    assert "take the key of East, North along" in advice(plan(ranch(gates=gates)))
    over = Closure(name="Flood", geometry=box(-30, -30, 90, 90), first=date(2027, 2, 1), last=date(2027, 2, 9))
    assert "give another date, on which Flood is open" in advice(plan(ranch(closures=(over,)), date(2027, 2, 5)))
    for_good = replace(over, first=None, last=None)
    assert "give the closure its first and last day" in advice(plan(ranch(closures=(for_good,))))
    far = replace(ranch(), roads=(road((-20, -400), (60, -400), name="Far"),), yard=Point(-20, -401))
    assert "draw the road or gate" in advice(plan(far))
