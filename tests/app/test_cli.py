"""The commands: what they write, what they say, how they end. The solver is a quick stand-in except where it is the point."""

from __future__ import annotations

import json
import os
import re
import sqlite3
from dataclasses import replace
from pathlib import Path

import click
import pytest
from small_ranch import geojson, make_ranch

from mudcap.app import cli, runner
from mudcap.app.changes import changes_text, plan_changes
from mudcap.app.options import ROLES
from mudcap.app.plan import exit_code
from mudcap.draw.words import status_words
from mudcap.files.atomic import locked
from mudcap.files.outputs import OUTPUTS
from mudcap.files.report_text import status_text
from mudcap.orchard.model import Finding, Role
from mudcap.plan.model import Earlier, EarlierSite
from small_plan import relaxed, two_block_plan, with_fallback


@pytest.fixture(autouse=True)
def quick_solver(monkeypatch):
    """A stand-in for the solver that answers at once."""
    monkeypatch.setattr(runner, "SOLVER", "solvers:good")


def files(directory: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in sorted(directory.iterdir())}


def run(capsys, *arguments: object) -> tuple[int, str, str]:
    code = cli.run([str(a) for a in arguments])
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    return code, out, err


def test_plan_writes_everything_says_where_and_repeats_itself(tmp_path, capsys):
    """RANCH/out by default; a second run over the first gives the same bytes and the same site_ids."""
    ranch = make_ranch(tmp_path / "ranch")
    code, out, err = run(capsys, "plan", ranch)
    assert code == 0 and sorted(files(ranch / "out")) == sorted(OUTPUTS)
    assert (
        all(str(ranch / "out" / name) in out for name in OUTPUTS)
        and "20 shelters" in out
        and "North 2: solved" in err
    )
    before = files(ranch / "out")
    assert run(capsys, "plan", ranch)[0] == 0
    assert {n for n, b in files(ranch / "out").items() if b != before[n]} == set()


def test_a_file_gets_its_folder_beside_it(tmp_path, capsys):
    """NAME-out; --quiet says nothing at all."""
    (tmp_path / "north.geojson").write_text(geojson("A"))
    assert run(capsys, "plan", tmp_path / "north.geojson", "--quiet") == (0, "", "")
    assert sorted(files(tmp_path / "north-out")) == sorted(OUTPUTS)


def test_json_stands_alone_on_stdout(tmp_path, capsys):
    """Report, files and running times, which never go into files."""
    code, out, _ = run(capsys, "plan", make_ranch(tmp_path / "r"), "--json")
    facts = json.loads(out)
    assert code == facts["exit_code"] == 0 and facts["schema"] == "mudcap.run/1"
    assert facts["report"] == json.loads((tmp_path / "r" / "out" / "report.json").read_text())
    assert facts["seconds"]["plan"] > 0 and facts["solver"][0]["how"] == "solved"
    assert "seconds" not in (tmp_path / "r" / "out" / "report.json").read_text()


def test_the_command_line_wins_over_the_file_and_the_file_over_the_default(tmp_path, capsys):
    """Sites an acre, seed, units, date and preset."""
    toml = '[place]\nper_acre = 8\nseed = 5\n[stocking]\npreset = "almond-handbook"\n'
    ranch = make_ranch(tmp_path / "r", toml=toml)

    def params(*extra: object) -> dict:
        assert run(capsys, "plan", ranch, *extra)[0] == 0
        return json.loads((ranch / "out" / "report.json").read_text())["params"]

    from_file = params()
    assert (from_file["place"]["per_acre"], from_file["place"]["seed"], from_file["stocking"]["preset"]) == (
        8,
        5,
        "almond-handbook",
    )
    assert from_file["plan_date"] == "2027-02-01" and from_file["place"]["slack"] == 0.04
    given = params("--per-acre", "10", "--seed", 7, "--units", "metric", "--date", "2027-03-04", "--preset", "apple", "--slack", 0.1,
                   "--row-economy", 0, "--quick", "--farthest", "120ft")  # fmt: skip
    assert (given["place"]["per_acre"], given["place"]["seed"], given["place"]["slack"]) == (10, 7, 0.1)
    assert given["place"]["effort"] == "quick" and given["place"]["row_economy"] == 0
    assert given["place"]["farthest_m"] == pytest.approx(36.576) and given["units"] == "metric"
    assert given["plan_date"] == "2027-03-04" and given["stocking"]["preset"] == "apple"
    assert params("--per-acre", "8-10", "--farthest", "120ft")["place"]["per_acre_max"] == 10


