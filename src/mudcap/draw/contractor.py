"""The sheet for the spray contractor: where shelters hang, where nozzles go off, what is closed and kept clear."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from io import BytesIO
from typing import Final

from shapely.geometry.base import BaseGeometry

from mudcap.draw.contractor_facts import RowOff, closings, rows_off, span_lines, zones
from mudcap.draw.list_pages import (
    ListPage,
    ListPart,
    band_mm,
    draw_list,
    lay_pages,
    outline,
    page_words,
)
from mudcap.draw.scene import Layer, Mark, Scene, Text, make_scene
from mudcap.draw.sheet import first_tree_text, rows_text
from mudcap.draw.sheet_cautions import assumed_for_sprayer, sprayer_cautions
from mudcap.draw.sheet_frame import draw_grid, draw_heading, draw_panel, draw_strip, match_lines
from mudcap.draw.sheet_geo import MapCanvas, map_canvas
from mudcap.draw.sheet_labels import Match
from mudcap.draw.sheet_layout import MARGIN_MM, PAGES_MM, View, block_views
from mudcap.draw.sheet_map import draw_block
from mudcap.draw.sheet_pen import PT_PER_MM, Pen
from mudcap.draw.sheet_tables import Item, blank_lines, heading, paragraph, table
from mudcap.draw.words import corner_word
from mudcap.geo.units import length_text
from mudcap.lang import translator
from mudcap.orchard.model import Block
from mudcap.orchard.names import crop_text, exclusion_text, kind_text
from mudcap.plan.model import Plan

_LEFT_OUT: Final = frozenset({"excluded", "beyond", "catchments", "puddle_links", "water_round"})
"""Layers that say nothing to a sprayer."""


def contractor(plan: Plan, *, page: str = "letter", lang: str = "en") -> bytes:
    """The contractor's sheet as a PDF, each block's map to scale and its lists behind it; `page` as for the sheet.

    The same bytes for the same plan. Raises ``ValueError`` for another page.
    """
    _ = translator(lang)
    out = BytesIO()
    ranch = plan.params.ranch or plan.orchard.name or "–"
    title = _("{ranch}: for the spray contractor").format(ranch=ranch)
    canvas = map_canvas(out, page, title=title, subject=f"mudcap {plan.number}", lang=lang)
    width = PAGES_MM[page][0] - 2 * MARGIN_MM
    planned = {b.block_id for b in plan.blocks}
    parts, off = [], {}
    for i, block in enumerate(plan.orchard.blocks):
        if block.block_id in planned:
            off[i] = rows_off(block, [plan.sites[k] for k in plan.site_index(block.block_id)])
            xy = [(plan.sites[k].x_m, plan.sites[k].y_m) for k in plan.site_index(block.block_id)]
            views = block_views(block.polygon, xy, page, plan.params.units, band_mm(plan, _))
            items = tuple(_items(plan, block, off[i], width, _))
            name = _("block {block}").format(block=block.block_id)
            parts.append(ListPart(title=name, items=items, views=views, block=i))
    scene = _scene(plan, off, lang)
    pages = lay_pages(plan, page, parts, _)
    for each in pages:
        if each.items:
            draw_list(canvas, plan, page, _("spray contractor"), each, len(pages), _)
        elif each.view is not None:
            numbers = {(p.view.column, p.view.row): p.number for p in pages if p.view is not None and p.part is each.part}
            matches = match_lines(each.view, numbers, _)
            _draw_map(canvas, plan, scene, each, each.view, matches, len(pages), _)
    canvas.save()
    return out.getvalue()


def _scene(plan: Plan, off: dict[int, tuple[RowOff, ...]], lang: str) -> Scene:
    """The plan's scene with the stretches where nozzles are off."""
    _ = translator(lang)
    made = make_scene(plan, lang)
    marks = tuple(
        Mark(geometry=line, style="nozzles_off", index=i)
        for i, rows in off.items()
        if (laid := plan.orchard.blocks[i].rows) is not None
        for row in rows
        for line in span_lines(laid, row)
    )
    kept = tuple(layer for layer in made.layers if layer.key not in _LEFT_OUT)
    where = next((k for k, layer in enumerate(kept) if layer.key == "sites"), len(kept))
    own = (Layer(key="nozzles_off", title=_("Nozzles off"), marks=marks),) if marks else ()
    return replace(made, layers=(*kept[:where], *own, *kept[where:]))


