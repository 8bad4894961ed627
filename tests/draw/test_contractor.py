"""The spray contractor's sheet: every shelter is passed with nozzles off, closures have dates, zones their setbacks."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date

import numpy as np
import pypdfium2
import pytest
from plans import HOSTILE, sample_plan
from shapely import Point

from mudcap.draw.checks import checks
from mudcap.draw.contractor import contractor
from mudcap.draw.contractor_facts import NEAR_M, closings, rows_off, span_lines, spans, zones
from mudcap.draw.sheet import sheet
from mudcap.draw.sheet_layout import PAGES_MM
from mudcap.orchard.model import Closure, Exclusion, KeepOut
from mudcap.orchard.names import kind_text
from mudcap.plan.model import Site

PLAN = sample_plan(2, 40)
MM = 72 / 25.4


def texts(content: bytes) -> list[str]:
    """The words of each page."""
    document = pypdfium2.PdfDocument(content)
    out = []
    for i in range(len(document)):
        page = document[i]
        words = page.get_textpage()
        out.append(words.get_text_range().replace("\r", ""))
        words.close()
        page.close()
    document.close()
    return out


def own_sites(block: int) -> list[Site]:
    """Sites of one block of the plan."""
    return [PLAN.sites[k] for k in PLAN.site_index(PLAN.orchard.blocks[block].block_id)]


def test_every_shelter_lies_in_a_span_of_its_row() -> None:
    """No shelter is left out, spans do not touch, and none runs past the row's trees."""
    for k, block in enumerate(PLAN.orchard.blocks):
        off = {r.row: r for r in rows_off(block, own_sites(k))}
        assert sum(len(r.shelters) for r in off.values()) == len(own_sites(k))
        for site in own_sites(k):
            (hit,) = [(a, b) for a, b in off[site.row].spans if a <= site.tree <= b]
            assert hit[0] <= max(1, site.tree - 1) and hit[1] >= min(24, site.tree + 1)
        for row in off.values():
            assert all(b + 1 < c for (_a, b), (c, _d) in zip(row.spans, row.spans[1:], strict=False))
            assert row.spans[0][0] >= 1 and row.spans[-1][1] <= 24


@pytest.mark.parametrize(("kind", "wanted"), [("Power line", "línea"), ("well", "pozo"), ("beehive oven", "beehive oven")])
def test_common_kinds_of_zones_are_told_in_the_reader_s_language(kind: str, wanted: str) -> None:
    """A kind of ours is translated, whatever its capitals; a word of the user's stays."""
    spanish = {"power line": "línea eléctrica", "well": "pozo"}
    assert wanted in kind_text(kind, lambda text: spanish.get(text, text))
    block = PLAN.orchard.blocks[0]
    zone = KeepOut(name="Here", geometry=block.polygon.centroid.buffer(2), setback_m=3.0, reason=kind, rule=Exclusion.HAZARD)
    plan = replace(PLAN, orchard=replace(PLAN.orchard, keep_outs=(zone,)))
    said = " ".join(" ".join(texts(contractor(plan))).split())
    assert f"Here hazard {kind_text(kind, str)} " in said


def test_an_alley_in_pieces_is_named_once() -> None:
    """A gap in an alley makes two of it, but the sprayer drives one."""
    block = PLAN.orchard.blocks[0]
    in_pieces = replace(block, alleys=tuple(a for alley in block.alleys for a in (alley, replace(alley, is_spray_lane=True))))
    assert [r.alleys for r in rows_off(in_pieces, own_sites(0))] == [r.alleys for r in rows_off(block, own_sites(0))]
    orchard = replace(PLAN.orchard, blocks=(in_pieces, *PLAN.orchard.blocks[1:]))
    said = " ".join(" ".join(texts(contractor(replace(PLAN, orchard=orchard)))).split())
    used = re.search(r"Alleys that the sprayer is known to use: ([0-9|, ]+)\.", said)
    assert used is not None
    names = used[1].split(", ")
    assert len(names) == len(set(names)) > 1


@pytest.mark.parametrize(
    ("trees", "known", "want"),
    [
        ((), (), ()),
        ((5,), range(1, 10), ((4, 6),)),
        ((1,), range(1, 10), ((1, 2),)),  # at the row's beginning
        ((9,), range(1, 10), ((8, 9),)),  # at its end
        ((3, 6), range(1, 10), ((2, 7),)),  # 2–4 and 5–7 touch
        ((3, 7), range(1, 10), ((2, 4), (6, 8))),
        ((7, 3), range(1, 10), ((2, 4), (6, 8))),  # any order
    ],
)
def test_spans(trees: tuple[int, ...], known: range, want: tuple[tuple[int, int], ...]) -> None:
    """One tree before to one after, joined where they touch, kept to the row."""
    assert spans(trees, known) == want


