"""Plans with supply for tests of lists and labels: two kinds of packages, loads of a few sites, facings."""

from __future__ import annotations

import dataclasses

from mudcap.plan.model import Plan
from mudcap.supply.model import SiteSupply


def with_supply(plan: Plan, *, per_load: int = 15, names: tuple[str, str] = ("bundle of 25", "block of 12"),
                magnetic: bool = True) -> Plan:  # fmt: skip
    """Loads in plan order; in each, the site that is hung last goes on first."""
    supply = []
    for k in range(len(plan.sites)):
        load, place = divmod(k, per_load)
        size = min(per_load, len(plan.sites) - load * per_load)
        packages = ((names[0], 3), (names[1], 1)) if k % 3 else ((names[0], 4),)
        supply.append(
            SiteSupply(
                packages=packages, cavities=25 * packages[0][1] + 12 * (len(packages) - 1), facing_deg=float((110 + 7 * k) % 360),
                facing_magnetic_deg=float((97 + 7 * k) % 360) if magnetic else None, load=load + 1, place_in_load=size - place,
            )
        )  # fmt: skip
    return dataclasses.replace(plan, supply=tuple(supply))
