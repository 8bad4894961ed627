"""Labels for shelters, on sheets of labels: where the site is, what it gets, where it faces, and a code to scan.

Black only, and nothing outside a label's own box, so that any printer does.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from io import BytesIO
from typing import Final

from reportlab.pdfgen.canvas import Canvas

from mudcap.draw.scene import Text
from mudcap.draw.sheet_layout import PAGES_MM
from mudcap.draw.sheet_pen import PT_PER_MM, Face, Pen, face_name, fitted, printable, text_width_mm
from mudcap.draw.tags_code import QUIET, Code, make_code, payload
from mudcap.draw.tags_stock import Stock
from mudcap.draw.words import corner_word
from mudcap.lang import translator
from mudcap.plan.picking import Pick, packages_text

PAD_MM: Final = 1.5
"""Kept free inside a label's edge: sheets shift a little in a printer."""
CODE_MOST_MM: Final = 30.0
LINE: Final = 1.22
"""Height of a line over its type size."""
LARGEST_PT: Final = 30.0
SMALLEST_PT: Final = 4.5
"""Below this nobody reads it in an orchard; then the label is refused: common practice, no source."""
_POINTS: Final = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")


READABLE_PT: Final = 7.0
"""As long as all type is this large, everything worth knowing is printed; on a smaller label the least needed goes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    text: str
    share: float
    """Its type size as a share of the address's."""
    face: Face = "plain"
    may_be_cut: bool = False
    """A name of the user's may be shortened with …; all else is printed whole."""
    dial: bool = False
    """The facing arrow stands in front."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Layout:
    """Where things lie in every label of a sheet [mm from its lower left corner], and in which type."""

    code: tuple[float, float, float]
    """Left, bottom and side of the code's square."""
    words: tuple[float, float, float, float]
    """Left, bottom, width and height of the room for words."""
    lines: Callable[[Pick], list[_Line]]
    size_pt: float
    """Of the address."""


def tags(
    found: Sequence[Pick], stock: Stock, *, plan_number: str, title: str = "", skip: int = 0, frames: bool = False, lang: str = "en"
) -> bytes:
    """A label for each site, in the given order, as a PDF; the same bytes for the same labels.

    `skip`: labels of the first sheet that are gone already. `frames`: also draw each label's edge, to cut plain paper by.
    Raises ``ValueError`` where a label is too small for what it has to say, or `skip` is no place on a sheet.
    """
    if not 0 <= skip < stock.count:
        text = translator(lang)("skip {skip}: this is no number of labels that can be gone from a sheet of {count}.")
        raise ValueError(text.format(skip=skip, count=stock.count))
    _ = translator(lang)
    out = BytesIO()
    size = tuple(side * PT_PER_MM for side in PAGES_MM[stock.page])
    canvas = Canvas(out, pagesize=size, invariant=1, pageCompression=1, initialFontName=face_name("plain"), lang=lang)
    canvas.setTitle(printable(_("{ranch}: labels").format(ranch=title or "–")))
    canvas.setSubject(printable(f"mudcap {plan_number}; {stock.text}"))
    canvas.setAuthor("")
    canvas.setCreator("mudcap")
    # a viewer would else shrink the page to fit the printer's margins, and the labels with it
    canvas.setViewerPreference("PrintScaling", "None")
    pen, boxes = Pen(canvas), stock.boxes()
    layout = _layout(found, stock, plan_number, _)
    for k, pick in enumerate(found, start=skip):
        if k % stock.count == 0 and k > skip:
            canvas.showPage()
        box = boxes[k % stock.count]
        if frames:
            pen.rectangle(*box, width_mm=0.1, colour="#888888")
        _draw_label(pen, pick, box, plan_number, layout)
    canvas.showPage()
    canvas.save()
    return out.getvalue()


