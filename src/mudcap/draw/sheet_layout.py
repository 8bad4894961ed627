"""Which scale, which way up, how many tiles: the geometry of map pages, before anything is drawn."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from mudcap.geo.units import Units

PAGES_MM: Final = {"letter": (215.9, 279.4), "tabloid": (279.4, 431.8), "a4": (210.0, 297.0), "a3": (297.0, 420.0)}
"""Width and height upright. ANSI/ASME Y14.1 A and B; ISO 216 A4 and A3."""
FEET_PER_INCH: Final = (20, 30, 40, 50, 60, 80, 100, 150, 200, 300, 400, 500, 600, 800, 1000)
METRIC_SCALES: Final = (250, 500, 750, 1000, 1250, 1500, 2000, 2500, 3000, 4000, 5000)
WIDER: Final = (2, 3, 4, 5, 6, 8, 10, 15, 20, 30, 50, 80, 120, 200, 500, 1000, 5000)
"""Multiples of the last scale for the overview of a wide ranch."""
MARGIN_MM: Final = 9.0
HEAD_MM: Final = 8.0
PANEL_MM: Final = 47.0
STRIP_MM: Final = 11.0
"""Between map and panel: the check line, and what found no room on the map."""
INDEX_MM: Final = 4.5
COLLAR_MM: Final = 6.0
"""Around the map window, for the numbers of rows that run on."""
PAD_MM: Final = 9.0
"""Kept free between block and window edge on an untiled page."""
TIGHT_PAD_MM: Final = 5.0
"""The least of it, for row numbers, where that saves a second page that would show nearly the same."""
OVERLAP_MM: Final = 8.0
SITE_GAP_MM: Final = 8.5
"""Typical distance between sites on paper below which numbers get too tight: common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """The rectangles of one map page [mm from the lower left corner]."""

    width: float
    height: float
    panel_mm: float = PANEL_MM
    below_mm: float = 0.0
    """Kept free above the panel, for a table."""
    band_mm: float = 0.0
    """Height of the warning band under the heading."""

    @property
    def outer(self) -> tuple[float, float, float, float]:
        """Neat line around index letters: left, bottom, right, top."""
        bottom = MARGIN_MM + self.panel_mm + STRIP_MM + self.below_mm
        return MARGIN_MM, bottom, self.width - MARGIN_MM, self.height - MARGIN_MM - HEAD_MM - self.band_mm

    @property
    def inner(self) -> tuple[float, float, float, float]:
        """Inside the index letters: map window and collar."""
        return _inset(self.outer, INDEX_MM)

    @property
    def window(self) -> tuple[float, float, float, float]:
        """What the map fills."""
        return _inset(self.inner, COLLAR_MM)

    @property
    def window_size(self) -> tuple[float, float]:
        """Width and height of the window."""
        left, bottom, right, top = self.window
        return right - left, top - bottom


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """One map window: which ground it shows at which scale."""

    frame: Frame
    scale: float
    """Denominator: 2400 stands for 1:2400."""
    centre: tuple[float, float]
    """Plane point in the middle of the window [m]."""
    column: int = 0
    row: int = 0
    """Place in the grid of tiles, from the top left."""
    core: tuple[float, float, float, float] = (-math.inf, -math.inf, math.inf, math.inf)
    """Plane rectangle that belongs to this tile alone: the match lines [m]."""

    def to_page(self, xy: ArrayLike) -> NDArray[np.float64]:
        """Page millimetres (n, 2) of plane points (n, 2) [m]."""
        left, bottom, right, top = self.frame.window
        middle = np.array([(left + right) / 2, (bottom + top) / 2])
        out: NDArray[np.float64] = (np.array(xy, float, ndmin=2)[:, :2] - self.centre) * (1000 / self.scale) + middle
        return out

    def geometry(self, geometry: BaseGeometry) -> BaseGeometry:
        """A plane geometry in page millimetres."""
        return shapely.transform(geometry, self.to_page)

    @property
    def ground(self) -> tuple[float, float, float, float]:
        """The window's rectangle in the plane [m]."""
        width, height = (side * self.scale / 1000 / 2 for side in self.frame.window_size)
        x, y = self.centre
        return x - width, y - height, x + width, y + height

    def square(self, x_m: float, y_m: float) -> str:
        """Index square of a plane point, such as 'C4'."""
        across, down = index_cells(self.frame)
        left, bottom, right, top = self.frame.window
        x, y = self.to_page([(x_m, y_m)])[0]
        column = min(max(int((x - left) / (right - left) * across), 0), across - 1)
        line = min(max(int((top - y) / (top - bottom) * down), 0), down - 1)
        return f"{'ABCDEFGH'[line]}{column + 1}"


def index_cells(frame: Frame) -> tuple[int, int]:
    """Columns (1 …) and lines (A …) of the index: 8 × 6 on a wide page, 6 × 8 on a tall one."""
    width, height = frame.window_size
    return (8, 6) if width >= height else (6, 8)


def scales(units: Units) -> tuple[int, ...]:
    """Denominators that a ruler can follow, largest map first."""
    return tuple(12 * f for f in FEET_PER_INCH) if units == "us" else METRIC_SCALES


