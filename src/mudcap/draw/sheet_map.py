"""The map window of one page: the scene to scale, its numbers, and what could not be numbered."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString
from shapely.affinity import rotate
from shapely.geometry.base import BaseGeometry

from mudcap.draw.labels import DIGIT_HEIGHT_EM, DROP_EM, Box, Ground, places_around, places_beyond
from mudcap.draw.scene import Layer, Mark, Scene
from mudcap.draw.sheet_layout import View, index_cells
from mudcap.draw.sheet_pen import PT_PER_MM, Face, Pen, fitted, text_width_mm
from mudcap.draw.style import GREY, STYLES
from mudcap.orchard.model import TreeRows
from mudcap.plan.model import Plan

SITE_PT: Final = (8.0, 7.0, 6.0)
"""Sizes tried for site numbers; 6 pt is the smallest that can be read outdoors (common practice, no source)."""
ROW_PT: Final = 6.0
NAME_PT: Final = 6.5
ROW_REACH_MM: Final = 7.0
"""How far beyond a row's end its number may stand; where that is taken it stands on the row itself, near its end."""
ROW_INWARD_MM: Final = 25.0
LINE_EM: Final = 1.15
TREE_DOTS_FROM_MM: Final = 1.1
_OWN_ONLY: Final = frozenset({"rows", "excluded"})
_NAMED: Final = ("gates", "hives", "hazards", "chemical_store", "keep_outs", "mud", "water", "closures", "forage", "roads")
_FEW: Final = ("gates", "hives", "chemical_store", "closures", "roads")
"""What is named on the overview; the rest is named on the blocks' own pages."""
_KEPT_CLEAR: Final = frozenset({"blocks", "roads", "gates", "hives", "hazards"})
"""On the overview, labels keep off these only."""
_HARD: Final = frozenset({"block", "block_outside", "road", "keep_out", "hives", "hazard", "chemical_store", "mud",
                          "mud_bad", "water", "ditch", "gate", "yard", "spray_lane"})  # fmt: skip
"""Styles over whose edges no label may lie."""


@dataclass(slots=True, kw_only=True)
class Drawn:
    """What a map page shows, for its legend, and what found no room."""

    keys: list[tuple[str, str]] = field(default_factory=list)
    """Style keys with their form (area, line, point), in order of drawing."""
    unlabelled: list[str] = field(default_factory=list)
    """Sites and rows without their number."""
    unnamed: list[str] = field(default_factory=list)
    """Features without their name."""
    row_step: int = 1
    """Every how many rows are numbered."""
    has_tree_dots: bool = False

    def note(self, key: str, form: str) -> None:
        """Remember for the legend what was drawn."""
        if (key, form) not in self.keys:
            self.keys.append((key, form))


@dataclass(slots=True, kw_only=True, frozen=True)
class Match:
    """A match line on the page, the unit direction beyond it, and what is said there."""

    line: LineString
    away: tuple[int, int]
    text: str


@dataclass(slots=True, kw_only=True, frozen=True)
class _Label:
    box: Box
    text: str
    size_pt: float
    face: Face


_RowEnd = tuple[int, tuple[float, float], tuple[float, float]]
"""Row number, end point on the page, unit vector away from the row."""


def draw_block(pen: Pen, plan: Plan, scene: Scene, view: View, block: int, matches: Sequence[Match] = ()) -> Drawn:
    """Draw one block's map: ground, rows, match lines, symbols, then numbers where there is room."""
    drawn = Drawn()
    ground = Ground(*view.frame.inner)
    window = view.frame.window
    labels: list[_Label] = []
    with pen.clipped(*window):
        for layer in scene.layers:
            if layer.shown and layer.key != "sites":
                _draw_layer(pen, plan, layer, view, block, ground, drawn)
        _draw_trees(pen, plan.orchard.blocks[block].rows, view, drawn)
        _draw_crosses(pen, view)
        for match in matches:
            pen.line(match.line.coords, width_mm=0.5, dash_mm=(5, 1.5))
        spots = _draw_sites(pen, plan, scene, view, block, ground, drawn)
    _take_window(ground, window)
    rows = plan.orchard.blocks[block].rows
    ends = list(_row_ends(rows, view)) if rows is not None else []
    placed, waiting = _row_labels(rows, ends, view, ground, drawn) if rows is not None and ends else ([], [])
    labels += placed
    ground.take_lines([match.line for match in matches], 0.5)
    labels += _match_labels(matches, ground)
    labels += _site_labels(spots, ground, drawn)
    labels += _inner_row_labels(waiting, ground, drawn)
    labels += _name_labels(scene, view, ground, drawn, block)
    for label in labels:
        _draw_label(pen, label)
    return drawn


