"""Options of stocking and supply. Every number carries its unit word: females, males, bees, cocoons, cavities."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal

Reading = Literal["released", "nesting"]
Material = Literal["tubes", "laminate", "reed", "block", "other"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StockingParams:
    """Released bees an acre, cavities for each female, and cocoons that make up for losses."""

    preset: str = ""
    """Name of a preset in supply.stocking; '' = the crop's own."""
    females_per_acre: float | None = None
    """Overrides the preset."""
    males_per_female: float | None = None
    reading: Reading = "released"
    """What the females an acre count: those released, or those that come to nest (then more are released)."""
    cavities_per_female: float = 2.0
    """At least two for each female released: common practice, no source; 0.9–1.4 tubes were used a female in field tunnels
    (Schmolke, Galic & Hinarejos 2023, J. Appl. Ecol. 60:2573–2585, tables)."""
    cavities_warn: int = 100
    """Boxes with more than 100 holes are less attractive (NC State Extension, citing Artz et al. 2013, 2014)."""
    expected_emergence: float = 0.75
    """Share of cocoons from which a bee comes out: from memory, no source; take that of your own X-rayed or opened sample."""
    retention: float = 0.544
    """Share of emerged females that come to nest: O. cornuta in almond (Bosch, Osorio-Canadas, Sgolastra & Vicens 2021,
    Insects 12:56); 0.5–0.75 in the parameter tables of Schmolke, Galic & Hinarejos 2023."""
    reserve: float = 0.0
    """Cocoons on top, as a share; none unless asked for."""
    batches: int = 1
    """Equal parts in which cocoons are warmed, one after the other."""
    honey_bees: Literal["full", "reduced"] = "full"
    """Which honey-bee rate of the preset stands beside the mason bees."""
    hives_per_acre: float | None = None
    """Overrides the preset's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PackageParams:
    """One thing that holds cavities, as it stands in the yard or can be bought: a bundle of tubes, a block of tunnels, reeds."""

    name: str = ""
    kind: Material = "tubes"
    """Material; a site gets one where possible."""
    cavities: int = 0
    """In one package."""
    diameter_mm: float | None = None
    """Inside; 7.5 mm is preferred by O. lignaria (Mader, Spivak & Evans 2010, SARE Handbook 11)."""
    depth_mm: float | None = None
    """152 mm (6 in): the same source."""
    cost: float | None = None
    """Of one package; None = not known, and then no cost is stated."""
    stock: int = 0
    """On hand."""
    buyable: bool = False
    lead_days: int = 0
    """Days from order to delivery."""
    lot: str = ""
    sanitised: date | None = None
    """Day on which a used lot was cleaned; a used lot without one stays in the yard."""
    from_block: str = ""
    """Block where it was in use; '' = new."""
    disease: bool = False
    """Whether disease was found in the lot."""
    volume_l: float | None = None
    mass_kg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class KitParams:
    """One thing that goes with each shelter or each site."""

    name: str = ""
    per: Literal["shelter", "site"] = "shelter"
    each: float = 1.0
    """How many, or how much, for each."""
    unit: str = "piece"
    cost: float | None = None
    """Of one unit."""
    stock: float = 0.0
    lead_days: int = 0
    volume_l: float | None = None
    """Of one unit."""
    mass_kg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyParams:
    """What hangs at a site, what is on hand, what carries it, and what it costs. Prices and sizes are never made up."""

    packages: tuple[PackageParams, ...] = ()
    kit: tuple[KitParams, ...] = ()
    """Named like one of the standard kit it replaces that; other names are added."""
    facing_deg: float | None = None
    """Bearing of the openings from true north; None = what is usual on that side of the equator (`supply.kit.usual_facing`)."""
    height_m: float = 1.5
    """About 5 ft (NC State Extension, bee hotel checklist)."""
    mount: Literal["post", "hanger"] = "post"
    """On a post with an anchor, or hung from the tree."""
    shelter_cavities: int | None = None
    """Cavities that one shelter takes; a site that gets more carries several. None = one shelter a site."""
    needed_by: date | None = None
    """Day on which everything has to be in the yard."""
    currency: str = ""
    """Word or sign printed before prices."""
    load_shelters: int | None = None
    """Shelters that the vehicle takes at once; None = no limit."""
    load_l: float | None = None
    load_kg: float | None = None
    """Payload. The vehicle's own plate comes first."""
    female_cocoon_cost: float | None = None
    male_cocoon_cost: float | None = None
    female_cocoon_ml: float | None = None
    """Room that one loose cocoon takes, gaps included; no figure is published, so measure a cupful of yours."""
    male_cocoon_ml: float | None = None
    tray_depth_m: float = 0.0635
    """Depth of loose cocoons while warming: at most 2–3 in, common practice, no source."""
    tray_length_m: float | None = None
    tray_width_m: float | None = None
    shelf_trays: int | None = None
    """Trays that one shelf takes."""
    site_minutes: float | None = None
    """Work to hang and fetch one site."""
    hour_cost: float | None = None
    """Of one hour of work."""
    compare_low: float = 8.0
    """Sites an acre between which the cost of a change is told: 8–10 an acre is common practice."""
    compare_high: float = 10.0
