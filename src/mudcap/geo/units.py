"""Length, area, time of day and their words; SI inside, feet and acres on paper."""

from __future__ import annotations

import math
import re
from typing import Final, Literal

from mudcap.lang import _

Units = Literal["us", "metric"]

M_PER_FT: Final = 0.3048
"""International foot, exact (1959 agreement; NIST SP 811)."""
M_PER_FT_US: Final = 1200 / 3937
"""US survey foot, exact; EPSG unit 9003."""
M2_PER_ACRE: Final = 43_560 * M_PER_FT**2
"""International acre, 4046.8564224 m²."""
M_PER_CHAIN: Final = 66 * M_PER_FT


def acres(area_m2: float) -> float:
    """International acres of an area [m²]."""
    return area_m2 / M2_PER_ACRE


def length_text(length_m: float, units: Units, digits: int = 0) -> str:
    """A length for people: feet or metres with its unit.

    >>> length_text(20.1168, "us"), length_text(20.1168, "metric", 1)
    ('66 ft', '20.1 m')
    """
    if units == "us":
        return f"{length_m / M_PER_FT:,.{digits}f} ft"
    return f"{length_m:,.{digits}f} m"


def amount_in(amount: float, unit: str, units: Units) -> tuple[float, str]:
    """An amount of something and its unit as people of these units count it: feet or metres where it is a length, rounded up to a
    tenth so that enough is brought; anything else as it is.

    >>> amount_in(86.4, "m", "us"), amount_in(10.0, "m", "metric"), amount_in(3.0, "roll", "us")
    ((283.5, 'ft'), (10.0, 'm'), (3.0, 'roll'))
    """
    wanted, factor = ("ft", 1 / M_PER_FT) if units == "us" else ("m", M_PER_FT)
    if unit not in ("m", "ft") or unit == wanted:
        return amount, unit
    return math.ceil(amount * factor * 10 - 1e-6) / 10, wanted


def parse_length(text: str) -> float:
    """Metres of a length such as '45ft', '45 ft', '13.7 m' or '13.7m'; a bare number is refused.

    Raises ``ValueError`` with the wanted form.
    """
    word = text.strip().lower().replace(" ", "")
    for suffix, factor in (
        ("ftus", M_PER_FT_US),
        ("feet", M_PER_FT),
        ("ft", M_PER_FT),
        ("'", M_PER_FT),
        ("in", M_PER_FT / 12),
        ("m", 1.0),
    ):
        if word.endswith(suffix):
            try:
                value = float(word[: -len(suffix)])
            except ValueError:
                break
            if 0 <= value < 1e7:
                return value * factor
            break
    raise ValueError(_("'{text}' is no length; write it with its unit, such as 45ft or 13.7m.").format(text=text))


def clock_s(text: str) -> float | None:
    """Seconds after midnight of '7:00', '14:30', '2pm' or '2:30 p.m.'; None where it is no time.

    >>> clock_s("7:05"), clock_s("24:00"), clock_s("noon"), clock_s("2:30 pm"), clock_s("12 AM"), clock_s("14")
    (25500.0, None, None, 52200.0, 0.0, None)
    """
    match = re.fullmatch(r"(\d{1,2})(?::(\d{2}))?\s*(?:([ap])\.?\s?m\.?)?", text.strip().lower())
    if not match or not (match[2] or match[3]) or int(match[2] or 0) > 59:
        return None
    hour, half = int(match[1]), match[3]
    if not (1 <= hour <= 12 if half else hour <= 23):
        return None
    return ((hour % 12 + 12 * (half == "p")) if half else hour) * 3600.0 + int(match[2] or 0) * 60.0


def round_half_up(value: float) -> int:
    """The nearest whole number, halves upward.

    >>> round_half_up(2.5), round_half_up(2.4999)
    (3, 2)
    """
    return math.floor(value + 0.5 + 1e-9)
