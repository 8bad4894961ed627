"""Edits by hand that come back from the orchard: pins, bans, moves and additions as GPX, CSV or GeoJSON."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Final, cast

from shapely.geometry.base import BaseGeometry

from mudcap.errors import InputError
from mudcap.files.crs import WGS84
from mudcap.files.geojson import read_geojson
from mudcap.files.gps import WAYPOINTS, read_gpx
from mudcap.files.names import clean_text, named, plain_letters
from mudcap.files.raw import RawFeature
from mudcap.files.source import decode, read_bytes, shown
from mudcap.files.tables import LATITUDES, LONGITUDES, has_decimal_commas, read_rows, with_point
from mudcap.files.xml import number
from mudcap.lang import _, _n
from mudcap.orchard.model import Finding
from mudcap.plan.model import Edit, EditKind

KINDS: Final = {
    "pin": "pin", "keep": "pin", "fijar": "pin",
    "ban": "ban", "remove": "ban", "quitar": "ban",
    "move": "move", "mover": "move",
    "add": "add", "agregar": "add",
}  # fmt: skip
"""Words for each kind of edit, English and Spanish."""
SITE_ID: Final = re.compile(r"[A-Z0-9]{1,3}[0-9]{4}")
"""A site_id as the plan writes it: block code and four-figure serial."""


def read_edits(path: Path | str) -> tuple[tuple[Edit, ...], tuple[Finding, ...]]:
    """The edits of a file, in file order, and a warning where it holds waypoints that say of no edit.

    GPX: waypoints whose name, type or comment starts with a kind (`pin`, `ban CRK0012`, `add`); one named by a site_id
    alone means that site was moved there. CSV: columns kind, site_id, lat, lon, note. GeoJSON: the same as properties of
    points. Raises ``InputError``, a line for each edit that does not say what is wanted, or where there is none at all.
    """
    path = Path(path)
    name, extension = shown(path), path.suffix.lower()
    readers = {".gpx": _from_gpx, ".csv": _from_csv, ".geojson": _from_geojson, ".json": _from_geojson}
    if extension not in readers:
        raise InputError(_("{file}: edits are read from .gpx, .csv and .geojson.").format(file=name))
    problems: list[str] = []
    others: list[str] = []
    edits = tuple(readers[extension](read_bytes(path), name, problems, others))
    if problems:
        raise InputError("\n".join(problems))
    if not edits:
        raise InputError(
            _("{file}: holds no edit. A CSV needs a first line with kind, site_id, lat, lon and note; a GPX waypoints called pin, ban, move or "
              "add, or by a site's id.").format(file=name)
        )  # fmt: skip
    return edits, _beside(name, others)


def _beside(file: str, names: list[str]) -> tuple[Finding, ...]:
    """A warning that names waypoints which are no edits: handhelds carry others besides."""
    if not names:
        return ()
    text = _n(
        "{file}: {n} waypoint says of no edit and was left out: {names}. If it is one, begin its name with pin, ban, move or add.",
        "{file}: {n} waypoints say of no edit and were left out: {names}. If one of them is, begin its name with pin, ban, move or add.",
        len(names),
    ).format(file=file, n=len(names), names=named(names))
    return (Finding(level="warning", code="edit_unread", layer="", feature="", text=text),)


def _from_gpx(data: bytes, file: str, problems: list[str], others: list[str]) -> Iterator[Edit]:
    for layer in read_gpx(data, file):
        if layer.layer != WAYPOINTS:
            continue
        for feature in layer.features:
            texts = [feature.name, *(feature.attributes.get(k, "") for k in ("type", "cmt", "note"))]
            word, site = _kind_and_site(texts)
            if not word and SITE_ID.fullmatch(feature.name):
                word, site = "move", feature.name
            if not word and not site:
                others.append(feature.name or feature.label)
                continue
            yield from _edit(word, site, _point(feature.geometry), feature, file, problems)


def _kind_and_site(texts: list[str]) -> tuple[str, str]:
    """Kind of edit of the first text that starts with one, and the first site_id in any text."""
    kind = next((KINDS[w[0]] for t in texts if (w := plain_letters(t).split()) and w[0] in KINDS), "")
    site = next((m[0] for t in texts if (m := re.search(rf"\b{SITE_ID.pattern}\b", t))), "")
    return kind, site


def _point(geometry: BaseGeometry | None) -> tuple[float, float] | None:
    if geometry is None or geometry.geom_type != "Point":
        return None
    return float(geometry.x), float(geometry.y)


def _edit(
    word: str, site: str, point: tuple[float, float] | None, feature: RawFeature, file: str, problems: list[str]
) -> Iterator[Edit]:
    where = f"{file}, {feature.label}"
    kind = KINDS.get(plain_letters(word), "")
    if not kind:
        text = _("{where}: no kind of edit ({word}); write pin, ban, move or add.")
        problems.append(text.format(where=where, word=clean_text(word, 30) or "–"))
    elif kind == "add" and point is None:
        problems.append(_("{where}: add needs a position.").format(where=where))
    elif kind == "move" and (point is None or not site):
        problems.append(_("{where}: move needs the site's id and its new position.").format(where=where))
    elif point is None and not site:
        problems.append(_("{where}: {kind} needs a site's id or a position.").format(where=where, kind=kind))
    else:
        lon, lat = point or (None, None)
        note = feature.attributes.get("note", "")
        yield Edit(kind=cast(EditKind, kind), lon=lon, lat=lat, site_id=site, note=note, source=where)


def _columns(row: dict[str, str]) -> dict[str, str]:
    folded = {plain_letters(k).replace(" ", "_"): v for k, v in row.items()}
    names = {"kind": ("kind", "edit", "action", "tipo", "accion"), "site": ("site_id", "site", "id"), "note": ("note", "nota")}
    return {ours: next((folded[n] for n in theirs if folded.get(n)), "") for ours, theirs in names.items()}


def _from_csv(data: bytes, file: str, problems: list[str], others: list[str]) -> Iterator[Edit]:
    text = decode(data, file)[0]
    rows, has_commas = read_rows(text, file), has_decimal_commas(text)
    head = [plain_letters(c) for c in rows[0][1]]
    x, y = (next((i for i, h in enumerate(head) if h in names), -1) for names in (LONGITUDES, LATITUDES))
    for line, cells in rows[1:]:
        row = dict(zip(head, (clean_text(c) for c in cells), strict=False))
        cell = [cells[i].strip() if 0 <= i < len(cells) else "" for i in (x, y)]
        point = None
        if any(cell):
            try:
                point = number(with_point(cell[0], has_commas)), number(with_point(cell[1], has_commas))
            except ValueError as error:
                problems.append(_("{file}, line {line}: {why}.").format(file=file, line=line, why=error))
                continue
            if abs(point[1]) > 90 or abs(point[0]) > 180:
                problems.append(
                    _("{file}, line {line}: {lat}, {lon} is no latitude and longitude{hint}.").format(
                        file=file, line=line, lat=point[1], lon=point[0], hint=_("; are they swapped?") if abs(point[0]) <= 90 else ""
                    )
                )
                continue
        yield from _from_row(row, point, f"line {line}", file, problems)


def _from_row(
    row: dict[str, str], point: tuple[float, float] | None, label: str, file: str, problems: list[str]
) -> Iterator[Edit]:
    found = _columns(row)
    feature = RawFeature(number=0, geometry=None, name=label, attributes={"note": found["note"]})
    yield from _edit(found["kind"], found["site"].upper(), point, feature, file, problems)


def _from_geojson(data: bytes, file: str, problems: list[str], others: list[str]) -> Iterator[Edit]:
    layer = read_geojson(data, file)
    if layer.crs != WGS84:
        raise InputError(_("{file}: edits are read in longitude and latitude (WGS 84) only.").format(file=file))
    for feature in layer.features:
        point = _point(feature.geometry)
        if feature.geometry is not None and point is None:
            problems.append(_("{file}, {label}: an edit is a point.").format(file=file, label=feature.label))
            continue
        if point is not None and (abs(point[1]) > 90 or abs(point[0]) > 180):
            problems.append(
                _("{file}, {label}: {lat}, {lon} is no latitude and longitude.").format(
                    file=file, label=feature.label, lat=point[1], lon=point[0]
                )
            )
            continue
        yield from _from_row(dict(feature.attributes), point, feature.label, file, problems)
