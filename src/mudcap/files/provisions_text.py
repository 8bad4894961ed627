"""The sections of report.md about mud and about setting out cocoons."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence

from mudcap.geo.units import length_text
from mudcap.lang import counted, translator
from mudcap.plan.model import Plan
from mudcap.plan.round_words import way_text
from mudcap.supply.model import Puddle, PuddlePlan
from mudcap.supply.words import puddle_advice, release_advice

Word = Callable[[str], str]
_L_PER_GAL = 3.785411784
"""US gallon, exact (NIST SP 811)."""


def volume_text(litres: float, units: str) -> str:
    """Water for people: US gallons or litres.

    >>> volume_text(100, "us"), volume_text(100, "metric")
    ('26 gal', '100 L')
    """
    return f"{litres / _L_PER_GAL:,.0f} gal" if units == "us" else f"{litres:,.0f} L"


def mud_section(plan: Plan, lang: str, escaped: Callable[[str], str]) -> str:
    """The puddles as a table with what is proven of them and the water truck's round; '' where none is planned for."""
    word = translator(lang)
    made = plan.puddles
    if made is None:
        return ""
    title = f"## {word('Puddles for mud')}"
    limit = length_text(plan.params.mud.limit_m, plan.params.units)
    if not made.puddles and not made.unserved:
        return f"{title}\n\n" + word("Every site has clean mud within {limit}; no puddle is needed.").format(limit=limit)
    parts = [title, _limit(limit, word)]
    if made.puddles:
        parts += [_proof(made, word), _table(*_puddles(plan, made, word, escaped)), _round(plan, made, word)]
        parts.append("\n".join(f"- {line}" for line in puddle_advice()))
    if made.unserved:
        names = [
            f"{plan.sites[k].site_id} ({length_text(m, plan.params.units) if math.isfinite(m) else '–'})"
            for k, m in made.unserved
        ]
        parts.append(
            word("Sites that no puddle can reach, with the distance missing: {sites}.").format(sites=escaped(", ".join(names)))
        )
    return "\n\n".join(parts)


def release_section(plan: Plan, lang: str, escaped: Callable[[str], str]) -> str:
    """The release points as a table, with how containers are set out; '' where there are none."""
    word = translator(lang)
    if not plan.release:
        return ""
    units = plan.params.units
    head = [
        word("Point"), word("Block"), word("Row and tree"), word("Females"), word("Males"), word("Containers"),
        word("Farthest tree"), word("Distance to spray lane"),
    ]  # fmt: skip
    rows = [
        [
            r.name, escaped(r.block_id), r.address, f"{r.females:,}", f"{r.males:,}", str(r.containers),
            length_text(r.farthest_m, units), length_text(r.lane_m, units) if math.isfinite(r.lane_m) else "–",
        ]
        for r in plan.release
    ]  # fmt: skip
    note = word("A container holds {capacity} cocoons (release.capacity; common practice, no source).").format(
        capacity=f"{plan.params.release.capacity:,}"
    )
    advice = "\n".join(f"- {line}" for line in release_advice(plan.orchard.is_south))
    return f"## {word('Release points')}\n\n{_table(head, rows)}\n\n{note}\n\n{advice}"


def _limit(limit: str, word: Word) -> str:
    return word(
        "Mud is planned within {limit} of each site. That limit is a convention: no published threshold was found; nesting "
        "materials should be within 160–400 m (525–1,310 ft; NC State Extension, bee hotel checklist)."
    ).format(limit=limit)


def _proof(made: PuddlePlan, word: Word) -> str:
    number = len(made.puddles)
    if made.status == "optimal":
        return counted(
            word, "{number} puddle; it is proven that no fewer will do.", "{number} puddles; it is proven that no fewer will do.", number
        ).format(number=number)
    return word("{number} puddles; it is proven that at least {bound} are needed, so up to {spare} may be too many.").format(
        number=number, bound=made.bound, spare=number - made.bound
    )


def _puddles(
    plan: Plan, made: PuddlePlan, word: Word, escaped: Callable[[str], str]
) -> tuple[list[str], list[list[str]]]:
    units = plan.params.units
    head = [word("Puddle"), word("Where"), word("Sites"), word("Farthest"), word("Water"), word("From the stop before")]

    def line(p: Puddle) -> list[str]:
        leg = way_text(p.leg_m, units)
        if p.is_filled_before:
            leg = word("{leg}, tank filled").format(leg=leg)
        return [
            p.name, escaped(p.address), str(len(p.sites)), length_text(p.farthest_m, units), volume_text(p.litres, units), leg,
        ]  # fmt: skip

    return head, [line(p) for p in made.puddles]


def _round(plan: Plan, made: PuddlePlan, word: Word) -> str:
    units, mud = plan.params.units, plan.params.mud
    where = {
        "yard": word("the yard"), "entry": word("where vehicles come in"), "water points": word("the water points"),
    }  # fmt: skip
    begin = {"yard": word("at the yard"), "entry": word("where vehicles come in"), "water points": word("at the water points")}
    sure = word("no shorter round exists")
    if made.tour_m > made.tour_bound_m + 0.05:
        sure = word("no round is shorter than {bound}").format(bound=way_text(made.tour_bound_m, units))
    return word(
        "The water truck's round is {length} ({sure}) and takes about {minutes} min. It begins and ends {start}, and fills its "
        "tank of {tank} {fills}, at {tap}: {water} in all. Wet every {days} in dry weather (an almond trial wetted "
        "twice a week: Boyle et al. 2020, Ecol. Evol. 10:3189–3199, as cited by others)."
    ).format(
        length=way_text(made.tour_m, units), sure=sure, minutes=f"{made.tour_s / 60:.0f}", start=begin[made.starts_at],
        tank=volume_text(mud.tank_l, units), fills=counted(word, "{n} time", "{n} times", made.fills).format(n=made.fills), tap=where[made.fills_at],
        water=volume_text(sum(p.litres for p in made.puddles), units), days=counted(word, "{n} day", "{n} days", made.rewet_days).format(n=made.rewet_days),
    )  # fmt: skip


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)
