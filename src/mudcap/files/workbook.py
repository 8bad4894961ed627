"""Texts of the cells of an XLSX workbook: read in memory, within limits, without formulas, links or macros.

What a cell shows is all that is taken: shared and inline strings, numbers, truth values, and the last result of a formula.

References: ECMA-376-1 (Office Open XML), parts 12 (package), 18.3.1.4 (c), 18.4.8 (si), 18.18.11 (ST_CellType).
"""

from __future__ import annotations

import math
import posixpath
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final
from xml.etree.ElementTree import Element

from mudcap.errors import InputError
from mudcap.files.archives import unzip
from mudcap.files.names import clean_text
from mudcap.files.source import kind_in_words, looks_like
from mudcap.files.xml import children, local, parse_xml
from mudcap.lang import _

MAX_PART: Final = 40_000_000
"""Largest part [bytes] whose XML is taken into memory: a list of 10,000 sites has about 10 MB."""
MAX_CELLS: Final = 2_000_000
MAX_COLUMN: Final = 16_384
MAX_ROW: Final = 1_048_576
"""Columns and rows of a sheet: ECMA-376-1, 18.3.1.4 names them by the programs' limits."""
_REFERENCE: Final = re.compile(r"\$?([A-Z]{1,3})\$?([0-9]{1,7})", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """One worksheet."""

    name: str
    rows: tuple[tuple[int, Mapping[int, str]], ...]
    """(row number from 1, text by column from 0); empty cells are left out."""


def read_workbook(data: bytes, file: str) -> tuple[Sheet, ...]:
    """The worksheets in the workbook's order.

    Raises ``InputError`` for what is no XLSX workbook, for damage, a password, a document type, and sizes beyond the limits.
    """
    kind = looks_like(data)
    if kind == "office":
        raise InputError(
            _("{file}: an old or password-locked office document. Save it as .xlsx without a password, or as .csv.").format(file=file)
        )
    if kind != "zip":
        raise InputError(_("{file}: not an XLSX workbook but {kind}.").format(file=file, kind=kind_in_words(kind)))
    parts = unzip(data, file)
    start = _main_part(parts, file)
    links = _links(parts, start, file)
    strings = _shared_strings(parts, links, file)
    sheets = []
    room = MAX_CELLS
    for name, target in _sheet_parts(_part(parts, start, file, "workbook"), links):
        sheet = Sheet(name=clean_text(name, 60), rows=tuple(_rows(_part(parts, target, file, "worksheet"), strings, room, file)))
        room -= sum(len(cells) for _row, cells in sheet.rows)
        sheets.append(sheet)
    if not sheets:
        raise InputError(_("{file}: the workbook has no sheet.").format(file=file))
    return tuple(sheets)


def _part(parts: Mapping[str, bytes], name: str, file: str, root: str) -> Element:
    data = parts.get(name)
    if data is None:
        raise InputError(_("{file}: not an XLSX workbook, or damaged ({part} is missing).").format(file=file, part=clean_text(name, 80)))
    if len(data) > MAX_PART:
        raise InputError(
            _("{file}: {part} is larger than {limit} MB; this is no filled-in list.").format(
                file=file, part=clean_text(name, 80), limit=MAX_PART // 10**6
            )
        )
    return parse_xml(data, f"{file}/{clean_text(name, 80)}", root)


def _main_part(parts: Mapping[str, bytes], file: str) -> str:
    for kind, target in _relations(parts, "_rels/.rels", "", file).values():
        if kind == "officeDocument":
            return target
    raise InputError(_("{file}: not an XLSX workbook but a zip archive of other things.").format(file=file))


def _links(parts: Mapping[str, bytes], name: str, file: str) -> dict[str, tuple[str, str]]:
    folder, base = posixpath.split(name)
    return _relations(parts, posixpath.join(folder, "_rels", f"{base}.rels"), folder, file)


def _relations(parts: Mapping[str, bytes], name: str, folder: str, file: str) -> dict[str, tuple[str, str]]:
    """(kind, part) by id; links that lead out of the file are left out."""
    out = {}
    for link in children(_part(parts, name, file, "Relationships"), "Relationship"):
        target = link.get("Target", "")
        if link.get("TargetMode", "Internal") != "Internal" or not target:
            continue
        path = target.lstrip("/") if target.startswith("/") else posixpath.normpath(posixpath.join(folder, target))
        out[link.get("Id", "")] = (link.get("Type", "").rpartition("/")[2], path)
    return out


def _sheet_parts(workbook: Element, links: Mapping[str, tuple[str, str]]) -> Iterator[tuple[str, str]]:
    for group in children(workbook, "sheets"):
        for sheet in children(group, "sheet"):
            name = next((v for k, v in sheet.attrib.items() if k.rpartition("}")[2] == "id" and k != "sheetId"), "")
            kind, target = links.get(name, ("", ""))
            if kind == "worksheet":
                yield sheet.get("name", ""), target


def _shared_strings(parts: Mapping[str, bytes], links: Mapping[str, tuple[str, str]], file: str) -> list[str]:
    target = next((part for kind, part in links.values() if kind == "sharedStrings"), "")
    if not target:
        return []
    return [clean_text(_text(item)) for item in children(_part(parts, target, file, "sst"), "si")]


def _text(item: Element) -> str:
    """Plain or rich text; readings beside it (phonetic runs) are no part of it."""
    if len(item) == 0:
        return ""
    pieces = [c.text or "" for c in item if local(c) == "t"]
    for run in children(item, "r"):
        pieces += [c.text or "" for c in run if local(c) == "t"]
    return "".join(pieces)


def _rows(sheet: Element, strings: list[str], room: int, file: str) -> Iterator[tuple[int, Mapping[int, str]]]:
    number = 0
    for data in children(sheet, "sheetData"):
        for row in children(data, "row"):
            number = _row_number(row, number + 1, file)
            cells = dict(_cells(row, strings, file))
            room -= len(cells)
            if room < 0:
                raise InputError(_("{file}: more than {limit} cells; this is no filled-in list.").format(file=file, limit=MAX_CELLS))
            if cells:
                yield number, cells


def _row_number(row: Element, following: int, file: str) -> int:
    text = row.get("r") or str(following)
    if not re.fullmatch(r"[0-9]{1,7}", text) or not 1 <= int(text) <= MAX_ROW:
        raise _damaged(file)
    return int(text)


def _cells(row: Element, strings: list[str], file: str) -> Iterator[tuple[int, str]]:
    column = -1
    for cell in children(row, "c"):
        column = _column(cell.get("r", ""), column + 1, file)
        text = _value(cell, strings, file)
        if text:
            yield column, text


def _column(reference: str, following: int, file: str) -> int:
    if not reference:
        return following
    match = _REFERENCE.fullmatch(reference)
    if match is None:
        raise _damaged(file)
    column = 0
    for letter in match[1]:
        column = 26 * column + ord(letter) - ord("A") + 1
    if column > MAX_COLUMN:
        raise _damaged(file)
    return column - 1


def _value(cell: Element, strings: list[str], file: str) -> str:
    kind = cell.get("t", "n")
    if kind == "inlineStr":
        return clean_text("".join(_text(c) for c in children(cell, "is")))
    text = next((c.text or "" for c in children(cell, "v")), "")
    if kind == "s":
        if not re.fullmatch(r"[0-9]{1,9}", text.strip()) or int(text) >= len(strings):
            raise _damaged(file)
        return strings[int(text)]
    if kind == "b":
        return {"1": "TRUE", "0": "FALSE", "true": "TRUE", "false": "FALSE"}.get(text.strip(), clean_text(text))
    if kind == "n" and re.fullmatch(r"[-+]?[0-9.]{1,40}([eE][-+]?[0-9]{1,3})?", text.strip()):
        return _plain_number(text.strip())
    return clean_text(text)


def _plain_number(text: str) -> str:
    """A number as people write it: '12.0' and '1.2E1' are '12'."""
    try:
        value = float(text)
    except ValueError:
        return text
    if not math.isfinite(value):
        return text
    return f"{value:.0f}" if value == int(value) and abs(value) < 1e15 else f"{value:.15g}"


def _damaged(file: str) -> InputError:
    return InputError(_("{file}: the workbook is damaged. Open it in a spreadsheet program and save it again.").format(file=file))
