"""Options of placement: how many, how even, and what keeps a station from carrying a shelter."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from mudcap.geo.units import M2_PER_ACRE
from mudcap.orchard.model import Season

HEXAGON: Final = 5 / (18 * 3**0.5)
"""Mean square distance from the middle of a regular hexagon, as a share of its area."""
PAYS: Final = 0.25
"""Share of the mean square of a hexagonal pattern that giving up a site has to gain where no number is given: common practice, no source."""


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
    """`plan`: sites beyond the limit get a puddle planned, and only stations that none reaches are excluded; `existing`: all
    beyond the limit are excluded."""
    limit_m: float = 50.0
    """Convention; upper bound 160–400 m (NC State Extension, bee hotel checklist)."""
    clay_share_min: float = 0.15
    """Convention: clay before silt or sand, common practice, no source."""
    season: Season | None = None
    """First and last day of nesting, in which mud has to be wet; None = 1 February to 15 May, south of the equator 1 August to
    15 November (common practice, no source)."""
    stand_spacing_m: float = 10.0
    """Distance between two places tried along a way on which the water truck may stand; common practice, no source."""
    offset_m: float = 1.0
    """A puddle beside a road or headland lies this far from its wheels; in an alley it lies between the wheel tracks.
    Common practice, no source (a trial wetted the dirt road itself: Boyle et al. 2020, Ecol. Evol. 10:3189-3199, as cited)."""
    hose_m: float = 50 * 0.3048
    """How far from the truck its hose wets a puddle inside a block; 0 = only beside the way. Common practice, no source."""
    alleys: bool = True
    """Whether the water truck, or a tank on a cart, may stand in alleys; without, only roads and headlands."""
    trench_length_m: float = 2.0
    """A puddle is a shallow trench, filled once a wetting; its size is common practice, no source."""
    trench_width_m: float = 0.5
    trench_depth_m: float = 0.1
    rewet_days: int = 3
    """Days between two wettings in dry weather. An almond trial wetted twice a week (Boyle et al. 2020, Ecol. Evol.
    10:3189-3199, as cited by others), which is every 3 to 4 days."""
    tank_l: float = 2000.0
    """Water that the truck carries; this and what follows: common practice, no source."""
    fill_l_min: float = 400.0
    """Litres a minute into the tank."""
    pour_l_min: float = 150.0
    """Litres a minute out of the hose."""
    stop_s: float = 120.0
    """Seconds at a puddle besides pouring."""
    store_run_m: float = 100.0
    """No puddle lies on the fall line of a chemical store, above or below it, nearer than this, where the fall is known
    (`downhill_deg` of the store, or of the soil under it); common practice, no source."""

    @property
    def litres(self) -> float:
        """Water for one wetting of one puddle."""
        return 1000.0 * self.trench_length_m * self.trench_width_m * self.trench_depth_m


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
    move_penalty_m2: float | None = None
    """Mean-square distance [m² a site] that must be gained for each site of a kept plan that is given up; 0 = free, None = a
    quarter of what sites in a hexagonal pattern have, which suits any density."""
    max_acres: float = 20_000.0
    """A file with more acres than this is refused before any grid is laid."""
    safety_s: float = 1800.0
    """Safety clock; it only ends a run that hangs (exit 5, `reproducible: false`)."""
    jobs: int = 0
    """Processes; 0 = serial below about 10 s of work, else one a core."""

    def move_penalty(self, acres: float, count: int) -> float:
        """What giving up one of ``count`` sites of a kept plan has to gain [m² a site].

        >>> round(PlaceParams().move_penalty(40, 360), 1), PlaceParams(move_penalty_m2=7.0).move_penalty(40, 360)
        (18.0, 7.0)
        """
        if self.move_penalty_m2 is not None:
            return self.move_penalty_m2
        return PAYS * HEXAGON * acres * M2_PER_ACRE / count
