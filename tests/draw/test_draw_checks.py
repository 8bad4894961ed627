"""Crew mode of the offline map in a real browser: notes kept, handed over, merged, and never lost without a word."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from plans import HOSTILE, sample_plan
from playwright.sync_api import Browser, Page, expect, sync_playwright

import mudcap.files
from mudcap.draw.webmap import web_map
from mudcap.draw.webmap_words import check_choices

CHROMIUM = Path("/usr/bin/chromium")
SCHEMA = json.loads((Path(mudcap.files.__file__).parent / "checks.schema.json").read_text(encoding="utf-8"))
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
    """Open a plan's map offline in crew mode; afterwards no error and no request may have been seen."""
    trouble: list[str] = []
    contexts: list[Any] = []

    def open_page(plan: Any = None, *, before: str = "", zone: str = "America/Los_Angeles") -> Page:
        file = tmp_path / "map.html"
        file.write_text(web_map(plan or sample_plan(2, 20)), encoding="utf-8")
        context = browser.new_context(viewport={"width": 390, "height": 844}, offline=True, has_touch=True, timezone_id=zone)
        contexts.append(context)
        if before:
            context.add_init_script(before)
        page = context.new_page()
        page.on("console", lambda m: trouble.append(m.text) if m.type in ("error", "warning") else None)
        page.on("pageerror", lambda e: trouble.append(str(e)))
        page.on("request", lambda r: trouble.append(r.url) if r.url != file.as_uri() and not r.url.startswith("blob:") else None)
        page.goto(file.as_uri())
        page.click("#checks-button")
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert trouble == []


def go_to(page: Page, site: str) -> None:
    """Open a site's card by the search."""
    page.fill("#search", site)
    page.press("#search", "Enter")
    assert page.get_attribute("#card", "data-site") == site


def note(page: Page, site: str, state: str = "checked", *, capped: int | None = None, ticks: tuple[str, ...] = (), text: str = "") -> None:
    """Note one check as a crew does."""
    go_to(page, site)
    page.check(f"input[name=state][value={state}]")
    page.fill("#capped", "" if capped is None else str(capped))
    for tick in ticks:
        page.check(f".check input[value={tick}]")
    page.fill(".check textarea", text)
    page.click(".check .main")


def hand_over(page: Page) -> Any:
    """The file that the page writes, held against its schema."""
    if page.is_hidden("#handover"):
        page.click("#round-file")
    with page.expect_download() as waiting:
        page.click("#save-file")
    data = json.loads(Path(waiting.value.path()).read_text(encoding="utf-8"))
    jsonschema.validate(data, SCHEMA)
    assert waiting.value.suggested_filename.startswith("checks-a1b2c3d4-")
    return data


def add(page: Page, *files: tuple[str, str]) -> str:
    """Add files of other crews and return what the page says."""
    if page.is_hidden("#handover"):
        page.click("#round-file")
    page.evaluate("document.getElementById('told').replaceChildren()")
    page.set_input_files("#add-file", [{"name": n, "mimeType": "application/json", "buffer": t.encode()} for n, t in files])
    expect(page.locator("#told")).not_to_be_empty()
    return page.inner_text("#told")


def check(site: str, at: str, by: str = "B", **more: Any) -> dict[str, Any]:
    """One check as a file holds it."""
    return {"site": site, "at": at, "by": by, "state": "checked", "capped": None, "predators": [], "damage": [], "note": "", **more}


def file_of(*checks: dict[str, Any], **more: Any) -> str:
    """Text of a file of checks."""
    return json.dumps({"schema": "mudcap.checks/1", "plan": "a1b2c3d4", "ranch": "Test ranch", "crew": "B",
                       "written": "2027-03-01T12:00:00Z", "checks": list(checks), **more})  # fmt: skip


def test_the_choices_are_those_of_the_schema() -> None:
    """The page can tick exactly what the file may hold."""
    fields = SCHEMA["properties"]["checks"]["items"]["properties"]
    choices = {kind: [key for key, _word in pairs] for kind, pairs in check_choices("en").items()}
    assert choices["states"] == fields["state"]["enum"]
    assert all(choices[kind] == fields[kind]["items"]["enum"] for kind in ("predators", "damage"))


