"""The pages behind a block's map: site table, rows to walk, cautions, whom to call. Items flow down pages."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from mudcap.draw.scene import Text, exclusion_text
from mudcap.draw.sheet_layout import HEAD_MM, MARGIN_MM
from mudcap.draw.sheet_pen import Face, Pen, fitted, fitting_size, wrapped
from mudcap.geo.units import length_text
from mudcap.plan.model import BlockPlan, Plan, Site

ROW_MM: Final = 5.4
LINE_MM: Final = 4.4
BODY_PT: Final = 8.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One piece of a flowing page; `draw` gets the pen, the left edge, the top and the width."""

    height: float
    draw: Callable[[Pen, float, float, float], None]
    is_head: bool = False
    """Never left alone at a page's end."""
    repeat: Item | None = None
    """Drawn again at the top of the next page where the flow breaks before this item."""


def flow(items: Sequence[Item], width: float, height: float, band_mm: float) -> list[list[Item]]:
    """Items by page, headings kept with what follows and table heads repeated."""
    room = height - 2 * MARGIN_MM - HEAD_MM - band_mm - 2
    pages: list[list[Item]] = [[]]
    left = room
    for k, item in enumerate(items):
        need = item.height + sum(i.height for i in _kept_with(items, k))
        if need > left and pages[-1]:
            pages.append([item.repeat] if item.repeat else [])
            left = room - (item.repeat.height if item.repeat else 0)
        pages[-1].append(item)
        left -= item.height
    return pages


def draw_items(pen: Pen, items: Iterable[Item], width: float, height: float, band_mm: float) -> None:
    """Draw one page's items from the top."""
    y = height - MARGIN_MM - HEAD_MM - band_mm
    for item in items:
        item.draw(pen, MARGIN_MM, y, width - 2 * MARGIN_MM)
        y -= item.height


def heading(text: str) -> Item:
    """A heading over a part."""

    def draw(pen: Pen, left: float, top: float, width: float) -> None:
        pen.text(left, top - 7.2, fitted(text, width, 12, "bold"), 12, face="bold")

    return Item(height=10.0, draw=draw, is_head=True)


def paragraph(text: str, width: float, *, size: float = BODY_PT, face: Face = "plain", sign: str = "") -> list[Item]:
    """A text as one item a line, with a sign before the first."""
    indent = 5.0 if sign else 0.0

    def line(words: str, first: bool) -> Item:
        def draw(pen: Pen, left: float, top: float, _width: float) -> None:
            if first and sign:
                pen.text(left, top - 3.4, sign, size, face="bold")
            pen.text(left + indent, top - 3.4, words, size, face=face)

        return Item(height=LINE_MM, draw=draw)

    return [line(words, k == 0) for k, words in enumerate(wrapped(text, width - indent, size, face))]


def table(
    heads: Sequence[str], shares: Sequence[float], rows: Sequence[Sequence[str]], boxes: int = 0,
    bold: frozenset[int] = frozenset({0}), rules: frozenset[int] = frozenset(),
) -> list[Item]:  # fmt: skip
    """A table whose head is repeated on each page.

    The last `boxes` columns are boxes to tick; `bold` names columns, `rules` the rows with a heavier line below.
    """
    head = Item(height=ROW_MM + 1.2, draw=_row(heads, shares, "bold", 0, centred=boxes, shade="#e4e4e4", height=ROW_MM + 1.2), is_head=True)
    body = [
        Item(height=ROW_MM, draw=_row(cells, shares, "plain", boxes, heavy=k in rules, bold=bold), repeat=head)
        for k, cells in enumerate(rows)
    ]
    return [head, *body]


def block_items(plan: Plan, block: BlockPlan, where: Callable[[Site], str], width: float, _: Text) -> list[Item]:
    """Everything behind one block's map."""
    sites = [plan.sites[i] for i in plan.site_index(block.block_id)]
    title = _("Sites of block {block}").format(block=block.block_id)
    items = [heading(title)]
    if block.status != "planned" and block.reason:
        items += paragraph(block.reason, width, face="bold", sign="!")
    if sites:
        items += _site_table(sites, where, plan, _)
        items += [heading(_("Row by row: trees with a shelter (its number in brackets)")), *_row_walk(sites, width, _)]
    if block.excluded:
        reasons = ", ".join(f"{name.replace('_', ' ')} {count:,}" for name, count in block.excluded.items() if count)
        if reasons:
            items += [heading(_("Trees where no shelter may hang, by reason")), *paragraph(reasons, width)]
    return [*items, *_cautions(width, _), *_calls(_)]


