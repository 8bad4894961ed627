"""The pages behind a block's map: site table, rows to walk, cautions, whom to call."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise

from mudcap.draw.marks import package_marks
from mudcap.draw.scene import Text
from mudcap.draw.sheet_cautions import assumed_for_crew, crew_cautions
from mudcap.draw.sheet_tables import Item, heading, paragraph, side_by_side, table
from mudcap.geo.units import length_text
from mudcap.lang import counted
from mudcap.orchard.model import Block, Exclusion
from mudcap.orchard.names import exclusion_text
from mudcap.plan.model import BlockPlan, Plan, Site
from mudcap.supply.model import SiteSupply


@dataclass(frozen=True, slots=True, kw_only=True)
class Goods:
    """What the tables say of goods and mud, looked up once a plan."""

    marks: Mapping[str, str]
    """Package name to its letter."""
    puddle: Mapping[int, str]
    """Index of a site to the name of its puddle."""


def goods_of(plan: Plan) -> Goods:
    """Letters of packages and puddles of sites."""
    made = plan.puddles.puddles if plan.puddles is not None else ()
    return Goods(marks=package_marks(plan) if plan.supply else {}, puddle={k: p.name for p in made for k in p.sites})


def block_items(
    plan: Plan, ground: Block, block: BlockPlan, goods: Goods, where: Callable[[Site], str], width: float, _: Text
) -> list[Item]:  # fmt: skip
    """Everything behind one block's map; `ground` is the block in the orchard, `block` what is planned for it."""
    own = plan.site_index(block.block_id)
    items = [heading(_("Sites of block {block}").format(block=block.block_id))]
    if block.status != "planned" and block.reason:
        items += paragraph(block.reason, width, face="bold", sign="!")
    if len(own):
        items += assumed_for_crew(ground, width, _)
        items += _key(plan, own, goods, width, _)
        items += _site_table(plan, own, goods, where, _)
        sites = [plan.sites[i] for i in own]
        items += [heading(_("Row by row: trees with a shelter (its number in brackets)")), *_row_walk(sites, width, _)]
    reasons = excluded_text(block, _)
    if reasons:
        items += [heading(_("Trees where no shelter may hang, by reason")), *paragraph(reasons, width)]
    return [*items, *crew_cautions(width, _)]


def excluded_text(block: BlockPlan, _: Text) -> str:
    """How many trees each rule keeps free of shelters, such as 'spray lane 240, hazard 12'."""
    known = Exclusion.__members__
    named = ((exclusion_text(int(known[n.upper()]), _) if n.upper() in known else n.replace("_", " "), c) for n, c in block.excluded.items())
    return ", ".join(f"{name} {count:,}" for name, count in named if count)


def _key(plan: Plan, own: range, goods: Goods, width: float, _: Text) -> list[Item]:
    """What the letters and the facing mean, above the table."""
    supply = plan.supply[own.start : own.stop]
    used = {name for s in supply for name, _count in s.packages}
    items: list[Item] = []
    if used:
        words = "; ".join(f"{letter} = {name}" for name, letter in goods.marks.items() if name in used)
        items += paragraph(_("Packages (letters as on the pick-list): {packages}").format(packages=words), width)
    if any(s.facing_deg is not None for s in supply):
        text = _("Faces: which way the openings look, in degrees from true north. Compass: the same on a magnetic compass.")
        if any(s.facing_deg is not None and s.facing_magnetic_deg is None for s in supply):
            text = _("Faces: which way the openings look, in degrees from true north. Set a date in the plan to have it for a compass.")
        items += paragraph(text, width)
    return items


def _site_table(plan: Plan, own: range, goods: Goods, where: Callable[[Site], str], _: Text) -> list[Item]:
    supply: Sequence[SiteSupply | None] = plan.supply[own.start : own.stop] or [None] * len(own)
    with_packages = any(s is not None and s.packages for s in supply)
    with_facing = any(s is not None and s.facing_deg is not None for s in supply)
    # with more columns the names give way, so that no head breaks a word in either language
    name, row, place, cavities, packages, note, fetched = (18, 11, 14, 18, 20, 26, 15) if with_facing else (20, 10, 16, 16, 21, 36, 14)
    goods_columns = [(_("Packages"), packages)] if with_packages else [(_("Females"), 16)]
    facing = [(_("Faces"), 13), (_("Compass"), 15)] if with_facing else []
    columns = [
        (_("No."), 10), (_("Site name"), name), (_("Row"), row), (_("Tree"), 11), (_("Map"), place), (_("Cavities"), cavities),
        *goods_columns, *facing, (_("Walk"), 14), (_("Note"), note), (_("hung"), 14), (_("checked"), 15), (_("fetched"), fetched),
    ]  # fmt: skip
    rows = []
    for i, given in zip(own, supply, strict=True):
        s = plan.sites[i]
        walk = length_text(s.walk_m, plan.params.units) if math.isfinite(s.walk_m) else "–"
        rows.append((
            str(s.number), s.site_id, str(s.row), str(s.tree), where(s), f"{s.cavities:,}",
            _packages(given, goods) if with_packages else f"{s.females:,}",
            *((_degrees(given.facing_deg if given else None), _degrees(given.facing_magnetic_deg if given else None)) if facing else ()),
            walk, site_note(plan, i, goods, _), "", "", "",
        ))  # fmt: skip
    sites = [plan.sites[i] for i in own]
    turns = frozenset(k for k, (a, b) in enumerate(pairwise(sites)) if a.row != b.row)
    bold = frozenset({0, 2, 3, 6}) if with_packages else frozenset({0, 2, 3})
    return table([c[0] for c in columns], [c[1] for c in columns], rows, boxes=3, bold=bold, rules=turns)


def _packages(given: SiteSupply | None, goods: Goods) -> str:
    """Such as '1 A + 2 B'."""
    return " + ".join(f"{count} {goods.marks[name]}" for name, count in given.packages) if given is not None else ""


def _degrees(value: float | None) -> str:
    return "–" if value is None else f"{round(value) % 360}°"


def site_note(plan: Plan, i: int, goods: Goods, _: Text) -> str:
    """What is out of the ordinary at one site."""
    site = plan.sites[i]
    given = plan.supply[i] if plan.supply else None
    words = [_("pinned")] if site.pinned else []
    if site.flags:
        words.append("! " + exclusion_text(site.flags, _))
    if given is not None and given.short:
        words.append("! " + counted(_, "{n} cavity short", "{n} cavities short", given.short).format(n=given.short))
    if given is not None and given.shelters > 1:
        words.append(_("{n} shelters").format(n=given.shelters))
    if i in goods.puddle:
        words.append(_("mud at {puddle}").format(puddle=goods.puddle[i]))
    elif not math.isfinite(site.mud_m):
        words.append(_("no mud known"))
    elif site.mud_m > plan.params.mud.limit_m:
        words.append(_("mud {distance}").format(distance=length_text(site.mud_m, plan.params.units)))
    return "; ".join(words)


def _row_walk(sites: Sequence[Site], width: float, _: Text) -> list[Item]:
    """'Row 14: T5 (12), T23 (13)', one entry a row, trees ascending; in two columns from left to right."""
    ordered = sorted(sites, key=lambda s: (s.row, s.tree))
    texts = [
        _("Row {row}: {trees}").format(row=row, trees=", ".join(f"T{s.tree}\u00a0({s.number})" for s in own))
        for row, own in groupby(ordered, key=lambda s: s.row)
    ]
    half = (width - 6.0) / 2
    return side_by_side([paragraph(text, half) for text in texts])
