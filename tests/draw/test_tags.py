"""Labels read back as a crew would: every code scanned from a printed page, every word inside its label, every size true."""

from __future__ import annotations

import dataclasses
import io
import math
import re
import shutil
import subprocess
from itertools import combinations
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import numpy as np
import pdfplumber
import pytest
import zxingcpp
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from pypdf import PdfReader

from mudcap.draw.sheet_layout import PAGES_MM
from mudcap.draw.tags import PAD_MM, tags
from mudcap.draw.tags_code import LEAST_MM, make_code, payload, read_payload
from mudcap.draw.tags_stock import STOCKS, Stock, centred
from mudcap.plan.picking import Pick, picks
from small_plan import HOSTILE_NAMES, two_block_plan
from supplied import with_supply

MM = 72 / 25.4
NUMBER = "0badcafe"
PLAIN = picks(two_block_plan())
SUPPLIED = picks(with_supply(two_block_plan()))


def printed(content: bytes, folder: Path, *, dpi: int = 300) -> list[np.ndarray]:
    """The pages as a printer of that resolution lays them down, in grey."""
    if shutil.which("pdftoppm") is None:
        pytest.skip("pdftoppm is not installed (poppler-utils)")
    (folder / "labels.pdf").write_bytes(content)
    subprocess.run(["pdftoppm", "-gray", "-r", str(dpi), "labels.pdf", "page"], cwd=folder, check=True)
    return [np.array(Image.open(p)) for p in sorted(folder.glob("page-*.pgm"))]


def scanned(pages: list[np.ndarray]) -> list[str]:
    """What all codes on the pages say."""
    return [c.text for page in pages for c in zxingcpp.read_barcodes(page, formats=zxingcpp.BarcodeFormat.QRCode)]


@pytest.mark.parametrize("name", sorted(STOCKS))
def test_every_code_of_every_sheet_can_be_scanned(name, tmp_path):
    """From a 300 dpi print in grey: as many codes as labels, each with its own site, at the place of the site."""
    found = SUPPLIED[: 31 if name == "letter-3x10" else 9]  # a full sheet and one more, or enough to see
    texts = scanned(printed(tags(found, STOCKS[name], plan_number=NUMBER), tmp_path))
    keys = {key.site_id: key for key in map(read_payload, texts) if key is not None}
    assert len(texts) == len(keys) == len(found) and set(keys) == {p.site_id for p in found}
    for pick in found:
        key = keys[pick.site_id]
        assert key.plan == NUMBER and abs(key.lat - pick.lat) <= 5.1e-7 and abs(key.lon - pick.lon) <= 5.1e-7


def test_a_poor_print_is_still_read(tmp_path):
    """150 dpi, and a blot of 3 mm on each code."""
    page = printed(tags(SUPPLIED[:30], STOCKS["letter-3x10"], plan_number=NUMBER), tmp_path, dpi=150)[0]
    for left, bottom, width, height in STOCKS["letter-3x10"].boxes():
        x, y = (left + width - 13) * 150 / 25.4, (PAGES_MM["letter"][1] - bottom - height / 2) * 150 / 25.4
        page[int(y) : int(y + 3 * 150 / 25.4), int(x) : int(x + 3 * 150 / 25.4)] = 255
    assert len({read_payload(t).site_id for t in scanned([page])}) == 30


@pytest.mark.parametrize("name", sorted(STOCKS))
def test_labels_of_a_sheet_are_disjoint_and_on_the_page(name):
    """And have the size their name says."""
    stock = STOCKS[name]
    boxes = stock.boxes()
    wide, high = PAGES_MM[stock.page]
    columns, rows = (int(n) for n in re.search(r"-(\d+)x(\d+)$", name).groups())
    assert len(boxes) == columns * rows == stock.count
    for left, bottom, width, height in boxes:
        assert left >= 0 and bottom >= -0.02 and left + width <= wide + 0.02 and bottom + height <= high
    for (a, b, w, h), (c, d, _w, _h) in combinations(boxes, 2):
        assert abs(a - c) >= w - 1e-9 or abs(b - d) >= h - 1e-9
    assert abs(min(b[0] for b in boxes) - (wide - max(b[0] + b[2] for b in boxes))) < 1e-6


def test_the_usual_sheets_add_up_to_their_page():
    """Dimensions as the sheets are sold by: 2-5/8 × 1 in with a 1/8 in gap leaves 3/16 in aside and 1/2 in above."""
    stock = STOCKS["letter-3x10"]
    assert (stock.width_mm, stock.height_mm) == (66.675, 25.4)
    assert abs(stock.left_mm - 25.4 * 3 / 16) < 1e-9 and abs(stock.top_mm - 12.7) < 1e-9
    stock = STOCKS["a4-3x7"]
    assert abs(stock.top_mm - 15.15) < 1e-9 and abs(stock.left_mm - 7.25) < 1e-9


