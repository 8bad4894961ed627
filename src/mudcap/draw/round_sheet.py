"""Crew sheets of a round: one part for each crew and day, with maps in order, instructions by the clock, boxes to tick."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Callable, Sequence, Set
from dataclasses import dataclass
from io import BytesIO

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from mudcap.draw.round_items import cautions_items, day_items, front_items, hardware_items, proof_items
from mudcap.draw.round_scene import way_mark, way_style
from mudcap.draw.scene import Layer, Mark, Scene, make_scene
from mudcap.draw.sheet_frame import (
    BAND_MM,
    PageText,
    draw_grid,
    draw_heading,
    draw_panel,
    draw_strip,
    match_lines,
)
from mudcap.draw.sheet_geo import map_canvas
from mudcap.draw.sheet_labels import Drawn
from mudcap.draw.sheet_layout import MARGIN_MM, PAGES_MM, View, block_views, overview
from mudcap.draw.sheet_map import draw_block, draw_overview
from mudcap.draw.sheet_pen import PT_PER_MM, Pen, printable
from mudcap.draw.sheet_tables import Item, draw_items, flow
from mudcap.lang import counted, translator
from mudcap.plan.model import Plan, Site
from mudcap.plan.round_model import CrewDay, Round
from mudcap.plan.round_words import clock, day_name, minutes, task_name, way_text

NEAR_M = 9.0
"""A block's map shows the way this far beyond the block."""
ARROW_STEP_MM = 22.0
ARROW_MM = 2.2


@dataclass(frozen=True, slots=True, kw_only=True)
class _Page:
    width: float
    height: float
    draw: Callable[[Pen, int, int], None]
    title: str = ""
    """In the reader's outline; '' where the page belongs to the one before."""
    view: View | None = None


def round_sheet(plan: Plan, made: Round, *, page: str = "letter", lang: str = "en") -> bytes:
    """The round as a PDF; `page` is letter, tabloid, a4 or a3. The same bytes for the same round.

    A front page tells the whole round; then for each crew and day come a map of the way, a map of each block with the
    order of the stops, and the instructions. A fetching round ends with the list of all sites and with that of posts and
    anchors. Raises ``ValueError`` for another page.
    """
    if page not in PAGES_MM:
        raise ValueError(f"page: {page!r} is none of {', '.join(PAGES_MM)}.")
    pages = list(_Maker(plan, made, page, lang).pages())
    out = BytesIO()
    title = f"{task_name(made.options.task, translator(lang))} – {plan.params.ranch or plan.orchard.name}"
    canvas = map_canvas(out, page, title=title, subject=f"mudcap {plan.number}", lang=lang)
    for number, sheet_page in enumerate(pages, start=1):
        canvas.setPageSize((sheet_page.width * PT_PER_MM, sheet_page.height * PT_PER_MM))
        if sheet_page.title:
            canvas.bookmarkPage(f"part-{number}")
            canvas.addOutlineEntry(printable(sheet_page.title), f"part-{number}", 0)
        sheet_page.draw(Pen(canvas), number, len(pages))
        if sheet_page.view is not None:
            canvas.place(sheet_page.view, plan.orchard.plane)
        canvas.showPage()
    canvas.save()
    return out.getvalue()


