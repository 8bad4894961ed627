"""The sites of a plan that was written, read from its `plan.gpkg`: who hangs where, and takes what."""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from mudcap.errors import InputError, StoreError
from mudcap.files.edits import SITE_ID
from mudcap.files.outputs import PLAN_FILE
from mudcap.files.store import read_tables
from mudcap.geo.units import Units
from mudcap.lang import _
from mudcap.plan.picking import Pick, in_picking_order

_COLUMNS: Final = (
    "site_id, block, number, row, tree, lon, lat, cavities, females, males, packages, facing_deg, compass_deg, load, place_in_load, "
    "shelters, packed, short"
)
_NUMBER: Final = re.compile(r"[0-9a-f]{1,64}")


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanSites:
    """Sites in picking order, and the plan they are of."""

    number: str
    """Plan number, as on each page."""
    ranch: str
    units: Units
    sites: tuple[Pick, ...]


def read_plan_sites(path: Path) -> PlanSites:
    """The sites of a plan.

    Raises ``InputError`` where there is no such file, ``StoreError`` where it is none of ours or damaged.
    """
    if not path.exists() and not path.is_symlink():
        raise InputError(
            _("{folder}: there is no plan here ({file} is missing). Run mudcap plan first, or say where with -o.").format(
                folder=path.parent, file=PLAN_FILE
            )
        )
    tables = read_tables(path, {"about": "name, value", "sites": _COLUMNS, "params": "name, value"})
    about = {str(name): str(value) for name, value in tables["about"]}
    units = dict(tables["params"]).get("units")
    try:
        sites = tuple(_pick(row) for row in tables["sites"])
    except (ValueError, TypeError) as error:
        raise _damaged(path) from error
    if len({p.site_id for p in sites}) != len(sites) or not _NUMBER.fullmatch(about.get("plan", "")):
        raise _damaged(path)
    return PlanSites(
        number=about["plan"], ranch=about.get("ranch", ""), units="metric" if units == "metric" else "us",
        sites=in_picking_order(sites),
    )  # fmt: skip


def _pick(row: tuple[Any, ...]) -> Pick:
    """``ValueError`` or ``TypeError`` where a value is not what the plan writes."""
    (site_id, block, number, line, tree, lon, lat, cavities, females, males, packages, facing, compass, load, place,
     shelters, packed, short) = row  # fmt: skip
    counts = (number, line, tree, cavities, females, males, load, place, shelters, short)
    if not (isinstance(block, str) and SITE_ID.fullmatch(site_id) and all(type(n) is int and n >= 0 for n in counts)):
        raise ValueError(site_id)
    if not (abs(lon) <= 180 and abs(lat) <= 90):
        raise ValueError(site_id)
    return Pick(
        site_id=site_id, block_id=block, number=number, row=line, tree=tree, lon=float(lon), lat=float(lat), cavities=cavities,
        females=females, males=males, packages=_packages(packages), facing_deg=_bearing(facing), compass_deg=_bearing(compass),
        load=load, place_in_load=place, shelters=shelters, packed=None if packed is None else int(packed), short=short,
    )  # fmt: skip


def _packages(text: str) -> tuple[tuple[str, int], ...]:
    pairs = json.loads(text)
    if not all(isinstance(name, str) and type(count) is int and count >= 0 for name, count in pairs):
        raise ValueError(text)
    return tuple((name, count) for name, count in pairs)


def _bearing(value: float | None) -> float | None:
    if value is None:
        return None
    if not math.isfinite(value):
        raise ValueError(value)
    return float(value)


def _damaged(path: Path) -> StoreError:
    return StoreError(_("{file}: is damaged. Run mudcap plan again.").format(file=path))
