"""Numbers and names on a map page: sites beside their symbols, features where there is room."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString
from shapely.geometry.base import BaseGeometry

from mudcap.draw.labels import CELL_MM, DIGIT_HEIGHT_EM, DROP_EM, Box, Ground, places_around, places_beyond
from mudcap.draw.scene import Scene
from mudcap.draw.sheet_layout import View
from mudcap.draw.sheet_pen import PT_PER_MM, Face, Pen, fitted, text_width_mm
from mudcap.draw.style import STYLES
from mudcap.plan.model import Plan

SITE_TRIES: Final = ((8.0, 0.0), (7.5, 0.0), (7.0, 0.0), (7.5, 1.0), (7.0, 1.0), (7.0, 2.2))
"""Type size [pt] and ring [mm] tried in turn for site numbers: small beside the symbol before large farther off.

7 pt is the smallest that can be read outdoors (common practice, no source).
"""
LEADER_FROM_MM: Final = 0.75
"""A number farther from its symbol's edge than this gets a line to it."""
NAME_PT: Final = 7.0
LINE_EM: Final = 1.15
CAUTIONS: Final = ("closures", "hazards", "chemical_store", "hives", "keep_outs")
"""What must never be lost: named before all else, under the map where there is no room on it."""
CAUTION_PT: Final = 8.0
_CAUTION_RINGS: Final = (0.0, *(1.0 + 1.6 * k for k in range(16)))
"""How far from it [mm] a caution's name may stand, with a line to it."""
_NAMED: Final = (*CAUTIONS, "puddles", "release", "gates", "mud", "water", "forage", "roads")
_ALONG: Final = (0.5, 0.35, 0.65, 0.2, 0.8, 0.1, 0.9, 0.0, 1.0)
"""Shares of a line's length at which its name may stand, the best first."""
FEW_NAMES: Final = ("closures", "chemical_store", "hives", "gates", "roads")
"""What is named on the overview; the rest is named on the blocks' own pages."""


@dataclass(slots=True, kw_only=True)
class Drawn:
    """What a map page shows, for its legend, and what found no room."""

    keys: list[tuple[str, str]] = field(default_factory=list)
    """Style keys with their form (area, line, point), in order of drawing."""
    unlabelled: list[str] = field(default_factory=list)
    """Sites and rows without their number."""
    unnamed: list[str] = field(default_factory=list)
    """Features without their name."""
    warned: list[tuple[str, str]] = field(default_factory=list)
    """Closures, hazards and the like that are not told whole on the map: name, and all that is said of it; each begins with the key
    that stands there, if no name does."""
    row_step: int = 1
    """Every how many rows are numbered."""
    has_tree_dots: bool = False
    has_site_dots: bool = False
    """Sites as specks, on the overview."""
    is_numbered: bool = True
    """Whether sites are meant to have their numbers."""

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
class Label:
    """A text with the box it stands in."""

    box: Box
    text: str
    size_pt: float
    face: Face
    leader: tuple[tuple[float, float], tuple[float, float]] | None = None
    """A thin line from the symbol, where the text stands apart from it."""


Spot = tuple[float, float, str, str, float]
"""A site on the page: place, number, address, half its symbol's width."""


RowEnd = tuple[int, tuple[float, float], tuple[float, float]]
"""Row number, end point on the page, unit vector away from the row."""


def match_labels(matches: Sequence[Match], ground: Ground) -> Iterator[Label]:
    """What follows beyond each match line, said twice along it where there is room."""
    for match in matches:
        width, height = extent(match.text, NAME_PT, "slant")
        turn = 90.0 if match.away[0] else 0.0
        for shares in ((0.15, 0.2, 0.1, 0.25, 0.3, 0.05, 0.4), (0.85, 0.8, 0.9, 0.75, 0.7, 0.95, 0.6)):
            places = [
                box
                for share in shares
                for box in places_beyond(_along(match.line, share), match.away, width, height, turn, 4.0)
            ]
            box = ground.first_free(places)
            if box is not None:
                ground.take(box, gap_mm=1.2)
                yield Label(box=box, text=match.text, size_pt=NAME_PT, face="slant")


def _along(line: LineString, share: float) -> tuple[float, float]:
    point = line.interpolate(share, normalized=True)
    return float(point.x), float(point.y)


