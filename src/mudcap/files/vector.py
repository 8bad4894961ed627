"""One reader for each kind of file, chosen by the file's extension alone."""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping
from pathlib import Path, PurePosixPath
from typing import Final

from shapely.errors import ShapelyError

from mudcap.errors import InputError
from mudcap.files.archives import unzip
from mudcap.files.geojson import read_geojson
from mudcap.files.gpkg_layers import read_geopackage
from mudcap.files.gps import read_gpx, read_nmea
from mudcap.files.kml import read_kml, read_kmz
from mudcap.files.names import clean_name, clean_text
from mudcap.files.raw import RawLayer
from mudcap.files.shapefile import read_shapefile
from mudcap.files.source import kind_in_words, looks_like, read_bytes, shown
from mudcap.files.tables import read_table
from mudcap.lang import _

Reader = Callable[[bytes, str, str | None], tuple[RawLayer, ...]]

_READERS: Final[Mapping[str, Reader]] = {
    ".geojson": lambda d, n, e: (read_geojson(d, n, encoding=e),),
    ".json": lambda d, n, e: (read_geojson(d, n, encoding=e),),
    ".geojsonl": lambda d, n, e: (read_geojson(d, n, encoding=e),),
    ".geojsons": lambda d, n, e: (read_geojson(d, n, encoding=e),),
    ".ndjson": lambda d, n, e: (read_geojson(d, n, encoding=e),),
    ".gpkg": lambda d, n, e: read_geopackage(d, n),
    ".kml": lambda d, n, e: read_kml(d, n),
    ".kmz": lambda d, n, e: read_kmz(d, n),
    ".gpx": lambda d, n, e: read_gpx(d, n),
    ".csv": lambda d, n, e: (read_table(d, n, encoding=e),),
    ".tsv": lambda d, n, e: (read_table(d, n, encoding=e),),
    ".nmea": lambda d, n, e: (read_nmea(d, n),),
    ".log": lambda d, n, e: (read_nmea(d, n),),
}
_SHAPE_PARTS: Final = ("shp", "shx", "dbf", "prj", "cpg")
EXTENSIONS: Final = (*_READERS, ".shp", ".zip", ".txt")
"""What is read; .txt may be GeoJSON one feature a line, an NMEA log or a CSV table."""


def read_layers(path: Path, *, encoding: str | None = None, name: str = "") -> tuple[RawLayer, ...]:
    """All layers of a file, `name` being what it is called in messages.

    Raises ``InputError`` in one line: which file, what is wrong, what to do. A file is read whole or not at all.
    """
    name = name or shown(path)
    extension = path.suffix.lower()
    if extension == ".shp":
        parts = _parts_beside(path, name)
        return _caught(lambda: (read_shapefile(parts, name, encoding=encoding),), name)
    if extension in {".shx", ".dbf", ".prj", ".cpg", ".sbn", ".qpj"}:
        raise InputError(_("{file}: a part of a shapefile; name its .shp.").format(file=name))
    if extension in {".rar", ".7z", ".gz", ".tgz", ".bz2", ".xz", ".tar"}:
        raise InputError(
            _("{file}: archives of this kind are not read. Unpack it and name the file inside, or zip it.").format(file=name)
        )
    reader = _reader(extension)
    if reader is None:
        raise InputError(
            _("{file}: files of this kind are not read. Export the layer as GeoPackage, GeoJSON, shapefile, KML, GPX or CSV.").format(
                file=name
            )
        )  # fmt: skip
    data = read_bytes(path)
    if extension == ".gpkg":
        _refuse_pending(path, name)
    return _caught(lambda: reader(data, name, encoding), name)


_UNEXPECTED: Final = (
    ValueError, LookupError, ArithmeticError, TypeError, AttributeError, struct.error, NotImplementedError, RecursionError,
    MemoryError, ShapelyError, Warning,
)  # fmt: skip


def _caught(read: Callable[[], tuple[RawLayer, ...]], name: str) -> tuple[RawLayer, ...]:
    """What `read` gives; the last net under bytes that a reader's author did not think of: still one line."""
    try:
        return read()
    except _UNEXPECTED as error:
        raise InputError(
            _("{file}: an unexpected fault in the file ({why}). Nothing of it is used; export it again.").format(
                file=name, why=clean_text(f"{type(error).__name__}: {error}", 80)
            )
        ) from error


