"""Which mud serves, and why the rest does not."""

from dataclasses import replace
from datetime import date

import pytest
from shapely import LineString, Point, box

from mudcap.geo.plane import LocalPlane
from mudcap.orchard.model import Feature, MudSource, Role
from mudcap.orchard.mud import clay_share_of_source, judge_mud, serving_mud
from orchards import orchard


def source(**said):
    """A mud source at the origin."""
    return MudSource(**({"name": "m", "geometry": Point(0, 0)} | said))


def verdict(*sources, season=None, least=0.15, soil=(), nesting=None):
    """Why each source serves or not."""
    return [v.reason for v in judge_mud(orchard(mud_sources=sources, features=soil, season=nesting), least, season)]


@pytest.mark.parametrize(
    ("said", "reason"),
    [
        ({"clay_share": 0.3}, "serves"),
        ({"clay_share": 0.15}, "serves"),
        ({"clay_share": 0.14}, "not clayey"),
        ({"texture": "clay loam"}, "serves"),
        ({"texture": "Sand"}, "not clayey"),
        ({"texture": "no such soil"}, "serves"),
        ({}, "serves"),
        ({"clay_share": 0.3, "is_clean": False}, "contaminated"),
        ({"clay_share": 0.05, "texture": "clay"}, "not clayey"),
    ],
)
def test_clean_and_clayey_enough(said, reason):
    """The share counts before the class; unknown soil is given the benefit of the doubt."""
    assert verdict(source(**said)) == [reason]


@pytest.mark.parametrize(
    ("first", "last", "reason"),
    [
        (date(2026, 2, 10), date(2026, 3, 20), "serves"),
        (date(2026, 6, 1), date(2026, 8, 31), "dry"),
        (date(2025, 11, 1), date(2026, 2, 1), "serves"),
        (date(2025, 10, 1), date(2026, 1, 15), "dry"),
        (date(2025, 1, 1), date(2026, 12, 31), "serves"),
        (date(2026, 5, 15), date(2026, 9, 1), "serves"),
    ],
)
def test_wet_while_the_bees_nest(first, last, reason):
    """Without a season the day of the year decides: 1 February to 15 May."""
    assert verdict(source(wet=((first, last),))) == [reason]


def test_a_given_season_counts_by_date():
    """Wet in last year's bloom is dry in this year's."""
    season = (date(2026, 2, 10), date(2026, 3, 10))
    wet = [source(wet=((date(y, 2, 1), date(y, 2, 28)),)) for y in (2025, 2026)]
    assert verdict(*wet, season=season) == ["dry", "serves"]


@pytest.mark.parametrize(
    ("first", "last", "reason"),
    [
        (date(2026, 8, 15), date(2026, 11, 30), "serves"),
        (date(2026, 2, 1), date(2026, 5, 15), "dry"),
        (date(2026, 11, 15), date(2027, 3, 1), "serves"),
        (date(2026, 11, 16), date(2027, 7, 31), "dry"),
        (date(2026, 12, 1), date(2027, 8, 1), "serves"),
    ],
)
def test_south_of_the_equator_bees_nest_six_months_later(first, last, reason):
    """1 August to 15 November, also for what is wet over the turn of the year."""
    wet = replace(orchard(mud_sources=(source(wet=((first, last),)),)), plane=LocalPlane.around([(-67.6, -39.05)]))
    assert [v.reason for v in judge_mud(wet, 0.15)] == [reason]


@pytest.mark.parametrize(
    ("first", "last", "reason"),
    [
        (date(2026, 12, 24), date(2026, 12, 28), "serves"),
        (date(2026, 2, 10), date(2026, 2, 20), "serves"),
        (date(2026, 12, 1), date(2027, 3, 1), "serves"),
        (date(2026, 2, 16), date(2026, 10, 31), "dry"),
    ],
)
def test_a_season_of_the_options_may_pass_the_turn_of_the_year(first, last, reason):
    """1 November to 15 February, whatever is usual there."""
    assert verdict(source(wet=((first, last),)), nesting=((11, 1), (2, 15))) == [reason]


def test_the_soil_under_a_source_tells_its_texture():
    """A line ditch of unknown soil takes the polygon's clay, in percent, or its class."""
    line = source(geometry=LineString([(10, 10), (20, 10)]))
    for said, share in (({"clay": "32"}, 0.32), ({"CLAY": "32%"}, 0.32), ({"texture": "sand"}, 0.05), ({}, None)):
        ground = Feature(role=Role.SOIL, name="s", geometry=box(0, 0, 50, 50), attributes=said)
        assert clay_share_of_source(line, orchard(mud_sources=(line,), features=(ground,))) == share


def test_only_those_that_serve_are_listed():
    """One of three."""
    sources = (source(clay_share=0.3, name="good"), source(is_clean=False), source(clay_share=0.01))
    assert [s.name for s in serving_mud(orchard(mud_sources=sources), 0.15)] == ["good"]
