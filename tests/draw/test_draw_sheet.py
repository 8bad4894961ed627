"""The PDF read back: to scale, legible, complete, the same every time."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from io import BytesIO
from itertools import combinations
from typing import Any

import numpy as np
import pdfplumber
import pypdfium2
import pytest
import shapely
from plans import HOSTILE, sample_plan, with_status
from pypdf import PdfReader
from reportlab.pdfgen.canvas import Canvas

from mudcap.draw.contractor import contractor
from mudcap.draw.scene import make_scene
from mudcap.draw.sheet import sheet
from mudcap.draw.sheet_frame import _draw_scale
from mudcap.draw.sheet_layout import PAGES_MM, block_views
from mudcap.draw.sheet_map import draw_block
from mudcap.draw.sheet_pen import Pen, _glyphs, printable
from mudcap.draw.sheet_rows import ROW_PT
from mudcap.draw.style import STYLES
from mudcap.geo.units import M_PER_FT
from mudcap.plan.model import Plan
from mudcap.supply.model import SiteSupply

MM = 72 / 25.4
PLAN = sample_plan(2, 40)
LARGE = sample_plan(1, 260, rows=44, trees=60)


class Labels(Pen):
    """A pen that notes the texts of a map with their heights on the page [mm] and type sizes."""

    def __init__(self, canvas: Canvas) -> None:
        super().__init__(canvas)
        self.said: list[tuple[str, float, float]] = []

    def text(self, x: float, y: float, text: str, size_pt: float, **how: Any) -> None:  # type: ignore[override]
        self.said.append((text, y, size_pt))
        super().text(x, y, text, size_pt, **how)


class Opened:
    """A PDF read back: texts by one library at once, drawn things of single pages by another, which is slow."""

    def __init__(self, content: bytes) -> None:
        self.content = content
        document = pypdfium2.PdfDocument(content)
        pages = [document[i] for i in range(len(document))]
        text_pages = [p.get_textpage() for p in pages]
        self.texts = [t.get_text_range().replace("\r", "") for t in text_pages]
        self.sizes = [p.get_size() for p in pages]
        for thing in (*text_pages, *pages, document):
            thing.close()
        self.plumbed = pdfplumber.open(BytesIO(content))

    def maps(self, block: str) -> list[int]:
        """Positions of the pages with a map of that block."""
        return [i for i, t in enumerate(self.texts) if f"block {block}" in t and "100 mm" in t]

    def page(self, i: int) -> Any:
        """A page with its drawn things."""
        return self.plumbed.pages[i]


@pytest.fixture(scope="module")
def pdf() -> Iterator[Opened]:
    """The small plan's pages."""
    opened = Opened(sheet(PLAN))
    yield opened
    opened.plumbed.close()


@pytest.fixture(scope="module")
def large() -> Iterator[Opened]:
    """The pages of a plan whose block needs several."""
    opened = Opened(sheet(LARGE))
    yield opened
    opened.plumbed.close()


def texts(plan: Plan, **options: Any) -> list[str]:
    """The words of each page of a plan's sheet."""
    opened = Opened(sheet(plan, **options))
    opened.plumbed.close()
    return opened.texts


def rings(page: Any) -> np.ndarray:
    """Centres [mm from the lower left] of the plain site symbols drawn in the map, by their circle's width."""
    size = STYLES["site"].size_mm * MM
    found = [c for c in page.curves if abs(c["width"] - size) < 0.01 and abs(c["height"] - size) < 0.01 and c["stroke"]]
    edge = max(r["bottom"] for r in page.rects if r["width"] > 300)
    floor = min((w["top"] for w in page.extract_words() if w["text"] == "Print"), default=edge)
    inside = [c for c in found if c["bottom"] < floor]
    return np.array([((c["x0"] + c["x1"]) / 2 / MM, (c["y0"] + c["y1"]) / 2 / MM) for c in inside])