def _refuse_pending(path: Path, name: str) -> None:
    """Refuse a GeoPackage whose newest rows are still in the write-ahead log beside it: it would be half a ranch."""
    log = path.with_name(path.name + "-wal")
    try:
        pending = log.stat().st_size > 0
    except OSError:
        return
    if pending:
        raise InputError(
            _("{file}: it is open in another program, or was not closed well. Close it there, then run again.").format(file=name)
        )


def _reader(extension: str) -> Reader | None:
    if extension == ".zip":
        return _read_zip
    if extension in {".txt", ""}:
        return _read_by_look
    return _READERS.get(extension)


def _read_by_look(data: bytes, name: str, encoding: str | None) -> tuple[RawLayer, ...]:
    """A .txt file, or one without extension, by its first bytes; each reader still checks for itself."""
    kind = looks_like(data)
    by_kind: Mapping[str, Reader] = {
        "json": _READERS[".json"], "zip": _read_zip, "sqlite": _READERS[".gpkg"], "gpx": _READERS[".gpx"],
        "kml": _READERS[".kml"],
    }  # fmt: skip
    if kind in by_kind:
        return by_kind[kind](data, name, encoding)
    if kind:
        raise InputError(_("{file}: no map data but {kind}.").format(file=name, kind=kind_in_words(kind)))
    if any(line.lstrip().startswith((b"$GP", b"$GN", b"$GL", b"$GA", b"$GB")) for line in data[:20_000].splitlines()):
        return (read_nmea(data, name),)
    return (read_table(data, name, encoding=encoding),)


def _parts_beside(path: Path, name: str) -> dict[str, bytes]:
    """Bytes of a shapefile's parts that stand beside its .shp, whatever the case of their names."""
    parts = {"shp": read_bytes(path)}
    stem = path.stem.lower()
    try:
        beside = sorted(path.parent.iterdir())
    except OSError as error:
        raise InputError(_("{file}: its folder cannot be read ({why}).").format(file=name, why=error.strerror)) from None
    for other in beside:
        part = other.suffix.lower().lstrip(".")
        if part in _SHAPE_PARTS[1:] and other.stem.lower() == stem and part not in parts:
            parts[part] = read_bytes(other, may_be_empty=True)
    return parts


def _read_zip(data: bytes, name: str, encoding: str | None) -> tuple[RawLayer, ...]:
    members = unzip(data, name)
    layers: list[RawLayer] = []
    for stem, parts in _shapefiles(members).items():
        title = clean_name(PurePosixPath(stem).name)
        layers.append(read_shapefile(parts, f"{name}/{title}", layer="", encoding=encoding))
    for member in sorted(members):
        path = PurePosixPath(member)
        if path.suffix.lower() in {".zip", ".rar", ".7z"}:
            raise InputError(
                _("{file}: an archive within the archive ({member}). Take it out and name it.").format(
                    file=name, member=clean_text(member, 80)
                )
            )
        reader = _READERS.get(path.suffix.lower())
        if reader is not None and path.suffix.lower() != ".log":
            layers += reader(members[member], f"{name}/{clean_name(path.name)}", encoding)
    if not layers:
        raise InputError(
            _("{file}: no layer in the archive. It should hold a shapefile (.shp, .shx, .dbf, .prj), GeoJSON, "
              "GeoPackage, KML, GPX or CSV.").format(file=name)
        )  # fmt: skip
    return tuple(layers)


def _shapefiles(members: Mapping[str, bytes]) -> dict[str, dict[str, bytes]]:
    """Parts of each shapefile in an archive, wherever its folder."""
    out: dict[str, dict[str, bytes]] = {}
    for member in sorted(members):
        path = PurePosixPath(member)
        part = path.suffix.lower().lstrip(".")
        if part in _SHAPE_PARTS:
            out.setdefault(str(path.with_suffix("")).lower(), {})[part] = members[member]
    return {stem: parts for stem, parts in out.items() if "shp" in parts}
