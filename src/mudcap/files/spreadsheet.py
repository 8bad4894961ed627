"""The pick-list as CSV and XLSX: what to take to which site, in picking order, with boxes to tick.

User text never becomes a formula: CSV text cells that a spreadsheet would calculate get an apostrophe in front, XLSX
cells are written as strings. Numbers stay numbers.
"""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import xlsxwriter

from mudcap.geo.units import amount_in
from mudcap.lang import counted, translator
from mudcap.plan.hanging import HangList, outing_text
from mudcap.plan.model import Plan, Site
from mudcap.plan.picking import (
    PickLine,
    Want,
    by_load,
    has_loads,
    packages_text,
    pick_lines,
    picks,
    wants,
)
from mudcap.supply.model import SiteSupply

COLUMNS: Final = (
    "line", "block", "number", "site_id", "address", "row", "tree", "cavities", "females", "males", "lon", "lat", "note",
    "load", "place_in_load", "take", "facing_deg", "compass_deg", "plan", "hung", "stocked", "cavities_hung",
)  # fmt: skip
"""Column names of the CSV: stable, in English, so that a filled-in list can be read back."""
CREW_COLUMNS: Final = ("crew", "day")
"""What a hanging round's list has besides, before the load."""
FILLED: Final = ("hung", "stocked", "cavities_hung")
"""Columns that the crew fills in; empty as written, so that no program in between can spoil a sign in them."""
MOST_CAVITIES: Final = 9999
"""As in the files of checks."""
_LETTER: Final = 1
_A4: Final = 9
"""Numbers of paper sizes in a workbook: ECMA-376, part 1, section 18.3.1.63."""
TICK: Final = "☐"
TICKED: Final = "☑"
_RISKY: Final = "=+-@＝＋－＠﹣﹢﹦﹫\t\r\n"
_AFTER_SEPARATOR: Final = re.compile(r"([,;|\t\r\n][\s\"']*)(?=[=+\-@＝＋－＠﹣﹢﹦﹫])")
_FIXED_TIME: Final = datetime(2000, 1, 1)
"""Stands in for the time of writing in the workbook's properties: same plan, same bytes."""
_PRINT_PX: Final = 970
"""Width of a landscape letter page inside the margins at 96 dots an inch; A4 is a little wider."""

Cell = str | int | float


def picklist_csv(plan: Plan, lang: str = "en", hang: HangList | None = None) -> str:
    """The pick-list as CSV (RFC 4180, UTF-8), of the plan or of a hanging round: line kind first, so that totals can be told
    from sites.

    References: RFC 4180; OWASP, CSV Injection (the guard).
    """
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    at = COLUMNS.index("load")
    columns = COLUMNS if hang is None else (*COLUMNS[:at], *CREW_COLUMNS, *COLUMNS[at:])
    writer.writerow(columns)
    notes = site_notes(plan, lang)
    for line in pick_lines(picks(plan) if hang is None else hang.picks):
        cells = _cells(line, notes, plan.number)
        writer.writerow([guarded(c) if isinstance(c, str) else c for c in (cells.get(name, "") for name in columns)])
    return out.getvalue()


def _cells(line: PickLine, notes: dict[str, str], number: str) -> dict[str, Cell]:
    """A line's cells by column; what it has nothing for is left out."""
    pick, total = line.pick, line.sums
    if pick is None:
        load: dict[str, Cell] = {"load": int(line.name)} if line.kind == "load total" else {}
        return {
            "line": line.kind, "block": line.name if line.kind == "block total" else "", "number": total.sites,
            "cavities": total.cavities, "females": total.females, "males": total.males, "crew": line.crew, "day": line.day or "",
            **load, "take": packages_text(total.packages),
        }  # fmt: skip
    return {
        "line": line.kind, "block": pick.block_id, "number": pick.number, "site_id": pick.site_id, "address": pick.address,
        "row": pick.row, "tree": pick.tree, "cavities": pick.cavities, "females": pick.females, "males": pick.males,
        "lon": round(pick.lon, 7), "lat": round(pick.lat, 7), "note": notes[pick.site_id], "crew": pick.crew,
        "day": pick.day or "", "load": pick.load or "", "place_in_load": pick.place_in_load or "", "take": pick.take,
        "facing_deg": _degrees(pick.facing_deg), "compass_deg": _degrees(pick.compass_deg), "plan": number,
    }  # fmt: skip


def site_notes(plan: Plan, lang: str = "en") -> dict[str, str]:
    """What a crew should know of a site before it goes there, by site_id."""
    supply = plan.supply or (None,) * len(plan.sites)
    return {s.site_id: _note(plan, s, u, lang) for s, u in zip(plan.sites, supply, strict=True)}


def _note(plan: Plan, site: Site, supply: SiteSupply | None, lang: str) -> str:
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
    if supply is not None and supply.shelters > 1:
        parts.append(word("{count} shelters").format(count=supply.shelters))
    if supply is not None and supply.short:
        parts.append(counted(word, "{count} cavity short", "{count} cavities short", supply.short).format(count=supply.short))
    return "; ".join(parts)


