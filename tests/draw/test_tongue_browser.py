"""The map in two languages, in a real browser with the network cut."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from plans import sample_plan
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
    """Open a map offline; afterwards no console error, page error or request but for the file itself may have been seen."""
    trouble: list[str] = []
    contexts: list[Any] = []
    file = tmp_path / "map.html"

    def open_page(lang: str, **options: Any) -> Page:
        file.write_text(web_map(sample_plan(), lang), encoding="utf-8")
        contexts.append(browser.new_context(viewport={"width": 1000, "height": 760}, offline=True, **options))
        page: Page = contexts[-1].new_page()
        page.on("console", lambda m: trouble.append(m.text) if m.type in ("error", "warning") and not m.text.startswith("Canvas2D") else None)
        page.on("pageerror", lambda e: trouble.append(str(e)))
        page.on("request", lambda r: trouble.append(r.url) if r.url != file.as_uri() else None)
        page.goto(file.as_uri())
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert trouble == []


def words_on(page: Page) -> str:
    """All that can be read on the page, with its hints and labels."""
    return str(
        page.evaluate(
            """() => [document.body.innerText, ...[...document.querySelectorAll("[placeholder],[aria-label],[title]")]
              .flatMap((n) => [n.placeholder, n.getAttribute("aria-label"), n.title])].filter(Boolean).join("\\n")"""
        )
    )


def tongues(page: Page) -> list[dict[str, Any]]:
    """The languages that the page holds."""
    found = json.loads(page.locator("#mudcap-data").text_content() or "")["tongues"]
    assert isinstance(found, list)
    return found


def open_all(page: Page) -> None:
    """Layers, search, crew mode, the form of a site and what is handed over."""
    page.click("#layers-button")
    page.click("#checks-button")
    page.fill("#search", "1")
    page.press("#search", "Enter")
    page.click("#round-file")


@pytest.mark.parametrize("lang", ["en", "es"])
def test_a_page_of_one_language_has_no_switch(visit, lang):
    """And says which it is."""
    page = visit(lang)
    expect(page.locator("#tongue")).to_be_hidden()
    assert page.locator("html").get_attribute("lang") == lang and tongues(page) == []


def test_the_switch_says_everything_in_the_other_language_and_back(visit):
    """Open card, form, layers, hints: what stays on the page is the same as where it is opened in that language at once."""
    page = visit("both", locale="en-US")
    open_all(page)
    english = words_on(page)
    assert page.locator("#tongue").get_attribute("aria-label") == "Español"
    page.click("#tongue")
    expect(page.locator("html")).to_have_attribute("lang", "es")
    expect(page.locator("#checks-button")).to_have_text("Revisiones")
    spanish = words_on(page)
    page.click("#tongue")
    expect(page.locator("#checks-button")).to_have_text("Checks")
    assert words_on(page) == english
    only = visit("es")
    open_all(only)
    at_once = words_on(only)
    assert [line for line in spanish.splitlines() if line not in ("EN", "English")] == at_once.splitlines()


def test_no_word_of_one_language_is_left_on_the_page_of_the_other(visit):
    """Of all words that the page can say in English and says differently in Spanish, none is seen after the switch."""
    page = visit("both", locale="en-US")
    open_all(page)
    page.click("#tongue")
    expect(page.locator("html")).to_have_attribute("lang", "es")
    english, spanish = (t["words"] for t in tongues(page))
    titles = [(a[0], b[0]) for a, b in zip(*(t["layers"] for t in tongues(page)), strict=True)]
    lines = set(words_on(page).splitlines())
    differing = {e for e, s in [*((english[k], spanish[k]) for k in english), *titles] if e != s}
    assert len(differing) > 60 and not lines & differing


def test_the_choice_is_kept_and_the_first_follows_the_browser(visit):
    """A Spanish phone begins in Spanish; what was chosen by hand wins after a reload."""
    page = visit("both", locale="es-MX")
    expect(page.locator("html")).to_have_attribute("lang", "es")
    page.click("#tongue")
    page.reload()
    expect(page.locator("html")).to_have_attribute("lang", "en")
    expect(page.locator("#layers-button")).to_have_text("Layers")


def test_what_is_typed_survives_the_switch(visit):
    """A note and ticks that are not saved yet, and what was saved is told in the other language."""
    page = visit("both", locale="en-US")
    page.click("#checks-button")
    page.fill("#search", sample_plan().sites[0].site_id)
    page.press("#search", "Enter")
    page.fill("#card textarea", "hormigas en la rama")
    page.check("#card input[value=ants]")
    page.check("#card input[value=checked]")
    page.click("#tongue")
    expect(page.locator("#card textarea")).to_have_value("hormigas en la rama")
    expect(page.locator("#card input[value=ants]")).to_be_checked()
    page.click("#card .check .main")
    expect(page.locator("#card .saved")).to_contain_text("Revisado, Hormigas, hormigas en la rama")
    page.click("#tongue")
    expect(page.locator("#card .saved")).to_contain_text("Checked, Ants, hormigas en la rama")


def test_a_row_and_tree_are_found_in_spanish_too(visit):
    """H for hilera, A for árbol, and whole words."""
    page = visit("es")
    site = sample_plan().sites[0]
    for text in (f"R{site.row} T{site.tree}", f"h{site.row} a{site.tree}", f"hilera {site.row}, árbol {site.tree}"):
        page.fill("#search", text)
        page.click(f"#found button:has-text('{site.site_id}')")
        expect(page.locator("#card .where")).to_have_text(f"Hilera {site.row}, árbol {site.tree} · {site.site_id}")


def test_without_script_both_languages_stand_side_by_side(visit):
    """The table's heads, and nothing twice that is the same."""
    page = visit("both", java_script_enabled=False)
    heads = page.locator(".still th").all_inner_texts()
    assert "Site name / Nombre" in heads and "Clean mud / Lodo limpio" in heads