def _draw_map(
    canvas: MapCanvas, plan: Plan, scene: Scene, each: ListPage, view: View, matches: Sequence[Match], count: int, _: Text
) -> None:  # fmt: skip
    block = plan.orchard.blocks[each.part.block]
    canvas.setPageSize((view.frame.width * PT_PER_MM, view.frame.height * PT_PER_MM))
    outline(canvas, each)
    pen = Pen(canvas)
    sites = len(plan.site_index(block.block_id))
    facts = (
        (_("Block"), f"{block.block_id} ({block.code})"), (_("Crop"), ", ".join(filter(None, (crop_text(block.crop, _), block.cultivar))) or "–"),
        (_("Acres"), f"{block.acres:,.2f}"), (_("Shelters"), f"{sites:,}"), (_("Rows"), rows_text(block, _)), (_("Row 1"), first_tree_text(block, _)),
        (_("Plan"), plan.number), (_("Date"), plan.params.plan_date.isoformat() if plan.params.plan_date else ""),
    )  # fmt: skip
    words = replace(page_words(plan, _("spray contractor"), each, count, _), facts=facts)
    drawn = draw_block(pen, plan, scene, view, each.part.block, matches, is_numbered=False)
    draw_grid(pen, view)
    draw_heading(pen, view.frame.width, view.frame.height, words, _)
    draw_strip(pen, view, drawn, _)
    draw_panel(pen, plan, view, words, drawn, _)
    canvas.place(view, plan.orchard.plane)
    canvas.showPage()


def _items(plan: Plan, block: Block, off: tuple[RowOff, ...], width: float, _: Text) -> list[Item]:
    ground: BaseGeometry = block.polygon
    items = [heading(_("Block {block}: for the spray contractor").format(block=block.block_id))]
    dates = (_("Shelters hang here from … to …"), _("Bees are out from … to …"), _("Read by, date, licence number"))
    items += blank_lines(dates, 0.38)
    items += [heading(_("Where nozzles go off")), *(assumed_for_sprayer(block, width, _) if off else ())]
    items += _off_items(off, block, width, _)
    items += [heading(_("Closed, with dates")), *_closed_items(plan, ground, width, _)]
    items += [heading(_("Zones to keep clear")), *_zone_items(plan, block, width, _)]
    return [*items, *sprayer_cautions(width, _)]


def _off_items(off: tuple[RowOff, ...], block: Block, width: float, _: Text) -> list[Item]:
    if not off:
        return paragraph(_("No shelter hangs in this block."), width)
    text = _("Driving beside one of these rows, on either side, shut off the nozzles that face it along the trees named: from "
             "the tree before a shelter to the tree after it. Trees are counted from tree 1, which stands at the {corner} corner. "
             "Where the label, local rules or the applicator ask for more, shut off more.")  # fmt: skip
    corner = "–" if block.rows is None else corner_word(block.rows.corner, _)
    rows = [
        (str(r.row), str(len(r.shelters)), "; ".join(f"{a}|{b}" for a, b in r.alleys) or "–",
         ", ".join(f"{a}–{b}" if a != b else str(a) for a, b in r.spans))
        for r in off
    ]  # fmt: skip
    known = dict.fromkeys(f"{a.left_row}|{a.right_row}" for a in block.alleys if a.is_spray_lane)
    lanes = _("Alleys that the sprayer is known to use: {alleys}.").format(alleys=", ".join(known)) if known else ""
    codes = _("20|21: the alley between rows 20 and 21. 0|1: outside row 1.")
    heads = (_("Row"), _("Shelters"), _("Reached from alleys"), _("Off along trees"))
    return [
        *paragraph(f"{text.format(corner=corner)} {codes}", width), *(paragraph(lanes, width) if lanes else ()),
        *table(heads, (12, 18, 34, 130), rows, bold=frozenset({0, 3})),
    ]  # fmt: skip


def _closed_items(plan: Plan, ground: BaseGeometry, width: float, _: Text) -> list[Item]:
    found = closings(plan, ground)
    if not found:
        return paragraph(_("No closure is known for this block. Ask the grower."), width)
    rows = [(c.name or "–", *(d.isoformat() if d else "…" for d in (c.first, c.last)), c.reason) for c in found]
    return table((_("Ground"), _("First day"), _("Last day"), _("Why")), (60, 26, 26, 80), rows)


def _zone_items(plan: Plan, block: Block, width: float, _: Text) -> list[Item]:
    units = plan.params.units
    rows = [
        (z.name or "–", exclusion_text(int(z.rule), _), kind_text(z.reason, _), length_text(z.setback_m, units),
         length_text(z.away_m, units) if z.away_m > 0 else _("in it"))
        for z in zones(plan, block.polygon)
    ]  # fmt: skip
    heads = (_("Zone"), _("Kind"), _("What it is"), _("Setback"), _("Away"))
    items = table(heads, (50, 40, 50, 24, 24), rows) if rows else paragraph(_("No such zone is known near this block."), width)
    text = _("Setback: no shelter hangs nearer; what the label asks for around bees, water and people may be wider.")
    wet = [p.name for p in plan.puddles.puddles if p.block_id == block.block_id] if plan.puddles is not None else []
    set_out = [f"{r.name} ({r.address})" for r in plan.release if r.block_id == block.block_id]
    said = [text]
    if wet:
        said.append(_("Bees take mud here; keep spray off: puddles {names}, and the mud on the map.").format(names=", ".join(wet)))
    if set_out:
        said.append(_("Cocoons are set out here; keep spray off: {names}.").format(names=", ".join(set_out)))
    said.append(_("Bees feed on forage strips and on any weed in flower; ask before you spray them."))
    return [*items, *(line for words in said for line in paragraph(words, width))]