def test_a_check_survives_reload_and_leaves_in_a_file(visit: Visit) -> None:
    """What was ticked and typed comes back after a reload and stands in the file, with the device's local time."""
    page = visit()
    page.click("#round-file")
    page.fill("#crew-name", "Ana & Luis")
    page.click("#round-file")
    note(page, "N10003", capped=17, ticks=("ants", "wet"), text="Loose wire")
    note(page, "N20001", "fetched")
    page.reload()
    assert page.get_attribute("#checks-button", "aria-pressed") == "true"
    assert page.inner_text("#round-count") == "Noted: 2 of 40; not in a file yet: 2"
    go_to(page, "N10003")
    said = page.inner_text("#card .saved")
    assert "Checked, 17 capped, Ants, Wet, Loose wire" in said and "Ana & Luis" in said
    data = hand_over(page)
    assert page.inner_text("#round-count") == "Noted: 2 of 40; not in a file yet: 0"
    first, second = data["checks"]
    assert {k: v for k, v in first.items() if k != "at"} == {
        "site": "N10003", "by": "Ana & Luis", "state": "checked", "capped": 17, "predators": ["ants"], "damage": ["wet"], "note": "Loose wire",
    }  # fmt: skip
    assert second["site"] == "N20001" and second["capped"] is None
    assert data["plan"] == "a1b2c3d4" and data["crew"] == "Ana & Luis" and first["at"][-6:] in ("-08:00", "-07:00")
    assert page.evaluate("Math.abs(Date.parse(arguments[0]) - Date.now()) < 60000".replace("arguments[0]", json.dumps(first["at"])))


def test_what_is_not_saved_yet_survives_reload_too(visit: Visit) -> None:
    """A form half filled in is there again, said to be unsaved, and is no check."""
    page = visit()
    go_to(page, "N10002")
    page.check("input[name=damage][value=fallen]")
    page.fill(".check textarea", "half a word")
    page.reload()
    go_to(page, "N10002")
    assert page.is_checked("input[name=damage][value=fallen]") and page.input_value(".check textarea") == "half a word"
    assert "not saved yet" in page.inner_text("#card .saved")
    page.click(".check .main")
    assert page.inner_text(".check .problem") == "Choose the state of the shelter first."
    assert hand_over(page)["checks"] == []


def test_what_is_filled_in_is_never_left_unseen(visit: Visit) -> None:
    """On the way to another site, to none, or out of the checks it is asked for; what is left unsaved is counted and told."""
    page = visit()
    go_to(page, "N10002")
    page.check("input[name=state][value=checked]")
    page.check("input[name=predators][value=ants]")
    page.click("#card .next")
    assert "Site 2 of North 1 is filled in and not saved." in page.inner_text("#card .ask")
    page.click("#card .ask .main")
    assert page.get_attribute("#card", "data-site") == "N10003" and page.locator("#card .ask").count() == 0
    page.fill(".check textarea", "no state chosen yet")
    page.click("#card .close")
    page.uncheck("input[name=predators][value=ants]")
    page.click("#card .ask button:not(.main)")
    assert page.is_hidden("#card") and page.inner_text("#round-count").endswith("; filled in, not saved: 1")
    data = hand_over(page)
    assert [c["site"] for c in data["checks"]] == ["N10002"] and "not in the file: N10003." in page.inner_text("#told")
    page.click("#round-file")
    go_to(page, "N10003")
    assert page.input_value(".check textarea") == "no state chosen yet"
    page.click("#checks-button")
    page.click("#card .ask .main")
    page.click("#card .close")
    assert page.get_attribute("#checks-button", "aria-pressed") == "false" and page.is_hidden("#card")


def test_the_next_form_begins_at_its_top_and_with_nothing_that_went_wrong(visit: Visit) -> None:
    """Checked is carried on, not found is not; the site under the form comes out from under it."""
    page = visit()
    note(page, "N10001")
    page.click("#card .next")
    assert page.is_checked("input[name=state][value=checked]")
    page.check("input[name=state][value=not_found]")
    page.click(".check .main")
    page.click("#card .next")
    assert page.is_checked("input[name=state][value=checked]") and page.evaluate("document.getElementById('card').scrollTop") == 0
    page.evaluate("document.getElementById('card').scrollTop = 400")
    go_to(page, "N20004")
    assert page.evaluate("document.getElementById('card').scrollTop") == 0


