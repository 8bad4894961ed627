"""The pick-list as CSV and XLSX: what to take to which site, in hanging order, with boxes to tick.

User text never becomes a formula: CSV text cells that a spreadsheet would calculate get an apostrophe in front, XLSX
cells are written as strings. Numbers stay numbers.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import xlsxwriter

from mudcap.lang import translator
from mudcap.plan.model import Plan, Site

COLUMNS: Final = (
    "line", "block", "number", "site_id", "address", "row", "tree", "cavities", "females", "males", "lon", "lat", "note",
    "hung", "stocked",
)  # fmt: skip
"""Column names of the CSV: stable, in English, so that a filled-in list can be read back."""
TICK: Final = "☐"
_RISKY: Final = "=+-@＝＋－＠\t\r\n"
_FIXED_TIME: Final = datetime(2000, 1, 1)
"""Stands in for the time of writing in the workbook's properties: same plan, same bytes."""

Cell = str | int | float


@dataclass(frozen=True, slots=True, kw_only=True)
class PickLine:
    """One line of the pick-list: a site, or a total."""

    kind: str
    """'site', 'block total' or 'ranch total'."""
    cells: tuple[Cell, ...]
    """In the order of COLUMNS after `line`; '' where a column does not apply."""


def pick_lines(plan: Plan, lang: str = "en") -> tuple[PickLine, ...]:
    """Lines in hanging order: each block's sites and its total, then the ranch's total.

    Totals are summed from the lines above them, so that they hold for exactly what is listed.
    """
    return tuple(_lines(plan, lang))


def _lines(plan: Plan, lang: str) -> Iterator[PickLine]:
    for block in plan.blocks:
        own = [plan.sites[i] for i in plan.site_index(block.block_id)]
        for site in own:
            yield PickLine(kind="site", cells=_cells(site, _note(plan, site, lang)))
        if own:
            yield PickLine(kind="block total", cells=_total(block.block_id, own))
    yield PickLine(kind="ranch total", cells=_total("", plan.sites))


def _cells(site: Site, note: str) -> tuple[Cell, ...]:
    return (
        site.block_id, site.number, site.site_id, site.address, site.row, site.tree, site.cavities, site.females,
        site.males, round(site.lon, 7), round(site.lat, 7), note, TICK, TICK,
    )  # fmt: skip


def _total(block_id: str, sites: Sequence[Site]) -> tuple[Cell, ...]:
    sums = [sum(getattr(s, name) for s in sites) for name in ("cavities", "females", "males")]
    return (block_id, len(sites), "", "", "", "", *sums, "", "", "", "", "")


def _note(plan: Plan, site: Site, lang: str) -> str:
    word = translator(lang)
    parts = []
    if site.pinned:
        parts.append(word("pinned"))
    if site.flags:
        parts.append(word("a limit is widened here"))
    if plan.params.mud.mode == "existing" and site.mud_m > plan.params.mud.limit_m:
        parts.append(word("mud is beyond the limit"))
    if site.cavities > plan.params.stocking.cavities_warn:
        parts.append(word("more than {count} cavities").format(count=plan.params.stocking.cavities_warn))
    return "; ".join(parts)


def picklist_csv(plan: Plan, lang: str = "en") -> str:
    """The pick-list as CSV (RFC 4180, UTF-8): line kind first, so that totals can be told from sites.

    References: RFC 4180; OWASP, CSV Injection (the guard).
    """
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for line in pick_lines(plan, lang):
        writer.writerow([line.kind, *(guarded(c) if isinstance(c, str) else c for c in line.cells)])
    return out.getvalue()


def guarded(text: str) -> str:
    """`text` with an apostrophe in front where a spreadsheet would take it for a formula.

    >>> guarded("=1+1"), guarded("North 40"), guarded(" +cmd")
    ("'=1+1", 'North 40', "' +cmd")
    """
    start = text.lstrip(" \xa0\u200b\ufeff")
    return f"'{text}" if start[:1] and start[0] in _RISKY else text


