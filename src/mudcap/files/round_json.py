"""A round for programs: `round-TASK.json`, schema `mudcap.round/2` (see `round.schema.json` beside this file)."""

from __future__ import annotations

import json
from typing import Any, Final

from mudcap import __version__
from mudcap.files.numbers import rounded
from mudcap.files.report_json import plain
from mudcap.files.round_gpx import route_name
from mudcap.lang import translator
from mudcap.plan.model import Plan
from mudcap.plan.round_model import CrewDay, Leg, Round, Stop
from mudcap.plan.round_words import Text, cautions, clock, leg_text, sample_text, why_text

SCHEMA: Final = "mudcap.round/2"


def round_facts(plan: Plan, made: Round, lang: str = "en") -> dict[str, Any]:
    """Everything the crew sheets say, as plain JSON values; seconds count from midnight of the first day."""
    _ = translator(lang)
    options = made.options
    sample = made.sample
    return {
        "schema": SCHEMA,
        "version": __version__,
        "plan": plan.number,
        "ranch": plan.params.ranch or plan.orchard.name,
        "task": options.task,
        "status": "incomplete" if made.left else "complete",
        "stopped": made.stopped,
        "options": plain(options),
        "zone_h": made.zone_h,
        "light_s": None if made.light_s is None else [rounded(v, 0) for v in made.light_s],
        "stops": made.num_stops,
        "paid_s": rounded(sum(d.end_s - d.begin_s for d in made.days), 1),
        "finish_s": rounded(max((d.end_s for d in made.days), default=0.0), 1),
        "bound_s": rounded(made.bound_s, 1),
        "sample": None if sample is None else {**plain(sample), "text": sample_text(sample, _, len(made.left))},
        "days": [_day(plan, made, day, _) for day in made.days],
        "not_visited": [
            {"name": n.name, "block": n.block_id, "why": n.why, "text": why_text(n, made, _)} for n in made.not_visited
        ],
        "hardware": [
            {"name": plan.sites[i].site_id, "block": plan.sites[i].block_id, "row": plan.sites[i].row, "tree": plan.sites[i].tree}
            for i in made.hardware
        ],
        "notes": list(made.notes),
        "cautions": list(cautions(options.task, _)),
    }  # fmt: skip


def round_json(plan: Plan, made: Round, lang: str = "en") -> str:
    """`round_facts` as JSON text."""
    return json.dumps(round_facts(plan, made, lang), ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def _day(plan: Plan, made: Round, day: CrewDay, _: Text) -> dict[str, Any]:
    on = made.options.day_of(day.day)
    return {
        "name": route_name(made, day), "crew": day.crew, "day": day.day + 1, "date": on.isoformat() if on else None,
        "begin_s": rounded(day.begin_s, 1), "end_s": rounded(day.end_s, 1), "begin": clock(day.begin_s),
        "end": clock(day.end_s), "metres": rounded(day.metres, 1), "service_s": rounded(day.service_s, 1),
        "moving_s": rounded(day.moving_s, 1), "reload_s": rounded(day.reload_s, 1), "idle_s": rounded(day.idle_s, 1), "lunch_s": rounded(day.lunch_s, 1),
        "blocks": list(day.blocks), "legs": [_leg(plan, leg, _) for leg in day.legs],
    }  # fmt: skip


def _leg(plan: Plan, leg: Leg, _: Text) -> dict[str, Any]:
    return {
        "kind": leg.kind, "block": leg.block_id, "begin_s": rounded(leg.begin_s, 1), "end_s": rounded(leg.end_s, 1),
        "metres": rounded(leg.metres, 1), "rows": list(leg.rows), "turns": leg.turns, "on_foot": leg.on_foot,
        "text": leg_text(leg, plan.params.units, _), "stops": [_stop(s) for s in leg.stops],
    }  # fmt: skip


def _stop(stop: Stop) -> dict[str, Any]:
    visit = stop.visit
    return {
        "order": stop.order, "name": visit.name, "block": visit.block_id, "number": visit.number, "row": visit.row,
        "tree": visit.tree, "address": visit.address, "side": stop.side, "begin_s": rounded(stop.begin_s, 1),
        "end_s": rounded(stop.end_s, 1), "clock": clock(stop.begin_s), "lon": rounded(visit.lonlat[0], 7),
        "lat": rounded(visit.lonlat[1], 7),
    }  # fmt: skip
