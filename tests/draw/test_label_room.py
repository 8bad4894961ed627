"""Every text on a map has ground of its own: held against what is drawn, not against the raster that places it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from io import BytesIO
from itertools import combinations
from typing import Any

import pytest
import shapely
from plans import sample_plan
from pypdf import PdfReader
from reportlab.pdfgen.canvas import Canvas
from shapely import LineString, Point, Polygon, box
from shapely.affinity import rotate, translate
from shapely.geometry.base import BaseGeometry

from mudcap.draw.contractor import _scene as contractor_scene
from mudcap.draw.contractor_facts import rows_off
from mudcap.draw.labels import Ground
from mudcap.draw.scene import make_scene
from mudcap.draw.sheet import sheet
from mudcap.draw.sheet_frame import SCALE_MM, _draw_legend, draw_strip, legend_words, match_lines
from mudcap.draw.sheet_labels import Drawn, name_labels
from mudcap.draw.sheet_layout import MARGIN_MM, PAGES_MM, PANEL_MM, STRIP_MM, View, block_views, overview
from mudcap.draw.sheet_map import draw_block, draw_overview
from mudcap.draw.sheet_pen import PT_PER_MM, Pen, printable, text_width_mm
from mudcap.draw.style import STYLES, Style
from mudcap.lang import translator
from mudcap.orchard.model import Role
from mudcap.plan.model import Plan

EDGES = {id(STYLES[key]): key for key in ("block", "block_outside", "road", "keep_out", "hives", "hazard", "chemical_store", "mud", "mud_bad",
                                          "water", "ditch", "spray_lane", "closure", "forage", "nozzles_off", "yard", "gate")}  # fmt: skip
"""Lines that a text may not lie on; rows, alleys, setbacks, links and hatches run on under its white ground."""


@dataclass
class Recorder(Pen):
    """A pen that notes where texts, symbols and edges come to stand, in page millimetres."""

    canvas: Any
    texts: list[tuple[str, str, Polygon]] = field(default_factory=list)
    symbols: list[Polygon] = field(default_factory=list)
    edges: list[tuple[str, BaseGeometry]] = field(default_factory=list)
    dotted: list[float] = field(default_factory=list)
    """Radii of dots."""
    inside: bool = False
    """While a symbol or a way is drawn, whose own letters and lines are no texts and match lines."""

    def text(self, x: float, y: float, text: str, size_pt: float, **how: Any) -> None:  # type: ignore[override]
        if not self.inside and text.strip():
            self.texts.append((text, how.get("face", "plain"), ink(x, y, text, size_pt, **how)))
        super().text(x, y, text, size_pt, **how)

    def symbol(self, x: float, y: float, style: Style) -> None:
        self.inside = True
        self.symbols.append(Point(x, y).buffer(style.size_mm / 2 * 0.9))
        super().symbol(x, y, style)
        self.inside = False

    def way(self, geometry: BaseGeometry, style: Style) -> None:
        self._edge(geometry, style, (style.casing_mm + style.width_mm) / 2)
        self.inside = True
        super().way(geometry, style)
        self.inside = False

    def area(self, geometry: BaseGeometry, style: Style, window: tuple[float, float, float, float]) -> None:
        self._edge(geometry.boundary, style, style.width_mm / 2)
        super().area(geometry, style, window)

    def line(self, points: Any, *, width_mm: float, **how: Any) -> None:
        if width_mm >= 0.5 and not self.inside:  # a match line
            self.edges.append(("match", LineString(points).buffer(width_mm / 2)))
        super().line(points, width_mm=width_mm, **how)

    def dots(self, points: Any, radius_mm: float, colour: str) -> None:
        self.dotted.append(radius_mm)
        super().dots(points, radius_mm, colour)

    def _edge(self, geometry: BaseGeometry, style: Style, half: float) -> None:
        key = next((k for k, s in STYLES.items() if s.stroke == style.stroke and s.width_mm == style.width_mm and s.fill == style.fill
                    and s.hatch == style.hatch and s.symbol == style.symbol and s.dash_mm == style.dash_mm), "")  # fmt: skip
        if key in EDGES.values():
            self.edges.append((key, geometry.buffer(half, cap_style="flat")))


def ink(x: float, y: float, text: str, size_pt: float, *, face: Any = "plain", anchor: str = "start", turn_deg: float = 0.0, **_how: Any) -> Polygon:
    """What a text covers: as high as its capitals (0.73 em), and 0.2 em deep where letters reach below the line."""
    em, wide = size_pt / PT_PER_MM, text_width_mm(printable(text), size_pt, face)
    left = -{"start": 0.0, "middle": 0.5, "end": 1.0}[anchor] * wide
    deep = 0.2 * em if any(c in "gjpqy,;()Q" for c in text) else 0.0
    flat = box(left + 0.03, -deep, left + wide - 0.03, 0.72 * em)
    return translate(rotate(flat, turn_deg, origin=(0, 0)), x, y)


def pages(plan: Plan, paper: str, lang: str = "en") -> Iterator[tuple[str, View, Recorder, Drawn]]:
    """Overview, every block's maps and the contractor's as drawn, each with its pen."""
    _ = translator(lang)
    scene = make_scene(plan, lang)
    bounds = tuple(float(v) for v in shapely.total_bounds([b.polygon for b in plan.orchard.blocks]))
    view = overview(bounds, paper, plan.params.units, 30.0)  # type: ignore[arg-type]
    pen = Recorder(Canvas(BytesIO()))
    names = {i: f"{b.block_id}\n{_('p.')} {2 + i}" for i, b in enumerate(plan.orchard.blocks)}
    codes = {i: f"{b.code}\n{_('p.')} {2 + i}" for i, b in enumerate(plan.orchard.blocks)}
    yield "overview", view, pen, draw_overview(pen, plan, scene, view, names, codes)
    for i, block in enumerate(plan.orchard.blocks):
        own = [plan.sites[k] for k in plan.site_index(block.block_id)]
        views = block_views(block.polygon, [(s.x_m, s.y_m) for s in own], paper, plan.params.units)
        numbers = {(v.column, v.row): k for k, v in enumerate(views)}
        off = contractor_scene(plan, {i: rows_off(block, own)}, lang)
        for view in views:
            pen = Recorder(Canvas(BytesIO()))
            matches = match_lines(view, numbers, _)
            yield f"{block.block_id} {view.column}/{view.row}", view, pen, draw_block(pen, plan, scene, view, i, matches)
            pen = Recorder(Canvas(BytesIO()))
            yield f"contractor {block.block_id}", view, pen, draw_block(pen, plan, off, view, i, matches, is_numbered=False)


def meetings(view: View, pen: Recorder, crossed: str = "") -> list[str]:
    """Texts that lie on one another, on a symbol, on an edge (but the one that may be crossed), or out of the map's ground."""
    found = [f"'{a}' on '{b}'" for (a, _f, one), (b, _g, two) in combinations(pen.texts, 2) if one.intersection(two).area > 0.02]
    ground, window = box(*view.frame.inner), box(*view.frame.window)
    for text, face, shape in pen.texts:
        found += [f"'{text}' on a symbol" for s in pen.symbols if s.within(window) and shape.intersection(s).area > 0.02]
        found += [f"'{text}' on {key}" for key, edge in pen.edges if key != crossed and shape.intersection(edge).intersection(window).area > 0.03]
        if not shape.within(ground) or (face == "slant" and not shape.within(window.buffer(0.05))):
            found.append(f"'{text}' runs over the frame")
    return found


