"""The reports: true to the plan, valid by their schema, in the units chosen."""

from __future__ import annotations

import dataclasses
import json
import re
from datetime import date
from importlib import resources

import jsonschema
import pytest

from mudcap.app.plan import farewell
from mudcap.files.conventions import conventions
from mudcap.files.report_json import SCHEMA, plain, report
from mudcap.files.report_text import report_md, rule_text
from mudcap.files.said import repair_text
from mudcap.lang import speaking
from mudcap.orchard.model import Exclusion, Role
from mudcap.place.params import PlaceParams
from mudcap.plan.model import Params
from small_plan import relaxed, two_block_plan, with_fallback


@pytest.fixture(scope="module")
def schema() -> dict:
    """The schema as it is shipped."""
    return json.loads(resources.files("mudcap.files").joinpath("report.schema.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("make", [lambda p: p, relaxed, with_fallback])
def test_reports_are_valid_by_the_shipped_schema(schema, make):
    """Plain, relaxed and fallback plans alike."""
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(json.loads(json.dumps(report(make(two_block_plan())))), schema)


def test_the_schema_would_notice(schema):
    """A missing key, a new key, a wrong status and a nan are refused."""
    good = report(two_block_plan())
    assert schema["properties"]["schema"]["const"] == SCHEMA == good["schema"]
    for spoil in (lambda r: r.pop("acres"), lambda r: r.update(extra=1), lambda r: r["blocks"][0].update(status="fine"),
                  lambda r: r["layers"].pop("mud_sources"), lambda r: r["findings"][0].update(level="odd")):  # fmt: skip
        bad = json.loads(json.dumps(good))
        spoil(bad)
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(bad, schema)


def test_the_keys_that_others_rely_on():
    """Names that stay."""
    r = report(two_block_plan())
    assert {"acres", "findings", "blocks", "puddles", "release", "rounds", "layers"} <= set(r)
    assert {"level", "layer", "feature", "text"} <= set(r["findings"][0])
    assert {
        "id", "status", "acres", "sites", "per_acre", "mean_m", "p95_m", "farthest_m", "yardstick_m", "ratio", "bound_m",
        "trees", "trees_per_site_cv", "clark_evans", "driven_rows",
    } <= set(r["blocks"][0])  # fmt: skip
    assert set(r["layers"]) == {role.value for role in Role}


def test_numbers_are_the_plans_own():
    """Sums over blocks and sites."""
    plan = two_block_plan()
    r = report(plan)
    assert r["acres"] == pytest.approx(sum(b.acres for b in plan.blocks), abs=1e-5)
    assert r["sites"] == len(plan.sites) == sum(b["sites"] for b in r["blocks"])
    assert r["cavities"] == sum(s.cavities for s in plan.sites) == sum(b["cavities"] for b in r["blocks"])
    first = r["blocks"][0]
    assert first["ratio"] == pytest.approx(first["farthest_m"] / first["yardstick_m"], rel=1e-3)
    assert first["per_acre"] == pytest.approx(first["sites"] / first["acres"], abs=1e-3)


def test_one_shelter_is_one():
    """In the sums of the report and in the last lines of the command, in both languages."""
    plan = two_block_plan()
    one = dataclasses.replace(plan, sites=plan.sites[:1], blocks=tuple(dataclasses.replace(b, sites=int(k == 0)) for k, b in enumerate(plan.blocks)))
    assert "\n1 shelter on " in report_md(one) and "\n1 refugio en " in report_md(one, "es")
    with speaking("es"):
        assert farewell(one, [], 0)[0].startswith("1 refugio en 1 bloque en ")
    assert farewell(one, [], 0)[0].startswith("1 shelter in 1 block on ")


@pytest.mark.parametrize("count", [1, 2])
def test_repairs_are_told_in_the_number_that_they_have(count):
    """One corner was, two corners were."""
    for code in ("duplicate_points", "spike", "stray_hole", "sliver", "thinned"):
        assert re.search({1: r"\b(was|lies)\b", 2: r"\b(were|lie)\b"}[count], repair_text(code, count)), code


def test_a_findings_place_is_in_degrees():
    """Where it has one."""
    facts = report(two_block_plan())["findings"]
    assert facts[0]["lon"] is None and -120.01 < facts[1]["lon"] < -120 and 36.99 < facts[1]["lat"] < 37.01


def test_units_on_paper():
    """Feet or metres, never both in one report; acres stay."""
    plan = two_block_plan()
    us = report_md(plan)
    metric = report_md(dataclasses.replace(plan, params=dataclasses.replace(plan.params, units="metric")))
    assert " ft |" in us and " m |" not in us and " m |" in metric and " ft |" not in metric
    assert "9.09 acres" in us and "9.09 acres" in metric
    assert f"{plan.blocks[0].coverage.farthest_m / 0.3048:,.1f} ft" in us
    assert f"{plan.blocks[0].coverage.farthest_m:,.1f} m" in metric


def test_conventions_are_told_as_people_say_lengths():
    """Tenths below ten feet only; a trench's depth in inches or centimetres; long ways in miles."""
    us = {c.what: c.value for c in conventions(Params(), ["almond"])}
    assert us["Clear of a chemical store"] == "98 ft" and us["Clear of keep-outs"] == "9.8 ft"
    assert us["Longest walk from the vehicle"] == "197 ft" and us["A puddle's trench"] == "6.6 ft × 1.6 ft × 4 in"
    metric = {c.what: c.value for c in conventions(Params(units="metric"), ["almond"])}
    assert metric["Clear of a chemical store"] == "30 m" and metric["A puddle's trench"].endswith(" × 10 cm")
    plan = two_block_plan()
    far = dataclasses.replace(plan, blocks=tuple(dataclasses.replace(b, driven_m=14_840.0) for b in plan.blocks))
    assert "| 9.2 mi |" in report_md(far) and "48,68" not in report_md(far)


def test_every_number_used_has_its_source():
    """A source or the words of the house, for each."""
    for convention in conventions(Params(), ["almond", "pear"]):
        assert any(w in convention.source for w in ("no source", "20", "Convention", "Asked for")), convention
    asked = {c.what: c for c in conventions(Params(place=PlaceParams(per_acre=8, per_acre_max=10, farthest_m=13.716)), [])}
    assert asked["Shelters an acre"].value == "8–10" and asked["Wanted farthest tree"].value == "45.0 ft"


def test_sources_and_crops_are_told_in_spanish():
    """Rates, hives and crops too; nothing in English but the names of works and options."""
    for c in conventions(Params(), ["almond", "apple", "cherry"], "es"):
        assert not re.search(r"\b(an acre|practice|almond|apple|other|hives of)\b", c.what + c.value + c.source.replace("in almond", "")), c


def test_findings_come_before_the_tables_and_notes_after():
    """What has to be read first stands first."""
    text = report_md(two_block_plan())
    assert text.index("rows are assumed") < text.index("## Blocks") < text.index("a duplicate vertex")


def test_every_exclusion_rule_has_words():
    """None is shown by its bare name."""
    for rule in Exclusion:
        name = str(rule.name).lower()
        assert rule_text(name, lambda t: f"<{t}>").startswith("<"), name


def test_no_date_leaves_room_to_write_one():
    """Dates come from the plan, never from the clock."""
    plan = two_block_plan(params=Params(ranch="R"))
    assert "____-__-__" in report_md(plan) and report(plan)["date"] is None


def test_plain_values():
    """Dates, enums, nested options and what is no number."""
    assert plain({"a": date(2027, 2, 1), "b": float("inf"), "c": (1, Role.MUD_SOURCES), "d": True}) == {
        "a": "2027-02-01", "b": None, "c": [1, "mud_sources"], "d": True,
    }  # fmt: skip
    assert plain(Params())["place"]["per_acre"] == 9.0
