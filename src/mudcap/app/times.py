"""Times, durations and speeds on the command line."""

from __future__ import annotations

import re
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from typing import Any, Final, NoReturn

import click

from mudcap.geo.units import clock_s
from mudcap.lang import _

_UNIT_S: Final = {"h": 3600.0, "hr": 3600.0, "hours": 3600.0, "min": 60.0, "m": 60.0, "s": 1.0, "sec": 1.0}
_SPEED: Final = {"mph": 0.44704, "km/h": 1 / 3.6, "kmh": 1 / 3.6, "m/s": 1.0}
"""The international mile an hour is exactly 0.44704 m/s (NIST SP 811)."""


def duration_s(text: str) -> float | None:
    """Seconds of '6h', '6h30', '90 min' or '45s'; None where it is no duration.

    >>> duration_s("6h"), duration_s("6h30"), duration_s("1.5 h"), duration_s("45s"), duration_s("6"), duration_s("1234567s")
    (21600.0, 23400.0, 5400.0, 45.0, None, None)
    """
    word = text.strip().lower().replace(" ", "")
    match = re.fullmatch(r"(\d{1,3})h(\d{1,2})(?:min|m)?", word)
    if match:
        return int(match[1]) * 3600.0 + int(match[2]) * 60.0
    match = re.fullmatch(r"(\d{1,6}(?:\.\d+)?)([a-z]+)", word)
    return float(match[1]) * _UNIT_S[match[2]] if match and match[2] in _UNIT_S else None


class _Kind(click.ParamType):  # type: ignore[type-arg]  # generic only in newer click
    """A value with a form of its own."""

    def refuse(self, text: str, param: click.Parameter | None, context: click.Context | None) -> NoReturn:
        """Wrong usage, with what was written and what is wanted."""
        self.fail(text, param, context)


class Clock(_Kind):
    """A time of day."""

    name = "hh:mm"

    def convert(self, value: Any, param: click.Parameter | None, context: click.Context | None) -> float:
        """Seconds after midnight."""
        found = value if isinstance(value, float) else clock_s(str(value))
        if found is None:
            self.refuse(_("'{value}' is no time of day; write 7:00, or 2:30pm.").format(value=value), param, context)
        return found


class Day(_Kind):
    """A date."""

    name = "yyyy-mm-dd"

    def convert(self, value: Any, param: click.Parameter | None, context: click.Context | None) -> date:
        """The date."""
        if isinstance(value, date):
            return value
        with suppress(ValueError):
            if re.fullmatch(r"\d{4}-\d{2}-\d{2}", str(value).strip()):
                return date.fromisoformat(str(value).strip())
        self.refuse(_("'{value}' is no date; write it as 2027-02-16.").format(value=value), param, context)


class Duration(_Kind):
    """A length of time."""

    name = "time"

    def convert(self, value: Any, param: click.Parameter | None, context: click.Context | None) -> float:
        """Seconds."""
        found = value if isinstance(value, float) else duration_s(str(value))
        if found is None:
            self.refuse(
                _("'{value}' is no length of time; write it with its unit, such as 6h, 90min or 45s.").format(value=value),
                param, context,
            )  # fmt: skip
        return found


class Speed(_Kind):
    """A speed."""

    name = "speed"

    def convert(self, value: Any, param: click.Parameter | None, context: click.Context | None) -> float:
        """Metres a second."""
        match = re.fullmatch(r"(\d+(?:\.\d+)?)\s*(mph|km/h|kmh|m/s)", str(value).strip().lower())
        if not match or not 0.1 <= float(match[1]) * _SPEED[match[2]] <= 60:
            self.refuse(
                _("'{value}' is no speed; write it with its unit, such as 5mph or 8km/h.").format(value=value), param, context
            )
        return float(match[1]) * _SPEED[match[2]]


class Lunch(_Kind):
    """When lunch is, and how long."""

    name = "hh:mm/time"

    def convert(
        self, value: Any, param: click.Parameter | None, context: click.Context | None
    ) -> tuple[float, float] | None:
        """(seconds after midnight, seconds) of '12:00' or '12:00/45min'; None of 'none'."""
        if not isinstance(value, str) or value.strip().lower() == "none":
            return None if isinstance(value, str) else value
        at, _slash, length = value.partition("/")
        start, long = clock_s(at), duration_s(length) if length else 1800.0
        if start is None or long is None:
            self.refuse(
                _("'{value}' is no lunch; write 12:00, 12:00/45min or none.").format(value=value), param, context
            )
        return start, long


class Panel(_Kind):
    """Which of how many rounds."""

    name = "i/k"

    def convert(
        self, value: Any, param: click.Parameter | None, context: click.Context | None
    ) -> tuple[int, int]:
        """(i, k) of 'i/k'."""
        match = re.fullmatch(r"\s*(\d{1,3})\s*/\s*(\d{1,3})\s*", str(value))
        if not match or not 1 <= int(match[1]) <= int(match[2]):
            self.refuse(
                _("'{value}' is no panel; write 2/3 for the second of three rounds.").format(value=value), param, context
            )
        return int(match[1]), int(match[2])


@dataclass(frozen=True, slots=True, kw_only=True)
class ClosedUntil:
    """What --closed says."""

    block_id: str
    day: date | None
    time_s: float


class Closing(_Kind):
    """A block and until when it may not be entered."""

    name = "block until time"

    def convert(
        self, value: Any, param: click.Parameter | None, context: click.Context | None
    ) -> ClosedUntil:
        """Block, date (None = the first day) and time."""
        match = re.fullmatch(r"\s*(.+)\s+(?:until|hasta)\s+(?:(\d{4}-\d{2}-\d{2})[ T])?\s*(\d{1,2}[\d:apm. ]*)", str(value), re.IGNORECASE)
        seconds = clock_s(match[3]) if match else None
        day: date | None = None
        if match and match[2]:
            try:
                day = date.fromisoformat(match[2])
            except ValueError:
                seconds = None
        if match is None or seconds is None:
            self.refuse(
                _("'{value}': write \"BLOCK until 14:30\" or \"BLOCK until 2027-02-16 14:30\".").format(value=value),
                param, context,
            )  # fmt: skip
        return ClosedUntil(block_id=match[1].strip(), day=day, time_s=seconds)
