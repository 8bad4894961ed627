"""Filled-in lists as people and programs send them back, and workbooks that want to do harm."""

from __future__ import annotations

import csv
import io
import zipfile

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mudcap.errors import InputError
from mudcap.files.picked import read_picked
from mudcap.files.spreadsheet import TICK, picklist_csv, picklist_xlsx
from mudcap.files.workbook import read_workbook
from mudcap.plan.picking import picks
from mudcap.plan.returned import returned
from small_plan import HOSTILE_NAMES, two_block_plan
from supplied import with_supply

PLAN = with_supply(two_block_plan(per_block=6), per_load=5)
PICKS = picks(PLAN)
XLSX = picklist_xlsx(PLAN)
CSV = picklist_csv(PLAN)
MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
PACKAGE = "http://schemas.openxmlformats.org/package/2006/relationships"
RELS = f'<Relationships xmlns="{PACKAGE}"><Relationship Id="r1" Type="{OFFICE}/officeDocument" Target="xl/workbook.xml"/></Relationships>'
WORKBOOK = f'<workbook xmlns="{MAIN}" xmlns:r="{OFFICE}"><sheets><sheet name="One" sheetId="1" r:id="r1"/></sheets></workbook>'
LINKS = (
    f'<Relationships xmlns="{PACKAGE}"><Relationship Id="r1" Type="{OFFICE}/worksheet" Target="worksheets/sheet1.xml"/>'
    f'<Relationship Id="r2" Type="{OFFICE}/sharedStrings" Target="/xl/sharedStrings.xml"/></Relationships>'
)
STRINGS = f'<sst xmlns="{MAIN}"><si><t>Site</t></si><si><r><t>Hu</t></r><r><t>ng</t></r><rPh sb="0" eb="1"><t>no</t></rPh></si></sst>'


def book(sheet: str, *, head: str = "", **parts: str) -> bytes:
    """A workbook by hand with these rows; parts may be given or (as '') taken out."""
    body = f'{head}<worksheet xmlns="{MAIN}"><sheetData>{sheet}</sheetData></worksheet>'
    files = {"_rels/.rels": RELS, "xl/workbook.xml": WORKBOOK, "xl/_rels/workbook.xml.rels": LINKS,
             "xl/sharedStrings.xml": STRINGS, "xl/worksheets/sheet1.xml": body, **parts}  # fmt: skip
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in files.items():
            if text:
                archive.writestr(name, text)
    return out.getvalue()


def compared(path, data, **options):
    """What comes of a file with this content."""
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    return returned(PICKS, PLAN.number, read_picked(path), **options)


def filled(change, data: bytes = XLSX) -> bytes:
    """The workbook after somebody has worked on its first sheet (a row as a dict of cells by column name)."""
    workbook = openpyxl.load_workbook(io.BytesIO(data))
    sheet = workbook.worksheets[0]
    names = {c.value: c.column for c in sheet[1]}
    for row in range(2, sheet.max_row + 1):
        cells = {name: sheet.cell(row, column) for name, column in names.items()}
        change(cells["Site"].value or "", cells)
    out = io.BytesIO()
    workbook.save(out)
    return out.getvalue()


def all_done(_site, cells):
    """Every box ticked."""
    if cells["Site"].value:
        cells["Hung"].value = cells["Stocked"].value = "☑"


def filled_csv(change=lambda row: None, tick="x", **dialect) -> str:
    """The CSV after somebody has worked on it."""
    rows = list(csv.DictReader(io.StringIO(CSV, newline="")))
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, rows[0].keys(), **dialect)
    writer.writeheader()
    for row in rows:
        if row["line"] == "site":
            row["hung"] = row["stocked"] = tick
        change(row)
        writer.writerow(row)
    return out.getvalue()


@pytest.mark.parametrize("data", [XLSX, CSV])
def test_an_untouched_list_says_that_nothing_hangs(tmp_path, data):
    """And differs in nothing else."""
    found = compared(tmp_path / ("a.csv" if isinstance(data, str) else "a.xlsx"), data)
    assert (found.sites, found.hung, found.stocked, found.counts) == (12, 0, 0, {"not_hung": 12})


def test_a_workbook_saved_by_another_program_comes_back(tmp_path):
    """All ticked: no difference, although every text has become a shared string."""
    found = compared(tmp_path / "a.xlsx", filled(all_done))
    assert (found.sites, found.hung, found.stocked, found.differences) == (12, 12, 12, ())