def site_labels(spots: Sequence[Spot], ground: Ground, drawn: Drawn) -> list[Label]:
    """Site numbers beside their symbols; those that find no room are listed."""
    hard = ground.taken.copy()
    placed: dict[Spot, Label] = {}
    waiting = list(spots)
    for size, ring in SITE_TRIES:
        for spot in sorted(waiting, key=lambda s: _room(s, ground, size, ring)):
            label = _beside(spot, size, ring, ground)
            if label is not None:
                placed[spot] = label
        waiting = [s for s in waiting if s not in placed]
    for spot in waiting:
        if not _make_room(spot, placed, ground, hard):
            drawn.unlabelled.append(f"{spot[2]} ({spot[3]})")
    return list(placed.values())


def _beside(spot: Spot, size: float, ring: float, ground: Ground) -> Label | None:
    x, y, text, _address, half = spot
    box = ground.first_free(places_around(x, y, half, *extent(text, size, "bold"), rings=(ring,)))
    if box is None:
        return None
    return Label(box=box, text=text, size_pt=size, face="bold", leader=_leader(x, y, half, box))


def _make_room(spot: Spot, placed: dict[Spot, Label], ground: Ground, hard: NDArray[np.bool_]) -> bool:
    """Place a number where just one other stands, if that one finds another place."""
    x, y, text, _address, half = spot
    size = SITE_TRIES[-1][0]
    for box in places_around(x, y, half, *extent(text, size, "bold")):
        blockers = [s for s, label in placed.items() if _touch(label.box, box)]
        if len(blockers) != 1:
            continue
        ground.taken[:] = hard
        for other, label in placed.items():
            if other != blockers[0]:
                ground.take(label.box)
        if ground.first_free([box]) is not None:
            moved = next((m for t in SITE_TRIES if (m := _beside(blockers[0], *t, ground)) is not None), None)
            if moved is not None:
                placed[blockers[0]] = moved
                placed[spot] = Label(box=box, text=text, size_pt=size, face="bold", leader=_leader(x, y, half, box))
                return True
    ground.taken[:] = hard
    for label in placed.values():
        ground.take(label.box)
    return False


def _touch(a: Box, b: Box) -> bool:
    """Whether two upright boxes may share a raster cell."""
    return (
        abs(a.x - b.x) <= (a.width + b.width) / 2 + 2 * CELL_MM
        and abs(a.y - b.y) <= (a.height + b.height) / 2 + 2 * CELL_MM
    )


def _leader(x: float, y: float, half: float, box: Box) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """A line from a symbol's edge to its number, where that stands apart."""
    to_x = min(max(x, box.x - box.width / 2), box.x + box.width / 2)
    to_y = min(max(y, box.y - box.height / 2), box.y + box.height / 2)
    distance = math.hypot(to_x - x, to_y - y)
    if distance <= half + LEADER_FROM_MM:
        return None
    return (x + (to_x - x) * half / distance, y + (to_y - y) * half / distance), (to_x, to_y)


def _room(spot: Spot, ground: Ground, size: float, ring: float) -> int:
    """How many places a site's number has: those with few choose first."""
    x, y, text, _address, half = spot
    return sum(ground.is_free(box) for box in places_around(x, y, half, *extent(text, size, "bold"), rings=(ring,)))


def name_labels(
    scene: Scene, view: View, ground: Ground, drawn: Drawn, block: int | None, named: Sequence[str] = _NAMED
) -> Iterator[Label]:
    """Names of features and, on a block's page, of the neighbouring blocks."""
    window = shapely.box(*view.frame.window)
    for key in named:
        layer = scene.layer(key)
        for mark in layer.marks if layer and layer.shown else ():
            words = f"{mark.label}\n({mark.note})" if key == "closures" and mark.note else mark.label or mark.note
            visible = view.geometry(mark.geometry).intersection(window)
            if mark.style == "setback" or not words.strip() or visible.is_empty:
                continue
            texts = dict.fromkeys(_fitted_lines(w) for w in (words, mark.label) if w.strip())
            if key in CAUTIONS:
                yield _caution(tuple(texts), words, visible, ground, drawn, STYLES[mark.style].size_mm / 2)
                continue
            yield from _place_name(tuple(texts), visible, ground, drawn, STYLES[mark.style].size_mm / 2)
    blocks = scene.layer("blocks")
    for mark in blocks.marks if blocks and block is not None else ():
        visible = view.geometry(mark.geometry).intersection(window)
        if mark.index != block and not visible.is_empty:
            yield from _place_name((fitted(mark.label, 48.0, NAME_PT, "slant"),), visible, ground, drawn, 0.0)


