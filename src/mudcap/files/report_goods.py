"""Bees and goods of a plan: for programs, and for the grower."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from typing import Any

from mudcap.files.numbers import rounded
from mudcap.geo.units import M_PER_FT, Units
from mudcap.plan.model import Plan
from mudcap.supply.kit import assumed_kit
from mudcap.supply.model import BlockBees, Costs, KitUse, SupplyPlan, Trays
from mudcap.supply.names import kit_assumed_text, kit_text, level_text

Word = Callable[[str], str]
Table = Callable[[Sequence[str], Sequence[Sequence[str]]], str]
Escape = Callable[[str], str]


def bees_facts(bees: Sequence[BlockBees]) -> list[dict[str, Any]]:
    """One entry a block, every number with its unit word in the key."""
    return [
        {
            "block": b.block_id, "preset": b.preset, "females_per_acre": rounded(b.rate, 3), "reading": b.reading,
            "source_says": b.said or None, "females_released": b.females, "males_released": b.males,
            "females_nesting": b.nesting_females, "female_cocoons": b.female_cocoons, "male_cocoons": b.male_cocoons,
            "batches": [{"female_cocoons": c.females, "male_cocoons": c.males} for c in b.batches],
            "other_reading": {"females_released": b.other_females, "female_cocoons": b.other_female_cocoons},
            "hives_per_acre": rounded(b.hives_per_acre, 3),
            "hives": None if b.hives_per_acre is None else rounded(b.hives_per_acre * b.acres, 2),
        }
        for b in bees
    ]  # fmt: skip


def supply_facts(plan: Plan) -> dict[str, Any] | None:
    """What the yard must have ready; None where supply was not planned."""
    yard = plan.supply_plan
    if yard is None:
        return None
    first = plan.supply[0]
    return {
        "facing_deg": rounded(first.facing_deg, 2),
        "height_m": rounded(first.height_m, 3),
        "currency": yard.currency,
        "packages": [
            {
                "name": p.name, "kind": p.kind, "lot": p.lot, "cavities": p.cavities, "used": p.used, "stock": p.stock,
                "bought": p.bought, "order_by": _day(p.order_by), "cost": rounded(p.cost, 2), "kept_back": p.kept_back,
            }
            for p in yard.packages
        ],
        "cavities_short": sum(s.short for s in plan.supply),
        "levels": [
            {"name": v.name, "value": rounded(v.value), "bound": rounded(v.bound), "status": v.status} for v in yard.levels
        ],
        "kit": [
            {
                "name": k.name, "unit": k.unit, "needed": rounded(k.needed), "stock": rounded(k.stock),
                "bought": rounded(k.bought), "order_by": _day(k.order_by), "cost": rounded(k.cost, 2),
            }
            for k in yard.kit
        ],
        "loads": [
            {
                "number": load.number, "sites": [plan.sites[i].site_id for i in load.sites], "shelters": load.shelters,
                "litres": rounded(load.litres, 2), "kg": rounded(load.kg, 2), "over": load.over,
            }
            for load in yard.loads
        ],
        "warming": _trays(yard.warming),
        "cold_store": _trays(yard.cold_store),
        "costs": _costs(yard.costs),
        "blocks": [
            {
                "block": block,
                "packages": [{"name": n, "used": used} for n, used in packages],
                "kit": [{"name": n, "needed": rounded(needed), "unit": unit} for n, needed, unit in kit],
                "costs": _costs(costs),
            }
            for (block, packages), (_b, kit), (_c, costs) in zip(
                yard.packages_by_block, yard.kit_by_block, yard.costs_by_block, strict=True
            )
        ],
        "compare": [{"per_acre": d.per_acre, "sites": d.sites, "cost": rounded(d.cost, 2)} for d in yard.compare],
    }  # fmt: skip


def _day(day: date | None) -> str | None:
    return day.isoformat() if day else None


def _trays(trays: Trays | None) -> dict[str, Any] | None:
    if trays is None:
        return None
    return {
        "litres": rounded(trays.litres, 2), "area_m2": rounded(trays.area_m2, 3), "trays": trays.trays,
        "shelves": trays.shelves,
    }  # fmt: skip


def _costs(c: Costs) -> dict[str, Any]:
    names = ("packages", "kit", "cocoons", "work", "total", "per_acre", "per_site", "purchases")
    return {**{n: rounded(getattr(c, n), 2) for n in names}, "without_price": list(c.missing)}


def bees_text(plan: Plan, word: Word, table: Table, escaped: Escape) -> str:
    """The section on bees and cocoons, with both readings of the rate."""
    if not plan.bees:
        return ""
    rows = [
        [
            escaped(b.block_id), f"{b.rate:g} ({_reading(b.reading, word)})", f"{b.females:,}", f"{b.males:,}",
            f"{b.nesting_females:,}", f"{b.female_cocoons:,}", f"{b.male_cocoons:,}",
            _batches(b), f"{b.other_female_cocoons:,}", _hives(b),
        ]
        for b in plan.bees
    ]  # fmt: skip
    rows.append([
        word("All"), "", *(f"{sum(getattr(b, n) for b in plan.bees):,}" for n in ("females", "males", "nesting_females", "female_cocoons", "male_cocoons")),
        "", f"{sum(b.other_female_cocoons for b in plan.bees):,}", "",
    ])  # fmt: skip
    head = [
        word("Block"), word("Females an acre"), word("Females released"), word("Males released"),
        word("Females expected to nest"), word("Female cocoons"), word("Male cocoons"), word("Batches (female + male cocoons)"),
        word("Female cocoons, read the other way"), word("Hives beside them (full / reduced)"),
    ]  # fmt: skip
    s = plan.params.stocking
    note = word(
        "Cocoons to buy or warm are bees released ÷ {emergence:g} expected emergence, with {reserve:.0f} % in reserve; of the "
        "females that emerge, {retention:g} are expected to nest. Some sources do not say whether their rate means females "
        "released or females nesting: the other reading stands beside. Bees released, emerged, nesting and tubes capped are "
        "different numbers; never compare one with another."
    ).format(emergence=s.expected_emergence, reserve=100 * s.reserve, retention=s.retention)
    return f"## {word('Bees and cocoons')}\n\n{note}\n\n{table(head, rows)}"


def _reading(reading: str, word: Word) -> str:
    return word("nesting") if reading == "nesting" else word("released")


def _batches(b: BlockBees) -> str:
    if len(b.batches) == 1:
        return "1"
    return "; ".join(f"{c.females:,} + {c.males:,}" for c in b.batches)


def _hives(b: BlockBees) -> str:
    if b.hives_per_acre is None:
        return "–"
    chosen = f"{b.hives_per_acre * b.acres:.0f}"
    if not b.hives_source or b.hives_full is None or b.hives_reduced is None:
        return chosen
    return f"{b.hives_full * b.acres:.0f} / {b.hives_reduced * b.acres:.0f}"


def goods_text(plan: Plan, word: Word, table: Table, escaped: Escape) -> str:
    """The section on goods: packages, bill of materials, loads, trays, costs; '' where supply was not planned."""
    yard = plan.supply_plan
    if yard is None:
        return ""
    parts = [
        f"## {word('Goods from the yard')}",
        _packages(yard, word, table, escaped),
        _kit(plan, yard, word, table, escaped),
        _loads(plan, yard, word, table),
        _rooms(yard, plan.params.units, word),
        _money(yard, word, table, escaped),
        word(
            "Take care: load no more than the vehicle's plate allows and tie it down; lift with the legs, two to a heavy post; "
            "keep bees and cocoons out of the cab's heat."
        ),
    ]
    return "\n\n".join(p for p in parts if p)


def _packages(yard: SupplyPlan, word: Word, table: Table, escaped: Escape) -> str:
    if not yard.packages:
        return ""
    head = [word("Package"), word("Lot"), word("Cavities each"), word("Go out"), word("On hand"), word("To buy"), word("Order by"), word("Price of these")]
    rows = [
        [escaped(p.name), escaped(p.lot) or "–", str(p.cavities), f"{p.used:,}", f"{p.stock:,}", f"{p.bought:,}",
         _day(p.order_by) or "–", _price(p.cost, escaped(yard.currency))]
        for p in yard.packages
    ]  # fmt: skip
    proof = "; ".join(
        f"{level_text(v.name, word)} {v.value:,.2f}".removesuffix(".00") + ("" if v.status == "optimal" else f" ({word('not proven least')})") for v in yard.levels
    )
    note = word("In this order as few as can be, each proven unless marked: {proof}.").format(proof=proof)
    return f"### {word('Cavities')}\n\n{note}\n\n{table(head, rows)}"


def _kit(plan: Plan, yard: SupplyPlan, word: Word, table: Table, escaped: Escape) -> str:
    head = [word("Thing"), word("Unit"), *(escaped(block) for block, _kit in yard.kit_by_block), word("All"), word("On hand"), word("To buy"), word("Order by"), word("Price of these")]
    rows = []
    for i, k in enumerate(yard.kit):
        each = [f"{kit[i][1]:,g}" for _block, kit in yard.kit_by_block]
        rows.append([escaped(kit_text(k.name, word)), escaped(kit_text(k.unit, word)), *each, *_kit_row(k, escaped(yard.currency))])
    names = assumed_kit(plan.params.supply) if plan.params.supply is not None else ()
    note = kit_assumed_text(names, word) + "\n\n" if names else ""
    return f"### {word('Bill of materials')}\n\n{note}{table(head, rows)}"


def _kit_row(k: KitUse, currency: str) -> list[str]:
    return [f"{k.needed:,g}", f"{k.stock:,g}", f"{k.bought:,g}", _day(k.order_by) or "–", _price(k.cost, currency)]


def _loads(plan: Plan, yard: SupplyPlan, word: Word, table: Table) -> str:
    if not yard.loads:
        return ""
    head = [word("Load"), word("From site"), word("To site"), word("Sites"), word("Shelters"), word("Litres"), "kg"]
    rows = [
        [str(x.number), plan.sites[x.sites[0]].site_id, plan.sites[x.sites[-1]].site_id, str(len(x.sites)), str(x.shelters),
         f"{x.litres:,.0f}" if x.litres else "–", f"{x.kg:,.0f}" if x.kg else "–"]
        for x in yard.loads
    ]  # fmt: skip
    note = word("In hanging order; what is hung last goes on first. Loads are in litres and kilograms.")
    return f"### {word('Vehicle loads')}\n\n{note}\n\n{table(head, rows)}"


def _rooms(yard: SupplyPlan, units: Units, word: Word) -> str:
    if yard.warming is None or yard.cold_store is None:
        return ""
    text = word("Warming the largest batch: {warming}. Cold store, all cocoons at the same depth: {cold}.")
    return f"### {word('Trays')}\n\n" + text.format(
        warming=_room(yard.warming, units, word), cold=_room(yard.cold_store, units, word)
    )


def _room(t: Trays, units: Units, word: Word) -> str:
    area = f"{t.area_m2 / M_PER_FT**2:,.1f} ft²" if units == "us" else f"{t.area_m2:,.2f} m²"
    parts = [word("{litres:,.1f} litres of loose cocoons on {area}").format(litres=t.litres, area=area)]
    if t.trays is not None:
        parts.append(word("trays: {n}").format(n=t.trays))
    if t.shelves is not None:
        parts.append(word("shelves: {n}").format(n=t.shelves))
    return ", ".join(parts)


def _money(yard: SupplyPlan, word: Word, table: Table, escaped: Escape) -> str:
    costs = [(word("All"), yard.costs), *((escaped(b), c) for b, c in yard.costs_by_block)]
    parts = ("packages", "kit", "cocoons", "work", "total", "per_acre", "per_site")
    if all(getattr(yard.costs, n) is None for n in parts):
        return ""
    head = [word("Block"), word("Packages"), word("Kit"), word("Cocoons"), word("Work"), word("Total"), word("An acre"), word("A site")]
    rows = [[name, *(_price(getattr(c, n), escaped(yard.currency)) for n in parts)] for name, c in costs]
    text = f"### {word('Costs')}\n\n" + word("At the prices of the options, whether on hand or bought.")
    if yard.costs.purchases is not None:
        text += " " + word("Packages and kit to buy: {money}.").format(money=_price(yard.costs.purchases, escaped(yard.currency)))
    if yard.costs.missing:
        text += " " + word("No price is given for: {names}; sums that need one are left out.").format(
            names=", ".join(escaped(n) for n in yard.costs.missing)
        )
    return f"{text}\n\n{table(head, rows)}" + _change(yard, word, escaped)


def _change(yard: SupplyPlan, word: Word, escaped: Escape) -> str:
    if len(yard.compare) != 2:
        return ""
    low, high = yard.compare
    if low.cost is None or high.cost is None:
        return ""
    return "\n\n" + word(
        "From {low:g} to {high:g} sites an acre ({low_sites:,} to {high_sites:,} sites, the same cavities shared evenly) packages, kit "
        "and work cost {high_cost} instead of {low_cost}, a change of {change}."
    ).format(
        low=low.per_acre, high=high.per_acre, low_sites=low.sites, high_sites=high.sites,
        change=_price(high.cost - low.cost, escaped(yard.currency)), low_cost=_price(low.cost, escaped(yard.currency)),
        high_cost=_price(high.cost, escaped(yard.currency)),
    )  # fmt: skip


def _price(value: float | None, currency: str) -> str:
    if value is None:
        return "–"
    space = " " if currency[-1:].isalpha() else ""
    return f"{currency}{space}{value:,.2f}"
