"""Room for cocoons: litres, tray area at the depth limit, trays and shelves. Sizes are the user's own; none is published."""

from __future__ import annotations

import math
from collections.abc import Sequence

from mudcap.supply.model import BlockBees, Trays
from mudcap.supply.params import SupplyParams

LITRES_PER_M3 = 1000.0


def trays_for(female_cocoons: int, male_cocoons: int, params: SupplyParams) -> Trays | None:
    """Litres, tray area, trays and shelves for loose cocoons; None where a cocoon's size is not given.

    area = volume ÷ depth. Loose cocoons lie at most 2–3 in deep while warming: common practice, no source.
    """
    if params.female_cocoon_ml is None or params.male_cocoon_ml is None:
        return None
    litres = (female_cocoons * params.female_cocoon_ml + male_cocoons * params.male_cocoon_ml) / 1000
    area_m2 = litres / LITRES_PER_M3 / params.tray_depth_m
    trays = shelves = None
    if params.tray_length_m and params.tray_width_m:
        trays = math.ceil(area_m2 / (params.tray_length_m * params.tray_width_m) - 1e-9)
        shelves = math.ceil(trays / params.shelf_trays) if params.shelf_trays else None
    return Trays(litres=litres, area_m2=area_m2, trays=trays, shelves=shelves)


def warming_trays(bees: Sequence[BlockBees], params: SupplyParams) -> Trays | None:
    """Trays for the largest batch of all blocks together, since one batch is warmed after the other."""
    count = max((len(b.batches) for b in bees), default=0)
    batches = [
        (sum(b.batches[k].females for b in bees), sum(b.batches[k].males for b in bees)) for k in range(count)
    ]
    return trays_for(*max(batches, key=sum, default=(0, 0)), params)


def cold_store(bees: Sequence[BlockBees], params: SupplyParams) -> Trays | None:
    """The same for all cocoons at once, as they lie in the cold store."""
    return trays_for(sum(b.female_cocoons for b in bees), sum(b.male_cocoons for b in bees), params)
