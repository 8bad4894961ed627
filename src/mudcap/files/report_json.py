"""The plan's report for programs: `report.json`, schema `mudcap.report/1` (see `report.schema.json` beside this file)."""

from __future__ import annotations

import dataclasses
import json
from datetime import date
from enum import Enum
from typing import Any, Final

import numpy as np

from mudcap import __version__
from mudcap.files.numbers import rounded
from mudcap.files.provisions_json import puddle_facts, release_facts, water_round_facts
from mudcap.files.report_goods import bees_facts, supply_facts
from mudcap.orchard.model import Finding, Orchard, Role
from mudcap.plan.model import BlockPlan, Plan

SCHEMA: Final = "mudcap.report/1"


def report(plan: Plan) -> dict[str, Any]:
    """Everything the report says, as plain JSON values; nan and inf become null. No running times: same plan, same bytes."""
    return {
        "schema": SCHEMA,
        "version": __version__,
        "plan": plan.number,
        "ranch": plan.params.ranch or plan.orchard.name,
        "date": plan.params.plan_date.isoformat() if plan.params.plan_date else None,
        "status": plan_status(plan),
        "reproducible": plan.reproducible,
        "acres": rounded(sum(b.acres for b in plan.blocks), 5),
        "sites": len(plan.sites),
        "trees": sum(b.trees for b in plan.blocks),
        "females": sum(s.females for s in plan.sites),
        "males": sum(s.males for s in plan.sites),
        "cavities": sum(s.cavities for s in plan.sites),
        "driven_rows": sum(b.driven_rows for b in plan.blocks),
        "driven_m": rounded(sum(b.driven_m for b in plan.blocks), 1),
        "findings": [finding_facts(plan.orchard, f) for f in plan.findings],
        "blocks": [_block(plan, b) for b in plan.blocks],
        "layers": layer_counts(plan.orchard),
        "bees": bees_facts(plan.bees),
        "supply": supply_facts(plan),
        "puddles": puddle_facts(plan),
        "water_round": water_round_facts(plan),
        "release": release_facts(plan),
        "rounds": [],
        "params": plain(plan.params),
        "edits": [plain(e) for e in plan.edits],
        "last_serial": {code: plan.last_serial[code] for code in sorted(plan.last_serial)},
    }


def report_json(plan: Plan) -> str:
    """`report` as JSON text, indented, keys in a fixed order."""
    return json.dumps(report(plan), ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def plan_status(plan: Plan) -> str:
    """'planned'; 'relaxed' where a limit was widened; 'fallback' where a stop or a fallback layout had a hand in it."""
    if not plan.reproducible or any(b.status == "fallback" for b in plan.blocks):
        return "fallback"
    return "relaxed" if any(b.status == "relaxed" for b in plan.blocks) else "planned"


def finding_facts(orchard: Orchard | None, finding: Finding) -> dict[str, Any]:
    """One finding as plain values, with a WGS 84 point where it has a place."""
    facts: dict[str, Any] = {
        "level": finding.level, "code": finding.code, "layer": finding.layer, "feature": finding.feature,
        "text": finding.text, "acres_changed": rounded(finding.acres_changed, 5), "lon": None, "lat": None,
    }  # fmt: skip
    if orchard is not None and finding.geometry is not None and not finding.geometry.is_empty:
        point = finding.geometry.representative_point()
        lon, lat = orchard.plane.to_lonlat([[point.x, point.y]])[0]
        facts["lon"], facts["lat"] = rounded(lon, 7), rounded(lat, 7)
    return facts


def layer_counts(orchard: Orchard) -> dict[str, int]:
    """Number of features of each role, zeros too."""
    other = [f.role for f in orchard.features]
    counts = {role: other.count(role) for role in Role}
    counts |= {
        Role.BLOCKS: len(orchard.blocks), Role.ROADS: len(orchard.roads), Role.SPRAY_LANES: len(orchard.spray_lanes),
        Role.MUD_SOURCES: len(orchard.mud_sources), Role.CLOSURES: len(orchard.closures),
        Role.GATES: len(orchard.gates), Role.YARD: int(orchard.yard is not None),
        Role.TREES: sum(len(t.xy) for t in orchard.tree_points), Role.ROWS: len(orchard.row_lines),
        Role.KEEP_OUTS: len(orchard.keep_outs), Role.ALLEYS: len(orchard.alley_rules),
    }  # fmt: skip
    return {role.value: counts[role] for role in Role}


def plain(value: Any) -> Any:
    """Dataclasses, dates, enums and arrays as JSON values; nan and inf as null."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple, np.ndarray)):
        return [plain(v) for v in value]
    if isinstance(value, (bool, str, int, type(None))):
        return value
    return rounded(float(value), 9)


def _block(plan: Plan, block: BlockPlan) -> dict[str, Any]:
    return {
        "id": block.block_id,
        "status": block.status,
        "reason": block.reason,
        "acres": rounded(block.acres, 5),
        "quota": block.quota,
        "sites": block.sites,
        "per_acre": rounded(block.sites / block.acres if block.acres else None),
        **_coverage(block),
        "bound_m": rounded(bound_m(block)),
        "levels": [
            {"name": v.name, "value": rounded(v.value), "bound": rounded(v.bound), "gap": rounded(v.gap, 6), "status": v.status}
            for v in block.levels
        ],
        "trees": block.trees,
        "stations": block.stations,
        "excluded": {name: int(n) for name, n in block.excluded.items()},
        "driven_rows": block.driven_rows,
        "driven_m": rounded(block.driven_m, 1),
        "females": block.females,
        "males": block.males,
        "cavities": block.cavities,
        "beyond_mud": block.beyond_mud,
    }  # fmt: skip


def _coverage(block: BlockPlan) -> dict[str, float | None]:
    names = {
        "mean_m": "mean_m", "p95_m": "p95_m", "farthest_m": "farthest_m", "yardstick_m": "yardstick_m", "ratio": "ratio",
        "trees_per_site_min": "trees_min", "trees_per_site_mean": "trees_mean", "trees_per_site_max": "trees_max",
        "trees_per_site_cv": "trees_cv", "clark_evans": "clark_evans",
    }  # fmt: skip
    return {
        key: None if block.coverage is None else rounded(getattr(block.coverage, attribute))
        for key, attribute in names.items()
    }


def bound_m(block: BlockPlan) -> float | None:
    """Certified lower bound on the block's farthest distance [m]; None where none was computed."""
    return next((v.bound for v in block.levels if v.name == "farthest"), None)
