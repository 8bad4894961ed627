"""The pick-list as CSV, XLSX and JSON: nothing in it is ever calculated, totals hold, pages print with titles and boxes."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import re
import zipfile

import openpyxl
import pytest

from mudcap.files.picklist_json import picklist_json
from mudcap.files.spreadsheet import COLUMNS, FILLED, TICK, guarded, picklist_csv, picklist_xlsx
from mudcap.geo.units import M_PER_FT
from mudcap.plan.model import Plan
from mudcap.plan.picking import by_load, picks
from mudcap.supply.params import KitParams, SupplyParams
from small_plan import two_block_plan
from supplied import with_supply

STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠", "﹦", " =", "\u3000=", "\xa0+", "\ufeff@", "\u200b-", "\x0b=", "\u2029=")
ATTACKS = (
    *(start + "1+cmd|' /C calc'!A0" for start in STARTS), "a;=1+1", 'a";=1+1', "a,+1", "a\t@SUM(A1)", "a|-1", "a\n=1", "a; '=1",
)  # fmt: skip
LIVE = "=+-@＝＋－＠﹦﹢﹣﹫"
PLAN = with_supply(two_block_plan())


def attacked(attack: str) -> Plan:
    """A plan with the attack wherever a user's text comes into a list."""
    plan = with_supply(two_block_plan(names=(attack, "Creek")), names=(attack, attack + " too"))
    return dataclasses.replace(plan, params=dataclasses.replace(plan.params, ranch=attack))


@pytest.mark.parametrize("attack", ATTACKS)
def test_no_text_of_a_user_becomes_a_formula_in_the_csv(attack):
    """Whichever separator a program splits at, with or without heeding quotes: no cell starts with a live sign."""
    text = picklist_csv(attacked(attack))
    for separator in ",;\t|":
        heeding = [cell for row in csv.reader(io.StringIO(text, newline=""), delimiter=separator) for cell in row]
        plain = [cell for line in re.split(r"[\r\n]", text) for cell in line.split(separator)]
        for cell in heeding + plain:
            if re.fullmatch(r"-?\d+(\.\d+)?", cell):  # a longitude
                continue
            seen = re.sub(r"^[\s\"\u200b\ufeff\x00-\x20]+", "", cell)
            assert seen[:1] not in LIVE or not seen, (separator, cell)


@pytest.mark.parametrize("attack", ATTACKS)
def test_no_text_of_a_user_becomes_a_formula_in_the_workbook(attack):
    """Every text is a string in the file, no part of it holds a formula, a link or code."""
    data = picklist_xlsx(attacked(attack))
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        names = archive.namelist()
        sheets = "".join(archive.read(n).decode() for n in names if n.startswith("xl/worksheets/sheet"))
        # the choice of two boxes and the limits of a count are ours
        own = re.sub(r"<formula1>(\"☐,☑\"</formula1>|0</formula1><formula2>9999</formula2>)", "", sheets)
    assert "<f>" not in own and "<f " not in own and "formula" not in own and "hyperlink" not in own
    assert not [n for n in names if "vba" in n.lower() or "external" in n.lower()]
    cells = [c for sheet in openpyxl.load_workbook(io.BytesIO(data)) for row in sheet.iter_rows() for c in row]
    assert not [c for c in cells if c.data_type == "f"]


def test_every_text_column_of_the_csv_is_guarded():
    """Each text that is a user's is in the test above: a column that is new has to be thought of here."""
    user = {"block", "take"}
    ours = {"line", "site_id", "address", "note", "plan", *FILLED}
    numbers = set(COLUMNS) - user - ours
    rows = [r for r in csv.DictReader(io.StringIO(picklist_csv(attacked("=1")), newline="")) if r["line"] == "site"]
    for row in rows:
        assert all(re.fullmatch(r"-?\d+(\.\d+)?", row[c]) for c in numbers)
        assert row["take"].startswith(("3 × =1", "4 × =1")) and row["block"] in ("'=1", "Creek")
        assert re.fullmatch(r"[A-Z0-9]+", row["site_id"]) and row["plan"] == "0badcafe" and not any(row[c] for c in FILLED)


@pytest.mark.parametrize("text", ["", "North 40", "7", "a-b", "2 × bundle of 25; 1 × block of 12", "R1 T2", "N=3", "x; y", "a, b"])
def test_the_guard_leaves_plain_text_alone(text):
    """Nothing is added where nothing would be calculated."""
    assert guarded(text) == text