def draw_overview(pen: Pen, plan: Plan, scene: Scene, view: View, names: dict[int, str]) -> Drawn:
    """Draw the whole ranch: blocks with the names and pages given for them, roads, features; sites as dots if apart."""
    drawn = Drawn()
    ground = Ground(*view.frame.inner)
    with pen.clipped(*view.frame.window):
        for layer in scene.layers:
            if layer.shown and layer.key not in ("sites", "rows", "excluded"):
                own = ground if layer.key in _KEPT_CLEAR else Ground(0, 0, 1, 1)
                _draw_layer(pen, plan, layer, view, None, own, drawn, 0.75)
        if plan.sites:
            pen.dots(view.to_page([(s.x_m, s.y_m) for s in plan.sites]), 0.25, GREY)
    _take_window(ground, view.frame.window)
    for label in [*_block_labels(plan, view, names, ground, drawn), *_name_labels(scene, view, ground, drawn, None, _FEW)]:
        _draw_label(pen, label)
    return drawn


def _draw_crosses(pen: Pen, view: View) -> None:
    """Pale crosses where index squares meet."""
    left, bottom, right, top = view.frame.window
    across, down = index_cells(view.frame)
    for i in range(1, across):
        for j in range(1, down):
            x, y = left + i * (right - left) / across, bottom + j * (top - bottom) / down
            pen.line([(x - 2, y), (x + 2, y)], width_mm=0.15, colour="#8a8a8a")
            pen.line([(x, y - 2), (x, y + 2)], width_mm=0.15, colour="#8a8a8a")


def _draw_layer(
    pen: Pen, plan: Plan, layer: Layer, view: View, block: int | None, ground: Ground, drawn: Drawn, size: float = 1.0
) -> None:
    window = view.frame.window
    reach = (window[0] - 3, window[1] - 3, window[2] + 3, window[3] + 3)
    for mark in layer.marks:
        if layer.key == "rows" and mark.index != block:
            continue
        shape = view.geometry(mark.geometry)
        if mark.style == "excluded":
            _draw_excluded(pen, plan, mark, view, block, drawn)
            continue
        shape = shapely.clip_by_rect(shape, *reach)
        if shape.is_empty:
            continue
        key = "block_outside" if mark.style == "block" and block is not None and mark.index != block else mark.style
        for part in _parts(shape):
            _draw_part(pen, part, key, window, ground, size)
            if key != "setback" and part.intersects(shapely.box(*window)):
                drawn.note(key, {"Polygon": "area", "Point": "point"}.get(part.geom_type, "line"))


def _draw_part(
    pen: Pen, part: BaseGeometry, key: str, window: tuple[float, float, float, float], ground: Ground, size: float
) -> None:
    style = replace(STYLES[key], size_mm=STYLES[key].size_mm * size)
    if part.geom_type == "Polygon":
        pen.area(part, style, window)
        edges = [part.boundary]
    elif part.geom_type == "Point":
        pen.symbol(part.x, part.y, style)
        ground.take(Box(x=part.x, y=part.y, width=style.size_mm, height=style.size_mm), gap_mm=0.3)
        return
    else:
        pen.way(part, style)
        edges = [part]
    if key in _HARD:
        ground.take_lines(edges, style.casing_mm + style.width_mm)


def _draw_excluded(pen: Pen, plan: Plan, mark: Mark, view: View, block: int | None, drawn: Drawn) -> None:
    candidates = plan.candidates
    own = (plan.candidates.reasons == mark.index) & ((candidates.block == block) if block is not None else True)
    points = _in_window(view.to_page(candidates.xy[own]), view) if own.any() else np.empty((0, 2))
    if len(points):
        pen.crosses(points, STYLES["excluded"])
        drawn.note("excluded", "point")


def _draw_trees(pen: Pen, rows: TreeRows | None, view: View, drawn: Drawn) -> None:
    """A dot for each tree and a larger one for every tenth, where the scale leaves room to count them."""
    if rows is None or rows.tree_spacing_m * 1000 / view.scale < TREE_DOTS_FROM_MM:
        return
    tenth = rows.tree_number % 10 == 0
    for pick, radius, colour in ((~tenth, 0.14, "#8f8f8f"), (tenth, 0.32, "#555555")):
        points = _in_window(view.to_page(rows.tree_xy[pick]), view) if pick.any() else np.empty((0, 2))
        if len(points):
            pen.dots(points, radius, colour)
            drawn.has_tree_dots = True


