"""What hangs at a site besides the cavities: shelter, awning, post or hanger, wire, anchor, label; and which way it faces."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from mudcap.supply.model import KitUse
from mudcap.supply.params import KitParams, SupplyParams

PIECE = "piece"


@dataclass(frozen=True, slots=True, kw_only=True)
class Facing:
    """Bearings of the openings from true north [deg]: the one taken where none is given, and between which they usually lie."""

    taken: float
    low: float
    high: float


def usual_facing(is_south: bool) -> Facing:
    """Southeast, give or take 45° (NC State Extension, bee hotel checklist); south of the equator northeast.

    There the noon sun stands in the north, so that the side of both morning and noon sun is the northeast: reasoning by
    symmetry, no source.

    >>> usual_facing(False).taken, usual_facing(True).taken
    (135.0, 45.0)
    """
    return Facing(taken=45.0, low=0.0, high=90.0) if is_south else Facing(taken=135.0, low=90.0, high=180.0)


def site_kit(params: SupplyParams) -> tuple[KitParams, ...]:
    """The kit of the options: the standard one of the mount, each thing replaced where the options name it, then their others.

    What is named with each = 0 is left out.
    Common practice, no source: a roof over the nests; free-standing shelters topple unless they are secured to the ground
    (Mader, Spivak & Evans 2010, SARE Handbook 11, nest shelters).
    """
    standard = {n: KitParams(name=n, per="site" if n == "label" else "shelter") for n in _standard(params)}
    named = {k.name: k for k in params.kit}
    return tuple(k for k in {**standard, **named}.values() if k.each > 0)


def _standard(params: SupplyParams) -> tuple[str, ...]:
    return ("shelter", "awning", *(("post", "anchor") if params.mount == "post" else ("hanger",)), "wire", "label")


def assumed_kit(params: SupplyParams) -> tuple[str, ...]:
    """Names of the standard kit that the options say nothing of.

    >>> assumed_kit(SupplyParams(kit=(KitParams(name="shelter"), KitParams(name="wire", each=0.0))))
    ('awning', 'post', 'anchor', 'label')
    """
    named = {k.name for k in params.kit}
    return tuple(n for n in _standard(params) if n not in named)


def shelters_for(cavities: int, params: SupplyParams) -> int:
    """Shelters that hold so many cavities; at least one.

    >>> shelters_for(101, SupplyParams(shelter_cavities=100)), shelters_for(101, SupplyParams())
    (2, 1)
    """
    return max(1, math.ceil(cavities / params.shelter_cavities)) if params.shelter_cavities else 1


def needed(kit: KitParams, shelters: Sequence[int]) -> float:
    """How much of one thing sites with these many shelters take; whole where it is counted in pieces."""
    each = kit.each * (sum(shelters) if kit.per == "shelter" else len(shelters))
    return float(math.ceil(each - 1e-9)) if kit.unit == PIECE else round(each, 6)


def bill(kit: Sequence[KitParams], shelters: Sequence[int], params: SupplyParams) -> tuple[KitUse, ...]:
    """The ranch's bill of materials, stock taken off."""
    lines = []
    for thing in kit:
        total = needed(thing, shelters)
        bought = max(0.0, total - thing.stock)
        cost = None if thing.cost is None else round(bought * thing.cost, 2)
        lines.append(
            KitUse(
                name=thing.name,
                unit=thing.unit,
                needed=total,
                stock=thing.stock,
                bought=bought,
                order_by=order_by(params.needed_by, thing.lead_days) if bought else None,
                cost=cost,
            )
        )
    return tuple(lines)


def block_bill(
    kit: Sequence[KitParams], shelters: Mapping[str, Sequence[int]]
) -> tuple[tuple[str, tuple[tuple[str, float, str], ...]], ...]:
    """For each block of `shelters` (by site) what goes there: (name, how many, unit)."""
    return tuple(
        (block, tuple((k.name, needed(k, own), k.unit) for k in kit)) for block, own in shelters.items() if own
    )


def order_by(needed_by: date | None, lead_days: int) -> date | None:
    """Last day to order what is to be there on a day; None where no day is named."""
    return None if needed_by is None else needed_by - timedelta(days=lead_days)