def _degrees(value: float | None) -> Cell:
    return "" if value is None else round(value) % 360


def guarded(text: str) -> str:
    """`text` with an apostrophe in front where a spreadsheet would take it, or a part of it, for a formula.

    A part counts after a separator: a program that splits at ';' or ',' whatever the quotes say makes a cell of it.

    >>> guarded("=1+1"), guarded("North 40"), guarded(" +cmd"), guarded("a;=1"), guarded("7-8; 9")
    ("'=1+1", 'North 40', "' +cmd", "a;'=1", '7-8; 9')
    """
    text = _AFTER_SEPARATOR.sub(r"\1'", text)
    start = next((c for c in text if c in _RISKY or not (c.isspace() or unicodedata.category(c)[0] in "CZ")), "")
    return f"'{text}" if start and start in _RISKY else text


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """One column of the workbook's list."""

    key: str
    """Its name in the CSV."""
    text: str
    width: float
    """In characters."""


def heads(
    lang: str, *, with_loads: bool = True, with_packages: bool = True, with_facing: bool = True, with_crews: bool = True
) -> tuple[Head, ...]:
    """The columns of the list of a workbook, in the crew's language; the reader of filled-in lists goes by them."""
    word = translator(lang)
    crews = (Head(key="crew", text=word("Crew"), width=6), Head(key="day", text=word("Day"), width=5))
    return (
        *(crews if with_crews else ()),
        *((Head(key="load", text=word("Load"), width=6),) if with_loads else ()),
        Head(key="block", text=word("Block"), width=16), Head(key="number", text=word("No."), width=6),
        Head(key="site_id", text=word("Site"), width=10), Head(key="address", text=word("Row, tree"), width=11),
        Head(key="cavities", text=word("Cavities"), width=9), Head(key="females", text=word("Females"), width=9),
        Head(key="males", text=word("Males"), width=8),
        *((Head(key="take", text=word("Take"), width=34),) if with_packages else ()),
        *((Head(key="facing_deg", text=word("Faces (true)"), width=8),
           Head(key="compass_deg", text=word("Faces (compass)"), width=10)) if with_facing else ()),
        Head(key="note", text=word("Note"), width=22 if with_packages else 28), Head(key="hung", text=word("Hung"), width=7),
        Head(key="stocked", text=word("Stocked"), width=8),
        Head(key="cavities_hung", text=word("Cavities hung, if other"), width=12),
        Head(key="plan", text=word("Plan"), width=10),
    )  # fmt: skip


def picklist_xlsx(plan: Plan, lang: str = "en", hang: HangList | None = None) -> bytes:
    """The pick-list as a workbook, of the plan or of a hanging round: the list, what each load takes (where there are loads),
    and the totals, each on a sheet of its own with repeated head lines and page numbers."""
    word = translator(lang)
    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, {"in_memory": True})
    book.set_properties({"title": _title(plan), "author": "mudcap", "created": _FIXED_TIME})
    found = picks(plan) if hang is None else hang.picks
    lines = pick_lines(found)
    _list_sheet(book, word("Pick-list"), plan, lines, lang, with_crews=hang is not None)
    if has_loads(found):
        loads = [
            (_load_title(load, hang, word), wants(own, plan.params.supply, word)) for load, own in by_load(found) if load
        ]
        _load_sheet(book, word("Loads"), plan, loads, lang)
    _total_sheet(book, word("Totals"), plan, lines, lang)
    book.close()
    return out.getvalue()


def _load_title(load: int, hang: HangList | None, word: Any) -> str:
    title = str(word("Load {number}")).format(number=load)
    return title if hang is None else f"{title}. {outing_text(hang.outing(load), hang.options, word)}"


def _list_sheet(
    book: Any, name: str, plan: Plan, lines: Sequence[PickLine], lang: str, *, with_crews: bool
) -> None:
    sheet, style, word = book.add_worksheet(name), _styles(book), translator(lang)
    own = [line.pick for line in lines if line.pick is not None]
    with_loads = has_loads(own)
    columns = heads(lang, with_loads=with_loads, with_packages=any(p.packages for p in own),
                    with_facing=any(p.facing_deg is not None for p in own), with_crews=with_crews)  # fmt: skip
    _head_row(sheet, [(h.text, h.width) for h in columns], style)
    notes = site_notes(plan, lang)
    names = {"load total": word("Total of the load"), "block total": word("Total of the block"),
             "ranch total": word("Total of the ranch")}  # fmt: skip
    breaks = []
    for row, line in enumerate(lines, start=1):
        cells = _cells(line, notes, plan.number)
        if line.pick is None:
            cells["address"] = names[line.kind]
        else:
            cells |= {"hung": TICK, "stocked": TICK}
        for column, head in enumerate(columns):
            _write(sheet, row, column, cells.get(head.key, ""), style["cell" if line.pick else "total"])
        if line.kind == "load total":
            breaks.append(row + 1)
    _tick_choice(sheet, columns, len(lines), word)
    sheet.freeze_panes(1, 1 + next(k for k, head in enumerate(columns) if head.key == "address"))
    sheet.autofilter(0, 0, len(lines), len(columns) - 1)
    _page(sheet, plan, word)
    if with_loads:  # a page break counts only where the sheet is not fitted to pages
        sheet.set_h_pagebreaks(breaks)
        sheet.set_print_scale(max(10, min(100, int(100 * _PRINT_PX / sum(7 * h.width + 5 for h in columns)))))
    else:
        sheet.fit_to_pages(1, 0)


