"""Vehicle loads: fewest for a fixed order, and packing against published optima."""

from __future__ import annotations

import itertools
import random

import pytest
from packing_instances import U120, triplets, uniform

from mudcap.supply.fewest_loads import fewest_loads, lower_bound
from mudcap.supply.loads import Capacity, Goods, loads, places


def fewest_stretches(goods: list[Goods], capacity: Capacity) -> int:
    """The fewest stretches of all ways to cut the row, each within the capacity; all are tried."""
    n = len(goods)
    for cuts in range(n):
        for at in itertools.combinations(range(1, n), cuts):
            edges = [0, *at, n]
            parts = [goods[a:b] for a, b in itertools.pairwise(edges)]
            if all(
                sum(g.shelters for g in p) <= (capacity.shelters or 99)
                and sum(g.litres for g in p) <= (capacity.litres or 1e9)
                and sum(g.kg for g in p) <= (capacity.kg or 1e9)
                for p in parts
            ):
                return cuts + 1
    raise AssertionError("one site is more than the vehicle takes")


@pytest.mark.parametrize("seed", range(40))
def test_no_cut_of_the_order_has_fewer_loads(seed):
    """Ten sites, three limits at once, every cut tried."""
    draw = random.Random(seed)
    goods = [Goods(shelters=draw.randint(1, 2), litres=draw.randint(1, 9), kg=draw.randint(1, 9)) for _site in range(10)]
    capacity = Capacity(shelters=draw.randint(3, 7), litres=draw.randint(12, 25), kg=draw.randint(12, 25))
    found = loads(range(10), goods, capacity)
    assert len(found) == fewest_stretches(goods, capacity)
    assert [k for load in found for k in load.sites] == list(range(10)) and not any(load.over for load in found)


def test_what_is_hung_last_goes_on_first():
    """Any order; places count from the first on."""
    found = loads([3, 0, 2, 1], [Goods(shelters=1)] * 4, Capacity(shelters=3))
    assert [load.sites for load in found] == [(3, 0, 2), (1,)]
    number, place = places(found, 4)
    assert number == [1, 2, 1, 1] and place == [2, 1, 1, 3]


def test_a_site_beyond_the_vehicle_is_a_load_of_its_own_and_marked():
    """Neighbours are not dragged in."""
    found = loads(range(3), [Goods(shelters=1, kg=5), Goods(shelters=1, kg=50), Goods(shelters=1, kg=5)], Capacity(kg=20))
    assert [(load.sites, load.over) for load in found] == [((0,), False), ((1,), True), ((2,), False)]


def test_sums_that_touch_the_limit_fit():
    """Ten times 0.1 is one."""
    assert len(loads(range(10), [Goods(shelters=1, litres=0.1)] * 10, Capacity(litres=1.0))) == 1


@pytest.mark.parametrize("optimum", sorted(U120))
def test_published_optima_of_uniform_items(optimum):
    """OR-Library's u120 instances, with proof."""
    items = uniform(optimum)
    packing = fewest_loads(items, (150,))
    assert len(items) == 120 and len(packing.loads) == optimum and packing.is_optimal
    assert sorted(i for load in packing.loads for i in load) == list(range(120))
    assert all(sum(items[i][0] for i in load) <= 150 for load in packing.loads)


@pytest.mark.parametrize(("count", "seed"), [(6, 4), (8, 1), (10, 2)])
def test_triplets_fill_every_load_to_the_brim(count, seed):
    """Instances whose optimum is known by how they are made; first fit alone needs more."""
    packing = fewest_loads(triplets(count, seed), (1000,))
    assert len(packing.loads) == count == packing.bound


@pytest.mark.parametrize("seed", range(25))
def test_no_packing_of_few_items_has_fewer_loads(seed):
    """Two limits at once, against trying every way to share seven items out."""
    draw = random.Random(seed)
    items = [(draw.randint(1, 6), draw.randint(1, 6)) for _item in range(7)]
    capacity = (draw.randint(6, 11), draw.randint(6, 11))
    packing = fewest_loads(items, capacity)
    best = min(
        len(set(way))
        for way in itertools.product(range(4), repeat=7)
        if all(sum(items[i][d] for i in range(7) if way[i] == b) <= capacity[d] for b in set(way) for d in (0, 1))
    ) if len(packing.loads) <= 4 else len(packing.loads)  # fmt: skip
    assert len(packing.loads) == best and lower_bound(items, capacity) <= packing.bound <= best


def test_refuses_an_item_beyond_a_load():
    """It could never be carried."""
    with pytest.raises(ValueError, match="limit"):
        fewest_loads([(11,)], (10,))
