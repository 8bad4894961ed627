"""Measure the pictures: bytes and CPU time of map and sheet, and how a slowed-down browser copes with the map.

    python tests/bench/draw.py [--browser /usr/bin/chromium]
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "draw"))

from plans import sample_plan, section_plan

from mudcap.draw.sheet import sheet
from mudcap.draw.webmap import skeleton, web_map

THROTTLE = 4
"""The browser's CPU is slowed by this factor, as a cheap phone's."""


def main() -> None:
    """Print one line a plan."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--browser", default="/usr/bin/chromium")
    options = parser.parse_args()
    skeleton()
    plans = {
        "2 blocks, 80 sites": sample_plan(2, 40),
        "40 acres, 360 sites": sample_plan(1, 360, rows=60, trees=73),
        "60 blocks, 2,400 sites": sample_plan(60, 40),
        "640 acres, 6,000 sites": section_plan(),
    }
    print(f"{'plan':24} {'map kB':>8} {'map s':>6} {'pdf kB':>8} {'pdf s':>6} {'pages':>6} {'load s':>7} {'frame ms':>9}")
    for name, plan in plans.items():
        start = time.process_time()
        page = web_map(plan)
        middle = time.process_time()
        pdf = sheet(plan)
        end = time.process_time()
        load_s, frame_ms = browse(page, options.browser)
        print(
            f"{name:24} {len(page.encode()) / 1000:8.0f} {middle - start:6.2f} {len(pdf) / 1000:8.0f} "
            f"{end - middle:6.2f} {pdf.count(b'/Type /Page' + bytes([10])):6} {load_s:7.2f} {frame_ms:9.0f}"
        )


def browse(page: str, browser: str) -> tuple[float, float]:
    """Seconds until the map is drawn and the median milliseconds of a frame while it is dragged, CPU slowed."""
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as folder, sync_playwright() as play:
        file = Path(folder) / "map.html"
        file.write_text(page, encoding="utf-8")
        chromium = play.chromium.launch(executable_path=browser, args=["--no-sandbox"])
        context = chromium.new_context(viewport={"width": 412, "height": 915}, offline=True, has_touch=True)
        tab = context.new_page()
        context.new_cdp_session(tab).send("Emulation.setCPUThrottlingRate", {"rate": THROTTLE})
        start = time.perf_counter()
        tab.goto(file.as_uri())
        tab.evaluate("() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
        load_s = time.perf_counter() - start
        frames = tab.evaluate(
            """async () => {
              const map = window[document.querySelector(".folium-map").id], times = [];
              for (let k = 0; k < 12; k++) {
                const from = performance.now();
                map.panBy([k % 2 ? -60 : 60, 30 * (k % 3 - 1)], { animate: false });
                await new Promise((done) => requestAnimationFrame(() => setTimeout(done)));
                times.push(performance.now() - from);
              }
              return times;
            }"""
        )
        chromium.close()
    return load_s, statistics.median(frames)


if __name__ == "__main__":
    main()
