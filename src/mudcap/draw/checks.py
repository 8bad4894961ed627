"""The paper check sheet, for a crew whose phone runs no script: what map.html's crew mode asks, a line a site."""

from __future__ import annotations

from io import BytesIO
from typing import Final

from mudcap.draw.list_pages import ListPart, draw_parts
from mudcap.draw.scene_parts import Text
from mudcap.draw.sheet_behind import goods_of, site_note
from mudcap.draw.sheet_cautions import crew_cautions
from mudcap.draw.sheet_geo import map_canvas
from mudcap.draw.sheet_layout import MARGIN_MM, PAGES_MM
from mudcap.draw.sheet_tables import Item, blank_lines, heading, paragraph, table
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
        _("State: H hung, C checked, F fetched, N not found, X not reached."),
        _("Capped: cavities closed with mud, counted from the front; leave it empty where you did not count."),
        _("Predators: A ants, W wasps, B birds, R rodents, S spiders, O other."),
        _("Damage: F fallen, L loose, B broken, W wet, T tubes lost, O other. Write in the note what you did about it."),
    )
    for text in texts:
        items += paragraph(text, width)
    columns = (
        (_("No."), 10), (_("Site name"), 20), (_("Row"), 10), (_("Tree"), 11), (_("Cavities"), 16), (_("State"), 14),
        (_("Capped"), 16), (_("Predators"), 22), (_("Damage"), 22), (_("Note"), 58),
    )  # fmt: skip
    goods = goods_of(plan)
    rows = []
    for i in plan.site_index(block.block_id):
        site = plan.sites[i]
        said = site_note(plan, i, goods, _) if site.pinned or site.flags else ""
        rows.append((str(site.number), site.site_id, str(site.row), str(site.tree), f"{site.cavities:,}", "", "", "", "", said))
    items += table(
        [c[0] for c in columns], [c[1] for c in columns], rows, bold=frozenset({0, 2, 3}), height=LINE_MM, walls=True
    )
    return ListPart(title=title, items=(*items, *crew_cautions(width, _)))