def _draw_sites(
    pen: Pen, plan: Plan, scene: Scene, view: View, block: int, ground: Ground, drawn: Drawn
) -> list[tuple[float, float, str, str, float]]:
    """Draw the block's symbols; their places, numbers, addresses and half-widths."""
    layer = scene.layer("sites")
    own = plan.site_index(plan.orchard.blocks[block].block_id)
    if layer is None or not len(own):
        return []
    places = view.to_page([(plan.sites[i].x_m, plan.sites[i].y_m) for i in own])
    left, bottom, right, top = view.frame.window
    spots = []
    for mark, (x, y) in zip(layer.marks[own.start : own.stop], places, strict=True):
        style = STYLES[mark.style]
        half = style.size_mm / 2
        if not (left + half <= x <= right - half and bottom + half <= y <= top - half):
            continue
        pen.symbol(x, y, style)
        ground.take(Box(x=x, y=y, width=style.size_mm + style.width_mm, height=style.size_mm + style.width_mm), gap_mm=0.15)
        drawn.note(mark.style, "point")
        spots.append((float(x), float(y), mark.label, plan.sites[mark.index].address, half))
    return spots


def _match_labels(matches: Sequence[Match], ground: Ground) -> Iterator[_Label]:
    """What follows beyond each match line, said twice along it where there is room."""
    for match in matches:
        width, height = _extent(match.text, NAME_PT, "slant")
        turn = 90.0 if match.away[0] else 0.0
        for shares in ((0.15, 0.2, 0.1, 0.25, 0.3, 0.05, 0.4), (0.85, 0.8, 0.9, 0.75, 0.7, 0.95, 0.6)):
            places = [
                box
                for share in shares
                for box in places_beyond(_along(match.line, share), match.away, width, height, turn, 4.0)
            ]
            box = ground.first_free(places)
            if box is not None:
                yield _Label(box=box, text=match.text, size_pt=NAME_PT, face="slant")


def _along(line: LineString, share: float) -> tuple[float, float]:
    point = line.interpolate(share, normalized=True)
    return float(point.x), float(point.y)


def _site_labels(
    spots: list[tuple[float, float, str, str, float]], ground: Ground, drawn: Drawn
) -> Iterator[_Label]:
    waiting = spots
    for size in SITE_PT:
        left_over = []
        for spot in sorted(waiting, key=lambda s: _room(s, ground, size)):
            x, y, text, _address, half = spot
            width, height = _extent(text, size, "bold")
            box = ground.first_free(places_around(x, y, half, width, height))
            if box is None:
                left_over.append(spot)
            else:
                yield _Label(box=box, text=text, size_pt=size, face="bold")
        waiting = left_over
    drawn.unlabelled += [f"{text} ({address})" for _x, _y, text, address, _half in waiting]


def _room(spot: tuple[float, float, str, str, float], ground: Ground, size: float) -> int:
    """How many places a site's number has: those with few choose first."""
    x, y, text, _address, half = spot
    return sum(ground.is_free(box) for box in places_around(x, y, half, *_extent(text, size, "bold")))


