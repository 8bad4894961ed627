"""A plan's own files read back: `report.json` for options, edits and block facts, `plan.gpkg` for sites and stations."""

from __future__ import annotations

import dataclasses
import json
import math
import types
import typing
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any, Final, cast

from shapely import MultiLineString, Point

from mudcap.errors import InputError, StoreError
from mudcap.files.outputs import PLAN_FILE
from mudcap.files.plan_sites import read_plan_sites
from mudcap.files.report_json import SCHEMA
from mudcap.files.store import read_tables
from mudcap.lang import _
from mudcap.orchard.model import Finding
from mudcap.place.coverage import Coverage
from mudcap.place.problem import Level
from mudcap.plan.model import BlockPlan, Edit, Params, Site
from mudcap.plan.reopen import SavedPlan
from mudcap.supply.model import Puddle, PuddlePlan, ReleasePoint

REPORT_FILE: Final = "report.json"
_MAX_BYTES: Final = 200_000_000
_SITE_COLUMNS: Final = (
    "site_id, block, number, row, tree, lon, lat, trees, farthest_m, females, males, cavities, walk_m, mud_m, pinned, flags"
)


def read_saved(directory: Path) -> SavedPlan:
    """What the files in `directory` say of the plan that was written there.

    Raises ``InputError`` where there is no plan, ``StoreError`` where its files are damaged, of another version, or do not
    belong together.
    """
    store, report = directory / PLAN_FILE, directory / REPORT_FILE
    for path in (store, report):
        if not path.is_file():
            raise InputError(
                _("{folder}: there is no plan here ({file} is missing). Run mudcap plan first.").format(
                    folder=directory, file=path.name
                )
            )
    facts = _facts(report)
    tables = read_tables(
        store,
        {"about": "name, value", "sites": _SITE_COLUMNS, "excluded": "block, row, tree, flags", "serials": "code, last"},
    )
    about = dict(tables["about"])
    if about.get("plan") != facts.get("plan"):
        raise StoreError(
            _("{folder}: {a} and {b} are of two different plans. Run mudcap plan again.").format(
                folder=directory, a=PLAN_FILE, b=REPORT_FILE
            )
        )
    try:
        saved = SavedPlan(
            source=str(directory), number=str(facts["plan"]), params=_restored(Params, facts["params"]),
            edits=tuple(_restored(Edit, e) for e in facts["edits"]), sites=tuple(_site(row) for row in tables["sites"]),
            blocks=tuple(_block(b) for b in facts["blocks"]), findings=tuple(_finding(f) for f in facts["findings"]),
            excluded={(str(b), int(r), int(t)): int(f) for b, r, t, f in tables["excluded"]},
            last_serial={str(c): int(n) for c, n in tables["serials"]}, reproducible=bool(facts["reproducible"]),
            puddles=_puddles(facts, [str(row[0]) for row in tables["sites"]]), release=_release(facts["release"]), picks=read_plan_sites(store).sites,
        )  # fmt: skip
    except (KeyError, TypeError, ValueError, AttributeError, IndexError) as error:
        raise _damaged(report) from error
    if {s.block_id for s in saved.sites} - {b.block_id for b in saved.blocks}:
        raise _damaged(report)
    return saved


def _facts(path: Path) -> dict[str, Any]:
    try:
        if path.stat().st_size > _MAX_BYTES:
            raise _damaged(path)
        facts = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise _damaged(path) from error
    if not isinstance(facts, dict) or facts.get("schema") != SCHEMA:
        raise StoreError(
            _("{file}: was written by another version of mudcap. Run mudcap plan again.").format(file=path)
        )
    return facts


def _damaged(path: Path) -> StoreError:
    return StoreError(_("{file}: is damaged. Run mudcap plan again.").format(file=path))


def _restored(kind: Any, value: Any) -> Any:
    """A dataclass (and what is in it) from the plain values that `files.report_json.plain` made of it.

    An option that is not named keeps its default, one that nobody knows is left out: either way the plan number tells.
    """
    if dataclasses.is_dataclass(kind):
        if not isinstance(value, Mapping):
            raise TypeError(kind.__name__ if isinstance(kind, type) else str(kind))
        hints = typing.get_type_hints(kind)
        known = {f.name for f in dataclasses.fields(kind)}
        return cast(Any, kind)(**{k: _restored(hints[k], v) for k, v in value.items() if k in known})
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin in (types.UnionType, typing.Union):
        if value is None:
            return None
        return _restored(next(k for k in inner if k is not type(None)), value)
    if kind is date:
        return date.fromisoformat(value)
    if kind is float:
        return float("nan") if value is None else float(value)
    if origin is tuple and isinstance(value, Sequence):
        kinds = [inner[0]] * len(value) if len(inner) == 2 and inner[1] is Ellipsis else inner
        return tuple(_restored(k, v) for k, v in zip(kinds, value, strict=True))
    if isinstance(value, Mapping) and inner:
        return {k: _restored(inner[1], v) for k, v in value.items()}
    return value


