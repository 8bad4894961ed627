"""A round as JSON and GPX, and the log it starts from."""

from __future__ import annotations

import json
import re
from datetime import date
from importlib import resources
from itertools import pairwise

import gpxpy
import jsonschema
import pytest
from defusedxml import ElementTree

from mudcap.errors import InputError
from mudcap.files.outputs import OUTPUTS, round_outputs
from mudcap.files.round_gpx import round_gpx
from mudcap.files.round_json import round_facts, round_json
from mudcap.files.round_log import read_log
from mudcap.plan.round_make import make_round
from mudcap.plan.round_model import Closed, Entry, RoundOptions, SampleOptions
from round_plans import every_third, plan_at, three_blocks

SCHEMA = json.loads((resources.files("mudcap.files") / "round.schema.json").read_text("utf-8"))
BLOCKS = ("West", "Mid", "East")


@pytest.fixture(scope="module")
def plan():
    """Three blocks with sixty sites."""
    return plan_at(three_blocks(), [s for b in BLOCKS for s in every_third(b)])


@pytest.fixture(scope="module")
def made(plan):
    """Two crews, two short days, one block closed at first."""
    return make_round(plan, RoundOptions(
        task="fetch", num_crews=2, num_days=2, day_s=1700.0, capacity=15, reload_s=60.0, first_day=date(2027, 4, 5),
        zone_h=-7, closed=(Closed(block_id="Mid", opens_s=7.2 * 3600),), lunch_s=None,
    ))  # fmt: skip


@pytest.mark.parametrize(
    "options",
    [
        RoundOptions(task="fetch", day_s=1200.0, lunch_s=None),
        RoundOptions(task="check", sample=SampleOptions(stops=12), first_day=date(2027, 2, 16)),
        RoundOptions(task="hang", num_crews=2, lunch_s=7 * 3600 + 300.0),
    ],
)
def test_it_keeps_its_schema(plan, options):
    """Draft 2020-12, nothing more and nothing less; no number that JSON does not know."""
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    made = make_round(plan, options)
    text = round_json(plan, made)
    jsonschema.validate(json.loads(text), SCHEMA)
    assert json.loads(text)["status"] == ("incomplete" if made.left else "complete")
    assert round_json(plan, make_round(plan, options)) == text


def test_the_schema_would_tell(plan, made):
    """A key more, a key less, a clock that is none."""
    for spoil in (lambda f: f.update(more=1), lambda f: f.pop("days"), lambda f: f["days"][0]["legs"][1].update(kind="fly")):
        facts = json.loads(round_json(plan, made))
        spoil(facts)
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(facts, SCHEMA)


def test_json_proves_that_no_site_is_left_behind(plan, made):
    """Stops and what is not visited are all sites of the plan; posts and anchors are told for each."""
    facts = round_facts(plan, made)
    stops = [s["name"] for d in facts["days"] for leg in d["legs"] for s in leg["stops"]]
    everything = sorted(s.site_id for s in plan.sites)
    assert sorted(stops + [n["name"] for n in facts["not_visited"]]) == everything
    assert sorted(h["name"] for h in facts["hardware"]) == everything
    assert facts["stops"] == len(stops) and any("shaker" in c for c in facts["cautions"])


