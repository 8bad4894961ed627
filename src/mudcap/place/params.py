"""Options of placement: how many, how even, and what keeps a station from carrying a shelter."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True, kw_only=True)
class AccessParams:
    """What keeps a shelter away; each default is common practice, no source, and can be set in mudcap.toml."""

    spray_clear_m: float = 1.5
    """Clear distance from the width a sprayer sweeps."""
    block_edge_m: float = 0.0
    """Field trials favour edges (Boyle et al. 2020, Ecol. Evol. 10:3189–3199), so none is kept."""
    keep_out_m: float = 3.0
    hives_m: float = 30.0
    hazard_m: float = 3.0
    chemical_store_m: float = 30.0
    walk_m: float = 60.0
    """Longest walk from where the vehicle may stop."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MudParams:
    """Mud within reach; no published threshold was found, so the limit is a convention."""

    mode: Literal["plan", "existing"] = "plan"
    """`plan`: sites beyond the limit get a puddle planned; `existing`: they are excluded."""
    limit_m: float = 50.0
    """Convention; upper bound 160–400 m (NC State Extension, bee hotel checklist)."""
    clay_share_min: float = 0.15
    """Convention: clay before silt or sand, common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceParams:
    """How many sites and how they are chosen."""

    per_acre: float = 9.0
    """8–10 an acre: common practice, no source; trials favour many small sites (Artz et al. 2013, 2014; Boyle & Pitts-Singer 2017)."""
    per_acre_max: float | None = None
    """Upper end where a range is given; then the smallest number that reaches farthest_m is taken."""
    farthest_m: float | None = None
    """Wanted farthest tree-to-site distance (with a range)."""
    effort: Literal["quick", "normal", "long"] = "normal"
    slack: float = 0.04
    row_economy: float = 0.03
    seed: int = 0
    border_m: float = 15.0
    """Blocks of one crop no farther apart than this share shelters across the border (a narrow road); 0 = never.
    Convention, well below every published foraging distance (35 m and more)."""
    move_penalty_m2: float = 0.0
    """Mean-square distance [m² a site] that must be gained for each site of a kept plan that is given up; 0 = free."""
    max_acres: float = 20_000.0
    """A file with more acres than this is refused before any grid is laid."""
    safety_s: float = 1800.0
    """Safety clock; it only ends a run that hangs (exit 5, `reproducible: false`)."""
    jobs: int = 0
    """Processes; 0 = serial below about 10 s of work, else one a core."""
