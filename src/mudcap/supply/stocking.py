"""How many bees a block gets and how many cavities each site needs for them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from mudcap.geo.units import round_half_up
from mudcap.lang import _
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


PRESETS: Final[dict[str, StockingPreset]] = {
    preset.name: preset
    for preset in (
        StockingPreset(
            name="almond",
            females_per_acre=400,
            males_per_female=1.5,
            source="400 females + 600 males an acre beside honey bees: common practice, no source",
        ),
        StockingPreset(
            name="almond-handbook",
            females_per_acre=300,
            males_per_female=1.5,
            source="300 females an acre: Mader, Spivak & Evans 2010, Managing Alternative Pollinators, SARE Handbook 11, ch. 6; "
            "whether released or nesting females are meant is not said; 1.5 males a female: common practice, no source",
        ),
        StockingPreset(
            name="apple",
            females_per_acre=250,
            males_per_female=1.5,
            source="250 females an acre: Mader, Spivak & Evans 2010, SARE Handbook 11, ch. 6; 1.5 males a female: common practice, no source",
        ),
        StockingPreset(
            name="other",
            females_per_acre=250,
            males_per_female=1.5,
            source="250 females an acre as a starting value; rates for pear, plum and cherry are not commonly established "
            "(Mader, Spivak & Evans 2010, SARE Handbook 11, ch. 6)",
            established=False,
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


def stock_block(*, crop: str, acres: float, site_trees: ArrayLike, params: StockingParams) -> BlockStock:
    """Bees and cavities of a block of `acres`, shared over its sites by the (weighted) trees each serves (n,).

    Cavities are females × `cavities_per_female`, rounded up, and sum exactly over the sites. A site that serves no tree
    (all of them nearer to another) still gets a share as if it served half the mean, so that no empty shelter is hung.
    """
    preset = preset_for(crop, params)
    rate = preset.females_per_acre if params.females_per_acre is None else params.females_per_acre
    ratio = preset.males_per_female if params.males_per_female is None else params.males_per_female
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
