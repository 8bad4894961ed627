"""When the sun rises and sets."""

from __future__ import annotations

import math
from datetime import date
from typing import Final

ZENITH_DEG: Final = 90.833
"""Of the sun's centre at rise and set: half its disc and the refraction at the horizon (NOAA)."""
_ORDINAL_JD: Final = 1721424.5
"""Julian date of midnight UTC of proleptic day 0, `date.toordinal`'s origin."""


def daylight_s(day: date, lon: float, lat: float, zone_h: float) -> tuple[float, float] | None:
    """Sunrise and sunset as seconds after midnight of a clock that is `zone_h` hours ahead of UTC.

    Good to about a minute between 72° N and S (NOAA). A day without night is (0, 86400); None is a day on which the sun
    does not rise.

    >>> rise, fall = daylight_s(date(2027, 2, 15), -120.0, 37.0, -8.0)
    >>> [f"{int(s // 3600)}:{int(s % 3600 // 60):02}" for s in (rise, fall)]
    ['6:48', '17:40']

    References
    ----------
    NOAA Global Monitoring Laboratory, "Solar Calculation Details" and its spreadsheet; after Meeus 1991, Astronomical
    Algorithms, chapters 15, 25 and 28 (formula from memory, tested against published times).
    """
    rise, fall = 6 * 3600.0, 18 * 3600.0
    for _pass in range(2):  # the sun moves between midnight and rise: once more with the time found
        rise_angle = _hour_angle_deg(day, rise, lat, zone_h)
        fall_angle = _hour_angle_deg(day, fall, lat, zone_h)
        if isinstance(rise_angle, bool) or isinstance(fall_angle, bool):
            return (0.0, 86_400.0) if rise_angle is True or fall_angle is True else None
        rise = _noon_s(day, rise, lon, zone_h) - rise_angle * 240
        fall = _noon_s(day, fall, lon, zone_h) + fall_angle * 240
    return rise, fall


def zone_of(lon: float) -> float:
    """Hours ahead of UTC of the standard time that belongs to a longitude, daylight saving not counted.

    >>> zone_of(-120.0), zone_of(7.0)
    (-8.0, 0.0)
    """
    return float(math.floor(lon / 15 + 0.5))


def _centuries(day: date, clock_s: float, zone_h: float) -> float:
    """Julian centuries since 2000-01-01 12:00."""
    return (day.toordinal() + _ORDINAL_JD + clock_s / 86_400 - zone_h / 24 - 2451545.0) / 36525


def _sun(t: float) -> tuple[float, float]:
    """Declination [deg] and equation of time [min]."""
    mean = math.radians((280.46646 + t * (36000.76983 + t * 0.0003032)) % 360)
    anomaly = math.radians(357.52911 + t * (35999.05029 - 0.0001537 * t))
    orbit = 0.016708634 - t * (0.000042037 + 0.0000001267 * t)
    centre = (
        math.sin(anomaly) * (1.914602 - t * (0.004817 + 0.000014 * t))
        + math.sin(2 * anomaly) * (0.019993 - 0.000101 * t)
        + math.sin(3 * anomaly) * 0.000289
    )
    node = math.radians(125.04 - 1934.136 * t)
    apparent = mean + math.radians(centre - 0.00569 - 0.00478 * math.sin(node))
    tilt = 23 + (26 + (21.448 - t * (46.815 + t * (0.00059 - t * 0.001813))) / 60) / 60
    tilt = math.radians(tilt + 0.00256 * math.cos(node))
    declination = math.asin(math.sin(tilt) * math.sin(apparent))
    y = math.tan(tilt / 2) ** 2
    equation = (
        y * math.sin(2 * mean)
        - 2 * orbit * math.sin(anomaly)
        + 4 * orbit * y * math.sin(anomaly) * math.cos(2 * mean)
        - 0.5 * y * y * math.sin(4 * mean)
        - 1.25 * orbit * orbit * math.sin(2 * anomaly)
    )
    return math.degrees(declination), 4 * math.degrees(equation)


def _noon_s(day: date, clock_s: float, lon: float, zone_h: float) -> float:
    equation = _sun(_centuries(day, clock_s, zone_h))[1]
    return (720 - 4 * lon - equation + zone_h * 60) * 60


def _hour_angle_deg(day: date, clock_s: float, lat: float, zone_h: float) -> float | bool:
    """Hour angle of rise and set; True where the sun stays up, False where it stays down."""
    declination = math.radians(_sun(_centuries(day, clock_s, zone_h))[0])
    phi = math.radians(lat)
    cosine = math.cos(math.radians(ZENITH_DEG)) / (math.cos(phi) * math.cos(declination)) - math.tan(phi) * math.tan(declination)
    if abs(cosine) > 1:
        return cosine < -1
    return math.degrees(math.acos(cosine))
