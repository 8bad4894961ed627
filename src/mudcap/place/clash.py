"""Where limits clash: which rule, how many stations and acres, and the smallest change that would do."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from mudcap.geo.units import M2_PER_ACRE, M_PER_FT, Units, length_text
from mudcap.lang import _, _n, joined
from mudcap.orchard.model import Block, Exclusion, Finding
from mudcap.place.candidates import Candidates
from mudcap.place.params import AccessParams, MudParams


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One exclusion rule as a grower would loosen it."""

    flag: Exclusion
    name: str
    limit_m: float | None = None
    """The limit in force; None where the rule has no single number."""
    values: Callable[[Candidates], NDArray[np.float64]] | None = None
    """Value (n,) of each station that the limit is compared with."""
    at_most: bool = True
    """True where the value must be at most the limit, False where at least."""
    is_offered: bool = True
    """False where people could come to harm: no report advises to do without it."""


def rules(access: AccessParams, mud: MudParams) -> tuple[Rule, ...]:
    """The rules in the order in which a report tells them."""
    return (
        Rule(flag=Exclusion.SPRAY_LANE, name=_("spray lane clearance"), limit_m=access.spray_clear_m,
             values=lambda c: c.barring_lane_m, at_most=False),
        Rule(flag=Exclusion.TOO_FAR_TO_WALK, name=_("walk limit"), limit_m=access.walk_m, values=lambda c: c.walk_m),
        Rule(flag=Exclusion.NO_MUD, name=_("mud limit"), limit_m=mud.limit_m, values=lambda c: c.reachable_mud_m),
        Rule(flag=Exclusion.NO_ACCESS, name=_("no way in")),
        Rule(flag=Exclusion.KEEP_OUT, name=_("keep-outs")),
        Rule(flag=Exclusion.HIVES, name=_("honey-bee hives")),
        Rule(flag=Exclusion.HAZARD, name=_("hazards"), is_offered=False),
        Rule(flag=Exclusion.CHEMICAL_STORE, name=_("chemical store"), is_offered=False),
        Rule(flag=Exclusion.CLOSED, name=_("closures")),
        Rule(flag=Exclusion.BLOCK_EDGE, name=_("block edge")),
        Rule(flag=Exclusion.BANNED, name=_("banned by hand")),
    )  # fmt: skip


WayIn = Callable[[], str]
"""What would let a vehicle in to a block, as the second half of a sentence; '' where nothing is known."""


def _follows(barring: NDArray[np.int64]) -> NDArray[np.int64]:
    """The reasons without those that only follow from another: on closed ground nobody drives, and where nobody drives no
    puddle is made and every walk is too long."""
    no_way = int(Exclusion.NO_MUD | Exclusion.TOO_FAR_TO_WALK)
    shut = (barring & int(Exclusion.CLOSED)) != 0
    out = np.where(shut, barring & ~(no_way | int(Exclusion.NO_ACCESS)), barring)
    return np.where((out & int(Exclusion.NO_ACCESS)) != 0, out & ~no_way, out)


def quota_clash(
    block: Block,
    stations: NDArray[np.int64],
    barring: NDArray[np.int64],
    candidates: Candidates,
    *,
    quota: int,
    access: AccessParams,
    mud: MudParams,
    units: Units,
    way_in: WayIn = str,
) -> Finding | None:
    """A finding where fewer stations than `quota` are free, with what each rule bars and the smallest change.

    `stations` are the block's candidate numbers (n,), `barring` their reasons (n,) with flags that do not bar left out.
    """
    free = int((barring == 0).sum())
    if free >= quota:
        return None
    missing = quota - free
    root = _follows(barring)
    ways = [
        way
        for rule in rules(access, mud)
        if (way := _way_out(rule, stations, root, candidates, missing, units, way_in))
    ]
    no_way = _("No single change of a rule frees enough; ask for fewer sites or loosen two rules.")
    if not ways and (root & int(Exclusion.NO_ACCESS)).any() and (where := way_in()):
        no_way = _("No single change frees enough; begin with the way in: {where}.").format(where=where)
    if quota > len(stations):
        ways, no_way = [], _("There are no more stations; ask for fewer sites an acre.")
    acres_a_station = block.acres / max(len(stations), 1)
    barred = int((barring != 0).sum())
    text = _n(
        "Block {block}: {quota} site is asked for, {free} of {all} stations are free; rules bar {barred} ({acres:.2f} ac). {ways}",
        "Block {block}: {quota} sites are asked for, {free} of {all} stations are free; rules bar {barred} ({acres:.2f} ac). {ways}",
        quota,
    ).format(
        block=block.block_id,
        quota=quota,
        free=free,
        all=len(stations),
        barred=barred,
        acres=barred * acres_a_station,
        ways=joined(" ", ways) or no_way,
    )
    return Finding(
        level="warning",
        code="quota_clash",
        layer=block.layer,
        feature=block.block_id,
        text=text,
        geometry=block.polygon,
    )


