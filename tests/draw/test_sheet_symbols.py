"""Symbols stay apart on a black-and-white printer, and a large atlas has no empty page."""

from __future__ import annotations

import time
from dataclasses import replace
from io import BytesIO
from itertools import combinations
from typing import Any

import numpy as np
import pypdfium2
import pytest
from numpy.typing import NDArray
from plans import sample_plan
from reportlab.pdfgen.canvas import Canvas
from shapely import box
from test_contractor import texts

from mudcap.draw.marks import mark, package_marks
from mudcap.draw.sheet import sheet
from mudcap.draw.sheet_pen import PT_PER_MM, Pen
from mudcap.draw.style import STYLES
from mudcap.supply.model import SiteSupply

SYMBOLS = ("site", "site_pinned", "site_override", "puddle", "release", "gate", "gate_locked", "mud", "mud_bad", "hazard", "hives",
           "chemical_store", "yard", "water", "keep_out", "forage", "closure")  # fmt: skip
AREAS = ("spray_lane", "keep_out", "closure", "mud", "mud_bad", "forage", "hives", "beyond")
SIDE_MM = 12.0


def grey(draw: Any) -> NDArray[np.bool_]:
    """What is drawn on a small page, as ink or paper: grey tones and colours that a poor printer turns light are paper."""
    out = BytesIO()
    canvas = Canvas(out, pagesize=(SIDE_MM * PT_PER_MM, SIDE_MM * PT_PER_MM), invariant=1)
    draw(Pen(canvas))
    canvas.showPage()
    canvas.save()
    document = pypdfium2.PdfDocument(out.getvalue())
    page = document[0]
    image = np.asarray(page.render(scale=300 / 72, grayscale=True).to_numpy(), float)
    page.close()
    document.close()
    tones = image.reshape(image.shape[0], image.shape[1], -1).mean(axis=2)
    return np.asarray(tones < 150)


@pytest.mark.parametrize(("first", "second"), list(combinations(SYMBOLS, 2)))
def test_symbols_differ_by_shape(first: str, second: str) -> None:
    """Drawn at their true size in black and white, any two symbols differ in a good part of their ink."""
    one, two = (grey(lambda pen, key=key: pen.symbol(SIDE_MM / 2, SIDE_MM / 2, STYLES[key])) for key in (first, second))
    assert one.any() and two.any()
    assert (one ^ two).sum() > 0.2 * min(one.sum(), two.sum())


@pytest.mark.parametrize(("first", "second"), list(combinations(AREAS, 2)))
def test_areas_differ_by_hatch(first: str, second: str) -> None:
    """So do areas, by hatch and edge."""
    ground, window = box(1, 1, 11, 11), (0.0, 0.0, SIDE_MM, SIDE_MM)
    one, two = (grey(lambda pen, key=key: pen.area(ground, STYLES[key], window)) for key in (first, second))
    assert one.any() and two.any()
    assert (one ^ two).sum() > 0.2 * min(one.sum(), two.sum())


def test_sixty_pages_in_seconds_and_none_is_empty() -> None:
    """A ranch whose atlas has sixty pages is drawn in a few seconds of work; every page has words of its own."""
    plan = sample_plan(12, 110, rows=34, trees=40)
    start = time.process_time()
    content = sheet(plan)
    assert time.process_time() - start < 30  # a few seconds; the limit only catches what grows out of hand
    pages = texts(content)
    assert len(pages) >= 60
    assert min(map(len, pages)) > 200


def test_the_last_page_of_a_block_is_never_a_few_lines() -> None:
    """Cautions and whom to call stay together, so that no page holds a stray line."""
    for sites in (30, 45, 60, 75, 90, 110):
        last = texts(sheet(sample_plan(1, sites, rows=34, trees=40)))[-1]
        assert "Work safely" in last and "Emergency" in last


def test_goods_stand_in_the_site_table() -> None:
    """Packages by their letters, both bearings, puddles and what is short stand on a site's line."""
    plan = sample_plan(1, 8)
    given = SiteSupply(
        packages=(("Tubes 50", 1), ("Reed 12", 3)), cavities=86, facing_deg=135.0, facing_magnetic_deg=122.6, load=1,
        place_in_load=1, short=2,
    )  # fmt: skip
    words = texts(sheet(replace(plan, supply=(given,) * 8)))
    table = next(t for t in words if "Sites of block" in t)
    assert "A = Tubes 50; B = Reed 12" in table
    line = next(row for row in table.split("\n") if row.startswith("1 N10001"))
    assert "1 A + 3 B 135° 123°" in line and "2 cavities short" in line
    assert package_marks(replace(plan, supply=(given,) * 8)) == {"Tubes 50": "A", "Reed 12": "B"}
    assert [mark(k) for k in (0, 25, 26, 51, 52, 701, 702)] == ["A", "Z", "AA", "AZ", "BA", "ZZ", "AAA"]