class _Maker:
    """Makes the pages of one round."""

    def __init__(self, plan: Plan, made: Round, page: str, lang: str) -> None:
        self.plan, self.made, self.page = plan, made, page
        self._ = translator(lang)
        self.scene = make_scene(plan, lang)
        self.name = plan.params.ranch or plan.orchard.name or "–"
        self.band = ""
        if made.left:
            self.band = counted(
                self._,
                "INCOMPLETE: {count} place is not gone to, see page 1",
                "INCOMPLETE: {count} places are not gone to, see page 1",
                len(made.left),
            ).format(count=len(made.left))
        self.band_mm = BAND_MM if self.band else 0.0

    def pages(self) -> Sequence[_Page]:
        """Front, crew days, and for fetching the two lists."""
        _, made, width = self._, self.made, PAGES_MM[self.page][0] - 2 * MARGIN_MM
        out = self._lists(front_items(self.plan, made, width, _), task_name(made.options.task, _), _("Round"))
        for day in made.days:
            title = self._title(day)
            out += [self._way_page(day, title), *self._block_pages(day)]
            out += self._lists([*day_items(self.plan, day, width, _), *cautions_items(made, width, _)], title, "")
        if made.options.task == "fetch":
            out += self._lists(proof_items(self.plan, made, width, _), _("Every site of the plan"), _("Every site of the plan"))
            title = _("Posts and anchors")
            out += self._lists(hardware_items(self.plan, made, width, _), title, title)
        return out

    def _title(self, day: CrewDay) -> str:
        return self._("Crew {name}, {day}").format(name=day.crew, day=day_name(self.made.options, day.day, self._))

    def _lists(self, items: Sequence[Item], subtitle: str, title: str) -> list[_Page]:
        width, height = PAGES_MM[self.page]

        def drawer(own: Sequence[Item]) -> Callable[[Pen, int, int], None]:
            def draw(pen: Pen, number: int, count: int) -> None:
                words = PageText(
                    title=self.name, subtitle=f"{subtitle} · {self._('Plan {number}').format(number=self.plan.number)}",
                    facts=(), number=number, count=count, band=self.band,
                )  # fmt: skip
                draw_heading(pen, width, height, words, self._)
                draw_items(pen, own, width, height, self.band_mm)

            return draw

        pages = flow(items, width, height, self.band_mm)
        return [
            _Page(width=width, height=height, draw=drawer(own), title=title if k == 0 else "") for k, own in enumerate(pages)
        ]

    def _facts(self, day: CrewDay, block: str) -> tuple[tuple[str, str], ...]:
        """What the panel tells: of the whole day, or of one block the times of its first and last stop."""
        _, units = self._, self.plan.params.units
        own = [s for s in day.stops if not block or s.visit.block_id == block]
        blocks = counted(_, "{n} block", "{n} blocks", len(day.blocks)).format(n=len(day.blocks))
        facts = [
            (_("Task"), task_name(self.made.options.task, _)),
            (_("Crew"), day.crew),
            (_("Day"), day_name(self.made.options, day.day, _)),
            (_("Block"), block or (day.blocks[0] if len(day.blocks) == 1 else blocks)),
            (_("Stops"), f"{len(own):,}"),
        ]
        if not block:
            facts.append((_("Time"), f"{clock(day.begin_s)}–{clock(day.end_s)}"))
            facts.append((_("Way"), f"{way_text(day.metres, units)}, {minutes(day.moving_s)}"))
        elif own:
            facts.append((_("Time"), f"{clock(own[0].begin_s)}–{clock(own[-1].end_s)}"))
        return (*facts, (_("Plan"), self.plan.number))

    def _words(self, day: CrewDay, number: int, count: int, block: str = "") -> PageText:
        what = task_name(self.made.options.task, self._)
        return PageText(
            title=self.name, subtitle=f"{what} · {self._title(day)}" + (f" · {block}" if block else ""),
            facts=self._facts(day, block), number=number, count=count, band=self.band,
        )  # fmt: skip

    def _way_page(self, day: CrewDay, title: str) -> _Page:
        """The whole way of a day, with the order in which its blocks come."""
        orchard = self.plan.orchard
        index = {b.block_id: k for k, b in enumerate(orchard.blocks)}
        shapes = [orchard.blocks[index[b]].polygon for b in day.blocks] + [shapely.MultiPoint(day.track)]
        left, bottom, right, top = (float(v) for v in shapely.total_bounds(shapes))
        view = overview((left, bottom, right, top), self.page, self.plan.params.units, 0.0, self.band_mm)
        names = {index[b]: f"{k}. {b}" for k, b in enumerate(day.blocks, start=1)}
        codes = {index[b]: f"{k}. {orchard.blocks[index[b]].code}" for k, b in enumerate(day.blocks, start=1)}
        ways = tuple(layer for layer in self.scene.layers if layer.key not in ("sites", "excluded", "rows"))
        scene = dataclasses.replace(self.scene, layers=(*ways, _way_layer(self.made, day)))
        bare = dataclasses.replace(self.plan, sites=())

        def draw(pen: Pen, number: int, count: int) -> None:
            drawn = draw_overview(pen, bare, scene, view, names, codes)
            _arrows(pen, view, day)
            self._surround(pen, view, self._words(day, number, count), drawn)

        return _Page(width=view.frame.width, height=view.frame.height, draw=draw, title=title, view=view)

    def _block_pages(self, day: CrewDay) -> list[_Page]:
        """Each block's map at a scale at which the order of its stops can be read."""
        out: list[_Page] = []
        ordered = _as_sites(self.plan, day)
        for block in day.blocks:
            k = next(i for i, b in enumerate(ordered.orchard.blocks) if b.block_id == block)
            scene = _ordered_scene(self.scene, day, ordered, ordered.orchard.blocks[k].polygon.buffer(NEAR_M))
            xy = [s.visit.xy for s in day.stops if s.visit.block_id == block]
            views = block_views(ordered.orchard.blocks[k].polygon, xy, self.page, self.plan.params.units, self.band_mm)
            numbers: dict[tuple[int, int], int] = {}
            out += [self._block_page(day, ordered, scene, view, k, numbers, n) for n, view in enumerate(views)]
        return out

    def _block_page(
        self, day: CrewDay, plan: Plan, scene: Scene, view: View, block: int, numbers: dict[tuple[int, int], int], part: int
    ) -> _Page:  # fmt: skip
        def draw(pen: Pen, number: int, count: int) -> None:
            if part == 0:  # tiles follow each other, so the first one's page tells all
                numbers.update(self._tiles(plan, view, block, day, number))
            rows = _rows_beside(plan, block) if self.made.options.task == "wet" else None
            drawn = draw_block(pen, plan, scene, view, block, match_lines(view, numbers, self._), only_rows=rows)
            _arrows(pen, view, day, plan.orchard.blocks[block].polygon.buffer(NEAR_M))
            name = plan.orchard.blocks[block].block_id
            self._surround(pen, view, self._words(day, number, count, name), drawn)

        return _Page(width=view.frame.width, height=view.frame.height, draw=draw, view=view)

    def _tiles(self, plan: Plan, first: View, block: int, day: CrewDay, number: int) -> dict[tuple[int, int], int]:
        name = plan.orchard.blocks[block].block_id
        xy = [s.visit.xy for s in day.stops if s.visit.block_id == name]
        views = block_views(plan.orchard.blocks[block].polygon, xy, self.page, plan.params.units, self.band_mm)
        return {(v.column, v.row): number + k for k, v in enumerate(views)}

    def _surround(self, pen: Pen, view: View, words: PageText, drawn: Drawn) -> None:
        draw_grid(pen, view)
        draw_heading(pen, view.frame.width, view.frame.height, words, self._)
        draw_strip(pen, view, drawn, self._)
        draw_panel(pen, self.plan, view, words, drawn, self._)


