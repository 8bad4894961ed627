"""The map in a real browser with the network cut."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from plans import HOSTILE, sample_plan, section_plan
from playwright.sync_api import Browser, Page, expect, sync_playwright

from mudcap.draw.webmap import web_map

CHROMIUM = Path("/usr/bin/chromium")
Visit = Callable[..., Page]


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
    """Open a plan's map offline; afterwards no console error, page error or request may have been seen."""
    trouble: list[str] = []
    contexts: list[Any] = []

    def open_page(plan: Any, **options: Any) -> Page:
        file = tmp_path / "map.html"
        file.write_text(web_map(plan), encoding="utf-8")
        context = browser.new_context(viewport={"width": 1000, "height": 760}, offline=True, **options)
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda m: trouble.append(m.text) if _is_trouble(m.type, m.text) else None)
        page.on("pageerror", lambda e: trouble.append(str(e)))
        page.on("request", lambda r: trouble.append(r.url) if r.url != file.as_uri() else None)
        page.goto(file.as_uri())
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert trouble == []


def _is_trouble(kind: str, text: str) -> bool:
    """Errors and warnings, but for the browser's advice about these tests' own reading of the canvas."""
    return kind in ("error", "warning") and not text.startswith("Canvas2D: Multiple readback")


def click_site(page: Page, index: int) -> None:
    """Click where a site is drawn."""
    at = page.evaluate(
        """(i) => {
          const data = JSON.parse(document.getElementById("mudcap-data").textContent);
          let x = data.origin[0], y = data.origin[1];
          for (let k = 0; k <= i; k++) { x += data.sites.at[2 * k]; y += data.sites.at[2 * k + 1]; }
          const node = document.querySelector(".folium-map"), p = window[node.id].latLngToContainerPoint([y * 1e-7, x * 1e-7]);
          const box = node.getBoundingClientRect();
          return [box.left + p.x, box.top + p.y];
        }""",
        index,
    )
    page.mouse.click(*at)


def dark_pixels(page: Page) -> int:
    """Pixels drawn on the canvas of points."""
    return int(
        page.evaluate(
            """() => {
              const c = document.querySelector("canvas");
              const d = c.getContext("2d").getImageData(0, 0, c.width, c.height).data;
              let n = 0;
              for (let i = 3; i < d.length; i += 4) if (d[i] > 128) n++;
              return n;
            }"""
        )
    )


def test_a_click_on_a_site_shows_its_card(visit: Visit) -> None:
    """The card names the site, its address and what it gets."""
    plan = sample_plan(2, 40)
    page = visit(plan)
    click_site(page, 11)
    site, text = plan.sites[11], page.inner_text("#card")
    for words in ("Site 12", f"Row {site.row}, tree {site.tree}", site.site_id, "North 1", "88", "44", "45 ft", "59 ft"):
        assert words in text
    page.click("#card .close")
    assert page.is_hidden("#card")
    click_site(page, 2)
    assert "pinned by hand" in page.inner_text("#card")
    click_site(page, 4)
    assert "too far to walk" in page.inner_text("#card")


def test_search_by_number_name_and_address(visit: Visit) -> None:
    """Each way of naming a site finds it and opens its card."""
    plan = sample_plan(2, 40)
    page = visit(plan)
    site = plan.sites[57]
    for words in (site.site_id, f"R{site.row} T{site.tree}", f"row {site.row} tree {site.tree}", f"{site.row} {site.tree}"):
        page.fill("#search", words)
        assert site.site_id in page.inner_text("#found")
        page.click(f"#found button:has-text('{site.site_id}')")
        assert page.get_attribute("#card", "data-site") == site.site_id
    page.fill("#search", "18")
    assert page.locator("#found button").count() == 2
    page.press("#search", "Enter")
    assert "Site 18" in page.inner_text("#card")
    page.click("#card .close")
    page.fill("#search", "18")
    page.press("#search", "Enter")
    assert page.is_hidden("#card") and page.is_visible("#found")  # two are meant alike: a person chooses
    for words in ("north 2 18", "18 north 2", "N218"):
        page.fill("#search", words)
        page.press("#search", "Enter")
        assert "Site 18 · North 2" in page.inner_text("#card"), words
        page.click("#card .close")
    page.fill("#search", "R99 T1")
    assert page.inner_text("#found").startswith("No shelter at R99 T1. Nearest in each block:") and page.locator("#found button").count() == 2
    page.press("#search", "Enter")
    assert page.is_hidden("#card")
    page.fill("#search", "no such thing")
    assert page.inner_text("#found") == "No site found"


