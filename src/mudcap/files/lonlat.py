"""Layers with a role, brought to longitude and latitude: the last place where a file's own coordinates are seen."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from mudcap.errors import InputError
from mudcap.files.columns import Columns
from mudcap.files.crs import accuracy_m, guess, parse_crs, to_lonlat
from mudcap.files.names import clean_name, named, plain_letters
from mudcap.files.placemarks import holds_points_only, is_silent_kml, sort_placemarks
from mudcap.files.ranch import LayerSpec, RanchSpec
from mudcap.files.raw import RawFeature, RawLayer, ReadNote
from mudcap.files.roles import bars_by_name, role_by_name
from mudcap.files.vector import read_layers
from mudcap.lang import _, _n
from mudcap.orchard.model import Role

DATUM_WARN_M = 4.5
"""Datum shifts less sure than this are said; NAD83 and ETRS89 to WGS 84 are given as 1 to 4 m by the EPSG registry."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadOptions:
    """What the command line says about reading."""

    crs: str = ""
    """For files that name no coordinate system."""
    encoding: str = ""
    layer: str = ""
    """Layer of a ranch that is one file."""
    accept_repairs: bool = False
    """Take repairs that change a block by more than 1 %."""
    codes: Mapping[str, str] = field(default_factory=dict)
    """Block codes of an earlier plan, by block id."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoledLayer:
    """Features of one role in longitude and latitude [deg, WGS 84]."""

    role: Role
    title: str
    stem: str
    columns: Columns
    features: tuple[RawFeature, ...]
    from_table: bool = False
    """True where points came from a table, so that rows of one block are its corners."""


def read_roled(
    spec: RanchSpec, options: ReadOptions, progress: Callable[[str], None] | None
) -> tuple[list[RoledLayer], list[ReadNote]]:
    """All layers of a ranch that have a role, and what was seen on the way.

    Raises ``InputError`` with a line for each file that cannot be read and each layer whose role is not known.
    """
    problems: list[str] = []
    notes: list[ReadNote] = list(spec.notes)
    out: list[RoledLayer] = []
    for layer_spec in spec.layers:
        if progress is not None:
            progress(_("Reading {file}").format(file=layer_spec.file))
        try:
            raw = _wanted(read_layers(
                layer_spec.path, encoding=layer_spec.encoding or options.encoding or None, name=layer_spec.file
            ), layer_spec.layer or (options.layer if spec.is_file else ""), layer_spec.file)  # fmt: skip
            raw = [_with_crs(r, layer_spec, options, notes) for r in raw]
            out += _roled(raw, layer_spec, len(spec.layers) == 1, notes)
        except InputError as error:
            problems.append(str(error))
    if problems:
        raise InputError("\n".join(problems))
    return out, notes


def _wanted(layers: Sequence[RawLayer], layer: str, file: str) -> list[RawLayer]:
    if not layer:
        return list(layers)
    found = [r for r in layers if clean_name(layer) in (r.layer, r.file.rpartition("/")[2])]
    if not found:
        names = ", ".join(r.layer or r.file.rpartition("/")[2] for r in layers)
        raise InputError(
            _("{file}: no layer {layer}; it holds {names}.").format(
                file=file, layer=clean_name(layer), names=names
            )
        )
    return found


def _with_crs(raw: RawLayer, spec: LayerSpec, options: ReadOptions, notes: list[ReadNote]) -> RawLayer:
    """The layer in WGS 84, features with their own names in messages."""
    if spec.crs:
        crs = parse_crs(spec.crs, raw.file)
        if raw.crs is not None and raw.crs != crs and raw.crs.to_epsg() != crs.to_epsg():
            text = _("{file}: read as {crs}, as mudcap.toml says, although the file says {own}.").format(
                file=raw.title, crs=clean_name(crs.name), own=clean_name(raw.crs.name)
            )
            notes.append(ReadNote(code="crs_overridden", text=text, layer=raw.title))
    elif raw.crs is not None:
        crs = raw.crs
    elif options.crs:
        crs = parse_crs(options.crs, "--crs")
        text = _("{file}: names no coordinate system; read as {crs}, as --crs says.").format(
            file=raw.title, crs=clean_name(crs.name)
        )
        notes.append(ReadNote(code="crs_given", text=text, level="note", layer=raw.title))
    else:
        coords = shapely.get_coordinates([f.geometry for f in raw.features])
        raise InputError(
            _("{file}: no coordinate system. Give one with --crs EPSG:xxxx. {guess}").format(
                file=raw.title, guess=guess(coords)
            ).strip()
        )
    return _to_lonlat(raw.with_crs(crs), notes)


def _to_lonlat(raw: RawLayer, notes: list[ReadNote]) -> RawLayer:
    geometries = np.array([f.geometry for f in raw.features], dtype=object)
    coords, owner = shapely.get_coordinates(geometries, return_index=True)
    bad = ~np.isfinite(coords).all(axis=1)
    if bad.any():
        label = raw.features[int(owner[bad][0])].label
        raise InputError(
            _("{file}: feature {label} has a coordinate that is not a number. Export it again.").format(
                file=raw.title, label=label
            )
        )
    assert raw.crs is not None  # set just before
    lonlat = to_lonlat(raw.crs, coords, raw.title)
    if len(lonlat) and raw.crs.is_geographic and np.abs(coords[:, 0]).max() > 180 + 1e-9:
        text = _("{file}: longitudes from 0 to 360 were turned into east and west.").format(file=raw.title)
        notes.append(ReadNote(code="longitudes_wrapped", text=text, level="note", layer=raw.title))
    off_m = accuracy_m(raw.crs)
    if len(lonlat) and off_m > DATUM_WARN_M:
        text = _("{file}: {crs} is an old or local datum; positions may be off by {off:.0f} m or more against GPS.").format(
            file=raw.title, crs=clean_name(raw.crs.name), off=off_m
        )
        notes.append(ReadNote(code="datum", text=text, layer=raw.title))
    moved = shapely.set_coordinates(geometries, _unwrapped(lonlat, owner)) if len(lonlat) else geometries
    features = tuple(replace(f, geometry=g) for f, g in zip(raw.features, moved, strict=True))
    return replace(raw, features=features)


def _unwrapped(lonlat: NDArray[np.float64], owner: NDArray[np.int64]) -> NDArray[np.float64]:
    """Coordinates in which no feature runs the long way round: across the antimeridian longitudes pass 180."""
    lon = lonlat[:, 0]
    if lon.max() - lon.min() <= 180:
        return lonlat
    starts = np.r_[0, np.flatnonzero(np.diff(owner)) + 1]
    first = np.repeat(lon[starts], np.diff(np.r_[starts, len(lon)]))
    wide = np.repeat(
        np.maximum.reduceat(lon, starts) - np.minimum.reduceat(lon, starts) > 180, np.diff(np.r_[starts, len(lon)])
    )
    near = first + (lon - first + 180) % 360 - 180
    return np.column_stack([np.where(wide, near, lon), lonlat[:, 1]])


def _roled(raw: list[RawLayer], spec: LayerSpec, lone: bool, notes: list[ReadNote]) -> list[RoledLayer]:
    """Give each layer its role: the toml's, a `role` column's, else what its name or the file's name says."""
    columns = Columns(fields=spec.fields, defaults=spec.defaults)
    if spec.role is not None and len(raw) > 1 and {r.layer for r in raw} <= {"tracks", "routes", "waypoints"}:
        return _gps_layers(raw, spec.role, columns, spec, notes)
    roled: list[RoledLayer] = []
    unknown: list[RawLayer] = []
    is_sorted = spec.role is None and not holds_points_only(raw)
    for layer in raw:
        notes += [replace(n, layer=layer.title) for n in layer.notes]
        by_role = _by_role(layer, spec, columns, lone, len(raw) == 1)
        if is_sorted and is_silent_kml(layer):
            by_role = _by_own_names(layer, by_role, notes)
        for role, features in by_role.items():
            part = replace(layer, features=features)
            if role is None:
                unknown.append(part)
            else:
                roled.append(_roled_layer(part, role, columns))
    if not unknown:
        return roled
    if lone:
        return roled + _of_single_file(unknown, roled, columns, spec, notes)
    if len(raw) == len(unknown):
        role = role_by_name(plain_letters(spec.path.stem))
        gps = {u.layer for u in unknown} <= {"tracks", "routes", "waypoints"} and len(unknown) > 1
        if role is not None and not gps:
            return [_roled_layer(u, role, columns) for u in unknown]
        if role is not None:
            return roled + _gps_layers(unknown, role, columns, spec, notes)
    names = ", ".join(u.title for u in unknown)
    raise InputError(
        _("{file}: what is in {names}? Say so in mudcap.toml: [[layers]] with file, layer and role (one of {roles}).").format(
            file=spec.file, names=names, roles=", ".join(r.value for r in Role)
        )
    )  # fmt: skip


