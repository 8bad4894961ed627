"""What a plan gives out besides the sites: puddles to wet, release points, and what each site takes from the yard."""

from __future__ import annotations

from dataclasses import dataclass
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
    """Indices into the plan's sites of those whose nearest mud this is."""
    farthest_m: float
    """Farthest of them."""
    litres: float
    """Water for one wetting."""


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
    """Number of the vehicle load that carries it, from 1."""
    place_in_load: int
    """1 goes on first and comes off last."""
