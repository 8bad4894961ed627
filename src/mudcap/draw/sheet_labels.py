"""Numbers and names on a map page: rows at both headlands, sites beside their symbols, features where there is room."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
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
from mudcap.orchard.model import TreeRows
from mudcap.plan.model import Plan

SITE_TRIES: Final = ((8.0, 0.0), (7.5, 0.0), (7.0, 0.0), (7.5, 1.0), (7.0, 1.0), (7.0, 2.2))
"""Type size [pt] and ring [mm] tried in turn for site numbers: small beside the symbol before large farther off.

7 pt is the smallest that can be read outdoors (common practice, no source).
"""
LEADER_FROM_MM: Final = 0.75
"""A number farther from its symbol's edge than this gets a line to it."""
ROW_PT: Final = 7.0
NAME_PT: Final = 7.0
ROW_REACH_MM: Final = 11.0
"""How far beyond the rows' ends the line of their numbers may stand; where that is taken it stands on the rows, near their ends."""
ROW_INWARD_MM: Final = 16.0
_ROW_STEPS: Final = (1, 2, 5, 10, 20, 50, 100, 1000)
"""Every how many rows may be numbered."""
_ROW_GAP_MM: Final = 0.6
_IN_LINE: Final = 0.9
"""Where so many numbers of a side find room in one line, the rest are left out: a row is told by its neighbours."""
_IN_LINE_ON_ROWS: Final = 0.7
"""The same for a line on the rows, among the sites: near the ends before complete."""
_HALF_IN_LINE: Final = 0.4
"""Where fewer find room beyond the ends, the whole line stands on the rows."""
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
    box = ground.first_free(places_around(x, y, half, *_extent(text, size, "bold"), rings=(ring,)))
    if box is None:
        return None
    return Label(box=box, text=text, size_pt=size, face="bold", leader=_leader(x, y, half, box))


def _make_room(spot: Spot, placed: dict[Spot, Label], ground: Ground, hard: NDArray[np.bool_]) -> bool:
    """Place a number where just one other stands, if that one finds another place."""
    x, y, text, _address, half = spot
    size = SITE_TRIES[-1][0]
    for box in places_around(x, y, half, *_extent(text, size, "bold")):
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
    return sum(ground.is_free(box) for box in places_around(x, y, half, *_extent(text, size, "bold"), rings=(ring,)))


def row_labels(
    rows: TreeRows, ends: Sequence[RowEnd], view: View, foreign: BaseGeometry, ground: Ground, drawn: Drawn,
    only: frozenset[int] | None = None,
) -> tuple[list[Label], list[list[RowEnd]], float]:  # fmt: skip
    """Row numbers in a line beyond the ends of what the window shows of the rows, the sides that found no room there, the
    rows' distance.

    `foreign` (page millimetres) is ground of other blocks, in which a number would be taken for one of theirs; `only` are the
    rows to number, None = as many as there is room for.
    """
    shapely.prepare(foreign)
    pitch = rows.row_spacing_m * 1000 / view.scale
    always = _always(rows, only)
    labels: list[Label] = []
    waiting: list[list[RowEnd]] = []
    for side in (list(ends[0::2]), list(ends[1::2])):
        line = _best_line(_of_rows(side, only), pitch, always, ground, ROW_REACH_MM, foreign)
        if line.share < _HALF_IN_LINE:
            waiting.append(side)
            continue
        drawn.row_step = max(drawn.row_step, line.step) if only is None else 1
        placed, left = _placed_line(line, ground, foreign)
        labels += placed
        if line.share < _IN_LINE:  # no straight headland: each as near its own end as it can
            labels += _placed_alone(left, line.angle_deg, pitch, ground, foreign)
    return labels, waiting, pitch


def inner_row_labels(
    waiting: Sequence[Sequence[RowEnd]], numbered: Sequence[Label], rows: TreeRows, pitch: float, ground: Ground, drawn: Drawn,
    only: frozenset[int] | None = None,
) -> Iterator[Label]:  # fmt: skip
    """Numbers on the rows themselves, in a line near their ends, where there was no room beyond; rows that have none at either
    end are listed."""
    always = _always(rows, only)
    seen = {label.text for label in numbered}
    for side in waiting:
        inward = [(number, end, (-away[0], -away[1])) for number, end, away in _of_rows(side, only) if only is None or not seen]
        line = _best_line(inward, pitch, always, ground, ROW_INWARD_MM, None, "R", _IN_LINE_ON_ROWS)
        drawn.row_step = max(drawn.row_step, line.step) if only is None else 1
        placed, left = _placed_line(line, ground, None)
        yield from placed
        seen |= {label.text.removeprefix("R") for label in placed}
        if only is None:  # else a stop's name tells enough
            drawn.unlabelled += [f"R{number}" for number, _end, _away in left if str(number) not in seen and number % line.step == 0]


