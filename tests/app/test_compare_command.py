"""`mudcap compare`: what it writes and says. The solver is a quick stand-in in a real child process."""

from __future__ import annotations

import csv
import io
import json
import re
from pathlib import Path

import click
import pytest
from small_ranch import make_ranch

from mudcap.app import cli, runner

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


@pytest.fixture(autouse=True)
def quick_solver(monkeypatch):
    """A stand-in for the solver that answers at once."""
    monkeypatch.setattr(runner, "SOLVER", "solvers:good")


def run(capsys, *arguments: object) -> tuple[int, str, str]:
    code = cli.run([str(a) for a in arguments])
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    return code, out, err


def test_it_writes_page_and_table_and_counts_the_blocks(tmp_path, capsys):
    """RANCH/out/compare.html and compare.csv; [k/n] of two blocks for each density; again the same bytes."""
    ranch = make_ranch(tmp_path / "ranch", "North", "South")
    code, out, err = run(capsys, "compare", ranch, "--at", 8, "--at", 10)
    assert code == 0 and sorted(p.name for p in (ranch / "out").iterdir()) == ["compare.csv", "compare.html"]
    assert re.findall(r"\[(\d/\d)\] (?:North|South)", err) == ["1/2", "2/2"] * 3 and "/0]" not in err
    table = list(csv.DictReader(io.StringIO((ranch / "out" / "compare.csv").read_text())))
    assert [(r["block_id"], r["per_acre"]) for r in table] == [(b, d) for b in ("North", "South") for d in ("8", "10")]
    assert str(ranch / "out" / "compare.html") in out and "farthest ft" in out and out.count("North") == 2
    before = {p.name: p.read_bytes() for p in (ranch / "out").iterdir()}
    assert run(capsys, "compare", ranch, "--at", 8, "--at", 10)[0] == 0
    assert {p.name: p.read_bytes() for p in (ranch / "out").iterdir()} == before


def test_rows_json_and_a_folder_of_its_own(tmp_path, capsys):
    """One JSON object on stdout; the lines of the row economies follow those of the densities."""
    ranch = make_ranch(tmp_path / "ranch", "North")
    code, out, err = run(capsys, "compare", ranch, "--at", 9, "--rows", "--json", "-o", tmp_path / "study", "--seed", 3)
    facts = json.loads(out)
    assert code == 0 and err == "" and facts["schema"] == "mudcap.compare/1"
    assert [(r["per_acre"], r["row_economy"]) for r in facts["rows"]] == [
        (9, 0.03), (9, 0.0), (9, 0.01), (9, 0.06), (9, 0.1),
    ]  # fmt: skip
    assert (tmp_path / "study" / "compare.html").is_file() and not (ranch / "out").exists()


def test_a_range_in_the_options_of_the_ranch_does_no_harm(tmp_path, capsys):
    """`per_acre_max` and `farthest` are for plan; here each density is taken as it is."""
    toml = '[place]\nper_acre = 8\nper_acre_max = 12\nfarthest = "30 ft"\n'
    ranch = make_ranch(tmp_path / "ranch", "North", toml=toml)
    code, out, _err = run(capsys, "compare", ranch, "--at", 8, "--json")
    assert code == 0 and [r["per_acre"] for r in json.loads(out)["rows"]] == [8]


def test_a_solver_that_fails_is_told_by_the_exit_code(tmp_path, capsys, monkeypatch):
    """5, as with plan; the files are written all the same."""
    monkeypatch.setattr(runner, "SOLVER", "solvers:segfault")
    ranch = make_ranch(tmp_path / "ranch", "North")
    code, _out, err = run(capsys, "compare", ranch, "--at", 8)
    assert code == 5 and "crashed" in err and (ranch / "out" / "compare.csv").is_file()


def test_its_own_options_are_in_examples_and_sentences():
    """Each has a sentence of help; each that is compare's own occurs in an example; the command is in the README."""
    command = cli.commands.commands["compare"]
    own = {p.opts[-1]: p for p in command.params if isinstance(p, click.Option)}
    assert all(p.help and p.help.rstrip().endswith((".", "].")) for p in own.values())
    for name in ("--at", "--rows", "--quick", "--effort", "--seed"):
        assert name in own and re.search(rf"{name}\b", command.epilog)
    assert "mudcap compare" in README
