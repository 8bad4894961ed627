"""The printed sheets: an overview with a page index, then each block to scale, and its lists behind it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from io import BytesIO
from typing import Final

import shapely

from mudcap.draw.scene import Scene, Text, make_scene
from mudcap.draw.sheet_behind import block_items, goods_of
from mudcap.draw.sheet_frame import (
    BAND_MM,
    PageText,
    draw_grid,
    draw_heading,
    draw_panel,
    draw_strip,
    match_lines,
    plan_words,
)
from mudcap.draw.sheet_geo import MapCanvas, map_canvas
from mudcap.draw.sheet_labels import Drawn
from mudcap.draw.sheet_layout import MARGIN_MM, PAGES_MM, STRIP_MM, View, block_views, overview
from mudcap.draw.sheet_map import draw_block, draw_overview
from mudcap.draw.sheet_pen import PT_PER_MM, Pen, fitted, printable
from mudcap.draw.sheet_tables import Item, draw_items, flow, heading, table
from mudcap.draw.words import corner_word, status_words
from mudcap.lang import translator
from mudcap.orchard.model import Block
from mudcap.orchard.names import crop_text
from mudcap.plan.model import BlockPlan, Plan, Site

INDEX_ROWS: Final = 14
"""Blocks whose index still stands on the overview page itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Page:
    width: float
    height: float
    title: str
    """In the reader's outline; '' where the page belongs to the one before."""
    level: int
    link: str
    draw: Callable[[Pen, int, int], None]
    view: View | None = None
    """Its map window, where it has one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _BlockSheets:
    """One block's part of the document: where its pages are."""

    index: int
    plan: BlockPlan
    views: tuple[View, ...]
    lists: tuple[tuple[Item, ...], ...]
    first: int
    """Number of its first page."""

    @property
    def pages(self) -> str:
        """Its pages in words, such as '4–9'."""
        last = self.first + len(self.views) + len(self.lists) - 1
        return str(self.first) if last == self.first else f"{self.first}–{last}"


def sheet(plan: Plan, *, page: str = "letter", lang: str = "en") -> bytes:
    """The plan as a PDF to scale that knows where on earth it lies; `page` is letter, tabloid, a4 or a3. The same bytes for the same plan.

    Raises ``ValueError`` for another page.
    """
    pages = _pages(plan, page, lang) if page in PAGES_MM else []
    out = BytesIO()
    canvas = map_canvas(out, page, title=plan.params.ranch or plan.orchard.name, subject=f"mudcap {plan.number}", lang=lang)
    for number, sheet_page in enumerate(pages, start=1):
        _emit(canvas, plan, sheet_page, number, len(pages))
    canvas.save()
    return out.getvalue()


def _emit(canvas: MapCanvas, plan: Plan, page: _Page, number: int, count: int) -> None:
    canvas.setPageSize((page.width * PT_PER_MM, page.height * PT_PER_MM))
    if page.link:
        canvas.bookmarkPage(page.link)
    if page.title:
        canvas.addOutlineEntry(printable(page.title), page.link, page.level, closed=page.level > 0)
    page.draw(Pen(canvas), number, count)
    if page.view is not None:
        canvas.place(page.view, plan.orchard.plane)
    canvas.showPage()


def _pages(plan: Plan, page: str, lang: str) -> list[_Page]:
    _ = translator(lang)
    scene = make_scene(plan, lang)
    band = BAND_MM if status_words(plan, _) else 0.0
    on_overview = len(plan.blocks) <= INDEX_ROWS
    below = 14.0 + 5.4 * len(plan.blocks) if on_overview else 0.0
    width, height = PAGES_MM[page]
    index_pages = 0 if on_overview else len(flow(_index_items([], plan, _), width, height, band))
    blocks = _block_sheets(plan, page, 2 + index_pages, band, _)
    out = [_overview_page(plan, scene, blocks, overview(_middle_bounds(scene), page, plan.params.units, below, band), band, _)]
    if not on_overview:
        out += _list_pages(plan, flow(_index_items(blocks, plan, _), width, height, band), page, _("Index"), "index", 0, band, _)
    for block in blocks:
        out += _map_pages(plan, scene, block, band, _)
        subtitle = _("block {block}").format(block=block.plan.block_id)
        out += _list_pages(plan, block.lists, page, subtitle, f"list-{block.index}", 1, band, _)
    return out


def _middle_bounds(scene: Scene) -> tuple[float, float, float, float]:
    """Bounds of blocks, gates and yard: a ditch or a power line may run on far beyond."""
    shapes = [m.geometry for key in ("blocks", "gates") if (layer := scene.layer(key)) for m in layer.marks]
    left, bottom, right, top = (float(v) for v in shapely.total_bounds(shapes))
    return left, bottom, right, top


def _short(name: str) -> str:
    return fitted(name.replace("\n", " "), 50.0, 9, "bold")


