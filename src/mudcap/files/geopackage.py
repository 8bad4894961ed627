"""The plan as one GeoPackage for GIS programs, and for the next run: layers in WGS 84 and tables of attributes.

GDAL writes its date of change into the file; it is fixed here, so that the same plan gives the same bytes.

References: OGC 12-128r18, GeoPackage Encoding Standard 1.3.1.
"""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyogrio
import pyogrio.raw
import shapely
from numpy.typing import NDArray
from pyogrio.errors import DataLayerError, DataSourceError
from shapely.geometry.base import BaseGeometry

from mudcap import __version__
from mudcap.errors import StoreError
from mudcap.files.numbers import rounded
from mudcap.files.report_json import bound_m, finding_facts, plain
from mudcap.files.store import PLAN_SCHEMA
from mudcap.files.styles import STYLE_TABLE, style_rows
from mudcap.lang import _
from mudcap.orchard.model import Exclusion
from mudcap.plan.model import Plan
from mudcap.plan.picking import picks

_FIXED_DATE: Final = "2000-01-01T00:00:00.000Z"
_DAMAGED = (DataSourceError, DataLayerError, OSError, RuntimeError)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Table:
    """One layer or table to write: its columns by name, and a geometry a row unless `kind` is ''."""

    name: str
    kind: str
    """GeoPackage geometry type, '' for a table of attributes."""
    geometry: Sequence[BaseGeometry]
    columns: dict[str, NDArray[Any]]
    key: str = "fid"
    """Name of the column that numbers the rows."""


def write_geopackage(plan: Plan, path: Path) -> None:
    """Write the plan to `path`, which must not exist. Raises ``StoreError`` where it cannot be written whole."""
    name = os.fspath(path)
    try:
        name.encode()
    except (
        UnicodeEncodeError
    ):  # a folder's name in another encoding than the locale's: write elsewhere, then copy
        with tempfile.TemporaryDirectory() as folder:
            write_geopackage(plan, Path(folder) / path.name)
            shutil.copyfile(Path(folder) / path.name, path)
        return
    with _gdal_set():
        tables = list(plan_tables(plan))
        for number, table in enumerate([*tables, style_table(t.name for t in tables if t.kind)]):
            try:
                _append(table, name, is_first=number == 0)
            except _DAMAGED as error:
                raise StoreError(
                    _(
                        "{file}: could not be written ({reason}). Is the disk full? Make room and run again."
                    ).format(file=path.name, reason=error)
                ) from error


def plan_tables(plan: Plan) -> Iterator[Table]:
    """All layers and tables of the plan, in the order in which they are written."""
    yield _sites(plan)
    yield _blocks(plan)
    yield _rows(plan)
    yield _alleys(plan)
    yield _excluded(plan)
    yield from _ground(plan)
    yield from _provisions(plan)
    yield from _attributes(plan)


def style_table(layers: Iterable[str]) -> Table:
    """How GIS programs draw those of `layers` that have a look; dated alike in every plan."""
    rows = style_rows(layers)
    names = rows[0] if rows else ()
    return Table(
        name=STYLE_TABLE, kind="", geometry=(), key="id",
        columns={
            **{name: _text(r[name] for r in rows) for name in names},
            "useAsDefault": np.array([bool(r["styleQML"]) for r in rows], bool),
            "update_time": np.full(len(rows), np.datetime64(_FIXED_DATE[:-1], "ms")),
        },
    )  # fmt: skip


def _append(table: Table, path: str, *, is_first: bool) -> None:
    names, data = list(table.columns), list(table.columns.values())
    if table.kind:
        pyogrio.raw.write(
            path, shapely.to_wkb(np.array(table.geometry, object)), data, names, layer=table.name, driver="GPKG",
            geometry_type=table.kind, crs="EPSG:4326", append=not is_first,
            dataset_options={"VERSION": "1.3"} if is_first else None,
        )  # fmt: skip
    else:
        pyogrio.raw.write(
            path, None, data, names, layer=table.name, driver="GPKG", geometry_type=None, append=not is_first,
            layer_options={"ASPATIAL_VARIANT": "GPKG_ATTRIBUTES", "FID": table.key},
        )  # fmt: skip