def _by_role(
    layer: RawLayer, spec: LayerSpec, columns: Columns, lone: bool, only: bool
) -> dict[Role | None, tuple[RawFeature, ...]]:
    """Features by role; the only layer of a file that was named by itself is the blocks, whatever it is called."""
    fallback = spec.role or _role_of(layer, lone)
    if layer.layer in {"tracks", "routes", "waypoints"} or spec.role is not None:
        fallback = spec.role
    elif lone and only:
        fallback = Role.BLOCKS
    out: dict[Role | None, list[RawFeature]] = {}
    for feature in layer.features:
        word = columns.text(feature.attributes, "role") if spec.role is None else ""
        role = role_by_name(word) if word else fallback
        out.setdefault(role, []).append(feature)
    return {r: tuple(f) for r, f in out.items()}


def _role_of(layer: RawLayer, lone: bool) -> Role | None:
    """What the names of a layer and of its file say; a file named by itself may bear the name of the farm (La Laguna)."""
    role = role_by_name(layer.layer)
    if role is None and bars_by_name(layer.layer):
        return Role.KEEP_OUTS
    stem = layer.file.rpartition("/")[2].rsplit(".", 1)[0]
    return role or role_by_name(stem) or (Role.KEEP_OUTS if bars_by_name(stem) and not lone else None)