def _layout(found: Sequence[Pick], stock: Stock, plan_number: str, _: Text) -> _Layout:
    """One layout for all labels: the first in which all type is readable, else the one with the largest type.

    Raises ``ValueError`` where even that is too small.
    """
    width, height = stock.width_mm - 2 * PAD_MM, stock.height_mm - 2 * PAD_MM
    if width >= 1.25 * height:
        side = min(height, width * 0.45, CODE_MOST_MM)
        code, words = (PAD_MM + width - side, PAD_MM + height - side, side), (PAD_MM, PAD_MM, width - side - 1.0, height)
    else:
        side = min(width, height * 0.5, CODE_MOST_MM)
        code, words = (PAD_MM + (width - side) / 2, PAD_MM, side), (PAD_MM, PAD_MM + side + 1.0, width, height - side - 1.0)
    best, best_pt = None, -1.0
    for lines in _arrangements(plan_number, _):
        size = min((_fitting(lines(p), words[2], words[3]) for p in found), default=LARGEST_PT)
        smallest = size * min((line.share for p in found for line in lines(p)), default=1.0)
        if smallest > best_pt:
            best, best_pt = _Layout(code=code, words=words, lines=lines, size_pt=size), smallest
        if smallest >= READABLE_PT:
            break
    if best is None or best_pt < SMALLEST_PT:
        text = _("a label of {width:.4g} × {height:.4g} mm is too small: its type would be {size:.1f} pt high.")
        raise ValueError(text.format(width=stock.width_mm, height=stock.height_mm, size=best_pt))
    return best


def _draw_label(pen: Pen, pick: Pick, box: tuple[float, float, float, float], plan_number: str, layout: _Layout) -> None:
    left, bottom, side = layout.code
    _draw_code(pen, make_code(payload(pick, plan_number), side), box[0] + left, box[1] + bottom, side)
    left, bottom, width, height = layout.words
    _draw_words(pen, layout.lines(pick), (box[0] + left, box[1] + bottom, width, height), layout.size_pt, pick.facing_deg)


def _draw_code(pen: Pen, code: Code, left: float, bottom: float, side: float) -> None:
    """One filled path; runs overlap by a hair so that no viewer shows seams between rows."""
    step = side / code.modules * PT_PER_MM
    x, y = left * PT_PER_MM + QUIET * step, (bottom + side) * PT_PER_MM - QUIET * step
    path = pen.canvas.beginPath()
    for row, first, length in code.runs():
        path.rect(x + first * step, y - (row + 1) * step - 0.01 * step, length * step, 1.01 * step)
    pen.canvas.setFillGray(0)
    pen.canvas.drawPath(path, stroke=0, fill=1, fillMode=1)


def _draw_words(
    pen: Pen, lines: Sequence[_Line], room: tuple[float, float, float, float], size_pt: float, facing_deg: float | None
) -> None:
    left, bottom, width, height = room
    y = bottom + height
    for line in lines:
        own = size_pt * line.share
        y -= own * LINE / PT_PER_MM
        indent = _indent(line, own)
        if line.dial and facing_deg is not None:
            _draw_dial(pen, left + indent * 0.45, y + own * 0.58 / PT_PER_MM, indent * 0.42, facing_deg)
        words = fitted(line.text, width - indent, own, line.face) if line.may_be_cut else line.text
        pen.text(left + indent, y + 0.3 * own / PT_PER_MM, words, own, face=line.face)


def _draw_dial(pen: Pen, x: float, y: float, radius: float, bearing_deg: float) -> None:
    """A compass dial with north up (the tick outside the ring) and the arrow of the facing in it."""
    pen.canvas.setStrokeGray(0)
    pen.canvas.setLineWidth(0.12 * PT_PER_MM)
    pen.canvas.circle(x * PT_PER_MM, y * PT_PER_MM, 0.86 * radius * PT_PER_MM, stroke=1, fill=0)
    pen.line([(x, y + 0.86 * radius), (x, y + 1.14 * radius)], width_mm=0.25)

    def turned(ahead: float, aside: float) -> tuple[float, float]:
        a = math.radians(bearing_deg)
        return x + radius * (ahead * math.sin(a) + aside * math.cos(a)), y + radius * (ahead * math.cos(a) - aside * math.sin(a))

    pen.fill([turned(0.8, 0.0), turned(-0.6, 0.45), turned(-0.3, 0.0), turned(-0.6, -0.45)], "#000000")