@pytest.mark.parametrize(("paper", "lang"), [("letter", "en"), ("a3", "es")])
@pytest.mark.parametrize("kind", ["plain", "slanted", "large"])
def test_no_text_lies_on_another_a_symbol_a_road_or_an_edge(kind: str, paper: str, lang: str) -> None:
    """Names in italics, numbers of sites and rows, block names and page hints: on overview, block maps, contractor's maps."""
    plan = {
        "plain": lambda: sample_plan(2, 60),
        "slanted": lambda: sample_plan(2, 40, turn_deg=31.0, names=["Jägerhof, gypsy plum", "Q"]),
        "large": lambda: sample_plan(1, 200, rows=44, trees=50),
    }[kind]()
    seen: set[str] = set()
    for name, view, pen, _drawn in pages(plan, paper, lang):
        seen |= {face for _text, face, _shape in pen.texts}
        assert meetings(view, pen, "spray_lane" if name == "overview" else "") == [], name
        assert pen.edges
        assert pen.symbols
    assert seen == {"plain", "bold", "slant"}


def test_what_is_not_labelled_is_listed() -> None:
    """Every site, row end and named feature in a map's window has its text there or stands in the list below it."""
    plan = sample_plan(2, 60)
    scene = make_scene(plan)
    for name, view, pen, drawn in pages(plan, "letter"):
        if name == "overview" or name.startswith("contractor"):
            continue
        window = box(*view.frame.window)
        said = {text.split("\n")[0] for text, _face, _shape in pen.texts}
        listed = " ".join(drawn.unnamed)
        for key in ("gates", "hives", "hazards", "mud", "water", "closures", "roads", "forage"):
            for mark in scene.layer(key).marks:  # type: ignore[union-attr]
                if mark.label and mark.style != "setback" and view.geometry(mark.geometry).intersects(window):
                    assert mark.label in said or mark.label in listed, (name, mark.label)


