"""Kinds and setbacks of keep-outs, and distances to many things at once."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Point, box

from mudcap.orchard.model import Closure, Exclusion, KeepOut, SprayLane
from mudcap.orchard.params import RowParams
from mudcap.orchard.rows import lay_rows
from mudcap.place.exclude import nearest_m, reason_flags, swept_ways
from mudcap.place.params import AccessParams
from orchards import guarded_block, orchard


def keep(rule, setback=3.0, geometry=None):
    """A keep-out of a kind."""
    return KeepOut(name="k", geometry=geometry or Point(0, 0), setback_m=setback, reason="", rule=rule)


@given(
    x=st.lists(st.integers(-50, 50), min_size=1, max_size=6),
    y=st.lists(st.integers(-50, 50), min_size=6, max_size=6),
    metres=st.integers(0, 40),
)
@settings(max_examples=40, deadline=None)
def test_flags_of_many_keep_outs_equal_the_plain_loop(x, y, metres):
    """The tree of boxes finds what the distance of each to each finds."""
    places = list(zip(x, y, strict=False))
    ranch = orchard(keep_outs=tuple(keep(Exclusion.KEEP_OUT, float(metres), Point(p).buffer(3)) for p in places))
    grid = np.stack(np.meshgrid(np.arange(-60.0, 61, 15), np.arange(-60.0, 61, 15)), axis=-1).reshape(-1, 2)
    clear = np.full(len(grid), np.inf)
    flags = reason_flags(
        ranch, AccessParams(), xy=grid, block=np.zeros(len(grid), np.int64), walk_m=np.zeros(len(grid)),
        barred_lane_m=clear,
    )  # fmt: skip
    plain = [any(Point(p).distance(k.geometry) <= metres for k in ranch.keep_outs) for p in grid]
    assert ((flags & Exclusion.KEEP_OUT) != 0).tolist() == plain


def test_several_reasons_are_kept_together():
    """A station near hives and in a closed corner carries both."""
    ranch = orchard(
        keep_outs=(keep(Exclusion.HIVES, 30.0), keep(Exclusion.KEEP_OUT)),
        closures=(
            Closure(name="c", geometry=box(-1, -1, 1, 1), first=None, last=None),
            Closure(name="d", geometry=box(-9, -9, 9, 9), first=date(2026, 1, 1), last=None),
        ),
    )
    flags = reason_flags(
        ranch, AccessParams(), xy=np.array([(0.0, 0.0), (20.0, 0.0)]), block=np.zeros(2, np.int64),
        walk_m=np.array([61.0, np.inf]), barred_lane_m=np.array([1.4, 1.5]),
    )  # fmt: skip
    first = Exclusion.HIVES | Exclusion.KEEP_OUT | Exclusion.CLOSED | Exclusion.TOO_FAR_TO_WALK | Exclusion.SPRAY_LANE
    assert flags.tolist() == [int(first), int(Exclusion.HIVES | Exclusion.NO_ACCESS)]


def test_nearest_of_points_lines_and_polygons():
    """Straight distances; inf where there is nothing, empty geometries do not count."""
    xy = np.array([(0.0, 0.0), (10.0, 0.0)])
    shapes = [LineString([(0, 5), (20, 5)]), Point(10, 2), box(-9, -1, -2, 1), Point()]
    assert nearest_m(xy, shapes) == pytest.approx([2, 2])
    assert nearest_m(xy, []).tolist() == [np.inf, np.inf]


def test_a_drawn_lane_without_a_width_sweeps_its_alley():
    """Rows 5 m apart: 2.5 m on either side; a lane outside any alley sweeps a row spacing."""
    home = guarded_block()
    lanes = (
        SprayLane(name="in", line=LineString([(55, 0), (55, 150)]), swept_m=0.0),
        SprayLane(name="out", line=LineString([(400, 0), (400, 150)]), swept_m=float("nan")),
    )
    grown = lay_rows(replace(home, spray_lanes=lanes), RowParams())[0]
    barring, swept = swept_ways(grown, RowParams())
    assert barring is swept
    clear = swept.clear_m(np.array([(60.0, 70.0), (56.0, 70.0), (410.0, 70.0)]))
    assert clear == pytest.approx([2.5, 0.0, 10 - 22 * 0.3048 / 2], abs=0.01)
