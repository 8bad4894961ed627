"""`mudcap round`: what it writes, says and refuses. The plan's solver is a quick stand-in in a real child process."""

from __future__ import annotations

import csv
import json
import math
import os
import re
import shutil
import signal
from importlib import resources
from pathlib import Path

import click
import jsonschema
import pytest
from small_ranch import geojson, make_ranch

from mudcap.app import cli, runner
from mudcap.app import console as console_module
from mudcap.app import round as round_module
from mudcap.app.times import Clock, Closing, Duration, Lunch, Panel, Speed
from mudcap.files import atomic
from mudcap.files.outputs import round_outputs
from mudcap.route import service as service_module
from mudcap.route.visits import Progress

SCHEMA = json.loads((resources.files("mudcap.files") / "round.schema.json").read_text("utf-8"))
README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


def run(capsys, *arguments: object) -> tuple[int, str, str]:
    code = cli.run([str(a) for a in arguments])
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    return code, out, err


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    """Two planned blocks."""
    ranch = make_ranch(tmp_path_factory.mktemp("planned") / "ranch", "North", "South")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(runner, "SOLVER", "solvers:good")
        assert cli.run(["plan", str(ranch), "-q", "--quick"]) == 0
    return ranch


@pytest.fixture
def ranch(planned, tmp_path):
    """A copy of them for one test."""
    return Path(shutil.copytree(planned, tmp_path / "ranch"))


def test_it_writes_four_files_beside_the_plan_and_tells_the_days(ranch, capsys):
    """PDF, HTML, GPX and JSON, the plan's own files untouched; again the same bytes; every site once."""
    out = ranch / "out"
    before = {p.name: p.read_bytes() for p in out.iterdir()}
    code, said, err = run(capsys, "round", ranch, "--task", "check", "--crew", 2, "--day", "6h", "--date", "2027-02-16")
    names = round_outputs("check")
    assert code == 0 and sorted(p.name for p in out.iterdir()) == sorted([*before, *names])
    assert all((out / n).read_bytes() == before[n] for n in before)
    assert (out / names[0]).read_bytes().startswith(b"%PDF") and "round-A1" in (out / names[1]).read_text()
    facts = json.loads((out / names[3]).read_text())
    jsonschema.validate(facts, SCHEMA)
    with open(out / "picklist.csv", encoding="utf-8-sig") as file:
        sites = {row["site_id"] for row in csv.DictReader(file)} - {""}
    stops = [s["name"] for d in facts["days"] for leg in d["legs"] for s in leg["stops"]]
    assert len(stops) == len(set(stops)) and set(stops) == sites and facts["status"] == "complete"
    assert "Crew A, Day 1, 2027-02-16: 07:00 to" in said and "Daylight 06:" in said and str(out / names[0]) in said
    assert "No yard is drawn" in err and "the straight line is counted" in err
    written = {n: (out / n).read_bytes() for n in names}
    assert run(capsys, "round", ranch, "--task", "check", "--crew", 2, "--day", "6h", "--date", "2027-02-16")[0] == 0
    assert {n: (out / n).read_bytes() for n in names} == written