def ink(char: dict[str, Any]) -> tuple[float, float, float, float]:
    """Box [mm] of a digit's ink: 0.73 em above its base line (Bitstream Vera)."""
    a, b, _c, _d, x, y = char["matrix"]
    length, height = char["adv"] * np.hypot(a, b) if char["upright"] else char["height"], 0.73 * (char["size"] if char["upright"] else ROW_PT)
    turn = np.arctan2(b, a)
    corners = np.array([[0, 0], [length, 0], [length, height], [0, height]])
    turned = corners @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]) + (x, y)
    (left, bottom), (right, top) = turned.min(axis=0) / MM, turned.max(axis=0) / MM
    return left, bottom, right, top


def numbers(page: Any, bold: bool) -> list[tuple[str, tuple[float, float, float, float]]]:
    """Numbers inside the map frame with their ink boxes: bold ones are sites, plain ones rows."""
    face = "VeraSans-Bold" if bold else "VeraSans-Roman"
    frame = max((r for r in page.rects), key=lambda r: r["width"] * r["height"] if r["width"] > 300 else 0)
    chars = [c for c in page.chars if face in c["fontname"].replace("Bitstream", "") and c["text"].isdigit()]
    chars = [c for c in chars if frame["x0"] + 14 < c["x0"] < frame["x1"] - 14 and frame["top"] + 14 < c["top"] < frame["bottom"] - 14]
    words: list[list[dict[str, Any]]] = []
    for char in chars:  # in drawing order: a number's digits follow each other on one base line
        last = words[-1][-1] if words else None
        if last is not None and abs(char["matrix"][5] - last["matrix"][5]) < 0.01 and abs(char["x0"] - last["x1"]) < 0.3:
            words[-1].append(char)
        else:
            words.append([char])
    out = []
    for word in words:
        boxes = np.array([ink(c) for c in word])
        out.append(("".join(c["text"] for c in word), (*boxes[:, :2].min(axis=0), *boxes[:, 2:].max(axis=0))))
    return out


def overlap(a: tuple[float, ...], b: tuple[float, ...]) -> bool:
    """Whether two boxes share ground."""
    return min(a[2], b[2]) - max(a[0], b[0]) > 0.01 and min(a[3], b[3]) - max(a[1], b[1]) > 0.01


def test_map_is_to_scale(pdf: Opened) -> None:
    """Printed circles against ground coordinates: least squares within 0.05 % of the stated scale."""
    for block in ("North 1", "North 2"):
        (i,) = pdf.maps(block)
        stated = float(re.search(r"1 : ([\d,]+)", pdf.texts[i])[1].replace(",", ""))  # type: ignore[index]
        printed = rings(pdf.page(i))
        ground = np.array([(s.x_m, s.y_m) for s in PLAN.sites if s.block_id == block and not s.pinned and not s.flags])
        assert len(printed) == len(ground)
        printed, ground = (a[np.lexsort((a[:, 1].round(2), a[:, 0].round(2)))] for a in (printed, ground))
        p, g = printed - printed.mean(axis=0), ground - ground.mean(axis=0)
        ratio = 1000 * (g * g).sum() / (p * g).sum()
        assert ratio == pytest.approx(stated, rel=5e-4)
        assert np.abs(p - g * 1000 / ratio).max() < 0.02


def test_check_line_is_100_mm(pdf: Opened, large: Opened) -> None:
    """Each map page has one line of exactly 100 mm to prove the print."""
    pages = [opened.page(i) for opened in (pdf, large) for i, t in enumerate(opened.texts) if "Print at 100" in t]
    assert len(pages) >= 6
    for page in pages:
        lengths = [abs(line["x1"] - line["x0"]) / MM for line in page.lines if abs(line["y1"] - line["y0"]) < 1e-6]
        assert sum(abs(length - 100) < 1e-3 for length in lengths) == 1


def test_scale_bar_in_feet(pdf: Opened) -> None:
    """A bar half is one inch and carries the feet that the scale says."""
    (i,) = pdf.maps("North 1")
    halves = [r for r in pdf.page(i).rects if abs(r["height"] - 1.6 * MM) < 1e-3]
    feet = [r for r in halves if abs(r["width"] - 72) < 1e-3]
    assert len(feet) == 2
    per_inch = float(re.search(r"1 inch = ([\d,]+) feet", pdf.texts[i])[1].replace(",", ""))  # type: ignore[index]
    scale = float(re.search(r"1 : ([\d,]+)", pdf.texts[i])[1].replace(",", ""))  # type: ignore[index]
    assert per_inch * M_PER_FT * 1000 / 25.4 == pytest.approx(scale)


