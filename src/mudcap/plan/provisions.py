"""Mud and cocoons of a plan: which stations mud can reach, the puddles of its sites, and its release points."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from mudcap.orchard.model import Finding, Orchard
from mudcap.orchard.network import TravelNetwork
from mudcap.place.candidates import Candidates, with_puddles
from mudcap.place.demand import Demand
from mudcap.place.problem import SolveAll
from mudcap.plan.assign import Assignment
from mudcap.plan.model import Params, Site
from mudcap.supply.model import PuddlePlan, ReleasePoint
from mudcap.supply.puddles import plan_puddles
from mudcap.supply.release import BlockCocoons, plan_release
from mudcap.supply.stands import PuddlePlaces, puddle_places
from mudcap.supply.words import puddle_findings, release_findings


def reach_mud(
    orchard: Orchard, network: TravelNetwork, candidates: Candidates, params: Params
) -> tuple[Candidates, PuddlePlaces | None]:
    """The candidates with those barred that neither clean mud nor a puddle can reach, and where puddles may be made.

    Nothing is looked for where the mud mode plans no puddle, or clean mud is near every station.
    """
    if params.mud.mode != "plan" or not (candidates.mud_m > params.mud.limit_m).any():
        return candidates, None
    places = puddle_places(orchard, network, mud=params.mud, access=params.access, rows=params.rows)
    return with_puddles(candidates, places.xy, params.mud.limit_m), places


def puddles_of(
    orchard: Orchard, places: PuddlePlaces | None, sites: Sequence[Site], params: Params, solve_all: SolveAll
) -> tuple[PuddlePlan | None, tuple[Finding, ...]]:
    """The puddles that the sites need, and what to know of them; None where none are planned for."""
    if places is None:
        return None, ()
    xy = np.array([(s.x_m, s.y_m) for s in sites], float).reshape(-1, 2)
    mud_m = np.array([s.mud_m for s in sites], float)
    plan = plan_puddles(
        orchard, places, xy, mud_m, mud=params.mud, travel=params.travel, place=params.place, solve_all=solve_all,
        units=params.units,
    )  # fmt: skip
    blocks = list(dict.fromkeys(s.block_id for s in sites if s.mud_m > params.mud.limit_m))
    names = [f"{s.site_id} ({s.address})" for s in sites]
    return plan, puddle_findings(
        orchard, plan, places, names, xy, blocks, mud=params.mud, units=params.units,
        is_sprayed_everywhere=params.rows.sprayed_every == 1,
    )  # fmt: skip


def release_of(
    orchard: Orchard, candidates: Candidates, demand: Demand, made: Assignment, params: Params, solve_all: SolveAll
) -> tuple[tuple[ReleasePoint, ...], tuple[Finding, ...], bool]:
    """Where the cocoons of each block are set out, what to know of it, and whether the search was stopped early."""
    stock = [
        BlockCocoons(
            block=index, females=bees.females, males=bees.males,
            stations=tuple(int(s) for s in made.station[made.first[index] : made.first[index + 1]]),
        )
        for index, bees in sorted(made.stock.items())
    ]  # fmt: skip
    points, said, is_stopped = plan_release(
        orchard, candidates, demand, stock, params.release, params.stocking, place=params.place, solve_all=solve_all
    )
    return points, (*release_findings(points, params.release), *said), is_stopped
