"""What is taken from the yard, site by site, in the order in which a vehicle is loaded; and its sums."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Literal

from mudcap.plan.model import Plan
from mudcap.supply.kit import PIECE, needed, site_kit
from mudcap.supply.names import kit_text
from mudcap.supply.params import SupplyParams

LineKind = Literal["site", "load total", "block total", "ranch total"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pick:
    """One site as yard and crew need it: who it is, where it hangs, and exactly what it gets."""

    site_id: str
    block_id: str
    number: int
    row: int
    tree: int
    lon: float
    lat: float
    cavities: int
    females: int
    males: int
    packages: tuple[tuple[str, int], ...] = ()
    """(name of the package, how many); () where no packages are planned."""
    facing_deg: float | None = None
    """Bearing of the openings from true north."""
    compass_deg: float | None = None
    """The same as a compass shows it on the planned date."""
    load: int = 0
    """Number of the vehicle load, from 1; 0 where no loads are planned."""
    place_in_load: int = 0
    """1 goes on first and comes off last."""
    shelters: int = 1
    packed: int | None = None
    """Cavities in the packages, which may be a few more than the site's own; None where no packages are planned."""
    short: int = 0
    """Cavities that neither stock nor purchase covers."""
    crew: str = ""
    """Who hangs it, where a round says so."""
    day: int = 0
    """Day of that round, from 1; 0 where none says it."""

    @property
    def address(self) -> str:
        """Row and tree as a crew counts them, such as 'R14 T23'."""
        return f"R{self.row} T{self.tree}"

    @property
    def take(self) -> str:
        """The packages in words, such as '2 × bundle of 25; 1 × block of 12'."""
        return packages_text(self.packages)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sums:
    """What several sites take together."""

    sites: int
    shelters: int
    cavities: int
    females: int
    males: int
    packages: tuple[tuple[str, int], ...]
    """In the order in which they are first needed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Want:
    """One thing to bring, and how much of it."""

    name: str
    amount: float
    unit: str = ""
    """'' where it is counted in pieces."""
    is_package: bool = False

    @property
    def text(self) -> str:
        """How much, with the unit."""
        return f"{self.amount:,.10g} {self.unit}".strip()


@dataclass(frozen=True, slots=True, kw_only=True)
class PickLine:
    """One line of the pick-list: a site, or the total of the load, block or ranch that `name` says."""

    kind: LineKind
    name: str
    sums: Sums
    pick: Pick | None = None
    """The site, where the line is one."""
    crew: str = ""
    """Of a load of a round."""
    day: int = 0


def packages_text(packages: Iterable[tuple[str, int]]) -> str:
    """Packages in words.

    >>> packages_text([("bundle of 25", 2), ("block of 12", 1)]), packages_text([])
    ('2 × bundle of 25; 1 × block of 12', '')
    """
    return "; ".join(f"{count} × {name}" for name, count in packages)


def picks(plan: Plan) -> tuple[Pick, ...]:
    """The plan's sites in picking order.

    Loads come in the order of hanging; inside a load what comes off last goes on first. Without loads the order is that of
    hanging, block by block. Raises ``ValueError`` where the plan's supply is not one entry a site.
    """
    if plan.supply and len(plan.supply) != len(plan.sites):
        raise ValueError(f"supply: {len(plan.supply)} entries for {len(plan.sites)} sites.")
    supply = plan.supply or (None,) * len(plan.sites)
    found = [
        Pick(
            site_id=s.site_id, block_id=s.block_id, number=s.number, row=s.row, tree=s.tree, lon=s.lon, lat=s.lat,
            cavities=s.cavities, females=s.females, males=s.males,
            packages=tuple(u.packages) if u else (),
            facing_deg=u.facing_deg if u else None, compass_deg=u.facing_magnetic_deg if u else None,
            load=u.load if u else 0, place_in_load=u.place_in_load if u else 0, shelters=u.shelters if u else 1,
            packed=u.cavities if u and u.packages else None, short=u.short if u else 0,
        )
        for s, u in zip(plan.sites, supply, strict=True)
    ]  # fmt: skip
    return in_picking_order(found)


def in_picking_order(found: Sequence[Pick]) -> tuple[Pick, ...]:
    """Sites by load and by when they go on; sites without a load last, as they stand."""
    return tuple(sorted(found, key=lambda p: (p.load == 0, p.load, p.place_in_load)))


def has_loads(found: Iterable[Pick]) -> bool:
    """True where a vehicle load is planned for any of the sites."""
    return any(p.load for p in found)


def sums(found: Sequence[Pick]) -> Sums:
    """What the sites take together.

    >>> sums([]).sites, sums([]).packages
    (0, ())
    """
    packages: dict[str, int] = {}
    for pick in found:
        for name, count in pick.packages:
            packages[name] = packages.get(name, 0) + count
    return Sums(
        sites=len(found), shelters=sum(p.shelters for p in found), cavities=sum(p.cavities for p in found), females=sum(p.females for p in found),
        males=sum(p.males for p in found), packages=tuple(packages.items()),
    )  # fmt: skip


def wants(found: Sequence[Pick], supply: SupplyParams | None, word: Callable[[str], str]) -> tuple[Want, ...]:
    """What these sites need on board: kit, and packages or (where none are planned) cavities."""
    total = sums(found)
    if supply is None:
        kit = [Want(name=word("shelters"), amount=total.shelters)]
    else:
        shelters = [p.shelters for p in found]
        things = [(k, needed(k, shelters)) for k in site_kit(supply)]
        kit = [Want(name=kit_text(k.name, word), amount=amount, unit="" if k.unit == PIECE else k.unit) for k, amount in things if amount]
    packages = total.packages or ((word("cavities"), total.cavities),)
    return (*kit, *(Want(name=name, amount=count, is_package=bool(total.packages)) for name, count in packages))


def by_load(found: Sequence[Pick]) -> tuple[tuple[int, tuple[Pick, ...]], ...]:
    """(number of the load, its sites in picking order); the number is 0 for what no load carries."""
    return tuple((load, tuple(own)) for load, own in groupby(in_picking_order(found), key=lambda p: p.load))


def by_block(found: Sequence[Pick]) -> tuple[tuple[str, tuple[Pick, ...]], ...]:
    """(block, its sites by number), blocks as they first come."""
    names = dict.fromkeys(p.block_id for p in found)
    own: dict[str, list[Pick]] = {name: [] for name in names}
    for pick in found:
        own[pick.block_id].append(pick)
    return tuple((name, tuple(sorted(own[name], key=lambda p: p.number))) for name in names)


def pick_lines(found: Sequence[Pick]) -> tuple[PickLine, ...]:
    """Lines in picking order, each load (or block, where there are no loads) with its total, the ranch's total last.

    Totals are summed from the lines listed, so that they hold for exactly those.
    """
    return tuple(_lines(found))


def _lines(found: Sequence[Pick]) -> Iterator[PickLine]:
    if has_loads(found):
        for load, own in by_load(found):
            yield from _site_lines(own)
            if load:
                yield PickLine(kind="load total", name=str(load), sums=sums(own), crew=own[0].crew, day=own[0].day)
        for block_id, own in by_block(found):
            yield PickLine(kind="block total", name=block_id, sums=sums(own))
    else:
        for block_id, own in by_block(found):
            yield from _site_lines(own)
            yield PickLine(kind="block total", name=block_id, sums=sums(own))
    yield PickLine(kind="ranch total", name="", sums=sums(found))


def _site_lines(own: Sequence[Pick]) -> Iterator[PickLine]:
    return (PickLine(kind="site", name=p.site_id, sums=sums([p]), pick=p) for p in own)
