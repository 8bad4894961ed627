"""Whether what leaves the yard is there, is clean, adds up, and is what the sites need."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from mudcap.audit.claim import GoodsClaim, PackageClaim
from mudcap.audit.faults import Case, listed
from mudcap.lang import _
from mudcap.orchard.model import Finding


def check_goods(case: Case) -> Iterator[Finding]:
    """Faults of packages and loads; nothing where the plan claims none."""
    goods = case.claim.goods
    if goods is None:
        return
    if {len(goods.given), len(goods.cavities), len(goods.short), len(goods.shelters)} != {len(case.claim.sites)}:
        yield case.fault("goods_malformed", "", _("Goods are not stated for each site."))
        return
    if goods.packages:
        yield from _needs(case, goods)
        yield from _stock(case, goods)
        yield from _clean(case, goods)
    yield from _loads(case, goods)


def _needs(case: Case, goods: GoodsClaim) -> Iterator[Finding]:
    """Cavities of the packages, and what is missing of the need."""
    size = {p.name: p.cavities for p in goods.packages}
    unknown = sorted({name for given in goods.given for name, _n in given if name not in size})
    if unknown:
        yield case.fault("package_unknown", "", _("Packages that the options do not name go out: {names}.").format(names=listed(unknown)))
        return
    sums = [sum(size[name] * n for name, n in given) for given in goods.given]
    negative = [k for k, given in enumerate(goods.given) if any(n < 1 for _name, n in given)]
    wrong = [k for k, held in enumerate(sums) if held != goods.cavities[k]]
    if wrong or negative:
        text = _("Cavities of the packages are not what is stated at {ids}.").format(ids=case.ids(wrong or negative))
        yield case.fault("package_cavities", "", text, wrong or negative)
    missing = [k for k, s in enumerate(case.claim.sites) if goods.short[k] != max(0, s.cavities - sums[k])]
    if missing:
        text = _("Sites lack cavities that the plan does not say are missing: {ids}.").format(ids=case.ids(missing))
        yield case.fault("need_not_met", "", text, missing)
    if any(goods.short) and any(p.buyable for p in goods.packages):
        yield case.fault("needless_shortage", "", _("Cavities are missing though packages can be bought."))


def _stock(case: Case, goods: GoodsClaim) -> Iterator[Finding]:
    out: Counter[str] = Counter()
    for given in goods.given:
        for name, n in given:
            out[name] += n
    for p in goods.packages:
        if out[p.name] != p.out or p.bought < 0:
            text = _("{name}: {stated} are stated to go out, the sites take {sum}.").format(name=p.name, stated=p.out, sum=out[p.name])
            yield case.fault("package_sum", "", text)
        on_hand = p.stock if may_go(p, goods) else 0
        if out[p.name] > on_hand + p.bought or (p.bought and not p.buyable):
            text = _("{name}: {n} go out, {stock} are on hand and clean, {bought} are bought.").format(
                name=p.name, n=out[p.name], stock=on_hand, bought=p.bought
            )
            yield case.fault("package_stock", "", text)


def may_go(p: PackageClaim, goods: GoodsClaim) -> bool:
    """Whether stock of a package may leave the yard at all."""
    if not p.used_before:
        return True
    in_time = p.cleaned is not None and (goods.needed_by is None or p.cleaned <= goods.needed_by)
    return in_time and (bool(p.from_block) or not p.disease)


def _clean(case: Case, goods: GoodsClaim) -> Iterator[Finding]:
    """A lot with disease goes nowhere but to its own block."""
    kept = {p.name: p.from_block for p in goods.packages if p.disease}
    wrong = [
        k
        for k, (site, given) in enumerate(zip(case.claim.sites, goods.given, strict=True))
        if any(name in kept and kept[name] != site.block_id for name, _n in given)
    ]
    if wrong:
        text = _("Packages in which disease was found go to sites of another block: {ids}.").format(ids=case.ids(wrong))
        yield case.fault("disease_carried", "", text, wrong)


def _loads(case: Case, goods: GoodsClaim) -> Iterator[Finding]:
    if not goods.loads:
        return
    carried = Counter(k for load in goods.loads for k in load.sites)
    wrong = [k for k in range(len(case.claim.sites)) if carried[k] != 1]
    if wrong or any(k not in range(len(case.claim.sites)) for k in carried):
        text = _("Sites that are not on exactly one load: {ids}.").format(ids=case.ids(wrong))
        yield case.fault("load_once", "", text, wrong)
        return
    for at, load in enumerate(goods.loads):
        shelters = sum(goods.shelters[k] for k in load.sites)
        too_many = goods.load_shelters is not None and shelters > goods.load_shelters and len(load.sites) > 1
        if load.number != at + 1 or load.shelters != shelters or too_many:
            text = _("Load {number} does not add up: {n} shelters.").format(number=load.number, n=shelters)
            yield case.fault("load_sum", "", text, load.sites)
        # the last to be hung goes on first
        places = [(load.number, len(load.sites) - n) for n in range(len(load.sites))]
        if [goods.place_in_load[k] for k in load.sites] != places:
            text = _("Load {number}: what is hung last does not go on first.").format(number=load.number)
            yield case.fault("load_order", "", text, load.sites)
