"""A plan as it was made, from its input and what its files say, without solving anything again."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from mudcap.errors import InputError
from mudcap.lang import _
from mudcap.orchard.model import Finding, Orchard
from mudcap.orchard.network import TravelNetwork, open_on, travel_network
from mudcap.orchard.rows import lay_rows
from mudcap.place.borders import bordering
from mudcap.place.candidates import Candidates, lay_candidates
from mudcap.place.demand import Demand, lay_demand
from mudcap.plan.assign import SAME_M
from mudcap.plan.goods import with_goods
from mudcap.plan.identity import SAME_PLACE_M
from mudcap.plan.make import number_of
from mudcap.plan.model import BlockPlan, Edit, Params, Plan, Site
from mudcap.plan.picking import Pick
from mudcap.supply.address import Addresses, said_anew
from mudcap.supply.model import Puddle, PuddlePlan, ReleasePoint, SiteSupply
from mudcap.supply.params import SupplyParams
from mudcap.supply.stands import puddle_places

T = TypeVar("T", Puddle, ReleasePoint)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SavedPlan:
    """What the files of a plan say of it."""

    source: str
    """The folder they lie in, for messages."""
    number: str
    params: Params
    edits: tuple[Edit, ...]
    sites: tuple[Site, ...]
    """`x_m` and `y_m` are nan: the plane is known only with the input."""
    blocks: tuple[BlockPlan, ...]
    findings: tuple[Finding, ...]
    """Their places are single points in WGS 84."""
    excluded: Mapping[tuple[str, int, int], int]
    """Exclusion flags of the barred stations, by block, row and tree."""
    last_serial: Mapping[str, int]
    reproducible: bool
    puddles: PuddlePlan | None
    """`x_m` and `y_m` are nan, and the tour is empty."""
    release: tuple[ReleasePoint, ...]
    picks: tuple[Pick, ...] = ()
    """What each site takes from the yard, in any order."""


def reopen_plan(saved: SavedPlan, orchard: Orchard) -> Plan:
    """The plan whose files are `saved`, on the `orchard` it was made from (as read, rows not laid).

    Rows, network, stations and trees are laid again with the plan's own options, and puddles' addresses said in the language of this run; sites, block facts and findings are the
    saved ones, a finding's place shrunk to one point, the water truck's way left out; what each site takes is the saved one
    too, but what the yard must have ready is not reckoned again (`supply_plan` is None). Nothing is solved. Raises ``InputError`` where the input is not what
    the plan was made from.
    """
    if number_of(orchard, saved.params, saved.edits, saved.sites) != saved.number:
        raise _changed(saved)
    params = saved.params
    laid, _findings = lay_rows(orchard, params.rows)
    network = travel_network(laid, params.travel)
    candidates = lay_candidates(
        laid, open_on(network, params.plan_date), access=params.access, mud=params.mud, rows=params.rows, travel=params.travel
    )
    candidates = _with_reasons(candidates, laid, saved.excluded)
    demand = lay_demand(laid)
    sites = _placed(saved, laid, candidates)
    return _with_bees(Plan(
        orchard=laid, params=params, edits=saved.edits, network=network, candidates=candidates, demand=demand,
        assigned=_assigned(laid, demand, sites, params.place.border_m), sites=sites, blocks=saved.blocks,
        findings=tuple(_in_plane(f, orchard) for f in saved.findings), last_serial=saved.last_serial, number=saved.number, reproducible=saved.reproducible,
        puddles=_puddles(saved, laid, network), release=tuple(_at(r, laid) for r in saved.release),
        supply=_supply(saved),
    ))  # fmt: skip


def _with_bees(plan: Plan) -> Plan:
    """The plan with cocoons and nesting females of its blocks; its goods are left alone."""
    bare = dataclasses.replace(plan, params=dataclasses.replace(plan.params, supply=None))
    return dataclasses.replace(plan, bees=with_goods(bare).bees)


def _supply(saved: SavedPlan) -> tuple[SiteSupply, ...]:
    """What each site takes, in the order of the sites; () where the options name no goods."""
    options = saved.params.supply
    if options is None or not saved.picks:
        return ()
    own = {p.site_id: p for p in saved.picks}
    try:
        return tuple(_taken(own[s.site_id], options) for s in saved.sites)
    except (KeyError, ValueError) as error:
        raise _changed(saved) from error


def _taken(pick: Pick, options: SupplyParams) -> SiteSupply:
    # a compass loads its model, which only goods need
    from mudcap.supply.make import room_of

    litres, kg = room_of(pick.packages, pick.shelters, options)
    return SiteSupply(
        packages=pick.packages, cavities=pick.packed or 0, facing_deg=pick.facing_deg, facing_magnetic_deg=pick.compass_deg,
        load=pick.load, place_in_load=pick.place_in_load, short=pick.short, shelters=pick.shelters, height_m=options.height_m,
        volume_l=litres, mass_kg=kg,
    )  # fmt: skip


def _puddles(saved: SavedPlan, orchard: Orchard, network: TravelNetwork) -> PuddlePlan | None:
    """The puddles at their places in the plane, their addresses in the language of this run."""
    made, params = saved.puddles, saved.params
    if made is None or not made.puddles:
        return made
    places = puddle_places(orchard, network, mud=params.mud, access=params.access, rows=params.rows)
    words = Addresses(orchard, params.units)
    placed = [_at(p, orchard) for p in made.puddles]
    told = [said_anew(words, places, np.array([p.x_m, p.y_m]), p.address) for p in placed]
    return dataclasses.replace(
        made, puddles=tuple(dataclasses.replace(p, address=text) for p, text in zip(placed, told, strict=True))
    )


def _at(thing: T, orchard: Orchard) -> T:
    """A puddle or release point at its place in the plane."""
    x, y = orchard.plane.to_plane([(thing.lon, thing.lat)])[0]
    return dataclasses.replace(thing, x_m=float(x), y_m=float(y))


def changed_options(saved: Params, now: Params) -> tuple[str, ...]:
    """Names of the options that differ, such as 'place.per_acre'; those that cannot change a plan are left out."""
    return tuple(sorted(_differences("", saved, now)))


_FREE = frozenset({"place.jobs", "place.safety_s", "ranch"})


def _differences(prefix: str, a: Any, b: Any) -> Iterator[str]:
    for field in dataclasses.fields(a):
        name = f"{prefix}{field.name}"
        one, two = getattr(a, field.name), getattr(b, field.name)
        if dataclasses.is_dataclass(one) and type(one) is type(two):
            yield from _differences(f"{name}.", one, two)
        elif name not in _FREE and not _same(one, two):
            yield name


def _same(one: Any, two: Any) -> bool:
    if isinstance(one, float) and isinstance(two, (int, float)):
        return f"{one:.9g}" == f"{two:.9g}"  # as the plan number counts them
    return bool(one == two)


def _changed(saved: SavedPlan) -> InputError:
    return InputError(
        _(
            "{folder}: plan {number} was made from other input or options than are there now "
            "(or by another version of mudcap). Run mudcap plan again, then this."
        ).format(folder=saved.source, number=saved.number)
    )


def _in_plane(finding: Finding, orchard: Orchard) -> Finding:
    if finding.geometry is None:
        return finding
    return dataclasses.replace(finding, geometry=orchard.plane.geometry_to_plane(finding.geometry))


def _with_reasons(
    candidates: Candidates, orchard: Orchard, excluded: Mapping[tuple[str, int, int], int]
) -> Candidates:
    """The stations with the flags the plan gave them, bans and dates included."""
    names = [b.block_id for b in orchard.blocks]
    reasons: NDArray[np.int64] = np.array(
        [
            excluded.get((names[b], r, t), 0)
            for b, r, t in zip(candidates.block.tolist(), candidates.row.tolist(), candidates.tree.tolist(), strict=True)
        ],
        np.int64,
    ).reshape(-1)  # fmt: skip
    reasons.setflags(write=False)
    return dataclasses.replace(candidates, reasons=reasons)


def _placed(saved: SavedPlan, orchard: Orchard, candidates: Candidates) -> tuple[Site, ...]:
    """The sites at their stations in the plane."""
    names = [b.block_id for b in orchard.blocks]
    station = {
        (names[b], r, t): k
        for k, (b, r, t) in enumerate(
            zip(candidates.block.tolist(), candidates.row.tolist(), candidates.tree.tolist(), strict=True)
        )
    }
    told = orchard.plane.to_plane(np.array([(s.lon, s.lat) for s in saved.sites]).reshape(-1, 2))
    placed = []
    for site, xy in zip(saved.sites, told, strict=True):
        k = station.get((site.block_id, site.row, site.tree))
        if k is None or float(np.hypot(*(candidates.xy[k] - xy))) > SAME_PLACE_M:
            raise _changed(saved)
        placed.append(
            dataclasses.replace(site, x_m=float(candidates.xy[k, 0]), y_m=float(candidates.xy[k, 1]))
        )
    return tuple(placed)


def _assigned(
    orchard: Orchard, demand: Demand, sites: tuple[Site, ...], border_m: float
) -> NDArray[np.int64]:
    """Nearest site of each tree in its own block, or in a bordering one where that is nearer; none in a block without a site."""
    assigned = np.full(len(demand.xy), -1, np.int64)
    order = {b.block_id: k for k, b in enumerate(orchard.blocks)}
    of_block: list[list[int]] = [[] for _unused in orchard.blocks]
    for i, site in enumerate(sites):
        of_block[order[site.block_id]].append(i)
    xy = np.array([(s.x_m, s.y_m) for s in sites]).reshape(-1, 2)
    for k, others in enumerate(bordering(orchard, border_m)):
        trees = np.flatnonzero(demand.block == k)
        best = np.full(len(trees), np.inf)
        for own in (of_block[k], [i for j in others for i in of_block[j]]):
            if not own or not of_block[k] or not len(trees):
                continue
            distance, which = cKDTree(xy[own]).query(demand.xy[trees])
            nearer = distance < best - SAME_M
            assigned[trees[nearer]] = np.array(own)[which[nearer]]
            best[nearer] = distance[nearer]
    return assigned
