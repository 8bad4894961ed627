"""Items that flow down pages: headings, paragraphs, tables whose heads are repeated, lines to write on."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from mudcap.draw.sheet_layout import HEAD_MM, MARGIN_MM
from mudcap.draw.sheet_pen import Face, Pen, fitted, fitting_size, wrapped

ROW_MM: Final = 5.4
LINE_MM: Final = 4.4
BODY_PT: Final = 8.5
CELL_PT: Final = (BODY_PT, 8.0, 7.5, 7.0)
"""Type sizes that a table's cell tries in turn."""


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
    bold: frozenset[int] = frozenset({0}), rules: frozenset[int] = frozenset(), height: float = ROW_MM, walls: bool = False,
) -> list[Item]:  # fmt: skip
    """A table whose head is repeated on each page.

    The last `boxes` columns are boxes to tick; `bold` names columns, `rules` the rows with a heavier line below; `walls`
    draws lines between the columns too, for writing.
    """
    head = Item(height=ROW_MM + 1.2, draw=_row(heads, shares, "bold", 0, centred=boxes, shade="#e4e4e4", height=ROW_MM + 1.2), is_head=True)
    body = [
        Item(
            height=height, repeat=head,
            draw=_row(cells, shares, "plain", boxes, heavy=k in rules, bold=bold, height=height, walls=walls),
        )
        for k, cells in enumerate(rows)
    ]  # fmt: skip
    return [head, *body]


def under_each_page(key: Sequence[Item], lines: Sequence[Item]) -> list[Item]:
    """A table whose head is preceded by a key, on its first page and on each that it runs on to."""
    head = _stacked((*key, lines[0]))
    return [head, *(replace(line, repeat=head) for line in lines[1:])]


def _stacked(items: Sequence[Item]) -> Item:
    """Items as one, kept with what follows."""

    def draw(pen: Pen, left: float, top: float, width: float) -> None:
        y = top
        for item in items:
            item.draw(pen, left, y, width)
            y -= item.height

    return Item(height=sum(i.height for i in items), draw=draw, is_head=True)


def together(items: Sequence[Item]) -> list[Item]:
    """The items as one piece, which no page break parts."""
    return [*(replace(item, is_head=True) for item in items[:-1]), *items[-1:]]


def blank_lines(names: Sequence[str], share: float = 0.33) -> list[Item]:
    """A line to write on for each name."""

    def line(name: str) -> Item:
        def draw(pen: Pen, left: float, top: float, width: float) -> None:
            pen.text(left, top - 5.4, fitted(name, width * share - 2, BODY_PT), BODY_PT)
            pen.line([(left + width * share, top - 6.0), (left + width, top - 6.0)], width_mm=0.2)

        return Item(height=7.5, draw=draw)

    return [line(name) for name in names]


def side_by_side(entries: Sequence[Sequence[Item]], gap_mm: float = 6.0) -> list[Item]:
    """Entries of one or more lines in two columns, read from left to right; no page break parts an entry."""
    return [_pair(entries[k], entries[k + 1] if k + 1 < len(entries) else (), gap_mm) for k in range(0, len(entries), 2)]


def _pair(first: Sequence[Item], second: Sequence[Item], gap_mm: float) -> Item:
    def draw(pen: Pen, left: float, top: float, width: float) -> None:
        half = (width - gap_mm) / 2
        for x, entry in ((left, first), (left + half + gap_mm, second)):
            y = top
            for item in entry:
                item.draw(pen, x, y, half)
                y -= item.height

    return Item(height=max(sum(i.height for i in entry) for entry in (first, second)), draw=draw)


def _row(
    cells: Sequence[str], shares: Sequence[float], face: Face, boxes: int, *, shade: str = "", heavy: bool = False,
    bold: frozenset[int] = frozenset(), height: float = ROW_MM, centred: int = 0, walls: bool = False,
) -> Callable[[Pen, float, float, float], None]:  # fmt: skip
    def draw(pen: Pen, left: float, top: float, width: float) -> None:
        unit = width / sum(shares)
        if shade:
            pen.rectangle(left, top - height, width, height, width_mm=0, fill=shade)
        x = left
        base = top - height / 2 - 1.1
        for k, (cell, share) in enumerate(zip(cells, shares, strict=True)):
            if k >= len(cells) - boxes:
                pen.rectangle(x + share * unit / 2 - 1.8, top - height / 2 - 1.8, 3.6, 3.6, width_mm=0.3)
            elif cell:
                own: Face = "bold" if k in bold else face
                size, lines = cell_lines(cell, share * unit - 1.2, own)
                for up, words in zip((0.0,) if len(lines) == 1 else (1.25, -1.25), lines, strict=True):
                    if k >= len(cells) - centred:
                        pen.text(x + share * unit / 2, base + up, words, size, face=own, anchor="middle")
                    else:
                        pen.text(x + 0.8, base + up, words, size, face=own)
            if walls and k:
                pen.line([(x, top), (x, top - height)], width_mm=0.1)
            x += share * unit
        pen.line([(left, top - height), (left + width, top - height)], width_mm=0.35 if heavy else 0.1)

    return draw


def cell_lines(text: str, room: float, face: Face = "plain") -> tuple[float, list[str]]:
    """Type size and lines of a cell: one as large as fits, else two; what is longer still is cut."""
    size = fitting_size(text, room, CELL_PT, face)
    lines = wrapped(text, room, size, face)
    if len(lines) > 2:
        lines = [lines[0], fitted(" ".join(lines[1:]), room, size, face)]
    return size, lines


def _kept_with(items: Sequence[Item], k: int) -> list[Item]:
    """The items that must stand on the page of item `k`: what follows a heading."""
    out: list[Item] = []
    while items[k].is_head and k + 1 < len(items):
        k += 1
        out.append(items[k])
    return out
