"""Options of a run from toml tables: every wrong key and value found at once, lengths with their units, ranges of sense."""

from __future__ import annotations

import dataclasses
import difflib
import math
import re
import types
import typing
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any, Final, Literal, TypeVar

from mudcap.files.names import clean_text
from mudcap.geo.units import parse_length
from mudcap.lang import _
from mudcap.orchard.model import Season

T = TypeVar("T")

RANGES: Final[Mapping[str, tuple[float, float, float, float]]] = {
    "place.per_acre": (2, 12, 0.1, 40),
    "place.per_acre_max": (2, 12, 0.1, 40),
    "place.farthest_m": (5, 60, 1, 1000),
    "place.max_acres": (0.1, 100_000, 0, 10_000_000),
    "place.slack": (0, 0.2, 0, 1),
    "place.row_economy": (0, 0.2, 0, 1),
    "place.move_penalty_m2": (0, math.inf, 0, math.inf),
    "place.jobs": (0, 64, 0, 1024),
    "place.seed": (0, 2**31 - 1, 0, 2**63 - 1),
    "place.safety_s": (10, 86_400, 1, 604_800),
    "stocking.females_per_acre": (100, 800, 1, 5000),
    "stocking.males_per_female": (1, 3, 0, 10),
    "stocking.cavities_per_female": (1, 4, 0.5, 20),
    "stocking.cavities_warn": (10, 100, 1, 500),
    "stocking.expected_emergence": (0.4, 1, 0.01, 1),
    "stocking.retention": (0.2, 0.9, 0.01, 1),
    "stocking.reserve": (0, 0.5, 0, 5),
    "stocking.batches": (1, 6, 1, 60),
    "stocking.hives_per_acre": (0.25, 4, 0, 20),
    "supply.facing_deg": (0, 360, 0, 360),
    "supply.height_m": (0.9, 2, 0.3, 3),
    "supply.tray_depth_m": (0.005, 0.0762, 0.001, 0.3),
    "supply.packages.diameter_mm": (7, 8, 4, 12),
    "supply.packages.depth_mm": (140, 210, 50, 300),
    "mud.limit_m": (1, 100, 0.1, 400),
    "mud.clay_share_min": (0.05, 0.6, 0, 1),
    "mud.stand_spacing_m": (2, 30, 1, 200),
    "mud.offset_m": (0, 10, 0, 50),
    "mud.hose_m": (0, 60, 0, 300),
    "mud.trench_length_m": (0.5, 10, 0.1, 50),
    "mud.trench_width_m": (0.2, 3, 0.05, 20),
    "mud.trench_depth_m": (0.02, 0.5, 0.005, 2),
    "mud.rewet_days": (1, 7, 1, 60),
    "mud.tank_l": (200, 20_000, 1, 100_000),
    "mud.fill_l_min": (20, 3000, 1, 100_000),
    "mud.pour_l_min": (20, 1000, 1, 100_000),
    "mud.stop_s": (0, 900, 0, 7200),
    "mud.store_run_m": (10, 500, 0, 5000),
    "release.points": (1, 50, 1, 1000),
    "release.capacity": (100, 5000, 1, 1_000_000),
    "release.lane_clear_m": (0, 30, 0, 500),
    "rows.row_spacing_m": (2, 10, 0.5, 30),
    "rows.tree_spacing_m": (0.5, 10, 0.2, 30),
    "rows.headland_m": (0, 20, 0, 200),
    "rows.sprayed_every": (0, 20, 0, 1000),
    "access.spray_clear_m": (0, 10, 0, 100),
    "access.block_edge_m": (0, 20, 0, 200),
    "access.keep_out_m": (0, 50, 0, 500),
    "access.hives_m": (5, 200, 0, 5000),
    "access.hazard_m": (1, 50, 0, 500),
    "access.chemical_store_m": (5, 200, 0, 5000),
    "access.walk_m": (10, 200, 1, 5000),
    "travel.truck_road_m_s": (1, 25, 0.1, 60),
    "travel.truck_alley_m_s": (0.5, 15, 0.1, 60),
    "travel.cart_road_m_s": (0.5, 15, 0.1, 60),
    "travel.cart_alley_m_s": (0.5, 10, 0.1, 60),
    "travel.foot_m_s": (0.5, 2, 0.1, 10),
    "travel.snap_m": (1, 50, 0, 500),
}
"""Option: warn below, warn above, refuse below, refuse above. Sites an acre, females, males and cavities: the project's
table of trade limits (8–10 an acre is common practice; no paper states it). Mud reach: NC State Extension's upper bound.
Which way of facing is usual is told once the place is known (`supply.kit.usual_facing`). Cavities: Mader, Spivak & Evans 2010, SARE Handbook 11.
All others: common practice, no source."""


