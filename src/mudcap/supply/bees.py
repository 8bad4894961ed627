"""From females to release to cocoons to buy or warm: each number with its unit word."""

from __future__ import annotations

import math

from mudcap.geo.units import round_half_up
from mudcap.supply.apportion import largest_remainder
from mudcap.supply.model import BlockBees, CocoonBatch
from mudcap.supply.params import StockingParams
from mudcap.supply.stocking import preset_for


def block_bees(*, block_id: str, crop: str, acres: float, females: int, males: int, params: StockingParams) -> BlockBees:
    """Cocoons, expected nesting females and honey-bee hives of one block that releases `females` and `males`.

    cocoons × expected emergence = bees released; females released × retention = females that come to nest.
    Raises ``ValueError`` for an emergence or retention outside 0 … 1, a negative reserve, or no batch.
    """
    if not (0 < params.expected_emergence <= 1 and 0 < params.retention <= 1 and params.reserve >= 0 and params.batches >= 1):
        raise ValueError("emergence and retention lie above 0 and at most at 1, the reserve at 0 or more, with a batch at least.")
    preset = preset_for(crop, params)
    rate = preset.females_per_acre if params.females_per_acre is None else params.females_per_acre
    female_cocoons, male_cocoons = cocoons_for(females, params), cocoons_for(males, params)
    other = rate * acres if params.reading == "nesting" else rate * acres / params.retention
    hives = preset.hives_full if params.honey_bees == "full" else preset.hives_reduced
    each = [largest_remainder(n, [1] * params.batches) for n in (female_cocoons, male_cocoons)]
    return BlockBees(
        block_id=block_id,
        acres=acres,
        preset=preset.name,
        source=preset.source if params.females_per_acre is None else "",
        rate=rate,
        reading=params.reading,
        said=preset.said if params.females_per_acre is None else params.reading,
        females=females,
        males=males,
        nesting_females=round_half_up(females * params.retention),
        female_cocoons=female_cocoons,
        male_cocoons=male_cocoons,
        batches=tuple(CocoonBatch(females=int(f), males=int(m)) for f, m in zip(*each, strict=True)),
        other_females=round_half_up(other),
        other_female_cocoons=cocoons_for(round_half_up(other), params),
        hives_per_acre=hives if params.hives_per_acre is None else params.hives_per_acre,
        hives_full=preset.hives_full,
        hives_reduced=preset.hives_reduced,
        hives_source=preset.hives_source if params.hives_per_acre is None else "",
    )


def cocoons_for(bees: int, params: StockingParams) -> int:
    """Cocoons from which `bees` are expected to come out, and the reserve; never fewer than needed.

    >>> cocoons_for(300, StockingParams(expected_emergence=0.75, reserve=0.1))
    440
    """
    return math.ceil(bees / params.expected_emergence * (1 + params.reserve) - 1e-9)