def _block_sheets(plan: Plan, page: str, first: int, band: float, _: Text) -> list[_BlockSheets]:
    width, height = PAGES_MM[page]
    out: list[_BlockSheets] = []
    by_id = {b.block_id: b for b in plan.blocks}
    goods = goods_of(plan)
    for i, block in enumerate(plan.orchard.blocks):
        planned = by_id.get(block.block_id)
        if planned is None:
            continue
        xy = [(plan.sites[k].x_m, plan.sites[k].y_m) for k in plan.site_index(block.block_id)]
        views = block_views(block.polygon, xy, page, plan.params.units, band)
        where = _locator(views, first)
        items = block_items(plan, block, planned, goods, where, width - 2 * MARGIN_MM, _)
        lists = tuple(tuple(p) for p in flow(items, width, height, band))
        out.append(_BlockSheets(index=i, plan=planned, views=views, lists=lists, first=first))
        first += len(views) + len(lists)
    return out


def _locator(views: Sequence[View], first: int) -> Callable[[Site], str]:
    """A function that says on which page and in which index square a site is found."""

    def where(site: Site) -> str:
        for k, view in enumerate(views):
            left, bottom, right, top = view.core
            if left <= site.x_m < right and bottom <= site.y_m < top:
                square = view.square(site.x_m, site.y_m)
                return square if len(views) == 1 else f"p{first + k} {square}"
        return "–"

    return where


def _map_pages(plan: Plan, scene: Scene, block: _BlockSheets, band: float, _: Text) -> list[_Page]:
    numbers = {(v.column, v.row): block.first + k for k, v in enumerate(block.views)}
    out = []
    for k, view in enumerate(block.views):
        link = f"block-{block.index}-{k}"
        title = block.plan.block_id if k == 0 else ""
        draw = _map_drawer(plan, scene, block, view, numbers, _)
        out.append(_Page(width=view.frame.width, height=view.frame.height, title=title, level=0, link=link, draw=draw, view=view))
    return out


def _map_drawer(
    plan: Plan, scene: Scene, block: _BlockSheets, view: View, numbers: dict[tuple[int, int], int], _: Text
) -> Callable[[Pen, int, int], None]:
    def draw(pen: Pen, number: int, count: int) -> None:
        words = PageText(
            title=_ranch(plan), subtitle=_("block {block}").format(block=block.plan.block_id), number=number, count=count,
            facts=_block_facts(plan, block, _), band=_band(plan, block.plan, _),
        )  # fmt: skip
        drawn = draw_block(pen, plan, scene, view, block.index, match_lines(view, numbers, _))
        _surround(pen, plan, view, words, drawn, _)

    return draw


def _overview_page(plan: Plan, scene: Scene, blocks: Sequence[_BlockSheets], view: View, band: float, _: Text) -> _Page:
    def draw(pen: Pen, number: int, count: int) -> None:
        words = PageText(
            title=_ranch(plan), subtitle=_("overview"), number=number, count=count, facts=_ranch_facts(plan, _),
            band=_band(plan, None, _),
        )  # fmt: skip
        names = {b.index: f"{_short(b.plan.block_id)}\n{_('p.')} {b.pages}" for b in blocks}
        codes = {b.index: f"{plan.orchard.blocks[b.index].code}\n{_('p.')} {b.pages}" for b in blocks}
        drawn = draw_overview(pen, plan, scene, view, names, codes)
        _surround(pen, plan, view, words, drawn, _)
        _link_blocks(pen, plan, view, blocks)
        if len(plan.blocks) <= INDEX_ROWS:
            top = view.frame.outer[1] - STRIP_MM - 0.6
            for item in _index_items(blocks, plan, _)[1:]:
                item.draw(pen, MARGIN_MM, top, view.frame.width - 2 * MARGIN_MM)
                top -= item.height

    return _Page(
        width=view.frame.width, height=view.frame.height, title=_("Overview"), level=0, link="overview", draw=draw, view=view
    )


def _surround(pen: Pen, plan: Plan, view: View, words: PageText, drawn: Drawn, _: Text) -> None:
    draw_grid(pen, view)
    draw_heading(pen, view.frame.width, view.frame.height, words, _)
    draw_strip(pen, view, drawn, _)
    draw_panel(pen, plan, view, words, drawn, _)


def _link_blocks(pen: Pen, plan: Plan, view: View, blocks: Sequence[_BlockSheets]) -> None:
    """A tap on a block opens its page."""
    for block in blocks:
        shape = view.geometry(plan.orchard.blocks[block.index].polygon)
        bounds = tuple(float(v) * PT_PER_MM for v in shapely.bounds(shape))
        pen.canvas.linkRect("", f"block-{block.index}-0", bounds, relative=0, thickness=0)