def test_scale_bars_in_metric_have_round_numbers() -> None:
    """A scale of whole metres is no whole number of feet an inch; its bar in feet is as round and true as that in metres."""
    opened = Opened(sheet(replace(PLAN, params=replace(PLAN.params, units="metric"))))
    (i,) = opened.maps("North 1")
    scale = float(re.search(r"1 : ([\d,]+)", opened.texts[i])[1].replace(",", ""))  # type: ignore[index]
    widths = [r["width"] / MM for r in opened.page(i).rects if abs(r["height"] - 1.6 * MM) < 1e-3]
    assert scale % 12 and len(widths) == 4
    for unit, metres in (("ft", M_PER_FT), ("m", 1.0)):
        half, whole = re.search(rf"(?m)^0 ([\d.,]+) ([\d.,]+) {unit}$", opened.texts[i]).groups()  # type: ignore[union-attr]
        assert len(half.strip("0.")) <= 2 and float(whole) == 2 * float(half)
        assert sum(abs(w - float(half) * metres * 1000 / scale) < 1e-3 for w in widths) >= 2
    opened.plumbed.close()


@pytest.mark.parametrize(("units", "first", "second"), [("us", "ft", "m"), ("metric", "m", "ft")])
def test_the_reader_s_own_unit_has_the_upper_scale_bar(units: str, first: str, second: str) -> None:
    """Feet above metres, or metres above feet."""
    plan = sample_plan(1, 20)
    plan = replace(plan, params=replace(plan.params, units=units))  # type: ignore[arg-type]
    pen = Labels(Canvas(BytesIO()))
    _draw_scale(pen, block_views(plan.orchard.blocks[0].polygon, [], "letter", units)[0], 0.0, 50.0, units, str)  # type: ignore[arg-type]
    ends = [(y, text.rsplit(" ", 1)[1]) for text, y, _size in pen.said if re.fullmatch(r"[\d,.]+ (ft|m)", text)]
    assert [unit for _y, unit in sorted(ends, reverse=True)] == [first, second]


@pytest.mark.parametrize("plan_name", ["small", "large", "angled"])
def test_every_site_has_its_number_and_none_overlap(plan_name: str, pdf: Opened, large: Opened) -> None:
    """Site and row numbers are all there (or listed), of 7 pt or more, and no two share ground."""
    angled = sample_plan(1, 40, turn_deg=31.0)
    plan = {"small": PLAN, "large": LARGE, "angled": angled}[plan_name]
    opened = {"small": pdf, "large": large}.get(plan_name) or Opened(sheet(plan))
    seen: set[str] = set()
    for i in opened.maps("North 1"):
        page = opened.page(i)
        placed = numbers(page, bold=True) + numbers(page, bold=False)
        for (text_a, a), (text_b, b) in combinations(placed, 2):
            assert not overlap(a, b), (text_a, text_b, a, b)
        seen |= {text for text, _box in numbers(page, bold=True)}
        assert min(c["size"] for c in page.chars if c["upright"]) >= 7.0 - 1e-6
        listed = re.search(r"No room to label: (.*)", opened.texts[i])
        seen |= set(re.findall(r"(\d+) \(R", listed[1])) if listed else set()
    assert seen >= {str(s.number) for s in plan.sites if s.block_id == "North 1"}


def test_numbers_keep_off_symbols(large: Opened) -> None:
    """No number lies on a site's circle."""
    half = STYLES["site"].size_mm / 2
    for page in map(large.page, large.maps("North 1")):
        circles = [(x - half, y - half, x + half, y + half) for x, y in rings(page)]
        for _text, box in numbers(page, bold=True) + numbers(page, bold=False):
            assert not any(overlap(box, c) for c in circles)