def test_whoever_checks_is_asked_for_once(visit: Visit) -> None:
    """In the first form; the name goes with that check already."""
    page = visit()
    go_to(page, "N10001")
    page.fill(".check .who input", "Luz")
    page.check("input[name=state][value=checked]")
    page.click(".check .main")
    page.click("#card .next")
    assert page.locator(".check .who").count() == 0 and page.input_value("#crew-name") == "Luz"
    assert [c["by"] for c in hand_over(page)["checks"]] == ["Luz"]


def test_search_is_on_top_while_checking(visit: Visit) -> None:
    """The first hit lies under nothing."""
    page = visit()
    page.fill("#search", "3")
    seen = """() => { const b = document.querySelector('#found button').getBoundingClientRect();
                      return document.elementFromPoint(b.left + b.width / 2, b.top + b.height / 2).textContent; }"""
    assert page.evaluate(seen) == page.inner_text("#found button >> nth=0")


@pytest.mark.parametrize(("width", "height"), [(740, 360), (180, 370)])
def test_on_a_low_screen_the_form_takes_all_of_it(visit: Visit, width: int, height: int) -> None:
    """A phone held sideways, or with letters twice as large."""
    page = visit()
    page.set_viewport_size({"width": width, "height": height})
    go_to(page, "N10001")
    box = page.locator("#card").bounding_box()
    assert box is not None and box["height"] >= height - 2 and box["y"] <= 1
    page.check("input[name=state][value=checked]")
    page.click(".check .main")
    assert page.inner_text("#card .next").startswith("Next: site 2 · R")


def test_a_check_can_be_taken_back(visit: Visit) -> None:
    """The last check goes, its entries are in the form again, and the one before counts."""
    page = visit()
    note(page, "N10001", "hung")
    note(page, "N10001", "checked", capped=5)
    page.click("#card button:has-text('Take it back')")
    assert "Hung" in page.inner_text("#card .saved") and page.input_value("#capped") == "5"
    assert [c["state"] for c in hand_over(page)["checks"]] == ["hung"]


def test_only_whole_counts_are_taken(visit: Visit) -> None:
    """Anything else is said and not saved."""
    page = visit()
    go_to(page, "N10001")
    page.check("input[name=state][value=hung]")
    for count in ("-1", "1.5", "10000", "1e5"):
        page.fill("#capped", count)
        page.click(".check .main")
        assert "whole number" in page.inner_text(".check .problem"), count
    assert page.inner_text("#round-count").startswith("Noted: 0 of 40")


def test_the_file_is_offered_after_every_ten_checks(visit: Visit) -> None:
    """At ten and, put off, at twenty again; saved, the count begins anew."""
    page = visit()
    for k in range(1, 21):
        note(page, f"N1{k:04d}", "hung")
        assert page.is_visible("#offer") is (k in (10, 20)), k
        if k == 10:
            assert "Checks that are only in this browser: 10." in page.inner_text("#offer")
            page.click("#offer-later")
            assert page.is_hidden("#offer")
    with page.expect_download():
        page.click("#offer-save")
    assert page.is_hidden("#offer")


def test_two_crews_files_are_merged(visit: Visit) -> None:
    """The newest of each site counts, both stay in the file, differences are shown, and adding twice changes nothing."""
    page = visit()
    note(page, "N10001", "checked", capped=3)
    note(page, "N10002", "hung")
    old, new = "2020-01-01T08:00:00.000-08:00", "2099-01-01T08:00:00.000-08:00"
    other = file_of(check("N10001", new, capped=9), check("N10002", old, state="not_found"), check("N20005", old, note="<b>x</b>"))
    said = add(page, ("b.json", other))
    assert "checks added: 3. Sites that both had noted differently: 2." in said
    assert "Site 1 (N10001)" in said and "9 capped. The newer one counts: theirs" in said
    assert "Site 2 (N10002)" in said and "counts: ours" in said
    page.click("#round-file")
    go_to(page, "N10001")
    assert "9 capped" in page.inner_text("#card .saved")
    go_to(page, "N10002")
    assert "Hung" in page.inner_text("#card .saved")
    go_to(page, "N20005")
    assert "<b>x</b>" in page.inner_text("#card .saved")
    assert "checks added: 0. Sites that both had noted differently: 0." in add(page, ("b.json", other))
    assert len(hand_over(page)["checks"]) == 5
    page.reload()
    assert page.inner_text("#round-count").startswith("Noted: 3 of 40")


