"""What the map shows under and round the sites: rings, imagery that is asked for only when ticked, a clear view from afar."""

from __future__ import annotations

import base64
import io
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from plans import sample_plan, section_plan
from playwright.sync_api import Browser, Page, expect, sync_playwright
from shapely import box, unary_union

from mudcap.draw.webmap import web_map
from mudcap.draw.webmap_payload import Photo

CHROMIUM = Path("/usr/bin/chromium")
Visit = Callable[..., Page]
DOT = base64.b64decode(b"iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNk+M9QDwADhgGAWjR9awAAAABJRU5ErkJggg==")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One headless Chromium, the system's own where there is one."""
    with sync_playwright() as play:
        path = str(CHROMIUM) if CHROMIUM.exists() else None
        made = play.chromium.launch(executable_path=path, args=["--no-sandbox"])
        yield made
        made.close()


@pytest.fixture
def visit(browser: Browser, tmp_path: Path) -> Iterator[Visit]:
    """Open a plan's map with a made-up network that answers every picture; `page.asked` lists the addresses."""
    contexts: list[Any] = []

    def open_page(plan: Any, *, answers: bool = True, size: tuple[int, int] = (1000, 760), photo: Photo | None = None) -> Page:
        file = tmp_path / "map.html"
        file.write_text(web_map(plan, photo=photo), encoding="utf-8")
        context = browser.new_context(viewport={"width": size[0], "height": size[1]})
        contexts.append(context)
        page = context.new_page()
        asked: list[str] = []
        page.asked = asked  # type: ignore[attr-defined]

        def answer(route: Any) -> None:
            asked.append(route.request.url)
            if answers:
                route.fulfill(body=DOT, content_type="image/png")
            else:
                route.abort()

        page.route(lambda url: not url.startswith("file:"), answer)
        page.goto(file.as_uri())
        return page

    yield open_page
    for context in contexts:
        context.close()


def test_imagery_asks_nothing_until_it_is_ticked(visit: Visit) -> None:
    """No request while the map is used; ticked, only the named server is asked; unticked, nothing more."""
    page = visit(sample_plan(1, 20))
    page.click("#layers-button")
    page.fill("#search", "7")
    page.press("#search", "Enter")
    page.click("#closer")
    page.wait_for_timeout(200)
    assert page.asked == []
    with page.expect_request("https://basemap.nationalmap.gov/**"):
        page.check("input[data-layer=imagery]")
    page.wait_for_timeout(200)
    assert page.asked and all(u.startswith("https://basemap.nationalmap.gov/arcgis/rest/services/USGSImageryOnly/") for u in page.asked)
    assert "U.S. Geological Survey" in page.inner_text(".leaflet-control-attribution")
    page.uncheck("input[data-layer=imagery]")
    page.wait_for_timeout(200)
    before = len(page.asked)
    page.click("#wider")
    page.wait_for_timeout(400)
    assert len(page.asked) == before


def test_imagery_takes_another_server_but_no_other_kind_of_address(visit: Visit) -> None:
    """An address without its places, or not https, is refused in words and asks nothing."""
    page = visit(sample_plan(1, 20))
    page.click("#layers-button")
    for wrong in ("javascript:alert(1)", "http://tiles.example/{z}/{x}/{y}.png", "https://tiles.example/1.png", ""):
        page.fill("#imagery input[type=url]", wrong)
        page.locator("input[data-layer=imagery]").click()
        assert not page.is_checked("input[data-layer=imagery]")
        assert "must begin with https://" in page.inner_text("#imagery [role=status]")
    assert page.asked == []
    page.fill("#imagery input[type=url]", "https://tiles.example/<b>/{z}/{x}/{y}.png")
    with page.expect_request("https://tiles.example/**"):
        page.check("input[data-layer=imagery]")
    assert page.locator(".leaflet-control-attribution b").count() == 0
    assert {u.split("/")[2] for u in page.asked} == {"tiles.example"}


def test_imagery_without_signal_is_told(visit: Visit) -> None:
    """The map goes on; the list of layers says that pictures did not come."""
    page = visit(sample_plan(1, 20), answers=False)
    page.click("#layers-button")
    page.check("input[data-layer=imagery]")
    expect(page.locator("#imagery [role=status]")).to_contain_text("did not come")


def test_a_picture_from_the_air_lies_under_the_map(visit: Visit) -> None:
    """It fills its box to the pixel, comes out of the file itself, lets the ground through, and can be switched off."""
    plan = sample_plan(1, 20)
    out = io.BytesIO()
    Image.new("RGB", (40, 30), (90, 120, 60)).save(out, "JPEG")
    lons, lats = [s.lon for s in plan.sites], [s.lat for s in plan.sites]
    box = (min(lats), min(lons), max(lats), max(lons))
    page = visit(plan, photo=(out.getvalue(), box))
    expect(page.locator(".leaflet-tile-pane img")).to_have_js_property("naturalWidth", 40)
    wanted = page.evaluate(
        """([s, w, n, e]) => { const map = window[document.querySelector(".folium-map").id], b = map.getContainer().getBoundingClientRect();
             const a = map.latLngToContainerPoint([n, w]), c = map.latLngToContainerPoint([s, e]);
             return [a.x + b.left, a.y + b.top, c.x - a.x, c.y - a.y]; }""",
        list(box),
    )
    seen = page.eval_on_selector(".leaflet-tile-pane img", "n => { const b = n.getBoundingClientRect(); return [b.x, b.y, b.width, b.height]; }")
    assert seen == pytest.approx(wanted, abs=1.5) and page.asked == []
    assert page.eval_on_selector(".leaflet-overlay-pane path", "n => getComputedStyle(n).fillOpacity") == "0.2"
    page.click("#layers-button")
    page.uncheck("input[data-layer=photo]")
    assert page.locator(".leaflet-tile-pane img").count() == 0
    assert page.eval_on_selector(".leaflet-overlay-pane path", "n => getComputedStyle(n).fillOpacity") == "1"