@pytest.mark.parametrize("tick", ["☑", "x", "X", 1, True, "yes", "sí", "SI", "TRUE", "verdadero", "✓", "✔️", "1.0", " x ", "ok", "☒"])
def test_every_usual_tick_counts(tmp_path, tick):
    """As sign, word, number or truth value, in both kinds of file."""

    def change(_site, cells):
        if cells["Site"].value:
            cells["Hung"].value = cells["Stocked"].value = tick

    assert compared(tmp_path / "a.xlsx", filled(change)).counts == {}
    assert compared(tmp_path / "a.csv", filled_csv(tick=str(tick))).counts == {}


@pytest.mark.parametrize("nothing", ["", " ", "☐", "no", "0", 0, False, "FALSO", "-", None])
def test_an_empty_box_is_no_tick(tmp_path, nothing):
    """Nor is a word that says no."""

    def change(_site, cells):
        if cells["Site"].value:
            cells["Hung"].value = cells["Stocked"].value = nothing

    assert compared(tmp_path / "a.xlsx", filled(change)).counts == {"not_hung": 12}


def test_what_was_planted_is_found_with_its_place(tmp_path):
    """One of each kind; the place is the sheet's row."""

    def change(site, cells):
        all_done(site, cells)
        if site == "N400001":
            cells["Hung"].value = cells["Stocked"].value = ""
        elif site == "N400002":
            cells["Stocked"].value = "☐"
        elif site == "N400003":
            cells["Cavities hung, if other"].value = 60
        elif site == "N400004":
            cells["Site"].value = "N400003"
        elif site == "N400005":
            cells["Site"].value = "ZZZ0001"
        elif site == "N400006":
            cells["Cavities"].value = 12
        elif site == "CRK0001":
            cells["Hung"].value = "later"
        elif site == "CRK0002":
            cells["Take"].value = "9 × bundle of 25"
        elif site == "CRK0003":
            cells["Plan"].value = "12345678"
        elif site == "CRK0004":
            cells["Cavities hung, if other"].value = "many"
        elif site == "CRK0005":
            cells["Block"].value = "Creek West"

    found = compared(tmp_path / "a.xlsx", filled(change))
    assert {(d.kind, d.site_id, d.column, d.found) for d in found.differences} == {
        ("not_hung", "N400001", "hung", ""), ("not_stocked", "N400002", "stocked", ""), ("other_cavities", "N400003", "cavities_hung", "60"),
        ("duplicate", "N400003", "site_id", ""), ("missing", "N400004", "", ""), ("unknown_site", "ZZZ0001", "site_id", "ZZZ0001"),
        ("missing", "N400005", "", ""), ("changed", "N400006", "cavities", "12"), ("unclear", "CRK0001", "hung", "later"),
        ("other_packages", "CRK0002", "take", "9 × bundle of 25"), ("other_plan", "", "plan", "12345678"),
        ("unclear", "CRK0004", "cavities_hung", "many"), ("changed", "CRK0005", "block", "Creek West"),
    }  # fmt: skip
    sheet = openpyxl.load_workbook(tmp_path / "a.xlsx").worksheets[0]
    places = {r[3].value: r[3].row for r in sheet.iter_rows(min_row=2) if r[3].value}
    row = next(d for d in found.differences if d.site_id == "CRK0001").where
    assert row == f"a.xlsx, sheet Pick-list, row {places['CRK0001']}"
    assert compared(tmp_path / "a.xlsx", filled(change), is_part=True).counts.get("missing") is None


@given(st.lists(st.tuples(st.booleans(), st.booleans(), st.one_of(st.none(), st.integers(0, 2000))), min_size=12, max_size=12))
@settings(max_examples=40)
def test_whatever_is_ticked_and_counted_is_read_back(tmp_path_factory, marks):
    """CSV: the differences are exactly those that were made."""
    made = dict(zip((p.site_id for p in PICKS), marks, strict=True))

    def change(row):
        if row["line"] == "site":
            hung, stocked, count = made[row["site_id"]]
            row |= {"hung": "x" if hung else "", "stocked": "x" if stocked else "", "cavities_hung": "" if count is None else f"{count:,}"}

    found = compared(tmp_path_factory.mktemp("p") / "a.csv", filled_csv(change))
    wanted = [("not_hung", i) for i, m in made.items() if not m[0]] + [("not_stocked", i) for i, m in made.items() if m[0] and not m[1]]
    planned = {p.site_id: (p.cavities, p.packed) for p in PICKS}  # what the packages hold is as planned, too
    wanted += [("other_cavities", i) for i, m in made.items() if m[2] is not None and m[2] not in planned[i]]
    assert sorted((d.kind, d.site_id) for d in found.differences) == sorted(wanted)
    assert found.hung == sum(m[0] for m in marks) and found.stocked == sum(m[1] for m in marks)


