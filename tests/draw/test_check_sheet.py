"""The paper check sheet: every site has its line, in the words of the map's crew mode."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from importlib.resources import files

import pypdfium2
import pytest
from plans import sample_plan
from test_contractor import texts

from mudcap.draw.checks import checks
from mudcap.draw.sheet_layout import PAGES_MM

PLAN = sample_plan(2, 40)


def test_every_site_has_one_line() -> None:
    """Number, name, row, tree and cavities of each site, once, in hanging order; the plan number on each page."""
    pages = texts(checks(PLAN))
    words = "\n".join(pages)
    for site in PLAN.sites:
        assert len(re.findall(rf"^{site.number} {site.site_id} {site.row} {site.tree} {site.cavities}\b", words, re.M)) == 1
    assert all("a1b2c3d4" in page for page in pages)
    assert all(f"page {n} of {len(pages)}" in page for n, page in enumerate(pages, 1))


@pytest.mark.parametrize("lang", ["en", "es"])
def test_the_digits_are_those_of_the_checks_file(lang: str) -> None:
    """What can be circled on paper is what the map's file of checks knows, in the order of its schema, in either language."""
    schema = json.loads(files("mudcap.files").joinpath("checks.schema.json").read_text())
    item = schema["properties"]["checks"]["items"]["properties"]
    words = "\n".join(texts(checks(PLAN, lang=lang)))
    lines = re.findall(r"^\S+: (1 .*?)\.", words, re.M)[:3]
    for key, line in zip(("state", "predators", "damage"), lines, strict=True):
        known = item[key].get("enum") or item[key]["items"]["enum"]
        said = [entry.strip().split(" ", 1) for entry in line.split(",")]
        assert [digit for digit, _word in said] == [str(k) for k in range(1, len(known) + 1)]
        if lang == "en":
            assert [word.replace(" ", "_") for _digit, word in said] == known
    assert words.count("1 2 3 4 5 6 1 2 3 4 5 6") == len(PLAN.sites)


def test_the_key_stands_on_every_page_with_sites() -> None:
    """Whoever holds the third page of a block need not look for the first."""
    plan = sample_plan(1, 90)
    pages = [page for page in texts(checks(plan)) if any(site.site_id in page for site in plan.sites)]
    assert len(pages) >= 3
    for page in pages:
        assert all(page.count(f"{name}: 1 ") == 1 for name in ("State", "Predators", "Damage"))


@pytest.mark.parametrize("page", sorted(PAGES_MM))
def test_paper(page: str) -> None:
    """Every page is of the paper asked for, and none is empty."""
    content = checks(PLAN, page=page)
    document = pypdfium2.PdfDocument(content)
    sizes = {tuple(round(s / 72 * 25.4, 1) for s in document.get_page_size(i)) for i in range(len(document))}
    document.close()
    assert sizes == {PAGES_MM[page]}
    assert min(map(len, texts(content))) > 150


def test_same_bytes_refusals_and_no_sites() -> None:
    """Reproducible; a wrong page is named; a plan without sites gives one page that says so."""
    assert checks(PLAN) == checks(PLAN)
    with pytest.raises(ValueError, match="letter, tabloid, a4, a3"):
        checks(PLAN, page="b5")
    bare = replace(PLAN, sites=(), blocks=tuple(replace(b, sites=0) for b in PLAN.blocks))
    (only,) = texts(checks(bare))
    assert "no sites to check" in only
