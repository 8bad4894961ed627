"""A ranch as people name it: a folder with mudcap.toml and layer files, a folder of layer files, or one file."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath
from types import MappingProxyType
from typing import Any, Final

from mudcap.errors import InputError
from mudcap.files.columns import CORNERS, KNOWN, our_name
from mudcap.files.names import clean_name, clean_text, named
from mudcap.files.options import read_day, read_season, section, unknown_key
from mudcap.files.raw import ReadNote
from mudcap.files.roles import role_by_name
from mudcap.files.source import read_bytes, shown
from mudcap.files.spelled import crop_in
from mudcap.files.supply_options import read_supply
from mudcap.files.vector import EXTENSIONS
from mudcap.lang import _
from mudcap.orchard.model import Role, Season
from mudcap.orchard.params import RowParams, TravelParams
from mudcap.place.params import AccessParams, MudParams, PlaceParams
from mudcap.plan.model import Params
from mudcap.supply.params import StockingParams
from mudcap.supply.release import ReleaseParams

TOML: Final = "mudcap.toml"
OWN_FILES: Final = {
    "records.gpkg", "plan.gpkg", "picklist.csv", "picklist.json", "sites.gpx", "waypoints.zip", "sites.kmz", "sites.geojson",
    "edits.csv", "edits.gpx", "edits.geojson",
}  # fmt: skip
"""What mudcap writes or takes for edits; no layer files of the ranch."""
_SECTIONS: Final = {
    "rows": RowParams, "travel": TravelParams, "access": AccessParams, "mud": MudParams, "place": PlaceParams,
    "stocking": StockingParams, "release": ReleaseParams,
}  # fmt: skip
_LAYER_KEYS: Final = ("file", "role", "layer", "crs", "encoding", "fields", "defaults")
_RANCH_KEYS: Final = ("name", "date", "units", "crop")
_BLOCK_KEYS: Final = (
    "row_bearing_deg", "bearing", "row_spacing", "row_spacing_m", "row_spacing_ft", "tree_spacing", "tree_spacing_m",
    "tree_spacing_ft", "headland", "headland_m", "headland_ft", "corner", "crop", "cultivar", "trellis",
)  # fmt: skip
TOML_LIMIT: Final = 5_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerSpec:
    """One layer file of a ranch and how it is to be read."""

    path: Path
    file: str
    """Name for messages, relative to the ranch's folder."""
    role: Role | None = None
    """None: by the names of layer and file."""
    layer: str = ""
    """Layer inside the file; '' = all."""
    crs: str = ""
    encoding: str = ""
    fields: Mapping[str, str] = field(default_factory=dict)
    defaults: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class RanchSpec:
    """What is to be read, and by which options."""

    path: Path
    """As named: a folder or a file."""
    directory: Path
    """The ranch's folder (a file's parent)."""
    is_file: bool
    params: Params
    layers: tuple[LayerSpec, ...]
    blocks: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    """By block id: what overrides the layer, as text by our column names."""
    notes: tuple[ReadNote, ...] = ()
    names_crop: bool = False
    """Whether mudcap.toml says the crop of blocks that do not."""


def open_ranch(path: Path | str) -> RanchSpec:
    """The ranch of a folder (with or without mudcap.toml), of a mudcap.toml, or of one layer file.

    Raises ``InputError`` with all that is wrong in mudcap.toml, a line each, or where nothing is there to read.
    """
    path = Path(path)
    try:
        is_folder, exists = path.is_dir(), os.path.lexists(path)
    except (OSError, ValueError):
        is_folder, exists = False, False
    if not exists:
        raise InputError(_("{file}: not found. Check the name and the folder.").format(file=shown(path)))
    if path.name == TOML:
        path, is_folder = path.parent, True
    if not is_folder:
        spec = LayerSpec(path=path, file=shown(path))
        name = clean_name(path.stem)
        return RanchSpec(
            path=path, directory=path.parent, is_file=True, params=Params(ranch=name), layers=(spec,)
        )
    toml = path / TOML
    if os.path.lexists(toml):
        return _from_toml(path, toml)
    return _from_folder(path)


def _from_folder(path: Path) -> RanchSpec:
    """Every readable layer file in a folder; roles come from their names."""
    try:
        names = sorted(p.name for p in path.iterdir() if p.is_file())
    except OSError as error:
        raise InputError(_("{file}: cannot be read ({why}).").format(file=shown(path), why=error.strerror)) from None
    files = [n for n in names if _may_be_layer(n)]
    if not files:
        raise InputError(_no_layers(path))
    layers = tuple(LayerSpec(path=path / n, file=clean_text(n, 120)) for n in files)
    params = Params(ranch=clean_name(path.resolve().name))
    return RanchSpec(path=path, directory=path, is_file=False, params=params, layers=layers)


