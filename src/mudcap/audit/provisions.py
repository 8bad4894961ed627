"""Whether mud is as near as the plan says, puddles lie clear of what bars them, and the cocoons set out add up."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from mudcap.audit.claim import MudClaim
from mudcap.audit.faults import Case, listed
from mudcap.audit.ground import distance, nearest, swept_distance
from mudcap.lang import _
from mudcap.orchard.model import Finding

NEAR_M = 1e-3
"""Distances that differ by less are the same."""
WAY_M = 0.5
"""Metres by which a way added up from its pieces may differ from the stated one."""


def check_provisions(case: Case) -> Iterator[Finding]:
    """Faults of mud brought to the sites and of cocoons set out."""
    if case.claim.brought is not None:
        yield from _mud(case, case.claim.brought)
        yield from _puddles(case, case.claim.brought)
        yield from _way(case, case.claim.brought)
    if case.claim.release is not None:
        yield from _cocoons(case)
        yield from _stations(case)


def _mud(case: Case, brought: MudClaim) -> Iterator[Finding]:
    """Each site has clean mud or a puddle within the limit, unless it is listed with what is missing."""
    sources = [distance(case.site_xy, g) for g in case.claim.mud or ()]
    natural = np.min(sources, axis=0) if sources else np.full(len(case.site_xy), np.inf)
    puddle = nearest(case.site_xy, _xy(brought))
    near_m = np.minimum(natural, puddle)
    far = near_m > brought.limit_m + NEAR_M
    listed_ones = {k for k, _missing in brought.unserved}
    wrong = [k for k in np.flatnonzero(far).tolist() if k not in listed_ones]
    if wrong:
        text = _("{count} sites have neither clean mud nor a puddle within {limit:.1f} m and are not listed: {ids}.")
        yield case.fault("mud_missing", "", text.format(count=len(wrong), limit=brought.limit_m, ids=case.ids(wrong)), wrong)
    needless = sorted(k for k in listed_ones if near_m[k] < brought.limit_m - NEAR_M)
    if needless:
        text = _("{count} sites are listed as out of reach of mud, and are not: {ids}.")
        yield case.fault("mud_listed", "", text.format(count=len(needless), ids=case.ids(needless)), needless)
    served = [k for p in brought.puddles for k in p.sites]
    due = set(np.flatnonzero(natural > brought.limit_m + NEAR_M).tolist()) - listed_ones
    odd = sorted((due - set(served)) | {k for k in served if natural[k] < brought.limit_m - NEAR_M or served.count(k) > 1})
    if odd:
        text = _("The puddles do not serve each site that needs one just once: {ids}.").format(ids=case.ids(odd))
        yield case.fault("mud_served", "", text, odd)


def _puddles(case: Case, brought: MudClaim) -> Iterator[Finding]:
    """Farthest sites, the bound, and zones that a puddle must keep clear of."""
    xy = _xy(brought)
    wrong = []
    for k, puddle in enumerate(brought.puddles):
        away = np.hypot(*(case.site_xy[list(puddle.sites)] - xy[k]).T)
        if not len(away) or abs(float(away.max()) - puddle.farthest_m) > NEAR_M or away.max() > brought.limit_m + NEAR_M:
            wrong.append(puddle.name)
    if wrong:
        yield case.fault("puddle_far", "", _("The farthest site is wrong for {names}.").format(names=listed(wrong)))
    if brought.bound > len(brought.puddles):
        text = _("{count} puddles are listed, yet at least {bound} are said to be needed.")
        yield case.fault("puddle_bound", "", text.format(count=len(brought.puddles), bound=brought.bound))
    for zone in case.claim.zones if len(xy) else ():
        away = (
            swept_distance(xy, zone.geometry, zone.half_width_m) if zone.half_width_m > 0 else distance(xy, zone.geometry)
        )
        near = [brought.puddles[k].name for k in np.flatnonzero(away < zone.clear_m - 0.01)]
        if near:
            text = _("Puddles too near {zone}: {names}.").format(zone=zone.name or str(zone.flag.name).lower(), names=listed(near))
            yield case.fault("puddle_in_zone", "", text)


def _way(case: Case, brought: MudClaim) -> Iterator[Finding]:
    """The water truck's way is as long as its pieces and no shorter than its bound."""
    total = sum(brought.leg_m)
    if abs(total - brought.tour_m) > WAY_M or brought.tour_bound_m > brought.tour_m + WAY_M:
        text = _("The water truck's way is stated as {stated:.1f} m, its pieces add up to {total:.1f} m, its bound is {bound:.1f} m.")
        yield case.fault("water_way", "", text.format(stated=brought.tour_m, total=total, bound=brought.tour_bound_m))


def _cocoons(case: Case) -> Iterator[Finding]:
    """The cocoons set out in a block are those of the block, in containers that hold them."""
    points = case.claim.release or ()
    for index, block in enumerate(case.claim.blocks):
        own = [p for p in points if p.block_id == block.block_id]
        due = (block.females, block.males) if len(case.of_block(index)) else (0, 0)
        got = (sum(p.females for p in own), sum(p.males for p in own))
        if got != due:
            text = _(
                "Block {block}: {females} females and {males} males are set out, {due_females} and {due_males} are stated."
            ).format(
                block=block.block_id, females=got[0], males=got[1], due_females=due[0], due_males=due[1]
            )
            yield case.fault("release_sum", block.block_id, text)
    small = []
    for p in points:
        cocoons = (p.females + p.males) * p.cocoons_a_bee
        # females and males are rounded up to whole cocoons, each for itself
        if not cocoons - 1e-6 <= p.containers * p.capacity < cocoons + 2 + p.capacity:
            small.append(p.name)
    if small:
        text = _("Containers that are too few or too many: {names}.").format(names=listed(small))
        yield case.fault("release_containers", "", text)


def _stations(case: Case) -> Iterator[Finding]:
    """Each release point stands on the station whose row and tree it names."""
    stations = case.claim.stations
    order = {b.block_id: k for k, b in enumerate(case.claim.blocks)}
    lost = []
    for p in case.claim.release or ():
        same = (stations.block == order.get(p.block_id, -1)) & (stations.row == p.row) & (stations.tree == p.tree)
        if not same.any() or np.hypot(*(stations.xy[same] - (p.x_m, p.y_m)).T).min() > NEAR_M:
            lost.append(p.name)
    if lost:
        text = _("Release points that do not stand on the row and tree they name: {names}.").format(names=listed(lost))
        yield case.fault("release_address", "", text)


def _xy(brought: MudClaim) -> NDArray[np.float64]:
    return np.array([(p.x_m, p.y_m) for p in brought.puddles], float).reshape(-1, 2)