def _always(rows: TreeRows, only: frozenset[int] | None) -> frozenset[int]:
    """Rows that are numbered whatever the step: first and last, or those asked for."""
    return frozenset((int(rows.row_number[0]), int(rows.row_number[-1]))) if only is None else only


def _of_rows(side: Sequence[RowEnd], only: frozenset[int] | None) -> list[RowEnd]:
    return [end for end in side if only is None or end[0] in only]


@dataclass(frozen=True, slots=True, kw_only=True)
class _RowLine:
    """Row numbers of one side in one line: which, how turned, how far from the ends, and how many find room."""

    wanted: tuple[RowEnd, ...]
    step: int
    angle_deg: float
    off_mm: float
    share: float
    prefix: str

    def box(self, end: RowEnd) -> Box:
        """Where a row's number stands in the line."""
        number, (x, y), away = end
        size = _extent(f"{self.prefix}{number}", ROW_PT, "plain")
        d = self.off_mm + _depth(size, away, self.angle_deg)
        return Box(x=x + away[0] * d, y=y + away[1] * d, width=size[0], height=size[1], turn_deg=self.angle_deg)


def _best_line(
    side: Sequence[RowEnd], pitch: float, always: frozenset[int], ground: Ground, reach_mm: float, foreign: BaseGeometry | None,
    prefix: str = "", enough: float = _IN_LINE,
) -> _RowLine:  # fmt: skip
    """The first way to number a side in which `enough` of the numbers find room: all rows before every second, level before turned; else
    the way in which most do."""
    best: _RowLine | None = None
    for step, angle in _row_ways(side, pitch, prefix):
        wanted = tuple(sorted((e for e in side if e[0] % step == 0 or e[0] in always), key=lambda e: e[0] not in always))
        for off in np.arange(0.6, reach_mm, 0.5) if wanted else ():
            trial = _RowLine(wanted=wanted, step=step, angle_deg=angle, off_mm=float(off), share=0.0, prefix=prefix)
            free = sum(_may_stand(trial.box(e), ground, foreign) for e in wanted)
            trial = replace(trial, share=free / len(wanted))
            if trial.share >= enough:
                return trial
            if best is None or trial.share > best.share:
                best = trial
    return best or _RowLine(wanted=(), step=1, angle_deg=0.0, off_mm=0.0, share=1.0, prefix=prefix)


