"""What a plan takes in money, by ranch, block, acre and site; a missing price makes a sum unknown, never smaller."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from mudcap.supply.kit import needed
from mudcap.supply.model import Costs
from mudcap.supply.params import KitParams, SupplyParams


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """What one block, or the ranch, takes."""

    acres: float
    packages: Sequence[int]
    """(p,) of each package of the options."""
    shelters: Sequence[int]
    """(s,) of each site."""
    female_cocoons: int
    male_cocoons: int
    purchases: float | None = None
    """Money for packages and kit that have to be bought (the ranch's only)."""


def costs_of(taken: Taken, kit: Sequence[KitParams], params: SupplyParams) -> Costs:
    """Money for all that is taken, at its price, whether on hand or bought."""
    packages = _sum([(n, p.cost) for n, p in zip(taken.packages, params.packages, strict=True)]) if params.packages else None
    things = _sum([(needed(k, taken.shelters), k.cost) for k in kit])
    cocoons = _sum([(taken.female_cocoons, params.female_cocoon_cost), (taken.male_cocoons, params.male_cocoon_cost)])
    hours = None if params.site_minutes is None else params.site_minutes / 60 * len(taken.shelters)
    work = None if hours is None else _sum([(hours, params.hour_cost)])
    parts = [packages, things, cocoons, work]
    total = None if None in parts else sum(p for p in parts if p is not None)
    return Costs(
        packages=_money(packages),
        kit=_money(things),
        cocoons=_money(cocoons),
        work=_money(work),
        total=_money(total),
        per_acre=_money(total / taken.acres) if total is not None and taken.acres else None,
        per_site=_money(total / len(taken.shelters)) if total is not None and taken.shelters else None,
        purchases=_money(taken.purchases),
        missing=_missing(taken, kit, params),
    )


def material_cost(packages: Sequence[int], shelters: Sequence[int], kit: Sequence[KitParams], params: SupplyParams) -> float | None:
    """Money for packages, kit and work at sites with these many shelters; None where a price is missing."""
    hours = None if params.site_minutes is None else params.site_minutes / 60 * len(shelters)
    parts = [
        _sum([(n, p.cost) for n, p in zip(packages, params.packages, strict=True)]),
        _sum([(needed(k, shelters), k.cost) for k in kit]),
        0.0 if hours is None else _sum([(hours, params.hour_cost)]),
    ]
    return None if None in parts else _money(sum(p for p in parts if p is not None))


def _missing(taken: Taken, kit: Sequence[KitParams], params: SupplyParams) -> tuple[str, ...]:
    names = [p.name for n, p in zip(taken.packages, params.packages, strict=True) if n and p.cost is None]
    names += [k.name for k in kit if k.cost is None and needed(k, taken.shelters)]
    names += ["supply.packages"] if not params.packages else []
    named = {
        "female_cocoon_cost": params.female_cocoon_cost, "male_cocoon_cost": params.male_cocoon_cost,
        "site_minutes": params.site_minutes, "hour_cost": params.hour_cost,
    }  # fmt: skip
    return (*names, *(f"supply.{name}" for name, value in named.items() if value is None))


def _sum(parts: Sequence[tuple[float, float | None]]) -> float | None:
    """Σ amount × price; None where a price of something that is taken is missing."""
    if any(n and price is None for n, price in parts):
        return None
    return float(sum(n * price for n, price in parts if price is not None))


def _money(value: float | None) -> float | None:
    return None if value is None else round(value, 2)
