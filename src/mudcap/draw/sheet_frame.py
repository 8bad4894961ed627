"""What stands around the map: heading, index letters, title block, legend, scale bars, check line, north arrow."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np
from shapely import LineString, box

from mudcap.draw.scene import Text
from mudcap.draw.sheet_labels import CAUTION_PT, LINE_EM, Drawn, Match
from mudcap.draw.sheet_layout import (
    COLLAR_MM,
    HEAD_MM,
    INDEX_MM,
    MARGIN_MM,
    PANEL_MM,
    STRIP_MM,
    View,
    index_cells,
)
from mudcap.draw.sheet_pen import PT_PER_MM, Face, Pen, fitted, fitting_size, text_width_mm, wrapped
from mudcap.draw.style import GREY, SITE_DOT_MM, STYLES, Style
from mudcap.geo.declination import declination_deg
from mudcap.geo.units import M_PER_FT, Units
from mudcap.plan.model import Plan

CHECK_MM: Final = 100.0
SCALE_MM: Final = 62.0
"""Width of the part with scale and north."""
BAND_MM: Final = 6.0
SMALL_PT: Final = 7.0
"""The smallest type on a page."""
SAMPLE_MM: Final = 6.4
"""Width of a sample in the legend."""
_TREES: Final = "trees"
_DOTS: Final = "dots"
"""Legend key of the dots, which have no style of their own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PageText:
    """The words of one page's heading and title block."""

    title: str
    subtitle: str
    facts: tuple[tuple[str, str], ...]
    """Names and values of the title block."""
    number: int
    count: int
    band: str = ""
    """Warning under the heading; '' = none."""


def draw_heading(pen: Pen, width: float, height: float, words: PageText, _: Text) -> None:
    """Title on the left, page number on the right, the warning band below."""
    top = height - MARGIN_MM
    page = _("page {n} of {m}").format(n=words.number, m=words.count)
    room = width - 2 * MARGIN_MM - text_width_mm(page, 9) - 4
    title = fitted(words.title, room * 0.6, 13, "bold")
    pen.text(MARGIN_MM, top - 4.6, title, 13, face="bold")
    after = MARGIN_MM + text_width_mm(title, 13, "bold") + 4
    left_over = width - MARGIN_MM - text_width_mm(page, 9) - 4 - after
    size = fitting_size(words.subtitle, left_over, (9.0, 8.0, SMALL_PT))
    pen.text(after, top - 4.6, fitted(words.subtitle, left_over, size), size)
    pen.text(width - MARGIN_MM, top - 4.6, page, 9, anchor="end")
    if words.band:
        bottom = top - HEAD_MM - BAND_MM + 2
        pen.rectangle(MARGIN_MM, bottom, width - 2 * MARGIN_MM, BAND_MM - 1, width_mm=0, fill="#000000")
        pen.text(MARGIN_MM + 2, bottom + 1.5, fitted(words.band, width - 2 * MARGIN_MM - 4, 8.5, "bold"), 8.5,
                 face="bold", colour="#ffffff")  # fmt: skip


def draw_grid(pen: Pen, view: View) -> None:
    """Neat lines, index letters and numbers on all four sides, small crosses where squares meet."""
    for rectangle, weight in ((view.frame.outer, 0.5), (view.frame.inner, 0.2), (view.frame.window, 0.3)):
        left, bottom, right, top = rectangle
        pen.rectangle(left, bottom, right - left, top - bottom, width_mm=weight)
    left, bottom, right, top = view.frame.window
    across, down = index_cells(view.frame)
    step_x, step_y = (right - left) / across, (top - bottom) / down
    reach = COLLAR_MM + INDEX_MM / 2
    for k in range(across):
        x = left + (k + 0.5) * step_x
        for y in (top + reach, bottom - reach):
            pen.text(x, y - 1.0, str(k + 1), 7.5, face="bold", anchor="middle")
    for k in range(down):
        y = top - (k + 0.5) * step_y
        for x in (left - reach, right + reach):
            pen.text(x, y - 1.0, "ABCDEFGH"[k], 7.5, face="bold", anchor="middle")
    for i in range(1, across):
        for edge, way in ((top + COLLAR_MM, 1), (bottom - COLLAR_MM, -1)):
            x = left + i * step_x
            pen.line([(x, edge), (x, edge + way * INDEX_MM)], width_mm=0.2)
    for j in range(1, down):
        for edge, way in ((right + COLLAR_MM, 1), (left - COLLAR_MM, -1)):
            y = bottom + j * step_y
            pen.line([(edge, y), (edge + way * INDEX_MM, y)], width_mm=0.2)