def test_a_ranch_named_by_its_folder_may_be_renamed(capsys, tmp_path):
    """Its plan still goes with it, and the name is not said to differ."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(runner, "SOLVER", "solvers:good")
        bare = make_ranch(tmp_path / "first name")
        toml = bare / "mudcap.toml"
        toml.write_text(toml.read_text().replace('name = "Test Ranch"\n', ""))
        assert cli.run(["plan", str(bare), "-q", "--quick"]) == 0
    renamed = bare.rename(tmp_path / "second name")
    code, said, err = run(capsys, "round", renamed, "--task", "check", "--date", "2027-02-16")
    assert code == 0 and "Crew A" in said and "other options" not in err


def test_what_does_not_fit_is_marked_and_told_by_the_exit_code(ranch, capsys):
    """4; the sheets say which sites are left; a day later all are fetched, with the list that proves it."""
    code, said, _err = run(capsys, "round", ranch, "--task", "fetch", "--day", "30min")
    facts = json.loads((ranch / "out" / "round-fetch.json").read_text())
    assert code == 4 and facts["status"] == "incomplete" and "NOT gone to:" in said
    assert {n["why"] for n in facts["not_visited"]} == {"no_time"}
    code, said, _err = run(capsys, "round", ranch, "--task", "fetch", "--day", "60min", "--days", 3, "--mode", "truck",
                           "--capacity", 20, "--lunch", "none", "--reload", "5min", "--per-cavity", "0.1s")  # fmt: skip
    facts = json.loads((ranch / "out" / "round-fetch.json").read_text())
    assert code == 0 and not facts["not_visited"] and len(facts["hardware"]) == facts["stops"]


def test_json_alone_on_stdout_and_units_of_the_reader(ranch, capsys):
    """One object; --units changes words only, not the plan; other options than mudcap.toml's are told on stderr."""
    code, out, err = run(capsys, "round", ranch, "--task", "hang", "--json", "--units", "metric", "--no-daylight")
    facts = json.loads(out)
    assert code == 0 and err == "" and facts["schema"] == "mudcap.round-run/1" and facts["exit_code"] == 0
    jsonschema.validate(facts["round"], SCHEMA)
    texts = [leg["text"] for d in facts["round"]["days"] for leg in d["legs"]]
    assert any(t.endswith(" m.") for t in texts) and not any(" ft" in t for t in texts)
    _code, _out, err = run(capsys, "round", ranch, "--task", "hang")
    assert "other options" not in err  # how long the plan was sought is none
    with open(ranch / "mudcap.toml", "a", encoding="utf-8") as toml:
        toml.write("[travel]\nfoot_m_s = 1.0\n")
    _code, _out, err = run(capsys, "round", ranch, "--task", "hang")
    assert "(travel.foot_m_s)" in err and "its own are used" in err


def test_every_puddle_of_the_plan_is_wetted(ranch, capsys):
    """By road, as often to the tank as its litres ask for; a tank too small for one puddle is told."""
    puddles = json.loads((ranch / "out" / "report.json").read_text())["puddles"]
    most = max(p["litres"] for p in puddles)
    code, _said, _err = run(capsys, "round", ranch, "--task", "wet", "--capacity", 2 * most, "--mode", "truck")
    facts = json.loads((ranch / "out" / "round-wet.json").read_text())
    stops = [s["name"] for d in facts["days"] for leg in d["legs"] for s in leg["stops"]]
    assert code == 0 and sorted(stops) == sorted(p["name"] for p in puddles) and len(stops) > 2
    assert sum(leg["kind"] == "reload" for d in facts["days"] for leg in d["legs"]) >= len(stops) // 2 - 1
    code, _said, err = run(capsys, "round", ranch, "--task", "wet", "--capacity", most / 2)
    assert code == 3 and f"needs {math.ceil(most)} litres at once" in err and f"Give --capacity {math.ceil(most)} or more." in err
    assert run(capsys, "round", ranch, "--task", "wet", "--capacity", math.ceil(most))[0] == 0


def test_the_rest_of_the_day_from_a_log(ranch, capsys, tmp_path):
    """The first ten stops are done: they are not gone to again, and work begins at --now."""
    run(capsys, "round", ranch, "--task", "check", "--date", "2027-02-16")
    path = ranch / "out" / "round-check.json"
    stops = [s for d in json.loads(path.read_text())["days"] for leg in d["legs"] for s in leg["stops"]]
    log = tmp_path / "done.csv"
    log.write_text("site_id,state,time\n" + "".join(f"{s['name']},checked,2027-02-16 {s['clock']}\n" for s in stops[:10]))
    code, said, _err = run(capsys, "round", ranch, "--task", "check", "--date", "2027-02-16", "--done", log, "--now", "9:30",
                           "--closed", "South until 10:15", "--zone", -8, "--aim", "paid")  # fmt: skip
    facts = json.loads(path.read_text())
    assert code == 0 and [n["name"] for n in facts["not_visited"]] == sorted(s["name"] for s in stops[:10])
    legs = [leg for d in facts["days"] for leg in d["legs"]]
    assert facts["days"][0]["begin"] == "09:30" and "09:30 to" in said
    assert all(leg["begin_s"] >= 10.25 * 3600 for leg in legs if leg["block"] == "South" and leg["kind"] == "row")


