"""Kit, compass, loads, bill of materials and money, worked by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from mudcap.geo.declination import declination_deg
from mudcap.supply.bees import block_bees
from mudcap.supply.kit import needed, shelters_for, site_kit
from mudcap.supply.make import SiteNeed, loads_in_order, plan_supply
from mudcap.supply.params import KitParams, PackageParams, StockingParams, SupplyParams

DAY = date(2027, 1, 15)
SITES = [SiteNeed(block_id="A" if k < 6 else "B", cavities=40, lon=-120.6, lat=37.4) for k in range(10)]
BEES = [
    block_bees(block_id=b, crop="almond", acres=acres, females=females, males=0, params=StockingParams(expected_emergence=1.0))
    for b, acres, females in (("A", 0.6, 120), ("B", 0.4, 80))
]
PRICED = SupplyParams(
    packages=(
        PackageParams(name="bundle", cavities=20, cost=4.0, stock=8, buyable=True, lead_days=10, volume_l=0.5, mass_kg=0.25),
    ),
    kit=(
        *(
            KitParams(name=n, cost=c, volume_l=0.0, mass_kg=0.0)
            for n, c in (("awning", 3.0), ("post", 5.0), ("anchor", 2.0), ("label", 0.5))
        ),
        KitParams(name="shelter", cost=12.0, stock=4, volume_l=20.0, mass_kg=2.0),
        KitParams(name="wire", each=1.5, unit="m", cost=0.2, volume_l=0.0, mass_kg=0.0),
    ),
    needed_by=date(2027, 2, 1),
    load_shelters=4,
    female_cocoon_cost=1.0,
    male_cocoon_cost=0.5,
    site_minutes=6,
    hour_cost=20.0,
)


def test_the_kit_follows_the_mount_and_the_options():
    """A post has an anchor, a hanger none; what the options name replaces or is added."""
    assert [k.name for k in site_kit(SupplyParams())] == ["shelter", "awning", "post", "anchor", "wire", "label"]
    hung = site_kit(SupplyParams(mount="hanger", kit=(KitParams(name="wire", each=2.0, unit="m"), KitParams(name="bird net"))))
    assert [k.name for k in hung] == ["shelter", "awning", "hanger", "wire", "label", "bird net"]
    assert needed(hung[3], [1, 2]) == 6.0 and needed(hung[4], [1, 2]) == 2.0 and needed(hung[0], [1, 2]) == 3.0


def test_a_shelter_takes_so_many_cavities_and_no_more():
    """Exactly full is one shelter."""
    one = SupplyParams(shelter_cavities=100)
    assert [shelters_for(n, one) for n in (0, 100, 101, 200, 201)] == [1, 1, 2, 2, 3]


def test_the_bill_of_materials_by_hand():
    """Ten sites, two bundles each: eight on hand, twelve to buy by ten days before; six shelters, and 15 m of wire."""
    supply, yard = plan_supply(SITES, BEES, PRICED, DAY)
    assert all(s.packages == (("bundle", 2),) and s.cavities == 40 and s.short == 0 for s in supply)
    bundle = yard.packages[0]
    assert (bundle.used, bundle.bought, bundle.cost, bundle.order_by) == (20, 12, 48.0, date(2027, 1, 22))
    kit = {k.name: k for k in yard.kit}
    assert (kit["shelter"].needed, kit["shelter"].bought, kit["shelter"].cost) == (10, 6, 72.0)
    assert (kit["wire"].needed, kit["wire"].cost) == (15.0, 3.0)
    assert dict(yard.kit_by_block)["A"][0] == ("shelter", 6.0, "piece") and dict(yard.packages_by_block)["B"] == (("bundle", 8),)
    for k, line in enumerate(yard.kit):
        assert sum(kit[k][1] for _b, kit in yard.kit_by_block) == pytest.approx(line.needed)


def test_money_by_hand():
    """Packages 80, kit 12 + 3 + 5 + 2 + 0.5 + 0.3 a site, cocoons 200, work 20: by ranch, block, acre and site."""
    _supply, yard = plan_supply(SITES, BEES, PRICED, DAY)
    c = yard.costs
    assert (c.packages, c.kit, c.cocoons, c.work) == (80.0, 228.0, 200.0, 20.0)
    assert (c.total, c.per_acre, c.per_site, c.missing) == (528.0, 528.0, 52.8, ())
    assert c.purchases == pytest.approx(48 + 72 + 30 + 50 + 20 + 5 + 3)
    blocks = dict(yard.costs_by_block)
    assert sum(b.total for b in blocks.values()) == pytest.approx(c.total)
    low, high = yard.compare
    # 240 + 160 cavities on 5 + 3 sites are 48 to 54 each, so 3 bundles of 20; on 6 + 4 sites 40 each, so 2
    assert (low.sites, high.sites) == (8, 10)
    assert low.cost == pytest.approx(8 * (22.8 + 2.0) + 24 * 4.0) and high.cost == pytest.approx(10 * (22.8 + 2.0) + 20 * 4.0)


def test_a_missing_price_is_no_zero():
    """Each sum that needs it is absent, and its name is said; so are sums without any package."""
    package = replace(PRICED.packages[0], cost=None)
    _supply, yard = plan_supply(SITES, BEES, replace(PRICED, packages=(package,), hour_cost=None), DAY)
    c = yard.costs
    assert (c.packages, c.work, c.total, c.per_site, c.purchases) == (None, None, None, None, None)
    assert c.missing == ("bundle", "supply.hour_cost") and c.kit == 228.0 and yard.compare == ()
    supply, bare = plan_supply(SITES, BEES, SupplyParams(), DAY)
    assert bare.costs.packages is None and bare.packages == () and bare.levels == ()
    assert all(s.packages == () and s.load == 0 and s.place_in_load == 0 for s in supply)


def test_loads_carry_each_site_once_in_any_order():
    """Four shelters a load; a round's own order cuts anew."""
    supply, yard = plan_supply(SITES, BEES, PRICED, DAY)
    assert [load.sites for load in yard.loads] == [(0, 1, 2, 3), (4, 5, 6, 7), (8, 9)]
    assert [(s.load, s.place_in_load) for s in supply[:5]] == [(1, 4), (1, 3), (1, 2), (1, 1), (2, 4)]
    assert supply[0].volume_l == pytest.approx(21.0) and supply[0].mass_kg == pytest.approx(2.5)
    back = loads_in_order(range(9, -1, -1), supply, PRICED)
    assert [load.sites for load in back] == [(9, 8, 7, 6), (5, 4, 3, 2), (1, 0)]
    assert yard.without_mass == () and yard.loads[0].kg == pytest.approx(10.0)


def test_the_compass_reads_less_by_the_declination():
    """Southeast from true north, northeast in the south; no compass bearing without a day or beyond the model."""
    supply, _yard = plan_supply(SITES, BEES, SupplyParams(), DAY)
    assert supply[0].facing_deg == 135.0
    assert supply[0].facing_magnetic_deg == pytest.approx(135 - declination_deg(-120.6, 37.4, DAY))
    south, _yard = plan_supply([replace(s, lat=-39.0) for s in SITES], BEES, SupplyParams(), DAY)
    assert south[0].facing_deg == 45.0
    for day in (None, date(2031, 1, 1)):
        later, _yard = plan_supply(SITES, BEES, SupplyParams(), day)
        assert later[0].facing_magnetic_deg is None
