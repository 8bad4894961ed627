"""How far a compass points from true north, by the World Magnetic Model."""

from __future__ import annotations

from datetime import date
from functools import lru_cache
from typing import Any, Final

from mudcap.lang import _

COEFFICIENTS: Final = "wmm/WMM_2025.COF"
FIRST_YEAR: Final = 2025
LAST_YEAR: Final = 2030
"""The model holds from the start of the first to the start of the last."""


def declination_deg(lon: float, lat: float, day: date, *, height_m: float = 0.0) -> float:
    """Degrees by which magnetic north lies east (+) or west (−) of true north at a WGS 84 place on a day.

    true bearing = compass bearing + declination. Accurate to about half a degree in farming country; iron nearby spoils
    any compass.

    Raises ``ValueError`` for a day outside 2025-01-01 … 2029-12-31, a place that is none, or a height outside −1 to 850 km.

    References: World Magnetic Model 2025, NOAA NCEI and British Geological Survey, doi 10.25921/aqfd-sd83 (from memory),
    with the coefficients that the package pygeomag carries.
    """
    if not FIRST_YEAR <= day.year < LAST_YEAR:
        raise ValueError(
            _("{day} is outside the World Magnetic Model at hand ({first} to {last}); magnetic bearings are left out.").format(
                day=day.isoformat(), first=FIRST_YEAR, last=LAST_YEAR - 1
            )
        )
    if not (-180 <= lon <= 180 and -90 <= lat <= 90 and -1000 <= height_m <= 850_000):
        raise ValueError(_("no place on Earth: longitude {lon:g}, latitude {lat:g}.").format(lon=lon, lat=lat))
    found = _model().calculate(glat=lat, glon=lon, alt=height_m / 1000, time=decimal_year(day))
    return float(found.d)


def decimal_year(day: date) -> float:
    """A day as a year with its share.

    >>> decimal_year(date(2025, 1, 1)), round(decimal_year(date(2027, 7, 2)), 3)
    (2025.0, 2027.499)
    """
    first = date(day.year, 1, 1)
    return day.year + (day - first).days / (date(day.year + 1, 1, 1) - first).days


def to_magnetic_deg(bearing_deg: float, declination: float) -> float:
    """Compass bearing, 0 ≤ b < 360, of a bearing from true north.

    >>> to_magnetic_deg(135.0, 12.5), to_magnetic_deg(5.0, 12.5)
    (122.5, 352.5)
    """
    return (bearing_deg - declination) % 360.0


@lru_cache(maxsize=1)
def _model() -> Any:
    # reads its coefficients once, only where a compass is asked for
    from pygeomag import GeoMag

    return GeoMag(coefficients_file=COEFFICIENTS)
