"""What a plan gives out besides the sites: puddles to wet, release points, and what each site takes from the yard."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal

from shapely import MultiLineString

from mudcap.place.problem import Status

StandKind = Literal["road", "headland", "alley"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Puddle:
    """One place where a water truck keeps clay wet."""

    name: str
    """Short and unique in the ranch, such as 'P3'."""
    x_m: float
    y_m: float
    lon: float
    lat: float
    block_id: str
    """Nearest block."""
    stand: StandKind
    """Where the truck stands."""
    address: str
    """How a driver finds it, such as 'Mill Lane, beside row 14'."""
    sites: tuple[int, ...]
    """Indices into the plan's sites of those that need it: no clean mud within the limit, and this the nearest puddle."""
    farthest_m: float
    """Farthest of them."""
    litres: float
    """Water for one wetting."""
    stand_x_m: float = float("nan")
    """Where the truck stands."""
    stand_y_m: float = float("nan")
    leg_m: float = 0.0
    """Metres of the water round from the stop before."""
    is_filled_before: bool = False
    """True where the tank is filled on the way to it."""
    clay_share: float | None = None
    """Share of clay of the ground, where a soil layer says; None elsewhere."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PuddlePlan:
    """The fewest puddles that bring mud within the limit of every site that has none, and the water truck's round."""

    puddles: tuple[Puddle, ...]
    """In the order in which the water truck comes to them."""
    bound: int
    """Certified lower bound on the number of puddles."""
    status: Status
    unserved: tuple[tuple[int, float], ...]
    """(index of the site, metres missing) where no truck position is within the limit."""
    rewet_days: int
    """Days between two wettings in dry weather."""
    tour: MultiLineString
    """The truck's way, in order."""
    tour_m: float
    tour_s: float
    fills: int
    """Tank fillings on the round."""
    tour_bound_m: float = 0.0
    """No round over these puddles is shorter; equal to `tour_m` where the round is exact."""
    starts_at: str = "yard"
    """Where the round begins and ends: 'yard', or 'entry' where no yard is known."""
    fills_at: str = "yard"
    """Where the tank is filled: 'water points', 'yard' or 'entry'."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReleasePoint:
    """One place where cocoons are set out."""

    name: str
    """Short and unique in the ranch, such as 'A2'."""
    block_id: str
    x_m: float
    y_m: float
    lon: float
    lat: float
    row: int
    tree: int
    females: int
    """Female cocoons set out here."""
    males: int
    containers: int
    farthest_m: float
    """Farthest tree of its share."""
    lane_m: float
    """Clear distance from the nearest spray lane; inf where there is none."""

    @property
    def address(self) -> str:
        """Row and tree as a crew counts them, such as 'R14 T23'."""
        return f"R{self.row} T{self.tree}"


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyLevel:
    """One level of the packages' objective: what was reached, and what no filling can be below."""

    name: str
    value: float
    bound: float | None
    """None where nothing is proven."""
    status: Status


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteSupply:
    """What one site takes from the yard."""

    packages: tuple[tuple[str, int], ...]
    """(name of the package, how many); () where no packages are named in the options."""
    cavities: int
    """Cavities in them; at least the site's own number where the stock and what is bought suffice."""
    facing_deg: float | None
    """Bearing of the openings from true north."""
    facing_magnetic_deg: float | None
    """The same for a compass on the planned date; None without a date."""
    load: int
    """Number of the vehicle load that carries it, from 1; 0 where the options name no vehicle."""
    place_in_load: int
    """1 goes on first and comes off last; 0 where the options name no vehicle."""
    short: int = 0
    """Cavities missing because neither stock nor purchase covers them."""
    shelters: int = 1
    height_m: float | None = None
    """Of the openings above ground."""
    volume_l: float | None = None
    """Of all that goes to the site and whose volume the options say; None where they say it of nothing."""
    mass_kg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CocoonBatch:
    """Cocoons that are warmed together."""

    females: int
    """Female cocoons."""
    males: int


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockBees:
    """Bees and cocoons of one block. Released, nesting and cocoons are three numbers and never one."""

    block_id: str
    acres: float
    preset: str
    source: str
    """Of the rate; '' where it was asked for."""
    rate: float
    """Females an acre as stated."""
    reading: str
    """'released' or 'nesting': what the rate is taken to count."""
    said: str
    """What the source says that it counts; '' where it does not say."""
    females: int
    """Females released."""
    males: int
    nesting_females: int
    """Females expected to stay and nest."""
    female_cocoons: int
    """To buy or warm, the reserve included."""
    male_cocoons: int
    batches: tuple[CocoonBatch, ...]
    other_females: int
    """Females released if the rate were read the other way."""
    other_female_cocoons: int
    hives_per_acre: float | None
    """Honey-bee hives beside them; None where no figure was found."""
    hives_full: float | None
    hives_reduced: float | None
    hives_source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PackageUse:
    """What becomes of one package of the options."""

    name: str
    kind: str
    lot: str
    cavities: int
    used: int
    """That go out."""
    stock: int
    """On hand."""
    bought: int
    """That have to be bought."""
    order_by: date | None
    """Last day to order; None where nothing is bought or no day of need is named."""
    cost: float | None
    """Of what is bought; None where the price is not known."""
    kept_back: str
    """Why stock stays in the yard; '' where it may go out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KitUse:
    """One line of the bill of materials."""

    name: str
    unit: str
    needed: float
    stock: float
    bought: float
    order_by: date | None
    cost: float | None
    """Of what is bought; None where the price is not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """What one vehicle takes out at once."""

    number: int
    """From 1, in hanging order."""
    sites: tuple[int, ...]
    """Indices of the sites in hanging order; the last of them goes on first."""
    shelters: int
    litres: float
    kg: float
    over: bool = False
    """True where a single site is more than the vehicle takes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trays:
    """Room for loose cocoons."""

    litres: float
    area_m2: float
    """At the depth of the options."""
    trays: int | None
    """None where no tray size is given."""
    shelves: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Costs:
    """What the plan takes in money; a part whose price is missing is None, and so is every sum over it."""

    packages: float | None
    """Everything that goes out, at its price, whether on hand or bought."""
    kit: float | None
    cocoons: float | None
    work: float | None
    total: float | None
    per_acre: float | None
    per_site: float | None
    purchases: float | None
    """Packages, kit and cocoons that have to be bought."""
    missing: tuple[str, ...] = ()
    """Things whose price is not given."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DensityCost:
    """Material and work at another number of sites an acre, the same bees shared evenly."""

    per_acre: float
    sites: int
    cost: float | None
    """Packages, kit and work at their prices."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyPlan:
    """Everything that the yard has to have ready, over all sites."""

    packages: tuple[PackageUse, ...]
    levels: tuple[SupplyLevel, ...]
    """Of the packages; () where none are named."""
    kit: tuple[KitUse, ...]
    kit_by_block: tuple[tuple[str, tuple[tuple[str, float, str], ...]], ...]
    """(block, ((name, how many, unit), …))."""
    packages_by_block: tuple[tuple[str, tuple[tuple[str, int], ...]], ...]
    loads: tuple[Load, ...]
    warming: Trays | None
    """For the largest batch; None where no cocoon size is given."""
    cold_store: Trays | None
    """For all cocoons at once."""
    costs: Costs
    costs_by_block: tuple[tuple[str, Costs], ...]
    compare: tuple[DensityCost, ...]
    """Two numbers of sites an acre; () where prices are missing."""
    currency: str = ""
    without_volume: tuple[str, ...] = ()
    """Things that go out and whose volume the options do not say."""
    without_mass: tuple[str, ...] = ()