def test_closures_and_hazards_are_never_lost() -> None:
    """On a map without any room each still has a key in bold, and the lines below begin with them at 8 pt; other names may go."""
    plan = sample_plan(2, 60)
    scene = make_scene(plan)
    bounds = tuple(float(v) for v in shapely.total_bounds([b.polygon for b in plan.orchard.blocks]))
    view = overview(bounds, "letter", "us", 30.0)  # type: ignore[arg-type]
    window = box(*view.frame.window)
    drawn, ground = Drawn(), Ground(*view.frame.inner)
    ground.taken[:] = True
    labels = list(name_labels(scene, view, ground, drawn, None))
    told = [f"{mark.label} ({mark.note})" for mark in scene.layer("closures").marks]  # type: ignore[union-attr]
    hazards = [m.label for m in scene.layer("hazards").marks if m.style != "setback"]  # type: ignore[union-attr]
    assert told and hazards and labels
    assert all(re.fullmatch(r"!\d+", label.text) and label.size_pt >= 8 and label.face == "bold" for label in labels)
    assert all(window.contains(Point(label.box.x, label.box.y)) for label in labels)
    warned = [text for _name, text in drawn.warned]
    assert [w.split(" ", 1)[0] for w in warned] == [label.text for label in labels]
    assert {w.split(" ", 1)[1] for w in warned} >= {*told, *hazards}
    assert not {*told, *hazards} & set(drawn.unnamed)
    assert drawn.unnamed
    pen = Recorder(Canvas(BytesIO()))
    draw_strip(pen, view, drawn, str)
    below = [(text, face, shape) for text, face, shape in pen.texts if "100 mm" not in text]
    assert below[0][1] == "bold" and below[0][0].startswith("!1 ")
    said = " ".join(text for text, _face, _shape in below)
    assert all(name in said for name, _told in drawn.warned)
    assert all(one.disjoint(two) for (_a, _f, one), (_b, _g, two) in combinations(pen.texts, 2))
    left, bottom, right, _top = view.frame.outer
    assert all(shape.within(box(left, bottom - STRIP_MM, right + 0.1, bottom)) for _text, _face, shape in pen.texts)


