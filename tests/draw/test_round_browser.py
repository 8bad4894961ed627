"""A round's map in a real browser with the network cut."""

from __future__ import annotations

from pathlib import Path

from playwright.sync_api import sync_playwright

from mudcap.draw.webmap import web_map
from mudcap.plan.round_make import make_round
from mudcap.plan.round_model import RoundOptions
from round_plans import every_third, plan_at, three_blocks

CHROMIUM = Path("/usr/bin/chromium")
DARK = """() => {
  const node = document.querySelector(".leaflet-points-pane canvas") || document.querySelector("canvas");
  const data = node.getContext("2d").getImageData(0, 0, node.width, node.height).data;
  let dark = 0;
  for (let i = 3; i < data.length; i += 4) if (data[i] > 128 && data[i - 3] < 80) dark += 1;
  return dark;
}"""
PIXEL = """(at) => {
  const node = document.querySelector(".folium-map"), p = window[node.id].latLngToContainerPoint(at);
  const box = node.getBoundingClientRect();
  return [box.left + p.x, box.top + p.y];
}"""
WAYS = "() => document.querySelectorAll('path[stroke=\"#00558f\"]').length"


def test_a_days_route_is_switched_on_and_off_and_told(tmp_path):
    """Day 1 is shown, day 2 not; switching it draws its way and order; a click on the way tells the day; nothing goes wrong."""
    plan = plan_at(three_blocks(), [s for b in ("West", "Mid", "East") for s in every_third(b)])
    made = make_round(plan, RoundOptions(task="check", num_days=3, day_s=1800.0, lunch_s=None))
    assert {d.day for d in made.days} >= {0, 1}
    file = tmp_path / "map.html"
    file.write_text(web_map(plan, "en", made), encoding="utf-8")
    trouble: list[str] = []
    with sync_playwright() as play:
        path = str(CHROMIUM) if CHROMIUM.exists() else None
        browser = play.chromium.launch(executable_path=path, args=["--no-sandbox"])
        page = browser.new_context(viewport={"width": 1000, "height": 760}, offline=True).new_page()
        page.on("pageerror", lambda e: trouble.append(str(e)))
        page.on("console", lambda m: trouble.append(m.text) if m.type == "error" else None)
        page.goto(file.as_uri())
        page.click("#layers-button")
        first, second = (page.locator(f'[data-layer="round-A{n}"]') for n in (1, 2))
        assert first.is_checked() and not second.is_checked()
        before, ways = page.evaluate(DARK), page.evaluate(WAYS)
        second.check()
        assert page.evaluate(DARK) > before + 50 and page.evaluate(WAYS) > ways
        first.uncheck()
        second.uncheck()
        assert page.evaluate(DARK) < before and page.evaluate(WAYS) < ways
        first.check()
        page.click("#layers-button")
        lon, lat = plan.orchard.plane.to_lonlat([(-12.0, -3.0)])[0]  # on the road between yard and blocks
        page.mouse.click(*page.evaluate(PIXEL, [lat, lon]))
        assert "Routes by day: Day 1, crew A" in page.locator("#card").inner_text()
        browser.close()
    assert trouble == []


def test_the_next_form_follows_the_route(tmp_path):
    """On a round's map the stops come in the order of the day; the card and the search know them."""
    plan = plan_at(three_blocks(), [s for b in ("West", "Mid", "East") for s in every_third(b)])
    made = make_round(plan, RoundOptions(task="check", lunch_s=None))
    (day,) = made.days
    file = tmp_path / "map.html"
    file.write_text(web_map(plan, "en", made), encoding="utf-8")
    with sync_playwright() as play:
        path = str(CHROMIUM) if CHROMIUM.exists() else None
        browser = play.chromium.launch(executable_path=path, args=["--no-sandbox"])
        page = browser.new_context(viewport={"width": 390, "height": 844}, offline=True).new_page()
        page.goto(file.as_uri())
        page.click("#checks-button")
        page.fill("#search", "a1")
        page.press("#search", "Enter")
        for k, stop in enumerate(day.stops[:-1]):
            assert page.get_attribute("#card", "data-site") == stop.visit.name
            assert page.inner_text("#card .where").endswith(f"stop A{k + 1}")
            page.check("input[name=state][value=checked]")
            page.click(".check .main")
            assert page.inner_text("#card .next").startswith(f"A{k + 2}: Next: site {day.stops[k + 1].visit.number}")
            page.click("#card .next")
        browser.close()


def test_far_away_only_the_order_of_stops_is_numbered(tmp_path):
    """Beside a round's stops, sites get their numbers only close by, where there is room for both."""
    plan = plan_at(three_blocks(), [s for b in ("West", "Mid", "East") for s in every_third(b)])
    made = make_round(plan, RoundOptions(task="check"))
    file = tmp_path / "map.html"
    file.write_text(web_map(plan, "en", made), encoding="utf-8")
    spy = """() => { const real = CanvasRenderingContext2D.prototype.fillText; window.texts = [];
             CanvasRenderingContext2D.prototype.fillText = function (t, ...a) { if (this.font.startsWith("bold 15px")) window.texts.push(t); real.call(this, t, ...a); }; }"""
    look = """(zoom) => { window.texts = []; window[document.querySelector(".folium-map").id].setZoom(zoom, { animate: false }); return window.texts; }"""
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=str(CHROMIUM) if CHROMIUM.exists() else None, args=["--no-sandbox"])
        page = browser.new_context(viewport={"width": 1000, "height": 760}, offline=True).new_page()
        page.goto(file.as_uri())
        page.evaluate(spy)
        seen = [page.evaluate(look, zoom) for zoom in (17, 18, 19, 20, 21)]
        browser.close()
    kinds = [(any(t[0] == "A" for t in texts), any(t.isdigit() for t in texts)) for texts in seen]
    assert kinds[0] == (False, False)
    assert (True, False) in kinds
    assert kinds[-1] == (True, True)