def _way_layer(made: Round, day: CrewDay) -> Layer:
    marks = (way_mark(made, day),) if len(day.track) > 1 else ()
    return Layer(key="round", title="", marks=marks)


def _as_sites(plan: Plan, day: CrewDay) -> Plan:
    """The plan with the day's stops as its only sites, numbered in their order, so that a block's map shows the order."""
    order = {b.block_id: k for k, b in enumerate(plan.orchard.blocks)}
    sites: list[Site] = [
        dataclasses.replace(
            plan.sites[max(s.visit.site, 0)], site_id=s.visit.name, block_id=s.visit.block_id, number=s.order, x_m=s.visit.xy[0],
            y_m=s.visit.xy[1], pinned=False, flags=0,
        )
        for s in sorted(day.stops, key=lambda s: (order[s.visit.block_id], s.order))
    ]  # fmt: skip
    return dataclasses.replace(plan, sites=tuple(sites))


def _ordered_scene(scene: Scene, day: CrewDay, plan: Plan, near: BaseGeometry) -> Scene:
    """The ground, the day's way near one block, and the stops with their order."""
    wet = {s.visit.name for s in day.stops if s.visit.site < 0 and shapely.intersects_xy(near, *s.visit.xy)}
    kept = tuple(_without(layer, wet) for layer in scene.layers if layer.key not in ("sites", "excluded", "catchments"))
    marks = tuple(
        Mark(geometry=shapely.Point(s.x_m, s.y_m), style="round_stop", label=f"{s.number} {s.site_id}" if s.site_id in wet else str(s.number), index=i)
        for i, s in enumerate(plan.sites)
    )
    stops = Layer(key="sites", title="", marks=marks)
    way = Mark(geometry=shapely.LineString(day.track).intersection(near), style=way_style(day))
    return dataclasses.replace(scene, layers=(*kept, Layer(key="round", title="", marks=(way,)), stops))


def _without(layer: Layer, puddles: Set[str]) -> Layer:
    """The layer without puddles that stand on the map as stops, under their names."""
    if layer.key != "puddles" or not puddles:
        return layer
    return dataclasses.replace(layer, marks=tuple(mark for mark in layer.marks if mark.label not in puddles))


def _rows_beside(plan: Plan, block: int) -> frozenset[int]:
    """Numbers of the rows on both sides of each stop of a block."""
    rows = plan.orchard.blocks[block].rows
    own = [plan.sites[i] for i in plan.site_index(plan.orchard.blocks[block].block_id)]
    if rows is None or not len(rows.row_number):
        return frozenset()
    away = shapely.distance(np.array(rows.row_line, object)[:, None], shapely.points([(s.x_m, s.y_m) for s in own])[None])
    near = np.argsort(away, axis=0, kind="stable")[:2].T
    return frozenset(int(rows.row_number[k]) for stop, two in enumerate(near) for k in two if away[k, stop] <= rows.row_spacing_m)


def _arrows(pen: Pen, view: View, day: CrewDay, near: BaseGeometry | None = None) -> None:
    """Small arrowheads along the way (that near a block only), pointing onward."""
    shown = shapely.box(*view.ground) if near is None else near
    shapely.prepare(shown)
    points = view.to_page(day.track)
    left, bottom, right, top = view.frame.window
    since = ARROW_STEP_MM / 2
    for k, (a, b) in enumerate(itertools.pairwise(points)):
        step = b - a
        length = float(np.hypot(*step))
        if length < ARROW_MM:
            since += length
            continue
        at = max(ARROW_MM, ARROW_STEP_MM - since)
        while at <= length:
            tip = a + step * (at / length)
            on_ground = day.track[k] + (day.track[k + 1] - day.track[k]) * (at / length)
            if left < tip[0] < right and bottom < tip[1] < top and shapely.contains_xy(shown, *on_ground):
                _arrow(pen, tip, step / length)
            at += ARROW_STEP_MM
        since = length - (at - ARROW_STEP_MM)


def _arrow(pen: Pen, tip: NDArray[np.float64], way: NDArray[np.float64]) -> None:
    back = tip - ARROW_MM * way
    side = np.array([-way[1], way[0]]) * ARROW_MM * 0.38
    pen.fill([tip, back + side, back - side], "#000000")
