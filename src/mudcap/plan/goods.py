"""Supply of a plan: cocoons by block, what each site takes, what the yard must have ready, and what is to be said of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

from mudcap.lang import _, _n, joined
from mudcap.orchard.model import Finding
from mudcap.plan.model import Params, Plan
from mudcap.supply.bees import block_bees
from mudcap.supply.kit import assumed_kit
from mudcap.supply.model import KitUse, PackageUse, SiteSupply, SupplyPlan
from mudcap.supply.names import kit_assumed_text, kit_text, level_text
from mudcap.supply.params import SupplyParams


def with_goods(plan: Plan) -> Plan:
    """The plan with its bees, and with goods where the options name any ([supply])."""
    crop = {b.block_id: b.crop for b in plan.orchard.blocks}
    bees = tuple(
        block_bees(
            block_id=b.block_id, crop=crop[b.block_id], acres=b.acres, females=b.females, males=b.males,
            params=plan.params.stocking,
        )
        for b in plan.blocks
        if b.sites
    )  # fmt: skip
    if plan.params.supply is None or not plan.sites:
        return replace(plan, bees=bees)
    # packages load an integer programme, a compass its model
    from mudcap.supply.make import SiteNeed, plan_supply

    needs = [SiteNeed(block_id=s.block_id, cavities=s.cavities, lon=s.lon, lat=s.lat) for s in plan.sites]
    supply, yard = plan_supply(needs, bees, plan.params.supply, plan.params.plan_date)
    said = goods_findings(supply, yard, plan.params.supply, plan.params)
    return replace(plan, bees=bees, supply=supply, supply_plan=yard, findings=(*plan.findings, *said))


def goods_findings(
    supply: Sequence[SiteSupply], yard: SupplyPlan, options: SupplyParams, params: Params
) -> tuple[Finding, ...]:
    """What a grower has to know of the goods before the truck is loaded."""
    said = [_short(supply)] if any(s.short for s in supply) else []
    said += [_note("lot_kept_back", "warning", p.kept_back) for p in yard.packages if p.kept_back]
    said += _to_buy(yard, options, params)
    said += _assumed(options)
    said += _mixed(yard)
    if supply and supply[0].facing_deg is not None and supply[0].facing_magnetic_deg is None and params.plan_date:
        text = _("No magnetic bearings are given: the World Magnetic Model at hand does not reach {day}.")
        said.append(_note("no_declination", "warning", text.format(day=params.plan_date.isoformat())))
    for wanted, without, what in (
        (options.load_l, yard.without_volume, "volume_l"),
        (options.load_kg, yard.without_mass, "mass_kg"),
    ):
        if wanted is not None and without:
            text = _("Loads are limited, yet no {what} is given for these, so they count nothing: {names}.")
            said.append(_note("load_not_known", "warning", text.format(what=what, names=", ".join(without))))
    over = [load.number for load in yard.loads if load.over]
    if over:
        text = _("A single site is more than the vehicle takes: loads {loads}. Take its goods out in several trips.")
        said.append(_note("load_too_large", "warning", text.format(loads=", ".join(map(str, over)))))
    return tuple(said)


def _short(supply: Sequence[SiteSupply]) -> Finding:
    count = sum(s.short > 0 for s in supply)
    text = _n(
        "{n} site lacks {cavities:,} cavities: what is on hand and clean does not suffice, and no package is marked as buyable. Add one "
        "to [supply.packages].",
        "{n} sites lack {cavities:,} cavities in all: what is on hand and clean does not suffice, and no package is marked as "
        "buyable. Add one to [supply.packages].",
        count,
    ).format(n=count, cavities=sum(s.short for s in supply))
    return _note("cavities_short", "warning", text)


def _to_buy(yard: SupplyPlan, options: SupplyParams, params: Params) -> list[Finding]:
    """What has to be bought of the goods that the options name, and what should have been ordered before this plan."""
    named = {k.name for k in options.kit}
    lines: list[PackageUse | KitUse] = [*(p for p in yard.packages if p.bought), *(k for k in yard.kit if k.bought and k.name in named)]
    late = [x for x in lines if x.order_by is not None and params.plan_date is not None and x.order_by < params.plan_date]
    said = []
    if lines:
        text = _("To buy: {goods}.").format(goods=_goods(lines))
        said.append(_note("to_buy", "note", text))
    if late:
        text = _("These should have been ordered before the day of this plan: {goods}.").format(goods=_goods(late))
        said.append(_note("order_late", "warning", text))
    return said


def _assumed(options: SupplyParams) -> list[Finding]:
    """The kit that stands in the bill although the options do not name it."""
    names = assumed_kit(options)
    return [_note("kit_assumed", "note", kit_assumed_text(names, _))] if names else []


def _goods(lines: Sequence[PackageUse | KitUse]) -> str:
    return joined(", ", [f"{x.bought:,.10g} × " + kit_text(x.name, _) + _order_text(x.order_by) for x in lines])


def _order_text(day: date | None) -> str:
    return " (" + _("order by {day}").format(day=day.isoformat()) + ")" if day else ""


def _mixed(yard: SupplyPlan) -> list[Finding]:
    said = []
    mixed = next((v for v in yard.levels if v.name == "mixed"), None)
    if mixed is not None and mixed.value:
        text = _n(
            "{n} site gets cavities of more than one material, since no single one suffices.",
            "{n} sites get cavities of more than one material, since no single one suffices.",
            mixed.value,
        )
        said.append(_note("mixed_material", "note", text.format(n=int(mixed.value))))
    open_levels = [v for v in yard.levels if v.status != "optimal"]
    if open_levels:
        text = _("The choice of packages is not proven to be the best in: {levels}.")
        said.append(_note("packages_not_proven", "note", text.format(levels=joined(", ", [level_text(v.name, _) for v in open_levels]))))
    return said


def _note(code: str, level: str, text: str) -> Finding:
    return Finding(level="warning" if level != "note" else "note", code=code, layer="", feature="", text=text)