def _indent(line: _Line, size_pt: float) -> float:
    """Room [mm] for the dial in front of a line."""
    return 1.5 * size_pt / PT_PER_MM if line.dial else 0.0


def _arrangements(plan_number: str, _: Text) -> tuple[Callable[[Pick], list[_Line]], ...]:
    """Ways to say it, from everything to the least: address, block, number and name, cavities, facing."""
    made = partial(_lines, plan_number=plan_number, _=_)
    return (
        partial(made, take="line", with_plan=True), partial(made, take="lines", with_plan=True),
        partial(made, take="line", with_plan=False), partial(made, take="lines", with_plan=False),
        partial(made, take="lines", with_plan=False, even=True), partial(made, take="", with_plan=False), partial(_few_lines, _=_),
    )  # fmt: skip


def _lines(pick: Pick, *, plan_number: str, _: Text, take: str, with_plan: bool, even: bool = False) -> list[_Line]:
    """The full label; packages in one line, in a line each (where a long name is cut, never the number), or not at all.

    `even`: the address is hardly larger than the rest, so that the rest can be read on a small label.
    """
    share, small = (0.8, 0.8) if even else (0.62, 0.5)
    lines = [
        *_first_lines(pick, share, _),
        _Line(text=_("No. {number} · {site}").format(number=pick.number, site=pick.site_id), share=share),
    ]
    if pick.facing_deg is not None:
        lines.append(_Line(text=_facing_text(pick, _), share=share, dial=True))
    lines.append(_Line(text=_("{count} cavities").format(count=pick.cavities), share=share, face="bold"))
    if pick.packages and take == "line":
        lines.append(_Line(text=pick.take, share=small))
    elif pick.packages and take == "lines":
        lines += [_Line(text=packages_text([p]), share=small, may_be_cut=True) for p in pick.packages]
    if with_plan:
        lines.append(_Line(text=_("Plan {number}").format(number=plan_number), share=0.4))
    return lines


def _few_lines(pick: Pick, *, _: Text) -> list[_Line]:
    """For the smallest labels."""
    cavities = _("{count} cavities").format(count=pick.cavities)
    faces = pick.facing_deg is not None
    last = f"{_degrees_text(pick, _)} · {cavities}" if faces else cavities
    return [
        *_first_lines(pick, 0.75, _),
        _Line(text=_("No. {number} · {site}").format(number=pick.number, site=pick.site_id), share=0.75),
        _Line(text=last, share=0.75, dial=faces),
    ]


def _first_lines(pick: Pick, share: float, _: Text) -> list[_Line]:
    block = _("Block {block}").format(block=pick.block_id)
    return [_Line(text=pick.address, share=1.0, face="bold"), _Line(text=block, share=share, face="bold", may_be_cut=True)]


def _facing_text(pick: Pick, _: Text) -> str:
    point = _POINTS[round((pick.facing_deg or 0.0) % 360 / 45) % 8]
    return _("{point}, {bearing}").format(point=corner_word(point, _), bearing=_degrees_text(pick, _))


def _degrees_text(pick: Pick, _: Text) -> str:
    """What a compass shows; the true bearing where that is not known."""
    if pick.compass_deg is None:
        return _("{degrees}° true").format(degrees=round(pick.facing_deg or 0.0) % 360)
    return _("compass {degrees}°").format(degrees=round(pick.compass_deg) % 360)


def _fitting(lines: Sequence[_Line], width: float, height: float) -> float:
    """Type size of the address at which all lines fit in the room."""
    size = min(LARGEST_PT, height * PT_PER_MM / (LINE * sum(line.share for line in lines)))
    for line in lines:
        if not line.may_be_cut:
            own = text_width_mm(line.text, 100.0, line.face) + _indent(line, 100.0)
            size = min(size, 100.0 * width / (own * line.share))
    return size