def test_gpx_keeps_the_order_of_the_standard_and_short_names(plan, made):
    """GPX 1.1: metadata, wpt, rte, trk in this order; names unique, at most ten letters; a route and a track each day."""
    text = round_gpx(plan, made)
    root = ElementTree.fromstring(text)
    tags = [re.sub(r"\{.*\}", "", child.tag) for child in root]
    ranks = [("metadata", "wpt", "rte", "trk").index(t) for t in tags]
    assert ranks == sorted(ranks) and root.attrib["version"] == "1.1"
    gpx = gpxpy.parse(text)
    assert len(gpx.routes) == len(gpx.tracks) == len(made.days) >= 3
    names = [r.name for r in gpx.routes] + [t.name for t in gpx.tracks] + [p.name for r in gpx.routes for p in r.points]
    assert len(set(names)) == len(names) and max(map(len, names)) <= 10
    for route, track, day in zip(gpx.routes, gpx.tracks, made.days, strict=True):
        assert [p.name for p in route.points] == [s.visit.name for s in day.stops]
        assert track.length_2d() == pytest.approx(day.metres, rel=0.01)
        stop = day.stops[0]
        assert re.fullmatch(rf"1: R{stop.visit.row} T{stop.visit.tree} (left|right) \d\d:\d\d", route.points[0].comment)
        assert (route.points[0].latitude, route.points[0].longitude) == pytest.approx(stop.visit.lonlat[::-1], abs=1e-6)
    assert "time" not in tags and all(a != b for a, b in pairwise(names))


def test_names_of_outputs_are_fixed_and_their_own():
    """No task's files meet another's or the plan's."""
    names = [n for task in ("hang", "check", "wet", "fetch") for n in round_outputs(task)]
    assert len(set(names)) == 20 and not set(names) & set(OUTPUTS)


@pytest.mark.parametrize(("column", "state"), [("done", ""), ("hecho", ""), ("Checked", "checked"), ("hung", "hung"), ("revisado", "checked")])
def test_an_empty_cell_in_a_column_of_ticks_is_not_done(tmp_path, column, state):
    """A list of sites with a column to tick: what is ticked is done, the rest is not; other columns say nothing."""
    path = tmp_path / "ticks.csv"
    path.write_text(f"site_id,block,{column},note\nWES0001,West,x,\nWES0002,West,,late\nWES0003,West,no,\nWES0004,West,sí,\n", "utf-8")
    assert [(e.name, e.state) for e in read_log(path)] == [("WES0001", state), ("WES0004", state)]


def test_an_entry_knows_where_it_stands(tmp_path):
    """Line and column of the name as the file calls it, for messages."""
    path = tmp_path / "log.csv"
    path.write_text("Site name;hung\nWES0001;x\nWES0002;\nWES0003;x\n")
    assert [e.source for e in read_log(path)] == ["log.csv, line 2, Site name", "log.csv, line 4, Site name"]


def test_a_log_is_read_in_its_usual_dresses(tmp_path):
    """Columns by any usual name and order, English or Spanish words, ISO times or hours, semicolons; a `no` or an empty state is no entry."""
    path = tmp_path / "log.csv"
    path.write_text(
        "\ufeffState;Site ID;When;Note;By\nchecked;WES0001;2027-02-16T09:30:12;ok;B\nFallen;WES0002;2027-02-16;on the ground\n"
        "revisado;WES0003;9:05;\n;WES0004;;\nno;WES0005;;\n\n"
    )
    assert read_log(path) == (
        Entry(name="WES0001", state="checked", day=date(2027, 2, 16), time_s=9.5 * 3600, note="ok", crew="B"),
        Entry(name="WES0002", state="flagged", day=date(2027, 2, 16), note="on the ground"),
        Entry(name="WES0003", state="checked", time_s=9 * 3600 + 300.0),
    )  # fmt: skip
    path.write_text("site\nWES0001\n")
    assert read_log(path) == (Entry(name="WES0001", state=""),)
    path.write_text("site_id,time,date\nA1,9:05,2027-02-16\nB1,2027-02-17 10:00,2027-02-16\nC1,,2027-02-16\nD1,9:05,\n")
    assert [(e.day and e.day.day, e.time_s) for e in read_log(path)] == [(16, 32_700.0), (17, 36_000.0), (16, None), (None, 32_700.0)]


