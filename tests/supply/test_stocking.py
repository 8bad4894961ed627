"""Bees and cavities: the trade's arithmetic, and sums that are exact."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mudcap.supply.params import StockingParams
from mudcap.supply.stocking import PRESETS, preset_for, stock_block


def test_eight_sites_an_acre_at_400_females_need_100_cavities_each():
    """400 females an acre over 8 equal sites: 50 females, two cavities each, 100 a site."""
    stock = stock_block(crop="almond", acres=1, site_trees=np.full(8, 13), params=StockingParams())
    assert (stock.females, stock.males, stock.cavities) == (400, 600, 800)
    assert stock.site_cavities == (100,) * 8
    assert stock.site_females == (50,) * 8


@pytest.mark.parametrize(("sites", "females", "cavities"), [(8, 37.5, 75), (10, 30, 60)])
def test_handbook_rate_over_eight_to_ten_sites(sites, females, cavities):
    """300 females an acre (SARE Handbook 11) ÷ 8–10 sites = 37.5–30 females, 75–60 cavities a site."""
    params = StockingParams(preset="almond-handbook")
    stock = stock_block(crop="almond", acres=2, site_trees=np.ones(2 * sites), params=params)
    assert np.mean(stock.site_females) == females
    assert set(stock.site_cavities) == {cavities}
    assert stock.females + stock.males == 2 * 750  # the 750 bees an acre of the Washington trial


@given(
    st.floats(0.02, 60),
    st.lists(st.floats(0, 40), min_size=1, max_size=60),
    st.floats(1, 4),
    st.sampled_from(["almond", "cherry", "pear", "apple"]),
)
def test_sums_are_exact(acres, trees, per_female, crop):
    """Females, males and cavities of the sites sum to the block's, and two a female are there where asked."""
    params = StockingParams(cavities_per_female=per_female)
    stock = stock_block(crop=crop, acres=acres, site_trees=trees, params=params)
    assert sum(stock.site_females) == stock.females
    assert sum(stock.site_males) == stock.males
    assert sum(stock.site_cavities) == stock.cavities
    assert stock.cavities >= per_female * stock.females - 1e-6


def test_crops_without_an_established_rate_say_so():
    """Pear and cherry fall to the preset that names itself not established."""
    assert not preset_for("pear", StockingParams()).established
    assert preset_for("Almond", StockingParams()) is PRESETS["almond"]


def test_unknown_preset_names_the_known_ones():
    """The message lists the presets."""
    with pytest.raises(ValueError, match="almond-handbook"):
        preset_for("almond", StockingParams(preset="lots"))
