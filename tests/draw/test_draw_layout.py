"""Scales are engineer's scales, and tiles cover a block without gaps or empty pages."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely import Polygon, box

from mudcap.draw.sheet_layout import (
    FEET_PER_INCH,
    METRIC_SCALES,
    PAD_MM,
    PAGES_MM,
    SITE_GAP_MM,
    TIGHT_PAD_MM,
    block_views,
    legible_scale,
    overview,
)
from mudcap.geo.units import M_PER_FT

FORTY = box(0, 0, 2640 * M_PER_FT, 660 * M_PER_FT)
"""Half a mile by an eighth: 40 acres."""


def grid(polygon: Polygon, gap_m: float) -> list[tuple[float, float]]:
    """Points a fixed distance apart inside a polygon."""
    left, bottom, right, top = polygon.bounds
    x, y = np.meshgrid(np.arange(left + gap_m / 2, right, gap_m), np.arange(bottom + gap_m / 2, top, gap_m))
    inside = shapely.contains_xy(polygon, x.ravel(), y.ravel())
    return [(float(a), float(b)) for a, b in np.column_stack([x.ravel(), y.ravel()])[inside]]


@pytest.mark.parametrize("page", sorted(PAGES_MM))
@pytest.mark.parametrize(("units", "known"), [("us", [12 * f for f in FEET_PER_INCH]), ("metric", list(METRIC_SCALES))])
@pytest.mark.parametrize("polygon", [FORTY, box(0, 0, 9, 9), box(0, 0, 1609, 1609), Polygon([(0, 0), (400, 0), (0, 300)])])
def test_tiles_cover_the_block(page: str, units: str, known: list[int], polygon: Polygon) -> None:
    """Every page has one scale of the ladder; cores cover the block once; no page is empty."""
    views = block_views(polygon, grid(polygon, 22.0), page, units)  # type: ignore[arg-type]
    assert {v.scale for v in views} <= set(known)
    assert len({v.scale for v in views}) == 1
    cores = [box(*np.clip(v.core, -1e6, 1e6)) for v in views]
    shares = [c.intersection(polygon).area for c in cores]
    assert min(shares) > 0
    assert sum(shares) == pytest.approx(polygon.area)
    for view, core in zip(views, cores, strict=True):
        assert box(*view.ground).buffer(1e-6).contains(core.intersection(polygon))


def test_numbers_stay_readable() -> None:
    """Sites 22 m apart are never drawn nearer than the smallest gap; a small block is drawn larger still."""
    scale = legible_scale(grid(FORTY, 22.0), "us")
    assert 22_000 / scale >= SITE_GAP_MM > 22_000 / (12 * FEET_PER_INCH[FEET_PER_INCH.index(scale // 12) + 1])
    assert block_views(box(0, 0, 30, 30), [(5, 5), (25, 25)], "letter", "us")[0].scale == 12 * 20


def test_a_block_that_just_misses_its_rim_gets_no_second_page_of_the_same() -> None:
    """Two pages that each show the whole block but for a few millimetres are one, with a narrower rim."""
    limit = legible_scale(grid(box(0, 0, 300, 300), 22.0), "us")
    frame = block_views(box(0, 0, 100, 100), [(5, 5), (25, 25)], "a4", "us")[0].frame
    width, height = (side * limit / 1000 for side in frame.window_size)
    rim = limit / 1000  # metres that a millimetre stands for
    for short, pages in ((2 * PAD_MM + 1, 1), (2 * PAD_MM - 1, 1), (2 * TIGHT_PAD_MM + 1, 1), (2 * TIGHT_PAD_MM - 1, 2)):
        block = box(0, 0, width - short * rim, height - 40 * rim)
        views = block_views(block, grid(block, 22.0), "a4", "us")
        assert len(views) == pages, short
        assert pages > 1 or box(*views[0].ground).contains(block)


def test_an_l_shape_gets_no_empty_page() -> None:
    """Tiles that would show only ground outside the block are left out."""
    shape = Polygon([(0, 0), (1500, 0), (1500, 150), (150, 150), (150, 1500), (0, 1500)])
    views = block_views(shape, grid(shape, 22.0), "letter", "us")
    columns, rows = max(v.column for v in views) + 1, max(v.row for v in views) + 1
    assert len(views) < columns * rows


def test_orientation_follows_the_block() -> None:
    """A wide block lies across the page, a tall one upright."""
    wide = block_views(box(0, 0, 300, 100), grid(box(0, 0, 300, 100), 40), "letter", "us")
    tall = block_views(box(0, 0, 100, 300), grid(box(0, 0, 100, 300), 40), "letter", "us")
    assert wide[0].frame.width > wide[0].frame.height
    assert tall[0].frame.width < tall[0].frame.height


def test_the_overview_shows_a_wide_ranch() -> None:
    """Two groups of blocks 200 km apart still come on one page."""
    view = overview((0, 0, 200_000, 1000), "letter", "us", 20.0)
    left, bottom, right, top = view.ground
    assert left <= 0 and right >= 200_000 and bottom <= 0 and top >= 1000


def test_index_squares() -> None:
    """The first square is at the top left, the last at the bottom right."""
    view = block_views(box(0, 0, 300, 100), [(1, 1), (100, 50)], "letter", "us")[0]
    left, bottom, right, top = view.ground
    assert view.square(left + 0.1, top - 0.1) == "A1"
    assert view.square(right - 0.1, bottom + 0.1) == "F8"


def test_a_tiled_block_follows_its_shape_and_fills_its_pages() -> None:
    """Where both ways of turning the paper take as many tiles at one scale, a wide block lies across; no larger map takes no more tiles."""
    shape = box(0, 0, 737, 219)
    tabloid = block_views(shape, grid(shape, 17.0), "tabloid", "us")
    assert len(tabloid) == 2 and tabloid[0].frame.width > tabloid[0].frame.height
    for page in PAGES_MM:
        for polygon in (FORTY, shape, box(0, 0, 500, 480)):
            sites = grid(polygon, 17.0)
            views = block_views(polygon, sites, page, "us")
            limit = legible_scale(sites, "us")
            assert views[0].scale <= limit
            if len(views) == 1:
                continue
            frame, larger = views[0].frame, [s for s in (12 * f for f in FEET_PER_INCH) if s < views[0].scale]
            width, height = frame.window_size
            for scale in larger:
                across = -(-(polygon.bounds[2] * 1000 / scale + 18 - 8) // (width - 8))
                up = -(-(polygon.bounds[3] * 1000 / scale + 18 - 8) // (height - 8))
                assert across * up > len(views)