@pytest.mark.parametrize("name", ["letter-2x5", "letter-3x10", "letter-4x20", "a4-3x7", "a4-2x4"])
def test_drawn_edges_are_true_to_a_tenth_of_a_millimetre(name):
    """The frames of the page against the stock's dimensions, in order."""
    stock = STOCKS[name]
    page = pdfplumber.open(io.BytesIO(tags(SUPPLIED[:7], stock, plan_number=NUMBER, frames=True))).pages[0]
    assert abs(float(page.width) / MM - PAGES_MM[stock.page][0]) < 0.1 and abs(float(page.height) / MM - PAGES_MM[stock.page][1]) < 0.1
    frames = [r for r in page.rects if r["stroke"] and not r["fill"]]
    assert len(frames) == 7
    for rect, (left, bottom, width, height) in zip(frames, stock.boxes(), strict=False):
        found = (rect["x0"] / MM, (float(page.height) - rect["bottom"]) / MM, rect["width"] / MM, rect["height"] / MM)
        assert np.allclose(found, (left, bottom, width, height), atol=0.1)


def words_by_label(content: bytes, stock: Stock) -> list[list[str]]:
    """Lines of text of each label in the order of the sheet; each letter must lie inside a label, a pad from its edge."""
    out = []
    for page in pdfplumber.open(io.BytesIO(content)).pages:
        high, taken = float(page.height), 0
        for left, bottom, width, height in stock.boxes():
            box = (left * MM, high - (bottom + height) * MM, (left + width) * MM, high - bottom * MM)
            pad = (PAD_MM - 0.05) * MM
            own = [c for c in page.chars if box[0] <= c["x0"] < box[2] and box[1] <= (c["top"] + c["bottom"]) / 2 < box[3]]
            assert all(c["x0"] >= box[0] + pad and c["x1"] <= box[2] - pad for c in own)
            assert all(c["top"] >= box[1] and c["bottom"] <= box[3] for c in own)
            taken += len(own)
            if own:
                out.append([line["text"] for line in page.crop(box, strict=False).extract_text_lines()])
        assert taken == len(page.chars)
    return out


@pytest.mark.parametrize("name", ["letter-3x10", "a4-3x7", "letter-4x20", "letter-2x3"])
def test_a_label_says_where_what_and_which_way(name):
    """Address, block, number, name, cavities, compass bearing, each whole, with skipped places left empty."""
    found = SUPPLIED[:5]
    labels = words_by_label(tags(found, STOCKS[name], plan_number=NUMBER, skip=2), STOCKS[name])
    assert len(labels) == len(found)
    for lines, pick in zip(labels, found, strict=True):
        text = " | ".join(lines)
        assert lines[0] == pick.address and f"Block {pick.block_id}" in text and f"No. {pick.number} · {pick.site_id}" in text
        assert f"{pick.cavities} cavities" in text and f"compass {pick.compass_deg:.0f}°" in text
        if name != "letter-4x20":
            assert all(f"{count} × {package}" in text for package, count in pick.packages)
        if name == "letter-2x3":
            assert f"Plan {NUMBER}" in text


@pytest.mark.parametrize("name", ["letter-3x10", "a4-3x7", "letter-2x3"])
def test_packages_stand_on_common_labels_in_type_of_7_pt(name):
    """Where the address takes less room, all else can be read."""
    (page,) = pdfplumber.open(io.BytesIO(tags(SUPPLIED[:5], STOCKS[name], plan_number=NUMBER))).pages
    assert min(c["size"] for c in page.chars) >= 7 - 1e-6
    assert all(f"{count} × {package}" in page.extract_text() for package, count in SUPPLIED[0].packages)


def test_without_supply_nothing_is_said_of_facing_or_packages():
    """No dial is drawn either: no curve stands on the page."""
    content = tags(PLAIN[:4], STOCKS["letter-3x10"], plan_number=NUMBER)
    assert not any("°" in line or "×" in line for lines in words_by_label(content, STOCKS["letter-3x10"]) for line in lines)
    assert b" c\n" not in PdfReader(io.BytesIO(content)).pages[0].get_contents().get_data()


@pytest.mark.parametrize("bearing", [0, 37, 90, 135, 180, 270, 359.6])
def test_the_arrow_points_where_the_openings_face(bearing):
    """Its tip against the bearing from north at the top of the label, to the degree."""
    pick = dataclasses.replace(PLAIN[0], facing_deg=bearing, compass_deg=None)
    page = pdfplumber.open(io.BytesIO(tags([pick], STOCKS["letter-2x3"], plan_number=NUMBER))).pages[0]
    arrow = next(c for c in page.curves if c["fill"] and len(c["pts"]) in (4, 5))
    points = np.array(arrow["pts"][:4])
    back = points[2]  # on the arrow's axis, behind its tip
    east, north = points[0][0] - back[0], back[1] - points[0][1]
    assert abs((math.degrees(math.atan2(east, north)) - bearing + 180) % 360 - 180) < 0.5
    assert f"{round(bearing) % 360}° true" in page.extract_text()


