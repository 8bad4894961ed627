"""The types of an orchard. All coordinates are metres in the orchard's one local plane.

Few, named things (blocks, roads) are tuples of objects; many points (trees, stations) are structs of read-only arrays.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import IntFlag, StrEnum
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from shapely import LineString, MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry

from mudcap.geo.plane import LocalPlane


class Role(StrEnum):
    """What a layer of the input stands for."""

    BLOCKS = "blocks"
    ROADS = "roads"
    ALLEYS = "alleys"
    GATES = "gates"
    YARD = "yard"
    SPRAY_LANES = "spray_lanes"
    MUD_SOURCES = "mud_sources"
    WATER_POINTS = "water_points"
    DITCHES = "ditches"
    KEEP_OUTS = "keep_outs"
    SOIL = "soil"
    TREES = "trees"
    ROWS = "rows"
    FORAGE = "forage"
    HIVES = "hives"
    HAZARDS = "hazards"
    CHEMICAL_STORE = "chemical_store"
    CLOSURES = "closures"


MODES: Final = frozenset({"truck", "cart", "foot"})
"""How a crew gets about: with a truck, with a cart (ATV, UTV), on foot."""


class Exclusion(IntFlag):
    """Why a candidate may not carry a shelter; 0 = it may."""

    NONE = 0
    SPRAY_LANE = 1
    KEEP_OUT = 2
    HIVES = 4
    HAZARD = 8
    CHEMICAL_STORE = 16
    TOO_FAR_TO_WALK = 32
    NO_ACCESS = 64
    NO_MUD = 128
    BANNED = 256
    BLOCK_EDGE = 512
    CLOSED = 1024


FindingLevel = Literal["note", "warning", "error"]
Season = tuple[tuple[int, int], tuple[int, int]]
"""First and last (month, day) of a stretch of every year; it may pass the turn of the year."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Finding:
    """One thing the program saw in the input or the plan, said once, with where it is."""

    level: FindingLevel
    """`note`: for information; `warning`: read before hanging; `error`: the feature (or the run) is refused."""
    code: str
    """Short stable key in snake_case, for tests and for report.json."""
    layer: str
    """File (and layer) or role the finding is about; '' where it is about the plan."""
    feature: str
    """Name or number of the feature; '' where it is about the whole layer."""
    text: str
    """One sentence: what, where, how much, and the next step."""
    acres_changed: float | None = None
    """Acres by which a repair changed the feature, signed; None where no area was touched."""
    geometry: BaseGeometry | None = None
    """Where, in the local plane."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TreeRows:
    """The rows and trees (or tree stations) of one block; row 1, tree 1 stands at the named corner."""

    source: Literal["spacing", "trees", "lines", "assumed"]
    """From bearing and spacings, a tree layer, row lines, or assumed from the block's longest side."""
    corner: str
    """Corner where row 1, tree 1 stands: 'NE', 'NW', 'SE' or 'SW' (or 'N', 'E', 'S', 'W' for angled blocks)."""
    bearing_deg: float
    """Direction in which tree numbers grow, degrees clockwise from true north, 0 ≤ bearing < 360."""
    row_spacing_m: float
    tree_spacing_m: float
    row_number: NDArray[np.int64]
    """(r,) row numbers as crews count them, ascending; consecutive numbers are neighbouring rows."""
    row_line: tuple[LineString, ...]
    """(r,) each row's line from its low tree numbers to its high ones."""
    tree_xy: NDArray[np.float64]
    """(n, 2) trees, in order of row, then tree number."""
    tree_row: NDArray[np.int64]
    """(n,) row number of each tree."""
    tree_number: NDArray[np.int64]
    """(n,) tree number in its row; a missing tree leaves its number out."""
    weight: NDArray[np.float64]
    """(n,) bloom need of each tree, 1 for the main variety."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Alley:
    """A drive row (middle) between two neighbouring tree rows, or outside the first or last row."""

    block_id: str
    left_row: int
    """Row number on the lower-numbered side; 0 (first row − 1) where the alley lies outside the first row."""
    right_row: int
    line: LineString
    """From the low-tree-number end to the high one."""
    width_m: float
    is_spray_lane: bool = False
    """True where the crew's sprayer is known to drive here (drawn, or every k-th alley)."""
    one_way: Literal["", "up", "down"] = ""
    """`up`: only towards growing tree numbers."""
    closed: tuple[tuple[date, date], ...] = ()
    """Dates (first, last) on which it cannot be driven, e.g. by irrigation; one may walk there."""
    modes: frozenset[str] | None = None
    """Who may use it; None: as the travel options say."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AlleyRule:
    """What a drawn line says of the alleys along which it runs."""

    name: str
    line: LineString
    one_way: bool = False
    """True where they are driven only in the direction in which the line is drawn."""
    modes: frozenset[str] | None = None
    closed: tuple[tuple[date, date], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Block:
    """One orchard block. Its polygon is valid, finite and positive in area: it can only come from the checks."""

    block_id: str
    """Unique, cleaned of control characters; shown to people."""
    code: str
    """Up to 3 capital letters or digits, unique in the ranch; starts each site_id."""
    layer: str
    """File (and layer) that it was read from."""
    polygon: Polygon | MultiPolygon
    acres: float
    """Geodesic area on WGS 84, international acres, holes taken out."""
    crop: str = "almond"
    cultivar: str = ""
    row_bearing_deg: float | None = None
    """Given row direction, degrees from true north; None where it has to be inferred."""
    row_spacing_m: float | None = None
    tree_spacing_m: float | None = None
    headland_m: float | None = None
    """Width kept free of trees at both row ends."""
    corner: str | None = None
    """Corner from which crews count, as given."""
    trellis: bool = False
    """True where nobody can step across a tree row (trellis, hedge)."""
    rows: TreeRows | None = None
    alleys: tuple[Alley, ...] = ()
    headlands: tuple[LineString, ...] = ()
    """Lines along which a vehicle turns at the row ends."""
    attributes: Mapping[str, str] = field(default_factory=dict)
    """The other columns of the input, as text, cleaned."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Road:
    """A farm road a vehicle may use."""

    name: str
    line: LineString
    width_m: float
    surface: str = ""
    modes: frozenset[str] = MODES
    one_way: bool = False
    """True where vehicles go only in the direction in which the line is drawn; people walk both ways."""
    bridge: frozenset[str] = MODES
    """Who gets over the ditches that it crosses: a drawn road is taken to have its bridge or culvert."""
    closed: tuple[tuple[date, date], ...] = ()
    """Dates (first, last) on which it cannot be driven; one may walk there."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MudSource:
    """A wet spot, ditch or wet road where bees can take mud."""

    name: str
    geometry: BaseGeometry
    texture: str = ""
    """USDA texture class or '' where unknown."""
    clay_share: float | None = None
    is_clean: bool = True
    wet: tuple[tuple[date, date], ...] = ()
    """Dates (first, last) when it is wet; () = always."""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KeepOut:
    """Ground where no shelter may stand, with its setback."""

    name: str
    geometry: BaseGeometry
    setback_m: float
    reason: str
    """What it is, in the input's words: 'pond', 'pump house', 'hives', 'power line', …"""
    rule: Exclusion = Exclusion.KEEP_OUT
    """The rule it comes under: keep-out, hives, hazard or chemical store."""
    passable: bool | None = None
    """Whether crews may drive and walk over it, as the input says; None: as its rule and shape let one think
    (`orchard.barriers.impassable`)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SprayLane:
    """A drawn line along which sprayers drive; nothing stands in the swept width."""

    name: str
    line: LineString
    swept_m: float
    """Full width swept, centred on the line."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Closure:
    """Ground or a block that may not be entered between two dates."""

    name: str
    geometry: BaseGeometry
    first: date | None
    last: date | None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Feature:
    """Anything else that is carried and shown: gate, yard, water point, ditch, forage strip, soil polygon, hazard."""

    role: Role
    name: str
    geometry: BaseGeometry
    attributes: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Gate(Feature):
    """A gate that does not let everybody through."""

    locked: frozenset[str] = frozenset()
    """Who is stopped by its lock: usually truck and cart, while one gets past on foot."""
    modes: frozenset[str] = MODES
    """Who gets through when it is open."""
    has_key: bool = False
    """True where the crew has the key."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Orchard:
    """Everything known of one ranch, in one local plane."""

    name: str
    plane: LocalPlane
    blocks: tuple[Block, ...]
    roads: tuple[Road, ...] = ()
    spray_lanes: tuple[SprayLane, ...] = ()
    mud_sources: tuple[MudSource, ...] = ()
    keep_outs: tuple[KeepOut, ...] = ()
    """Keep-outs proper, hives and hazards alike; `reason` tells which."""
    closures: tuple[Closure, ...] = ()
    gates: tuple[Feature, ...] = ()
    """Those that do not let everybody through are `Gate`s."""
    yard: Point | None = None
    """Where rounds start and end."""
    features: tuple[Feature, ...] = ()
    """Water points, ditches, soil, forage, hazards, hives, chemical stores (those that bar sites also stand in keep_outs)."""
    refused: tuple[RefusedBlock, ...] = ()
    """Blocks of the input that could not be used; they are in no other part."""
    tree_points: tuple[TreePoints, ...] = ()
    row_lines: tuple[RowLine, ...] = ()
    alley_rules: tuple[AlleyRule, ...] = ()
    season: Season | None = None
    """First and last day of nesting where the options name them; None = what is usual (`orchard.mud.nesting_season`)."""

    @property
    def is_south(self) -> bool:
        """True where the ranch lies south of the equator."""
        return self.plane.zones[0].lat0 < 0


@dataclass(frozen=True, slots=True, kw_only=True)
class RefusedBlock:
    """A block of the input that could not be used, so that the plan can say so."""

    name: str
    layer: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TreePoints:
    """Trees as read from a layer, before rows are inferred."""

    layer: str
    xy: NDArray[np.float64]
    """(n, 2)"""
    row: NDArray[np.int64] | None = None
    """(n,) row numbers if the layer gives them."""
    tree: NDArray[np.int64] | None = None
    weight: NDArray[np.float64] | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RowLine:
    """A tree row as drawn."""

    layer: str
    line: LineString
    number: int | None = None
    row_spacing_m: float | None = None
    """What the layer says of the rows there; a block's own spacing comes first."""
    tree_spacing_m: float | None = None
