"""The plan number: another one for whatever could change the plan, the same for what cannot."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from types import MappingProxyType

import numpy as np
import pytest
import shapely
from shapely import MultiPolygon, Point, Polygon, box

from laid import QUICK, small_block
from mudcap.orchard.model import Exclusion, MudSource, RefusedBlock
from mudcap.orchard.params import RowParams
from mudcap.place.params import AccessParams, PlaceParams
from mudcap.plan.make import number_of
from mudcap.plan.model import Edit, Params
from mudcap.plan.number import plan_number
from orchards import orchard

BLOCK = small_block("A", 0, 0)
GROUND, PARAMS = orchard(BLOCK), Params(place=QUICK)
EDIT = Edit(kind="ban", lon=-120.5, lat=37.0)
BASE = number_of(GROUND, PARAMS, (EDIT,), ())


def with_block(**changes):
    return orchard(replace(BLOCK, **changes))


@pytest.mark.parametrize(
    ("ground", "params", "edits"),
    [
        (GROUND, replace(PARAMS, units="metric"), (EDIT,)),
        (GROUND, replace(PARAMS, plan_date=date(2027, 2, 1)), (EDIT,)),
        (GROUND, replace(PARAMS, place=replace(QUICK, per_acre=9.1)), (EDIT,)),
        (GROUND, replace(PARAMS, place=replace(QUICK, seed=1)), (EDIT,)),
        (GROUND, replace(PARAMS, place=replace(QUICK, farthest_m=12.0)), (EDIT,)),
        (GROUND, replace(PARAMS, access=AccessParams(walk_m=61.0)), (EDIT,)),
        (GROUND, replace(PARAMS, rows=RowParams(between_trees=True)), (EDIT,)),
        (GROUND, PARAMS, ()),
        (GROUND, PARAMS, (replace(EDIT, kind="pin"),)),
        (GROUND, PARAMS, (replace(EDIT, lat=37.00001),)),  # about a metre
        (GROUND, PARAMS, (EDIT, EDIT)),
        (with_block(polygon=box(0, 0, 48.002, 50)), PARAMS, (EDIT,)),  # two millimetres wider
        (with_block(crop="pear"), PARAMS, (EDIT,)),
        (with_block(row_bearing_deg=0.5), PARAMS, (EDIT,)),
        (orchard(BLOCK, small_block("B", 90, 0)), PARAMS, (EDIT,)),
        (orchard(BLOCK, mud_sources=(MudSource(name="hole", geometry=Point(1, 1)),)), PARAMS, (EDIT,)),
    ],
)
def test_options_edits_and_ground_change_it(ground, params, edits):
    """Each by itself."""
    assert number_of(ground, params, edits, ()) != BASE


def test_clock_and_processes_do_not():
    """Nor does asking again, nor what is below a millimetre."""
    place = replace(QUICK, safety_s=1.0, jobs=7)
    assert number_of(GROUND, replace(PARAMS, place=place), (EDIT,), ()) == BASE
    assert number_of(with_block(polygon=box(0, 0, 48.0002, 50)), PARAMS, (EDIT,), ()) == BASE


def test_names_that_decide_nothing_do_not():
    """The ranch's, which may be its folder's, and the words for a refused block, which may be in any language."""
    assert number_of(replace(GROUND, name="Copy of it"), replace(PARAMS, ranch="Copy of it"), (EDIT,), ()) == BASE
    refused, other = (
        replace(GROUND, refused=(RefusedBlock(name=name, layer="blocks", reason=why),))
        for name, why in (("B", "Left out."), ("B", "Queda fuera."))
    )
    assert number_of(refused, PARAMS, (EDIT,), ()) == number_of(other, PARAMS, (EDIT,), ()) != BASE


def test_it_is_eight_hexadecimal_characters():
    """As printed on each page."""
    assert len(BASE) == 8 and set(BASE) <= set("0123456789abcdef")


HOLED = Polygon([(0, 0), (9, 0), (9, 9), (0, 9)], [[(1, 1), (2, 1), (2, 2), (1, 1)]])


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (HOLED, Polygon(shapely.get_coordinates(HOLED))),  # the same corners without the hole
        (MultiPolygon([box(0, 0, 1, 1), box(2, 0, 3, 1)]), MultiPolygon([box(2, 0, 3, 1), box(0, 0, 1, 1)])),
        (Point(1, 2), Point(1, 2, 3)),
        ("a;str:b", ("a", "b")),
        (("a;", "b"), ("a", ";b")),
        (("ab", "c"), ("a", "bc")),
        ((("a",), "b"), ("a", ("b",))),
        ({"a": 1, "b": 2}, {"a": 1, "b": 3}),
        (1, "1"),
        (1, True),
        (None, "None"),
        (np.arange(4), np.arange(4).reshape(2, 2)),
        (np.arange(4), np.arange(4.0)),
        (Exclusion.HIVES, Exclusion.HAZARD),
        (AccessParams(walk_m=60.0, hives_m=30.0), AccessParams(walk_m=30.0, hives_m=60.0)),
        (0.1, 0.1000001),
    ],
)
def test_what_differs_has_another_number(one, other):
    """Also where the text run together would be the same."""
    assert plan_number(one) != plan_number(other)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ({"a": 1, "b": 2}, MappingProxyType({"b": 2, "a": 1})),
        (frozenset({"x", "y"}), {"y", "x"}),
        (np.array([0.0]), np.array([-0.0])),
        (np.array([1.00001]), np.array([1.00002])),
        (Point(0.0, 1.0), Point(-0.0, 1.0001)),
        (0.1 + 0.2, 0.3),
        (PlaceParams(), PlaceParams(per_acre=9.0)),
    ],
)
def test_what_is_the_same_has_the_same(one, other):
    """Order of keys, signs of zero, last digits."""
    assert plan_number(one) == plan_number(other)
