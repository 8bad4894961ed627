"""The pick-list for programs."""

from __future__ import annotations

import json
from typing import Any, Final

from mudcap.files.numbers import rounded
from mudcap.files.spreadsheet import site_notes
from mudcap.plan.model import Plan
from mudcap.plan.picking import Pick, Sums, Want, by_block, by_load, has_loads, picks, sums, wants

SCHEMA: Final = "mudcap.picklist/1"


def picklist_json(plan: Plan, lang: str = "en") -> str:
    """Loads, sites in picking order and sums by block and ranch; `loads` is empty where no loads are planned."""
    found, notes = picks(plan), site_notes(plan, lang)
    facts = {
        "schema": SCHEMA,
        "plan": plan.number,
        "ranch": plan.params.ranch or plan.orchard.name,
        "date": plan.params.plan_date.isoformat() if plan.params.plan_date else None,
        "loads": [
            {"load": load, "sites": [p.site_id for p in own], "bring": _bring(wants(own, plan.params.supply, str)),
             "total": _total(sums(own))} for load, own in by_load(found) if load
        ] if has_loads(found) else [],
        "sites": [_site(p, notes[p.site_id]) for p in found],
        "blocks": [{"block": name, "total": _total(sums(own))} for name, own in by_block(found)],
        "total": _total(sums(found)),
    }  # fmt: skip
    return json.dumps(facts, ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def _bring(things: tuple[Want, ...]) -> list[dict[str, Any]]:
    return [{"thing": w.name, "amount": w.amount, "unit": w.unit or "piece"} for w in things]


def _packages(packages: tuple[tuple[str, int], ...]) -> list[dict[str, Any]]:
    return [{"package": name, "count": count} for name, count in packages]


def _total(total: Sums) -> dict[str, Any]:
    return {
        "sites": total.sites, "shelters": total.shelters, "cavities": total.cavities, "females": total.females, "males": total.males,
        "packages": _packages(total.packages),
    }  # fmt: skip


def _site(pick: Pick, note: str) -> dict[str, Any]:
    return {
        "site_id": pick.site_id, "block": pick.block_id, "number": pick.number, "row": pick.row, "tree": pick.tree,
        "address": pick.address, "lon": round(pick.lon, 7), "lat": round(pick.lat, 7), "cavities": pick.cavities,
        "females": pick.females, "males": pick.males, "packages": _packages(pick.packages),
        "facing_deg": rounded(pick.facing_deg, 1), "compass_deg": rounded(pick.compass_deg, 1),
        "load": pick.load or None, "place_in_load": pick.place_in_load or None, "shelters": pick.shelters, "packed_cavities": pick.packed,
        "short_cavities": pick.short, "note": note,
    }  # fmt: skip
