"""Every site filled with whole packages: needs met, one material a site, clean lots, stock first, least surplus and cost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

from mudcap.supply.lots import Lot, usable_lots
from mudcap.supply.model import SupplyLevel
from mudcap.supply.package_programme import Shape, Sort, solve_programme
from mudcap.supply.params import PackageParams
from mudcap.supply.patterns import Form, Pattern, patterns

NODES: Final = 200
"""Branch-and-bound nodes that HiGHS may take for a level of the objective: counted work, the same on every machine."""
WAYS: Final = 30_000
"""Columns that the programme may have; a yard of very many sizes is cut down, and then no level is called proven."""
FEWEST_WAYS: Final = 25
"""Ways kept for each need and material of such a yard."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Filling:
    """What each site takes, and how good that is proven to be."""

    given: tuple[tuple[tuple[int, int], ...], ...]
    """For each site (index of the package, how many), in the options' order."""
    cavities: tuple[int, ...]
    """Cavities that each site gets."""
    used: tuple[int, ...]
    """For each package how many go out."""
    bought: tuple[int, ...]
    """For each package how many of these have to be bought."""
    levels: tuple[SupplyLevel, ...]
    """Cavities missing, sites of two materials, cavities bought, surplus cavities, cost, packages: each with its bound."""
    lots: tuple[Lot, ...]


def fill_sites(
    needs: Sequence[int],
    blocks: Sequence[str],
    packages: Sequence[PackageParams],
    *,
    day: date | None = None,
    nodes: int = NODES,
) -> Filling:
    """Whole packages for each site of `needs` cavities (n,) in `blocks` (n,), as good as can be: fewest cavities missing, then fewest
    sites of two materials, least bought, least surplus, least money for what is bought, fewest packages.

    Sites of equal need to which the same lots may go are one column of an integer programme (one whole-number variable for
    each way to fill them), so 10,000 sites are some hundred columns. The levels are solved one after the other, each held
    for the next. `day` is the day of need, for the rules of clean lots. The stop is counted work, so the same input gives
    the same answer.

    Raises ``ValueError`` for a package without cavities, or needs and blocks of different length.

    References: pattern formulation of Gilmore & Gomory 1961, Oper. Res. 9:849–859 (from memory); solved
    by CP-SAT, and by HiGHS where CP-SAT leaves a gap (`package_solvers`).
    """
    if len(needs) != len(blocks):
        raise ValueError("one block a site is needed.")
    if any(p.cavities < 1 for p in packages) or any(n < 0 for n in needs):
        raise ValueError("a package holds at least one cavity, and no site needs fewer than none.")
    lots = usable_lots(packages, day)
    shapes = _shapes(packages, lots)
    sorts, complete = _sorts(needs, blocks, shapes, mixtures=False)
    chosen, bought, levels = solve_programme(sorts, shapes, complete=complete, priced=_priced(packages), nodes=nodes)
    if levels[0].value > _least_short(needs, blocks, shapes):
        # only where one material a site leaves cavities missing that a mixture may fill
        wider, complete = _sorts(needs, blocks, shapes, mixtures=True)
        again = solve_programme(wider, shapes, complete=complete, priced=_priced(packages), nodes=nodes)
        # a search that was cut short may end worse than the narrower one
        if complete or [v.value for v in again[2]] < [v.value for v in levels]:
            sorts, (chosen, bought, levels) = wider, again
    return _hand_out(needs, blocks, packages, lots, shapes, sorts, chosen, bought, levels)


def _priced(packages: Sequence[PackageParams]) -> bool:
    return all(p.cost is not None for p in packages if p.buyable)


def _shapes(packages: Sequence[PackageParams], lots: Sequence[Lot]) -> list[Shape]:
    alike: dict[tuple[object, ...], list[int]] = {}
    for i, p in enumerate(packages):
        if lots[i].stock or p.buyable:
            alike.setdefault((p.kind, p.cavities, p.diameter_mm, p.depth_mm), []).append(i)
    shapes = []
    for members in alike.values():
        kept: dict[str, int] = {}
        for i in members:
            if lots[i].only_block:
                kept[lots[i].only_block] = kept.get(lots[i].only_block, 0) + lots[i].stock
        can_buy = [i for i in members if packages[i].buyable]
        buy = min(can_buy, key=lambda i: (_cents(packages[i].cost), i), default=-1)
        shapes.append(
            Shape(
                kind=packages[members[0]].kind,
                cavities=packages[members[0]].cavities,
                members=tuple(members),
                open_stock=sum(lots[i].stock for i in members if not lots[i].only_block),
                kept=kept,
                buy=buy,
                cost_cents=_cents(packages[buy].cost) if buy >= 0 else 0,
            )
        )
    return shapes