def _row_ways(side: Sequence[RowEnd], pitch: float, prefix: str) -> Iterator[tuple[int, float]]:
    """Steps and angles at which numbers of rows in turn do not meet."""
    if not side:
        return
    away = side[len(side) // 2][2]
    width, height = _extent(prefix + str(max(number for number, _end, _away in side)), ROW_PT, "plain")
    level = width * abs(away[1]) + height * abs(away[0])
    turned = _upright(math.degrees(math.atan2(away[1], away[0])))
    ways = [(step, angle) for step in _ROW_STEPS for angle, wide in ((0.0, level), (turned, height)) if wide + _ROW_GAP_MM <= pitch * step]
    yield from ways[:5]


def _placed_line(line: _RowLine, ground: Ground, foreign: BaseGeometry | None) -> tuple[list[Label], list[RowEnd]]:
    """The numbers that find room in the line, and the row ends that do not."""
    labels, left = [], []
    for end in line.wanted:
        box = line.box(end)
        if _may_stand(box, ground, foreign):
            ground.take(box, gap_mm=0.2)
            labels.append(Label(box=box, text=f"{line.prefix}{end[0]}", size_pt=ROW_PT, face="plain"))
        else:
            left.append(end)
    return labels, left


def _placed_alone(ends: Sequence[RowEnd], angle: float, pitch: float, ground: Ground, foreign: BaseGeometry) -> Iterator[Label]:
    for number, end, away in ends:
        size = _extent(str(number), ROW_PT, "plain")
        places = _row_places(end, away, size, angle, ROW_REACH_MM, pitch)
        box = ground.first_free(b for b in places if not shapely.intersects_xy(foreign, b.x, b.y))
        if box is not None:
            yield Label(box=box, text=str(number), size_pt=ROW_PT, face="plain")


def _may_stand(box: Box, ground: Ground, foreign: BaseGeometry | None) -> bool:
    return ground.is_free(box) and (foreign is None or not shapely.intersects_xy(foreign, box.x, box.y))


def _depth(size: tuple[float, float], away: tuple[float, float], angle: float) -> float:
    """Half of what a text so turned takes in the direction `away`."""
    turn = math.radians(angle)
    along, across = abs(away[0] * math.cos(turn) + away[1] * math.sin(turn)), abs(away[1] * math.cos(turn) - away[0] * math.sin(turn))
    return min(size[0] / 2 / max(along, 1e-9), size[1] / 2 / max(across, 1e-9))


def _row_places(
    end: tuple[float, float], away: tuple[float, float], size: tuple[float, float], angle: float, reach_mm: float, pitch: float
) -> Iterator[Box]:
    """Places on a row's own line, `away` from its end; then as far beside it as no other row is nearer."""
    turn = math.radians(angle)
    along, across = abs(away[0] * math.cos(turn) + away[1] * math.sin(turn)), abs(away[1] * math.cos(turn) - away[0] * math.sin(turn))
    free = (pitch - size[0] * across - size[1] * along) / 2 - 0.1
    for shift in (0.0, 0.5 * free, -0.5 * free, free, -free) if free > CELL_MM else (0.0,):
        start = (end[0] - away[1] * shift, end[1] + away[0] * shift)
        yield from places_beyond(start, away, *size, angle, reach_mm)


def row_ends(rows: TreeRows, view: View) -> Iterator[RowEnd]:
    """Row number, end point on the page, unit vector away from the row; two for each row in the window."""
    for number, line in zip(rows.row_number, rows.row_line, strict=True):
        pieces = shapely.clip_by_rect(view.geometry(line), *view.frame.window)
        coords = [np.asarray(p.coords) for p in parts_of(pieces) if p.geom_type == "LineString" and p.length > 0.5]
        if not coords:
            continue
        for end, inner in ((coords[0][0], coords[0][1]), (coords[-1][-1], coords[-1][-2])):
            delta = end - inner
            length = float(np.hypot(*delta)) or 1.0
            yield int(number), (float(end[0]), float(end[1])), (float(delta[0]) / length, float(delta[1]) / length)


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
    size = _extent(key, CAUTION_PT, "bold")
    return _name_afar(key, shape, ground, half, CAUTION_PT, "bold") or Label(
        box=Box(x=spot.x, y=spot.y, width=size[0], height=size[1]), text=key, size_pt=CAUTION_PT, face="bold"
    )


def _name_afar(text: str, shape: BaseGeometry, ground: Ground, half: float, size_pt: float, face: Face) -> Label | None:
    """A name that stands apart, with a line to what it names."""
    spot = shape.representative_point()
    box = ground.first_free(places_around(spot.x, spot.y, half, *_extent(text, size_pt, face), rings=_CAUTION_RINGS))
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
        box = ground.first_free(_name_places(shape, half, *_extent(text, NAME_PT, "slant")))
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
        turn = _upright(math.degrees(math.atan2(b.y - a.y, b.x - a.x)))
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


def block_labels(plan: Plan, view: View, names: dict[int, str], ground: Ground, drawn: Drawn) -> Iterator[Label]:
    """Name and pages of each block, inside it if at all possible."""
    for i, text in names.items():
        shape = view.geometry(plan.orchard.blocks[i].polygon)
        flat = text.replace("\n", " ")
        label = _inside_label(text, shape, ground) or _inside_label(flat, shape, ground) or _outside_label(flat, shape, ground)
        if label is None:
            drawn.unnamed.append(flat)
        else:
            yield label


def _inside_label(text: str, shape: BaseGeometry, ground: Ground) -> Label | None:
    for size in (9.0, 8.0, 7.0):
        box = ground.first_free(_inside_places(shape, *_extent(text, size, "bold")))
        if box is not None:
            return Label(box=box, text=text, size_pt=size, face="bold")
    return None


def _outside_label(text: str, shape: BaseGeometry, ground: Ground) -> Label | None:
    box = ground.first_free(_name_places(shape, 0.0, *_extent(text, NAME_PT, "bold")))
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


def _extent(text: str, size_pt: float, face: Face) -> tuple[float, float]:
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


def _upright(angle_deg: float) -> float:
    """The angle turned by 180° where the text would stand on its head; exactly a quarter turn where it is as good as one."""
    nearest = round(angle_deg / 90) * 90
    return 90 - (90 - (nearest if abs(angle_deg - nearest) < 0.5 else angle_deg)) % 180
