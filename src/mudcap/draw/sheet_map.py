"""The map window of one page: the scene to scale, its numbers, and what could not be numbered."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import GeometryCollection, LineString
from shapely.geometry.base import BaseGeometry

from mudcap.draw.labels import Box, Ground
from mudcap.draw.scene import Layer, Mark, Scene
from mudcap.draw.sheet_labels import (
    FEW_NAMES,
    Drawn,
    Label,
    Match,
    Spot,
    block_labels,
    draw_label,
    match_labels,
    name_labels,
    parts_of,
    site_labels,
)
from mudcap.draw.sheet_layout import View, index_cells
from mudcap.draw.sheet_pen import Pen
from mudcap.draw.sheet_rows import inner_row_labels, row_ends, row_labels
from mudcap.draw.style import GREY, SITE_DOT_MM, STYLES, Style
from mudcap.orchard.model import TreeRows
from mudcap.plan.model import Plan

TREE_DOTS_FROM_MM: Final = 1.1
_HARD: Final = frozenset({"block", "block_outside", "road", "keep_out", "hives", "hazard", "chemical_store", "mud",
                          "mud_bad", "water", "ditch", "gate", "gate_locked", "yard", "spray_lane", "closure", "forage", "nozzles_off"})  # fmt: skip
"""Styles over whose edges no label may lie."""
_SOFT_ON_OVERVIEW: Final = frozenset({"spray_lane"})
"""On the overview, blocks that lanes cut up would have no room for their names otherwise."""


def draw_block(
    pen: Pen, plan: Plan, scene: Scene, view: View, block: int, matches: Sequence[Match] = (), *, is_numbered: bool = True,
    only_rows: frozenset[int] | None = None,
) -> Drawn:  # fmt: skip
    """Draw one block's map: ground, rows, match lines, symbols, then numbers where there is room.

    Without `is_numbered` rows alone are numbered, sites are not; `only_rows` are the rows to number, None = as many as fit.
    """
    drawn = Drawn(is_numbered=is_numbered)
    ground = Ground(*view.frame.inner)
    window = view.frame.window
    labels: list[Label] = []
    with pen.clipped(*window):
        for layer in scene.layers:
            if layer.shown and layer.key != "sites":
                _draw_layer(pen, plan, layer, view, block, ground, drawn)
        _draw_trees(pen, plan.orchard.blocks[block].rows, view, drawn)
        edge = shapely.clip_by_rect(view.geometry(plan.orchard.blocks[block].polygon).boundary, *_grown(window))
        if not edge.is_empty:
            pen.way(edge, STYLES["block"])
        _draw_crosses(pen, view)
        for match in matches:
            pen.line(match.line.coords, width_mm=0.5, dash_mm=(5, 1.5))
        spots = _draw_sites(pen, plan, scene, view, block, ground, drawn)
    _take_window(ground, window)
    ground.take_lines([match.line for match in matches], 0.5)
    foreign = view.geometry(shapely.union_all([b.polygon for i, b in enumerate(plan.orchard.blocks) if i != block]))
    rows = plan.orchard.blocks[block].rows
    ends = list(row_ends(rows, view)) if rows is not None else []
    placed, waiting, pitch = row_labels(rows, ends, view, foreign, ground, drawn, only_rows) if rows is not None and ends else ([], [], 0.0)
    labels += placed
    labels += match_labels(matches, ground)
    labels += site_labels(spots, ground, drawn) if is_numbered else []
    labels += inner_row_labels(waiting, placed, rows, pitch, ground, drawn, only_rows) if rows is not None else []
    ground.keep_within(*window)
    labels += name_labels(scene, view, ground, drawn, block)
    for label in labels:
        draw_label(pen, label)
    return drawn


def draw_overview(pen: Pen, plan: Plan, scene: Scene, view: View, names: dict[int, str], codes: dict[int, str]) -> Drawn:
    """Draw the whole ranch: blocks with the names (else codes) and pages given for them, roads, features; sites as dots if apart."""
    drawn = Drawn()
    ground = Ground(*view.frame.inner)
    with pen.clipped(*view.frame.window):
        for layer in scene.layers:
            if layer.shown and layer.key not in ("sites", "rows", "excluded"):
                _draw_layer(pen, plan, layer, view, None, ground, drawn, 0.55 if layer.key == "puddles" else 0.75)
        if plan.sites:
            pen.dots(view.to_page([(s.x_m, s.y_m) for s in plan.sites]), SITE_DOT_MM, GREY)
            drawn.has_site_dots = True
    _take_window(ground, view.frame.window)
    ground.keep_within(*view.frame.window)
    for label in [*block_labels(plan, view, names, codes, ground, drawn), *name_labels(scene, view, ground, drawn, None, FEW_NAMES)]:
        draw_label(pen, label)
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
    reach, face = _grown(window), shapely.box(*window)
    edges: dict[float, list[BaseGeometry]] = {}
    hard = _HARD if block is not None else _HARD - _SOFT_ON_OVERVIEW
    marks = [m for m in layer.marks if layer.key not in ("rows", "nozzles_off") or m.index == block]
    for mark, shape in zip(marks, _shapes(marks, view, reach), strict=True):
        if mark.style == "excluded":
            _draw_excluded(pen, plan, mark, view, block, drawn)
            continue
        if shape is None or shape.is_empty:
            continue
        key = "block_outside" if mark.style == "block" and block is not None and mark.index != block else mark.style
        for part in parts_of(shape):
            width = STYLES[key].casing_mm + STYLES[key].width_mm
            edges.setdefault(width, []).extend(_draw_part(pen, part, key, window, ground, size, hard))
            if part.intersects(face):
                drawn.note(key, _form(part, STYLES[key], size))
    for width, lines in edges.items():
        ground.take_lines([GeometryCollection(lines)], width)  # as one: much is done once a line


def _shapes(marks: Sequence[Mark], view: View, reach: tuple[float, float, float, float]) -> list[BaseGeometry | None]:
    """What shows of each mark on the page, all projected and cut in one go; None where its bounds come nowhere near."""
    geometries = np.array([mark.geometry for mark in marks], object)
    left, bottom, right, top = view.ground
    rim = 4 * view.scale / 1000  # a little more than `_grown`
    west, south, east, north = shapely.bounds(geometries).reshape(-1, 4).T
    near = (west <= right + rim) & (east >= left - rim) & (south <= top + rim) & (north >= bottom - rim)
    shapes = np.full(len(marks), None, object)
    if near.any():
        shapes[near] = shapely.clip_by_rect(shapely.transform(geometries[near], view.to_page), *reach)
    out: list[BaseGeometry | None] = shapes.tolist()
    return out


def _draw_part(
    pen: Pen, part: BaseGeometry, key: str, window: tuple[float, float, float, float], ground: Ground, size: float,
    hard: frozenset[str],
) -> list[BaseGeometry]:  # fmt: skip
    """Draw a part and give the lines of it over which no label may lie."""
    style = STYLES[key] if size == 1.0 else replace(STYLES[key], size_mm=STYLES[key].size_mm * size)
    if part.geom_type == "Polygon":
        pen.area(part, style, window)
        edges = [part.boundary]
        if _form(part, STYLES[key], size) == "point":
            part = part.representative_point()
    else:
        edges = [] if part.geom_type == "Point" else [part]
    if part.geom_type == "Point":
        pen.symbol(part.x, part.y, style)
        ground.take(Box(x=part.x, y=part.y, width=style.size_mm, height=style.size_mm), gap_mm=0.3)
    elif part.geom_type != "Polygon":
        pen.way(part, style)
    return edges if key in hard else []


def _form(part: BaseGeometry, style: Style, size: float) -> str:
    """How a part shows and what the legend has to explain: area, line or point, a small area being its symbol alone."""
    if part.geom_type != "Polygon":
        return "point" if part.geom_type == "Point" else "line"
    west, south, east, north = part.bounds
    # too small to be seen or told apart by its hatch
    return "point" if style.symbol and max(east - west, north - south) < style.size_mm * size else "area"


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
    points = view.to_page(rows.tree_xy)
    shown = _is_in_window(points, view)
    if shown.any():
        pen.trees(points[shown], rows.tree_number[shown] % 10 == 0)
        drawn.has_tree_dots = True


def _draw_sites(
    pen: Pen, plan: Plan, scene: Scene, view: View, block: int, ground: Ground, drawn: Drawn
) -> list[Spot]:
    """Draw the block's symbols; their places, numbers, addresses and half-widths."""
    layer = scene.layer("sites")
    own = plan.site_index(plan.orchard.blocks[block].block_id)
    if layer is None or not len(own):
        return []
    places = view.to_page([(plan.sites[i].x_m, plan.sites[i].y_m) for i in own])
    left, bottom, right, top = view.frame.window
    spots: list[Spot] = []
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


def _grown(window: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
    """The window with room for lines that end at its edge."""
    return window[0] - 3, window[1] - 3, window[2] + 3, window[3] + 3


def _take_window(ground: Ground, window: tuple[float, float, float, float]) -> None:
    """The window's own edge is a line that no label may cross."""
    ground.take_lines([LineString(shapely.box(*window).exterior.coords)], 0.2)


def _in_window(points: NDArray[np.float64], view: View) -> NDArray[np.float64]:
    return points[_is_in_window(points, view)]


def _is_in_window(points: NDArray[np.float64], view: View) -> NDArray[np.bool_]:
    left, bottom, right, top = view.frame.window
    x, y = points[:, 0], points[:, 1]
    return (x > left) & (x < right) & (y > bottom) & (y < top)