WRONG = {
    "no ranch": (["plan"], "Missing argument"),
    "unknown option": (["plan", "{r}", "--per-acer", "9"], "--per-acre"),
    "density in words": (["plan", "{r}", "--per-acre", "nine"], "write 9"),
    "density upside down": (["plan", "{r}", "--per-acre", "10-8"], "smaller"),
    "density out of range": (["plan", "{r}", "--per-acre", "4000"], "per_acre"),
    "range without a wish": (["plan", "{r}", "--per-acre", "8-10"], "--farthest"),
    "length without unit": (["plan", "{r}", "--farthest", "45"], "unit"),
    "role of no kind": (["plan", "{r}", "--role", "x.shp=lanes"], "spray_lanes"),
    "role without file": (["plan", "{r}", "--role", "blocks"], "FILE=ROLE"),
    "role of an unread file": (["plan", "{r}", "--role", "x.shp=blocks"], "no such file is read"),
    "slack": (["plan", "{r}", "--slack", "2"], "slack"),
    "page": (["plan", "{r}", "--page", "a5"], "letter"),
    "date": (["plan", "{r}", "--date", "1/2/2027"], "%Y-%m-%d"),
    "preset": (["plan", "{r}", "--preset", "best"], "almond-handbook"),
    "outputs among inputs": (["plan", "{r}", "-o", "{r}"], "own folder"),
    "outputs nowhere": (["plan", "{r}", "-o", ""], "Name a folder"),
    "no command": (["plam", "{r}"], "plan"),
}  # fmt: skip


@pytest.mark.parametrize("case", WRONG)
def test_wrong_usage_is_exit_2_and_says_how(tmp_path, capsys, case):
    """Before anything is written."""
    ranch = make_ranch(tmp_path / "r")
    arguments, word = WRONG[case]
    code, out, err = run(capsys, *(a.replace("{r}", str(ranch)) for a in arguments))
    assert (
        code == 2
        and out == ""
        and word in err
        and sorted(os.listdir(ranch)) == ["blocks.geojson", "mudcap.toml"]
    )


def unusable(tmp_path: Path) -> dict[str, tuple[Path, str]]:
    made = {
        "missing": (tmp_path / "no.shp", "not found"),
        "empty": (tmp_path / "empty.geojson", "empty"),
        "device": (Path("/dev/null"), "null"),
        "pipe": (tmp_path / "pipe.geojson", "pipe"),
        "link loop": (tmp_path / "loop.geojson", "loop"),
        "empty folder": (tmp_path / "folder", "no layer file"),
        "broken toml": (tmp_path / "broken", "mudcap.toml"),
        "unknown option": (tmp_path / "typo", "did you mean per_acre"),
        "points only": (tmp_path / "points.geojson", "points"),
    }
    made["empty"][0].write_text("")
    os.mkfifo(made["pipe"][0])
    made["link loop"][0].symlink_to(made["link loop"][0])
    made["empty folder"][0].mkdir()
    make_ranch(made["broken toml"][0], toml="[[[")
    make_ranch(made["unknown option"][0], toml="[place]\nper_acer = 9\n")
    made["points only"][0].write_text(
        '{"type":"FeatureCollection","features":[{"type":"Feature","properties":{},"geometry":{"type":"Point","coordinates":[-120,37]}}]}'
    )
    return made


@pytest.mark.parametrize("command", ["plan", "look"])
@pytest.mark.parametrize("case", [
    "missing", "empty", "device", "pipe", "link loop", "empty folder", "broken toml", "unknown option", "points only",
])  # fmt: skip
def test_unusable_input_is_exit_3_in_one_sentence(tmp_path, capsys, command, case):
    """Nothing hangs, nothing is written, no traceback; with --json the reason is on stdout as well."""
    path, word = unusable(tmp_path)[case]
    extra = ["-o", str(tmp_path / "out")] if command == "plan" else []
    code, out, err = run(capsys, command, path, *extra, "--json")
    assert code == 3 and word in err and err.startswith("mudcap: ") and not (tmp_path / "out").exists()
    assert json.loads(out)["exit_code"] == 3 and word in json.loads(out)["error"]


def test_look_reads_and_says_and_writes_nothing(tmp_path, capsys):
    """Blocks, acres, findings, in words and for programs."""
    ranch = make_ranch(tmp_path / "r", "North 2", "South 2")
    before = sorted(os.listdir(ranch))
    code, out, _ = run(capsys, "look", ranch)
    assert code == 0 and "2 blocks, 4.39 acres" in out and "South 2: 2.20 acres" in out
    code, out, _ = run(capsys, "look", ranch, "--json")
    facts = json.loads(out)
    assert facts["layers"]["blocks"] == 2 and facts["acres"] == pytest.approx(4.394, abs=0.01)
    assert (
        facts["findings"][0].keys() >= {"level", "layer", "feature", "text"}
        and sorted(os.listdir(ranch)) == before
    )