def _site_table(sites: Sequence[Site], where: Callable[[Site], str], plan: Plan, _: Text) -> list[Item]:
    heads = (_("No."), _("Site name"), _("Row"), _("Tree"), _("Map"), _("Cavities"), _("Females"), _("Walk"), _("Note"),
             _("hung"), _("checked"), _("fetched"))  # fmt: skip
    shares = (10, 20, 11, 11, 17, 16, 16, 15, 38, 13, 16, 15)
    rows = [
        (str(s.number), s.site_id, str(s.row), str(s.tree), where(s), f"{s.cavities:,}", f"{s.females:,}",
         length_text(s.walk_m, plan.params.units) if math.isfinite(s.walk_m) else "–", _site_note(s, plan, _), "", "", "")
        for s in sites
    ]  # fmt: skip
    turns = frozenset(k for k, (a, b) in enumerate(pairwise(sites)) if a.row != b.row)
    return table(heads, shares, rows, boxes=3, bold=frozenset({0, 2, 3}), rules=turns)


def _site_note(site: Site, plan: Plan, _: Text) -> str:
    words = [_("pinned")] if site.pinned else []
    if site.flags:
        words.append("! " + exclusion_text(site.flags, _))
    if not math.isfinite(site.mud_m):
        words.append(_("no mud known"))
    elif site.mud_m > plan.params.mud.limit_m:
        words.append(_("mud {distance}").format(distance=length_text(site.mud_m, plan.params.units)))
    return "; ".join(words)


def _row_walk(sites: Sequence[Site], width: float, _: Text) -> list[Item]:
    """'Row 14: T5 (12), T23 (13)', one entry a row, trees ascending."""
    items: list[Item] = []
    for row in sorted({s.row for s in sites}):
        trees = sorted((s for s in sites if s.row == row), key=lambda s: s.tree)
        text = ", ".join(f"T{s.tree}\u00a0({s.number})" for s in trees)
        items += paragraph(_("Row {row}: {trees}").format(row=row, trees=text), width)
    return items


def _cautions(width: float, _: Text) -> list[Item]:
    texts = (
        _("Sprays: stay out until the re-entry interval on the label has passed and the grower says so. The label and "
          "local rules decide, not this sheet. Never hang, check or fetch shelters during spraying."),
        _("Vehicles: look before you step out of a row. Agree with drivers who is where. No riding outside a seat."),
        _("Stings: mason bees seldom sting, honey bees and wasps do. Know who on the crew is allergic, carry what their "
          "doctor prescribed (such as epinephrine), and call for help at once if someone has trouble breathing."),
        _("Ladders and lifting: three points of contact, firm ground, no ladder under power lines. Lift loads with two."),
        _("Work that needs a licence or a permit (pesticides, moving bees, agricultural burning) is for licensed people. "
          "Where this sheet and the label, the law or the grower differ, follow them."),
    )  # fmt: skip
    lines = [line for text in texts for line in paragraph(text, width, sign="!")]
    return [heading(_("Work safely")), *lines]


def _calls(_: Text) -> list[Item]:
    names = (_("Grower"), _("Crew lead"), _("Sprayer"), _("Bee supplier"), _("Emergency, and this block's address"))

    def line(name: str) -> Item:
        def draw(pen: Pen, left: float, top: float, width: float) -> None:
            pen.text(left, top - 5.4, name, BODY_PT)
            pen.line([(left + 62, top - 6.0), (left + width, top - 6.0)], width_mm=0.2)

        return Item(height=7.5, draw=draw)

    return [heading(_("Whom to call")), *(line(n) for n in names)]


def _row(
    cells: Sequence[str], shares: Sequence[float], face: Face, boxes: int, *, shade: str = "", heavy: bool = False,
    bold: frozenset[int] = frozenset(), height: float = ROW_MM, centred: int = 0,
) -> Callable[[Pen, float, float, float], None]:  # fmt: skip
    def draw(pen: Pen, left: float, top: float, width: float) -> None:
        unit = width / sum(shares)
        if shade:
            pen.rectangle(left, top - height, width, height, width_mm=0, fill=shade)
        x = left
        for k, (cell, share) in enumerate(zip(cells, shares, strict=True)):
            if k >= len(cells) - boxes:
                pen.rectangle(x + share * unit / 2 - 1.8, top - 4.5, 3.6, 3.6, width_mm=0.3)
            else:
                own: Face = "bold" if k in bold else face
                size = fitting_size(cell, share * unit - 1.2, (BODY_PT, 7.5, 6.75, 6.0), own)
                words = fitted(cell, share * unit - 1.2, size, own)
                if k >= len(cells) - centred:
                    pen.text(x + share * unit / 2, top - height + 1.6, words, size, face=own, anchor="middle")
                else:
                    pen.text(x + 0.8, top - height + 1.6, words, size, face=own)
            x += share * unit
        pen.line([(left, top - height), (left + width, top - height)], width_mm=0.35 if heavy else 0.1)

    return draw


def _kept_with(items: Sequence[Item], k: int) -> list[Item]:
    """The items that must stand on the page of item `k`: what follows a heading."""
    out: list[Item] = []
    while items[k].is_head and k + 1 < len(items):
        k += 1
        out.append(items[k])
    return out
