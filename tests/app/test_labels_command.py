"""`mudcap labels` as it is typed: which labels, on which sheet, beside which plan."""

from __future__ import annotations

import io
import json
from dataclasses import replace

import pytest
from pypdf import PdfReader

from mudcap.app import cli
from mudcap.draw.tags_stock import STOCKS
from mudcap.files.export import write_plan
from small_plan import two_block_plan
from supplied import with_supply


def run(capsys, *arguments):
    """Exit code, stdout, stderr."""
    code = cli.run([str(a) for a in arguments])
    out, err = capsys.readouterr()
    return code, out, err


@pytest.fixture(scope="module")
def ranch(tmp_path_factory):
    """A ranch folder with a written plan in out/."""
    folder = tmp_path_factory.mktemp("ranch")
    write_plan(with_supply(two_block_plan(per_block=4), per_load=3), folder / "out", {})
    return folder


def texts(path):
    """Text of each page."""
    return [page.extract_text() for page in PdfReader(io.BytesIO(path.read_bytes())).pages]


def test_every_site_gets_a_label_in_picking_order(ranch, capsys):
    """On the usual sheet; nothing else in the folder changes."""
    before = {p.name: p.read_bytes() for p in (ranch / "out").iterdir() if p.name != "labels.pdf"}
    code, out, _err = run(capsys, "labels", ranch)
    assert code == 0 and "labels 8, sheets 1 (66.67 × 25.4 mm (2.625 × 1 in), 3 × 10, letter)" in out
    text = texts(ranch / "out" / "labels.pdf")[0]
    order = ["N400003", "N400002", "N400001", "CRK0002", "CRK0001", "N400004", "CRK0004", "CRK0003"]
    assert sorted(order, key=text.index) == order
    assert {p.name: p.read_bytes() for p in (ranch / "out").iterdir() if p.name != "labels.pdf"} == before


def test_one_block_one_lost_label_and_used_places(ranch, capsys):
    """--block, --site and --skip together; JSON says what came."""
    code, out, _err = run(capsys, "labels", "-o", ranch / "out", ranch, "--block", "Creek", "--site", "n400002", "--stock", "a4-2x4",
                          "--skip", 6, "--json")  # fmt: skip
    facts = json.loads(out)
    assert code == 0 and (facts["schema"], facts["labels"], facts["sheets"]) == ("mudcap.labels/1", 5, 2)
    pages = texts(ranch / "out" / "labels.pdf")
    assert len(pages) == 2 and "N400002" in "".join(pages) and "N400001" not in "".join(pages)
    assert sum(page.count("CRK000") for page in pages) == 4


def test_a_sheet_by_its_own_dimensions(ranch, capsys):
    """Inches and millimetres, centred or by margins; the folder of the plan may be named itself."""
    own = ("--page", "a4", "--grid", "2x6", "--label", "90x40mm", "--gap", "3x1.5mm")
    assert run(capsys, "labels", ranch / "out", *own)[0] == 0
    assert run(capsys, "labels", ranch, *own, "--margin", "10x12mm", "--frames", "--quiet")[:2] == (0, "")
    box = PdfReader(ranch / "out" / "labels.pdf").pages[0].mediabox
    assert abs(float(box.width) - 595.28) < 0.1


@pytest.mark.parametrize(("given", "told"), [
    (("--stock", "a4-9x9"), "there is none of that name"), (("--grid", "2x5"), "needs --grid and --label"),
    (("--gap", "1x1mm"), "needs --grid and --label"), (("--stock", "a4-3x7", "--grid", "2x5", "--label", "9x5cm"), "no --stock"),
    (("--grid", "3x9", "--label", "3x2in"), "do not fit"), (("--grid", "2", "--label", "3x2in"), "columns x rows"),
    (("--label", "3x2"), "with the unit"), (("--block", "Nowhere"), "there are Creek, North 40"), (("--site", "XYZ0001"), "no such site"),
    (("--skip", "30"), "no number of labels"), (("--grid", "2x5", "--label", "3x1in", "--margin", "3x1in"), "the columns of labels take"),
])  # fmt: skip
def test_wrong_usage_is_told_and_leaves_the_labels_alone(ranch, capsys, given, told):
    """Exit code 2."""
    target = ranch / "out" / "labels.pdf"
    target.write_bytes(b"mine")
    code, _out, err = run(capsys, "labels", ranch, *given)
    assert code == 2 and told in err and target.read_bytes() == b"mine"


def test_without_a_plan_it_says_what_to_do(tmp_path, capsys):
    """Exit code 3; nothing is made."""
    code, _out, err = run(capsys, "labels", tmp_path)
    assert code == 3 and "Run mudcap plan first" in err and list(tmp_path.iterdir()) == []


def test_the_help_names_every_sheet():
    """So that nobody has to guess."""
    assert all(name in cli.commands.commands["labels"].epilog for name in STOCKS)


def test_a_plan_without_a_site_is_no_usable_input(tmp_path, capsys):
    """Exit 3, one line, no file."""
    write_plan(replace(two_block_plan(per_block=4), sites=()), tmp_path / "out", {})
    code, _out, err = run(capsys, "labels", tmp_path)
    assert code == 3 and "no site" in err and not (tmp_path / "out" / "labels.pdf").exists()
