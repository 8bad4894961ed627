"""The paper check sheet, for a crew whose phone runs no script: what map.html's crew mode asks, a line a site, digits to circle."""

from __future__ import annotations

from io import BytesIO
from typing import Final

from mudcap.draw.list_pages import ListPart, draw_parts
from mudcap.draw.scene_parts import Text
from mudcap.draw.sheet_behind import goods_of, site_note
from mudcap.draw.sheet_cautions import assumed_for_crew, crew_cautions
from mudcap.draw.sheet_geo import map_canvas
from mudcap.draw.sheet_layout import MARGIN_MM, PAGES_MM
from mudcap.draw.sheet_tables import Item, blank_lines, heading, paragraph, table, under_each_page
from mudcap.lang import translator
from mudcap.plan.model import BlockPlan, Plan

LINE_MM: Final = 7.4
"""High enough to write in with a pencil; common practice, no source."""


def checks(plan: Plan, *, page: str = "letter", lang: str = "en") -> bytes:
    """The check sheets of all blocks as a PDF; `page` as for the sheet. The same bytes for the same plan.

    Raises ``ValueError`` for another page.
    """
    _ = translator(lang)
    out = BytesIO()
    ranch = plan.params.ranch or plan.orchard.name or "–"
    canvas = map_canvas(out, page, title=_("{ranch}: check sheet").format(ranch=ranch), subject=f"mudcap {plan.number}", lang=lang)
    width = PAGES_MM[page][0] - 2 * MARGIN_MM
    parts = [_block(plan, block, width, _) for block in plan.blocks if block.sites]
    if not parts:
        parts = [ListPart(title=_("no sites"), items=tuple(paragraph(_("This plan has no sites to check."), width)))]
    draw_parts(canvas, plan, page, _("check sheet"), parts, _)
    canvas.save()
    return out.getvalue()


def _block(plan: Plan, block: BlockPlan, width: float, _: Text) -> ListPart:
    title = _("block {block}").format(block=block.block_id)
    items: list[Item] = [heading(_("Checks of block {block}").format(block=block.block_id))]
    items += blank_lines((_("Date, time and weather"), _("Crew")), 0.22)
    texts = (
        _("Circle the state, and all the predators and damage that you see; write in the note what you did about damage."),
        _("Capped: cavities closed with mud, counted from the front; leave it empty where you did not count."),
    )
    for text in texts:
        items += paragraph(text, width)
    ground = next((b for b in plan.orchard.blocks if b.block_id == block.block_id), None)
    items += assumed_for_crew(ground, width, _) if ground is not None else []
    columns = (
        (_("No."), 10), (_("Site name"), 20), (_("Row"), 10), (_("Tree"), 11), (_("Cavities"), 16), (_("State"), 19),
        (_("Capped"), 16), (_("Predators"), 23), (_("Damage"), 23), (_("Note"), 51),
    )  # fmt: skip
    goods = goods_of(plan)
    rows = []
    for i in plan.site_index(block.block_id):
        site = plan.sites[i]
        said = site_note(plan, i, goods, _) if site.pinned or site.flags else ""
        rows.append((str(site.number), site.site_id, str(site.row), str(site.tree), f"{site.cavities:,}", _digits(5), "", _digits(6), _digits(6), said))
    lines = table([c[0] for c in columns], [c[1] for c in columns], rows, bold=frozenset({0, 2, 3}), height=LINE_MM, walls=True)
    items += under_each_page(key_items(width, _), lines)
    return ListPart(title=title, items=(*items, *crew_cautions(width, _)))


def key_items(width: float, _: Text) -> list[Item]:
    """What the digits mean, in the order of `checks.schema.json`; digits are the same in every language."""
    texts = (
        _("State: 1 hung, 2 checked, 3 fetched, 4 not found, 5 not reached."),
        _("Predators: 1 ants, 2 wasps, 3 birds, 4 rodents, 5 spiders, 6 other."),
        _("Damage: 1 fallen, 2 loose, 3 broken, 4 wet, 5 tubes lost, 6 other."),
    )
    return [item for text in texts for item in paragraph(text, width, face="bold")]


def _digits(count: int) -> str:
    """Digits to circle."""
    return "  ".join(str(k) for k in range(1, count + 1))