def test_layers_can_be_switched(visit: Visit) -> None:
    """Sites vanish and come back; catchments are off until asked for."""
    page = visit(sample_plan(2, 40))
    page.click("#layers-button")
    names = page.eval_on_selector_all("#layers input", "nodes => nodes.map(n => n.dataset.layer)")
    assert set(names) >= {"blocks", "rows", "roads", "spray_lanes", "sites", "mud", "keep_outs", "excluded", "gates",
                          "forage", "hives", "hazards", "catchments", "closures", "water"}  # fmt: skip
    before = dark_pixels(page)
    page.uncheck("input[data-layer=sites]")
    page.uncheck("input[data-layer=excluded]")
    without = dark_pixels(page)
    assert without < before * 0.7
    page.check("input[data-layer=sites]")
    page.check("input[data-layer=excluded]")
    assert dark_pixels(page) == before
    paths = page.locator(".leaflet-overlay-pane path").count()
    page.check("input[data-layer=catchments]")
    assert page.locator(".leaflet-overlay-pane path").count() == paths + 1
    page.uncheck("input[data-layer=blocks]")
    assert page.locator(".leaflet-overlay-pane path").count() == paths - 1


def test_numbers_show_only_when_near(visit: Visit) -> None:
    """At low zoom there is a block name and no site numbers; close by it is the other way round."""
    page = visit(sample_plan(1, 360, rows=60, trees=73))
    assert page.locator(".block-name").count() == 1
    page.evaluate(
        """() => { window.texts = []; const real = CanvasRenderingContext2D.prototype.fillText;
             CanvasRenderingContext2D.prototype.fillText = function (t, ...a) { window.texts.push(t); real.call(this, t, ...a); }; }"""
    )
    page.fill("#search", "200")
    page.press("#search", "Enter")
    drawn = page.evaluate("window.texts")
    assert "200" in drawn and "1" not in {t for t in drawn if t in ("1", "360")}
    assert page.locator(".block-name").count() == 0


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_do_nothing(visit: Visit, name: str) -> None:
    """Markup, script and template code in every name is shown as text and never runs."""
    page = visit(sample_plan(2, 12, names=[name, name + " 2"]))
    click_site(page, 0)
    assert name.strip()[:6] in page.inner_text("#card")
    page.fill("#search", "n1")
    page.keyboard.press("Escape")
    page.click("#layers-button")
    for style in ("#card img", "#found img", "#layers img", ".block-name img"):
        assert page.locator(style).count() == 0
    assert page.evaluate("window.hit") is None
    assert name in page.title()


def test_touch_targets_are_large(visit: Visit) -> None:
    """Every button, box and line that is tapped is at least 44 pixels high, on a phone too."""
    page = visit(sample_plan(2, 12), has_touch=True)
    page.set_viewport_size({"width": 390, "height": 780})
    click_site(page, 0)
    page.click("#layers-button")
    heights = page.eval_on_selector_all(
        "button, #search, #layers label", "nodes => nodes.map(n => n.getBoundingClientRect().height).filter(h => h)"
    )
    assert len(heights) > 15 and min(heights) >= 44
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