@contextmanager
def _gdal_set() -> Iterator[None]:
    wanted = {
        "OGR_CURRENT_DATE": _FIXED_DATE,
        # the file is new, not yet in its place, and flushed whole afterwards: no need to flush it at every step
        "OGR_SQLITE_SYNCHRONOUS": "OFF",
        "OGR_SQLITE_JOURNAL": "MEMORY",
    }
    before = {name: pyogrio.get_gdal_config_option(name) for name in wanted}
    pyogrio.set_gdal_config_options(wanted)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)


def _text(values: Iterable[Any]) -> NDArray[Any]:
    # a NUL would end the text inside SQLite, and what follows it would be lost without a word
    return np.array([str(v).replace("\x00", "") for v in values], object)


def _real(values: Iterable[float | None]) -> NDArray[np.float64]:
    array = np.array([np.nan if v is None else v for v in values], float)
    array[~np.isfinite(array)] = np.nan
    return array


def _whole(values: Iterable[Any]) -> NDArray[np.int64]:
    return np.array([int(v) for v in values], np.int64)


def _lonlat(plan: Plan) -> Callable[[BaseGeometry], BaseGeometry]:
    return plan.orchard.plane.geometry_to_lonlat


def _sites(plan: Plan) -> Table:
    s = plan.sites
    return Table(
        name="sites", kind="Point", geometry=[shapely.Point(x.lon, x.lat) for x in s],
        columns={
            "site_id": _text(x.site_id for x in s), "block": _text(x.block_id for x in s),
            "number": _whole(x.number for x in s), "address": _text(x.address for x in s),
            "row": _whole(x.row for x in s), "tree": _whole(x.tree for x in s),
            "cavities": _whole(x.cavities for x in s), "females": _whole(x.females for x in s),
            "males": _whole(x.males for x in s), "trees": _real(x.trees for x in s),
            "farthest_m": _real(x.farthest_m for x in s), "walk_m": _real(x.walk_m for x in s),
            "mud_m": _real(x.mud_m for x in s), "pinned": _whole(x.pinned for x in s), "flags": _whole(x.flags for x in s),
            "lon": _real(x.lon for x in s), "lat": _real(x.lat for x in s), **_supply(plan),
        },
    )  # fmt: skip


def _supply(plan: Plan) -> dict[str, NDArray[Any]]:
    """What each site takes from the yard, 0 and empty where no supply is planned."""
    own = {p.site_id: p for p in picks(plan)}
    s = [own[site.site_id] for site in plan.sites]
    return {
        "packages": _text(json.dumps([[name, count] for name, count in p.packages], ensure_ascii=False) for p in s),
        "facing_deg": _real(p.facing_deg for p in s), "compass_deg": _real(p.compass_deg for p in s),
        "load": _whole(p.load for p in s), "place_in_load": _whole(p.place_in_load for p in s),
        "shelters": _whole(p.shelters for p in s), "packed": _real(p.packed for p in s), "short": _whole(p.short for p in s),
    }  # fmt: skip


def _blocks(plan: Plan) -> Table:
    made = {b.block_id: b for b in plan.blocks}
    pairs = [(b, made[b.block_id]) for b in plan.orchard.blocks if b.block_id in made]
    geometry = [_multi(_lonlat(plan)(b.polygon)) for b, _p in pairs]
    covers = [p.coverage for _b, p in pairs]
    return Table(
        name="blocks", kind="MultiPolygon", geometry=geometry,
        columns={
            "block": _text(b.block_id for b, _p in pairs), "code": _text(b.code for b, _p in pairs),
            "crop": _text(b.crop for b, _p in pairs), "cultivar": _text(b.cultivar for b, _p in pairs),
            "status": _text(p.status for _b, p in pairs), "reason": _text(p.reason for _b, p in pairs),
            "acres": _real(p.acres for _b, p in pairs), "trees": _whole(p.trees for _b, p in pairs),
            "sites": _whole(p.sites for _b, p in pairs),
            "mean_m": _real(c.mean_m if c else None for c in covers),
            "p95_m": _real(c.p95_m if c else None for c in covers),
            "farthest_m": _real(c.farthest_m if c else None for c in covers),
            "bound_m": _real(bound_m(p) for _b, p in pairs),
            "trees_cv": _real(c.trees_cv if c else None for c in covers),
            "driven_rows": _whole(p.driven_rows for _b, p in pairs), "females": _whole(p.females for _b, p in pairs),
            "males": _whole(p.males for _b, p in pairs), "cavities": _whole(p.cavities for _b, p in pairs),
        },
    )  # fmt: skip