def match_lines(view: View, pages: dict[tuple[int, int], int], _: Text) -> tuple[Match, ...]:
    """The lines where the next page takes over, each with that page's number."""
    left, bottom, right, top = view.frame.window
    low, high = view.to_page([view.core[:2]])[0], view.to_page([view.core[2:]])[0]
    sides = (
        ([(low[0], bottom), (low[0], top)], (-1, 0), (-1, 0)),
        ([(high[0], bottom), (high[0], top)], (1, 0), (1, 0)),
        ([(left, low[1]), (right, low[1])], (0, 1), (0, -1)),
        ([(left, high[1]), (right, high[1])], (0, -1), (0, 1)),
    )
    return tuple(
        Match(line=LineString(ends), away=away, text=_("on to page {number}").format(number=page))
        for ends, (columns, rows), away in sides
        if np.isfinite(ends).all() and (page := pages.get((view.column + columns, view.row + rows))) is not None
    )


def draw_strip(pen: Pen, view: View, drawn: Drawn, _: Text) -> None:
    """The check line below the map, and what could not be labelled."""
    left, bottom, right, _top = view.frame.outer
    y = bottom - 3.4
    pen.line([(left, y), (left + CHECK_MM, y)], width_mm=0.3)
    for x in (left, left + CHECK_MM):
        pen.line([(x, y - 1.3), (x, y + 1.3)], width_mm=0.3)
    words = _("Print at 100 %: this line must measure 100 mm (3 15/16 in)")
    pen.text(left + CHECK_MM / 2, y - 3.6, words, SMALL_PT, anchor="middle")
    _draw_missing(pen, left + CHECK_MM + 5, right, bottom - 0.6, drawn, _)


def _draw_missing(pen: Pen, left: float, right: float, top: float, drawn: Drawn, _: Text) -> None:
    """Closures and hazards first, in bold; then the other names, cut where there is no more room."""
    room, y = right - left, top
    bottom = top - STRIP_MM + 0.4
    size, lines = _warning(drawn, room, y - bottom)
    for line in lines:
        y -= LINE_EM * size / PT_PER_MM
        pen.text(left, y, line, size, face="bold")
    names = [*dict.fromkeys(drawn.unlabelled), *dict.fromkeys(drawn.unnamed)]
    text = _("No room to label: {names}").format(names=", ".join(names)) if names else ""
    for line in _cut_lines(text, room, y - bottom, SMALL_PT, "plain"):
        y -= LINE_EM * SMALL_PT / PT_PER_MM
        pen.text(left, y, line, SMALL_PT)


def _warning(drawn: Drawn, room: float, height: float) -> tuple[float, list[str]]:
    """Type size and lines of what must not be lost: all that is said of it where there is room, else its name."""
    names, told = ("; ".join(dict.fromkeys(words)) for words in zip(*drawn.warned, strict=True)) if drawn.warned else ("", "")
    for text, size in ((told, CAUTION_PT), (names, CAUTION_PT), (names, SMALL_PT)):
        lines = wrapped(text, room, size, "bold")
        if len(lines) * LINE_EM * size / PT_PER_MM <= height:
            return size, lines
    return SMALL_PT, _cut_lines(names, room, height, SMALL_PT, "bold")


def _cut_lines(text: str, room: float, height: float, size: float, face: Face) -> list[str]:
    """The lines of a text that a height has room for, the last one cut where there are more."""
    lines, num = wrapped(text, room, size, face), int(height / (LINE_EM * size / PT_PER_MM))
    if len(lines) <= num:
        return lines
    return [*lines[: num - 1], fitted(" ".join(lines[num - 1 :]), room, size, face)] if num else []


def draw_panel(pen: Pen, plan: Plan, view: View, words: PageText, drawn: Drawn, _: Text) -> None:
    """Title block, legend, scale and north below the map."""
    left, right = MARGIN_MM, view.frame.width - MARGIN_MM
    height = view.frame.panel_mm - 1
    bottom, top = MARGIN_MM, MARGIN_MM + height
    title = left + min(70.0, (right - left) * 0.27)
    scale = right - SCALE_MM
    for a, b in ((left, title), (title, scale), (scale, right)):
        pen.rectangle(a, bottom, b - a, height, width_mm=0.3)
    _draw_facts(pen, left + 2, title - 2, top, words)
    _draw_legend(pen, title + 2, scale - 1, top, drawn, _)
    _draw_scale(pen, view, scale + 2, top, plan.params.units, _)
    _draw_north(pen, plan, view, right - 10, bottom + 2, _)


