"""`mudcap picked` as it is typed: which plan is meant, what is told, which exit code."""

from __future__ import annotations

import csv
import json

import pytest

from mudcap.app import cli
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


def filled(ranch, path, **changes):
    """A list with every box ticked but for what is changed of single sites."""
    rows = list(csv.DictReader((ranch / "out" / "picklist.csv").read_text(encoding="utf-8").splitlines()))
    for row in rows:
        if row["line"] == "site":
            row |= {"hung": "x", "stocked": "x"} | changes.get(row["site_id"], {})
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)
    return path


def test_all_done_is_exit_code_zero(ranch, tmp_path, capsys):
    """Told in one line; nothing is written anywhere."""
    before = {p.name: p.read_bytes() for p in (ranch / "out").iterdir()}
    code, out, err = run(capsys, "picked", filled(ranch, tmp_path / "back.csv"), ranch)
    assert (code, err) == (0, "") and out.count("\n") == 1 and "hung 8, stocked 8. Differences: 0." in out
    assert {p.name: p.read_bytes() for p in (ranch / "out").iterdir()} == before and [p.name for p in tmp_path.iterdir()] == ["back.csv"]


@pytest.mark.parametrize(("change", "code", "told"), [
    ({"hung": ""}, 4, "Not hung (1)"), ({"stocked": "no"}, 4, "Hung, not stocked (1)"), ({"cavities_hung": "7"}, 4, "Other number of cavities (1)"),
    ({"take": "1 × box"}, 4, "Other packages (1)"), ({"site_id": "XYZ0001"}, 3, "Unknown sites (1)"), ({"site_id": "CRK0001"}, 3, "Twice in the list (1)"),
    ({"females": "1"}, 3, "changed (1)"), ({"hung": "?"}, 3, "Neither ticked nor empty, or no number (1)"), ({"plan": "12345678"}, 0, "Of another plan (1)"),
])  # fmt: skip
def test_exit_codes_go_by_class(ranch, tmp_path, capsys, change, code, told):
    """4: not as planned; 3: to be looked at, also where something is missing besides."""
    found, out, _err = run(capsys, "picked", filled(ranch, tmp_path / "back.csv", N400002=change), ranch)
    assert found == code and told in out


def test_json_lists_everything(ranch, tmp_path, capsys):
    """Schema mudcap.picked/1 and nothing else on stdout."""
    file = filled(ranch, tmp_path / "back.csv", N400002={"hung": ""}, CRK0001={"cavities_hung": "9"})
    code, out, _err = run(capsys, "picked", file, ranch, "--json")
    facts = json.loads(out)
    assert set(facts) == {"schema", "exit_code", "file", "plan", "planned", "sites", "hung", "stocked", "counts", "differences"}
    assert (facts["schema"], facts["exit_code"], code) == ("mudcap.picked/1", 4, 4)
    assert facts["counts"] == {"not_hung": 1, "other_cavities": 1} and (facts["sites"], facts["hung"], facts["planned"]) == (8, 7, 8)
    assert set(facts["differences"][0]) == {"kind", "site_id", "where", "column", "planned", "found", "text"}


def test_the_plan_is_found_beside_the_list_by_ranch_or_by_folder(ranch, tmp_path, capsys):
    """Without RANCH the file's own folder counts; a list in a folder without a plan is told what to do."""
    inside = filled(ranch, ranch / "out" / "back.csv")
    outside = filled(ranch, tmp_path / "back.csv")
    for arguments in ((inside,), (outside, ranch), (outside, ranch / "out"), (outside, "-o", ranch / "out")):
        assert run(capsys, "picked", *arguments, "--quiet")[:2] == (0, "")
    inside.unlink()
    code, _out, err = run(capsys, "picked", outside)
    assert code == 3 and "Run mudcap plan first" in err
    assert run(capsys, "picked", tmp_path / "none.csv", ranch)[0] == 3


def test_a_part_of_the_list_is_enough_with_part(ranch, tmp_path, capsys):
    """One load, say."""
    whole = filled(ranch, tmp_path / "back.csv").read_text(encoding="utf-8").splitlines()
    (tmp_path / "one.csv").write_text("\n".join(whole[:4]), encoding="utf-8")
    code, out, _err = run(capsys, "picked", tmp_path / "one.csv", ranch)
    assert code == 4 and "Not in the list (5)" in out
    assert run(capsys, "picked", tmp_path / "one.csv", ranch, "--part")[0] == 0


def test_long_lists_of_differences_are_cut_in_words_only(tmp_path, capsys):
    """The number of what is left out is told."""
    write_plan(two_block_plan(per_block=30), tmp_path, {})
    code, out, _err = run(capsys, "picked", tmp_path / "picklist.xlsx")
    assert code == 4 and "Not hung (60)" in out and "and 20 more; --json lists all." in out
    assert len(json.loads(run(capsys, "picked", tmp_path / "picklist.xlsx", "--json")[1])["differences"]) == 60