@pytest.mark.parametrize(("encoding", "dialect"), [
    ("utf-8", {}), ("utf-8-sig", {"delimiter": ";"}), ("utf-16", {"delimiter": "\t"}), ("cp1252", {"delimiter": ";", "lineterminator": "\n"}),
    ("utf-8", {"quoting": csv.QUOTE_ALL}), ("utf-8", {"delimiter": "|"}),
])  # fmt: skip
def test_a_csv_may_be_saved_in_many_ways(tmp_path, encoding, dialect):
    """Separators, encodings, line ends and quotes of common programs."""
    assert compared(tmp_path / "a.csv", filled_csv(**dialect).encode(encoding)).counts == {}


def test_numbers_may_come_back_in_another_dress(tmp_path):
    """Decimal commas, trailing zeros, thousands; a small shift of the last decimal is no change."""

    def change(row):
        if row["line"] == "site":
            row["cavities"] += ",0"
            row["number"] += ".00"
            row["lon"], row["lat"] = row["lon"].replace(".", ","), row["lat"].rstrip("0")

    assert compared(tmp_path / "a.csv", filled_csv(change, delimiter=";")).counts == {}

    def move(row):
        if row["site_id"] == "CRK0001":
            row["lat"] = "37.5"

    assert [(d.kind, d.column) for d in compared(tmp_path / "a.csv", filled_csv(move)).differences] == [("changed", "lat")]


def test_titles_other_columns_and_another_order_do_no_harm(tmp_path):
    """People put titles above, columns between, and take some out."""
    rows = list(csv.DictReader(io.StringIO(filled_csv(), newline="")))
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerows([["Crew two", "", ""], ["", "", ""], ["Weather", "Hung", "Site", "stocked"]])
    writer.writerows([["rain", r["hung"], r["site_id"].lower(), r["stocked"]] for r in reversed(rows)])
    assert compared(tmp_path / "a.csv", out.getvalue()).counts == {}


def test_lists_on_several_sheets_are_one_list(tmp_path):
    """A sheet a crew; a site on both is told."""
    workbook = openpyxl.load_workbook(io.BytesIO(filled(all_done)))
    copy = workbook.copy_worksheet(workbook.worksheets[0])
    copy.title = "Crew two"
    copy.delete_rows(3, 100)
    workbook.save(tmp_path / "a.xlsx")
    found = returned(PICKS, PLAN.number, read_picked(tmp_path / "a.xlsx"))
    assert found.counts == {"duplicate": 1} and "sheet Crew two, row 2" in found.differences[0].where


def test_a_tick_without_a_name_is_told(tmp_path):
    """The line is not passed over."""

    def change(site, cells):
        all_done(site, cells)
        if site == "CRK0002":
            cells["Site"].value = None

    assert compared(tmp_path / "a.xlsx", filled(change)).counts == {"unknown_site": 1, "missing": 1}


@pytest.mark.parametrize("name", HOSTILE_NAMES)
def test_hostile_names_come_back_unchanged(tmp_path, name):
    """What guards a text from being calculated is no change of it."""
    plan = with_supply(two_block_plan(names=(name, "Creek"), per_block=3), names=(name, "b;c, d"))
    for file, data in (("a.csv", picklist_csv(plan).encode()), ("a.xlsx", filled(lambda site, cells: None, picklist_xlsx(plan)))):
        (tmp_path / file).write_bytes(data)
        assert returned(picks(plan), plan.number, read_picked(tmp_path / file)).counts == {"not_hung": 6}


def test_inline_strings_missing_references_and_rich_text_are_read():
    """As some programs write them; the last result of a formula counts, the formula does not."""
    rows = (
        '<row><c t="s"><v>0</v></c><c t="s"><v>1</v></c></row><row r="5"><c r="A5" t="inlineStr"><is><r><t>CRK</t></r><r><t>0001</t></r></is></c>'
        '<c r="C5" t="str"><f>1+1</f><v>2</v></c><c t="b"><v>1</v></c><c t="n"><v>1.2E1</v></c><c t="e"><v>#REF!</v></c><c/></row>'
    )
    (sheet,) = read_workbook(book(rows), "b.xlsx")
    assert sheet.name == "One"
    assert sheet.rows == ((1, {0: "Site", 1: "Hung"}), (5, {0: "CRK0001", 2: "2", 3: "TRUE", 4: "12", 5: "#REF!"}))


@pytest.mark.parametrize("number", ["1e999", "-1E+400", "1.2.3", "..", "9" * 40, "+7", "-0", "0.1", "1E-7", ""])
def test_odd_numbers_are_texts_and_no_crash(number):
    """Whatever a damaged or hostile sheet has for a number."""
    (sheet,) = read_workbook(book(f"<row><c><v>{number}</v></c></row>"), "b.xlsx")
    assert all(len(text) < 50 for _row, cells in sheet.rows for text in cells.values())


