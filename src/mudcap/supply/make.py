"""From sites and options to what each site takes and what the yard must have ready."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from mudcap.geo.declination import declination_deg, to_magnetic_deg
from mudcap.geo.units import round_half_up
from mudcap.supply.apportion import largest_remainder
from mudcap.supply.costs import Taken, costs_of, material_cost
from mudcap.supply.kit import bill, block_bill, order_by, shelters_for, site_kit, usual_facing
from mudcap.supply.loads import Capacity, Goods, loads, places
from mudcap.supply.model import BlockBees, DensityCost, KitUse, Load, PackageUse, SiteSupply, SupplyPlan
from mudcap.supply.packages import Filling, fill_sites
from mudcap.supply.params import KitParams, PackageParams, SupplyParams
from mudcap.supply.warming import cold_store, warming_trays


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteNeed:
    """What supply has to know of one site, in hanging order."""

    block_id: str
    cavities: int
    lon: float
    lat: float


def plan_supply(
    sites: Sequence[SiteNeed], bees: Sequence[BlockBees], params: SupplyParams, day: date | None
) -> tuple[tuple[SiteSupply, ...], SupplyPlan]:
    """What each site takes, in the order of `sites`, and what the yard must have ready.

    `bees` has one entry a block with sites. `day` is the planned date, for the compass and, unless the options name a day
    of need, for the rules of clean lots. Loads follow the order of `sites`.
    """
    needs, blocks = [s.cavities for s in sites], [s.block_id for s in sites]
    filling = fill_sites(needs, blocks, params.packages, day=params.needed_by or day) if params.packages else None
    hung = needs if filling is None else [max(n, c) for n, c in zip(needs, filling.cavities, strict=True)]
    shelters = [shelters_for(n, params) for n in hung]
    kit = site_kit(params)
    room = [_room(filling.given[k] if filling else (), n, kit, params) for k, n in enumerate(shelters)]
    found = vehicle_loads(range(len(sites)), [(n, *r) for n, r in zip(shelters, room, strict=True)], params)
    number, place = places(found, len(sites))
    facing_deg = usual_facing(bool(sites) and sites[0].lat < 0).taken if params.facing_deg is None else params.facing_deg
    compass = compass_by_block(sites, facing_deg, day)
    supply = tuple(
        SiteSupply(
            packages=tuple((params.packages[i].name, n) for i, n in filling.given[k]) if filling else (),
            cavities=filling.cavities[k] if filling else 0,
            facing_deg=facing_deg,
            facing_magnetic_deg=compass.get(s.block_id),
            load=number[k],
            place_in_load=place[k],
            short=max(0, s.cavities - filling.cavities[k]) if filling else 0,
            shelters=shelters[k],
            height_m=params.height_m,
            volume_l=room[k][0],
            mass_kg=room[k][1],
        )
        for k, s in enumerate(sites)
    )
    return supply, _yard(sites, bees, params, filling, kit, shelters, found, params.needed_by or day)


def vehicle_loads(
    order: Sequence[int], rooms: Sequence[tuple[int, float | None, float | None]], params: SupplyParams
) -> tuple[Load, ...]:
    """Loads for sites of `rooms` (shelters, litres, kg) hung in `order`; () where the options name no vehicle.

    What the options do not give the size of takes no room; the plan says so.
    """
    capacity = Capacity(shelters=params.load_shelters, litres=params.load_l, kg=params.load_kg)
    if not capacity.is_given:
        return ()
    goods = [Goods(shelters=n, litres=litres or 0.0, kg=kg or 0.0) for n, litres, kg in rooms]
    return loads(order, goods, capacity)


def loads_in_order(order: Sequence[int], supply: Sequence[SiteSupply], params: SupplyParams) -> tuple[Load, ...]:
    """The same for sites of a plan, hung in any other `order` (indices into `supply`), such as a round's."""
    return vehicle_loads(order, [(s.shelters, s.volume_l, s.mass_kg) for s in supply], params)


def compass_by_block(sites: Sequence[SiteNeed], bearing_deg: float, day: date | None) -> dict[str, float]:
    """Compass bearing by block, at the mean of its sites; {} without a day, or outside the magnetic model's days."""
    own: dict[str, list[SiteNeed]] = {}
    for site in sites:
        own.setdefault(site.block_id, []).append(site)
    found = {}
    for block, members in own.items():
        if day is None:
            continue
        lon, lat = (sum(v) / len(members) for v in ([s.lon for s in members], [s.lat for s in members]))
        try:
            found[block] = to_magnetic_deg(bearing_deg, declination_deg(lon, lat, day))
        except ValueError:
            return {}
    return found


def room_of(
    packages: Sequence[tuple[str, int]], shelters: int, params: SupplyParams
) -> tuple[float | None, float | None]:
    """Litres and kilograms of `packages` (name, how many) and of the kit of so many shelters; None where the options say nothing.

    Raises ``ValueError`` where the options name no such package.
    """
    number = {p.name: i for i, p in enumerate(params.packages)}
    strange = [name for name, _count in packages if name not in number]
    if strange:
        raise ValueError(f"{strange[0]}: no package of the options.")
    return _room([(number[name], count) for name, count in packages], shelters, site_kit(params), params)