def test_a_dry_run_writes_nothing_and_tells_the_difference(tmp_path, capsys):
    """Against nothing, and against the plan that is there."""
    ranch = make_ranch(tmp_path / "r")
    code, out, _ = run(capsys, "plan", ranch, "--dry-run")
    assert code == 0 and "Nothing written. 20 sites; there are 0 now" in out and not (ranch / "out").exists()
    run(capsys, "plan", ranch)
    before = files(ranch / "out")
    _, out, _ = run(capsys, "plan", ranch, "-n")
    assert "20 stay, 0 move, 0 come, 0 go" in out
    _, out, _ = run(capsys, "plan", ranch, "-n", "--per-acre", 5, "--json")
    changes = json.loads(out)
    assert (
        changes["sites_after"] == 11
        and changes["kept"] + len(changes["added"]) == 11
        and files(ranch / "out") == before
    )


def test_changes_name_what_moves():
    """By site_id."""
    plan = two_block_plan(per_block=2)
    kept, moved = plan.sites[0], plan.sites[1]
    earlier = Earlier(sites=(
        EarlierSite(site_id=kept.site_id, block_id=kept.block_id, lon=kept.lon, lat=kept.lat),
        EarlierSite(site_id=moved.site_id, block_id=moved.block_id, lon=moved.lon + 1e-4, lat=moved.lat),
        EarlierSite(site_id="OLD0001", block_id="Old", lon=-120.0, lat=37.0),
    ))  # fmt: skip
    changes = plan_changes(plan, earlier)
    assert changes["kept"] == 1 and changes["moved"] == [moved.site_id] and changes["removed"] == ["OLD0001"]
    assert len(changes["added"]) == 2 and "- OLD0001" in changes_text(changes)


def test_exit_codes_by_what_became_of_the_plan():
    """By hand before safety before limits."""
    plan = two_block_plan(per_block=2)
    assert exit_code(plan, is_stopped=False) == 0 and exit_code(relaxed(plan), is_stopped=False) == 4
    assert (
        exit_code(with_fallback(plan), is_stopped=False) == 5
        and exit_code(with_fallback(plan), is_stopped=True) == 130
    )


def test_a_plan_without_any_site_is_no_success():
    """It is not told that the other blocks are planned, either: there are none."""
    plan = two_block_plan(per_block=2)
    bare = replace(plan, sites=(), blocks=tuple(replace(b, status="no_site", sites=0) for b in plan.blocks))
    assert exit_code(bare, is_stopped=False) == 4
    said = status_text(bare, str)
    assert "planned" not in said and said.startswith("2 of 2 blocks got no site")


def test_a_wish_that_cannot_be_met_is_exit_4_and_files_are_written(tmp_path, capsys):
    """The farthest tree of these few sites is farther than asked for."""
    code, out, _ = run(capsys, "plan", make_ranch(tmp_path / "r"), "--per-acre", 2, "--farthest", "45ft")
    assert (
        code == 4 and sorted(files(tmp_path / "r" / "out")) == sorted(OUTPUTS) and "could not be met" in out
    )


@pytest.mark.parametrize(("solver", "how", "toml"), [
    ("segfault", "solver_crashed", ""), ("killed", "solver_crashed", ""), ("raises", "solver_failed", ""),
    ("hang", "solver_hung", "[place]\nsafety_s = 5\n"),
])  # fmt: skip
def test_a_dead_solver_still_gives_a_plan_marked_everywhere(tmp_path, capsys, monkeypatch, solver, how, toml):
    """Exit 5, all files there, marked in report.json, report.md and on the last line."""
    monkeypatch.setattr(runner, "SOLVER", f"solvers:{solver}")
    code, out, err = run(capsys, "plan", make_ranch(tmp_path / "r", toml=toml))
    assert code == 5 and sorted(files(tmp_path / "r" / "out")) == sorted(OUTPUTS)
    report = json.loads((tmp_path / "r" / "out" / "report.json").read_text())
    assert report["reproducible"] is False and report["status"] == "fallback" and report["sites"] == 20
    assert report["blocks"][0]["status"] == "fallback" and how in {f["code"] for f in report["findings"]}
    assert (
        "hexagonal" in (tmp_path / "r" / "out" / "report.md").read_text()
        and "hexagonal" in out
        and "hexagonal" in err
    )