BOMB = "<!DOCTYPE x [<!ENTITY a 'aaaaaaaaaa'><!ENTITY b '&a;&a;&a;&a;&a;&a;&a;&a;'>]>"
OUTER = "<!DOCTYPE x [<!ENTITY a SYSTEM 'file:///etc/passwd'>]>"
ONE = '<row><c t="inlineStr"><is><t>&a;</t></is></c></row>'


@pytest.mark.parametrize(("data", "told"), [
    (book(ONE, head=BOMB), "document type"), (book(ONE, head=OUTER), "document type"), (book("", **{"xl/workbook.xml": ""}), "is missing"),
    (book("", **{"_rels/.rels": ""}), "is missing"), (book("", **{"xl/worksheets/sheet1.xml": "<worksheet"}), "damaged"),
    (book('<row><c t="s"><v>9</v></c></row>'), "damaged"), (book('<row><c t="s"><v>-1</v></c></row>'), "damaged"),
    (book('<row r="0"><c/></row>'), "damaged"), (book('<row r="99999999999999999999"/>'), "damaged"),
    (book('<row><c r="ZZZZ1"/></row>'), "damaged"), (book('<row><c r="ZZZ1"/></row>'), "damaged"),
    (book("", **{"xl/_rels/workbook.xml.rels": LINKS.replace('Target="worksheets', 'TargetMode="External" Target="http://x')}), "no sheet"),
    (book("", **{"xl/_rels/workbook.xml.rels": LINKS.replace("worksheets/sheet1.xml", "../../../etc/passwd")}), "is missing"),
    (book("", **{"../out.xml": "x"}), "leads out"), (b"\xd0\xcf\x11\xe0" + b"\0" * 600, "password"), (b"%PDF-1.7", "PDF"), (b"Site,Hung", "something else"),
    (book("<row/>" + " " * 41_000_000, x="y"), "times its size"),
])  # fmt: skip
def test_a_workbook_that_is_none_or_does_harm_is_refused(data, told):
    """In one line, with the reason; nothing outside the file is read."""
    with pytest.raises(InputError, match=told):
        read_workbook(data, "b.xlsx")


def test_a_part_that_is_too_large_is_refused(monkeypatch):
    """Before it is parsed, however well it is packed."""
    monkeypatch.setattr("mudcap.files.workbook.MAX_PART", 2_000)
    with pytest.raises(InputError, match="larger than"):
        read_workbook(book("<row/>" * 1_000), "b.xlsx")
    monkeypatch.setattr("mudcap.files.workbook.MAX_PART", 40_000_000)
    monkeypatch.setattr("mudcap.files.workbook.MAX_CELLS", 10)
    with pytest.raises(InputError, match="more than 10 cells"):
        read_workbook(book("<row><c><v>1</v></c><c><v>1</v></c></row>" * 6), "b.xlsx")


@given(st.integers(0, len(XLSX) - 1), st.binary(min_size=1, max_size=8))
@settings(max_examples=60)
def test_a_damaged_workbook_is_refused_or_read_never_a_crash(at, noise):
    """Bytes overwritten anywhere."""
    try:
        read_workbook(XLSX[:at] + noise + XLSX[at + len(noise) :], "b.xlsx")
    except InputError as error:
        assert "b.xlsx" in str(error)


@pytest.mark.parametrize(("file", "data", "told"), [
    ("a.ods", b"PK\x03\x04", ".xlsx and .csv"), ("a.xlsm", XLSX, ".xlsx and .csv"), ("a.csv", b"", "empty"), ("a.csv", b"a,b\n1,2\n", "no pick-list is in it"),
    ("a.csv", XLSX, "a zip archive"), ("a.csv", b"Site,Hung\n\"x", "quote"), ("a.csv", b"S\x00i\nx", "zero bytes"), ("a.xlsx", book("<row/>"), "no pick-list is in it"),
    ("a.csv", b"t\n" * 25 + b"site_id,hung\nCRK0001,x\n", "no pick-list is in it"),
])  # fmt: skip
def test_what_is_no_list_is_told(tmp_path, file, data, told):
    """With what to do."""
    (tmp_path / file).write_bytes(data)
    with pytest.raises(InputError, match=told):
        read_picked(tmp_path / file)


def test_the_boxes_of_an_untouched_workbook_are_empty_boxes():
    """What is written is what is read."""
    rows = [cells for s in read_workbook(XLSX, "b.xlsx") if s.name == "Pick-list" for _row, cells in s.rows]
    assert sum(list(r.values()).count(TICK) for r in rows) == 24
