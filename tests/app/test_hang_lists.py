"""The pick-list of a hanging round: goods of the plan, loads cut where the round goes back to the yard, last off first on."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import pytest
from openpyxl import load_workbook
from small_ranch import make_ranch

from mudcap.app import cli, runner
from mudcap.files.layers import read_orchard
from mudcap.files.lonlat import ReadOptions
from mudcap.files.outputs import HANG_LISTS
from mudcap.files.ranch import open_ranch
from mudcap.files.saved import read_saved
from mudcap.files.store import read_codes
from mudcap.plan.goods import with_goods
from mudcap.plan.reopen import reopen_plan

GOODS = """
[supply]
load_shelters = 9
load_kg = 40
[[supply.packages]]
name = "Tubes 50"
cavities = 50
stock = 20
buyable = true
volume_l = 1.8
mass_kg = 0.55
[[supply.packages]]
name = "Blöck 12"
kind = "laminate"
cavities = 12
stock = 60
mass_kg = 1.1
[[supply.kit]]
name = "shelter"
volume_l = 19.0
mass_kg = 3.1
[[supply.kit]]
name = "wire"
each = 1.2
unit = "m"
mass_kg = 0.03
"""


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    """Two planned blocks with goods in the yard."""
    ranch = make_ranch(tmp_path_factory.mktemp("goods") / "ranch", "North", "South", toml=GOODS)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(runner, "SOLVER", "solvers:good")
        assert cli.run(["plan", str(ranch), "-q", "--quick"]) == 0
    return ranch


@pytest.fixture
def ranch(planned, tmp_path):
    """A copy of them for one test."""
    return Path(shutil.copytree(planned, tmp_path / "ranch"))


def run(capsys, *arguments: object) -> tuple[int, str, str]:
    code = cli.run([str(a) for a in arguments])
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    return code, out, err


def facts(ranch: Path, name: str):
    return json.loads((ranch / "out" / name).read_text(encoding="utf-8"))


def trips(ranch: Path) -> list[list[str]]:
    """Sites by load in the order in which they are hung, from the round's own file."""
    out: list[list[str]] = []
    for day in facts(ranch, "round-hang.json")["days"]:
        out.append([])
        for leg in day["legs"]:
            if leg["kind"] == "reload":
                out.append([])
            out[-1] += [s["name"] for s in leg["stops"]]
    return out


def test_a_reopened_plan_knows_what_each_site_takes(planned):
    """Packages, loads, facing, litres and kilograms are those that packing the same goods again gives."""
    spec, out = open_ranch(planned), planned / "out"
    options = ReadOptions(codes=read_codes(out / "plan.gpkg"))
    orchard, _findings = read_orchard(spec, options=options, progress=lambda text: None)
    plan = reopen_plan(read_saved(out), orchard)
    packed = with_goods(plan)
    assert len(plan.supply) == len(plan.sites) > 20 and plan.supply == packed.supply
    assert {name for s in plan.supply for name, _n in s.packages} == {"Tubes 50", "Blöck 12"}


@pytest.mark.parametrize("options", [(), ("--crew", 2, "--days", 2, "--day", "2h"), ("--capacity", 4, "--reload", "0s")])
def test_loads_end_where_the_round_goes_back_to_the_yard(ranch, capsys, options):
    """Each trip of each crew's day is one load, in visiting order, last off first on; no limit is passed; all add up."""
    code, said, _err = run(capsys, "round", ranch, "--task", "hang", "--no-daylight", *options)
    assert code == 0 and all(str(ranch / "out" / name) in said for name in HANG_LISTS)
    hang, plan = facts(ranch, "picklist-hang.json"), facts(ranch, "picklist.json")
    assert [load["sites"][::-1] for load in hang["loads"]] == trips(ranch) and len(hang["loads"]) > 3
    assert [load["load"] for load in hang["loads"]] == list(range(1, len(hang["loads"]) + 1))
    most = 4 if "--capacity" in options else 9
    for load in hang["loads"]:
        assert load["total"]["shelters"] <= most and load["kg"] <= 40 + 1e-6 and not load["over"]
    sites = [s["site_id"] for s in hang["sites"]]
    assert sorted(sites) == sorted(s["site_id"] for s in plan["sites"]) and len(set(sites)) == len(sites)
    for key in ("sites", "shelters", "cavities", "females", "males"):
        assert sum(load["total"][key] for load in hang["loads"]) == hang["total"][key] == plan["total"][key]
    packed: dict[str, int] = {}
    for load in hang["loads"]:
        for package in load["total"]["packages"]:
            packed[package["package"]] = packed.get(package["package"], 0) + package["count"]
    assert packed == {p["package"]: p["count"] for p in plan["total"]["packages"]}
    days = {d["crew"] + str(d["day"]) for d in facts(ranch, "round-hang.json")["days"]}
    assert {load["crew"] + str(load["day"]) for load in hang["loads"]} == days