def test_an_unexpected_failure_is_one_line_unless_debugged(tmp_path, capsys, monkeypatch):
    """It names itself and the way to the traceback; nothing is written."""
    import mudcap.plan.make

    def broken(*args, **kwargs):
        raise KeyError("planted")

    monkeypatch.setattr(mudcap.plan.make, "make_plan", broken)
    ranch = make_ranch(tmp_path / "r")
    code, out, err = run(capsys, "plan", ranch)
    assert (
        code == 1
        and out == ""
        and "KeyError" in err.splitlines()[-1]
        and "--debug" in err
        and not (ranch / "out").exists()
    )
    with pytest.raises(KeyError):
        cli.run(["plan", str(ranch), "--debug"])


def test_strict_writes_nothing_where_something_is_left_out(tmp_path, capsys):
    """A feature that cannot be read is tolerated without --strict and named with it."""
    ranch = make_ranch(tmp_path / "r")
    data = json.loads((ranch / "blocks.geojson").read_text())
    data["features"].append({"type": "Feature", "properties": {"name": "Lost"}, "geometry": None})
    (ranch / "blocks.geojson").write_text(json.dumps(data))
    code, _, err = run(capsys, "plan", ranch)
    assert code == 0 and "Lost" in err
    before = files(ranch / "out")
    code, _, err = run(capsys, "plan", ranch, "--strict")
    assert code == 3 and "Lost" in err and files(ranch / "out") == before


def test_a_second_run_at_once_is_refused(tmp_path, capsys):
    """With one sentence, and the first is not disturbed."""
    ranch = make_ranch(tmp_path / "r")
    with locked(ranch / "out"):
        code, _, err = run(capsys, "plan", ranch)
    assert code == 1 and "another run" in err


def test_targets_that_cannot_be_written(tmp_path, capsys):
    """A file, /proc, a missing parent: refused before any work."""
    ranch = make_ranch(tmp_path / "r")
    (tmp_path / "file").write_text("mine")
    for target, word in (
        (tmp_path / "file", "a file"),
        ("/proc", "cannot be written"),
        (tmp_path / "a" / "b", "does not exist"),
    ):
        code, _, err = run(capsys, "plan", ranch, "-o", target)
        assert code == 1 and word in err and err.count("\n") == 1
    assert (tmp_path / "file").read_text() == "mine"


def test_a_foreign_plan_is_left_alone(tmp_path, capsys):
    """Another program's database under our name is not replaced."""
    ranch = make_ranch(tmp_path / "r")
    (ranch / "out").mkdir()
    connection = sqlite3.connect(ranch / "out" / "plan.gpkg")
    connection.execute("CREATE TABLE theirs (x)")
    connection.close()
    before = files(ranch / "out")
    code, _, err = run(capsys, "plan", ranch)
    assert code == 1 and "another program" in err and files(ranch / "out") == before


def test_an_output_never_replaces_an_input(tmp_path, capsys):
    """Even where it has the same name."""
    (tmp_path / "sites.geojson").write_text(geojson("A"))
    code, _, err = run(capsys, "plan", tmp_path / "sites.geojson", "-o", tmp_path)
    assert code == 2 and "is an input" in err and os.listdir(tmp_path) == ["sites.geojson"]


def test_roles_on_the_command_line_are_those_of_the_model():
    """One list, written twice for the sake of --help."""
    assert tuple(r.value for r in Role) == ROLES


@pytest.mark.parametrize("name", sorted(cli.commands.commands))
def test_every_command_has_help_and_examples(capsys, name):
    """Each option has a sentence, each example is a real call."""
    command = cli.commands.commands[name]
    assert command.help and "Examples:" in (command.epilog or "")
    options = [p for p in command.params if isinstance(p, click.Option)]
    assert [o.name for o in options if not (o.help and o.help[0].isupper() and len(o.help) > 10)] == []
    known = {flag for o in options for flag in (*o.opts, *o.secondary_opts)}
    used = {w.split("=")[0] for w in re.findall(r"(?<!\S)--?[a-z][a-z-]*", command.epilog)}
    assert used <= known
    assert cli.run([name, "--help"]) == 0 and "Examples:" in capsys.readouterr().out


def test_a_fault_that_the_checker_finds_ends_with_5_and_is_on_every_page():
    """An error of the audit, and no other error, whatever the blocks say of themselves."""
    plan = two_block_plan()
    fault = Finding(level="error", code="audit_banned", layer="", feature="E1", text="x")
    bad, other = replace(plan, findings=(fault,)), replace(plan, findings=(replace(fault, code="bad_ring"),))
    assert [exit_code(p, is_stopped=False) for p in (plan, other, bad)] == [0, 0, 5]
    assert "THE CHECK FOUND A FAULT" in status_words(bad, str) and "FAULT" not in status_words(other, str)