def test_a_sample_is_told_with_what_it_proves(ranch, capsys):
    """Panels, shares, counts and half-widths on the command line."""
    code, said, _err = run(capsys, "round", ranch, "--task", "check", "--panel", "2/3", "--seed", 5)
    assert code == 0 and "spread evenly over each block (round 2 of 3" in said and "±5 points need" in said
    for size in (("--share", 0.5), ("--half-width", 0.15), ("--stops", 12)):
        code, said, _err = run(capsys, "round", ranch, "--task", "check", *size)
        assert code == 0 and "The share of occupied cavities can be told to" in said


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        ((), 2, "--task"),
        (("--task", "mow"), 2, "'mow'"),
        (("--task", "check", "--day", "6"), 2, "write it with its unit"),
        (("--task", "check", "--day", "0h"), 2, "longer than nothing"),
        (("--task", "check", "--day", "25h"), 2, "at most 24 hours"),
        (("--task", "check", "--date", "2027-13-01"), 2, "no date; write it as 2027-02-16"),
        (("--task", "check", "--date", "20270216"), 2, "no date; write it as 2027-02-16"),
        (("--task", "fetch", "--capacity", "0.5"), 3, "alone needs 1. Give --capacity 1"),
        (("--task", "check", "--start", "25:00"), 2, "no time of day"),
        (("--task", "check", "--panel", "4/3"), 2, "no panel"),
        (("--task", "check", "--lunch", "noon"), 2, "no lunch"),
        (("--task", "check", "--road-speed", "9"), 2, "no speed"),
        (("--task", "check", "--alley-speed", "900mph"), 2, "no speed"),
        (("--task", "check", "--closed", "North 14:30"), 2, "BLOCK until 14:30"),
        (("--task", "check", "--closed", "North until 2027-02-30 14:30"), 2, "BLOCK until 14:30"),
        (("--task", "check", "--closed", "North until 2027-02-16 14:30"), 2, "--date"),
        (("--task", "check", "--stops", "5", "--share", "0.2"), 2, "give one of them"),
        (("--task", "hang", "--stops", "5"), 2, "a sample is for checking"),
        (("--task", "wet", "--panel", "1/2"), 2, "every puddle"),
        (("--task", "check", "--flag", "XYZ0009"), 3, "XYZ0009"),
        (("--task", "check", "--closed", "Nowhere until 9:00"), 3, "North, South"),
        (("--task", "check", "--stops", "5000"), 3, "5000 stops"),
        (("--task", "check", "--done", "missing.csv"), 3, "missing.csv"),
        (("--task", "check", "--start", "23:00", "--date", "2027-02-16"), 3, "No time is left"),
        (("--task", "check", "--date", "9999-12-30", "--days", 2), 2, "the calendar ends"),
        (("--task", "check", "--reload", "4" * 400 + "h"), 2, "no length of time"),
    ],
)  # fmt: skip
def test_wrong_usage_and_wrong_input_are_refused_in_a_sentence(ranch, capsys, arguments, code, words):
    """2 for usage, 3 for what the plan or a file cannot give; nothing is written."""
    found, _out, err = run(capsys, "round", ranch, *arguments)
    assert (found, words in err) == (code, True), err
    assert not list((ranch / "out").glob("round-*")) and "%" not in err


