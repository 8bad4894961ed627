"""The checker finds nothing in honest goods, and each planted fault by its own code."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date

import pytest
from honest_claims import honest

from mudcap.audit.check import check
from mudcap.audit.claim import Claim, GoodsClaim, LoadClaim, PackageClaim

DAY = date(2027, 1, 15)


def with_goods() -> Claim:
    """Every site gets as many bundles of one cavity as it needs, the last site ones from a sick lot of its own block."""
    claim = honest()
    needs = [s.cavities for s in claim.sites]
    n, last = len(needs), len(needs) - 1
    given = [(("one", need),) for need in needs]
    given[last] = (("sick", needs[last]),)
    plain = PackageClaim(
        name="one", cavities=1, stock=10, buyable=True, used_before=False, cleaned=None, disease=False, from_block="",
        out=sum(needs[:last]), bought=sum(needs[:last]) - 10,
    )  # fmt: skip
    sick = PackageClaim(
        name="sick", cavities=1, stock=needs[last], buyable=False, used_before=True, cleaned=DAY, disease=True,
        from_block=claim.sites[last].block_id, out=needs[last], bought=0,
    )  # fmt: skip
    half = n // 2
    parts = [tuple(range(half)), tuple(range(half, n))]
    places = [(number, len(part) - k) for number, part in enumerate(parts, start=1) for k in range(len(part))]
    goods = GoodsClaim(
        packages=(plain, sick), given=tuple(given), cavities=tuple(needs), short=(0,) * n, shelters=(1,) * n,
        loads=tuple(LoadClaim(number=k, sites=part, shelters=len(part)) for k, part in enumerate(parts, start=1)),
        place_in_load=tuple(places), load_shelters=max(map(len, parts)), needed_by=DAY,
    )  # fmt: skip
    return replace(claim, goods=goods)


def codes(claim: Claim) -> set[str]:
    return {f.code.removeprefix("audit_") for f in check(claim)}


def change(index: int, **changes: object) -> Callable[[GoodsClaim], GoodsClaim]:
    def plant(goods: GoodsClaim) -> GoodsClaim:
        packages = list(goods.packages)
        packages[index] = replace(packages[index], **changes)  # type: ignore[arg-type]
        return replace(goods, packages=tuple(packages))

    return plant


FAULTS: list[tuple[str, Callable[[GoodsClaim], GoodsClaim]]] = [
    ("package_stock", change(0, bought=0)),  # more goes out than there is
    ("package_stock", change(0, buyable=False)),  # bought, yet not for sale
    ("package_stock", change(1, cleaned=None)),  # used and never cleaned
    ("package_stock", change(1, cleaned=date(2027, 1, 16))),  # cleaned too late
    ("disease_carried", change(1, from_block="West")),  # to another block
    ("package_sum", change(0, out=1)),
    ("package_cavities", lambda g: replace(g, cavities=(g.cavities[0] + 1, *g.cavities[1:]))),
    ("need_not_met", change(0, cavities=0)),
    ("needless_shortage", lambda g: replace(g, short=(1, *g.short[1:]))),
    ("package_unknown", lambda g: replace(g, given=((("two", 1),), *g.given[1:]))),
    ("goods_malformed", lambda g: replace(g, given=g.given[1:])),
    ("load_once", lambda g: replace(g, loads=g.loads[:1])),
    ("load_sum", lambda g: replace(g, load_shelters=1)),
    ("load_order", lambda g: replace(g, place_in_load=((1, 1), *g.place_in_load[1:]))),
]


def test_honest_goods_have_no_fault():
    """Neither have plans without goods."""
    assert check(with_goods()) == () == check(honest())


@pytest.mark.parametrize(("code", "plant"), FAULTS)
def test_a_planted_fault_is_caught_by_its_own_code(code, plant):
    """The code is among those told."""
    claim = with_goods()
    assert claim.goods is not None
    assert code in codes(replace(claim, goods=plant(claim.goods)))