def picklist_xlsx(plan: Plan, lang: str = "en") -> bytes:
    """The pick-list as a workbook: repeated head line, page numbers, one sheet for the sites and one for the totals."""
    word = translator(lang)
    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, {"in_memory": True})
    book.set_properties({"title": _title(plan), "author": "mudcap", "created": _FIXED_TIME})
    lines = pick_lines(plan, lang)
    _list_sheet(book, word("Pick-list"), plan, lines, lang)
    _total_sheet(book, word("Totals"), lines, lang)
    book.close()
    return out.getvalue()


def _list_sheet(book: Any, name: str, plan: Plan, lines: Sequence[PickLine], lang: str) -> None:
    sheet, style = book.add_worksheet(name), _styles(book)
    heads = _heads(lang)
    for column, (head, width) in enumerate(heads):
        sheet.write_string(0, column, head, style["head"])
        sheet.set_column(column, column, width)
    word = translator(lang)
    names = {"block total": word("Total of the block"), "ranch total": word("Total of the ranch")}
    for row, line in enumerate(lines, start=1):
        look = style["cell"] if line.kind == "site" else style["total"]
        for column, value in enumerate(_shown(line, names)):
            _write(sheet, row, column, value, look)
    sheet.freeze_panes(1, 0)
    sheet.autofilter(0, 0, len(lines), len(heads) - 1)
    sheet.repeat_rows(0)
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    sheet.set_margins(left=0.4, right=0.4, top=0.7, bottom=0.6)
    sheet.set_header("&L" + _title(plan).replace("&", "&&")[:200])
    sheet.set_footer("&L" + word("Plan {number}").format(number=plan.number) + "&R&P / &N")


def _total_sheet(book: Any, name: str, lines: Sequence[PickLine], lang: str) -> None:
    sheet, style, word = book.add_worksheet(name), _styles(book), translator(lang)
    heads = (word("Block"), word("Sites"), word("Cavities"), word("Females"), word("Males"))
    for column, head in enumerate(heads):
        sheet.write_string(0, column, head, style["head"])
        sheet.set_column(column, column, 24 if column == 0 else 10)
    totals = [line for line in lines if line.kind != "site"]
    for row, line in enumerate(totals, start=1):
        label = line.cells[0] if line.kind == "block total" else word("Ranch")
        for column, value in enumerate((label, line.cells[1], *line.cells[6:9])):
            _write(sheet, row, column, value, style["cell" if line.kind == "block total" else "total"])
    sheet.repeat_rows(0)


def _heads(lang: str) -> tuple[tuple[str, float], ...]:
    word = translator(lang)
    return (
        (word("Block"), 16), (word("No."), 6), (word("Site"), 10), (word("Row, tree"), 11), (word("Cavities"), 9),
        (word("Females"), 9), (word("Males"), 8), (word("Note"), 28), (word("Hung"), 7), (word("Stocked"), 8),
    )  # fmt: skip


def _shown(line: PickLine, names: dict[str, str]) -> tuple[Cell, ...]:
    (
        block,
        number,
        site_id,
        address,
        _row,
        _tree,
        cavities,
        females,
        males,
        _lon,
        _lat,
        note,
        hung,
        stocked,
    ) = line.cells
    return (
        block,
        number,
        site_id,
        address or names.get(line.kind, ""),
        cavities,
        females,
        males,
        note,
        hung,
        stocked,
    )


def _styles(book: Any) -> dict[str, Any]:
    return {
        "head": book.add_format({"bold": True, "border": 1, "text_wrap": True, "valign": "top"}),
        "cell": book.add_format({"border": 1}),
        "total": book.add_format({"border": 1, "bold": True, "top": 2}),
    }


def _write(sheet: Any, row: int, column: int, value: Cell, style: Any) -> None:
    if isinstance(value, str):
        sheet.write_string(row, column, value[:32_767], style)
    else:
        sheet.write_number(row, column, value, style)


def _title(plan: Plan) -> str:
    return plan.params.ranch or plan.orchard.name