@pytest.mark.parametrize(("when", "is_kept"), [("block", True), ("best", True), ("twice", False)])
def test_a_stop_by_hand_keeps_the_best_round_or_leaves_all_as_it_was(ranch, capsys, monkeypatch, when, is_kept):
    """130: the best so far, or the first that is found, marked; a second stop gives up, and nothing is written."""
    tell = round_module._Watch.tell

    def told(watch, progress, name):
        tell(watch, progress, name)
        for _ in range(2 if when == "twice" else 1):
            wanted = (progress.best is None) == (when == "block")
            if wanted and (not watch.is_asked or when == "twice"):
                signal.raise_signal(signal.SIGINT)

    before = {p.name: p.read_bytes() for p in (ranch / "out").iterdir()}
    handler = signal.getsignal(signal.SIGINT)
    monkeypatch.setattr(round_module._Watch, "tell", told)
    code, _said, err = run(capsys, "round", ranch, "--task", "check", "--crew", 2)
    assert code == 130 and signal.getsignal(signal.SIGINT) is handler
    after = {p.name: p.read_bytes() for p in (ranch / "out").iterdir()}
    assert {n: after.get(n) for n in before} == before
    if is_kept:
        assert sorted(after) == sorted([*before, *round_outputs("check")])
        facts = json.loads(after["round-check.json"])
        jsonschema.validate(facts, SCHEMA)
        assert facts["stopped"] is True and facts["status"] == "complete"
        assert any("stopped by hand" in n for n in facts["notes"]) and "the best so far is kept" in err
    else:
        assert sorted(after) == sorted(before) and "nothing was written" in err


def test_a_long_search_is_told_on_stderr(ranch, capsys, monkeypatch):
    """Where steps take their time, each is told with its number; with --quiet none is."""
    monkeypatch.setattr(console_module, "COUNT_S", 0.0)
    code, _said, err = run(capsys, "round", ranch, "--task", "check", "--crew", 2, "--seed", 3)
    assert code == 0 and "[1/8] the way through North is found" in err and "[8/8] best so far: back at" in err
    assert "[1/" not in run(capsys, "round", ranch, "--task", "check", "-q")[2]


def test_without_its_plan_there_is_no_round(ranch, capsys, tmp_path):
    """No plan yet; a plan of other input; an output that is an input."""
    bare = make_ranch(tmp_path / "bare", "North")
    code, _out, err = run(capsys, "round", bare, "--task", "check")
    assert code == 3 and "Run mudcap plan first" in err and not (bare / "out").exists()
    report, known = ranch / "out" / "report.json", (ranch / "out" / "report.json").read_text("utf-8")
    report.write_text(known.replace('"id": "North"', '"id": "Norte"'), "utf-8")
    code, _out, err = run(capsys, "round", ranch, "--task", "check")
    assert code == 1 and "report.json: is damaged. Run mudcap plan again" in err
    report.write_text(known, "utf-8")
    (ranch / "blocks.geojson").write_text(geojson("North", "South").replace("-120.001,", "-120.00102,"))
    code, _out, err = run(capsys, "round", ranch, "--task", "check")
    assert code == 3 and "Run mudcap plan again" in err


def test_a_plan_that_is_being_written_is_not_read(ranch, capsys):
    """Another run holds the folder: this one waits for nothing and reads nothing."""
    with atomic.locked(ranch / "out"):
        code, _out, err = run(capsys, "round", ranch, "--task", "check")
    assert code == 1 and "another run of mudcap is writing here" in err and "Reading" not in err


@pytest.mark.skipif(os.name == "nt", reason="links need a right of their own there")
def test_a_link_without_an_end_is_told(ranch, capsys, tmp_path):
    """As the ranch and as the folder of the plan."""
    loop = tmp_path / "loop"
    loop.symlink_to(loop)
    code, _out, err = run(capsys, "round", loop, "--task", "check")
    assert code == 3 and "no plan here" in err
    code, _out, err = run(capsys, "round", ranch, "-o", loop, "--task", "check")
    assert code == 1 and "Choose a folder" in err


