"""What is taken from the yard: in the order of loading, summed from exactly what is listed."""

from __future__ import annotations

import dataclasses

import pytest

from mudcap.plan.picking import by_block, by_load, has_loads, pick_lines, picks, sums, wants
from mudcap.supply.params import KitParams, SupplyParams
from small_plan import two_block_plan
from supplied import with_supply

PLAIN = two_block_plan()
SUPPLIED = with_supply(PLAIN)


def test_without_supply_the_order_is_that_of_hanging():
    """By block and number; no load, no package, no facing is made up."""
    found = picks(PLAIN)
    assert [p.site_id for p in found] == [s.site_id for s in PLAIN.sites] and not has_loads(found)
    assert all(p.packages == () and p.take == "" and p.facing_deg is None and p.load == 0 for p in found)
    assert [line.kind for line in pick_lines(found)] == [*["site"] * 18, "block total"] * 2 + ["ranch total"]


def test_what_comes_off_last_goes_on_first():
    """Loads ascending; inside a load the site that is hung last stands first."""
    found = picks(SUPPLIED)
    assert [p.load for p in found] == [1] * 15 + [2] * 15 + [3] * 6
    hung = {s.site_id: k for k, s in enumerate(SUPPLIED.sites)}
    for load, own in by_load(found):
        assert [p.place_in_load for p in own] == list(range(1, len(own) + 1))
        assert [hung[p.site_id] for p in own] == sorted((hung[p.site_id] for p in own), reverse=True), load


def test_totals_of_loads_blocks_and_ranch_are_the_sums_of_the_lines():
    """Females, cavities and every package, counted by other means."""
    lines = pick_lines(picks(SUPPLIED))
    for kind, key in (("load total", lambda p: str(p.load)), ("block total", lambda p: p.block_id), ("ranch total", lambda p: "")):
        for total in (line for line in lines if line.kind == kind):
            own = [line.pick for line in lines if line.pick is not None and key(line.pick) == total.name]
            assert total.sums.sites == len(own) > 0
            assert total.sums.cavities == sum(p.cavities for p in own) and total.sums.females == sum(p.females for p in own)
            for name, count in total.sums.packages:
                assert count == sum(dict(p.packages).get(name, 0) for p in own)
    assert [line.name for line in lines if line.kind == "load total"] == ["1", "2", "3"]
    assert sum(line.kind == "site" for line in lines) == 36


def test_one_package_named_twice_is_counted_twice():
    """As in a tuple with a name that comes again."""
    pick = dataclasses.replace(picks(PLAIN)[0], packages=(("bundle", 2), ("block", 1), ("bundle", 3)))
    assert sums([pick, pick]).packages == (("bundle", 10), ("block", 2))


def test_what_to_bring_is_kit_packages_or_cavities():
    """With the kit of the options by shelter and by site, whole pieces; packages by name; cavities where none are named."""
    found = [dataclasses.replace(p, shelters=2 if k == 0 else 1) for k, p in enumerate(picks(SUPPLIED))]
    plain = wants(picks(PLAIN), None, str)
    assert [(w.name, w.amount) for w in plain] == [("shelters", 36), ("cavities", sum(s.cavities for s in PLAIN.sites))]
    kit = (KitParams(name="wire", each=1.25, unit="m"), KitParams(name="awning", each=0.5), KitParams(name="tag", per="site"))
    brought = {w.name: w for w in wants(found, SupplyParams(kit=kit), str)}
    assert {n: brought[n].amount for n in ("shelter", "wire", "awning", "label", "tag")} == {
        "shelter": 37, "wire": 46.25, "awning": 19, "label": 36, "tag": 36,
    }  # fmt: skip
    assert brought["wire"].text == "46.25 m" and brought["shelter"].text == "37" and "cavities" not in brought
    assert {n: w.amount for n, w in brought.items() if w.is_package} == dict(sums(found).packages)


def test_sites_without_a_load_come_last():
    """Nothing is lost where only a part is loaded."""
    supply = (dataclasses.replace(SUPPLIED.supply[0], load=0, place_in_load=0), *SUPPLIED.supply[1:])
    found = picks(dataclasses.replace(SUPPLIED, supply=supply))
    assert found[-1].site_id == SUPPLIED.sites[0].site_id and len(found) == 36
    assert [load for load, _own in by_load(found)] == [1, 2, 3, 0]
    assert sum(line.kind == "site" for line in pick_lines(found)) == 36


def test_blocks_keep_their_numbers_when_loads_mix_them():
    """Each block's sites by number."""
    for _name, own in by_block(picks(SUPPLIED)):
        assert [p.number for p in own] == list(range(1, 19))


def test_supply_of_another_plan_is_a_wrong_call():
    """One entry a site."""
    with pytest.raises(ValueError, match="35 entries for 36 sites"):
        picks(dataclasses.replace(SUPPLIED, supply=SUPPLIED.supply[1:]))