def test_without_script_there_is_a_picture_and_a_table(visit: Visit) -> None:
    """A viewer that runs no script shows the still map and every site."""
    plan = sample_plan(2, 12)
    page = visit(plan, java_script_enabled=False)
    assert page.locator(".still svg").is_visible()
    assert page.locator(".still td", has_text=plan.sites[-1].site_id).is_visible()


def test_own_position_is_shown(visit: Visit) -> None:
    """Where the browser gives a position, the card says how far and which way the site is."""
    plan = sample_plan(1, 12)
    site = plan.sites[0]
    page = visit(plan, geolocation={"latitude": site.lat - 0.0009, "longitude": site.lon}, permissions=["geolocation"])
    click_site(page, 0)
    page.click("#here")
    expect(page.locator("#card")).to_contain_text("From you")
    assert "328 ft to the north" in page.inner_text("#card") and page.is_hidden("#position")


FIXES = """() => {
  window.fixes = [];
  navigator.geolocation.watchPosition = (found, failed) => { window.fixes = [found, failed]; return 1; };
}"""


def test_no_fix_yet_keeps_seeking_and_says_so(visit: Visit) -> None:
    """A time out is no end: the card stays, the next fix counts, and one that is not sure is told as such."""
    plan = sample_plan(1, 12)
    page = visit(plan)
    page.evaluate(FIXES)
    click_site(page, 0)
    page.click("#here")
    assert "Looking for satellites" in page.inner_text("#position")
    page.evaluate("window.fixes[1]({code: 3, message: 'Timeout expired.'})")
    assert "Looking for satellites" in page.inner_text("#position") and page.get_attribute("#here", "aria-pressed") == "true"
    assert page.get_attribute("#card", "data-site") == plan.sites[0].site_id
    fix = {"coords": {"latitude": plan.sites[0].lat - 0.0009, "longitude": plan.sites[0].lon, "accuracy": 20}, "timestamp": 0}
    page.evaluate("fix => window.fixes[0](fix)", fix)
    assert "328 ft to the north (give or take 66 ft: it may be another shelter)" in page.inner_text("#card")
    assert page.is_hidden("#position")


def test_a_position_that_is_not_allowed_is_told_in_our_words(visit: Visit) -> None:
    """One line with the next step; the card stays as it is."""
    page = visit(sample_plan(1, 12))
    page.evaluate(FIXES)
    click_site(page, 0)
    page.click("#here")
    page.evaluate("window.fixes[1]({code: 1, message: 'User denied Geolocation'})")
    said = page.inner_text("#position")
    assert "Allow it in the browser's settings" in said and "Geolocation" not in said
    assert page.get_attribute("#here", "aria-pressed") == "false" and "Site 1" in page.inner_text("#card")


def test_six_thousand_sites_work(visit: Visit) -> None:
    """A section of land opens, finds and shows a site."""
    page = visit(section_plan())
    page.fill("#search", "5999")
    page.press("#search", "Enter")
    assert "Site 5999" in page.inner_text("#card")
    assert dark_pixels(page) > 500


@pytest.mark.parametrize("width", [320, 390])
def test_a_long_block_name_stays_on_a_phone(visit: Visit, width: int) -> None:
    """It goes into as many lines as it needs and moves in from the edge, where its block is dragged to as well."""
    page = visit(sample_plan(2, 200, rows=30, trees=40, names=["The long ground beyond the creek that was bought last", "Short"]))
    page.set_viewport_size({"width": width, "height": 700})
    page.click("#fit")
    for step in (0, -90, 180):
        page.evaluate("(dx) => window[document.querySelector('.folium-map').id].panBy([dx, 0], { animate: false })", step)
        boxes = page.eval_on_selector_all(
            ".block-name:not([hidden]) span",
            "nodes => nodes.map(n => [n.getBoundingClientRect().left, n.getBoundingClientRect().right])",
        )
        assert boxes, step
        assert all(left >= 0 and right <= width for left, right in boxes), (step, boxes)