def test_values_in_their_forms():
    """Durations, speeds, lunch, panels and closings as people write them."""
    assert [Duration().convert(t, None, None) for t in ("6h30", "90 min", "45s")] == [23_400, 5_400, 45]
    assert Speed().convert("5 mph", None, None) == pytest.approx(2.2352)
    assert Lunch().convert("11:30/45min", None, None) == (41_400, 2_700) and Lunch().convert("none", None, None) is None
    assert Panel().convert("2/3", None, None) == (2, 3)
    closed = Closing().convert("North until 40 until 2027-02-16 14:30", None, None)
    assert closed.block_id == "North until 40" and closed.day.isoformat() == "2027-02-16" and closed.time_s == 52_200


@pytest.mark.parametrize(
    ("text", "hour"),
    [("2pm", 14), ("2:30 pm", 14.5), ("2:30PM", 14.5), ("12 am", 0), ("12:15 p.m.", 12.25), ("14:30", 14.5), ("7:05", 7 + 5 / 60)],
)
def test_times_of_day_are_read_as_people_say_them(text, hour):
    """Alone, as lunch, and as the end of a closing."""
    assert Clock().convert(text, None, None) == pytest.approx(3600 * hour)
    assert Lunch().convert(f"{text}/45min", None, None) == (pytest.approx(3600 * hour), 2700)
    for word in ("until", "hasta"):
        closed = Closing().convert(f"bajo pera {word} {text}", None, None)
        assert closed.block_id == "bajo pera" and closed.time_s == pytest.approx(3600 * hour)


@pytest.mark.parametrize("text", ["14", "13pm", "0 am", "2:60 pm", "14:30 pm", "noon"])
def test_what_is_no_time_of_day_is_refused(text):
    """Neither alone nor after a block's name."""
    for kind, word in ((Clock(), text), (Closing(), f"North until {text}")):
        with pytest.raises(click.BadParameter):
            kind.convert(word, None, None)


def test_its_options_are_sentences_and_its_command_is_in_the_readme():
    """Each has help that ends as a sentence or default does; the examples name real options."""
    command = cli.commands.commands["round"]
    options = [p for p in command.params if isinstance(p, click.Option)]
    assert all(p.help and p.help.rstrip().endswith((".", "].")) for p in options)
    assert "mudcap round" in README and re.search(r"^## Rounds$", README, re.M)


def test_a_hard_block_is_told_by_what_is_proven_of_it(capsys, monkeypatch):
    """While it is worked on, with the steps that are done before it; the same is not said twice."""
    monkeypatch.setattr(console_module, "COUNT_S", 0.0)
    watch = round_module._Watch(console_module.Console(is_quiet=False))
    for gap in (0.0341, 0.0339):
        watch.tell(Progress(done=1, total=4, block=1, gap=gap), "North")
    assert capsys.readouterr().err == "[1/4] the way through North: so far within 3.4 % of the quickest\n"
    assert watch.ask()
    assert not watch.ask()


def test_driving_that_is_not_proven_near_is_told(ranch, capsys, monkeypatch):
    """In the note of each block, and nowhere where all is proven."""
    words = "the driving there may take up to 1 min (0.0 %) longer than it must"
    assert run(capsys, "round", ranch, "--task", "check")[0] == 0
    assert "may take up to" not in (ranch / "out" / "round-check.json").read_text(encoding="utf-8")
    monkeypatch.setattr(service_module, "NEAR", -1.0)
    code, _said, err = run(capsys, "round", ranch, "--task", "check")
    notes = json.loads((ranch / "out" / "round-check.json").read_text(encoding="utf-8"))["notes"]
    assert code == 0
    assert [n.split(":")[0] for n in notes if words in n] == ["North", "South"] and f"North: {words}" in err


def test_what_a_stop_by_hand_leaves_unproven_is_told_as_such(ranch, capsys, monkeypatch):
    """No other rows or stops are advised then: it was the stop that left it so."""
    monkeypatch.setattr(service_module, "NEAR", -1.0)
    monkeypatch.setattr(round_module._Watch, "tell", lambda watch, *_told: watch.is_asked or signal.raise_signal(signal.SIGINT))
    code, _said, err = run(capsys, "round", ranch, "--task", "check")
    assert code == 130
    assert err.count("no more was proven by then") == 2 and "leave less in doubt" not in err