def test_merging_is_the_same_from_either_side(visit: Visit) -> None:
    """Whoever adds whose file, the same checks count; no file has to be kept apart."""
    mine = [check("N10001", "2027-03-01T10:00:00-08:00", "A"), check("N10003", "2027-03-01T10:00:00-08:00", "A", capped=1)]
    yours = [check("N10001", "2027-03-01T18:30:00Z", "B", state="fetched"), check("N10003", "2027-03-01T18:00:00Z", "B", capped=2)]
    ends = []
    for files in ((mine, yours), (yours, mine)):
        page = visit()
        add(page, *((f"{k}.json", file_of(*f)) for k, f in enumerate(files)))
        newest = page.evaluate("Object.keys(localStorage).filter(k => k.includes('|check|')).sort()")
        page.click("#round-file")
        go_to(page, "N10001")
        first = page.inner_text("#card .saved")
        go_to(page, "N10003")
        ends.append((newest, first, page.inner_text("#card .saved")))
    assert ends[0] == ends[1] and "Fetched in" in ends[0][1]


WRONG_FILES = (
    ("not json", "no file of checks"),
    (file_of(schema="mudcap.report/1"), "no file of checks"),
    (file_of(check("N10001", "2027-01-01T00:00:00Z"), plan="<img src=x onerror='window.hit=1'>"), "belongs to plan <img src=x onerror="),
    (file_of(check("N10001", "2027-01-01T00:00:00Z"), check("ZZZ0001", "2027-01-01T00:00:00Z")), "Check 2 in it is damaged"),
    (file_of(check("N10001", "yesterday")), "Check 1 in it is damaged"),
    (file_of(check("N10001", "2027-13-41T00:00:00Z")), "Check 1 in it is damaged"),
    (file_of(check("N10001", "2027-01-01T00:00:00Z", state="sold")), "Check 1 in it is damaged"),
    (file_of(check("N10001", "2027-01-01T00:00:00Z", capped=1.5)), "Check 1 in it is damaged"),
    (file_of(check("N10001", "2027-01-01T00:00:00Z", note="x" * 501)), "Check 1 in it is damaged"),
    (file_of(check("N10001", "2027-01-01T00:00:00Z", predators="ants")), "Check 1 in it is damaged"),
)  # fmt: skip


def test_a_wrong_file_changes_nothing(visit: Visit) -> None:
    """It is said why, and not even its good checks are taken."""
    page = visit()
    for text, words in WRONG_FILES:
        said = add(page, ("<b>b.json", text))
        assert "<b>b.json: nothing was taken." in said and words in said
    assert page.inner_text("#round-count").startswith("Noted: 0 of 40") and page.evaluate("window.hit") is None


@pytest.mark.parametrize("broken", [
    "Storage.prototype.setItem = () => { throw new DOMException('full', 'QuotaExceededError'); };",
    "Object.defineProperty(window, 'localStorage', { get() { throw new DOMException('no', 'SecurityError'); } });",
    "Object.defineProperty(window, 'localStorage', { value: null });",
])  # fmt: skip
def test_a_browser_that_keeps_nothing_is_told_loudly(visit: Visit, broken: str) -> None:
    """An alert stays on the page, checks still count in it, and the file still holds them."""
    page = visit(before=broken)
    assert page.is_visible("#trouble") and "THIS BROWSER KEEPS NOTHING" in page.inner_text("#trouble")
    assert page.get_attribute("#trouble", "role") == "alert"
    note(page, "N10001", "hung")
    assert page.inner_text("#round-count") == "Noted: 1 of 40; not in a file yet: 1"
    assert len(hand_over(page)["checks"]) == 1


def test_storage_that_fills_up_is_told_when_it_does(visit: Visit) -> None:
    """The first checks are kept, the alert comes with the first that is not."""
    page = visit()
    note(page, "N10001", "hung")
    assert page.is_hidden("#trouble")
    page.evaluate("() => { Storage.prototype.setItem = () => { throw new DOMException('full', 'QuotaExceededError'); }; }")
    note(page, "N10002", "hung")
    assert "KEEPS NOTHING" in page.inner_text("#trouble")
    assert len(hand_over(page)["checks"]) == 2


