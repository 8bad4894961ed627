"""Sunrise and sunset against almanac times (to the minute, from memory), and what every day must keep."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from mudcap.geo.sun import daylight_s, zone_of


@pytest.mark.parametrize(
    ("day", "lon", "lat", "zone", "rise", "fall"),
    [
        (date(2024, 6, 20), -0.1278, 51.5074, 1, "4:43", "21:21"),  # London, summer time
        (date(2024, 12, 21), -118.2437, 34.0522, -8, "6:55", "16:48"),  # Los Angeles
        (date(2024, 3, 20), -74.006, 40.7128, -4, "6:58", "19:08"),  # New York, daylight time
        (date(2024, 6, 21), 151.2093, -33.8688, 10, "7:00", "16:54"),  # Sydney
    ],
)
def test_almanac_times(day, lon, lat, zone, rise, fall):
    """Within a minute and a half, on both sides of the equator."""
    found = daylight_s(day, lon, lat, zone)
    for seconds, text in zip(found, (rise, fall), strict=True):
        hours, minutes = text.split(":")
        assert seconds == pytest.approx(int(hours) * 3600 + int(minutes) * 60, abs=90)


def test_days_without_night_or_sun():
    """Tromsø in June and December."""
    assert daylight_s(date(2024, 6, 20), 18.95, 69.65, 2) == (0.0, 86_400.0)
    assert daylight_s(date(2024, 12, 20), 18.95, 69.65, 1) is None


def test_the_year_goes_round():
    """At 37° N days are 9½ to 15 hours long, longest in June; a degree of longitude is four minutes; an hour of zone an hour."""
    days = [date(2027, 1, 1) + timedelta(days=n) for n in range(0, 365, 5)]
    length = [(f - r) / 3600 for r, f in (daylight_s(d, -120, 37, -8) for d in days)]
    assert 9.5 < min(length) < 9.8 and 14.6 < max(length) < 14.9
    assert days[length.index(max(length))].month == 6
    base, west, zone = (daylight_s(days[9], lon, 37, z)[0] for lon, z in ((-120, -8), (-121, -8), (-120, -7)))
    assert west - base == pytest.approx(240, abs=2) and zone - base == pytest.approx(3600, abs=5)
    assert zone_of(-119.7) == -8 and zone_of(8.0) == 1
