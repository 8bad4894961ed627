"""Compass declination: against the test values published with the model."""

from __future__ import annotations

from datetime import date

import pytest

from mudcap.geo.declination import decimal_year, declination_deg, to_magnetic_deg

PUBLISHED = [
    (2025.0, 0, 80, 0, 1.28), (2025.0, 0, 0, 120, -0.16), (2025.0, 0, -80, -120, 68.78),
    (2025.0, 100, 80, 0, 0.85), (2025.0, 100, 0, 120, -0.15), (2025.0, 100, -80, -120, 68.21),
    (2027.5, 0, 80, 0, 2.59), (2027.5, 0, 0, 120, -0.24), (2027.5, 0, -80, -120, 68.49),
    (2027.5, 100, 80, 0, 2.16), (2027.5, 100, 0, 120, -0.23), (2027.5, 100, -80, -120, 67.93),
]  # fmt: skip
"""NOAA NCEI, WMM2025_TEST_VALUES.txt: decimal year, height [km], latitude, longitude, declination [degrees]."""


@pytest.mark.parametrize(("year", "height_km", "lat", "lon", "expected"), PUBLISHED)
def test_published_values(year, height_km, lat, lon, expected):
    """Each of the twelve, to the published rounding and the half day by which a date misses the half year."""
    day = date(2025, 1, 1) if year == 2025.0 else date(2027, 7, 2)
    assert declination_deg(lon, lat, day, height_m=height_km * 1000) == pytest.approx(expected, abs=0.006)


def test_a_decimal_year_knows_leap_years():
    """The last day of 2028 is 365 of 366 days in."""
    assert decimal_year(date(2028, 12, 31)) == pytest.approx(2028 + 365 / 366)


@pytest.mark.parametrize("day", [date(2024, 12, 31), date(2030, 1, 1)])
def test_a_day_outside_the_model_is_refused(day):
    """It says which days the model holds for."""
    with pytest.raises(ValueError, match="2025 to 2029"):
        declination_deg(-120, 37, day)


@pytest.mark.parametrize(("lon", "lat"), [(181, 0), (0, 91), (float("nan"), 0)])
def test_no_place_is_refused(lon, lat):
    """So is a place that is none."""
    with pytest.raises(ValueError, match="no place"):
        declination_deg(lon, lat, date(2027, 1, 1))


def test_an_easterly_declination_is_taken_off():
    """East of true north the compass reads less, and never below 0."""
    assert to_magnetic_deg(135.0, 12.5) == 122.5
    assert to_magnetic_deg(10.0, 12.5) == 357.5
    assert to_magnetic_deg(350.0, -12.5) == 2.5
