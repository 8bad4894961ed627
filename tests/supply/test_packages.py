"""Whole packages to sites: against brute force, the rules of clean lots, stock and shortage."""

from __future__ import annotations

import itertools
import random
from collections.abc import Sequence
from datetime import date

import pytest

from mudcap.supply import package_programme
from mudcap.supply.lots import usable_lots
from mudcap.supply.packages import fill_sites
from mudcap.supply.params import PackageParams
from mudcap.supply.patterns import Form, patterns

DAY = date(2027, 1, 15)


def package(name: str, cavities: int, **more: object) -> PackageParams:
    return PackageParams(name=name, cavities=cavities, **more)  # type: ignore[arg-type]


def best_by_trying(needs: Sequence[int], blocks: Sequence[str], packages: Sequence[PackageParams]) -> tuple[float, ...]:
    """(missing, mixed, bought, surplus, cents, pieces) of the best of all ways to hand out up to enough of each package."""
    each = []
    for need, block in zip(needs, blocks, strict=True):
        ranges = [
            range(-(-need // p.cavities) + 1) if not p.disease or (p.sanitised and p.from_block == block) else range(1)
            for p in packages
        ]
        each.append(list(itertools.product(*ranges)))
    best: tuple[float, ...] | None = None
    for way in itertools.product(*each):
        use = [sum(counts) for counts in zip(*way, strict=True)]
        bought = [max(0, n - p.stock) for n, p in zip(use, packages, strict=True)]
        if any(b and not p.buyable for b, p in zip(bought, packages, strict=True)):
            continue
        held = [sum(n * p.cavities for n, p in zip(counts, packages, strict=True)) for counts in way]
        kinds = [{p.kind for n, p in zip(counts, packages, strict=True) if n} for counts in way]
        value = (
            sum(max(0, n - h) for n, h in zip(needs, held, strict=True)),
            sum(len(k) > 1 for k in kinds),
            sum(b * p.cavities for b, p in zip(bought, packages, strict=True)),
            sum(max(0, h - n) for n, h in zip(needs, held, strict=True)),
            round(sum(b * (p.cost or 0) for b, p in zip(bought, packages, strict=True)), 2),
            sum(use),
        )
        best = value if best is None or value < best else best
    assert best is not None
    return best


def some_yard(draw: random.Random) -> tuple[list[int], list[str], list[PackageParams]]:
    """Two sites and three packages, now and then with nothing for sale or a lot kept for its block."""
    buy = draw.random() < 0.6
    sizes = draw.sample([3, 4, 5, 7, 8, 10], 3)
    kinds = draw.sample(["tubes", "tubes", "laminate", "reed"], 3)
    packages = [
        package(
            f"p{k}", sizes[k], kind=kinds[k], stock=draw.randint(0, 4), buyable=buy and (k == 0 or draw.random() < 0.5),
            cost=draw.choice([2.5, 4.0, 7.25]),
        )
        for k in range(2)
    ]  # fmt: skip
    sick = draw.random() < 0.5
    packages.append(
        package(
            "p2", sizes[2], kind=kinds[2], stock=draw.randint(0, 4), disease=sick, from_block="A" if sick else "",
            sanitised=DAY if sick else None, cost=3.0,
        )
    )  # fmt: skip
    return [draw.randint(4, 17), draw.randint(4, 17)], ["A", draw.choice("AB")], packages


@pytest.mark.parametrize("seed", range(60))
def test_is_as_good_as_any_handing_out(seed):
    """All six levels equal those of the best of all ways, and each is proven."""
    needs, blocks, packages = some_yard(random.Random(seed))
    filling = fill_sites(needs, blocks, packages, day=DAY)
    assert tuple(level.value for level in filling.levels) == best_by_trying(needs, blocks, packages)
    assert all(level.status == "optimal" and level.bound == level.value for level in filling.levels)


def test_sums_lots_and_needs_hold_on_a_large_yard():
    """Some hundred sites: what the sites take is what goes out, needs are met, stock is not overdrawn."""
    draw = random.Random(5)
    needs = [draw.randint(60, 110) for _site in range(300)]
    blocks = ["A" if k < 150 else "B" for k in range(300)]
    packages = [
        package("t50", 50, kind="tubes", stock=150, buyable=True, cost=9.5),
        package("t10", 10, kind="tubes", stock=80, buyable=True, cost=2.4),
        package("lam", 48, kind="laminate", stock=120, cost=26.0),
        package("old", 48, kind="laminate", stock=40, from_block="B", disease=True, sanitised=DAY),
        package("older", 48, kind="laminate", stock=30, from_block="A", sanitised=DAY),
    ]
    filling = fill_sites(needs, blocks, packages, day=DAY)
    held = [sum(n * packages[i].cavities for i, n in given) for given in filling.given]
    assert held == list(filling.cavities) and all(h >= n for h, n in zip(held, needs, strict=True))
    for i, p in enumerate(packages):
        out = sum(dict(given).get(i, 0) for given in filling.given)
        assert out == filling.used[i] and out <= p.stock + filling.bought[i] and (p.buyable or not filling.bought[i])
    assert not any(dict(given).get(3, 0) for given, block in zip(filling.given, blocks, strict=True) if block != "B")
    assert [level.status for level in filling.levels] == ["optimal"] * 6
    assert filling == fill_sites(needs, blocks, packages, day=DAY)


def test_what_cp_sat_leaves_open_is_proven_by_highs(monkeypatch):
    """The same values and bounds with either solver alone and with both."""
    draw = random.Random(5)
    needs = [draw.randint(60, 120) for _site in range(40)]
    packages = [
        package("a", 12, kind="tubes", stock=90, buyable=True, cost=3.0), package("b", 5, kind="tubes", stock=150, buyable=True, cost=1.5),
        package("c", 9, kind="reed", stock=100, cost=2.0), package("d", 50, kind="laminate", stock=9, buyable=True, cost=20.0),
    ]  # fmt: skip
    both = fill_sites(needs, ["A"] * 40, packages)
    assert {level.status for level in both.levels} == {"optimal"}
    for left_out in ("by_cp_sat", "by_highs"):
        with monkeypatch.context() as patch:
            patch.setattr(package_programme, left_out, lambda *_args: (None, None))
            assert fill_sites(needs, ["A"] * 40, packages).levels == both.levels


def test_the_columns_reach_what_a_plain_model_by_another_solver_reaches():
    """One variable a site and package, solved level by level by CP-SAT, comes to the same values."""
    from ortools.sat.python import cp_model

    draw = random.Random(11)
    needs = [draw.randint(20, 40) for _site in range(5)]
    packages = [
        package("a", 12, kind="tubes", stock=3, buyable=True, cost=3.0), package("b", 5, kind="tubes", stock=5, buyable=True, cost=1.5),
        package("c", 9, kind="reed", stock=5, cost=2.0),
    ]  # fmt: skip
    model = cp_model.CpModel()
    x = [[model.new_int_var(0, 9, "") for _p in packages] for _n in needs]
    buy = [model.new_int_var(0, 99 if p.buyable else 0, "") for p in packages]
    mixed = [model.new_bool_var("") for _n in needs]
    for row, need, mix in zip(x, needs, mixed, strict=True):
        model.add(sum(v * p.cavities for v, p in zip(row, packages, strict=True)) >= need)
        tubes, reed = model.new_bool_var(""), model.new_bool_var("")
        model.add(row[0] + row[1] <= 18 * tubes)
        model.add(row[2] <= 9 * reed)
        model.add(mix >= tubes + reed - 1)
    for k, p in enumerate(packages):
        model.add(sum(row[k] for row in x) <= p.stock + buy[k])
    aims = [
        sum(mixed),
        sum(b * p.cavities for b, p in zip(buy, packages, strict=True)),
        sum(v * p.cavities for row in x for v, p in zip(row, packages, strict=True)),
        sum(b * round(100 * (p.cost or 0)) for b, p in zip(buy, packages, strict=True)),
        sum(v for row in x for v in row),
    ]
    solver, values = cp_model.CpSolver(), []
    solver.parameters.num_workers = 1
    solver.parameters.max_deterministic_time = 20
    for aim in aims:
        model.minimize(aim)
        assert solver.solve(model) == cp_model.OPTIMAL
        values.append(round(solver.objective_value))
        model.add(aim <= values[-1])
    values[2] -= sum(needs)
    got = [level.value for level in fill_sites(needs, ["A"] * 5, packages).levels]
    assert [*got[1:4], round(100 * got[4]), got[5]] == values


@pytest.mark.parametrize(
    ("changes", "stays", "only"),
    [
        ({}, False, ""),  # new goods go anywhere
        ({"from_block": "A"}, True, ""),  # used and not cleaned
        ({"from_block": "A", "sanitised": DAY}, False, ""),
        ({"from_block": "A", "sanitised": date(2027, 1, 16)}, True, ""),  # cleaned a day late
        ({"from_block": "A", "sanitised": DAY, "disease": True}, False, "A"),  # goes home only
        ({"sanitised": DAY, "disease": True}, True, ""),  # nobody knows where home is
    ],
)
def test_lots_that_may_leave_the_yard(changes, stays, only):
    """Who stays says why."""
    (lot,) = usable_lots([package("p", 10, stock=5, **changes)], DAY)
    assert (lot.stock == 0, lot.only_block, bool(lot.why_not)) == (stays, only, stays)


def test_a_shortage_is_stated_and_shared_to_the_last_cavity():
    """Three bundles of ten for two sites of twenty, and nothing for sale: ten cavities are missing."""
    filling = fill_sites([20, 20], ["A", "A"], [package("t", 10, stock=3)])
    assert sorted(filling.cavities) == [10, 20] and filling.levels[0].value == 10 and filling.bought == (0,)


def test_stock_goes_before_what_is_bought_and_the_cheaper_of_two_is_bought():
    """Alike bundles from two sellers."""
    packages = [
        package("dear", 10, stock=1, buyable=True, cost=5.0), package("cheap", 10, stock=0, buyable=True, cost=4.0),
    ]  # fmt: skip
    filling = fill_sites([20], ["A"], packages)
    assert filling.given == (((0, 1), (1, 1)),) and filling.bought == (0, 1) and filling.levels[4].value == 4.0


def test_nothing_in_the_yard_leaves_every_site_short():
    """An unclean lot alone is as good as nothing."""
    filling = fill_sites([7, 0], ["A", "A"], [package("t", 10, stock=3, from_block="A")])
    assert filling.given == ((), ()) and filling.levels[0].value == 7


@pytest.mark.parametrize(
    ("needs", "blocks", "cavities"),
    [
        ([1], [], 5),  # a site of no block
        ([-1], ["A"], 5),  # less than no need
        ([1], ["A"], 0),  # a package that holds nothing
    ],
)
def test_refuses(needs, blocks, cavities):
    """A wrong call is named."""
    with pytest.raises(ValueError, match=r"block|cavity"):
        fill_sites(needs, blocks, [package("t", cavities)])


def test_ways_are_those_from_which_nothing_can_be_left_out():
    """Of 23 cavities from tens and fives: every way listed is needed whole, and all such ways are listed."""
    forms = [Form(kind="tubes", cavities=10, limit=None), Form(kind="tubes", cavities=5, limit=None)]
    ways, complete = patterns(23, forms)
    found = {w.counts for w in ways}
    wanted = {
        (a, b)
        for a, b in itertools.product(range(4), range(6))
        if 10 * a + 5 * b >= 23 and all(10 * a + 5 * b - s < 23 for s, n in ((10, a), (5, b)) if n)
    }
    assert complete and found == wanted


def test_a_yard_of_very_many_sizes_is_filled_and_not_called_proven():
    """Fourteen sizes of one material in small stocks: every need is met, no bound is stated."""
    packages = [package(f"t{c}", c, stock=2) for c in (1, 2, 3, 4, 6, 7, 8, 9, 11, 12, 13, 14, 16)]
    packages.append(package("t15", 15, stock=0, buyable=True, cost=1.0))
    filling = fill_sites([90 + k for k in range(20)], ["A"] * 20, packages)
    assert all(c >= 90 + k for k, c in enumerate(filling.cavities))
    assert {level.status for level in filling.levels} == {"bound_unknown"}
    assert all(n <= p.stock + b for n, p, b in zip(filling.used, packages, filling.bought, strict=True))


def test_many_sizes_that_do_not_suffice_end_soon():
    """Thirty lots of one material that hold less than one site needs: no branch is walked in vain."""
    forms = [Form(kind="tubes", cavities=3 + k % 7, limit=1) for k in range(30)]
    ways, complete = patterns(1000, [*forms, Form(kind="reed", cavities=10, limit=None)])
    assert complete and [w.counts for w in ways] == [(*(0,) * 30, 100)]


def test_without_any_search_the_start_still_fills_every_site(monkeypatch):
    """Solvers that find nothing leave one thing bought for all, or nothing where nothing is for sale."""
    for solver in ("by_cp_sat", "by_highs"):
        monkeypatch.setattr(package_programme, solver, lambda *_args: (None, None))
    bought = fill_sites([20, 35, 0], ["A"] * 3, [package("s", 7, stock=9), package("t", 10, buyable=True, cost=2.0)])
    assert bought.cavities == (20, 40, 0) and bought.bought == (0, 6)
    assert bought.levels[2].status == "bound_unknown"
    none = fill_sites([20], ["A"], [package("s", 7, stock=9)])
    assert none.cavities == (0,) and none.levels[0].value == 20
