"""Goods in a plan: nothing where nothing is asked for, and all of it reported where it is."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from importlib import resources
from types import SimpleNamespace

import jsonschema

from mudcap.files.report_json import report
from mudcap.files.report_text import report_md
from mudcap.lang import in_language, speaking
from mudcap.plan.goods import _mixed, with_goods
from mudcap.plan.model import Plan
from mudcap.supply.params import KitParams, PackageParams, SupplyParams
from small_plan import two_block_plan

GOODS = SupplyParams(
    packages=(
        PackageParams(name="bundle | 20", cavities=20, cost=4.0, stock=30, buyable=True, lead_days=30),
        PackageParams(name="old reed", kind="reed", cavities=25, stock=9, from_block="Creek"),
    ),
    kit=(KitParams(name="shelter", cost=12.0, stock=4),),
    needed_by=date(2027, 2, 10),
    load_shelters=10,
    load_kg=100.0,
    female_cocoon_ml=0.5,
    male_cocoon_ml=0.3,
    currency="$",
)


def made(supply: SupplyParams | None, **changes: object) -> Plan:
    plan = two_block_plan()
    return with_goods(replace(plan, params=replace(plan.params, supply=supply), **changes))


def test_without_a_supply_table_only_bees_are_counted():
    """No goods, no loads, no finding."""
    plan = made(None)
    assert plan.supply == () and plan.supply_plan is None
    assert [f.code for f in plan.findings] == [f.code for f in two_block_plan().findings]
    assert [b.block_id for b in plan.bees] == ["North 40", "Creek"]
    facts = report(plan)
    assert facts["supply"] is None and facts["bees"][0]["female_cocoons"] > facts["bees"][0]["females_released"]


def test_goods_are_in_both_reports():
    """Valid by the schema; sums by block equal the ranch's; the grower's text names what to buy and what stays."""
    plan = made(GOODS)
    schema = json.loads(resources.files("mudcap.files").joinpath("report.schema.json").read_text(encoding="utf-8"))
    facts = json.loads(json.dumps(report(plan)))
    jsonschema.validate(facts, schema)
    supply = facts["supply"]
    for k, line in enumerate(supply["kit"]):
        assert sum(b["kit"][k]["needed"] for b in supply["blocks"]) == line["needed"]
    assert [len(load["sites"]) for load in supply["loads"]] == [10, 10, 10, 6]
    assert all(s.cavities >= t.cavities for s, t in zip(plan.supply, plan.sites, strict=True))
    text = report_md(plan)
    assert "## Goods from the yard" in text and "bundle \\| 20" in text and "litres of loose cocoons" in text


def test_what_a_grower_has_to_know_is_told():
    """A dirty lot, an order that is late, and loads by weight though nothing says its weight."""
    codes = {f.code for f in made(GOODS).findings}
    assert {"lot_kept_back", "order_late", "to_buy", "load_not_known"} <= codes


def test_kit_that_nobody_named_is_told_as_assumed():
    """With how to leave it out; what is named with each = 0 is in no bill and needs no price."""
    plan = made(GOODS)
    (said,) = (f for f in plan.findings if f.code == "kit_assumed")
    named = {k.name for k in GOODS.kit}
    rest = [n for n in ("shelter", "awning", "post", "anchor", "wire", "label") if n not in named]
    assert ": " + ", ".join(rest) + ". What" in said.text and "each = 0" in said.text and said.text in report_md(plan)
    bare = made(replace(GOODS, kit=(*GOODS.kit, *(KitParams(name=n, each=0.0) for n in rest))))
    assert "kit_assumed" not in {f.code for f in bare.findings} and {k.name for k in bare.supply_plan.kit} == named
    assert not set(rest) & set(bare.supply_plan.costs.missing)


def test_what_to_buy_and_by_when_knows_its_spanish():
    """Said in both languages; a thing of the standard kit has its Spanish name, steps of the choice have words."""
    with speaking("both"):
        told = {f.code: f.text for f in made(GOODS).findings}
        unproven = _mixed(SimpleNamespace(levels=[SimpleNamespace(name=n, value=1.0, status="feasible") for n in ("surplus", "cost")]))
    assert "32 × shelter" in told["to_buy"] and "(order by 2027-01-11)" in told["order_late"]
    assert "32 × refugio" in in_language(told["to_buy"], "es") and "(pedir antes del 2027-01-11)" in in_language(told["order_late"], "es")
    assert unproven[0].text.endswith(": cavities beyond the need, money for what is bought.")
    assert "surplus" not in in_language(unproven[0].text, "es") and "money" not in in_language(unproven[0].text, "es")


def test_a_shortage_is_a_warning():
    """Nothing for sale."""
    short = replace(GOODS, packages=(replace(GOODS.packages[0], buyable=False),))
    plan = made(short)
    assert any(f.code == "cavities_short" and f.level == "warning" for f in plan.findings)
    assert sum(s.short for s in plan.supply) == sum(s.cavities for s in plan.sites) - 600


def test_a_plan_beyond_the_magnetic_model_says_so():
    """True bearings stay."""
    plan = two_block_plan()
    later = replace(plan, params=replace(plan.params, supply=SupplyParams(), plan_date=date(2035, 1, 1)))
    goods = with_goods(later)
    assert goods.supply[0].facing_deg == 135.0 and goods.supply[0].facing_magnetic_deg is None
    assert "no_declination" in {f.code for f in goods.findings}