def _cents(cost: float | None) -> int:
    return 0 if cost is None else round(cost * 100)


def _least_short(needs: Sequence[int], blocks: Sequence[str], shapes: Sequence[Shape]) -> int:
    """Cavities that are missing however the yard is shared out: all that are needed but those on hand."""
    if any(s.buy >= 0 for s in shapes):
        return 0
    of_block: dict[str, int] = {}
    for need, block in zip(needs, blocks, strict=True):
        of_block[block] = of_block.get(block, 0) + need
    kept = {b: sum(s.kept.get(b, 0) * s.cavities for s in shapes) for s in shapes for b in s.kept}
    on_hand = sum(s.open_stock * s.cavities for s in shapes) + sum(min(n, of_block.get(b, 0)) for b, n in kept.items())
    return max(0, sum(needs) - on_hand)


def _sorts(
    needs: Sequence[int], blocks: Sequence[str], shapes: Sequence[Shape], *, mixtures: bool
) -> tuple[list[Sort], bool]:
    apart = {block for shape in shapes for block in shape.kept}
    members: dict[tuple[str, int], list[int]] = {}
    for site, (need, block) in enumerate(zip(needs, blocks, strict=True)):
        members.setdefault((block if block in apart else "", need), []).append(site)
    each = max(FEWEST_WAYS, WAYS // max(1, len(members) * len({s.kind for s in shapes})))
    sorts, complete = _made(members, shapes, each, mixtures)
    if not complete:
        # what is cut down proves nothing, so it is cut down far enough to be quick
        sorts, complete = _made(members, shapes, FEWEST_WAYS, mixtures)
    return sorts, complete


def _made(
    members: dict[tuple[str, int], list[int]], shapes: Sequence[Shape], limit: int, mixtures: bool
) -> tuple[list[Sort], bool]:
    sorts, complete = [], True
    for (block, need), sites in sorted(members.items()):
        forms = [
            Form(kind=s.kind, cavities=s.cavities, limit=None if s.buy >= 0 else s.open_stock + s.kept.get(block, 0))
            for s in shapes
        ]
        ways, whole = patterns(need, forms, mixtures=mixtures, limit=limit) if forms else ((_nothing(need),), True)
        complete &= whole
        sorts.append(Sort(need=need, block=block, sites=tuple(sites), ways=ways))
    return sorts, complete


def _nothing(need: int) -> Pattern:
    return Pattern(counts=(), cavities=0, short=need, surplus=0, mixed=False)


def _hand_out(
    needs: Sequence[int], blocks: Sequence[str], packages: Sequence[PackageParams], lots: tuple[Lot, ...],
    shapes: Sequence[Shape], sorts: Sequence[Sort], chosen: Sequence[Sequence[int]], bought: Sequence[int],
    levels: tuple[SupplyLevel, ...],
) -> Filling:  # fmt: skip
    """Ways to sites and lots to packages, both in hanging order, so that a lot is spread over as few sites as can be."""
    way: list[Pattern | None] = [None] * len(needs)
    for s, row in zip(sorts, chosen, strict=True):
        pick = [w for w, count in zip(s.ways, row, strict=True) for _each in range(count)]
        for site, chosen_way in zip(s.sites, pick, strict=True):
            way[site] = chosen_way
    left = [lot.stock for lot in lots]
    to_buy, buys = list(bought), [0] * len(packages)
    given: list[dict[int, int]] = [{} for _site in needs]
    for f, shape in enumerate(shapes):
        # kept lots first, then stock in the options' order, then what is bought
        order = sorted(shape.members, key=lambda i: (not lots[i].only_block, i))
        for site, w in enumerate(way):
            missing = w.counts[f] if w is not None and w.counts else 0
            for i in order:
                if lots[i].only_block in ("", blocks[site]) and missing and left[i]:
                    n = min(missing, left[i])
                    given[site][i] = n
                    left[i], missing = left[i] - n, missing - n
            if missing:
                given[site][shape.buy] = given[site].get(shape.buy, 0) + missing
                to_buy[f] -= missing
                buys[shape.buy] += missing
                if shape.buy < 0 or to_buy[f] < 0:
                    raise RuntimeError("the programme of packages gave out more than there is.")
    return Filling(
        given=tuple(tuple(sorted(g.items())) for g in given),
        cavities=tuple(0 if w is None else w.cavities for w in way),
        used=tuple(sum(g.get(i, 0) for g in given) for i in range(len(packages))),
        bought=tuple(buys),
        levels=levels,
        lots=lots,
    )