def reach_clash(
    block: Block,
    tree_xy: NDArray[np.float64],
    distance_m: NDArray[np.float64],
    stations: NDArray[np.int64],
    barring: NDArray[np.int64],
    candidates: Candidates,
    *,
    limit_m: float,
    trees_per_acre: float,
    access: AccessParams,
    mud: MudParams,
    units: Units,
    way_in: WayIn = str,
) -> Finding | None:
    """A finding where trees stay beyond `limit_m` of every free station, naming the rules and the change that would serve them.

    `distance_m` (m,) is each tree's distance to the nearest free station.
    """
    far = np.flatnonzero(distance_m > limit_m)
    if not far.size:
        return None
    barring = _follows(barring)
    barred = np.flatnonzero(barring)
    ways = []
    if barred.size:
        near = cKDTree(candidates.xy[stations[barred]]).query_ball_point(tree_xy[far], limit_m)
        for rule in rules(access, mud):
            only = barring[barred] == int(rule.flag)
            least = [_least(rule, candidates, stations[barred[[k for k in n if only[k]]]]) for n in near]
            needed = [value for value in least if value is not None]
            if len(needed) == len(far):
                ways.append(_change(rule, max(needed) if rule.at_most else min(needed), units, way_in))
    text = _n(
        "Block {block}: {trees} tree ({acres:.2f} ac) is more than {limit} from every free station. {ways}",
        "Block {block}: {trees} trees ({acres:.2f} ac) are more than {limit} from every free station. {ways}",
        far.size,
    ).format(
        block=block.block_id,
        trees=far.size,
        acres=far.size / trees_per_acre if trees_per_acre else 0.0,
        limit=length_text(limit_m, units),
        ways=joined(" ", ways) or _("No single rule change serves them all."),
    )
    return Finding(
        level="warning", code="reach_clash", layer=block.layer, feature=block.block_id, text=text,
        geometry=shapely.multipoints(tree_xy[far]),
    )  # fmt: skip


def acres_of_trees(trees: float, row_spacing_m: float, tree_spacing_m: float) -> float:
    """Ground that so many trees take up.

    >>> round(acres_of_trees(110, 22 * 0.3048, 18 * 0.3048), 6)
    1.0
    """
    return trees * row_spacing_m * tree_spacing_m / M2_PER_ACRE


def _least(rule: Rule, candidates: Candidates, station: NDArray[np.int64]) -> float | None:
    if not station.size or not rule.is_offered:
        return None
    if rule.values is None:
        return 0.0
    values = rule.values(candidates)[station]
    best = float(values.min() if rule.at_most else values.max())
    return best if _is_sound(rule, best) else None


def _is_sound(rule: Rule, value: float) -> bool:
    """Whether the limit may be set to this value: inside the width that a sprayer sweeps nothing stands."""
    return bool(np.isfinite(value)) and (rule.at_most or value > 0)


def _way_out(
    rule: Rule,
    stations: NDArray[np.int64],
    barring: NDArray[np.int64],
    candidates: Candidates,
    missing: int,
    units: Units,
    way_in: WayIn,
) -> str:
    only = stations[barring == int(rule.flag)]
    if len(only) < missing or not rule.is_offered:
        return ""
    if rule.values is None:
        return _change(rule, 0.0, units, way_in)
    values = np.sort(rule.values(candidates)[only])
    value = float(values[missing - 1] if rule.at_most else values[-missing])
    return _change(rule, value, units, way_in) if _is_sound(rule, value) else ""


def _change(rule: Rule, value: float, units: Units, way_in: WayIn) -> str:
    if rule.flag == Exclusion.NO_ACCESS:
        where = way_in() or _("draw the road or gate by which a vehicle comes in")
        return _("It would do if a vehicle got in: {where}.").format(where=where)
    if rule.flag == Exclusion.CLOSED:
        return _("It would do if the closed ground were open: give the closure its first and last day, if it is closed only for a while.")
    if rule.limit_m is None or rule.values is None:
        return _("Without the rule '{rule}' it would do.").format(rule=rule.name)
    digits, step = (0, M_PER_FT) if units == "us" else (1, 0.1)
    old = length_text(rule.limit_m, units, digits)
    new = _rounded(value, step, digits, rule, units)
    if new == old:
        old = length_text(rule.limit_m, units, digits + 1)
        new = _rounded(value, step / 10, digits + 1, rule, units)
    return _("A {rule} of {new} instead of {old} would do.").format(rule=rule.name, new=new, old=old)


def _rounded(value: float, step: float, digits: int, rule: Rule, units: Units) -> str:
    """The value as people would set it, rounded to the side on which it still does."""
    steps = np.ceil(value / step - 1e-9) if rule.at_most else np.floor(value / step + 1e-9)
    return length_text(max(float(steps) * step, 0.0), units, digits)