def test_a_log_that_a_spreadsheet_saved_has_halves_of_the_day_and_crews_written_out(tmp_path):
    """'7:12 AM' and 'Crew A' as people type them; noon and midnight are 12; a half and an hour that do not agree are no time."""
    path = tmp_path / "log.csv"
    path.write_text(
        "site,time,crew\nA1,7:12 AM,Crew A\nB1,1:05:00 pm,crew b\nC1,12:00 p. m.,Cuadrilla A\nD1,2027-02-16 12:30 am,Crew Anna\nE1,13:05,C\n"
    )
    assert [(e.time_s, e.crew) for e in read_log(path)] == [
        (25_920.0, "A"), (47_100.0, "b"), (43_200.0, "A"), (1_800.0, "Crew Anna"), (47_100.0, "C")
    ]  # fmt: skip
    path.write_text("site,time\nA1,13:05 PM\n")
    with pytest.raises(InputError, match="13:05 PM"):
        read_log(path)


def test_times_of_utc_are_marked_and_become_those_of_the_place(tmp_path):
    """`Z` and an offset of nothing; other offsets are what a phone's clock showed there. Early in UTC is the evening before."""
    path = tmp_path / "log.csv"
    path.write_text(
        "site,time\nA1,2027-02-16T17:30:00Z\nB1,2027-02-16T17:30+00:00\nC1,2027-02-16T09:30-08:00\nD1,09:30\nE1,2027-02-16T03:00Z\n"
    )
    log = read_log(path)
    assert [e.is_utc for e in log] == [True, True, False, False, True]
    assert [(e.in_zone(-8.0).day, e.in_zone(-8.0).time_s) for e in log] == [
        (date(2027, 2, 16), 34_200.0), (date(2027, 2, 16), 34_200.0), (date(2027, 2, 16), 34_200.0), (None, 34_200.0),
        (date(2027, 2, 15), 68_400.0),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("tree,state\n1,checked\n", "no column of sites"),
        ("site,state\nA1,polished\n", "line 2: 'polished' is no state"),
        ("site,state,time\nA1,checked,noonish\nB1,checked,2027-02-31\n", "(?s)line 2: 'noonish'.*line 3: '2027-02-31'"),
        ("site,state\n,checked\n", "line 2: no site"),
        ("site,state\n\x00,checked\n", "zero bytes"),
    ],
)
def test_a_log_that_cannot_be_read_names_its_lines(tmp_path, text, words):
    """Every bad line at once."""
    path = tmp_path / "log.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=words):
        read_log(path)


def test_the_maps_own_file_of_checks_is_a_log(tmp_path):
    """Checked is done; not reached is not; not found or damaged is flagged for the next round; other files are refused."""
    def check(site, state, **more):
        facts = {"site": site, "at": "2027-02-16T09:30:00-08:00", "by": "A", "state": state, "capped": None, "predators": [],
                 "damage": [], "note": ""}  # fmt: skip
        return facts | more

    checks = [check("WES0001", "checked"), check("WES0002", "not_reached"), check("WES0003", "not_found"),
              check("WES0004", "hung", damage=["loose"])]  # fmt: skip
    facts = {"schema": "mudcap.checks/1", "plan": "0badcafe", "ranch": "R", "crew": "A", "written": "2027-02-16T12:00:00-08:00",
             "checks": checks}  # fmt: skip
    schema = json.loads((resources.files("mudcap.files") / "checks.schema.json").read_text("utf-8"))
    jsonschema.validate(facts, schema)
    path = tmp_path / "checks.json"
    path.write_text(json.dumps(facts))
    assert [(e.name, e.state) for e in read_log(path)] == [
        ("WES0001", "checked"), ("WES0002", "planned"), ("WES0003", "checked"), ("WES0003", "flagged"), ("WES0004", "hung"),
        ("WES0004", "flagged"),
    ]  # fmt: skip
    assert read_log(path)[0].crew == "A" and read_log(path)[0].day == date(2027, 2, 16) and read_log(path)[0].time_s == 9.5 * 3600
    for spoiled in ("{", "[]", json.dumps(facts | {"schema": "other/1"}), json.dumps(facts | {"checks": [{"site": 1}]})):
        path.write_text(spoiled)
        with pytest.raises(InputError, match=r"checks\.json"):
            read_log(path)