def _tick_choice(sheet: Any, columns: Sequence[Head], last: int, word: Any) -> None:
    """A choice of both boxes, where anything else may be typed all the same; a count of cavities is a whole number."""
    for column, head in enumerate(columns):
        if head.key in ("hung", "stocked"):
            sheet.data_validation(1, column, last, column, {
                "validate": "list", "source": [TICK, TICKED], "show_error": False,
                "input_title": word("Done?"), "input_message": word("Choose the ticked box, or type x."),
            })  # fmt: skip
        elif head.key == "cavities_hung":
            sheet.data_validation(1, column, last, column, {
                "validate": "integer", "criteria": "between", "minimum": 0, "maximum": MOST_CAVITIES,
                "error_title": word("Cavities"), "error_message": word("A whole number from 0 to 9999, or nothing."),
            })  # fmt: skip


def _load_sheet(book: Any, name: str, plan: Plan, loads: Sequence[tuple[str, Sequence[Want]]], lang: str) -> None:
    """What goes onto the vehicle before it leaves: one line a thing."""
    sheet, style, word = book.add_worksheet(name), _styles(book), translator(lang)
    _head_row(sheet, [(word("Load"), max(12, *(min(60, len(title) + 2) for title, _things in loads))), (word("Take"), 40), (word("How many"), 10), (word("Unit"), 8), (word("On board"), 10)], style)
    row = 0
    for title, things in loads:
        for thing in things:
            row += 1
            cells: tuple[Cell, ...] = (title, thing.name, *amount_in(thing.amount, thing.unit, plan.params.units), TICK)
            for column, value in enumerate(cells):
                _write(sheet, row, column, value, style["cell" if column else "wrapped"])
    sheet.freeze_panes(1, 0)
    _page(sheet, plan, word)
    sheet.fit_to_pages(1, 0)


def _total_sheet(book: Any, name: str, plan: Plan, lines: Sequence[PickLine], lang: str) -> None:
    sheet, style, word = book.add_worksheet(name), _styles(book), translator(lang)
    columns = [(word("Block"), 24), (word("Sites"), 10), (word("Cavities"), 10), (word("Females"), 10), (word("Males"), 10)]
    with_packages = any(line.sums.packages for line in lines)
    _head_row(sheet, [*columns, (word("Take"), 60)] if with_packages else columns, style)
    totals = [line for line in lines if line.kind in ("block total", "ranch total")]
    for row, line in enumerate(totals, start=1):
        label = line.name if line.kind == "block total" else word("Ranch")
        cells: list[Cell] = [label, line.sums.sites, line.sums.cavities, line.sums.females, line.sums.males]
        if with_packages:
            cells.append(packages_text(line.sums.packages))
        for column, value in enumerate(cells):
            _write(sheet, row, column, value, style["cell" if line.kind == "block total" else "total"])
    sheet.freeze_panes(1, 0)
    _page(sheet, plan, word)
    sheet.fit_to_pages(1, 0)


def _head_row(sheet: Any, columns: Sequence[tuple[str, float]], style: dict[str, Any]) -> None:
    for column, (text, width) in enumerate(columns):
        sheet.write_string(0, column, text, style["head"])
        sheet.set_column(column, column, width)
    sheet.repeat_rows(0)


def _page(sheet: Any, plan: Plan, word: Any) -> None:
    sheet.set_landscape()
    sheet.set_paper(_LETTER if plan.params.units == "us" else _A4)
    sheet.set_margins(left=0.4, right=0.4, top=0.7, bottom=0.6)
    sheet.set_header("&L" + _title(plan).replace("&", "&&")[:200])
    sheet.set_footer("&L" + word("Plan {number}").format(number=plan.number) + "&R&P / &N")


def _styles(book: Any) -> dict[str, Any]:
    return {
        "head": book.add_format({"bold": True, "border": 1, "text_wrap": True, "valign": "top"}),
        "cell": book.add_format({"border": 1}),
        "wrapped": book.add_format({"border": 1, "text_wrap": True, "valign": "top"}),
        "total": book.add_format({"border": 1, "bold": True, "top": 2}),
    }


def _write(sheet: Any, row: int, column: int, value: Cell, style: Any) -> None:
    if isinstance(value, str):
        sheet.write_string(row, column, value[:32_767], style)
    else:
        sheet.write_number(row, column, value, style)


def _title(plan: Plan) -> str:
    return plan.params.ranch or plan.orchard.name