def section(cls: type[T], table: Any, place: str, problems: list[str], warnings: list[str]) -> T:
    """An options dataclass of `cls` from a toml table; what is wrong with it goes to `problems`, odd values to `warnings`.

    A length field `name_m` may be written `name_m = 1.5` or `name = "5 ft"`.
    """
    fields = {f.name: f for f in dataclasses.fields(cls)}  # type: ignore[arg-type]
    hints = typing.get_type_hints(cls)
    if not isinstance(table, Mapping):
        problems.append(_("[{place}] is no table of options.").format(place=place))
        return cls()
    values: dict[str, Any] = {}
    for key, raw in table.items():
        name, value = key, raw
        if key not in fields and f"{key}_m" in fields:
            name, value = f"{key}_m", _length(raw, f"{place}.{key}", problems)
        elif key == "per_acre" and isinstance(raw, str):
            values.update(_density(raw, place, problems))
            continue
        if name not in fields:
            problems.append(unknown_key(key, place, [*fields, *(f[:-2] for f in fields if f.endswith("_m"))]))
            continue
        if value is not None and _fits(value, hints[name], f"{place}.{name}", problems):
            values[name] = float(value) if _wants_float(hints[name]) and type(value) is int else value
    for name, value in values.items():
        check_range(f"{place}.{name}", value, problems, warnings)
    return cls(**values)


def unknown_key(key: str, place: str, known: Sequence[str]) -> str:
    """The message for a key that nobody knows, naming its neighbour."""
    near = difflib.get_close_matches(key, known, n=1, cutoff=0.6)
    text = _("no such option {key} in [{place}]").format(key=clean_text(key, 40), place=place)
    return text + "; " + _("did you mean {near}?").format(near=near[0]) if near else text + "."


def check_range(name: str, value: Any, problems: list[str], warnings: list[str]) -> None:
    """Refuse or warn of a number outside the range of sense for an option such as 'place.per_acre'."""
    limits = RANGES.get(name)
    if limits is None or isinstance(value, bool) or not isinstance(value, (int, float)):
        return
    warn_low, warn_high, low, high = limits
    if not low <= value <= high:
        problems.append(
            _("{name} = {value:g} is outside {low:g} to {high:g}.").format(name=name, value=value, low=low, high=high)
        )
    elif not warn_low <= value <= warn_high:
        warnings.append(unusual(name, value, warn_low, warn_high))


def unusual(name: str, value: float, low: float, high: float) -> str:
    """The warning about a number that is seldom meant."""
    return _("{name} = {value:g} is unusual (usually {low:g} to {high:g}).").format(name=name, value=value, low=low, high=high)


def read_day(value: Any) -> date | None:
    """A date of a toml date or of text YYYY-MM-DD; None where it is neither."""
    if isinstance(value, datetime):
        return value.date()
    if isinstance(value, date):
        return value
    if isinstance(value, str) and re.fullmatch(r"\d{4}-\d{2}-\d{2}", value):
        try:
            return date.fromisoformat(value)
        except ValueError:
            return None
    return None


def read_season(value: Any) -> Season | None:
    """First and last (month, day) of text such as '08-15 to 11-15'; None where it is none.

    >>> read_season("08-15 to 11-15"), read_season("11-1 to 2-15"), read_season("spring")
    (((8, 15), (11, 15)), ((11, 1), (2, 15)), None)
    """
    match = re.fullmatch(r"\s*(\d{1,2})-(\d{1,2})\s+to\s+(\d{1,2})-(\d{1,2})\s*", value) if isinstance(value, str) else None
    if match is None:
        return None
    first, last = (int(match[1]), int(match[2])), (int(match[3]), int(match[4]))
    try:
        date(2000, *first), date(2000, *last)
    except ValueError:
        return None
    return first, last


def _length(raw: Any, name: str, problems: list[str]) -> float | None:
    if isinstance(raw, str):
        try:
            return parse_length(raw)
        except ValueError as error:
            problems.append(f"{name}: {clean_text(error, 120)}")
            return None
    problems.append(
        _('{name} needs its unit: write {name} = "22 ft", or {name}_m = 6.7 for metres.').format(name=name)
    )
    return None


def _density(raw: str, place: str, problems: list[str]) -> dict[str, float]:
    match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(?:-|–|to)\s*(\d+(?:\.\d+)?)\s*", raw)
    if match is None or float(match[1]) > float(match[2]):
        problems.append(
            _('{place}.per_acre = "{raw}" is neither a number nor a range such as "8-10".').format(
                place=place, raw=clean_text(raw, 30)
            )
        )
        return {}
    return {"per_acre": float(match[1]), "per_acre_max": float(match[2])}


def _kinds(hint: Any) -> tuple[Any, ...]:
    if isinstance(hint, types.UnionType) or typing.get_origin(hint) is typing.Union:
        return tuple(k for k in typing.get_args(hint) if k is not type(None))
    return (hint,)


def _wants_float(hint: Any) -> bool:
    return float in _kinds(hint)


def _fits(value: Any, hint: Any, name: str, problems: list[str]) -> bool:
    for kind in _kinds(hint):
        if typing.get_origin(kind) is Literal:
            if value in typing.get_args(kind):
                return True
            choices = ", ".join(str(a) for a in typing.get_args(kind))
            problems.append(
                _("{name} = {value} is none of {choices}.").format(name=name, value=clean_text(value, 40), choices=choices)
            )
            return False
        if kind is bool and isinstance(value, bool):
            return True
        if kind in (int, float) and type(value) in ((int,) if kind is int else (int, float)):
            if math.isfinite(value):
                return True
        elif kind is str and isinstance(value, str):
            return True
    wanted = {bool: _("true or false"), int: _("a whole number"), float: _("a number"), str: _("text")}
    kind_text = next((wanted[k] for k in _kinds(hint) if k in wanted), "?")
    problems.append(
        _("{name} = {value} is not {wanted}.").format(name=name, value=clean_text(value, 40), wanted=kind_text)
    )
    return False