def test_a_closure_named_without_its_dates_has_them_below_the_map() -> None:
    """One line at 8 pt, in bold, before the names that found no room."""
    view = overview((0, 0, 400, 300), "letter", "us", 30.0)
    drawn = Drawn(unnamed=["Yard Drive"], warned=[("Punta sprayed", "Punta sprayed (closed 2027-03-22 to 2027-03-24)")])
    pen = Recorder(Canvas(BytesIO()))
    draw_strip(pen, view, drawn, str)
    (first, second) = [(text, face, shape) for text, face, shape in pen.texts if "100 mm" not in text]
    assert first[:2] == ("Punta sprayed (closed 2027-03-22 to 2027-03-24)", "bold")
    assert second[0] == "No room to label: Yard Drive"
    assert first[2].bounds[3] - first[2].bounds[1] > 0.72 * 8 / PT_PER_MM  # as high as 8 pt, with room below the line
    assert first[2].bounds[1] > second[2].bounds[3]


@pytest.mark.parametrize("lang", ["en", "es"])
@pytest.mark.parametrize("paper", ["letter", "a4"])
def test_the_legend_is_never_cut(paper: str, lang: str) -> None:
    """On the narrow papers too, with all that a map can show at once, each entry stands whole and in its column."""
    _ = translator(lang)
    drawn = Drawn(row_step=10, has_tree_dots=True)
    for key in ("site", "site_pinned", "excluded", "beyond", "spray_lane", "spray_alley", "keep_out", "closure", "mud", "mud_bad", "puddle",
                "release", "hives", "hazard", "road", "gate", "yard", "water", "ditch", "forage", "block"):  # fmt: skip
        for form in ("area", "line", "point") if key in ("mud", "hazard") else ("line",):
            drawn.note(key, form)
    width = PAGES_MM[paper][0]
    left, right, top = MARGIN_MM + min(70.0, (width - 2 * MARGIN_MM) * 0.27) + 2, width - MARGIN_MM - SCALE_MM - 1.0, MARGIN_MM + PANEL_MM - 1.0
    pen = Recorder(Canvas(BytesIO()))
    _draw_legend(pen, left, right, top, drawn, _)
    assert [text for text, _face, _shape in pen.texts if "…" in text] == []
    assert len(pen.texts) == 23
    assert all(one.disjoint(two) for (_a, _f, one), (_b, _g, two) in combinations(pen.texts, 2))
    assert all(shape.within(box(left, MARGIN_MM, right, top)) for _text, _face, shape in pen.texts)
    assert len(pen.dotted) == 2  # small trees and every tenth have their picture
    assert {text for text, _face, _shape in pen.texts} >= {legend_words(_)[key] for key in ("beyond", "mud", "hazard")}


def test_assumed_rows_are_said_whole_on_the_map() -> None:
    """That rows are no more than assumed is never cut off, on the narrowest paper and in the longer language."""
    plan = sample_plan(1, 8)
    (block,) = plan.orchard.blocks
    guessed = replace(block, rows=replace(block.rows, source="assumed"))  # type: ignore[type-var]
    plan = replace(plan, orchard=replace(plan.orchard, blocks=(guessed,)))
    text = PdfReader(BytesIO(sheet(plan, page="a4", lang="es"))).pages[1].extract_text()
    assert translator("es")("(assumed)") in text
    assert translator("es")("tree 1 at {corner}").format(corner="SO") in text


def test_the_legend_shows_a_small_area_as_the_map_does():
    """A store of 3 m by 3 m is its letter on the overview, and in the legend too, not a box that stands nowhere."""
    plan = sample_plan()
    features = tuple(
        replace(f, geometry=box(-31.5, -29.5, -28.5, -26.5)) if f.role is Role.CHEMICAL_STORE else f for f in plan.orchard.features
    )
    plan = replace(plan, orchard=replace(plan.orchard, features=features))
    _name, _view, pen, drawn = next(pages(plan, "letter"))
    assert ("chemical_store", "point") in drawn.keys and ("chemical_store", "area") not in drawn.keys
    assert pen.symbols