def _list_pages(
    plan: Plan, pages: Sequence[Sequence[Item]], page: str, subtitle: str, link: str, level: int, band: float, _: Text
) -> list[_Page]:
    width, height = PAGES_MM[page]

    def drawer(items: Sequence[Item]) -> Callable[[Pen, int, int], None]:
        def draw(pen: Pen, number: int, count: int) -> None:
            words = PageText(
                title=_ranch(plan), subtitle=f"{subtitle} · {plan_words(plan, _)}",
                facts=(), number=number, count=count, band=_band(plan, None, _),
            )  # fmt: skip
            draw_heading(pen, width, height, words, _)
            draw_items(pen, items, width, height, band)

        return draw

    return [
        _Page(width=width, height=height, title=_("Lists") if k == 0 and level else "", level=level, link=f"{link}-{k}",
              draw=drawer(items))
        for k, items in enumerate(pages)
    ]  # fmt: skip


def _index_items(blocks: Sequence[_BlockSheets], plan: Plan, _: Text) -> list[Item]:
    pages = {b.plan.block_id: b for b in blocks}
    codes = {b.block_id: b.code for b in plan.orchard.blocks}
    words = {"planned": "", "relaxed": _("limits widened"), "fallback": _("FALLBACK LAYOUT"), "no_site": _("no site"),
             "refused": _("refused")}  # fmt: skip
    heads = (_("Block"), _("Code"), _("Acres"), _("Sites"), _("Cavities"), _("Females"), _("Scale"), _("Pages"), _("Status"))
    rows = []
    for block in plan.blocks:
        own = pages.get(block.block_id)
        rows.append((
            block.block_id, codes.get(block.block_id, ""), f"{block.acres:,.2f}", f"{block.sites:,}", f"{block.cavities:,}",
            f"{block.females:,}", f"1:{own.views[0].scale:,.0f}" if own else "", own.pages if own else "",
            words[block.status],
        ))  # fmt: skip
    return [heading(_("Blocks")), *table(heads, (46, 14, 18, 14, 20, 20, 20, 18, 28), rows)]


def _block_facts(plan: Plan, block: _BlockSheets, _: Text) -> tuple[tuple[str, str], ...]:
    own = plan.orchard.blocks[block.index]
    crop = ", ".join(filter(None, (crop_text(own.crop, _), own.cultivar)))
    tiles = "" if len(block.views) == 1 else " · " + _("{count} map pages").format(count=len(block.views))
    return (
        (_("Ranch"), _ranch(plan)),
        (_("Block"), f"{block.plan.block_id} ({own.code})"),
        (_("Crop"), crop or "–"),
        (_("Acres"), f"{block.plan.acres:,.2f}{tiles}"),
        (_("Sites"), f"{block.plan.sites:,}"),
        (_("Rows"), rows_text(own, _)),
        (_("Row 1"), first_tree_text(own, _)),
        (_("Plan"), plan.number),
        (_("Date"), plan.params.plan_date.isoformat() if plan.params.plan_date else ""),
    )


def rows_text(block: Block, _: Text) -> str:
    """First and last row of a block, and whether its rows are no more than assumed."""
    if block.rows is None or not len(block.rows.row_number):
        return "–"
    text = f"{int(block.rows.row_number[0])}–{int(block.rows.row_number[-1])}"
    return text + (" " + _("(assumed)") if block.rows.source == "assumed" else "")


def first_tree_text(block: Block, _: Text) -> str:
    """At which corner trees begin to be counted."""
    return "–" if block.rows is None else _("tree 1 at {corner}").format(corner=corner_word(block.rows.corner, _))


def _ranch_facts(plan: Plan, _: Text) -> tuple[tuple[str, str], ...]:
    total = sum(b.acres for b in plan.blocks)
    return (
        (_("Ranch"), _ranch(plan)),
        (_("Blocks"), f"{len(plan.blocks):,}"),
        (_("Acres"), f"{total:,.2f}"),
        (_("Sites"), f"{len(plan.sites):,}"),
        (_("Cavities"), f"{sum(b.cavities for b in plan.blocks):,}"),
        (_("Females"), f"{sum(b.females for b in plan.blocks):,}"),
        (_("Plan"), plan.number),
        (_("Date"), plan.params.plan_date.isoformat() if plan.params.plan_date else ""),
    )


def _ranch(plan: Plan) -> str:
    return plan.params.ranch or plan.orchard.name or "–"


def _band(plan: Plan, block: BlockPlan | None, _: Text) -> str:
    """The warning of a page: its own block's status with the reason, else the plan's."""
    everything = status_words(plan, _)
    if not everything:
        return ""
    if block is not None and block.status != "planned":
        kind = {"relaxed": _("LIMITS WIDENED"), "fallback": _("FALLBACK LAYOUT"), "no_site": _("NO SITE"), "refused": _("REFUSED")}
        return f"{kind[block.status]}: {block.reason}"
    return _("Read before hanging: {status}").format(status=everything)