def _multi(geometry: BaseGeometry) -> BaseGeometry:
    return shapely.MultiPolygon([geometry]) if geometry.geom_type == "Polygon" else geometry


def _rows(plan: Plan) -> Table:
    rows = [
        (b.block_id, int(n), line)
        for b in plan.orchard.blocks if b.rows is not None
        for n, line in zip(b.rows.row_number, b.rows.row_line, strict=True)
    ]  # fmt: skip
    return Table(
        name="rows", kind="LineString", geometry=[_lonlat(plan)(line) for _b, _n, line in rows],
        columns={"block": _text(b for b, _n, _l in rows), "row": _whole(n for _b, n, _l in rows)},
    )  # fmt: skip


def _alleys(plan: Plan) -> Table:
    a = [alley for b in plan.orchard.blocks for alley in b.alleys]
    return Table(
        name="alleys", kind="LineString", geometry=[_lonlat(plan)(x.line) for x in a],
        columns={
            "block": _text(x.block_id for x in a), "left_row": _whole(x.left_row for x in a),
            "right_row": _whole(x.right_row for x in a), "width_m": _real(x.width_m for x in a),
            "is_spray_lane": _whole(x.is_spray_lane for x in a), "one_way": _text(x.one_way for x in a),
        },
    )  # fmt: skip


def _excluded(plan: Plan) -> Table:
    c = plan.candidates
    out = np.flatnonzero(c.reasons)
    lonlat = plan.orchard.plane.to_lonlat(c.xy[out]) if len(out) else np.empty((0, 2))
    return Table(
        name="excluded", kind="Point", geometry=list(shapely.points(lonlat)),
        columns={
            "block": _text(plan.orchard.blocks[k].block_id for k in c.block[out]),
            "row": np.asarray(c.row[out], np.int64), "tree": np.asarray(c.tree[out], np.int64),
            "reasons": _text(reason_names(int(r)) for r in c.reasons[out]),
            "flags": np.asarray(c.reasons[out], np.int64),
        },
    )  # fmt: skip


def reason_names(flags: int) -> str:
    """Names of the rules whose bits are set, such as 'spray_lane, keep_out'."""
    return ", ".join(str(e.name).lower() for e in Exclusion if e.value & flags)


def _provisions(plan: Plan) -> Iterator[Table]:
    """Puddles, the water truck's way and release points; layers that the plan does not have are left out."""
    p = plan.puddles.puddles if plan.puddles is not None else ()
    if p:
        yield Table(
            name="puddles", kind="Point", geometry=[shapely.Point(x.lon, x.lat) for x in p],
            columns={
                "name": _text(x.name for x in p), "block": _text(x.block_id for x in p), "stand": _text(x.stand for x in p),
                "address": _text(x.address for x in p),
                "sites": _text(" ".join(plan.sites[k].site_id for k in x.sites) for x in p),
                "num_sites": _whole(len(x.sites) for x in p), "farthest_m": _real(x.farthest_m for x in p),
                "litres": _real(x.litres for x in p), "clay_share": _real(x.clay_share for x in p),
                "leg_m": _real(x.leg_m for x in p), "fill_before": _whole(x.is_filled_before for x in p),
            },
        )  # fmt: skip
    if plan.puddles is not None and not plan.puddles.tour.is_empty:
        legs = list(plan.puddles.tour.geoms)
        yield Table(
            name="water_round", kind="LineString", geometry=[_lonlat(plan)(leg) for leg in legs],
            columns={"leg": _whole(range(1, len(legs) + 1)), "metres": _real(leg.length for leg in legs)},
        )
    r = plan.release
    if r:
        yield Table(
            name="release", kind="Point", geometry=[shapely.Point(x.lon, x.lat) for x in r],
            columns={
                "name": _text(x.name for x in r), "block": _text(x.block_id for x in r), "address": _text(x.address for x in r),
                "row": _whole(x.row for x in r), "tree": _whole(x.tree for x in r), "females": _whole(x.females for x in r),
                "males": _whole(x.males for x in r), "containers": _whole(x.containers for x in r),
                "farthest_m": _real(x.farthest_m for x in r), "lane_m": _real(x.lane_m for x in r),
            },
        )  # fmt: skip