def _may_be_layer(name: str) -> bool:
    return Path(name).suffix.lower() in set(EXTENSIONS) - {".txt", ".log"} and name not in OWN_FILES and not name.startswith(".")


def _no_layers(path: Path) -> str:
    """Why nothing can be read in a folder, with the layer files that lie in folders below it."""
    below = _layers_below(path)
    if not below:
        return _("{file}: no layer file in the folder. Put the blocks there, or name a file.").format(file=shown(path))
    return _(
        "{file}: no layer file in the folder itself, but {files} below it. Move the layers into {file}, name one of these folders, or write a "
        "mudcap.toml with each file's path: [[layers]] with file = \"{first}\" and role = \"blocks\"."
    ).format(file=shown(path), files=named(below), first=below[0])


def _layers_below(path: Path) -> list[str]:
    """Layer files one folder down, blocks first, as seen from `path`; links and hidden folders are not followed."""
    found = []
    try:
        for folder in sorted(p for p in path.iterdir() if p.is_dir() and not p.is_symlink() and not p.name.startswith("."))[:200]:
            found += [f"{clean_text(folder.name, 60)}/{clean_text(p.name, 60)}" for p in sorted(folder.iterdir()) if p.is_file() and _may_be_layer(p.name)]
    except OSError:
        return []
    return sorted(found, key=lambda name: role_by_name(Path(name).stem) is not Role.BLOCKS)


def _from_toml(path: Path, toml: Path) -> RanchSpec:
    data = read_bytes(toml, limit=TOML_LIMIT, may_be_empty=True)
    try:
        table = tomllib.loads(data.decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeError, RecursionError, ValueError) as error:
        raise InputError(
            _("{file}: cannot be read ({why}).").format(file=TOML, why=clean_text(error, 120))
        ) from None
    problems: list[str] = []
    warnings: list[str] = []
    params = read_params(table, path, problems, warnings)
    layers = _layers(table.get("layers", []), path, problems)
    blocks = _block_tables(table.get("blocks", {}), problems)
    known = ("ranch", "layers", "blocks", "supply", *_SECTIONS)
    problems += [unknown_key(k, TOML, known) for k in table if k not in known]
    if problems:
        raise InputError("\n".join(f"{TOML}: {p}" for p in problems))
    notes = tuple(ReadNote(code="unusual_option", text=f"{TOML}: " + w, layer=TOML) for w in warnings)
    if not layers:
        found = _from_folder(path)
        layers = found.layers
    return RanchSpec(
        path=path, directory=path, is_file=False, params=params, layers=layers, blocks=blocks, notes=notes,
        names_crop=bool(clean_name(table.get("ranch", {}).get("crop", ""))),
    )  # fmt: skip


def read_params(table: Mapping[str, Any], path: Path, problems: list[str], warnings: list[str]) -> Params:
    """Options of the tables of a mudcap.toml; what is wrong goes to `problems`, what is unusual to `warnings`."""
    tables, season = _without_season(table, problems)
    parts: dict[str, Any] = {
        n: section(cls, tables.get(n, {}), n, problems, warnings) for n, cls in _SECTIONS.items()
    }
    parts["mud"] = replace(parts["mud"], season=season)
    ranch = table.get("ranch", {})
    if not isinstance(ranch, Mapping):
        problems.append(_("[{place}] is no table of options.").format(place="ranch"))
        ranch = {}
    problems += [unknown_key(k, "ranch", _RANCH_KEYS) for k in ranch if k not in _RANCH_KEYS]
    units = ranch.get("units", "us")
    if units not in ("us", "metric"):
        problems.append(_('ranch.units = {value} is none of "us", "metric".').format(value=clean_text(units, 40)))
        units = "us"
    day = read_day(ranch.get("date"))
    if "date" in ranch and day is None:
        problems.append(_("ranch.date is no date; write YYYY-MM-DD."))
    place = parts["place"]
    if place.per_acre_max is not None and place.per_acre_max < place.per_acre:
        problems.append(_("place.per_acre_max is below place.per_acre."))
    if parts["rows"].corner not in CORNERS:
        problems.append(
            _("rows.corner = {value} is none of NE, NW, SE, SW (or N, E, S, W).").format(
                value=clean_text(parts["rows"].corner, 20)
            )
        )
    return Params(
        ranch=clean_name(ranch.get("name", path.resolve().name)),
        plan_date=day,
        units=units,
        crop=crop_in(clean_name(ranch.get("crop", "almond"))) or "almond",
        supply=read_supply(table.get("supply"), problems, warnings),
        **parts,
    )