def test_table_and_workbook_say_the_same_and_come_back(ranch, capsys, tmp_path):
    """CSV and XLSX list the JSON's sites in its order, with crew, day and load; ticked, they agree with the plan."""
    assert run(capsys, "round", ranch, "--task", "hang", "--crew", 2, "--no-daylight")[0] == 0
    out, hang = ranch / "out", facts(ranch, "picklist-hang.json")
    rows = list(csv.DictReader((out / "picklist-hang.csv").read_text(encoding="utf-8").splitlines()))
    own = [r for r in rows if r["line"] == "site"]
    told = [(s["site_id"], s["crew"], str(s["day"]), str(s["load"]), str(s["place_in_load"])) for s in hang["sites"]]
    assert [(r["site_id"], r["crew"], r["day"], r["load"], r["place_in_load"]) for r in own] == told
    totals = [r for r in rows if r["line"] == "load total"]
    assert [(r["crew"], r["load"], int(r["cavities"])) for r in totals] == [
        (load["crew"], str(load["load"]), load["total"]["cavities"]) for load in hang["loads"]
    ]
    book = load_workbook(out / "picklist-hang.xlsx")
    sheet = book.worksheets[0]
    heads = [c.value for c in sheet[1]]
    at = heads.index("Site") + 1
    names = [sheet.cell(r, at).value for r in range(2, sheet.max_row + 1)]
    assert heads[:3] == ["Crew", "Day", "Load"] and [n for n in names if n] == [s["site_id"] for s in hang["sites"]]
    for row in range(2, sheet.max_row + 1):
        if sheet.cell(row, at).value:
            for head in ("Hung", "Stocked"):
                sheet.cell(row, heads.index(head) + 1).value = "☑"
    book.save(tmp_path / "back.xlsx")
    code, said, _err = run(capsys, "picked", tmp_path / "back.xlsx", ranch)
    assert code == 0 and "Differences: 0." in said


def test_what_is_hung_is_not_packed_and_what_is_left_stays(ranch, capsys, tmp_path):
    """Sites of the log stand nowhere; what no crew has time for stands last, with its goods in the total but on no load."""
    ids = [s["site_id"] for s in facts(ranch, "picklist.json")["sites"]]
    (tmp_path / "done.csv").write_text("site_id,state\n" + "".join(f"{i},hung\n" for i in ids[:5]))
    code, _said, _err = run(capsys, "round", ranch, "--task", "hang", "--done", tmp_path / "done.csv", "--day", "40min")
    hang = facts(ranch, "picklist-hang.json")
    left = [n["site"] for n in hang["left"]]
    assert code == 4 and left and hang["done"] == 5
    assert [s["site_id"] for s in hang["sites"] if s["load"] is None] == left == [s["site_id"] for s in hang["sites"]][-len(left):]
    carried = [i for load in hang["loads"] for i in load["sites"]]
    assert sorted(carried + left) == sorted(ids[5:])
    assert (ranch / "out" / "picklist-hang.pdf").read_bytes().startswith(b"%PDF")


def test_in_two_languages(ranch, capsys):
    """The lists for people once more in Spanish; a run in English takes them away again."""
    assert run(capsys, "round", ranch, "--task", "hang", "--lang", "both")[0] == 0
    out = ranch / "out"
    heads = [c.value for c in load_workbook(out / "picklist-hang.es.xlsx").worksheets[0][1]]
    assert heads[:3] == ["Cuadrilla", "Día", "Carga"] and (out / "picklist-hang.es.pdf").exists()
    assert run(capsys, "round", ranch, "--task", "hang")[0] == 0
    assert not (out / "picklist-hang.es.pdf").exists() and (out / "picklist-hang.pdf").exists()