def _row_labels(
    rows: TreeRows, ends: Sequence[_RowEnd], view: View, ground: Ground, drawn: Drawn
) -> tuple[list[_Label], list[tuple[_RowEnd, float]]]:
    """Row numbers beyond both ends of what the window shows of each row, and the ends that found no room there."""
    widest = max((str(n) for n in rows.row_number), key=len)
    width, height = _extent(widest, ROW_PT, "plain")
    pitch = rows.row_spacing_m * 1000 / view.scale
    away = ends[len(ends) // 2][2]
    level = width * abs(away[1]) + height * abs(away[0])
    drawn.row_step = next(k for k in (1, 2, 5, 10, 20, 50, 100, 1000) if pitch * k >= height + 0.6)
    turned = level + 0.6 > pitch * drawn.row_step
    edges = {int(rows.row_number[0]), int(rows.row_number[-1])}
    labels: list[_Label] = []
    waiting: list[tuple[_RowEnd, float]] = []
    for number, end, direction in ends:
        if number % drawn.row_step and number not in edges:
            continue
        angle = _upright(math.degrees(math.atan2(direction[1], direction[0]))) if turned else 0.0
        size = _extent(str(number), ROW_PT, "plain")
        box = ground.first_free(places_beyond(end, direction, *size, angle, ROW_REACH_MM))
        if box is None:
            waiting.append(((number, end, direction), angle))
        else:
            labels.append(_Label(box=box, text=str(number), size_pt=ROW_PT, face="plain"))
    return labels, waiting


def _inner_row_labels(waiting: Sequence[tuple[_RowEnd, float]], ground: Ground, drawn: Drawn) -> Iterator[_Label]:
    """Numbers on the rows themselves, near their ends, where there was no room beyond them."""
    for (number, end, direction), angle in waiting:
        text = f"R{number}"
        size = _extent(text, ROW_PT, "plain")
        box = ground.first_free(places_beyond(end, (-direction[0], -direction[1]), *size, angle, ROW_INWARD_MM))
        if box is None:
            drawn.unlabelled.append(text)
        else:
            yield _Label(box=box, text=text, size_pt=ROW_PT, face="plain")


def _row_ends(rows: TreeRows, view: View) -> Iterator[_RowEnd]:
    """Row number, end point on the page, unit vector away from the row; two for each row in the window."""
    for number, line in zip(rows.row_number, rows.row_line, strict=True):
        pieces = shapely.clip_by_rect(view.geometry(line), *view.frame.window)
        coords = [np.asarray(p.coords) for p in _parts(pieces) if p.geom_type == "LineString" and p.length > 0.5]
        if not coords:
            continue
        for end, inner in ((coords[0][0], coords[0][1]), (coords[-1][-1], coords[-1][-2])):
            delta = end - inner
            length = float(np.hypot(*delta)) or 1.0
            yield int(number), (float(end[0]), float(end[1])), (float(delta[0]) / length, float(delta[1]) / length)


def _name_labels(
    scene: Scene, view: View, ground: Ground, drawn: Drawn, block: int | None, named: Sequence[str] = _NAMED
) -> Iterator[_Label]:
    window = shapely.box(*view.frame.window)
    for key in named:
        layer = scene.layer(key)
        for mark in layer.marks if layer and layer.shown else ():
            words = f"{mark.label} ({mark.note})" if key == "closures" and mark.note else mark.label or mark.note
            visible = view.geometry(mark.geometry).intersection(window)
            if mark.style == "setback" or not words.strip() or visible.is_empty:
                continue
            texts = dict.fromkeys(fitted(w, 72.0, NAME_PT, "slant") for w in (words, mark.label) if w.strip())
            yield from _place_name(tuple(texts), visible, ground, drawn, STYLES[mark.style].size_mm / 2)
    blocks = scene.layer("blocks")
    for mark in blocks.marks if blocks and block is not None else ():
        visible = view.geometry(mark.geometry).intersection(window)
        if mark.index != block and not visible.is_empty:
            yield from _place_name((fitted(mark.label, 48.0, NAME_PT, "slant"),), visible, ground, drawn, 0.0)


def _place_name(
    texts: Sequence[str], shape: BaseGeometry, ground: Ground, drawn: Drawn, half: float
) -> Iterator[_Label]:
    """The first of the texts that finds room."""
    for text in texts:
        box = ground.first_free(_name_places(shape, half, *_extent(text, NAME_PT, "slant")))
        if box is not None:
            yield _Label(box=box, text=text, size_pt=NAME_PT, face="slant")
            return
    drawn.unnamed.append(texts[0])


def _name_places(shape: BaseGeometry, half: float, width: float, height: float) -> Iterator[Box]:
    """Inside an area, along a line, beside a symbol; then around its bounds."""
    if shape.geom_type in ("LineString", "MultiLineString"):
        line = max(_parts(shape), key=lambda p: p.length)
        for share in (0.5, 0.35, 0.65, 0.2, 0.8, 0.1, 0.9):
            point = line.interpolate(share, normalized=True)
            yield from places_around(point.x, point.y, 1.0, width, height)
        return
    spot = shape.representative_point()
    if shape.geom_type == "Point":
        yield from places_around(spot.x, spot.y, half, width, height)
        return
    yield Box(x=spot.x, y=spot.y, width=width, height=height)
    left, bottom, right, top = shape.bounds
    yield from _inside_places(shape, width, height)
    across = (right - left) / 2
    x, y = (left + right) / 2, (bottom + top) / 2
    for gap in (1.0, 2.5, 5.0):
        yield Box(x=x, y=top + gap + height / 2, width=width, height=height)
        yield Box(x=x, y=bottom - gap - height / 2, width=width, height=height)
        yield Box(x=x + across + gap + width / 2, y=y, width=width, height=height)
        yield Box(x=x - across - gap - width / 2, y=y, width=width, height=height)


def _inside_places(shape: BaseGeometry, width: float, height: float) -> Iterator[Box]:
    """Places wholly inside an area, from its middle outward."""
    left, bottom, right, top = shape.bounds
    if right - left < width or top - bottom < height:
        return
    x, y = (g.ravel() for g in np.meshgrid(np.linspace(left, right, 13)[1:-1], np.linspace(bottom, top, 17)[1:-1]))
    boxes = shapely.box(x - width / 2, y - height / 2, x + width / 2, y + height / 2)
    inside = np.flatnonzero(shapely.contains(shape, boxes))
    middle = shape.centroid
    for k in inside[np.argsort(np.hypot(x[inside] - middle.x, y[inside] - middle.y), kind="stable")]:
        yield Box(x=float(x[k]), y=float(y[k]), width=width, height=height)


def _block_labels(plan: Plan, view: View, names: dict[int, str], ground: Ground, drawn: Drawn) -> Iterator[_Label]:
    """Name and pages of each block, inside it if at all possible."""
    for i, text in names.items():
        shape = view.geometry(plan.orchard.blocks[i].polygon)
        label = _inside_label(text, shape, ground) or _outside_label(text, shape, ground)
        if label is None:
            drawn.unnamed.append(text.replace("\n", " "))
        else:
            yield label


def _inside_label(text: str, shape: BaseGeometry, ground: Ground) -> _Label | None:
    for size in (9.0, 7.5, 6.5, 6.0):
        box = ground.first_free(_inside_places(shape, *_extent(text, size, "bold")))
        if box is not None:
            return _Label(box=box, text=text, size_pt=size, face="bold")
    return None


def _outside_label(text: str, shape: BaseGeometry, ground: Ground) -> _Label | None:
    line = text.replace("\n", " ")
    box = ground.first_free(_name_places(shape, 0.0, *_extent(line, 6.5, "bold")))
    return None if box is None else _Label(box=box, text=line, size_pt=6.5, face="bold")


def _draw_label(pen: Pen, label: _Label) -> None:
    """White ground, then the text: nothing is printed twice, so that it can be searched and copied."""
    box = label.box
    turn = math.radians(box.turn_deg)
    drop = DROP_EM * label.size_pt / PT_PER_MM if label.face == "slant" else 0.0
    down = box.height / 2 - drop
    x, y = box.x + down * math.sin(turn), box.y - down * math.cos(turn)
    corners = rotate(shapely.box(box.x - box.width / 2, box.y - box.height / 2, box.x + box.width / 2,
                                 box.y + box.height / 2), box.turn_deg, origin=(box.x, box.y))  # fmt: skip
    pen.fill(corners.exterior.coords, "#ffffff")
    lines = label.text.split("\n")
    for k, line in enumerate(reversed(lines)):
        up = k * LINE_EM * label.size_pt / PT_PER_MM
        pen.text(x, y + up, line, label.size_pt, face=label.face, anchor="middle", turn_deg=box.turn_deg)


def _extent(text: str, size_pt: float, face: Face) -> tuple[float, float]:
    """Width and height of a label's box [mm]; words have letters that reach below the line, numbers have none."""
    em = size_pt / PT_PER_MM
    height = DIGIT_HEIGHT_EM + (DROP_EM + 0.06 if face == "slant" else 0.02)
    lines = text.split("\n")
    return max(text_width_mm(line, size_pt, face) for line in lines) + 0.1, (height + (len(lines) - 1) * LINE_EM) * em


def _take_window(ground: Ground, window: tuple[float, float, float, float]) -> None:
    """The window's own edge is a line that no label may cross."""
    ground.take_lines([LineString(shapely.box(*window).exterior.coords)], 0.2)


def _in_window(points: NDArray[np.float64], view: View) -> NDArray[np.float64]:
    left, bottom, right, top = view.frame.window
    x, y = points[:, 0], points[:, 1]
    return points[(x > left) & (x < right) & (y > bottom) & (y < top)]


def _parts(geometry: BaseGeometry) -> Iterator[BaseGeometry]:
    for part in shapely.get_parts(geometry):
        if part.geom_type.startswith("Multi") or part.geom_type == "GeometryCollection":
            yield from _parts(part)
        elif not part.is_empty:
            yield part


def _upright(angle_deg: float) -> float:
    """The angle turned by 180° where the text would stand on its head."""
    return (angle_deg + 90) % 180 - 90
