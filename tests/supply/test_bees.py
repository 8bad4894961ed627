"""Bees and cocoons: the arithmetic of the trade, both readings of a rate, batches and trays."""

from __future__ import annotations

from dataclasses import replace

import pytest

from mudcap.supply.bees import block_bees, cocoons_for
from mudcap.supply.params import StockingParams, SupplyParams
from mudcap.supply.stocking import PRESETS, crowded, release_rate, stock_block
from mudcap.supply.warming import cold_store, trays_for, warming_trays


def bees(acres: float = 40.0, crop: str = "almond", **options: object):
    params = StockingParams(**options)  # type: ignore[arg-type]
    stock = stock_block(crop=crop, acres=acres, site_trees=[1] * 320, params=params)
    return block_bees(block_id="A", crop=crop, acres=acres, females=stock.females, males=stock.males, params=params)


@pytest.mark.parametrize(("sites", "females", "cavities"), [(8, 37.5, 75), (10, 30, 60)])
def test_the_handbooks_rate_at_eight_and_ten_sites(sites, females, cavities):
    """300 females an acre over 8–10 sites are 37.5–30 females and 75–60 cavities each; with 450 males 750 bees an acre."""
    stock = stock_block(crop="almond", acres=40, site_trees=[1] * (40 * sites), params=StockingParams(preset="almond-handbook"))
    assert stock.females / (40 * sites) == females and stock.cavities / (40 * sites) == cavities
    assert set(stock.site_cavities) == {cavities} and (stock.females + stock.males) / 40 == 750


def test_females_a_hectare_are_those_of_the_handbook():
    """250 and 300 an acre: 617.8 and 741.3 a hectare, which the handbook prints as about 620 and 740."""
    per_ha = [PRESETS[name].females_per_acre / 0.40468564224 for name in ("apple", "almond-handbook")]
    assert [round(x, 1) for x in per_ha] == [617.8, 741.3]


def test_eight_sites_at_four_hundred_females_are_just_not_crowded():
    """Exactly 100 cavities at each of 320 sites: no warning; one female more an acre, and there is."""
    stock = stock_block(crop="almond", acres=40, site_trees=[1] * 320, params=StockingParams())
    assert set(stock.site_cavities) == {100} and not crowded(stock.site_cavities, 100)
    more = stock_block(crop="almond", acres=40, site_trees=[1] * 320, params=StockingParams(females_per_acre=401))
    assert len(crowded(more.site_cavities, 100)) == 80


def test_cocoons_are_the_rate_over_the_emergence():
    """16,000 females at 75 % emergence take 21,334 female cocoons (rounded up); a tenth in reserve makes 23,467."""
    assert bees().female_cocoons == 21_334 and bees().male_cocoons == 32_000
    assert bees(reserve=0.1).female_cocoons == 23_467
    assert bees(expected_emergence=1.0).female_cocoons == bees().females == 16_000


def test_released_and_nesting_are_two_numbers():
    """Read as nesting females the same rate takes more releases; each reading states the other."""
    released, nesting = bees(), bees(reading="nesting")
    assert released.females == 16_000 and released.nesting_females == 8_704
    assert nesting.females == round(16_000 / 0.544) and nesting.nesting_females == 16_000
    assert released.other_females == nesting.females and nesting.other_females == released.females
    assert released.other_female_cocoons == nesting.female_cocoons
    assert release_rate("almond", StockingParams(reading="nesting"))[0] == pytest.approx(400 / 0.544)
    assert (released.said, bees(preset="almond-handbook").said) == ("released", "")


def test_bosch_and_colleagues_numbers_agree_with_themselves():
    """99 of 198 released nested, printed as 54.4 %: so of some 182 that emerged (Bosch et al. 2021, Insects 12:56)."""
    params = StockingParams(expected_emergence=182 / 198)
    assert cocoons_for(182, params) == 198
    assert round(182 * params.retention) == 99


def test_batches_sum_to_the_cocoons():
    """Three batches differ by at most one cocoon of a sex."""
    b = bees(batches=3)
    assert sum(c.females for c in b.batches) == b.female_cocoons and sum(c.males for c in b.batches) == b.male_cocoons
    assert max(c.females for c in b.batches) - min(c.females for c in b.batches) <= 1


@pytest.mark.parametrize(
    ("crop", "options", "hives"),
    [
        ("almond", {}, 2.0),
        ("almond", {"honey_bees": "reduced"}, 1.0),
        ("pear", {}, None),  # no figure was found
        ("pear", {"hives_per_acre": 1.5}, 1.5),
    ],
)
def test_hives_beside_them(crop, options, hives):
    """Full or reduced where a source is known, else what is asked for, else nothing."""
    assert bees(crop=crop, **options).hives_per_acre == hives


@pytest.mark.parametrize("options", [{"expected_emergence": 0.0}, {"retention": 1.2}, {"reserve": -0.1}, {"batches": 0}])
def test_refuses_shares_that_make_no_sense(options):
    """A wrong call is named."""
    with pytest.raises(ValueError, match="emergence"):
        block_bees(block_id="A", crop="almond", acres=1, females=1, males=1, params=StockingParams(**options))


def test_trays_hold_the_largest_batch_at_the_depth():
    """10 litres at 5 cm are 0.2 m²: five trays of 20 × 20 cm, three shelves of two; the cold store takes all batches."""
    params = SupplyParams(
        female_cocoon_ml=0.5, male_cocoon_ml=0.25, tray_depth_m=0.05, tray_length_m=0.2, tray_width_m=0.2, shelf_trays=2
    )
    trays = trays_for(10_000, 20_000, params)
    assert trays is not None and (trays.litres, trays.area_m2) == pytest.approx((10.0, 0.2))
    assert (trays.trays, trays.shelves) == (5, 3)
    two = [bees(batches=2), bees(batches=2)]
    warm, cold = warming_trays(two, params), cold_store(two, params)
    assert warm is not None and cold is not None and warm.litres == pytest.approx(cold.litres / 2)
    assert trays_for(1, 1, replace(params, male_cocoon_ml=None)) is None
    bare = trays_for(1, 1, replace(params, tray_width_m=None))
    assert bare is not None and bare.trays is None and bare.shelves is None
