"""Row numbers on a map page: in one line beyond the rows' ends, or on the rows near them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from mudcap.draw.labels import CELL_MM, Box, Ground, places_beyond
from mudcap.draw.sheet_labels import Drawn, Label, RowEnd, extent, parts_of, upright
from mudcap.draw.sheet_layout import View
from mudcap.orchard.model import TreeRows

# the shares and lengths below are ours, found by looking at pages
ROW_PT: Final = 7.0
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
    return frozenset(rows.row_number[[0, -1]].tolist() if len(rows.row_number) else ()) if only is None else only


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
        size = extent(f"{self.prefix}{number}", ROW_PT, "plain")
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
    width, height = extent(prefix + str(max(number for number, _end, _away in side)), ROW_PT, "plain")
    level = width * abs(away[1]) + height * abs(away[0])
    turned = upright(math.degrees(math.atan2(away[1], away[0])))
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
        size = extent(str(number), ROW_PT, "plain")
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