def _ground(plan: Plan) -> Iterator[Table]:
    orchard = plan.orchard
    yield _named(plan, "roads", "LineString", [
        (r.name, r.line, {"width_m": r.width_m, "surface": r.surface, "modes": " ".join(sorted(r.modes)), "one_way": r.one_way})
        for r in orchard.roads
    ], ("width_m", "surface", "modes", "one_way"))  # fmt: skip
    yield _named(plan, "spray_lanes", "LineString", [
        (s.name, s.line, {"swept_m": s.swept_m}) for s in orchard.spray_lanes
    ], ("swept_m",))  # fmt: skip
    yield _named(plan, "mud", "Unknown", [
        (m.name, m.geometry, {"texture": m.texture, "clay_share": m.clay_share, "is_clean": m.is_clean, "note": m.note})
        for m in orchard.mud_sources
    ], ("texture", "clay_share", "is_clean", "note"))  # fmt: skip
    yield _named(plan, "keep_outs", "Unknown", [
        (k.name, k.geometry, {"setback_m": k.setback_m, "reason": k.reason}) for k in orchard.keep_outs
    ], ("setback_m", "reason"))  # fmt: skip
    yield _named(plan, "closures", "Unknown", [
        (c.name, c.geometry, {"first": c.first or "", "last": c.last or "", "reason": c.reason}) for c in orchard.closures
    ], ("first", "last", "reason"))  # fmt: skip
    yard = [("", orchard.yard, {"role": "yard"})] if orchard.yard is not None else []
    others = [(f.name, f.geometry, {"role": f.role.value}) for f in (*orchard.gates, *orchard.features)]
    yield _named(plan, "other", "Unknown", [*yard, *others], ("role",))


_REAL_COLUMNS: Final = ("width_m", "swept_m", "clay_share", "setback_m")
_WHOLE_COLUMNS: Final = ("one_way", "is_clean")


def _named(
    plan: Plan,
    name: str,
    kind: str,
    features: Sequence[tuple[str, BaseGeometry, dict[str, Any]]],
    keys: Sequence[str],
) -> Table:
    columns: dict[str, NDArray[Any]] = {"name": _text(n for n, _g, _a in features)}
    for key in keys:
        values = [a[key] for _n, _g, a in features]
        make = _real if key in _REAL_COLUMNS else _whole if key in _WHOLE_COLUMNS else _text
        columns[key] = make(values)
    return Table(name=name, kind=kind, geometry=[_lonlat(plan)(g) for _n, g, _a in features], columns=columns)


def _attributes(plan: Plan) -> Iterator[Table]:
    facts = [finding_facts(plan.orchard, f) for f in plan.findings]
    yield _table("findings", {
        **{key: _text(f[key] for f in facts) for key in ("level", "code", "layer", "feature", "text")},
        **{key: _real(f[key] for f in facts) for key in ("acres_changed", "lon", "lat")},
    })  # fmt: skip
    codes = sorted(plan.last_serial)
    yield _table("serials", {"code": _text(codes), "last": _whole(plan.last_serial[c] for c in codes)})
    left = [(site, *place) for site in sorted(plan.left) for place in plan.left[site]]
    if left:
        yield _table("left", {"site_id": _text(i for i, _x, _y in left), "lon": _real(x for _i, x, _y in left), "lat": _real(y for _i, _x, y in left)})
    flat = sorted(_flat("", plain(plan.params)))
    yield _table("params", {"name": _text(n for n, _v in flat), "value": _text(v for _n, v in flat)})
    about = {
        "schema": PLAN_SCHEMA, "version": __version__, "plan": plan.number, "reproducible": str(plan.reproducible).lower(),
        "ranch": plan.params.ranch or plan.orchard.name, "sites": str(len(plan.sites)),
        "acres": str(rounded(sum(b.acres for b in plan.blocks), 5)),
    }  # fmt: skip
    yield _table("about", {"name": _text(about), "value": _text(about.values())})


def _table(name: str, columns: dict[str, NDArray[Any]]) -> Table:
    return Table(name=name, kind="", geometry=(), columns=columns)


def _flat(prefix: str, value: Any) -> Iterator[tuple[str, str]]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _flat(f"{prefix}.{key}" if prefix else key, inner)
    else:
        yield prefix, value if isinstance(value, str) else json.dumps(value)
