"""Puddles, the water truck's round and release points as the report for programs states them."""

from __future__ import annotations

from typing import Any

from mudcap.files.numbers import rounded
from mudcap.plan.model import Plan


def puddle_facts(plan: Plan) -> list[dict[str, Any]]:
    """One object a puddle, in the order of the water truck's round."""
    if plan.puddles is None:
        return []
    return [
        {
            "name": p.name, "block": p.block_id, "lon": rounded(p.lon, 7), "lat": rounded(p.lat, 7), "stand": p.stand,
            "address": p.address, "sites": [plan.sites[k].site_id for k in p.sites], "farthest_m": rounded(p.farthest_m),
            "litres": rounded(p.litres, 1), "clay_share": rounded(p.clay_share), "leg_m": rounded(p.leg_m, 1),
            "fill_before": p.is_filled_before,
        }
        for p in plan.puddles.puddles
    ]  # fmt: skip


def water_round_facts(plan: Plan) -> dict[str, Any] | None:
    """What is proven of the puddles' number, whom none reaches, and the round; null where no puddle is planned for."""
    if plan.puddles is None:
        return None
    p = plan.puddles
    return {
        "puddles": len(p.puddles), "bound": p.bound, "status": p.status, "limit_m": rounded(plan.params.mud.limit_m),
        "unserved": [
            {"site": plan.sites[k].site_id, "missing_m": rounded(missing)} for k, missing in p.unserved
        ],
        "rewet_days": p.rewet_days, "metres": rounded(p.tour_m, 1), "bound_m": rounded(p.tour_bound_m, 1),
        "takes_s": rounded(p.tour_s, 0), "litres": rounded(sum(q.litres for q in p.puddles), 1), "fills": p.fills,
        "starts_at": p.starts_at, "fills_at": p.fills_at,
    }  # fmt: skip


def release_facts(plan: Plan) -> list[dict[str, Any]]:
    """One object a release point, in the order of blocks."""
    return [
        {
            "name": r.name, "block": r.block_id, "lon": rounded(r.lon, 7), "lat": rounded(r.lat, 7), "row": r.row,
            "tree": r.tree, "address": r.address, "females": r.females, "males": r.males, "containers": r.containers,
            "farthest_m": rounded(r.farthest_m), "lane_m": rounded(r.lane_m),
        }
        for r in plan.release
    ]  # fmt: skip