def _caution(
    texts: Sequence[str], words: str, shape: BaseGeometry, ground: Ground, drawn: Drawn, half: float
) -> Label:
    """The name of what must not be lost, else a key to it; what the map does not tell whole is kept for the lines below it."""
    name, told = texts[-1].replace("\n", " "), words.replace("\n", " ")
    found = next(_place_name(texts, shape, ground, Drawn(), half), None) or _name_afar(texts[-1], shape, ground, half, NAME_PT, "slant")
    if found is not None:
        if found.text != texts[0]:
            drawn.warned.append((name, told))
        return found
    key = f"!{1 + sum(each.startswith('!') for each, _told in drawn.warned)}"
    drawn.warned.append((f"{key} {name}", f"{key} {told}"))
    spot = shape.representative_point()
    size = extent(key, CAUTION_PT, "bold")
    return _name_afar(key, shape, ground, half, CAUTION_PT, "bold") or Label(
        box=Box(x=spot.x, y=spot.y, width=size[0], height=size[1]), text=key, size_pt=CAUTION_PT, face="bold"
    )


def _name_afar(text: str, shape: BaseGeometry, ground: Ground, half: float, size_pt: float, face: Face) -> Label | None:
    """A name that stands apart, with a line to what it names."""
    spot = shape.representative_point()
    box = ground.first_free(places_around(spot.x, spot.y, half, *extent(text, size_pt, face), rings=_CAUTION_RINGS))
    if box is None:
        return None
    return Label(box=box, text=text, size_pt=size_pt, face=face, leader=_leader(spot.x, spot.y, min(half, 1.0), box))


def _fitted_lines(text: str) -> str:
    return "\n".join(fitted(line, 84.0, NAME_PT, "slant") for line in text.split("\n"))


def _place_name(
    texts: Sequence[str], shape: BaseGeometry, ground: Ground, drawn: Drawn, half: float
) -> Iterator[Label]:
    """The first of the texts that finds room."""
    for text in texts:
        box = ground.first_free(_name_places(shape, half, *extent(text, NAME_PT, "slant")))
        if box is not None:
            yield Label(box=box, text=text, size_pt=NAME_PT, face="slant")
            return
    drawn.unnamed.append(texts[0].replace("\n", " "))


def _name_places(shape: BaseGeometry, half: float, width: float, height: float) -> Iterator[Box]:
    """Inside an area, along a line, beside a symbol; then around its bounds."""
    if shape.geom_type in ("LineString", "MultiLineString"):
        line = max(parts_of(shape), key=lambda p: p.length)
        for share in _ALONG:
            point = line.interpolate(share, normalized=True)
            yield from places_around(point.x, point.y, 1.0, width, height)
        if width < line.length:
            yield from _along_places(line, width, height)
        return
    spot = shape.representative_point()
    if shape.geom_type == "Point":
        yield from places_around(spot.x, spot.y, half, width, height, rings=(0.0, 1.0, 2.2))
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


def _along_places(line: LineString, width: float, height: float) -> Iterator[Box]:
    """Places beside a line that run along it."""
    for share in _ALONG:
        middle = share * (line.length - width) + width / 2
        a, b, point = (line.interpolate(d) for d in (middle - width / 2, middle + width / 2, middle))
        turn = upright(math.degrees(math.atan2(b.y - a.y, b.x - a.x)))
        up = math.radians(turn + 90)
        for far in (k * side for k in (1.6 + height / 2, 2.6 + height / 2, 3.6 + height / 2) for side in (1, -1)):
            yield Box(x=point.x + far * math.cos(up), y=point.y + far * math.sin(up), width=width, height=height, turn_deg=turn)


def _inside_places(shape: BaseGeometry, width: float, height: float) -> Iterator[Box]:
    """Places wholly inside an area, from its middle outward."""
    left, bottom, right, top = shape.bounds
    if right - left < width or top - bottom < height:
        return
    across, up = (int(np.clip((b - a - side) / 0.5, 11, 41)) for a, b, side in ((left, right, width), (bottom, top, height)))
    x, y = (
        g.ravel()
        for g in np.meshgrid(
            np.linspace(left + width / 2, right - width / 2, across), np.linspace(bottom + height / 2, top - height / 2, up)
        )
    )
    boxes = shapely.box(x - width / 2, y - height / 2, x + width / 2, y + height / 2)
    inside = np.flatnonzero(shapely.contains(shape, boxes))
    middle = shape.centroid
    for k in inside[np.argsort(np.hypot(x[inside] - middle.x, y[inside] - middle.y), kind="stable")]:
        yield Box(x=float(x[k]), y=float(y[k]), width=width, height=height)