def _by_own_names(
    layer: RawLayer, by_role: dict[Role | None, tuple[RawFeature, ...]], notes: list[ReadNote]
) -> dict[Role | None, tuple[RawFeature, ...]]:
    """Placemarks of a folder that says no role, sorted once more by their own names."""
    out: dict[Role | None, tuple[RawFeature, ...]] = {}
    for role, features in by_role.items():
        for own, some in sort_placemarks(layer, features, role, notes).items():
            out[own] = (*out.get(own, ()), *some)
    return out


def _roled_layer(layer: RawLayer, role: Role, columns: Columns) -> RoledLayer:
    extension = layer.file.lower().rsplit(".", 1)[-1]
    points = [f.geometry.geom_type == "Point" for f in layer.features if f.geometry is not None]
    stem = layer.layer or layer.file.rpartition("/")[2].rsplit(".", 1)[0]
    table = extension in {"csv", "tsv", "txt"} and bool(points) and all(points)
    return RoledLayer(
        role=role, title=layer.title, stem=clean_name(stem), columns=columns, features=layer.features, from_table=table
    )


def _of_single_file(
    unknown: list[RawLayer], roled: list[RoledLayer], columns: Columns, spec: LayerSpec, notes: list[ReadNote]
) -> list[RoledLayer]:
    """The blocks of a file named by itself; its layers without a role are left out aloud where blocks are known."""
    if any(u.layer in {"tracks", "routes", "waypoints"} for u in unknown):
        return _gps_layers(unknown, Role.BLOCKS, columns, spec, notes)
    if any(r.role is Role.BLOCKS for r in roled):
        for u in unknown:
            text = _(
                "{layer}: left out ({names}); its name says no role. Call it by what it holds (keep-outs, roads, yard), or give it a role "
                "in mudcap.toml."
            ).format(layer=u.title, names=named([f.label for f in u.features]))
            notes.append(_left_out(text, u.title, "warning"))
        return []
    areas = [u for u in unknown if any(_may_be_block(f.geometry) for f in u.features)]
    if len(unknown) == 1 or len(areas) == 1:
        chosen = (areas or unknown)[0]
        for u in unknown:
            if u is not chosen:
                text = _("{layer}: left out; {chosen} was taken for the blocks.").format(layer=u.title, chosen=chosen.title)
                notes.append(_left_out(text, u.title, "warning"))
        return [_roled_layer(chosen, Role.BLOCKS, columns)]
    raise InputError(
        _("{file}: which layer holds the blocks? It has {names}. Name one with --layer, or name the roles in a mudcap.toml.").format(
            file=spec.file, names=", ".join(u.title for u in unknown)
        )
    )  # fmt: skip


def _may_be_block(geometry: BaseGeometry | None) -> bool:
    if geometry is None:
        return False
    return any(
        p.geom_type == "Polygon" or (p.geom_type == "LineString" and p.is_ring) for p in shapely.get_parts(geometry)
    )


def _gps_layers(
    layers: list[RawLayer], role: Role, columns: Columns, spec: LayerSpec, notes: list[ReadNote]
) -> list[RoledLayer]:
    """Tracks, routes and waypoints of one GPX: lines get `role`, each waypoint the role that its own name says."""
    out: list[RoledLayer] = []
    lines = {u.layer: u for u in layers if u.layer != "waypoints"}
    main = lines.get("tracks") or lines.get("routes")
    for u in layers:
        if u is main or (role is not Role.BLOCKS and u.layer != "waypoints"):
            out.append(_roled_layer(u, role, columns))
        elif u.layer == "waypoints":
            out += _waypoints(u, role, columns, main is None, notes)
        else:
            text = _("{layer}: left out; the tracks were taken.").format(layer=u.title)
            notes.append(_left_out(text, u.title, "warning"))
    return out


def _waypoints(
    layer: RawLayer, role: Role, columns: Columns, alone: bool, notes: list[ReadNote]
) -> list[RoledLayer]:
    groups: dict[Role | None, list[RawFeature]] = {}
    for f in layer.features:
        words = " ".join([f.name, f.attributes.get("type", ""), f.attributes.get("sym", "")])
        groups.setdefault(role_by_name(words), []).append(f)
    rest = groups.pop(None, [])
    out = [_roled_layer(replace(layer, features=tuple(f)), r, columns) for r, f in groups.items() if r]
    if rest and (alone or role not in (Role.BLOCKS, Role.ROADS, Role.ROWS)):
        out.append(_roled_layer(replace(layer, features=tuple(rest)), role, columns))
    elif rest:
        text = _n(
            "{layer}: {count} waypoint left out; its name says no role.",
            "{layer}: {count} waypoints left out; their names say no role.",
            len(rest),
        ).format(layer=layer.title, count=len(rest))
        notes.append(_left_out(text, layer.title, "note"))
    return out


def _left_out(text: str, layer: str, level: Literal["note", "warning"]) -> ReadNote:
    return ReadNote(code="layer_left_out", text=text, level=level, layer=layer)
