"""The pick-list for programs, of the plan (`picklist.json`) and of a hanging round (`picklist-hang.json`)."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any, Final

from mudcap.files.numbers import rounded
from mudcap.files.spreadsheet import site_notes
from mudcap.plan.hanging import HangList, Outing
from mudcap.plan.model import Plan
from mudcap.plan.picking import Pick, Sums, Want, by_block, by_load, has_loads, picks, sums, wants

SCHEMA: Final = "mudcap.picklist/1"
HANG_SCHEMA: Final = "mudcap.picklist-hang/1"


def picklist_json(plan: Plan, lang: str = "en") -> str:
    """Loads, sites in picking order and sums by block and ranch; `loads` is empty where no loads are planned."""
    found, notes = picks(plan), site_notes(plan, lang)
    facts = {
        **_head(SCHEMA, plan),
        "loads": [_load(plan, load, own) for load, own in by_load(found) if load] if has_loads(found) else [],
        "sites": [_site(p, notes[p.site_id]) for p in found],
        **_sums(found),
    }
    return json.dumps(facts, ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def hang_json(plan: Plan, hang: HangList, lang: str = "en") -> str:
    """The same by crew, day and load of a hanging round; seconds count from midnight of the first day.

    `loads[].sites` are in picking order: the first goes on first and is hung last. `left` is what no crew comes to; its sites
    stand last in `sites`, with no load. What was hung before the round stands nowhere.
    """
    notes = site_notes(plan, lang)
    facts = {
        **_head(HANG_SCHEMA, plan),
        "done": hang.num_done,
        "loads": [
            {**_load(plan, load, own), **_outing(hang, hang.outing(load))} for load, own in by_load(hang.picks) if load
        ],
        "left": [{"site": n.name, "block": n.block_id, "why": n.why} for n in hang.left],
        "sites": [{**_site(p, notes[p.site_id]), "crew": p.crew or None, "day": p.day or None} for p in hang.picks],
        **_sums(hang.picks),
    }
    return json.dumps(facts, ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def _head(schema: str, plan: Plan) -> dict[str, Any]:
    return {
        "schema": schema,
        "plan": plan.number,
        "ranch": plan.params.ranch or plan.orchard.name,
        "date": plan.params.plan_date.isoformat() if plan.params.plan_date else None,
    }


def _load(plan: Plan, load: int, own: Sequence[Pick]) -> dict[str, Any]:
    return {
        "load": load, "sites": [p.site_id for p in own], "bring": _bring(wants(own, plan.params.supply, str)), "total": _total(sums(own)),
    }  # fmt: skip


def _outing(hang: HangList, outing: Outing) -> dict[str, Any]:
    on = hang.options.day_of(outing.day)
    return {
        "crew": outing.crew, "day": outing.day + 1, "date": on.isoformat() if on else None, "load_of_day": outing.number,
        "loads_of_day": outing.count, "begin_s": rounded(outing.begin_s, 1), "end_s": rounded(outing.end_s, 1),
        "from_yard": outing.from_yard, "litres": rounded(outing.litres, 3), "kg": rounded(outing.kg, 3), "over": outing.over,
    }  # fmt: skip


def _sums(found: Sequence[Pick]) -> dict[str, Any]:
    return {
        "blocks": [{"block": name, "total": _total(sums(own))} for name, own in by_block(found)],
        "total": _total(sums(found)),
    }


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
