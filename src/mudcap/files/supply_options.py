"""The [supply] table of a mudcap.toml: goods on hand and for sale, the kit of a site, vehicle, trays and prices."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any, Final, TypeVar

from mudcap.files.names import clean_name, clean_text
from mudcap.files.options import read_day, section
from mudcap.lang import _
from mudcap.supply.params import KitParams, PackageParams, SupplyParams

T = TypeVar("T")

LIMIT: Final = 60
"""Packages or kit lines; a yard has fewer, and each makes the programme larger."""
COUNTS: Final[Mapping[str, tuple[float, float]]] = {
    "cavities": (1, 2000), "stock": (0, 1e7), "lead_days": (0, 1000), "cost": (0, 1e6), "volume_l": (0, 1e4),
    "mass_kg": (0, 1e4), "each": (0, 1000), "shelter_cavities": (1, 2000), "load_shelters": (1, 1e6), "load_l": (0.1, 1e7),
    "load_kg": (0.1, 1e6), "female_cocoon_cost": (0, 1e4), "male_cocoon_cost": (0, 1e4), "female_cocoon_ml": (0.01, 100),
    "male_cocoon_ml": (0.01, 100), "tray_length_m": (0.01, 20), "tray_width_m": (0.01, 20), "shelf_trays": (1, 1000),
    "site_minutes": (0, 1000), "hour_cost": (0, 1e5), "compare_low": (0.1, 40), "compare_high": (0.1, 40),
}  # fmt: skip
"""Number: refuse below, refuse above. Bounds of sense, so that no sum overflows."""


def read_supply(table: Any, problems: list[str], warnings: list[str]) -> SupplyParams | None:
    """Options of a [supply] table; None where there is none. What is wrong goes to `problems`, what is odd to `warnings`."""
    if table is None:
        return None
    if not isinstance(table, Mapping):
        problems.append(_("[{place}] is no table of options.").format(place="supply"))
        return None
    plain = {k: v for k, v in table.items() if k not in ("packages", "kit", "needed_by")}
    supply = section(SupplyParams, plain, "supply", problems, warnings)
    _counts(supply, "supply", problems)
    packages = _entries(table.get("packages", []), PackageParams, "supply.packages", problems, warnings)
    for package in packages:
        if package.cavities < 1:
            problems.append(_("[supply.packages] {name}: say how many cavities one holds.").format(name=package.name))
    return dataclasses.replace(
        supply,
        packages=packages,
        kit=_entries(table.get("kit", []), KitParams, "supply.kit", problems, warnings),
        needed_by=_day(table, "needed_by", "supply", problems),
        currency=clean_text(supply.currency, 8),
    )


def _entries(entries: Any, cls: type[T], place: str, problems: list[str], warnings: list[str]) -> tuple[T, ...]:
    if not isinstance(entries, list) or len(entries) > LIMIT:
        problems.append(_("{place}: write at most {n} tables as [[{place}]].").format(place=place, n=LIMIT))
        return ()
    out: list[T] = []
    for k, entry in enumerate(entries, start=1):
        where = f"{place} {k}"
        if not isinstance(entry, Mapping):
            problems.append(_("[{place}] is no table of options.").format(place=where))
            continue
        # toml's dates are no plain values, so they are read apart
        made: Any = section(cls, {n: v for n, v in entry.items() if n != "sanitised"}, place, problems, warnings)
        changes: dict[str, Any] = {f.name: clean_name(getattr(made, f.name)) for f in dataclasses.fields(made) if f.type == "str"}
        if "sanitised" in entry and hasattr(made, "sanitised"):
            changes["sanitised"] = _day(entry, "sanitised", where, problems)
        made = dataclasses.replace(made, **changes)
        if not made.name:
            problems.append(_("[{place}] needs a name.").format(place=where))
        elif made.name in {getattr(other, "name", "") for other in out}:
            problems.append(_("[{place}] name = {name} is given twice.").format(place=where, name=made.name))
        _counts(made, where, problems)
        out.append(made)
    return tuple(out)


def _day(table: Mapping[str, Any], key: str, place: str, problems: list[str]) -> Any:
    day = read_day(table.get(key))
    if key in table and day is None:
        problems.append(_("{name} is no date; write YYYY-MM-DD.").format(name=f"{place}.{key}"))
    return day


def _counts(made: Any, place: str, problems: list[str]) -> None:
    for name, (low, high) in COUNTS.items():
        value = getattr(made, name, None)
        # a missing number of cavities is told of by its own message
        if value is None or (name == "cavities" and value == 0):
            continue
        if not low <= value <= high:
            problems.append(
                _("{name} = {value:g} is outside {low:g} to {high:g}.").format(
                    name=f"{place}.{name}", value=value, low=low, high=high
                )
            )