def _site(row: tuple[Any, ...]) -> Site:
    (site_id, block, number, line, tree, lon, lat, trees, farthest, females, males, cavities, walk, mud, pinned, flags) = row
    if not all(isinstance(v, float) and math.isfinite(v) for v in (lon, lat)) or abs(lon) > 180 or abs(lat) > 90:
        raise ValueError("position")
    return Site(
        site_id=str(site_id), block_id=str(block), number=int(number), row=int(line), tree=int(tree), x_m=math.nan,
        y_m=math.nan, lon=lon, lat=lat, trees=float(trees), farthest_m=float(farthest), females=int(females),
        males=int(males), cavities=int(cavities), walk_m=_or_inf(walk), mud_m=_or_inf(mud), pinned=bool(pinned),
        flags=int(flags),
    )  # fmt: skip


def _or_inf(value: Any) -> float:
    return math.inf if value is None else float(value)


def _block(facts: Mapping[str, Any]) -> BlockPlan:
    return BlockPlan(
        block_id=str(facts["id"]), status=facts["status"], reason=str(facts["reason"]), acres=float(facts["acres"]),
        trees=int(facts["trees"]), quota=int(facts["quota"]), sites=int(facts["sites"]), coverage=_coverage(facts),
        levels=tuple(
            Level(name=v["name"], value=float(v["value"]), bound=v["bound"], status=v["status"]) for v in facts["levels"]
        ),
        excluded={str(k): int(n) for k, n in facts["excluded"].items()}, stations=int(facts["stations"]),
        driven_rows=int(facts["driven_rows"]), driven_m=float(facts["driven_m"] or 0.0), females=int(facts["females"]),
        males=int(facts["males"]), cavities=int(facts["cavities"]), beyond_mud=int(facts["beyond_mud"]),
    )  # fmt: skip


def _coverage(facts: Mapping[str, Any]) -> Coverage | None:
    if facts["mean_m"] is None:
        return None
    names = {
        "mean_m": "mean_m", "p95_m": "p95_m", "farthest_m": "farthest_m", "trees_min": "trees_per_site_min",
        "trees_mean": "trees_per_site_mean", "trees_max": "trees_per_site_max", "trees_cv": "trees_per_site_cv",
        "clark_evans": "clark_evans", "yardstick_m": "yardstick_m", "ratio": "ratio",
    }  # fmt: skip
    return Coverage(**{k: math.nan if facts[v] is None else float(facts[v]) for k, v in names.items()})


def _puddles(facts: Mapping[str, Any], site_ids: Sequence[str]) -> PuddlePlan | None:
    """The puddles without the truck's way as a line; `x_m` and `y_m` are nan."""
    told = facts["water_round"]
    if told is None:
        return None
    number = {site_id: i for i, site_id in enumerate(site_ids)}
    puddles = tuple(
        Puddle(
            name=str(p["name"]), x_m=math.nan, y_m=math.nan, lon=float(p["lon"]), lat=float(p["lat"]), block_id=str(p["block"]),
            stand=p["stand"], address=str(p["address"]), sites=tuple(number[i] for i in p["sites"]),
            farthest_m=float(p["farthest_m"] or 0.0), litres=float(p["litres"]), leg_m=float(p["leg_m"]),
            is_filled_before=bool(p["fill_before"]), clay_share=p["clay_share"],
        )
        for p in facts["puddles"]
    )  # fmt: skip
    return PuddlePlan(
        puddles=puddles, bound=int(told["bound"]), status=told["status"],
        unserved=tuple((number[u["site"]], float(u["missing_m"])) for u in told["unserved"]), rewet_days=int(told["rewet_days"]),
        tour=MultiLineString(), tour_m=float(told["metres"]), tour_s=float(told["takes_s"]), fills=int(told["fills"]),
        tour_bound_m=float(told["bound_m"]), starts_at=str(told["starts_at"]), fills_at=str(told["fills_at"]),
    )  # fmt: skip


def _release(facts: Sequence[Mapping[str, Any]]) -> tuple[ReleasePoint, ...]:
    return tuple(
        ReleasePoint(
            name=str(r["name"]), block_id=str(r["block"]), x_m=math.nan, y_m=math.nan, lon=float(r["lon"]), lat=float(r["lat"]),
            row=int(r["row"]), tree=int(r["tree"]), females=int(r["females"]), males=int(r["males"]),
            containers=int(r["containers"]), farthest_m=float(r["farthest_m"] or 0.0), lane_m=_or_inf(r["lane_m"]),
        )
        for r in facts
    )  # fmt: skip


def _finding(facts: Mapping[str, Any]) -> Finding:
    """The finding with its place as a point in WGS 84: the plane is known only with the input."""
    return Finding(
        level=facts["level"], code=str(facts["code"]), layer=str(facts["layer"]), feature=str(facts["feature"]),
        text=str(facts["text"]), acres_changed=facts["acres_changed"],
        geometry=None if facts["lon"] is None else Point(float(facts["lon"]), float(facts["lat"])),
    )  # fmt: skip