def block_labels(plan: Plan, view: View, names: dict[int, str], codes: dict[int, str], ground: Ground, drawn: Drawn) -> list[Label]:
    """Name and pages of each block, inside it if at all possible; where not all find room, those that do not stand inside give way to
    codes, which the index explains."""
    shapes = {i: view.geometry(plan.orchard.blocks[i].polygon) for i in names}
    before = ground.taken.copy()
    labels = {i: _inside_named(text, shapes[i], ground) or _outside_label(text, shapes[i], ground) for i, text in names.items()}
    if None in labels.values():
        ground.taken[:] = before
        labels = {i: _inside_named(text, shapes[i], ground) for i, text in names.items()}
        for i in (i for i, label in labels.items() if label is None):
            labels[i] = _inside_named(codes[i], shapes[i], ground) or _outside_label(codes[i], shapes[i], ground)
    drawn.unnamed += [names[i].replace("\n", " ") for i, label in labels.items() if label is None]
    return [label for label in labels.values() if label is not None]


def _inside_named(text: str, shape: BaseGeometry, ground: Ground) -> Label | None:
    return _inside_label(text, shape, ground) or _inside_label(text.replace("\n", " "), shape, ground)


def _inside_label(text: str, shape: BaseGeometry, ground: Ground) -> Label | None:
    for size in (9.0, 8.0, 7.0):
        box = ground.first_free(_inside_places(shape, *extent(text, size, "bold")))
        if box is not None:
            return Label(box=box, text=text, size_pt=size, face="bold")
    return None


def _outside_label(text: str, shape: BaseGeometry, ground: Ground) -> Label | None:
    text = text.replace("\n", " ")
    box = ground.first_free(_name_places(shape, 0.0, *extent(text, NAME_PT, "bold")))
    return None if box is None else Label(box=box, text=text, size_pt=NAME_PT, face="bold")


def draw_label(pen: Pen, label: Label) -> None:
    """White ground, then the text: nothing is printed twice, so that it can be searched and copied."""
    box = label.box
    turn = math.radians(box.turn_deg)
    drop = DROP_EM * label.size_pt / PT_PER_MM if _drops(label.text, label.face) else 0.0
    down = box.height / 2 - drop
    x, y = box.x + down * math.sin(turn), box.y - down * math.cos(turn)
    cos, sin = math.cos(turn), math.sin(turn)
    halves = [(a * box.width / 2, b * box.height / 2) for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    pen.fill([(box.x + u * cos - v * sin, box.y + u * sin + v * cos) for u, v in halves], "#ffffff")
    if label.leader is not None:
        pen.line(label.leader, width_mm=0.2)
    lines = label.text.split("\n")
    for k, line in enumerate(reversed(lines)):
        up = k * LINE_EM * label.size_pt / PT_PER_MM
        pen.text(x, y + up, line, label.size_pt, face=label.face, anchor="middle", turn_deg=box.turn_deg)


def extent(text: str, size_pt: float, face: Face) -> tuple[float, float]:
    """Width and height of a label's box [mm]; words have letters that reach below the line, numbers have none."""
    em = size_pt / PT_PER_MM
    height = DIGIT_HEIGHT_EM + (DROP_EM + 0.06 if _drops(text, face) else 0.02)
    lines = text.split("\n")
    return max(text_width_mm(line, size_pt, face) for line in lines) + 0.1, (height + (len(lines) - 1) * LINE_EM) * em


def _drops(text: str, face: Face) -> bool:
    """Whether a label may have letters that reach below the line: names do, numbers of sites and rows do not."""
    return face == "slant" or not text.lstrip("R").isdigit()


def parts_of(geometry: BaseGeometry) -> Iterator[BaseGeometry]:
    """Points, lines and polygons that a geometry is made of, empty ones left out."""
    for part in shapely.get_parts(geometry):
        if part.geom_type.startswith("Multi") or part.geom_type == "GeometryCollection":
            yield from parts_of(part)
        elif not part.is_empty:
            yield part


def upright(angle_deg: float) -> float:
    """The angle turned by 180° where the text would stand on its head; exactly a quarter turn where it is as good as one."""
    nearest = round(angle_deg / 90) * 90
    return 90 - (90 - (nearest if abs(angle_deg - nearest) < 0.5 else angle_deg)) % 180
