"""Places labels so that none lies on another, on a symbol, or on a line that must stay readable.

A page is a raster of small squares; what is drawn is marked in it, and a label takes the first free place it is offered.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

CELL_MM: Final = 0.25
DIGIT_HEIGHT_EM: Final = 0.74
"""Height of digits and capitals of our type."""
DROP_EM: Final = 0.22
"""How far p and g reach below the line."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A rectangle on the page [mm], turned about its centre."""

    x: float
    y: float
    """Centre."""
    width: float
    height: float
    turn_deg: float = 0.0
    """Counter-clockwise."""


class Ground:
    """The part of a page on which labels may stand, and what is taken of it."""

    def __init__(self, left: float, bottom: float, right: float, top: float) -> None:
        self.left, self.bottom = left, bottom
        columns, rows = math.ceil((right - left) / CELL_MM), math.ceil((top - bottom) / CELL_MM)
        self.taken: NDArray[np.bool_] = np.zeros((max(rows, 1), max(columns, 1)), bool)

    def keep_within(self, left: float, bottom: float, right: float, top: float) -> None:
        """Mark all that lies outside a rectangle as taken."""
        inner = self.taken[
            max(math.ceil((bottom - self.bottom) / CELL_MM), 0) : max(math.floor((top - self.bottom) / CELL_MM), 0),
            max(math.ceil((left - self.left) / CELL_MM), 0) : max(math.floor((right - self.left) / CELL_MM), 0),
        ]
        free = inner.copy()
        self.taken[:] = True
        inner[:] = free

    def take_lines(self, lines: Sequence[BaseGeometry], width_mm: float) -> None:
        """Mark lines (page millimetres) of that width as taken."""
        for line in lines:
            if line.is_empty:
                continue
            points = shapely.get_coordinates(shapely.segmentize(line, CELL_MM))
            reach = math.ceil(width_mm / 2 / CELL_MM)
            cells = self._cells(points)
            for dx in range(-reach, reach + 1):
                for dy in range(-reach, reach + 1):
                    self._mark(cells + np.array([dy, dx]))

    def take(self, box: Box, gap_mm: float = 0.0) -> None:
        """Mark a box, widened by a gap, as taken."""
        grown = Box(x=box.x, y=box.y, width=box.width + 2 * gap_mm, height=box.height + 2 * gap_mm, turn_deg=box.turn_deg)
        if box.turn_deg % 90 == 0:
            low_row, low_column, high_row, high_column = self._span(grown)
            self.taken[max(low_row, 0) : max(high_row, 0), max(low_column, 0) : max(high_column, 0)] = True
        else:
            self._mark(self._covered(grown))

    def is_free(self, box: Box) -> bool:
        """Whether nothing taken lies under the box, and all of it on this ground."""
        rows, columns = self.taken.shape
        if box.turn_deg % 90 == 0:
            low_row, low_column, high_row, high_column = self._span(box)
            if low_row < 0 or low_column < 0 or high_row > rows or high_column > columns:
                return False
            return not self.taken[low_row:high_row, low_column:high_column].any()
        if not self._may_be_free(box):
            return False
        cells = self._covered(box)
        inside = (cells[:, 0] >= 0) & (cells[:, 0] < rows) & (cells[:, 1] >= 0) & (cells[:, 1] < columns)
        return bool(inside.all()) and not self.taken[cells[:, 0], cells[:, 1]].any()

    def _may_be_free(self, box: Box) -> bool:
        """A quick look at the middle line of a turned box: most places are taken, and the full count is slow."""
        rows, columns = self.taken.shape
        cos, sin = math.cos(math.radians(box.turn_deg)), math.sin(math.radians(box.turn_deg))
        for share in (0.0, -0.48, 0.48, -0.25, 0.25):
            row = math.floor((box.y + share * box.width * sin - self.bottom) / CELL_MM)
            column = math.floor((box.x + share * box.width * cos - self.left) / CELL_MM)
            if not (0 <= row < rows and 0 <= column < columns) or self.taken[row, column]:
                return False
        return True

    def first_free(self, places: Iterable[Box]) -> Box | None:
        """The first free place, taken at once; None where all are taken."""
        for box in places:
            if self.is_free(box):
                self.take(box)
                return box
        return None

    def _cells(self, points: NDArray[np.float64]) -> NDArray[np.int64]:
        """(row, column) of points (k, 2)."""
        offset = (points[:, ::-1] - (self.bottom, self.left)) / CELL_MM
        return np.floor(offset).astype(np.int64)

    def _span(self, box: Box) -> tuple[int, int, int, int]:
        """Low row and column, high row and column (exclusive) of an upright or quarter-turned box."""
        width, height = (box.width, box.height) if box.turn_deg % 180 == 0 else (box.height, box.width)
        return (
            math.floor((box.y - height / 2 - self.bottom) / CELL_MM),
            math.floor((box.x - width / 2 - self.left) / CELL_MM),
            math.floor((box.y + height / 2 - self.bottom) / CELL_MM) + 1,
            math.floor((box.x + width / 2 - self.left) / CELL_MM) + 1,
        )

    def _covered(self, box: Box) -> NDArray[np.int64]:
        """Cells under a turned box, sampled at half a cell so that none is missed."""
        u = np.linspace(-box.width / 2, box.width / 2, max(2, math.ceil(2 * box.width / CELL_MM)))
        v = np.linspace(-box.height / 2, box.height / 2, max(2, math.ceil(2 * box.height / CELL_MM)))
        cos, sin = math.cos(math.radians(box.turn_deg)), math.sin(math.radians(box.turn_deg))
        a, b = np.tile(u, len(v)), np.repeat(v, len(u))
        return self._cells(np.column_stack([box.x + a * cos - b * sin, box.y + a * sin + b * cos]))

    def _mark(self, cells: NDArray[np.int64]) -> None:
        rows, columns = self.taken.shape
        inside = (cells[:, 0] >= 0) & (cells[:, 0] < rows) & (cells[:, 1] >= 0) & (cells[:, 1] < columns)
        self.taken[cells[inside, 0], cells[inside, 1]] = True


_AROUND: Final = ((1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (1, -1), (-1, 1), (-1, -1))


def places_around(
    x: float, y: float, half_mm: float, width: float, height: float, gap_mm: float = 0.85, rings: Sequence[float] = (0.0, 1.0)
) -> Iterable[Box]:
    """Eight places around a symbol, the best to read first: right, left, above, below, the corners; ring by ring [mm]."""
    for reach in (half_mm + gap_mm + ring for ring in rings):
        for across, up in _AROUND:
            yield Box(
                x=x + across * (reach * (0.75 if up else 1) + width / 2),
                y=y + up * (reach * 0.75 if across else reach - 0.3) + up * height / 2,
                width=width, height=height,
            )  # fmt: skip


def places_beyond(
    end: tuple[float, float], away: tuple[float, float], width: float, height: float, turn_deg: float, reach_mm: float
) -> Iterable[Box]:
    """Places one after another beyond the end of a line, in the unit direction `away`, to `reach_mm`."""
    turn = math.radians(turn_deg)
    along = abs(away[0] * math.cos(turn) + away[1] * math.sin(turn))
    across = abs(-away[0] * math.sin(turn) + away[1] * math.cos(turn))
    depth = min(width / 2 / max(along, 1e-9), height / 2 / max(across, 1e-9))
    for step in np.arange(0.6, reach_mm, 0.5):
        d = depth + float(step)
        yield Box(x=end[0] + away[0] * d, y=end[1] + away[1] * d, width=width, height=height, turn_deg=turn_deg)
