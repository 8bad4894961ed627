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


def test_the_letters_are_those_of_the_checks_file() -> None:
    """What can be written on paper is what the map's file of checks knows: one letter for each word of its schema."""
    schema = json.loads(files("mudcap.files").joinpath("checks.schema.json").read_text())
    item = schema["properties"]["checks"]["items"]["properties"]
    words = "\n".join(texts(checks(PLAN)))
    for key, name in (("state", "State"), ("predators", "Predators"), ("damage", "Damage")):
        known = item[key].get("enum") or item[key]["items"]["enum"]
        line = re.search(rf"^{name}: (.*?)\.", words, re.M)
        assert line
        said = [entry.strip().split(" ", 1) for entry in line[1].split(",")]
        assert [word.replace(" ", "_") for _letter, word in said] == known
        assert len({letter for letter, _word in said}) == len(known)


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
