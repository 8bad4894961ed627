"""Whether counts, identities and stock add up."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mudcap.audit.claim import BlockClaim, SiteClaim
from mudcap.audit.faults import Case, listed
from mudcap.audit.ground import shoelace_m2
from mudcap.lang import _
from mudcap.orchard.model import Finding

ACRE_M2: Final = 4046.8564224
"""International acre."""
ACRE_SHARE: Final = 1e-4
"""What a plane 50 km wide may make of an area: (x/R)² = 6.2e-5, and a little."""
SITE_ID: Final = re.compile(r"([A-Z0-9]{1,3}?)([0-9]{1,4})")


def check_sums(case: Case) -> Iterator[Finding]:
    """Faults of counting: acres, quota, numbers, ids, females, males and cavities."""
    for index, block in enumerate(case.claim.blocks):
        sites = [case.claim.sites[k] for k in case.of_block(index)]
        yield from _acres(case, block)
        yield from _counts(case, block, sites)
        yield from _ids(case, block, sites)
        yield from _stock(case, block, sites)
    yield from _once(case)
    yield from _totals(case)


def _acres(case: Case, block: BlockClaim) -> Iterator[Finding]:
    acres = shoelace_m2(block.polygon) / ACRE_M2
    if not abs(block.acres - acres) <= ACRE_SHARE * acres + 1e-6:
        text = _("Block {block}: {stated:.4f} acres are stated, its outline holds {acres:.4f}.").format(
            block=block.block_id, stated=block.acres, acres=acres
        )
        yield case.fault("acres", block.block_id, text)


def _counts(case: Case, block: BlockClaim, sites: Sequence[SiteClaim]) -> Iterator[Finding]:
    count = len(sites)
    if block.sites != count:
        text = _("Block {block}: {stated} sites are stated, {count} are listed.").format(
            block=block.block_id, stated=block.sites, count=count
        )
        yield case.fault("site_count", block.block_id, text)
    if count > block.quota or (count < block.quota and not block.may_differ):
        text = _("Block {block}: {quota} sites were asked for, {count} are listed.").format(
            block=block.block_id, quota=block.quota, count=count
        )
        yield case.fault("quota", block.block_id, text)
    if [s.number for s in sites] != list(range(1, count + 1)):
        text = _("Block {block}: its sites are not numbered 1 to {count}.").format(block=block.block_id, count=count)
        yield case.fault("number", block.block_id, text)


def _ids(case: Case, block: BlockClaim, sites: Sequence[SiteClaim]) -> Iterator[Finding]:
    """Block code and serial, but for a site that was there before and keeps its name; a serial at or below the last one used
    belongs to such a site."""
    claim = case.claim
    form = [s.site_id for s in sites if not _serial(s.site_id, block.code) and s.site_id not in claim.earlier_ids]
    if form:
        text = _("Block {block}: ids that are not {code} and a serial: {ids}.").format(
            block=block.block_id, code=block.code, ids=listed(form)
        )
        yield case.fault("id_form", block.block_id, text)
    used = claim.earlier_serial.get(block.code, 0)
    again = [s.site_id for s in sites if 0 < _serial(s.site_id, block.code) <= used and s.site_id not in claim.earlier_ids]
    if again:
        text = _("Block {block}: serials up to {used} are used up, yet new sites are called {ids}.").format(
            block=block.block_id, used=used, ids=listed(again)
        )
        yield case.fault("serial_reused", block.block_id, text)
    highest = max([used, *(_serial(s.site_id, block.code) for s in sites)])
    if highest and claim.last_serial.get(block.code, 0) != highest:
        text = _("Block {block}: the last serial is kept as {kept}, it is {highest}.").format(
            block=block.block_id, kept=claim.last_serial.get(block.code, 0), highest=highest
        )
        yield case.fault("last_serial", block.block_id, text)


def _serial(site_id: str, code: str) -> int:
    """Serial of an id of a block; 0 where the id is not one."""
    rest = site_id[len(code) :] if code and site_id.startswith(code) else ""
    return int(rest) if re.fullmatch("[0-9]{1,4}", rest, re.ASCII) and SITE_ID.fullmatch(site_id) else 0


def _once(case: Case) -> Iterator[Finding]:
    twice = [name for name, count in Counter(s.site_id for s in case.claim.sites).items() if count > 1]
    if twice:
        yield case.fault("id_twice", "", _("Ids that are given twice: {ids}.").format(ids=listed(twice)))


def _stock(case: Case, block: BlockClaim, sites: Sequence[SiteClaim]) -> Iterator[Finding]:
    for code, name, stated, each in (
        ("females", _("females"), block.females, [s.females for s in sites]),
        ("males", _("males"), block.males, [s.males for s in sites]),
        ("cavities", _("cavities"), block.cavities, [s.cavities for s in sites]),
    ):
        if sum(each) != stated:
            text = _("Block {block}: {name} are stated as {stated}, its sites hold {sum}.").format(
                block=block.block_id, name=name, stated=stated, sum=sum(each)
            )
            yield case.fault(code, block.block_id, text)
        elif sites and not _fair(each, np.array([s.trees for s in sites], float)):
            text = _("Block {block}: {name} are not shared out by trees, to the nearest whole one.").format(
                block=block.block_id, name=name
            )
            yield case.fault("share", block.block_id, text)
    if sites:
        yield from _rates(case, block)


def _fair(each: Sequence[int], trees: NDArray[np.float64]) -> bool:
    """Whether every site has its exact share, rounded down or up, and none less than nothing.

    A site whose trees are all nearer to others counts as half the mean, so that no shelter hangs empty.
    """
    mean = trees.sum() / len(trees)
    share = np.where(trees > 0, trees, mean / 2 if mean > 0 else 1.0)
    exact = sum(each) * share / share.sum()
    got = np.array(each)
    return bool((got >= 0).all() and (np.abs(got - exact) < 1 + 1e-6).all())


def _rates(case: Case, block: BlockClaim) -> Iterator[Finding]:
    """Females from acres, males from females, cavities from females: each the nearest whole number (cavities: the next)."""
    wrong = []
    if block.females_per_acre is not None and abs(block.females - block.females_per_acre * block.acres) > 0.5 + 1e-6:
        wrong.append(_("females"))
    if block.males_per_female is not None and abs(block.males - block.males_per_female * block.females) > 0.5 + 1e-6:
        wrong.append(_("males"))
    if block.cavities_per_female is not None:
        spare = block.cavities - block.cavities_per_female * block.females
        if not -1e-6 <= spare < 1 + 1e-6:
            wrong.append(_("cavities"))
    if wrong:
        text = _("Block {block}: {names} do not follow from the rate.").format(
            block=block.block_id, names=listed(wrong)
        )
        yield case.fault("rate", block.block_id, text)


def _totals(case: Case) -> Iterator[Finding]:
    claim = case.claim
    for name, stated, total in (
        (_("females"), claim.females, sum(s.females for s in claim.sites)),
        (_("males"), claim.males, sum(s.males for s in claim.sites)),
        (_("cavities"), claim.cavities, sum(s.cavities for s in claim.sites)),
    ):
        if stated is not None and stated != total:
            text = _("The ranch's {name} are stated as {stated}, its sites hold {total}.").format(
                name=name, stated=stated, total=total
            )
            yield case.fault("total", "", text)