def _room(
    given: Sequence[tuple[int, int]], shelters: int, kit: Sequence[KitParams], params: SupplyParams
) -> tuple[float | None, float | None]:
    """Litres and kilograms of all that goes to one site, as far as the options say them; None where they never do."""
    things: list[tuple[float, float | None, float | None]] = [(n, params.packages[i].volume_l, params.packages[i].mass_kg) for i, n in given]
    things += [(k.each * (shelters if k.per == "shelter" else 1), k.volume_l, k.mass_kg) for k in kit]
    return _total([(n, litres) for n, litres, _kg in things]), _total([(n, kg) for n, _litres, kg in things])


def _total(parts: Sequence[tuple[float, float | None]]) -> float | None:
    known = [n * each for n, each in parts if n and each is not None]
    return float(sum(known)) if known else None


def _yard(
    sites: Sequence[SiteNeed], bees: Sequence[BlockBees], params: SupplyParams, filling: Filling | None,
    kit: Sequence[KitParams], shelters: Sequence[int], found: tuple[Load, ...], day: date | None,
) -> SupplyPlan:  # fmt: skip
    order = list(dict.fromkeys(s.block_id for s in sites))
    own = {b: [k for k, s in enumerate(sites) if s.block_id == b] for b in order}
    packages = _package_uses(filling, params) if filling else ()
    things = bill(kit, shelters, params)
    going: list[PackageParams | KitParams] = [*(p for p, use in zip(params.packages, packages, strict=False) if use.used), *kit]
    taken = {b: _taken([*own[b]], [x for x in bees if x.block_id == b], filling, shelters, params) for b in order}
    whole = _taken(list(range(len(sites))), bees, filling, shelters, params, _purchases(packages, things))
    return SupplyPlan(
        packages=packages,
        levels=filling.levels if filling else (),
        kit=things,
        kit_by_block=block_bill(kit, {b: [shelters[k] for k in own[b]] for b in order}),
        packages_by_block=tuple(
            (b, tuple((p.name, n) for p, n in zip(params.packages, taken[b].packages, strict=True) if n)) for b in order
        ),
        loads=found,
        warming=warming_trays(bees, params),
        cold_store=cold_store(bees, params),
        costs=costs_of(whole, kit, params),
        costs_by_block=tuple((b, costs_of(taken[b], kit, params)) for b in order),
        compare=density_costs(sites, bees, kit, params, day),
        currency=params.currency,
        without_volume=tuple(t.name for t in going if t.volume_l is None),
        without_mass=tuple(t.name for t in going if t.mass_kg is None),
    )


def _taken(
    own: Sequence[int], bees: Sequence[BlockBees], filling: Filling | None, shelters: Sequence[int], params: SupplyParams,
    purchases: float | None = None,
) -> Taken:  # fmt: skip
    counts = [0] * len(params.packages)
    for k in own:
        for i, n in filling.given[k] if filling else ():
            counts[i] += n
    return Taken(
        acres=sum(b.acres for b in bees),
        packages=counts,
        shelters=[shelters[k] for k in own],
        female_cocoons=sum(b.female_cocoons for b in bees),
        male_cocoons=sum(b.male_cocoons for b in bees),
        purchases=purchases,
    )


def _package_uses(filling: Filling, params: SupplyParams) -> tuple[PackageUse, ...]:
    return tuple(
        PackageUse(
            name=p.name,
            kind=p.kind,
            lot=p.lot,
            cavities=p.cavities,
            used=used,
            stock=p.stock,
            bought=bought,
            order_by=order_by(params.needed_by, p.lead_days) if bought else None,
            cost=None if p.cost is None else round(bought * p.cost, 2),
            kept_back=lot.why_not,
        )
        for p, used, bought, lot in zip(params.packages, filling.used, filling.bought, filling.lots, strict=True)
    )


def _purchases(packages: Sequence[PackageUse], things: Sequence[KitUse]) -> float | None:
    """Money for packages and kit to be bought; None where the price of one is missing."""
    bought = [p.cost for p in packages if p.bought] + [k.cost for k in things if k.bought]
    return None if None in bought else float(sum(cost for cost in bought if cost is not None))


def density_costs(
    sites: Sequence[SiteNeed], bees: Sequence[BlockBees], kit: Sequence[KitParams], params: SupplyParams, day: date | None
) -> tuple[DensityCost, ...]:
    """Packages, kit and work at `compare_low` and `compare_high` sites an acre, each block's cavities shared evenly.

    () where packages or their prices, or those of the kit, are missing. Lots and stock are the plan's own.
    """
    if not params.packages or any(p.cost is None for p in params.packages) or any(k.cost is None for k in kit):
        return ()
    cavities = {b.block_id: 0 for b in bees}
    for s in sites:
        cavities[s.block_id] += s.cavities
    return tuple(_at_density(d, cavities, bees, kit, params, day) for d in (params.compare_low, params.compare_high))


def _at_density(
    per_acre: float, cavities: dict[str, int], bees: Sequence[BlockBees], kit: Sequence[KitParams], params: SupplyParams,
    day: date | None,
) -> DensityCost:  # fmt: skip
    needs, blocks = [], []
    for block in bees:
        count = max(1, round_half_up(per_acre * block.acres))
        needs += largest_remainder(cavities[block.block_id], [1] * count).tolist()
        blocks += [block.block_id] * count
    filling = fill_sites(needs, blocks, params.packages, day=day)
    shelters = [shelters_for(max(n, c), params) for n, c in zip(needs, filling.cavities, strict=True)]
    return DensityCost(per_acre=per_acre, sites=len(needs), cost=material_cost(filling.used, shelters, kit, params))
