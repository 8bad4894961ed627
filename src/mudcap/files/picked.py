"""A filled-in pick-list that comes back, as XLSX or CSV, however a spreadsheet program has saved it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Final

from mudcap.errors import InputError
from mudcap.files.names import clean_text, plain_letters
from mudcap.files.source import decode, kind_in_words, looks_like, read_bytes, shown
from mudcap.files.spreadsheet import COLUMNS, CREW_COLUMNS, FILLED, heads
from mudcap.files.tables import read_rows
from mudcap.files.workbook import read_workbook
from mudcap.lang import LANGUAGES, _
from mudcap.plan.returned import ReturnedLine, ticked

MAX_BYTES: Final = 30_000_000
MAX_LINES: Final = 200_000
_HEAD_ROWS: Final = 20
"""The column names stand within the first rows; people put a title above them."""

_Rows = Iterable[tuple[str, Mapping[int, str]]]
"""(place for messages, text by column) of each row."""


def read_picked(path: Path | str) -> tuple[ReturnedLine, ...]:
    """The lines of sites of a filled-in list, in file order; totals and empty lines are left out.

    A workbook may have the list on several sheets (one a crew, say). Columns go by their names in any language that the
    list is written in, in any order. Raises ``InputError`` where it cannot be read or holds no list.
    """
    path = Path(path)
    name, extension = shown(path), path.suffix.lower()
    if extension not in (".xlsx", ".csv"):
        raise InputError(_("{file}: filled-in lists are read from .xlsx and .csv. Save it as one of these.").format(file=name))
    data = read_bytes(path, limit=MAX_BYTES)
    lines = []
    lists = 0
    for rows in _tables(data, name, extension):
        found = _list(rows)
        if found is not None:
            lists += 1
            lines += found
        if len(lines) > MAX_LINES:
            raise InputError(_("{file}: more than {limit} rows.").format(file=name, limit=MAX_LINES))
    if not lists:
        raise InputError(
            _("{file}: no pick-list is in it: there is no row of column names with {site} and {hung}.").format(
                file=name, site=_head_words()["site_id"], hung=_head_words()["hung"]
            )
        )
    return tuple(lines)


def _head_words() -> dict[str, str]:
    return {h.key: h.text for h in heads("en")}


def _tables(data: bytes, file: str, extension: str) -> Iterator[_Rows]:
    if extension == ".xlsx":
        for sheet in read_workbook(data, file):
            label = _("{file}, sheet {sheet}, row {row}")
            yield [(label.format(file=file, sheet=sheet.name, row=number), cells) for number, cells in sheet.rows]
        return
    kind = looks_like(data)
    if kind and kind != "json":  # a title in brackets is no JSON
        raise InputError(_("{file}: not a CSV table but {kind}.").format(file=file, kind=kind_in_words(kind)))
    text, _encoding = decode(data, file)
    if "\x00" in text:
        raise InputError(_("{file}: holds zero bytes; no text table. Export it again as CSV.").format(file=file))
    label = _("{file}, line {line}")
    yield [
        (label.format(file=file, line=line), {k: clean for k, cell in enumerate(row) if (clean := clean_text(cell))})
        for line, row in read_rows(text, file)
    ]


def _list(rows: _Rows) -> list[ReturnedLine] | None:
    """Lines of the list in a table; None where it holds none."""
    columns: dict[int, str] | None = None
    titles: dict[str, str] = {}
    out = []
    for k, (where, cells) in enumerate(rows):
        if columns is None:
            columns = _columns(cells)
            titles = {key: cells[c] for c, key in (columns or {}).items()}
            if columns is None and k >= _HEAD_ROWS:
                return None
            continue
        line = ReturnedLine(where=where, cells={key: cells.get(c, "") for c, key in columns.items()}, heads=titles)
        if _is_site(line):
            out.append(line)
    return None if columns is None else out


def _columns(cells: Mapping[int, str]) -> dict[int, str] | None:
    """Our column names by place where this row names columns; the first of two equal names counts."""
    names = _names()
    out: dict[int, str] = {}
    for place, text in sorted(cells.items()):
        key = names.get(plain_letters(text), "")
        if key and key not in out.values():
            out[place] = key
    return out if {"site_id", "hung"} <= set(out.values()) else None


def _names() -> dict[str, str]:
    """Our column names by every word that a list may call them."""
    known = {plain_letters(c): c for c in (*COLUMNS, *CREW_COLUMNS)}
    for language in LANGUAGES:
        known |= {plain_letters(h.text): h.key for h in heads(language)}
    return known


def _is_site(line: ReturnedLine) -> bool:
    """A line of a site, or one where something is filled in although the site's name is missing."""
    kind = plain_letters(line.cells.get("line", ""))
    if kind and kind != "site":
        return False
    if line.cells.get("site_id", "").strip():
        return not _is_head(line)
    return any(line.cells.get(c, "") and ticked(line.cells[c]) is not False for c in FILLED if c in line.cells)


def _is_head(line: ReturnedLine) -> bool:
    """Column names again, as where two lists were pasted one under the other."""
    return _names().get(plain_letters(line.cells.get("site_id", ""))) == "site_id"