def legible_scale(sites_xy: ArrayLike, units: Units) -> int:
    """The smallest map at which site numbers still find room."""
    points = np.asarray(sites_xy, float).reshape(-1, 2)
    steps = scales(units)
    if len(points) < 2:
        return steps[-1]
    gap_m = float(np.median(cKDTree(points).query(points, k=2)[0][:, 1]))
    return max((s for s in steps if gap_m * 1000 / s >= SITE_GAP_MM), default=steps[0])


def block_views(
    polygon: BaseGeometry, sites_xy: ArrayLike, page: str, units: Units, band_mm: float = 0.0
) -> tuple[View, ...]:
    """Map pages of one block: one page if numbers can be read on it, else overlapping tiles.

    Few pages count first, then a large map; where both ways of turning the paper give the same, the block's shape decides.
    """
    limit = legible_scale(sites_xy, units)
    left, bottom, right, top = polygon.bounds
    is_wide = right - left > top - bottom
    upright, across = (_frame(page, turned, band_mm) for turned in (False, True))
    return min(
        (_arrangement(polygon, frame, limit, units) for frame in (upright, across)),
        key=lambda views: (len(views), views[0].scale, (views[0].frame.width > views[0].frame.height) != is_wide),
    )


def overview(
    bounds: tuple[float, float, float, float], page: str, units: Units, below_mm: float, band_mm: float = 0.0
) -> View:
    """One page that shows everything, upright, at the first round scale that fits."""
    width, height = PAGES_MM[page]
    frame = Frame(width=width, height=height, below_mm=below_mm, band_mm=band_mm)
    steps = scales(units)
    for scale in (*steps, *(steps[-1] * k for k in WIDER)):
        if _fits(bounds, frame, scale, PAD_MM / 2):
            break
    return View(frame=frame, scale=scale, centre=_middle(bounds))


def _frame(page: str, turned: bool, band_mm: float) -> Frame:
    width, height = PAGES_MM[page][::-1] if turned else PAGES_MM[page]
    return Frame(width=width, height=height, band_mm=band_mm)


def _arrangement(polygon: BaseGeometry, frame: Frame, limit: int, units: Units) -> tuple[View, ...]:
    bounds = polygon.bounds
    for pad_mm in (PAD_MM, TIGHT_PAD_MM):
        fit = next((s for s in scales(units) if _fits(bounds, frame, s, pad_mm)), None)
        if fit is not None and fit <= limit:
            return (View(frame=frame, scale=fit, centre=_middle(bounds)),)
    least = tuple(_tiles(polygon, frame, limit))
    for scale in (s for s in scales(units) if s < limit):
        if _grid_size(polygon, frame, scale) <= len(least):
            return tuple(_tiles(polygon, frame, scale))
    return least


def _grid_size(polygon: BaseGeometry, frame: Frame, scale: int) -> int:
    """Tiles that a block's bounds take at a scale."""
    left, bottom, right, top = polygon.bounds
    metres = scale / 1000
    width, height = frame.window_size
    return _steps(left, right, width * metres, metres)[0] * _steps(bottom, top, height * metres, metres)[0]


def _tiles(polygon: BaseGeometry, frame: Frame, scale: int) -> Iterator[View]:
    metres = scale / 1000
    left, bottom, right, top = polygon.bounds
    columns, x_mid, x_cut = _steps(left, right, frame.window_size[0] * metres, metres)
    rows, y_mid, y_cut = _steps(bottom, top, frame.window_size[1] * metres, metres)
    shapely.prepare(polygon)
    for line in reversed(range(rows)):
        for column in range(columns):
            core = x_cut[column], y_cut[line], x_cut[column + 1], y_cut[line + 1]
            if shapely.box(*np.clip(core, -1e7, 1e7)).intersection(polygon).area > 0:
                yield View(
                    frame=frame, scale=scale, centre=(x_mid[column], y_mid[line]), column=column, row=rows - 1 - line,
                    core=core,
                )  # fmt: skip


def _steps(low: float, high: float, window_m: float, metres: float) -> tuple[int, list[float], list[float]]:
    """Number of tiles along one side, their middles, and the match lines between them (open at both ends).

    The outer windows end at the padded block, so that no paper is spent on empty ground; what is left is overlap.
    """
    span, overlap = high - low + 2 * PAD_MM * metres, OVERLAP_MM * metres
    count = max(1, math.ceil((span - overlap) / (window_m - overlap) - 1e-9))
    if count == 1:
        return 1, [(low + high) / 2], [-math.inf, math.inf]
    step = (span - window_m) / (count - 1)
    first = low - PAD_MM * metres + window_m / 2
    middles = [first + k * step for k in range(count)]
    return count, middles, [-math.inf, *(m + step / 2 for m in middles[:-1]), math.inf]


def _fits(bounds: tuple[float, ...], frame: Frame, scale: float, pad_mm: float) -> bool:
    width, height = frame.window_size
    left, bottom, right, top = bounds
    return (right - left) * 1000 / scale <= width - 2 * pad_mm and (top - bottom) * 1000 / scale <= height - 2 * pad_mm


def _middle(bounds: Sequence[float]) -> tuple[float, float]:
    return (bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2


def _inset(rectangle: tuple[float, float, float, float], by: float) -> tuple[float, float, float, float]:
    left, bottom, right, top = rectangle
    return left + by, bottom + by, right - by, top - by