def test_rows_are_numbered_at_both_ends(pdf: Opened, large: Opened) -> None:
    """Each row drawn has its number twice, so a crew can count from either headland."""
    (i,) = pdf.maps("North 1")
    found = [text for text, _box in numbers(pdf.page(i), bold=False)]
    assert all(found.count(str(row)) == 2 for row in range(1, 17))
    for page in map(large.page, large.maps("North 1")):
        placed = sorted(((box[1] + box[3]) / 2, int(text)) for text, box in numbers(page, bold=False))
        cuts = [k for k in range(1, len(placed)) if placed[k][0] - placed[k - 1][0] > 5.0]
        lines = [[row for _y, row in placed[a:b]] for a, b in zip([0, *cuts], [*cuts, len(placed)], strict=True)]
        assert 1 <= len(lines) <= 2
        for line in lines:
            assert {min(line), *(k for k in range(min(line), max(line)) if k % 10 == 0)} <= set(line)


def test_row_numbers_stand_in_one_line_on_the_rows_where_a_road_and_a_block_lie_beyond() -> None:
    """Nothing is numbered in a neighbour's ground; the line of numbers then stands inside, and every height is the same."""
    plan = sample_plan(1, 40, rows=40)
    (block,) = plan.orchard.blocks
    west, south, east, _north = block.polygon.bounds
    assert block.rows is not None
    north = float(block.rows.tree_xy[:, 1].max()) + 1.0
    block = replace(block, polygon=shapely.box(west, south, east, north))
    beyond = replace(block, block_id="Beyond", polygon=shapely.box(west, north, east, north + 60.0), rows=None, alleys=())
    view = block_views(block.polygon, [(s.x_m, s.y_m) for s in plan.sites], "letter", "us")[0]
    plan = replace(plan, orchard=replace(plan.orchard, blocks=(block, beyond)))
    pen = Labels(Canvas(BytesIO()))
    drawn = draw_block(pen, plan, make_scene(plan), view, 0)
    edge = view.to_page([(west, north)])[0][1]
    inside = [y for text, y, _size in pen.said if re.fullmatch(r"R\d+", text)]
    assert len(inside) > 5 and max(inside) - min(inside) < 2.0 and 0 < edge - inside[0] < 12
    assert not [y for text, y, _size in pen.said if text.isdigit() and y > edge]
    assert not any(re.fullmatch(r"R\d+", name) for name in drawn.unlabelled)


def test_only_the_rows_asked_for_are_numbered() -> None:
    """As on the map of a wetting round; on other maps as many as find room."""
    plan = sample_plan(1, 20)
    view = block_views(plan.orchard.blocks[0].polygon, [(s.x_m, s.y_m) for s in plan.sites], "letter", "us")[0]
    for only, wanted in ((None, set(range(1, 17))), (frozenset({3, 4, 11}), {3, 4, 11}), (frozenset(), set())):
        pen = Labels(Canvas(BytesIO()))
        drawn = draw_block(pen, plan, make_scene(plan), view, 0, is_numbered=False, only_rows=only)
        assert {int(text.removeprefix("R")) for text, _y, _size in pen.said if re.fullmatch(r"R?\d+", text)} == wanted
        assert drawn.row_step == 1


def test_no_print_is_smaller_than_7_pt(pdf: Opened, large: Opened) -> None:
    """Legend, row numbers, names and notes alike; letters inside symbols are pictures."""
    for opened in (pdf, large):
        for i in range(len(opened.texts)):
            small = [c for c in opened.page(i).chars if c["upright"] and c["size"] < 7.0 - 1e-6]
            assert {c["text"] for c in small} <= set("ACFGHLMWXY!"), "".join(c["text"] for c in small)


@pytest.mark.parametrize("page", sorted(PAGES_MM))
def test_page_sizes(page: str) -> None:
    """Every page has the size asked for, upright or across, and something on it."""
    opened = Opened(sheet(sample_plan(1, 12), page=page))
    opened.plumbed.close()
    for size, text in zip(opened.sizes, opened.texts, strict=True):
        assert sorted(side / MM for side in size) == pytest.approx(sorted(PAGES_MM[page]), abs=0.01)
        assert len(text) > 100