def test_the_lists_agree_and_their_totals_hold():
    """CSV, workbook and JSON name the same sites with the same packages in the same order."""
    found = picks(PLAN)
    rows = list(csv.DictReader(io.StringIO(picklist_csv(PLAN), newline="")))
    assert [r["site_id"] for r in rows if r["line"] == "site"] == [p.site_id for p in found]
    assert [r["take"] for r in rows if r["line"] == "site"] == [p.take for p in found]
    facts = json.loads(picklist_json(PLAN))
    assert facts["schema"] == "mudcap.picklist/1" and facts["plan"] == "0badcafe"
    assert [s["site_id"] for s in facts["sites"]] == [p.site_id for p in found]
    assert [(x["package"], x["count"]) for s in facts["sites"] for x in s["packages"]] == [x for p in found for x in p.packages]
    assert [i for load in facts["loads"] for i in load["sites"]] == [p.site_id for p in found]
    for key in ("sites", "cavities", "females", "males"):
        assert facts["total"][key] == sum(b["total"][key] for b in facts["blocks"]) == sum(x["total"][key] for x in facts["loads"])
    sheet = openpyxl.load_workbook(io.BytesIO(picklist_xlsx(PLAN))).worksheets[0]
    heads = [c.value for c in sheet[1]]
    lines = [dict(zip(heads, row, strict=True)) for row in sheet.iter_rows(min_row=2, values_only=True)]
    assert [r["Site"] for r in lines if r["Site"]] == [p.site_id for p in found]
    assert [r["Take"] for r in lines if r["Site"]] == [p.take for p in found]
    filled = [(r["Site"], r["Hung"] or "", r["Stocked"] or "", r["Cavities hung, if other"] or "") for r in lines]
    assert all(f[1:] == ((TICK, TICK, "") if f[0] else ("", "", "")) for f in filled)
    assert sum(r["Cavities"] for r in lines if r["Row, tree"] == "Total of the load") == sum(p.cavities for p in found)


def test_the_workbook_has_a_sheet_for_each_purpose_with_titles_and_a_page_a_load():
    """List, loads, totals; head lines repeated; each load begins on a page; what goes on board has a box."""
    book = openpyxl.load_workbook(io.BytesIO(picklist_xlsx(PLAN)))
    assert book.sheetnames == ["Pick-list", "Loads", "Totals"]
    assert all(s.print_title_rows == "$1:$1" and s.page_setup.orientation == "landscape" and s.oddFooter.right.text for s in book)
    pages = book["Pick-list"]
    assert [b.id for b in pages.row_breaks.brk] == [17, 33, 40] and not pages.sheet_properties.pageSetUpPr.fitToPage
    loads = list(book["Loads"].iter_rows(min_row=2, values_only=True))
    assert [r[4] for r in loads] == [TICK] * len(loads)
    assert sum(r[2] for r in loads if r[1] == "bundle of 25") == sum(dict(p.packages)["bundle of 25"] for p in picks(PLAN))
    assert openpyxl.load_workbook(io.BytesIO(picklist_xlsx(two_block_plan()))).sheetnames == ["Pick-list", "Totals"]


def test_the_workbook_can_be_scrolled_filled_in_and_printed():
    """Site and address stay in sight, as do all head lines; a count is a whole number; paper as the units have it."""
    book = openpyxl.load_workbook(io.BytesIO(picklist_xlsx(PLAN)))
    first = book["Pick-list"]
    heads = [c.value for c in first[1]]
    assert first.freeze_panes == first.cell(2, heads.index("Row, tree") + 2).coordinate
    assert book["Loads"].freeze_panes == book["Totals"].freeze_panes == "A2"
    (rule,) = [v for v in first.data_validations.dataValidation if v.type == "whole"]
    column = first.cell(2, heads.index("Cavities hung, if other") + 1)
    assert column.coordinate in rule.sqref and (rule.formula1, rule.formula2) == ("0", "9999")
    assert rule.showErrorMessage and rule.allowBlank
    metric = dataclasses.replace(PLAN, params=dataclasses.replace(PLAN.params, units="metric"))
    for plan, paper in ((PLAN, 1), (metric, 9)):
        assert all(sheet.page_setup.paperSize == paper for sheet in openpyxl.load_workbook(io.BytesIO(picklist_xlsx(plan))))
    loads = book["Loads"]
    assert all(row[0].alignment.wrap_text for row in loads.iter_rows(min_row=2))


@pytest.mark.parametrize(("units", "unit"), [("us", "ft"), ("metric", "m")])
def test_lengths_of_kit_are_in_the_units_of_the_plan(units, unit):
    """Sites of 0.2 m of wire each: enough, rounded up to a tenth."""
    kit = KitParams(name="wire", each=0.2, unit="m")
    plan = dataclasses.replace(PLAN, params=dataclasses.replace(PLAN.params, units=units, supply=SupplyParams(kit=(kit,))))
    assert len({p.load for p in picks(plan)}) > 1
    found = [r for r in openpyxl.load_workbook(io.BytesIO(picklist_xlsx(plan)))["Loads"].iter_rows(min_row=2, values_only=True) if r[1] == "wire"]
    total = sum(len(own) for _load, own in by_load(picks(plan)))
    assert {r[3] for r in found} == {unit}
    assert sum(r[2] for r in found) == pytest.approx(total * 0.2 / (M_PER_FT if units == "us" else 1.0), abs=0.1 * len(found))


def test_without_supply_the_json_names_no_load_and_no_package():
    """What is not planned is null or empty, not made up."""
    facts = json.loads(picklist_json(two_block_plan()))
    assert facts["loads"] == [] and all(s["packages"] == [] and s["load"] is None and s["facing_deg"] is None for s in facts["sites"])


def test_the_lists_are_the_same_every_time():
    """Byte for byte."""
    assert picklist_xlsx(PLAN) == picklist_xlsx(PLAN) and picklist_json(PLAN) == picklist_json(PLAN)