def test_rings_stand_round_the_chosen_site(visit: Visit) -> None:
    """Three rings with their lengths, true to scale, that follow the site and go with it."""
    page = visit(sample_plan(1, 20))
    page.fill("#search", "7")
    page.press("#search", "Enter")
    page.click("#layers-button")
    paths = page.locator(".leaflet-overlay-pane path").count()
    page.check("input[data-layer=rings]")
    assert page.locator(".ring-name").all_inner_texts() == ["50 ft", "100 ft", "200 ft"]
    assert page.locator(".leaflet-overlay-pane path").count() == paths + 3
    radius = page.evaluate(
        """() => { const map = window[document.querySelector(".folium-map").id], out = [];
             map.eachLayer((l) => l.getRadius && l.options.dashArray === "2 6" && out.push(l.getRadius())); return out; }"""
    )
    assert radius == pytest.approx([15.24, 30.48, 60.96])
    page.click("#layers-button")
    page.click("#card .turn button:last-child")
    assert page.locator(".ring-name").count() == 3
    page.click("#card .close")
    assert page.locator(".ring-name").count() == 0


@pytest.mark.parametrize("size", [(390, 844), (1000, 760)])
def test_a_square_mile_seen_whole_is_no_blot(visit: Visit, size: tuple[int, int]) -> None:
    """With 6,000 sites on a small screen each is still there, and most of the ground between them stays clear."""
    page = visit(section_plan(), size=size)
    page.click("#layers-button")
    for key in ("gates", "mud", "water", "hives", "hazards", "chemical_store"):
        page.uncheck(f"input[data-layer={key}]")
    facts = page.evaluate(
        """() => {
          const map = window[document.querySelector(".folium-map").id], c = document.querySelector("canvas");
          const data = JSON.parse(document.getElementById("mudcap-data").textContent);
          const a = map.latLngToContainerPoint(data.bounds[0]), b = map.latLngToContainerPoint(data.bounds[1]);
          const d = c.getContext("2d").getImageData(0, 0, c.width, c.height).data;
          let ink = 0, marked = 0;
          for (let i = 3; i < d.length; i += 4) { ink += d[i] / 255; marked += d[i] > 20; }
          return { ink: ink, marked: marked, ground: Math.abs((b.x - a.x) * (a.y - b.y)) };
        }"""
    )
    assert facts["ink"] < 0.35 * facts["ground"] and facts["marked"] > 6000


def test_little_blocks_with_long_names_are_told_apart_by_their_codes(visit: Visit) -> None:
    """On a phone four long names would hide each other and all but one be left out; a name that has room stands in full."""
    names = [f"Señora de los Nogales {k}" for k in range(4)]
    page = visit(sample_plan(4, 60, rows=24, trees=40, names=names), size=(390, 844))
    shown = ".block-name:not([hidden]) span"
    assert page.locator(shown).all_inner_texts() == ["N1", "N2", "N3", "N4"]
    assert visit(sample_plan(1, 60, rows=24, trees=40, names=names), size=(390, 844)).locator(shown).all_inner_texts() == names[:1]


def test_a_block_in_two_parts_has_its_name_on_the_larger_one(visit: Visit) -> None:
    """Not on the neighbour's ground or the road between the parts."""
    plan = sample_plan(1, 200, rows=30, trees=40, features=False)
    (block,) = plan.orchard.blocks
    _left, bottom, right, top = block.polygon.bounds
    parts = unary_union([block.polygon, box(right + 300, bottom, right + 340, top)])
    orchard = replace(plan.orchard, blocks=(replace(block, polygon=parts),))
    page = visit(replace(plan, orchard=orchard), size=(390, 844))
    at = page.eval_on_selector(".block-name:not([hidden]) span", "n => n.getBoundingClientRect().left + n.getBoundingClientRect().width / 2")
    middle = page.evaluate(
        """() => {
          const map = window[document.querySelector(".folium-map").id], data = JSON.parse(document.getElementById("mudcap-data").textContent);
          return [data.bounds[0], data.bounds[1]].map((p) => map.latLngToContainerPoint(p).x);
        }"""
    )
    assert at < middle[0] + (middle[1] - middle[0]) * 0.45


def test_block_names_never_run_into_each_other(visit: Visit) -> None:
    """Sixty blocks in a row on a phone: some are named, no two names meet; nearer by, where the screen holds half as many blocks, a larger share is."""
    page = visit(sample_plan(60, 6, rows=8, trees=10), size=(390, 844))
    counts = []
    for zoom in (0, 1, 1):
        page.evaluate("(step) => { const m = window[document.querySelector('.folium-map').id]; m.setZoom(m.getZoom() + step, { animate: false }); }", zoom)
        boxes = page.eval_on_selector_all(
            ".block-name:not([hidden]) span", "nodes => nodes.map(n => n.getBoundingClientRect()).map(b => [b.left, b.top, b.right, b.bottom])"
        )
        counts.append(len(boxes))
        for i, a in enumerate(boxes):
            assert not any(a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3] for b in boxes[:i])
    assert 1 < counts[0] < 2 * counts[1] < 4 * counts[2]