def _draw_facts(pen: Pen, left: float, right: float, top: float, words: PageText) -> None:
    """Names and values; a value too long for a line goes on below it."""
    start, second = left + 14, 3.0
    laid = [_fact_lines(value, right - start) for _name, value in words.facts]
    more = sum(len(lines) > 1 for _size, lines in laid)
    step = min(4.35, (PANEL_MM - 7.0 - second * more) / max(len(laid) - 1, 1))
    y = top - 4.6
    for (name, value), (size, lines) in zip(words.facts, laid, strict=True):
        pen.text(left, y, fitted(name, 13.5, SMALL_PT), SMALL_PT, colour="#333333")
        for k, line in enumerate(lines):
            pen.text(start, y - k * second, line, size, face="bold")
        if not value:
            pen.line([(start, y - 0.6), (right - 4, y - 0.6)], width_mm=0.2)
        y -= step + (second if len(lines) > 1 else 0.0)


def _fact_lines(value: str, room: float) -> tuple[float, list[str]]:
    """Type size and one or two lines."""
    size = fitting_size(value, room, (8.0, 7.5, SMALL_PT), "bold")
    lines = wrapped(value, room, size, "bold")
    return size, lines if len(lines) < 2 else [lines[0], fitted(" ".join(lines[1:]), room, size, "bold")]