def test_lines_on_the_map_cover_the_shelters() -> None:
    """Each shelter lies on a drawn stretch of its own row."""
    block = PLAN.orchard.blocks[0]
    assert block.rows is not None
    for row in rows_off(block, own_sites(0)):
        lines = list(span_lines(block.rows, row))
        for site in (s for s in own_sites(0) if s.row == row.row):
            assert min(line.distance(Point(site.x_m, site.y_m)) for line in lines) < 1e-6


def test_alleys_are_those_beside_the_row() -> None:
    """A row is reached from the alleys on its two sides, an outer row from those there are."""
    for row in rows_off(PLAN.orchard.blocks[0], own_sites(0)):
        assert all(row.row in pair for pair in row.alleys)
        assert len(row.alleys) == (1 if row.row in (1, 16) else 2)


def test_zones_and_closures_near_the_block() -> None:
    """A zone far off is left out, one within its own setback is not; closures count where they touch the block."""
    block = PLAN.orchard.blocks[0].polygon
    near = zones(PLAN, block)
    assert {z.name for z in near} == {"Pump house", "Hive stand"}
    assert [z.away_m for z in near] == sorted(z.away_m for z in near)
    far = Point(block.bounds[0] - NEAR_M - 50, 0)
    keeps = (KeepOut(name="Far", geometry=far, setback_m=3.0, reason="well"), KeepOut(name="Wide", geometry=far, setback_m=500.0, reason="town"))
    assert {z.name for z in zones(replace(PLAN, orchard=replace(PLAN.orchard, keep_outs=keeps)), block)} == {"Wide"}
    shut = Closure(name="Here", geometry=block, first=None, last=date(2027, 3, 1))
    made = replace(PLAN, orchard=replace(PLAN.orchard, closures=(*PLAN.orchard.closures, shut)))
    assert "Here" in {c.name for c in closings(made, block)}
    assert "Wet corner" not in {c.name for c in closings(made, block)}


def test_the_sheet_says_it_all() -> None:
    """Rows with their trees, setbacks, closure dates, cautions that defer to label, rules and licence, lines for calls."""
    pages = texts(contractor(PLAN))
    words = "\n".join(pages)
    for k, block in enumerate(PLAN.orchard.blocks):
        for row in rows_off(block, own_sites(k)):
            trees = ", ".join(f"{a}–{b}" for a, b in row.spans)
            assert re.search(rf"^{row.row} {len(row.shelters)} .*{trees}$", words, re.M)
    assert "2027-02-10 2027-02-14 irrigation" in words
    assert "Pump house keep-out pump house 10 ft" in words
    flat = " ".join(words.split())
    for text in ("gives no permission to spray", "product label", "licensed applicator", "local rules", "Whom to call", "Poison control", "20|21: the alley between"):
        assert flat.count(text) >= 2
    assert all("a1b2c3d4" in page and "2027-02-08" in page for page in pages)


@pytest.mark.parametrize("page", sorted(PAGES_MM))
def test_pages_have_their_size_and_none_is_empty(page: str) -> None:
    """Every page is of the paper asked for and says something."""
    content = contractor(PLAN, page=page)
    document = pypdfium2.PdfDocument(content)
    sizes = [document.get_page_size(i) for i in range(len(document))]
    document.close()
    assert all(np.allclose(sorted(s / MM for s in size), sorted(PAGES_MM[page]), atol=0.01) for size in sizes)
    assert min(len(t) for t in texts(content)) > 150


def test_same_bytes_and_refused_paper() -> None:
    """Nothing of the clock goes in; a wrong page names those that there are."""
    assert contractor(PLAN) == contractor(PLAN)
    with pytest.raises(ValueError, match="letter, tabloid, a4, a3"):
        contractor(PLAN, page="b5")


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names(name: str) -> None:
    """Any name can be printed."""
    assert texts(contractor(sample_plan(1, 4, names=[name])))


@pytest.mark.parametrize("paper", [contractor, checks, sheet])
def test_papers_that_name_rows_say_where_these_are_assumed(paper) -> None:
    """Nobody sprays past a shelter, or hangs one, by row numbers that nobody confirmed; the other block's list stays plain."""
    guess, known = PLAN.orchard.blocks
    assert guess.rows is not None
    orchard = replace(PLAN.orchard, blocks=(replace(guess, rows=replace(guess.rows, source="assumed")), known))
    told = [page for page in texts(paper(replace(PLAN, orchard=orchard))) if "ROWS ARE ASSUMED" in page]
    assert len(told) == 1 and guess.block_id in told[0]
    assert "ROWS ARE ASSUMED" not in "".join(texts(paper(PLAN)))


def test_a_block_without_shelters_says_so() -> None:
    """No rows to pass with care, yet closures and cautions stand."""
    bare = replace(PLAN, sites=(), blocks=tuple(replace(b, sites=0) for b in PLAN.blocks))
    words = "\n".join(texts(contractor(bare)))
    assert words.count("No shelter hangs in this block.") == 2 and "Work safely" in words
