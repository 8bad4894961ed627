"""Zip archives read in memory, with limits; nothing is ever unpacked to disk."""

from __future__ import annotations

import io
import stat
import zipfile
import zlib
from collections.abc import Mapping
from pathlib import PurePosixPath
from typing import Final

from mudcap.errors import InputError
from mudcap.files.names import clean_text
from mudcap.files.raw import MAX_BYTES
from mudcap.files.source import kind_in_words, looks_like
from mudcap.lang import _

MAX_RATIO: Final = 100
"""Largest ratio of unpacked to packed size of a member; real geodata stays below 30."""
MAX_MEMBERS: Final = 2_000
_SMALL: Final = 1_000_000
"""Members up to this size may pack better than the ratio: a table of blanks does, and does no harm."""


def unzip(data: bytes, name: str) -> Mapping[str, bytes]:
    """Members of a zip archive by their path; folders and the droppings of operating systems are left out.

    Raises ``InputError`` for: no zip (other archives are named), damage, a password, links, paths that climb out, two
    members of one name, more than `MAX_MEMBERS`, more than `MAX_BYTES` in all, a ratio beyond `MAX_RATIO`, archives
    within.
    """
    kind = looks_like(data)
    if kind in {"rar", "7z", "gzip", "bzip2", "xz"}:
        raise InputError(
            _("{file}: this is {kind}, which is not read. Unpack it and name the file inside, or zip it.").format(
                file=name, kind=kind_in_words(kind)
            )
        )
    if kind != "zip":
        raise InputError(_("{file}: not a zip archive but {kind}.").format(file=name, kind=kind_in_words(kind)))
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            return _members(archive, name)
    except (
        zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, OSError, ValueError, OverflowError
    ) as error:  # fmt: skip
        raise InputError(
            _("{file}: the zip archive is damaged or cut off ({why}). Fetch it again.").format(
                file=name, why=clean_text(error, 80)
            )
        ) from None


def _members(archive: zipfile.ZipFile, name: str) -> Mapping[str, bytes]:
    infos = archive.infolist()
    if len(infos) > MAX_MEMBERS:
        raise InputError(
            _("{file}: {count} members in the archive, more than the limit of {limit}.").format(
                file=name, count=len(infos), limit=MAX_MEMBERS
            )
        )
    _check_sizes(infos, name)
    out: dict[str, bytes] = {}
    for info in infos:
        path = _checked_path(info, name)
        if path is None:
            continue
        if path in out:
            raise InputError(
                _("{file}: two members of the name {member}. Zip the files again.").format(file=name, member=clean_text(path))
            )
        if info.flag_bits & 1:
            raise InputError(
                _("{file}: the archive is locked with a password. Unpack it and zip it without one.").format(file=name)
            )
        with archive.open(info) as stream:
            content = stream.read(info.file_size + 1)
        if len(content) != info.file_size:
            raise InputError(_("{file}: a member is longer than the archive says. Fetch it again.").format(file=name))
        out[path] = content
    return out


def _check_sizes(infos: list[zipfile.ZipInfo], name: str) -> None:
    total = sum(info.file_size for info in infos)
    if total > MAX_BYTES:
        raise InputError(
            _("{file}: unpacks to {size} MB, more than the limit of {limit} MB.").format(
                file=name, size=total // 10**6, limit=MAX_BYTES // 10**6
            )
        )
    for info in infos:
        if info.file_size > _SMALL and info.file_size > MAX_RATIO * max(info.compress_size, 1):
            raise InputError(
                _("{file}: {member} unpacks to more than {ratio} times its size; this is no map data.").format(
                    file=name, member=clean_text(info.filename, 80), ratio=MAX_RATIO
                )
            )


def _checked_path(info: zipfile.ZipInfo, name: str) -> str | None:
    """Path of a member that is to be read; None for folders and the droppings of operating systems."""
    raw = info.filename.replace("\\", "/")
    path = PurePosixPath(raw)
    if path.is_absolute() or ".." in path.parts or (len(raw) > 1 and raw[1] == ":"):
        raise InputError(
            _("{file}: a member's path leads out of the archive ({member}); not read.").format(
                file=name, member=clean_text(raw, 80)
            )
        )
    if stat.S_ISLNK(info.external_attr >> 16):
        raise InputError(
            _("{file}: holds a link ({member}); not read. Zip the file itself.").format(file=name, member=clean_text(raw, 80))
        )
    if info.is_dir() or raw.endswith("/"):
        return None
    if "__MACOSX" in path.parts or path.name in {".DS_Store", "Thumbs.db", "desktop.ini"} or path.name.startswith("._"):
        return None
    return str(path)