def _draw_legend(pen: Pen, left: float, right: float, top: float, drawn: Drawn, _: Text) -> None:
    names = legend_words(_)
    if not drawn.is_numbered:
        names["site"] = _("shelter")
    forms: dict[str, list[str]] = {key: [form for k, form in drawn.keys if k == key] for key in names}
    items = [(key, own, names[key]) for key, own in forms.items() if own]
    if drawn.has_site_dots:
        items.insert(0, (_DOTS, [], _("shelter")))
    if drawn.has_tree_dots:
        items.append((_TREES, [], _("tree (big: every 10th)")))
    if drawn.row_step > 1:
        items.append(("", [], _("one row in {k} numbered").format(k=drawn.row_step)))
    if not items:
        return
    size, rows, widths = _legend_columns([text for _key, _forms, text in items], right - left)
    step = (PANEL_MM - 3.5) / max(9, rows)
    for k, (key, own, text) in enumerate(items):
        x, y = left + sum(widths[: k // rows]), top - 0.7 - step / 2 - (k % rows) * step
        for form in sorted(own):  # an area, then lines, then the symbol over them, as on the map
            draw_sample(pen, x, y, STYLES[key], form, SAMPLE_MM)
        if key == _DOTS:
            pen.dots([(x + SAMPLE_MM / 2, y)], SITE_DOT_MM, GREY)
        if key == _TREES:
            pen.trees([(x + SAMPLE_MM * share, y) for share in (0.2, 0.5, 0.8)], np.array([False, True, False]))
        pen.text(x + SAMPLE_MM + 0.9, y - 0.9, fitted(text, widths[k // rows] - SAMPLE_MM - 0.9, size), size)


def _legend_columns(texts: Sequence[str], room: float) -> tuple[float, int, list[float]]:
    """Type size, lines a column and the columns' widths: as few lines as fit whole, each column as wide as its words."""
    for size in (7.5, SMALL_PT):
        for rows in range(9, 15):
            columns = [texts[k : k + rows] for k in range(0, len(texts), rows)]
            widths = [max(text_width_mm(t, size) for t in own) + SAMPLE_MM + 1.5 for own in columns]
            if sum(widths) - 0.4 <= room:
                return size, rows, [w + (room - sum(widths)) / len(widths) for w in widths]
    rows = max(9, math.ceil(len(texts) / 2))
    return SMALL_PT, rows, [room / 2] * 2


def draw_sample(pen: Pen, x: float, y: float, style: Style, form: str, width: float) -> None:
    """A small picture of a style in one of its forms, its middle line at y."""
    if form == "point":
        small = replace(style, size_mm=min(style.size_mm, 3.8))
        pen.symbol(x + width / 2, y, small)
    elif form == "area":
        pen.area(box(x + 0.3, y - 1.5, x + width - 0.3, y + 1.5), style, (x, y - 1.7, x + width, y + 1.7))
    else:
        pen.way(LineString([(x + 0.3, y), (x + width - 0.3, y)]), style)


def _draw_scale(pen: Pen, view: View, left: float, top: float, units: Units, _: Text) -> None:
    feet = view.scale / 12
    text = f"1 : {view.scale:,.0f}"
    if units == "us" and feet == int(feet):
        text = _("1 inch = {feet} feet").format(feet=f"{feet:,.0f}") + f"   ({text})"
    pen.text(left, top - 4.8, text, 8.5, face="bold")
    half_ft = feet if feet == int(feet) else _round_step(view.scale * 0.045 / M_PER_FT) / 2
    bars = [(half_ft, M_PER_FT, _("ft")), (_round_step(view.scale * 0.045) / 2, 1.0, _("m"))]
    for k, (half, metres, unit) in enumerate(bars if units == "us" else bars[::-1]):
        _bar(pen, left, top - 11.5 - 9.0 * k, [n * half for n in range(3)], metres * 1000 / view.scale, unit)


def _bar(pen: Pen, left: float, y: float, values: Sequence[float], mm_per_unit: float, unit: str) -> None:
    """A bar of black and white halves with its numbers above."""
    for k, (a, b) in enumerate(pairwise(values)):
        fill = "#000000" if k % 2 == 0 else "#ffffff"
        pen.rectangle(left + a * mm_per_unit, y, (b - a) * mm_per_unit, 1.6, width_mm=0.25, fill=fill)
    for k, value in enumerate(values):
        label = f"{value:,.10g}" + (f" {unit}" if k == len(values) - 1 else "")
        x = left + value * mm_per_unit
        pen.text(x, y + 2.4, label, SMALL_PT, anchor="start" if k == 0 else "middle")


def _round_step(limit: float) -> float:
    power = 10.0 ** math.floor(math.log10(limit))
    return next(k * power for k in (5.0, 4.0, 2.0, 1.0) if k * power <= limit)


def _draw_north(pen: Pen, plan: Plan, view: View, x: float, bottom: float, _: Text) -> None:
    """An arrow to true north: the plane's north is up, so the arrow leans by the convergence."""
    lean = -plan.orchard.plane.convergence_deg([view.centre])
    middle = (x, bottom + 8.5)
    a = math.radians(lean)
    along, across = np.array([math.sin(a), math.cos(a)]), np.array([math.cos(a), -math.sin(a)])
    tip, foot = middle + 6.2 * along, middle - 5.6 * along
    pen.line([foot, tip], width_mm=0.6)
    for side in (1, -1):
        pen.line([tip, tip - 3.4 * along + side * 1.5 * across], width_mm=0.6)
    pen.text(x, bottom + 16.0, _("N"), 9, face="bold", anchor="middle")
    pen.text(x + 9.0, bottom, _("true north"), SMALL_PT, anchor="end")
    pen.text(x - 2.6, bottom + 3.6, declination_text(plan, view, _), SMALL_PT, anchor="end")


def declination_text(plan: Plan, view: View, _: Text) -> str:
    """Magnetic declination at the page's middle on the plan's date, or why there is none."""
    day = plan.params.plan_date
    if day is None:
        return _("declination: set a date in the plan")
    lon, lat = plan.orchard.plane.to_lonlat([view.centre])[0]
    try:
        angle = declination_deg(float(lon), float(lat), day)
    except ValueError:  # a year that the model at hand does not reach
        return _("declination: not known for {year}").format(year=day.year)
    side = _("E") if angle >= 0 else _("W")
    return _("magnetic north {angle}° {side} of true ({year})").format(angle=f"{abs(angle):.1f}", side=side, year=day.year)


def plan_words(plan: Plan, _: Text) -> str:
    """Plan number and date, the date left blank where the plan has none."""
    day = plan.params.plan_date
    text = _("Plan {number} · date {date}")
    return text.format(number=plan.number, date=day.isoformat() if day is not None else "____________")


def legend_words(_: Text) -> dict[str, str]:
    """The meaning of each style key, in legend order."""
    return {
        "site": _("shelter and its number"),
        "site_pinned": _("shelter pinned by hand"),
        "site_override": _("shelter, limit overridden"),
        "excluded": _("no shelter here"),
        "beyond": _("trees too far away"),
        "spray_lane": _("spray lane"),
        "spray_alley": _("alley used by sprayer"),
        "keep_out": _("keep-out"),
        "closure": _("closed, see dates"),
        "mud": _("clean mud"),
        "mud_bad": _("mud, not clean"),
        "puddle": _("puddle to wet"),
        "puddle_link": _("site and its puddle"),
        "water_round": _("way of the water truck"),
        "release": _("cocoons set out here"),
        "hives": _("honey-bee hives"),
        "hazard": _("hazard"),
        "chemical_store": _("chemical store"),
        "road": _("road"),
        "gate": _("gate"),
        "gate_locked": _("locked gate"),
        "yard": _("yard"),
        "water": _("water"),
        "ditch": _("ditch"),
        "forage": _("forage strip"),
        "block": _("block edge"),
        "block_outside": _("next block"),
        "nozzles_off": _("nozzles off beside it"),
        "row": _("tree row"),
        "setback": _("setback: no shelter"),
        "round_a": _("way of the round"),
        "round_b": _("way of the round"),
        "round_c": _("way of the round"),
        "round_d": _("way of the round"),
        "round_stop": _("stop and its order"),
    }
