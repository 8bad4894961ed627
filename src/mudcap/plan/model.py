"""What a plan is made of: options, edits, sites, and the plan itself."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from mudcap.geo.units import Units
from mudcap.orchard.model import Finding, Orchard
from mudcap.orchard.network import TravelNetwork
from mudcap.orchard.params import RowParams, TravelParams
from mudcap.place.candidates import Candidates
from mudcap.place.coverage import Coverage
from mudcap.place.demand import Demand
from mudcap.place.params import AccessParams, MudParams, PlaceParams
from mudcap.place.problem import Level
from mudcap.supply.model import BlockBees, PuddlePlan, ReleasePoint, SiteSupply, SupplyPlan
from mudcap.supply.params import StockingParams, SupplyParams
from mudcap.supply.release import ReleaseParams


@dataclass(frozen=True, slots=True, kw_only=True)
class Params:
    """All options of one run, as the toml file nests them."""

    ranch: str = ""
    """Name printed on every page."""
    plan_date: date | None = None
    """Date printed on every page; blank to fill in by hand where None."""
    units: Units = "us"
    crop: str = "almond"
    """Crop of blocks that do not say."""
    rows: RowParams = field(default_factory=RowParams)
    travel: TravelParams = field(default_factory=TravelParams)
    access: AccessParams = field(default_factory=AccessParams)
    mud: MudParams = field(default_factory=MudParams)
    place: PlaceParams = field(default_factory=PlaceParams)
    stocking: StockingParams = field(default_factory=StockingParams)
    release: ReleaseParams = field(default_factory=ReleaseParams)
    supply: SupplyParams | None = None
    """None where the options say nothing of goods: then nothing is planned of them."""


EditKind = Literal["pin", "ban", "move", "add"]
Place = tuple[float, float]
"""WGS 84 longitude and latitude."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Edit:
    """One change by hand, as it comes from the orchard."""

    kind: EditKind
    lon: float | None = None
    """WGS 84 position (for `move`: where the site goes); None where site_id or address says it all."""
    lat: float | None = None
    site_id: str = ""
    """Site of an earlier plan that the edit is about ('' where the position says it)."""
    note: str = ""
    source: str = ""
    """File and line or feature, for messages."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierSite:
    """A site of the plan that was there before."""

    site_id: str
    block_id: str
    lon: float
    lat: float
    row: int = 0
    """Row and tree as that plan numbered them; 0 where it is not known."""
    tree: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Earlier:
    """What an earlier plan leaves to this one: its sites, the last serial used in each block code, and by site_id the places that sites
    were moved or taken from by hand."""

    sites: tuple[EarlierSite, ...] = ()
    last_serial: Mapping[str, int] = field(default_factory=dict)
    left: Mapping[str, tuple[Place, ...]] = field(default_factory=dict)

    def beside(self, other: Earlier) -> Earlier:
        """The same sites, with serials used by the other plan too."""
        codes = {*self.last_serial, *other.last_serial}
        most = {code: max(self.last_serial.get(code, 0), other.last_serial.get(code, 0)) for code in codes}
        return replace(self, last_serial=most)


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """One shelter: who it is, how a crew walks to it, and what it gets."""

    site_id: str
    """Immutable, never reused: block code and serial, such as 'CRK0012'."""
    block_id: str
    number: int
    """1 … n within the block, in hanging order; the number on the map."""
    row: int
    tree: int
    x_m: float
    y_m: float
    lon: float
    lat: float
    trees: float
    """Weighted trees that this site serves."""
    farthest_m: float
    """Distance to the farthest tree that it serves and that wants bees."""
    females: int
    """Females released for this site's trees."""
    males: int
    cavities: int
    walk_m: float
    """Walk from where the vehicle may stop."""
    mud_m: float
    """Distance to the nearest clean mud; inf where there is none."""
    pinned: bool = False
    flags: int = 0
    """Exclusion flags that a pin or a relaxed limit overrides here; 0 normally."""

    @property
    def address(self) -> str:
        """Row and tree as a crew counts them, such as 'R14 T23'."""
        return f"R{self.row} T{self.tree}"


BlockStatus = Literal["planned", "relaxed", "fallback", "no_site", "refused"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BlockPlan:
    """What was planned for one block, and what is proven of it."""

    block_id: str
    status: BlockStatus
    """`relaxed`: a limit was widened where it clashed; `fallback`: the stated fallback layout; `no_site`: no shelter fits."""
    reason: str
    """A sentence where the status is not `planned` or the search was cut short."""
    acres: float
    trees: int
    quota: int
    """Sites asked for."""
    sites: int
    coverage: Coverage | None
    levels: tuple[Level, ...] = ()
    excluded: Mapping[str, int] = field(default_factory=dict)
    """Stations that each rule excluded, by the rule's name."""
    stations: int = 0
    driven_rows: int = 0
    driven_m: float = 0.0
    females: int = 0
    males: int = 0
    cavities: int = 0
    beyond_mud: int = 0
    """Sites farther from clean mud than the limit."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan:
    """Everything one run made, and all that it was made from."""

    orchard: Orchard
    params: Params
    edits: tuple[Edit, ...]
    network: TravelNetwork
    candidates: Candidates
    demand: Demand
    assigned: NDArray[np.int64]
    """(m,) for each demand point the index into `sites` of the site that serves it; -1 where none does."""
    sites: tuple[Site, ...]
    """By block in orchard order, then by number."""
    blocks: tuple[BlockPlan, ...]
    findings: tuple[Finding, ...]
    last_serial: Mapping[str, int]
    number: str
    """Eight characters of a hash over inputs, options and edits: the plan number on each page."""
    reproducible: bool = True
    """False where the safety clock or a fallback had a hand in it."""
    puddles: PuddlePlan | None = None
    """None where the mud mode plans none."""
    release: tuple[ReleasePoint, ...] = ()
    supply: tuple[SiteSupply, ...] = ()
    """By site, in the order of `sites`; () where supply was not planned."""
    supply_plan: SupplyPlan | None = None
    """What the yard must have ready; None where supply was not planned."""
    left: Mapping[str, tuple[Place, ...]] = field(default_factory=dict)
    """By site_id, the places that sites were moved or taken from by hand; what the next plan must know of edits it finds again."""
    bees: tuple[BlockBees, ...] = ()
    """Cocoons, nesting females and hives of each block that has sites."""

    @property
    def has_fault(self) -> bool:
        """True where the independent checker found that something does not hold."""
        return any(f.level == "error" and f.code.startswith("audit_") for f in self.findings)

    def site_index(self, block_id: str) -> range:
        """Positions in `sites` of one block's sites."""
        first = next((i for i, s in enumerate(self.sites) if s.block_id == block_id), 0)
        return range(first, first + sum(s.block_id == block_id for s in self.sites))
