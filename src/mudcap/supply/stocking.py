"""How many bees a block gets and how many cavities each site needs for them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from mudcap.geo.units import round_half_up
from mudcap.lang import _, marked
from mudcap.supply.apportion import largest_remainder
from mudcap.supply.params import StockingParams


@dataclass(frozen=True, slots=True, kw_only=True)
class StockingPreset:
    """A named release rate, with where it comes from."""

    name: str
    females_per_acre: float
    """Females released an acre."""
    males_per_female: float
    source: str
    established: bool = True
    """False where the source itself says that no rate is commonly established for the crop."""
    said: Literal["released", "nesting", ""] = ""
    """What the source says that it counts; '' where it does not say."""
    hives_full: float | None = None
    """Honey-bee hives an acre at the full rate; None where no figure was found."""
    hives_reduced: float | None = None
    hives_source: str = ""


ALMOND_HIVES: Final = marked(
    "2 hives of 8 frames an acre: standard in almonds, Almond Board of California and UC Cooperative Extension; "
    "the reduced rate, half of it: common practice, no source"
)
NO_HIVES: Final = marked("no source with a honey-bee rate for this crop was found; set stocking.hives_per_acre")


PRESETS: Final[dict[str, StockingPreset]] = {
    preset.name: preset
    for preset in (
        StockingPreset(
            name="almond",
            females_per_acre=400,
            males_per_female=1.5,
            source=marked("400 females + 600 males an acre beside honey bees: common practice, no source"),
            said="released",
            hives_full=2.0,
            hives_reduced=1.0,
            hives_source=ALMOND_HIVES,
        ),
        StockingPreset(
            name="almond-handbook",
            females_per_acre=300,
            males_per_female=1.5,
            source=marked(
                "300 females an acre: Mader, Spivak & Evans 2010, Managing Alternative Pollinators, SARE Handbook 11, ch. 6; "
                "whether released or nesting females are meant is not said; 1.5 males a female: common practice, no source"
            ),
            hives_full=2.0,
            hives_reduced=1.0,
            hives_source=ALMOND_HIVES,
        ),
        StockingPreset(
            name="apple",
            females_per_acre=250,
            males_per_female=1.5,
            source=marked(
                "250 females an acre: Mader, Spivak & Evans 2010, SARE Handbook 11, ch. 6; 1.5 males a female: common practice, no source"
            ),
            hives_source=NO_HIVES,
        ),
        StockingPreset(
            name="other",
            females_per_acre=250,
            males_per_female=1.5,
            source=marked(
                "250 females an acre as a starting value; rates for pear, plum and cherry are not commonly established "
                "(Mader, Spivak & Evans 2010, SARE Handbook 11, ch. 6)"
            ),
            established=False,
            hives_source=NO_HIVES,
        ),
    )
}


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockStock:
    """Bees and cavities of one block, and how they are shared out over its sites."""

    preset: str
    females: int
    males: int
    cavities: int
    site_females: tuple[int, ...]
    """Females that each site is stocked for; they sum to `females`."""
    site_males: tuple[int, ...]
    site_cavities: tuple[int, ...]


def preset_for(crop: str, params: StockingParams) -> StockingPreset:
    """The preset that applies to a crop: the named one, else the crop's own, else `other`.

    Raises ``ValueError`` where the named preset is unknown.
    """
    if params.preset:
        if params.preset not in PRESETS:
            raise ValueError(
                _("no such preset {name}; there are {known}.").format(
                    name=params.preset, known=", ".join(PRESETS)
                )
            )
        return PRESETS[params.preset]
    return PRESETS.get(crop.strip().lower(), PRESETS["other"])


def release_rate(crop: str, params: StockingParams) -> tuple[float, float]:
    """Females released an acre, and males for each of them.

    Where the rate is read as nesting females, more are released by the share that does not stay.
    """
    preset = preset_for(crop, params)
    rate = preset.females_per_acre if params.females_per_acre is None else params.females_per_acre
    ratio = preset.males_per_female if params.males_per_female is None else params.males_per_female
    return (rate / params.retention if params.reading == "nesting" else rate), ratio


def crowded(site_cavities: Sequence[int], limit: int) -> tuple[int, ...]:
    """Positions of the sites that get more cavities than `limit`; exactly that many is no crowd.

    >>> crowded([100, 101, 99], 100)
    (1,)
    """
    return tuple(i for i, cavities in enumerate(site_cavities) if cavities > limit)


def stock_block(*, crop: str, acres: float, site_trees: ArrayLike, params: StockingParams) -> BlockStock:
    """Bees and cavities of a block of `acres`, shared over its sites by the (weighted) trees each serves (n,).

    Cavities are females × `cavities_per_female`, rounded up, and sum exactly over the sites. A site that serves no tree
    (all of them nearer to another) still gets a share as if it served half the mean, so that no empty shelter is hung.
    """
    preset = preset_for(crop, params)
    rate, ratio = release_rate(crop, params)
    females = round_half_up(rate * acres)
    males = round_half_up(females * ratio)
    cavities = int(np.ceil(females * params.cavities_per_female - 1e-9))
    share = _shares(site_trees)
    return BlockStock(
        preset=preset.name,
        females=females,
        males=males,
        cavities=cavities,
        site_females=_shared(females, share),
        site_males=_shared(males, share),
        site_cavities=_shared(cavities, share),
    )


def _shares(site_trees: ArrayLike) -> NDArray[np.float64]:
    trees = np.asarray(site_trees, float)
    mean = trees.mean() if trees.size else 0.0
    return np.where(trees > 0, trees, mean / 2 if mean > 0 else 1.0)


def _shared(total: int, share: NDArray[np.float64]) -> tuple[int, ...]:
    counts: Sequence[int] = largest_remainder(total, share).tolist() if share.size else ()
    return tuple(counts)
