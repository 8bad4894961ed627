"""One call that checks a whole plan."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import fields
from typing import Final

import numpy as np

from mudcap.audit.claim import Claim
from mudcap.audit.faults import Case, look
from mudcap.audit.goods import check_goods
from mudcap.audit.places import check_places
from mudcap.audit.provisions import check_provisions
from mudcap.audit.service import check_service
from mudcap.audit.sums import check_sums
from mudcap.audit.ways import check_ways
from mudcap.lang import _
from mudcap.orchard.model import Finding

CHECKS: Final[tuple[Callable[[Case], Iterator[Finding]], ...]] = (
    check_places, check_service, check_sums, check_provisions, check_goods, check_ways,
)  # fmt: skip
"""What is looked at, in the order of the findings; mud plans and rounds add their own here."""


def check(claim: Claim) -> tuple[Finding, ...]:
    """Every fault of a plan as findings of level `error` with codes `audit_…`; () where the plan holds.

    A claim whose arrays do not fit together is one fault, `audit_malformed`, and nothing else is looked at.
    """
    broken = malformed(claim)
    if broken:
        text = _("The plan does not hold together: {what}.").format(what=broken)
        return (Finding(level="error", code="audit_malformed", layer="", feature="", text=text),)
    case = look(claim)
    return tuple(finding for one in CHECKS for finding in one(case))


def malformed(claim: Claim) -> str:
    """What does not fit together in a claim's shapes, indices and numbers; '' where all does."""
    names = [b.block_id for b in claim.blocks]
    if len(set(names)) < len(names):
        return _("two blocks have one name")
    order = {name: k for k, name in enumerate(names)}
    if any(s.block_id not in order for s in claim.sites):
        return _("a site is of no block")
    at = [order[s.block_id] for s in claim.sites]
    if at != sorted(at):
        return _("sites are not in the order of blocks")
    if any(name not in order for b in claim.blocks for name in b.served_by):
        return _("a block is served by a block that is not listed")
    return _arrays(claim) or _numbers(claim)


def _arrays(claim: Claim) -> str:
    trees, stations = claim.trees, claim.stations
    m, n = len(trees.xy), len(stations.xy)
    if any(len(a) != m for a in (trees.weight, trees.block, trees.assigned)):
        return _("the arrays of trees differ in length")
    if any(len(a) != n for a in (stations.block, stations.row, stations.tree)):
        return _("the arrays of stations differ in length")
    for index in (trees.block, stations.block):
        if len(index) and not (index.min() >= 0 and index.max() < len(claim.blocks)):
            return _("a tree or station is of no block")
    if m and not (trees.assigned.min() >= -1 and trees.assigned.max() < len(claim.sites)):
        return _("a tree is served by a site that is not listed")
    if not (np.isfinite(trees.xy).all() and np.isfinite(trees.weight).all() and np.isfinite(stations.xy).all()):
        return _("a tree or station is at no place")
    return ""


def _numbers(claim: Claim) -> str:
    """Distances to mud and walks may be infinite; nothing else may, and nothing is 'not a number'."""
    may_be_inf = {"walk_m", "mud_m"}
    for site in claim.sites:
        for field in fields(site):
            value = getattr(site, field.name)
            if isinstance(value, float) and not (np.isfinite(value) or (field.name in may_be_inf and value > 0)):
                return _("site {id} has no number for {name}").format(id=site.site_id, name=field.name)
    for block in claim.blocks:
        stated = [] if block.coverage is None else [getattr(block.coverage, f.name) for f in fields(block.coverage)]
        if not all(np.isfinite(v) for v in [block.acres, *stated, *(level.value for level in block.levels)]):
            return _("block {block} states something that is no number").format(block=block.block_id)
    return ""