def test_unknown_page_is_refused() -> None:
    """A wrong page names those that there are."""
    with pytest.raises(ValueError, match="letter, tabloid, a4, a3"):
        sheet(PLAN, page="b5")


def test_fonts_are_embedded() -> None:
    """Any printer can print it: every font of every page is embedded, and subset."""
    reader = PdfReader(BytesIO(sheet(PLAN)))
    fonts = {str(f.get_object()["/BaseFont"]): f.get_object() for p in reader.pages for f in p["/Resources"]["/Font"].values()}  # type: ignore[index]
    assert len(fonts) >= 2
    for name, font in fonts.items():
        assert re.match(r"/[A-Z]{6}\+", name)
        assert "/FontFile2" in font["/FontDescriptor"]  # type: ignore[index]


def test_the_table_lists_every_site(pdf: Opened) -> None:
    """Name, row, tree, cavities and females of each site stand in the tables, in hanging order."""
    text = "\n".join(pdf.texts)
    for site in PLAN.sites:
        assert re.search(rf"^{site.number} {site.site_id} {site.row} {site.tree} \S+ {site.cavities} {site.females} ", text, re.M)
    assert "Row 2: T" in text.replace("\u00a0", " ")


def test_map_square_of_the_table_is_right(large: Opened) -> None:
    """The page and square that the table gives for a site are where its number is printed."""
    text = "\n".join(large.texts)
    for site in LARGE.sites[::37]:
        hit = re.search(rf"^{site.number} {site.site_id} \d+ \d+ p(\d+) ([A-H])(\d)", text, re.M)
        assert hit
        i = int(hit[1]) - 1
        printed = {t for t, _box in numbers(large.page(i), bold=True)}
        assert str(site.number) in printed or f"{site.number} (R" in large.texts[i]


def test_cautions_and_calls_stand_behind_each_block(pdf: Opened) -> None:
    """What can hurt is said once a block, and defers to label, rules and licence."""
    text = " ".join(" ".join(t.split()) for t in pdf.texts)
    for words in ("re-entry interval on the label", "epinephrine", "Ladders", "Vehicles", "licensed people", "Whom to call"):
        assert text.count(words) == 2


@pytest.mark.parametrize("status", ["relaxed", "fallback"])
def test_a_compromise_is_marked_on_every_page(status: str) -> None:
    """No page of a relaxed or fallback plan can be taken for a plain one."""
    plan = with_status(sample_plan(2, 12), status, "The walk limit was widened to 80 m.")  # type: ignore[arg-type]
    mark = {"relaxed": "LIMITS WIDENED|limits widened", "fallback": "FALLBACK LAYOUT"}[status]
    assert all(re.search(mark, text) for text in texts(plan))
    assert not any(re.search(mark, text) for text in texts(sample_plan(2, 12)))


def test_plan_number_and_date_on_each_map(pdf: Opened) -> None:
    """The plan number is on every page; without a date a blank is left to fill."""
    assert all("a1b2c3d4" in text for text in pdf.texts)
    assert "2027-02-08" in pdf.texts[0]
    text = texts(sample_plan(1, 8, plan_date=None))[1]
    assert "Date" in text and "magnetic" not in text and "declination: set a date in the plan" in text


def test_declination_is_given_with_a_date(pdf: Opened) -> None:
    """World Magnetic Model 2025 at 37.41° N 120.62° W in 2027: 12.4° E (computed by pygeomag)."""
    assert "magnetic north 12.4° E of true (2027)" in pdf.texts[1]
    late = texts(sample_plan(1, 8, plan_date=date(2044, 1, 1)))[1]
    assert "magnetic" not in late and "declination: not known for 2044" in late


@pytest.mark.parametrize("name", HOSTILE)
def test_any_name_can_be_printed(name: str) -> None:
    """Names of any script, markup or template code are printed or marked, never run, and never stop the sheet."""
    text = texts(sample_plan(1, 6, names=[name]))[0]
    assert "N1" in text
    if name.startswith("北"):
        assert "?" in text
    elif name.isascii():
        assert name[:8] in text


