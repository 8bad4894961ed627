"""The PDF knows where it lies: by our own reading of its dictionary, and by GDAL's."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pdfplumber
import pytest
from plans import sample_plan
from pypdf import PdfReader
from pyproj import CRS, Transformer

from mudcap.draw.sheet import sheet
from mudcap.draw.style import STYLES

PLAN = sample_plan(2, 24)
PAGE = 1


@pytest.fixture(scope="module")
def content() -> bytes:
    """The sheet's bytes."""
    return sheet(PLAN)


@pytest.fixture(scope="module")
def printed(content: bytes) -> np.ndarray:
    """Centres of the plain sites' circles on the first block's page [pt], sorted."""
    size = STYLES["site"].size_mm * 72 / 25.4
    with pdfplumber.open(BytesIO(content)) as opened:
        page = opened.pages[PAGE]
        circles = [c for c in page.curves if abs(c["width"] - size) < 0.01 and c["stroke"] and c["y0"] > 160]
    return np.array(sorted(((c["x0"] + c["x1"]) / 2, (c["y0"] + c["y1"]) / 2) for c in circles))


def true_lonlat() -> np.ndarray:
    """Positions of the same sites, in the same order (by easting, then northing)."""
    sites = [s for s in PLAN.sites if s.block_id == "North 1" and not s.pinned and not s.flags]
    sites.sort(key=lambda s: (round(s.x_m, 3), round(s.y_m, 3)))
    return np.array([(s.lon, s.lat) for s in sites])


def metres_apart(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Distances [m] between close positions (lon, lat)."""
    scale = np.array([111_320 * np.cos(np.radians(b[:, 1])), np.full(len(b), 111_000.0)]).T
    return np.asarray(np.hypot(*((a - b) * scale).T))


def test_corners_carry_every_site(content: bytes, printed: np.ndarray) -> None:
    """Corners of the viewport, interpolated, put each printed circle within 0.2 m of its site."""
    port: Any = PdfReader(BytesIO(content)).pages[PAGE]["/VP"][0]  # type: ignore[index]
    left, bottom, right, top = (float(v) for v in port["/BBox"])
    corners = np.array([float(v) for v in port["/Measure"]["/GPTS"]]).reshape(4, 2)[:, ::-1]
    u = ((printed[:, 0] - left) / (right - left))[:, None]
    v = ((printed[:, 1] - bottom) / (top - bottom))[:, None]
    low_left, up_left, up_right, low_right = corners
    found = (1 - u) * (1 - v) * low_left + (1 - u) * v * up_left + u * v * up_right + u * (1 - v) * low_right
    order = np.lexsort((printed[:, 1].round(1), printed[:, 0].round(1)))
    assert len(printed) == len(true_lonlat())
    assert metres_apart(found[order], true_lonlat()).max() < 0.2


def test_every_map_page_and_no_other_is_measured(content: bytes) -> None:
    """The overview and both blocks have a viewport; lists have none."""
    pages = PdfReader(BytesIO(content)).pages
    assert [("/VP" in p) for p in pages] == ["100 mm" in p.extract_text() for p in pages]
    assert sum("/VP" in p for p in pages) == 3


@pytest.mark.skipif(shutil.which("gdalinfo") is None, reason="gdal-bin is not installed")
def test_gdal_finds_every_site(content: bytes, printed: np.ndarray, tmp_path: Path) -> None:
    """`gdalinfo` reads projection and transform; printed sites fall within 0.2 m."""
    file = tmp_path / "sheet.pdf"
    file.write_bytes(content)
    # importing mudcap.files switches most of GDAL's drivers off for this process and what it starts
    bare = {name: value for name, value in os.environ.items() if name != "GDAL_SKIP"}
    done = subprocess.run(
        ["gdalinfo", "-json", f"PDF:{PAGE + 1}:{file}"], capture_output=True, text=True, check=True, env=bare
    )
    said = json.loads(done.stdout)
    x0, dx, rx, y0, ry, dy = said["geoTransform"]
    width, height = said["size"]
    wkt = said["coordinateSystem"]["wkt"]
    page = PdfReader(BytesIO(content)).pages[PAGE].mediabox
    pixel = printed[:, 0] / float(page.width) * width
    line = (float(page.height) - printed[:, 1]) / float(page.height) * height
    to_lonlat = Transformer.from_crs(CRS.from_wkt(wkt), CRS.from_epsg(4326), always_xy=True)
    lon, lat = to_lonlat.transform(x0 + dx * pixel + rx * line, y0 + ry * pixel + dy * line)
    order = np.lexsort((printed[:, 1].round(1), printed[:, 0].round(1)))
    assert metres_apart(np.column_stack([lon, lat])[order], true_lonlat()).max() < 0.2
