"""Bytes of a file named by people: only regular files, within a limit, and in plain words what they are not."""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import Final

from mudcap.errors import InputError
from mudcap.files.names import clean_text
from mudcap.files.raw import MAX_BYTES
from mudcap.lang import _


def shown(path: Path | str) -> str:
    """A file's name as it is shown in messages."""
    return clean_text(Path(path).name or str(path), 120)


def read_bytes(path: Path, *, limit: int = MAX_BYTES, may_be_empty: bool = False) -> bytes:
    """All bytes of a regular file.

    Raises ``InputError`` where it is missing, no regular file (directory, device, pipe, endless link), empty, larger than
    `limit` or not readable. Pipes and devices are never opened for reading, so nothing can hang.
    """
    name = shown(path)
    try:
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    except FileNotFoundError:
        raise InputError(_("{file}: not found. Check the name and the folder.").format(file=name)) from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise InputError(_("{file}: cannot be opened ({why}).").format(file=name, why=clean_text(why))) from None
    try:
        status = os.fstat(handle)
        if not stat.S_ISREG(status.st_mode):
            raise InputError(_("{file}: not a file with data (a folder, device or pipe). Name a file.").format(file=name))
        if status.st_size == 0 and not may_be_empty:
            raise InputError(_("{file}: the file is empty. Export it again.").format(file=name))
        if status.st_size > limit:
            raise InputError(
                _("{file}: {size} MB is more than the limit of {limit} MB. Cut it to the ranch and try again.").format(
                    file=name, size=status.st_size // 10**6, limit=limit // 10**6
                )
            )
        with os.fdopen(handle, "rb", closefd=False) as stream:
            return stream.read(limit + 1)
    except OSError as error:
        why = clean_text(error.strerror or error)
        raise InputError(_("{file}: cannot be read ({why}).").format(file=name, why=why)) from None
    finally:
        os.close(handle)


_MAGIC: Final = (
    (b"PK\x03\x04", "zip"), (b"PK\x05\x06", "zip"), (b"Rar!", "rar"), (b"7z\xbc\xaf\x27\x1c", "7z"), (b"\x1f\x8b", "gzip"),
    (b"BZh", "bzip2"), (b"\xfd7zXZ", "xz"), (b"%PDF", "pdf"), (b"\x89PNG", "picture"), (b"\xff\xd8\xff", "picture"),
    (b"GIF8", "picture"), (b"II*\x00", "picture"), (b"MM\x00*", "picture"), (b"RIFF", "picture"),
    (b"SQLite format 3\x00", "sqlite"), (b"\x00\x00\x27\x0a", "shp"), (b"\xd0\xcf\x11\xe0", "office"),
    (b"\x7fELF", "program"), (b"MZ", "program"), (b"#!", "program"),
)  # fmt: skip


def looks_like(data: bytes) -> str:
    """What the first bytes say a file is: 'zip', 'pdf', 'picture', 'html', 'json', 'xml', 'vrt', …; '' where unknown."""
    for magic, kind in _MAGIC:
        if data.startswith(magic):
            return kind
    head = data[:4096].lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        head = data[:4096].decode("utf-16", "ignore").strip().lower().encode("utf-8", "ignore")
    if head.startswith((b"<!doctype html", b"<html")) or b"<html" in head[:1000]:
        return "html"
    for tag, kind in ((b"<ogrvrt", "vrt"), (b"<vrtdataset", "vrt"), (b"<gpx", "gpx"), (b"<kml", "kml")):
        if tag in head:
            return kind
    if b"gdal_streamed_alg" in head or b"gdalg" in head[:200]:
        return "gdalg"
    if head.startswith(b"<"):
        return "xml"
    if head.startswith((b"{", b"[", b"\x1e")):
        return "json"
    return ""


def kind_in_words(kind: str) -> str:
    """What a kind of file is called in messages."""
    return {
        "zip": _("a zip archive"), "rar": _("a RAR archive"), "7z": _("a 7z archive"), "gzip": _("a gzip archive"),
        "bzip2": _("a bzip2 archive"), "xz": _("an xz archive"), "pdf": _("a PDF"), "picture": _("a picture"),
        "sqlite": _("a database"), "shp": _("a shapefile"), "office": _("an old office document"),
        "program": _("a program"), "html": _("a web page (perhaps a login page)"), "vrt": _("a GDAL virtual file"),
        "gdalg": _("a GDAL pipeline"), "gpx": _("GPX"), "kml": _("KML"), "xml": _("XML of another kind"), "json": _("JSON"),
    }.get(kind, _("something else"))  # fmt: skip


def decode(data: bytes, name: str, encoding: str | None = None) -> tuple[str, str]:
    """Text of `data` and the encoding it was read by: the given one, else by its mark, UTF-8, or cp1252.

    Raises ``InputError`` where a given encoding is unknown or does not fit.
    """
    if encoding:
        try:
            return data.decode(encoding), encoding
        except LookupError:
            raise InputError(
                _("{file}: no such encoding {name}. Try cp1252 or utf-8.").format(file=name, name=clean_text(encoding, 30))
            ) from None
        except UnicodeError:
            raise InputError(
                _("{file}: is not written in {name}. Leave the encoding out or try cp1252.").format(
                    file=name, name=encoding
                )
            ) from None
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        guess = "utf-16"
    elif data[:4].count(0) >= 2 and data[:4].strip(b"\x00"):
        guess = "utf-16-le" if data[1:2] == b"\x00" else "utf-16-be"
    else:
        guess = "utf-8-sig"
    try:
        return data.decode(guess), guess
    except UnicodeError:
        if guess != "utf-8-sig":
            raise InputError(
                _("{file}: the text is damaged (broken UTF-16). Export it again as UTF-8.").format(file=name)
            ) from None
        return data.decode("cp1252", "replace"), "cp1252"