def _without_season(table: Mapping[str, Any], problems: list[str]) -> tuple[Mapping[str, Any], Season | None]:
    """The tables without `mud.season`, which no plain value can say, and what it says."""
    mud = table.get("mud")
    if not isinstance(mud, Mapping) or "season" not in mud:
        return table, None
    season = read_season(mud["season"])
    if season is None:
        problems.append(
            _('mud.season = {value} is no season; write first and last day as month-day, such as "08-15 to 11-15".').format(
                value=clean_text(mud["season"], 40)
            )
        )
    return {**table, "mud": {k: v for k, v in mud.items() if k != "season"}}, season


def _layers(entries: Any, path: Path, problems: list[str]) -> tuple[LayerSpec, ...]:
    if not isinstance(entries, list):
        problems.append(_("layers must be written as [[layers]], a table each."))
        return ()
    out: list[LayerSpec] = []
    for i, entry in enumerate(entries):
        place = f"layers {i + 1}"
        if not isinstance(entry, Mapping):
            problems.append(_("[{place}] is no table of options.").format(place=place))
            continue
        problems += [unknown_key(k, place, _LAYER_KEYS) for k in entry if k not in _LAYER_KEYS]
        file = entry.get("file")
        inside = _inside(path, file) if isinstance(file, str) and file else None
        if inside is None:
            problems.append(
                _("[{place}] file = {file}: name a file inside the ranch's folder.").format(
                    place=place, file=clean_text(file, 80)
                )
            )
            continue
        out.append(
            LayerSpec(
                path=inside,
                file=clean_text(file, 120),
                role=_role(entry, place, problems),
                layer=_word(entry, "layer", place, problems),
                crs=_word(entry, "crs", place, problems),
                encoding=_word(entry, "encoding", place, problems),
                fields=_words(entry, "fields", place, problems),
                defaults=_words(entry, "defaults", place, problems),
            )
        )
    return tuple(out)


def _inside(directory: Path, file: str) -> Path | None:
    """Path of a layer file, None where it leads out of the ranch's folder (by .., a drive, or a link)."""
    word = file.replace("\\", "/")
    parts = PurePosixPath(word)
    if parts.is_absolute() or ".." in parts.parts or ":" in word or "\x00" in word:
        return None
    path = directory / Path(*parts.parts)
    try:
        resolved = path.resolve()
    except (OSError, RuntimeError):
        return None
    return path if resolved.is_relative_to(directory.resolve()) else None


def _role(entry: Mapping[str, Any], place: str, problems: list[str]) -> Role | None:
    word = entry.get("role")
    if word is None:
        return None
    try:
        return Role(word)
    except ValueError:
        problems.append(
            unknown_key(str(word), place, [r.value for r in Role]).replace(_("no such option"), _("no such role"))
        )
        return None


def _word(entry: Mapping[str, Any], key: str, place: str, problems: list[str]) -> str:
    value = entry.get(key, "")
    if isinstance(value, int) and key == "crs":
        return f"EPSG:{value}"
    if isinstance(value, str):
        return value
    problems.append(_("[{place}] {key} must be text in quotes.").format(place=place, key=key))
    return ""


def _words(entry: Mapping[str, Any], key: str, place: str, problems: list[str]) -> Mapping[str, str]:
    value = entry.get(key, {})
    if not isinstance(value, Mapping):
        problems.append(_("[{place}] {key} must be a table.").format(place=place, key=key))
        return {}
    named = {our_name(k): clean_text(v) for k, v in value.items()}
    problems += [unknown_key(k, f"{place}.{key}", sorted(KNOWN)) for k in named if k not in KNOWN]
    return MappingProxyType(named)


def _block_tables(table: Any, problems: list[str]) -> Mapping[str, Mapping[str, str]]:
    if not isinstance(table, Mapping):
        problems.append(_("[{place}] is no table of options.").format(place="blocks"))
        return {}
    out: dict[str, Mapping[str, str]] = {}
    for name, entry in table.items():
        place = f'blocks."{clean_name(name)}"'
        if not isinstance(entry, Mapping):
            problems.append(_("[{place}] is no table of options.").format(place=place))
            continue
        problems += [unknown_key(k, place, _BLOCK_KEYS) for k in entry if k not in _BLOCK_KEYS]
        out[clean_name(name)] = {our_name(k): clean_text(v) for k, v in entry.items()}
    return out