@pytest.mark.parametrize("units", ["us", "metric"])
def test_same_plan_same_bytes(units: str) -> None:
    """Nothing of the clock or of chance goes into the file."""
    one, two = (sheet(sample_plan(1, 12, units=units)) for _ in range(2))  # type: ignore[arg-type]
    assert one == two
    made = PdfReader(BytesIO(one)).metadata
    assert made is not None and made.creation_date is not None and made.creation_date.year == 2000


def test_a_block_without_sites_or_rows_is_drawn() -> None:
    """A block where no shelter fits still gets its map and says so."""
    plan = sample_plan(2, 8)
    bare: Plan = with_status(plan, "no_site", "No tree is outside every keep-out.")
    sites = tuple(s for s in bare.sites if s.block_id != "North 1")
    blocks = (replace(bare.orchard.blocks[0], rows=None, alleys=()), *bare.orchard.blocks[1:])
    bare = replace(bare, sites=sites, orchard=replace(bare.orchard, blocks=blocks))
    assert "NO SITE" in texts(bare)[1]


def test_blocks_whose_names_have_no_room_are_told_apart_by_their_codes() -> None:
    """Little blocks side by side with long names: each is found on the overview by its code and page, which the index explains."""
    names = [f"Señora de los Nogales Altos y la Ciénaga {k}" for k in range(8)]
    page = texts(sample_plan(8, 4, rows=8, trees=12, features=False, names=names))[0]
    assert "No room to label" not in page
    for k in range(1, 9):
        assert re.search(rf"^N{k}$", page, re.M), k
    assert re.search(r"^North 1$", texts(PLAN)[0], re.M)  # names where there is room


def test_legends_tell_of_sites_what_the_map_shows() -> None:
    """Specks on the overview, numbered rings on a block's map; the contractor's map numbers none."""
    overview, block = texts(PLAN)[:2]
    assert re.search(r"^shelter$", overview, re.M) and "shelter and its number" not in overview
    assert "shelter and its number" in block
    spray = Opened(contractor(PLAN)).texts[0]
    assert re.search(r"^shelter$", spray, re.M) and "shelter and its number" not in spray


@pytest.mark.parametrize("page", ["letter", "a4"])
@pytest.mark.parametrize("has_goods", [False, True])
def test_heads_of_the_site_table_are_whole_words_in_spanish(page: str, has_goods: bool) -> None:
    """Narrow columns break no word, on the narrower paper and beside packages and facing either."""
    given = SiteSupply(packages=(("Tubes 50", 2),), cavities=100, facing_deg=135.0, facing_magnetic_deg=122.6, load=1, place_in_load=1, short=0)
    plan = replace(PLAN, supply=(given,) * len(PLAN.sites) if has_goods else ())
    lists = next(t for t in Opened(sheet(plan, page=page, lang="es")).texts if "Sitios del bloque" in t)
    for word in ("Hilera", "Cavidades", "colgado", "revisado", "recogido"):
        assert re.search(rf"\b{word}\b", lists), word


def test_many_blocks_get_an_index_of_their_own() -> None:
    """With more blocks than the overview holds, the index runs on to its own page and page numbers are right."""
    pages = texts(sample_plan(16, 2, rows=4, trees=4, features=False))
    for number in (1, 7, 16):
        first = int(re.search(rf"^North {number} N{number} .* (\d+)–\d+", pages[1], re.M)[1])  # type: ignore[index]
        assert re.search(rf"block North {number}\b", pages[first - 1])
        assert f"page {first} of {len(pages)}" in pages[first - 1]


@pytest.mark.parametrize(
    ("text", "printed"),
    [("R14 T23, 5 ft", "R14 T23, 5 ft"), ("Ñandú", "Ñandú"), ("ạ", "a"), ("a\tb", "a b"), ("東", "?"), ("", "")],
)
def test_letters_that_the_type_lacks_are_replaced(text: str, printed: str) -> None:
    """Accents fall where they must, blanks stay blanks, the rest is a question mark."""
    assert printable(text) == printed


def test_the_type_has_all_plain_letters() -> None:
    """Every printable sign of ASCII, in each face, so that these need no look."""
    assert _glyphs() >= {code for code in range(128) if chr(code).isprintable()}