def test_strange_things_in_the_storage_are_left_alone_and_told(visit: Visit) -> None:
    """A check that cannot be read is neither shown nor thrown away."""
    page = visit()
    page.evaluate("localStorage.setItem('mudcap.checks/1|a1b2c3d4|check|x', '<img src=x onerror=\"window.hit=1\">')")
    page.evaluate("localStorage.setItem('mudcap.checks/1|00000000|open|x', '1')")
    page.reload()
    assert "Stored checks that cannot be read and were left as they are: 1." in page.inner_text("#trouble")
    page.click("#round-file")
    assert "also holds checks of plan 00000000 that are in no file yet: 1." in page.inner_text("#told")
    assert page.evaluate("localStorage.getItem('mudcap.checks/1|a1b2c3d4|check|x')").startswith("<img")
    assert page.evaluate("window.hit") is None


def test_another_open_page_is_followed(visit: Visit) -> None:
    """Two pages of one plan add to one book."""
    page = visit()
    note(page, "N10002", "hung")
    second = page.context.new_page()
    second.goto(page.url)
    assert second.inner_text("#round-count").startswith("Noted: 1 of 40")
    # by script: the browser draws only one of two pages, and the clicks of these tests wait for a drawn one
    second.evaluate(
        """() => {
          const box = document.getElementById("search");
          box.value = "N10001";
          box.dispatchEvent(new KeyboardEvent("keydown", { key: "Enter" }));
          document.querySelector("input[name=state][value=hung]").click();
          document.querySelector(".check .main").click();
        }"""
    )
    for either in (second, page):
        either.bring_to_front()  # a page in the background hears of the other late, on a busy machine very late
        expect(either.locator("#round-count")).to_have_text(
            "Noted: 2 of 40; not in a file yet: 2", timeout=60_000
        )
    second.close()
    assert len(hand_over(page)["checks"]) == 2


def test_a_check_by_keyboard_alone(visit: Visit) -> None:
    """Search, tab to the choices, arrow to the state, save with Enter; every field has a name."""
    page = visit()
    page.focus("#search")
    page.keyboard.type("N10004")
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.textContent") == "Site 4 · North 1"
    while page.evaluate("document.activeElement.name") != "state":
        page.keyboard.press("Tab")
    page.keyboard.press("ArrowDown")
    while page.evaluate("document.activeElement.name") != "predators":
        page.keyboard.press("Tab")
    page.keyboard.press("Space")
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.className") == "next"
    page.keyboard.press("Enter")
    assert page.get_attribute("#card", "data-site") == "N10005"
    (only,) = hand_over(page)["checks"]
    assert only["state"] == "checked" and only["predators"] == ["ants"]
    for box in page.query_selector_all(".check input, .check textarea, #handover input"):
        assert box.evaluate("n => n.labels.length && [...n.labels].map(l => l.textContent).join('').trim()")


def test_gloves_can_hit_every_target(visit: Visit) -> None:
    """Buttons, boxes with their labels and fields are at least 44 pixels either way on a phone, and nothing sticks out."""
    page = visit()
    note(page, "N10001", "hung")
    page.click("#round-file")
    boxes = page.eval_on_selector_all(
        "button, .check fieldset label, .check textarea, #capped, #handover input, summary",
        "nodes => nodes.map(n => n.getBoundingClientRect()).filter(b => b.height).map(b => [b.width, b.height])",
    )
    assert len(boxes) > 30 and min(min(b) for b in boxes) >= 44
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_do_nothing_in_crew_mode(visit: Visit, name: str) -> None:
    """As a block's and ranch's name, as crew and as note, markup stays text through reload and file."""
    page = visit(sample_plan(1, 6, names=[name]))
    page.click("#round-file")
    page.fill("#crew-name", name)
    page.click("#round-file")
    note(page, "N10001", "checked", text=name)
    page.reload()
    go_to(page, "N10001")
    data = hand_over(page)
    assert data["ranch"] == name and data["checks"][0]["note"] == name.strip() and data["crew"] == name.strip()[:40]
    assert page.evaluate("window.hit") is None
    assert page.locator("#card img, #card script, #round img, #round script, #offer img").count() == 0
