"""What a grower should know of mud and of setting out cocoons before the bees come."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray

from mudcap.geo.units import Units, length_text
from mudcap.lang import _, _n, joined
from mudcap.orchard.model import Finding, FindingLevel, Orchard, Role
from mudcap.orchard.network import TRUCK
from mudcap.orchard.paths import with_stops
from mudcap.place.params import MudParams
from mudcap.supply.model import Puddle, PuddlePlan, ReleasePoint
from mudcap.supply.puddles import TAP_REACH_M
from mudcap.supply.release import ReleaseParams
from mudcap.supply.stands import PuddlePlaces, fall_deg, stores

_NAMED = 8


def puddle_findings(
    orchard: Orchard,
    plan: PuddlePlan,
    places: PuddlePlaces,
    site_names: Sequence[str],
    site_xy: NDArray[np.float64],
    blocks: Sequence[str],
    *,
    mud: MudParams,
    units: Units,
    is_sprayed_everywhere: bool = False,
) -> tuple[Finding, ...]:
    """How many puddles are needed and why, what none reaches, and what to look at on the ground before digging.

    `site_names` and `site_xy` are of all sites, `blocks` those with sites that need mud. `is_sprayed_everywhere`: a sprayer
    drives in every alley.
    """
    needy = len(plan.unserved) + sum(len(p.sites) for p in plan.puddles)
    if not needy:
        return ()
    said = [_needed(plan, needy, len(site_names), blocks, mud, units)]
    if plan.unserved:
        said.append(_unserved(plan, site_names, site_xy, units))
    if plan.puddles:
        said += (_sprayed(plan) if is_sprayed_everywhere else []) + _low_clay(plan, mud) + _fall(orchard, plan, mud, units) + _taps(orchard, places)
    return tuple(said)


def release_findings(points: Sequence[ReleasePoint], params: ReleaseParams) -> tuple[Finding, ...]:
    """Where cocoons are set out and by what custom."""
    if not points:
        return ()
    how = {
        "central": _("central in each block, which is common practice and has no source"),
        "spread": _("spread over each block, so that no tree is far from one"),
    }[params.mode]
    text = _n(
        "Cocoons are set out at {n} point, {how}. In an almond trial the number of release sites had no effect (Artz et al. "
        "2014, J. Econ. Entomol. 107:2045-2054), so take another station where it is handier, and note it down.",
        "Cocoons are set out at {n} points, {how}. In an almond trial the number of release sites had no effect (Artz et al. "
        "2014, J. Econ. Entomol. 107:2045-2054), so take another station where it is handier, and note it down.",
        len(points),
    ).format(n=len(points), how=how)
    return (_said("note", "release_points", text),)


def release_advice(is_south: bool = False) -> tuple[str, ...]:
    """How the containers are set out, one sentence each; common practice, no source, unless named.

    `is_south`: south of the equator.
    """
    shade = _("Hang or stand them in the shade, off the ground and out of the rain, the holes to the southeast, as is often "
              "recommended for nests (NC State Extension, bee hotel checklist).")  # fmt: skip
    if is_south:
        shade = _("Hang or stand them in the shade, off the ground and out of the rain, the holes to the northeast (southeast is "
                  "often recommended north of the equator, NC State Extension, bee hotel checklist; mirrored by symmetry, no source).")  # fmt: skip
    return (
        _("Use containers that keep out mice and birds, with holes that let a bee out and nothing larger in."),
        shade,
        _("Lay loose cocoons at most 2-3 in (5-8 cm) deep."),
        _("Set them out when about 15 % of the flowers are open; others say 5-10 %."),
        _("Set none out before or during a spray: the label and the licensed applicator decide when the block is safe."),
    )  # fmt: skip


def puddle_advice() -> tuple[str, ...]:
    """How puddles are made and kept, one sentence each; common practice, no source, unless named."""
    return (
        _("Dig in clay rather than silt or sand. Use no tank that has ever carried spray, and no water from one."),
        _("Keep the clay wet but not flooded while the bees nest; rain may save a round."),
        _("Call before you dig where pipes or cables may lie, and mark a trench beside a road."),
    )


def _needed(
    plan: PuddlePlan, needy: int, total: int, blocks: Sequence[str], mud: MudParams, units: Units
) -> Finding:
    text = _n(
        "{n} of {all} sites has no clean mud within {limit} (a convention; no threshold is published): {blocks}.",
        "{n} of {all} sites have no clean mud within {limit} (a convention; no threshold is published): {blocks}.",
        needy,
    ).format(
        n=f"{needy:,}", all=f"{total:,}", limit=length_text(mud.limit_m, units),
        blocks=_n("block {blocks}", "blocks {blocks}", len(blocks)).format(blocks=", ".join(blocks)),
    )  # fmt: skip
    if plan.puddles:
        proof = _("no fewer will do")
        if plan.status != "optimal":
            proof = _("at least {bound} are needed, whatever the layout").format(bound=plan.bound)
        text += " " + _n(
            "{puddles} puddle brings it to {served} of them ({proof}). Make it before the bees come and wet it every {days} "
            "in dry weather.",
            "{puddles} puddles bring it to {served} of them ({proof}). Make them before the bees come and wet each every {days} "
            "in dry weather.",
            len(plan.puddles),
        ).format(
            puddles=len(plan.puddles), served=f"{needy - len(plan.unserved):,}", proof=proof,
            days=_n("{n} day", "{n} days", plan.rewet_days).format(n=plan.rewet_days),
        )
    return _said("warning", "beyond_mud", text)


def _unserved(
    plan: PuddlePlan, names: Sequence[str], site_xy: NDArray[np.float64], units: Units
) -> Finding:
    worst = sorted(plan.unserved, key=lambda u: (-u[1], u[0]))
    each = [
        _("{site}: {distance} too far").format(site=names[k], distance=length_text(missing, units))
        if np.isfinite(missing)
        else _("{site}: no place at all").format(site=names[k])
        for k, missing in worst[:_NAMED]
    ]
    if len(worst) > _NAMED:
        each.append(_("and {n} more").format(n=len(worst) - _NAMED))
    text = _n(
        "{n} site is too far from every place where a water truck may make a puddle: {sites}. Carry mud "
        "there, let the truck into the alleys (mud.alleys), take a longer hose (mud.hose_m) or move the site.",
        "{n} sites are too far from every place where a water truck may make a puddle: {sites}. Carry mud "
        "there, let the truck into the alleys (mud.alleys), take a longer hose (mud.hose_m) or move the "
        "sites.",
        len(worst),
    ).format(n=len(worst), sites=joined("; ", each))
    where = shapely.multipoints(site_xy[[k for k, _missing in worst]])
    return _said("warning", "mud_unserved", text, where)


def _low_clay(plan: PuddlePlan, mud: MudParams) -> list[Finding]:
    poor = [p for p in plan.puddles if p.clay_share is not None and p.clay_share < mud.clay_share_min]
    if not poor:
        return []
    text = _n(
        "{n} puddle lies on ground with less than {share} % clay ({names}): bring clay to it.",
        "{n} puddles lie on ground with less than {share} % clay ({names}): bring clay to them.",
        len(poor),
    ).format(
        n=len(poor), share=f"{100 * mud.clay_share_min:g}", names=_named(poor)
    )
    return [_said("warning", "puddle_low_clay", text, _where(poor))]


def _sprayed(plan: PuddlePlan) -> list[Finding]:
    """A sprayer that drives in every alley bars none of them, but its drift spoils the mud."""
    own = [p for p in plan.puddles if p.stand == "alley"]
    if not own:
        return []
    text = _n(
        "{n} puddle lies in an alley, and rows.sprayed_every says that a sprayer drives in all of them ({names}). Cover it while it "
        "does, dig it out if spray fell in, and follow the label; mud.alleys = false keeps puddles out of alleys.",
        "{n} puddles lie in alleys, and rows.sprayed_every says that a sprayer drives in all of them ({names}). Cover them while it "
        "does, dig them out if spray fell in, and follow the label; mud.alleys = false keeps puddles out of alleys.",
        len(own),
    ).format(n=len(own), names=_named(own))
    return [_said("warning", "puddle_sprayed", text, _where(own))]


def _fall(orchard: Orchard, plan: PuddlePlan, mud: MudParams, units: Units) -> list[Finding]:
    """A word on each chemical store of which nobody says which way the ground falls."""
    said = []
    for store in stores(orchard):
        if fall_deg(orchard, store) is not None:
            continue
        away = [float(store.geometry.distance(shapely.Point(p.x_m, p.y_m))) for p in plan.puddles]
        nearest = int(np.argmin(away))
        near = [p for p, d in zip(plan.puddles, away, strict=True) if d <= mud.store_run_m]
        facts = {"store": store.name or "?", "distance": length_text(away[nearest], units)}
        if near:
            text = _(
                "Nobody says which way the ground falls at the chemical store {store}, so its fall line is not kept free. Look on "
                "the ground whether a spill could run to {names}, or their water to the store; say downhill_deg of the store "
                "to have it checked."
            ).format(names=_named(near), **facts)
            said.append(_said("warning", "store_fall_unknown", text, _where(near)))
        else:
            text = _(
                "Nobody says which way the ground falls at the chemical store {store}; the nearest puddle, {name}, is {distance} "
                "from it."
            ).format(name=plan.puddles[nearest].name, **facts)
            said.append(_said("note", "store_fall_unknown", text, store.geometry))
    return said


def _taps(orchard: Orchard, places: PuddlePlaces) -> list[Finding]:
    """Water points that the truck does not get to."""
    taps = [f for f in orchard.features if f.role == Role.WATER_POINTS]
    if not taps:
        return []
    xy = np.array([(f.geometry.centroid.x, f.geometry.centroid.y) for f in taps])
    off = with_stops(places.ways, xy, mode=TRUCK)[2]
    far = [f.name or "?" for f, d in zip(taps, off, strict=True) if d > TAP_REACH_M]
    if not far:
        return []
    text = _("The water truck does not come near these water points, so it does not fill there: {names}.")
    return [_said("note", "water_point_unreached", text.format(names=", ".join(far)))]


def _named(puddles: Sequence[Puddle]) -> str:
    names = [p.name for p in puddles[:_NAMED]]
    more = len(puddles) - len(names)
    return ", ".join(names) + (" " + _("and {n} more").format(n=more) if more else "")


def _where(puddles: Sequence[Puddle]) -> shapely.MultiPoint:
    return shapely.MultiPoint([(p.x_m, p.y_m) for p in puddles])


def _said(level: FindingLevel, code: str, text: str, where: shapely.Geometry | None = None) -> Finding:
    return Finding(level=level, code=code, layer="", feature="", text=text, geometry=where)
