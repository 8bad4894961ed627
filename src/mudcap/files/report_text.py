"""The plan's report for the grower: `report.md`, in the units chosen."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence

from mudcap.files.conventions import conventions
from mudcap.files.provisions_text import mud_section, release_section
from mudcap.files.report_goods import bees_text, goods_text
from mudcap.files.report_json import bound_m, plan_status
from mudcap.geo.units import length_text
from mudcap.lang import counted, translator
from mudcap.orchard.model import Finding
from mudcap.plan.model import BlockPlan, Plan
from mudcap.plan.round_words import way_text

_MARKS = re.compile(r"([\\`*_{}\[\]<>#|~!&$])")
Word = Callable[[str], str]


def report_md(plan: Plan, lang: str = "en") -> str:
    """The report as Markdown: sums, what to read first, one line a block, what each rule excluded, where numbers come from."""
    word = translator(lang)
    parts = [
        _head(plan, word),
        _findings(word("Read this before hanging"), [f for f in plan.findings if f.level != "note"]),
        _unplanned(plan, word),
        _blocks(plan, word),
        _proof(plan, word),
        bees_text(plan, word, _table, escaped),
        goods_text(plan, word, _table, escaped),
        _excluded(plan, word),
        mud_section(plan, lang, escaped),
        release_section(plan, lang, escaped),
        _conventions(plan, word, lang),
        _findings(word("Notes"), [f for f in plan.findings if f.level == "note"]),
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


def escaped(text: str) -> str:
    """`text` as one line that Markdown shows as it is.

    >>> escaped("a|b *c*")
    'a\\\\|b \\\\*c\\\\*'
    """
    return _MARKS.sub(r"\\\1", " ".join(text.split()))


def status_text(plan: Plan, word: Word) -> str:
    """A sentence or two on the standing of the plan."""
    without = [b.block_id for b in plan.blocks if b.status in ("refused", "no_site")]
    more = word(" {n} of {all} blocks got no site: {names}.").format(
        n=len(without), all=len(plan.blocks), names=", ".join(without)
    )
    planned = word("All blocks are planned within their limits.")
    if without:
        planned = word("The other blocks are planned within their limits.") if len(without) < len(plan.blocks) else ""
    said = {
        "planned": planned,
        "relaxed": word("A limit could not be met everywhere; it is widened, or sites are fewer, where marked."),
        "fallback": word(
            "The search was stopped, or a solver failed: blocks marked so have a simple hexagonal layout. "
            "Run again for a better and repeatable plan."
        ),
    }[plan_status(plan)]
    return (said + (more if without else "")).strip()


def _head(plan: Plan, word: Word) -> str:
    acres = sum(b.acres for b in plan.blocks)
    sums = word(
        "{shelters} on {acres} acres ({per_acre} an acre) for {trees} trees: {cavities} cavities, "
        "{females} females and {males} males to release."
    ).format(
        shelters=counted(word, "{n:,} shelter", "{n:,} shelters", len(plan.sites)).format(n=len(plan.sites)), acres=f"{acres:,.2f}", per_acre=f"{len(plan.sites) / acres if acres else 0:.2f}",
        trees=f"{sum(b.trees for b in plan.blocks):,}", cavities=f"{sum(s.cavities for s in plan.sites):,}",
        females=f"{sum(s.females for s in plan.sites):,}", males=f"{sum(s.males for s in plan.sites):,}",
    )  # fmt: skip
    day = plan.params.plan_date.isoformat() if plan.params.plan_date else "____-__-__"
    lines = [
        f"# {escaped(plan.params.ranch or plan.orchard.name or word('Ranch'))}",
        word("Plan {number}, {date}.").format(number=plan.number, date=day),
        f"**{status_text(plan, word)}**",
        sums,
    ]
    return "\n\n".join(lines)


def _findings(title: str, findings: Sequence[Finding]) -> str:
    if not findings:
        return ""
    lines = [f"- {escaped(f.text)}" + (f" ({escaped(f.layer)})" if f.layer else "") for f in findings]
    return f"## {title}\n\n" + "\n".join(lines)


def _unplanned(plan: Plan, word: Word) -> str:
    odd = [b for b in plan.blocks if b.status != "planned"]
    if not odd:
        return ""
    lines = [f"- **{escaped(b.block_id)}**: {escaped(_status(b, word))}. {escaped(b.reason)}" for b in odd]
    return f"## {word('Blocks that need a look')}\n\n" + "\n".join(lines)


def _status(block: BlockPlan, word: Word) -> str:
    return {
        "planned": word("planned"),
        "relaxed": word("planned with a limit widened"),
        "fallback": word("hexagonal layout"),
        "no_site": word("no shelter fits"),
        "refused": word("refused"),
    }[block.status]


def _blocks(plan: Plan, word: Word) -> str:
    units = plan.params.units
    rows = []
    for b in plan.blocks:
        c = b.coverage
        distances = (
            ["–"] * 3 if c is None else [length_text(v, units, 1) for v in (c.mean_m, c.p95_m, c.farthest_m)]
        )
        trees = "–" if c is None else f"{c.trees_min:g} / {c.trees_mean:.1f} / {c.trees_max:g}"
        cv = "–" if c is None else f"{c.trees_cv:.3f}"
        rows.append([
            escaped(b.block_id), _status(b, word), f"{b.acres:.2f}", str(b.sites), f"{b.sites / b.acres:.2f}" if b.acres else "–",
            *distances, trees, cv, str(b.driven_rows), way_text(b.driven_m, units), f"{b.cavities:,}",
        ])  # fmt: skip
    head = [
        word("Block"), word("Status"), word("Acres"), word("Sites"), word("Sites an acre"), word("Mean distance"),
        word("95 % within"), word("Farthest tree"), word("Trees per site, least / mean / most"), word("CV"),
        word("Rows to drive"), word("Their length"), word("Cavities"),
    ]  # fmt: skip
    note = word("Distances run from each tree to the shelter that serves it. CV: how much trees per site vary; 0 = all alike.")
    return f"## {word('Blocks')}\n\n{note}\n\n{_table(head, rows)}"


def _proof(plan: Plan, word: Word) -> str:
    units, rows = plan.params.units, []
    for b in plan.blocks:
        if b.coverage is None:
            continue
        bound = bound_m(b)
        ratio = b.coverage.clark_evans
        rows.append([
            escaped(b.block_id), length_text(b.coverage.yardstick_m, units, 1), f"{b.coverage.ratio:.3f}",
            "–" if bound is None else length_text(bound, units, 1), "–" if ratio != ratio else f"{ratio:.2f}",
        ])  # fmt: skip
    if not rows:
        return ""
    head = [
        word("Block"),
        word("Yardstick"),
        word("Farthest ÷ yardstick"),
        word("Proven bound"),
        word("Clark–Evans ratio"),
    ]
    note = word(
        "Yardstick: sqrt(2A/(3√3·N)), the covering radius if the block's area were served by equal discs. It measures "
        "area and is no bound where trees are served: below 1 is possible. Proven bound: no layout with as many sites "
        "brings the farthest tree nearer than this. Clark–Evans: 1 random, 2.149 hexagonal (Clark & Evans 1954, "
        "Ecology 35:445–453), corrected for edges."
    )
    return f"## {word('How even, and what is proven')}\n\n{note}\n\n{_table(head, rows)}"


def _excluded(plan: Plan, word: Word) -> str:
    rules = sorted({name for b in plan.blocks for name, n in b.excluded.items() if n})
    if not rules:
        return ""
    head = [word("Block"), word("Stations"), *(escaped(rule_text(r, word)) for r in rules)]
    rows = [
        [escaped(b.block_id), f"{b.stations:,}", *(f"{b.excluded.get(r, 0):,}" for r in rules)]
        for b in plan.blocks
    ]
    note = word(
        "Stations: trees where a shelter could hang; so many of them each rule keeps free of shelters. One station may fall under several rules; its trees are served all the same."
    )
    return f"## {word('What each rule excluded')}\n\n{note}\n\n{_table(head, rows)}"


def rule_text(rule: str, word: Word) -> str:
    """Words for the name of an exclusion rule; the name itself where it is new."""
    return {
        "spray_lane": word("Spray lane"), "keep_out": word("Keep-out"), "hives": word("Honey-bee hives"),
        "hazard": word("Hazard"), "chemical_store": word("Chemical store"), "too_far_to_walk": word("Too far to walk"),
        "no_access": word("No way there"), "no_mud": word("No mud within reach"), "banned": word("Banned by hand"),
        "block_edge": word("Block edge"), "closed": word("Closed"),
    }.get(rule.lower(), rule.replace("_", " "))  # fmt: skip


def _conventions(plan: Plan, word: Word, lang: str) -> str:
    lines = [
        f"- {c.what}: {c.value}. {c.source}"
        for c in conventions(plan.params, [b.crop for b in plan.orchard.blocks], lang, is_south=plan.orchard.is_south)
    ]
    note = word(
        "Each of these can be set in mudcap.toml. Pesticide labels, local codes and licensed advisers come first."
    )
    return f"## {word('Numbers used, and where they come from')}\n\n{note}\n\n" + "\n".join(lines)


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)
