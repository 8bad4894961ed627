"""Pages of lists: parts that flow down pages under one heading, each with its entry in the reader's outline."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from mudcap.draw.scene_parts import Text
from mudcap.draw.sheet_frame import BAND_MM, PageText, draw_heading, plan_words
from mudcap.draw.sheet_geo import MapCanvas
from mudcap.draw.sheet_layout import PAGES_MM, View
from mudcap.draw.sheet_pen import PT_PER_MM, Pen, printable
from mudcap.draw.sheet_tables import Item, draw_items, flow
from mudcap.draw.words import status_words
from mudcap.plan.model import Plan


@dataclass(frozen=True, slots=True, kw_only=True)
class ListPart:
    """One block's lists, behind its map where it has one."""

    title: str
    items: tuple[Item, ...]
    views: tuple[View, ...] = ()
    """Its map pages."""
    block: int = -1
    """Position in `orchard.blocks`, where it has maps."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ListPage:
    """One page: its number, which part it belongs to, and its map or its items."""

    number: int
    part: ListPart
    is_first: bool
    items: tuple[Item, ...] = ()
    view: View | None = None


def lay_pages(plan: Plan, page: str, parts: Sequence[ListPart], _: Text) -> list[ListPage]:
    """All pages of the parts in order, numbered from 1; none is empty."""
    return [replace(each, number=n) for n, each in enumerate(_flowed(plan, page, parts, _), 1)]


def _flowed(plan: Plan, page: str, parts: Sequence[ListPart], _: Text) -> Iterator[ListPage]:
    width, height = PAGES_MM[page]
    for part in parts:
        for k, view in enumerate(part.views):
            yield ListPage(number=0, part=part, is_first=k == 0, view=view)
        for k, items in enumerate(flow(part.items, width, height, band_mm(plan, _))):
            yield ListPage(number=0, part=part, is_first=k == 0 and not part.views, items=tuple(items))


def band_mm(plan: Plan, _: Text) -> float:
    """Room for the warning under the heading."""
    return BAND_MM if status_words(plan, _) else 0.0


def page_words(plan: Plan, kind: str, page: ListPage, count: int, _: Text) -> PageText:
    """Heading of a page: ranch, kind of sheet, part, plan number and date."""
    status = status_words(plan, _)
    return PageText(
        title=plan.params.ranch or plan.orchard.name or "–", subtitle=f"{kind} · {page.part.title} · {plan_words(plan, _)}", facts=(),
        number=page.number, count=count, band=_("Read before hanging: {status}").format(status=status) if status else "",
    )  # fmt: skip


def draw_parts(canvas: MapCanvas, plan: Plan, page: str, kind: str, parts: Sequence[ListPart], _: Text) -> None:
    """Draw parts without maps."""
    pages = lay_pages(plan, page, parts, _)
    for each in pages:
        draw_list(canvas, plan, page, kind, each, len(pages), _)


def draw_list(canvas: MapCanvas, plan: Plan, page: str, kind: str, each: ListPage, count: int, _: Text) -> None:
    """Draw one page of items."""
    width, height = PAGES_MM[page]
    canvas.setPageSize((width * PT_PER_MM, height * PT_PER_MM))
    outline(canvas, each)
    pen = Pen(canvas)
    draw_heading(pen, width, height, page_words(plan, kind, each, count, _), _)
    draw_items(pen, each.items, width, height, band_mm(plan, _))
    canvas.showPage()


def outline(canvas: MapCanvas, each: ListPage) -> None:
    """An entry for a part's first page."""
    if each.is_first:
        canvas.bookmarkPage(f"part-{each.number}")
        canvas.addOutlineEntry(printable(each.part.title), f"part-{each.number}", 0)
