"""The pick-list's pages read back: every site once, in order, with its packages; type embedded; nothing over the edge."""

from __future__ import annotations

import dataclasses
import io
import re

import pdfplumber
import pytest
from pypdf import PdfReader

from mudcap.draw.picklist import picklist
from mudcap.plan.picking import by_load, picks
from mudcap.supply.params import KitParams, SupplyParams
from small_plan import relaxed, two_block_plan
from supplied import with_supply

PLAN = with_supply(two_block_plan(per_block=8), per_load=6)


def rows_of(page: pdfplumber.page.Page) -> list[list[str]]:
    """Words of each line of text."""
    return [line["text"].split() for line in page.extract_text_lines()]


def test_each_load_is_a_part_with_its_sites_in_loading_order():
    """Site names down the pages are those of the load; packages stand in the columns of their letters."""
    pages = [rows_of(p) for p in pdfplumber.open(io.BytesIO(picklist(PLAN))).pages]
    for (load, own), rows in zip(by_load(picks(PLAN)), pages, strict=False):
        assert ["Load", str(load), "of", "3"] in rows
        lines = [r for r in rows if any(re.fullmatch(r"(N40|CRK)\d{4}", w) for w in r)]
        assert [next(w for w in r if re.fullmatch(r"(N40|CRK)\d{4}", w)) for r in lines] == [p.site_id for p in own]
        assert [int(r[0]) for r in lines] == [p.place_in_load for p in own]
        for words, pick in zip(lines, own, strict=True):
            tail = words[words.index(pick.site_id) + 1 :]
            counts = [str(n) for _name, n in pick.packages]
            assert tail == [str(pick.row), str(pick.tree), str(pick.cavities), *counts, f"{pick.facing_deg:.0f}°", f"{pick.compass_deg:.0f}°"]


def test_without_loads_each_block_is_a_part():
    """With no column of packages, facing or loads; the warning of a relaxed plan stands on every page."""
    pages = pdfplumber.open(io.BytesIO(picklist(relaxed(two_block_plan()), page="a4"))).pages
    texts = [p.extract_text() for p in pages]
    assert ["Block North 40" in texts[0], "Block Creek" in texts[1], "Totals by block" in texts[2]] == [True] * 3
    assert all("Read before hanging" in t for t in texts) and not any("compass" in t for t in texts)
    assert abs(float(pages[0].width) - 595.28) < 0.1 and abs(float(pages[0].height) - 841.89) < 0.1


@pytest.mark.parametrize(("units", "wanted"), [("us", "wire 23.7 ft"), ("metric", "wire 7.2 m")])
def test_lengths_of_kit_are_in_the_units_of_the_plan(units, wanted):
    """A load of six sites with 1.2 m of wire each."""
    options = SupplyParams(kit=(KitParams(name="wire", each=1.2, unit="m"),))
    plan = dataclasses.replace(PLAN, params=dataclasses.replace(PLAN.params, units=units, supply=options))
    assert wanted in pdfplumber.open(io.BytesIO(picklist(plan))).pages[0].extract_text()


def test_many_kinds_of_packages_are_told_in_letters():
    """Nothing is cut: each site's take is complete."""
    kinds = tuple((f"kind {k}", k + 1) for k in range(12))
    supply = tuple(dataclasses.replace(s, packages=kinds[k % 6 : k % 6 + 4]) for k, s in enumerate(PLAN.supply))
    text = "".join(p.extract_text() for p in pdfplumber.open(io.BytesIO(picklist(dataclasses.replace(PLAN, supply=supply)))).pages)
    assert "…" not in text
    letters = {m[2]: m[1] for m in re.finditer(r"^([A-Z]) (kind \d+) \d+$", text, re.M)}
    for pick in picks(dataclasses.replace(PLAN, supply=supply)):
        assert ", ".join(f"{n} {letters[name]}" for name, n in pick.packages) in text


def test_pages_are_the_same_every_time_with_all_type_embedded():
    """And nothing stands outside the margins."""
    content = picklist(PLAN)
    assert content == picklist(PLAN)
    for page in PdfReader(io.BytesIO(content)).pages:
        for font in page["/Resources"]["/Font"].values():
            assert "/FontFile2" in font.get_object()["/FontDescriptor"]
    for page in pdfplumber.open(io.BytesIO(content)).pages:
        box = [20.0, 20.0, float(page.width) - 20.0, float(page.height) - 20.0]
        assert all(c["x0"] >= box[0] and c["x1"] <= box[2] and c["top"] >= box[1] and c["bottom"] <= box[3] for c in page.chars)


def test_another_page_is_a_wrong_call():
    """As for the sheet."""
    with pytest.raises(ValueError, match="legal"):
        picklist(PLAN, page="legal")