def test_small_labels_are_refused_with_the_reason_and_never_printed_unreadable():
    """Neither type nor code too fine."""
    with pytest.raises(ValueError, match="too small: its type would be"):
        tags(SUPPLIED, centred(page="letter", columns=10, rows=18, width_mm=15, height_mm=12), plan_number=NUMBER)
    with pytest.raises(ValueError, match="could not be scanned"):
        make_code(payload(PLAIN[0], NUMBER), 36.9 * LEAST_MM)
    for side in (12.0, 16.0, 22.0, 30.0):
        assert side / make_code(payload(PLAIN[0], NUMBER), side).modules >= LEAST_MM
    assert make_code(payload(PLAIN[0], NUMBER), 30.0).level in "QH"


@pytest.mark.parametrize("change", [
    {"columns": 0}, {"width_mm": 5}, {"gap_x_mm": -1}, {"left_mm": 60}, {"rows": 12}, {"page": "legal"}, {"top_mm": 40},
])  # fmt: skip
def test_stock_that_is_no_sheet_is_refused(change):
    """Too many, too small, overlapping, or off the page."""
    with pytest.raises(ValueError):
        dataclasses.replace(STOCKS["letter-3x10"], **change)


def test_a_place_beyond_the_sheet_cannot_be_skipped():
    """29 of 30 can."""
    stock = STOCKS["letter-3x10"]
    assert len(PdfReader(io.BytesIO(tags(PLAIN[:1], stock, plan_number=NUMBER, skip=29))).pages) == 1
    assert len(PdfReader(io.BytesIO(tags(PLAIN[:2], stock, plan_number=NUMBER, skip=29))).pages) == 2
    for skip in (-1, 30):
        with pytest.raises(ValueError, match="skip"):
            tags(PLAIN, stock, plan_number=NUMBER, skip=skip)


def test_the_file_is_the_same_every_time_with_type_embedded_and_never_scaled():
    """Byte for byte; a viewer is told to print at 100 %; no colour."""
    content = tags(SUPPLIED[:5], STOCKS["a4-3x7"], plan_number=NUMBER)
    assert content == tags(SUPPLIED[:5], STOCKS["a4-3x7"], plan_number=NUMBER)
    reader = PdfReader(io.BytesIO(content))
    assert reader.trailer["/Root"]["/ViewerPreferences"]["/PrintScaling"] == "/None"
    for page in reader.pages:
        assert all("/FontFile2" in f.get_object()["/FontDescriptor"] for f in page["/Resources"]["/Font"].values())
        colours = re.findall(rb"([\d.]+) ([\d.]+) ([\d.]+) (?:rg|RG)\b", page.get_contents().get_data())
        assert all(r == g == b for r, g, b in colours)


@pytest.mark.parametrize("name", HOSTILE_NAMES)
def test_hostile_block_names_stay_words_inside_their_label(name):
    """Whatever a block is called."""
    found = [dataclasses.replace(p, block_id=name * 3, packages=((name, 2),)) for p in SUPPLIED[:2]]
    assert len(words_by_label(tags(found, STOCKS["letter-3x10"], plan_number=NUMBER), STOCKS["letter-3x10"])) == 2


@given(st.floats(-90, 90), st.floats(-180, 180), st.from_regex(r"[A-Z0-9]{1,3}[0-9]{4}", fullmatch=True))
def test_the_code_names_place_and_site(lat, lon, site_id):
    """Read back by ours and by a plain reading of RFC 5870 and RFC 3986: digits only, no exponent, no minus zero."""
    pick = Pick(site_id=site_id, block_id="", number=1, row=1, tree=1, lon=lon, lat=lat, cavities=0, females=0, males=0)
    text = payload(pick, NUMBER)
    key = read_payload(text)
    assert key is not None and (key.site_id, key.plan) == (site_id, NUMBER)
    assert abs(key.lat - lat) <= 5.1e-7 and abs(key.lon - lon) <= 5.1e-7
    parts = urlsplit(text)
    assert parts.scheme == "geo" and parse_qs(parts.query) == {"mudcap": [f"{NUMBER}/{site_id}"]}
    # RFC 5870, section 3.3: num = [ "-" ] pnum; pnum = 1*DIGIT [ "." 1*DIGIT ]
    assert re.fullmatch(r"-?\d+\.\d+,-?\d+\.\d+", parts.path) and "-0.000000" not in parts.path


@pytest.mark.parametrize("text", ["", "https://x", "geo:1,2", "geo:91.0,0.0?mudcap=0badcafe/CRK0001", "geo:1,2?mudcap=x y/CRK0001", "geo:1,2?mudcap=/"])
def test_codes_of_others_are_none_of_ours(text):
    """None, not an error."""
    assert read_payload(text) is None
