"""What a finished plan claims, in plain data, for a checker that shares no code with whatever made it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

import numpy as np
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from mudcap.geo.plane import LocalPlane
from mudcap.orchard.model import Exclusion


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteClaim:
    """One site as the plan states it; the fields are those of a plan's site."""

    site_id: str
    block_id: str
    number: int
    """1 … n in its block."""
    row: int
    tree: int
    x_m: float
    y_m: float
    lon: float
    lat: float
    trees: float
    """Weighted trees served."""
    farthest_m: float
    females: int
    males: int
    cavities: int
    walk_m: float
    mud_m: float
    pinned: bool = False
    flags: int = 0
    """Exclusion bits that the plan says it overrides here."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CoverageClaim:
    """Service numbers of one block as the plan states them."""

    mean_m: float
    p95_m: float
    farthest_m: float
    trees_min: float
    trees_mean: float
    trees_max: float
    trees_cv: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelClaim:
    """One level of the objective: its name (farthest, mean, mean_square, cv, driven_rows), value and certified bound."""

    name: str
    value: float
    bound: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BlockClaim:
    """One block as the plan states it."""

    block_id: str
    code: str
    """Start of its site ids."""
    polygon: Polygon | MultiPolygon
    """In the local plane."""
    acres: float
    quota: int
    """Sites asked for, those added by hand included."""
    sites: int
    trees: int
    may_differ: bool = False
    """True where the plan says that a limit was relaxed or a fallback taken: fewer sites than the quota, and sites that
    a declared rule speaks against, are then no fault."""
    served_by: tuple[str, ...] = ()
    """Other blocks, across a border, whose sites may serve its trees."""
    coverage: CoverageClaim | None = None
    levels: tuple[LevelClaim, ...] = ()
    females: int = 0
    males: int = 0
    cavities: int = 0
    females_per_acre: float | None = None
    """Rate that the females follow from; None where they were set otherwise (then it is not checked)."""
    males_per_female: float | None = None
    cavities_per_female: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PuddleClaim:
    """One puddle as the plan states it."""

    name: str
    x_m: float
    y_m: float
    sites: tuple[int, ...]
    """Numbers of the sites that take mud from it because no clean mud is near."""
    farthest_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MudClaim:
    """What a plan states of mud brought to the sites."""

    limit_m: float
    puddles: tuple[PuddleClaim, ...]
    bound: int
    """Fewest puddles that could do."""
    unserved: tuple[tuple[int, float], ...]
    """(number of the site, metres missing) where no puddle can be made near enough."""
    tour_m: float
    tour_bound_m: float
    leg_m: tuple[float, ...]
    """Metres of each piece of the water truck's way."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReleaseClaim:
    """One release point as the plan states it."""

    name: str
    block_id: str
    x_m: float
    y_m: float
    row: int
    tree: int
    females: int
    males: int
    containers: int
    capacity: int
    """Cocoons that a container holds."""
    cocoons_a_bee: float
    """Cocoons set out for each bee that is to come out, reserve included."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Zone:
    """Ground that is barred: a keep-out, hives, a hazard, a store, a closure, or a swept lane round its centre line."""

    name: str
    geometry: BaseGeometry
    clear_m: float
    """A site nearer than this to the ground breaks the rule."""
    flag: Exclusion
    """The rule it belongs to."""
    half_width_m: float = 0.0
    """Half the width swept along a line, square at both ends; 0 where the geometry is the ground itself."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Wall:
    """What nobody drives or walks through."""

    name: str
    geometry: BaseGeometry


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stations:
    """Where row and tree numbers stand (read-only arrays)."""

    xy: NDArray[np.float64]
    """(n, 2) [m]"""
    block: NDArray[np.int64]
    """(n,) index into `Claim.blocks`."""
    row: NDArray[np.int64]
    tree: NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trees:
    """The trees, and who serves each (read-only arrays)."""

    xy: NDArray[np.float64]
    """(m, 2) [m]"""
    weight: NDArray[np.float64]
    """(m,)"""
    block: NDArray[np.int64]
    """(m,) index into `Claim.blocks`."""
    assigned: NDArray[np.int64]
    """(m,) index into `Claim.sites`; -1 where no site serves the tree."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PackageClaim:
    """One package as the options state it, and what the plan says becomes of it."""

    name: str
    cavities: int
    stock: int
    buyable: bool
    used_before: bool
    """Has held nests, so it must have been cleaned."""
    cleaned: date | None
    disease: bool
    from_block: str
    out: int
    """That go out, as the plan states it."""
    bought: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadClaim:
    """One vehicle load as the plan states it."""

    number: int
    sites: tuple[int, ...]
    """In hanging order."""
    shelters: int


@dataclass(frozen=True, slots=True, kw_only=True)
class GoodsClaim:
    """What the plan says goes to each site from the yard."""

    packages: tuple[PackageClaim, ...]
    given: tuple[tuple[tuple[str, int], ...], ...]
    """For each site (name of the package, how many)."""
    cavities: tuple[int, ...]
    """In them, as stated."""
    short: tuple[int, ...]
    """Cavities that the plan says are missing."""
    shelters: tuple[int, ...]
    loads: tuple[LoadClaim, ...] = ()
    """() where no vehicle is named."""
    place_in_load: tuple[tuple[int, int], ...] = ()
    """For each site (load, place in it), 1 on first."""
    load_shelters: int | None = None
    """Shelters that the vehicle takes; None = no limit."""
    needed_by: date | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Claim:
    """Everything a plan claims that can be computed again from the ground and the chosen places."""

    plane: LocalPlane
    blocks: tuple[BlockClaim, ...]
    sites: tuple[SiteClaim, ...]
    """By block in the order of `blocks`, then by number."""
    trees: Trees
    stations: Stations
    zones: tuple[Zone, ...] = ()
    block_edge_m: float = 0.0
    """Least distance of a site from its block's boundary."""
    walk_limit_m: float = np.inf
    drivable: tuple[BaseGeometry, ...] | None = None
    """Lines on which a vehicle may stop; no walk is shorter than the straight way to them. None = not checked."""
    walls: tuple[Wall, ...] = ()
    ways: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 4)))
    """(k, 4) [x1 y1 x2 y2] straight pieces of way on which anybody drives or walks; none leads through a wall."""
    roads: tuple[BaseGeometry, ...] = ()
    """Drawn roads, and the stubs that join them, the yard and gates: these may."""
    mud: tuple[BaseGeometry, ...] | None = None
    """Clean mud sources, from which `mud_m` follows. None = not checked."""
    mud_limit_m: float = np.inf
    """Farthest mud where the limit bars sites; inf where it only flags them."""
    brought: MudClaim | None = None
    """Puddles that bring mud; None where the plan makes none."""
    release: tuple[ReleaseClaim, ...] | None = None
    """Where cocoons are set out. None = not checked."""
    banned_xy: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 2)))
    """(k, 2) places on which no site may stand."""
    pinned_xy: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 2)))
    """(k, 2) places that must carry a site."""
    earlier_ids: frozenset[str] = frozenset()
    """Ids that an earlier plan gave to sites that may still stand."""
    earlier_serial: Mapping[str, int] = field(default_factory=dict)
    """Last serial used in each block code before this plan."""
    last_serial: Mapping[str, int] = field(default_factory=dict)
    """Last serial used in each block code with this plan."""
    females: int | None = None
    """Ranch totals; None = not claimed."""
    males: int | None = None
    cavities: int | None = None
    goods: GoodsClaim | None = None
    """None where no goods are planned."""
